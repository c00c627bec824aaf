"""Whether a room is in step with others, and why not: for the status, and for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from residue.output.in_step_settings import InStep
from residue.runtime.engine.snapshot import Snapshot
from residue.runtime.system.discipline import Discipline
from residue.schedule.agenda import AgendaEntry

_ASK = "Run `residue unit`, which lets the service ask the kernel."
_SERVICE = "Let chrony or a PTP service set it."
_LENGTHS = "It plays alone until every performance of the programme has been made ready."


@dataclass(frozen=True, slots=True, kw_only=True)
class StepState:
    """The state of a room that is to be in step.

    why: why it is not; None if it is. fault: whether a person has to do something, with the mend. programme: the same
    eight characters in every room that plays the same performances at the same times; None while closed.
    """

    why: str | None
    fault: str | None
    late_ms: float | None
    faster_ppm: float | None
    clock: Discipline | None
    programme: str | None

    @property
    def told(self) -> Mapping[str, Any]:
        """JSON-ready; programs rely on the keys."""
        clock = self.clock
        return {
            "ok": self.why is None,
            "why": self.why,
            "late_ms": self.late_ms,
            "faster_ppm": self.faster_ppm,
            "clock_disciplined": clock.disciplined if clock else None,
            "clock_estimated_ms": clock.estimated_ms if clock else None,
            "clock_most_ms": clock.most_ms if clock else None,
            "programme": self.programme,
        }


def step_state(
    asked: InStep,
    engine: Snapshot,
    clock: Discipline | None,
    timetable: Sequence[AgendaEntry] | None,
    digest: Mapping[str, str],
    *,
    open_now: bool,
) -> StepState:
    """The state of a room in step.

    timetable: that of the opening under way. digest: those of the bags, by performance. open_now: whether there is one.
    """
    skew = engine.skew
    why, mend = _why(asked, engine, clock, lengths_known=timetable is not None or not open_now)
    return StepState(
        why=why,
        fault=None if mend is None else f"Not in step: {why}. {mend}",
        late_ms=None if skew is None else round(skew.late_s * 1000.0, 3),
        faster_ppm=None if skew is None else round(skew.faster_ppm, 2),
        clock=clock,
        programme=None if timetable is None else _code(timetable, digest),
    )


def _why(
    asked: InStep, engine: Snapshot, clock: Discipline | None, *, lengths_known: bool
) -> tuple[str | None, str | None]:
    """Why it is not in step, and what to do; nothing for what passes by itself or is reported elsewhere."""
    if clock is None:
        return "the kernel does not say whether the clock is disciplined", _ASK
    if not clock.disciplined:
        return "clock not disciplined", _SERVICE
    if clock.estimated_ms > asked.clock_within_ms:
        off = f"the clock may be off by {clock.estimated_ms:.1f} ms"
        return off, f"That is more than the {asked.clock_within_ms:g} ms of room.toml. {_SERVICE}"
    if engine.lost is not None:
        return "the sound device is lost", None
    if engine.astray or engine.skew is None:
        return "falling in", None
    if not lengths_known:
        return "not all lengths are known", _LENGTHS
    return None, None


def _code(timetable: Sequence[AgendaEntry], digest: Mapping[str, str]) -> str:
    played = [(one.performance, one.begins.timestamp(), digest.get(one.performance)) for one in timetable]
    return sha256(repr(played).encode()).hexdigest()[:8]
