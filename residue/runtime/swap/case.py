"""One performance on its way into another's place: how far it has come, in a person's words."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from residue.archive.swap.candidate import Candidate, When
from residue.archive.swap.dropped import FolderState
from residue.runtime.planning.planning import Outcome


class Stage(StrEnum):
    """How far it has come; a person reads it in the status."""

    ARRIVING = "arriving"
    """It was dropped, and is still being copied."""
    TO_CHECK = "to be checked"
    CHECKING = "being checked"
    READY = "ready"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Case:
    """A candidate, as it stood on the disk when it was looked at, and what came of it."""

    candidate: Candidate
    look: FolderState
    since_s: float
    """When it was last seen to change, on the monotonic clock."""
    stage: Stage = Stage.ARRIVING
    why: str | None = None
    """What it lacks, or why it was refused."""
    outcome: Outcome | None = None
    """The plan with it in its place."""
    attempts: int = 0

    @property
    def what(self) -> str:
        """The two performances: the new one and the one that it replaces."""
        return f"{self.candidate.request.bag} in the place of {self.candidate.name}"

    @property
    def ours(self) -> bool:
        """It is a copy of our own, or the one before, and not what a person dropped."""
        return self.candidate.path.name.startswith(".")

    def told(self) -> dict[str, str | None]:
        """The progress of the swap, for the status."""
        request = self.candidate.request
        return {
            "performance": self.candidate.name,
            "bag": request.bag,
            "when": request.when,
            "state": self.stage,
            "why": self.why,
        }


WHEN_IN_WORDS = {
    When.NOW: "at once",
    When.AT_REST: "as soon as that does not play",
    When.AT_OPENING: "before the house opens next",
}
