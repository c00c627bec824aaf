"""What the dialogues of a calibration need of the player."""

from __future__ import annotations

from typing import Protocol

from residue.loudness.calibration.calibration_procedure import CalibrationStep
from residue.loudness.calibration.together import AllTogether
from residue.problems import stopping


class StepPlayer(Protocol):
    """Plays the steps of a calibration."""

    def play(self, step: CalibrationStep | AllTogether) -> None:
        """Plays this step from now on."""

    def hush(self) -> None:
        """Fades the test signal out."""

    def trouble(self) -> str | None:
        """The reason why a meter now reads another sound than the one asked for; None if there is none."""


def check_settled(player: StepPlayer, where: str) -> None:
    """Raises ProblemError where a meter now reads another sound than the one asked for."""
    if (trouble := player.trouble()) is not None:
        raise stopping(where, trouble, "That reading does not count: let it settle, and read again.")
