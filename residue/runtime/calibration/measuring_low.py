"""The dialogue in which a technician measures the lowest band of a loudspeaker."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from residue.loudness.calibration import calibration_procedure as procedure
from residue.loudness.calibration import low_band
from residue.loudness.calibration.calibration_procedure import CalibrationStep
from residue.loudness.caps.caps import Cap
from residue.loudness.outputs.calibration import HIGHEST_DB, LOW_BAND_HZ, LOWEST_DB, LowBandCalibration, Origin
from residue.problems import ProblemError, stopping
from residue.runtime.calibration.step_player import StepPlayer, check_settled


@dataclass(frozen=True)
class MeasuringLow:
    """The surroundings of a measurement in the lowest band; `ask` gives a line without blanks at its ends."""

    tell: Callable[[str], None]
    ask: Callable[[str], str]
    player: StepPlayer
    origin: Origin

    def measure(self, measured: CalibrationStep, caps: Sequence[Cap]) -> LowBandCalibration | None:
        """The low band of an output that was just measured; None where a person leaves it out, or there is none.

        Raises ProblemError where no cap lets it be played.
        """
        low_hz = low_band.lowest_hz(measured.output)
        if low_hz is None:
            return None
        self.player.hush()
        self.tell(
            f"{measured.name} can be measured below {LOW_BAND_HZ[1]:g} Hz too, where rooms boom. An ear hardly hears "
            "it: watch the cones, and stop with - or Ctrl-C when they move far."
        )
        weighting = self._weighting()
        if weighting is None:
            return None
        background_db = self._number(f"Nothing plays. The meter reads ({weighting}): ")
        return self._from(low_band.begin_low_band(measured, caps, low_hz), weighting, low_hz, background_db)

    def _weighting(self) -> str | None:
        while True:
            answer = self.ask("Does the meter show LZeq, LCeq or LGeq? Z, C or G; Enter leaves it out: ").upper()
            if answer in ("", "Z", "C", "G"):
                return answer or None
            self.tell("Write Z, C or G, or press Enter.")

    def _from(self, step: CalibrationStep, weighting: str, low_hz: float, background_db: float) -> LowBandCalibration:
        """From the first step on until it is kept."""
        readings_db: list[float] = []
        self.player.play(step)
        while True:
            enough = low_band.low_enough_read(readings_db, background_db)
            keep = "Enter keeps it. " if enough else "Enter plays 3 dB louder. "
            band = f"{low_hz:g} to {LOW_BAND_HZ[1]:g} Hz"
            answer = self.ask(
                f"{step.name} at {step.played_dbfs:g} dBFS, {band}. {keep}The meter reads ({weighting}): "
            )
            try:
                if answer == "" and enough:
                    return low_band.low_band_of(
                        step, readings_db, weighting=weighting, low_hz=low_hz, origin=self.origin
                    )
                if answer in ("", "+", "-"):
                    step = procedure.quieter(step) if answer == "-" else procedure.louder(step)
                    readings_db = []
                    self.player.play(step)
                    continue
                reading_db = _level(answer)
                check_settled(self.player, step.name)
                readings_db.append(reading_db)
                held = low_band.low_band_of(step, readings_db, weighting=weighting, low_hz=low_hz, origin=self.origin)
                step = low_band.with_low_reading(step, held)
            except ProblemError as error:
                self._tell_all(error)

    def _number(self, question: str) -> float:
        while True:
            try:
                return _level(self.ask(question))
            except ProblemError as error:
                self._tell_all(error)

    def _tell_all(self, error: ProblemError) -> None:
        for finding in error.findings:
            self.tell(f"{finding.what} {finding.mend}")


def _level(answer: str) -> float:
    """One level in dB; a comma may stand for the point. Raises ProblemError."""
    try:
        level_db = float(answer.replace(",", "."))
    except ValueError:
        level_db = 0.0
    if not LOWEST_DB <= level_db <= HIGHEST_DB:
        mend = f"Write one level between {LOWEST_DB:g} and {HIGHEST_DB:g} dB, such as 71.5."
        raise stopping("answer", f'"{answer}" is not a level.', mend)
    return level_db
