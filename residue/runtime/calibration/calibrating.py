"""Walks a technician through the calibration of a room, output by output."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from residue.installation.room import Room
from residue.loudness.calibration import calibration_procedure as procedure
from residue.loudness.calibration.calibration_procedure import CalibrationStep, MeterReading
from residue.loudness.calibration.calibration_signals import counted_pulses, pink_noise
from residue.loudness.calibration.together import all_together, told_of
from residue.loudness.caps.cautions import CAUTIONS
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.calibration import (
    HIGHEST_DB,
    LEAST_M_PER_S2,
    LOW_BAND_HZ,
    LOWEST_DB,
    MOST_M_PER_S2,
    PINK_BAND_HZ,
    AnyCalibration,
    Calibration,
    LowBandCalibration,
    Origin,
    VibrationCalibration,
    low_offset_db,
    offset_db,
)
from residue.loudness.outputs.measurement import ABOVE_BACKGROUND_DB, MOST_SPREAD_DB
from residue.loudness.outputs.outputs import Output
from residue.problems import ProblemError, nearest, stopping
from residue.runtime.calibration.measuring_low import MeasuringLow
from residue.runtime.calibration.step_player import StepPlayer, check_settled

Measured = Mapping[str, AnyCalibration]
Save = Callable[[str, Measured], None]
"""Writes the measurement of an output, by its key in room.toml. Raises ProblemError."""

_SEPARATORS = re.compile(r"[\s;/]+")

HOW = """\

Be alone in the room, with the amplifiers where they are to stay. Noise begins very quietly on one output at a time, \
gets louder only when you press a key, and never louder than the lowest cap of the room.
Put the meter where a visitor's head is, set it to LAeq and LCeq, and let each reading settle for 15 s at least. Take \
two readings or more of each output; their mean is kept, and their spread makes the margin of the caps larger.
Answer with
  two numbers  what the meter reads, A and then C, such as 62.5 65.0; a third, if you have a vibration meter on the \
floor or the seat: aw with weighting Wk, up and down, in m/s²
  Enter        it shows no more than with nothing playing: play 3 dB louder; or, once it is enough: keep it
  + or -       3 dB louder, 3 dB quieter
  k            keep this reading although it is not far above the background
  r            begin this output again, after an amplifier was moved
  s, q         leave this output out; end. Ctrl-C ends too; either way the sound fades out.\
"""


class Technician(Protocol):
    """The person at the terminal."""

    def tell(self, text: str) -> None:
        """Shows a text to the technician."""

    def ask(self, question: str) -> str:
        """Asks the person and returns one line. Raises EOFError when the terminal is closed."""


class _EndedError(Exception):
    """The technician ends the calibration."""


class _LeftOutError(Exception):
    """The technician leaves this output out."""


@dataclass(frozen=True)
class Calibrating:
    """The surroundings of a calibration."""

    room: Room
    technician: Technician
    player: StepPlayer
    origin: Origin
    """The origin of the present measurements."""
    save: Save
    remark: Callable[[str], None]
    """Writes into the event log."""

    def walk(self) -> list[str]:
        """Calibrates every output; returns the names of the calibrated ones."""
        tell = self.technician.tell
        for caution in CAUTIONS:
            tell(f"CAUTION. {caution}")
        tell(HOW)
        done: list[str] = []
        steps: list[CalibrationStep] = []
        try:
            for number, name in enumerate(self.room.output, start=1):
                tell(f"\nOutput {name}, {number} of {len(self.room.output)}, {_described(self.room.output[name])}.")
                try:
                    step = self._output(name)
                    self._keep(name, procedure.answered(step, self.origin))
                    done.append(name)
                    steps.append(step)
                    if (held := self._low_band(step)) is not None:
                        self._keep(name, {"low_band": held})
                except _LeftOutError:
                    tell(f"{name} is left out.")
                except ProblemError as error:
                    self._tell_all(error)
            if len(steps) > 1:
                self._all(steps)
        except (_EndedError, EOFError):
            pass
        finally:
            self.player.hush()
        tell(self._closing(done))
        return done

    def _keep(self, name: str, measured: Measured) -> None:
        self.technician.tell(told(name, self.room.output[name], measured))
        self.save(name, measured)
        self.technician.tell("Written into room.toml.")

    def _output(self, name: str) -> CalibrationStep:
        """The last step of an output, with its readings. Raises ProblemError, _LeftOutError, _EndedError, EOFError."""
        output, caps = self.room.output[name], self.room.caps
        stimulus = pink_noise(output.transducer)
        step: CalibrationStep | None = None
        while step is None:
            self.player.hush()
            low_hz, high_hz = PINK_BAND_HZ[output.transducer]
            self.technician.tell(f"It will play pink noise, {low_hz:g} Hz to {high_hz:g} Hz.")
            background = self._background()
            begun = procedure.begin(name, self.room.output, caps, stimulus, background)
            if begun.needs_vibration:
                self.technician.tell(_VIBRATION_TOO)
            step = self._measured(begun)
        self.player.hush()
        return step

    def _low_band(self, step: CalibrationStep) -> LowBandCalibration | None:
        """The low band of an output that was measured. Raises ProblemError, _EndedError, EOFError."""
        measuring = MeasuringLow(self.technician.tell, self._answer, self.player, self.origin)
        try:
            return measuring.measure(step, self.room.caps)
        except _LeftOutError:
            return None
        finally:
            self.player.hush()

    def _all(self, steps: Sequence[CalibrationStep]) -> None:
        """Plays all outputs together and says whether that is the sum of them. Raises _EndedError, EOFError."""
        together = all_together(steps)
        self.technician.tell("\nNow all of these play together. Put the meter back where a visitor's head is.")
        self.player.play(together)
        try:
            while True:
                answer = self._answer("All together, against the sum of all; Enter leaves it out (A C): ")
                if answer == "":
                    return
                try:
                    said = told_of(together, self._read("all outputs", answer))
                except ProblemError as error:
                    self._tell_all(error)
                    continue
                self.technician.tell(said)
                self.remark(said)
                return
        except _LeftOutError:
            return
        finally:
            self.player.hush()

    def _background(self) -> MeterReading:
        """Asks for the meter's reading while nothing plays."""
        while True:
            try:
                reading = _reading(self._answer("Nothing plays. The meter reads (A C): "))
                procedure.possible_background(reading)
                return reading
            except ProblemError as error:
                self._tell_all(error)

    def _measured(self, step: CalibrationStep) -> CalibrationStep | None:
        """The last step of an output, with its readings; None to begin again."""
        self.player.play(step)
        while True:
            answer = self._answer(_question(step))
            if answer == "r":
                return None
            try:
                following = self._after(step, answer)
                if following is None:
                    procedure.answered(step, self.origin)
                    return self._at_the_loudest_place(step)
            except ProblemError as error:
                self._tell_all(error)
                continue
            if following.played_dbfs != step.played_dbfs:
                self.player.play(following)
            step = self._horizontal(following)

    def _horizontal(self, step: CalibrationStep) -> CalibrationStep:
        """Asks for the horizontal vibration at this level, if a cap needs it."""
        if not step.needs_horizontal:
            return step
        self.technician.tell(
            "A cap limits horizontal vibration. Set the vibration meter to weighting Wd, read front to back and side "
            "to side, and take the larger."
        )
        while True:
            answer = self._answer(
                f"{step.name} at {step.played_dbfs:g} dBFS, horizontal; Enter leaves it out (aw in m/s²): "
            )
            if answer == "":
                return step
            try:
                read_m_per_s2 = _acceleration(_figures(answer, 1, _ONE_FIGURE)[0])
                check_settled(self.player, step.name)
                return procedure.with_horizontal(step, read_m_per_s2)
            except ProblemError as error:
                self._tell_all(error)

    def _at_the_loudest_place(self, step: CalibrationStep) -> CalibrationStep:
        """Asks for a reading at the loudest place that visitors can reach, if it is another place."""
        self.technician.tell(
            "Is there a place that visitors can reach and where this output is louder? Carry the meter there."
        )
        while True:
            answer = self._answer(
                f"{step.name} at {step.played_dbfs:g} dBFS, at the loudest place; Enter keeps it as measured (A C): "
            )
            if answer == "":
                return step
            try:
                return procedure.with_loudest(step, self._read(step.name, answer))
            except ProblemError as error:
                self._tell_all(error)

    def _read(self, where: str, answer: str) -> MeterReading:
        """The reading that was typed. Raises ProblemError where it is not a reading, or the sound has not settled."""
        reading = _reading(answer)
        check_settled(self.player, where)
        return reading

    def _after(self, step: CalibrationStep, answer: str) -> CalibrationStep | None:
        """The step that an answer leads to; None to keep the reading. Raises ProblemError."""
        if answer == "-":
            return procedure.quieter(step)
        if answer == "" and procedure.loud_enough(step) and step.needs_vibration:
            what = "A cap limits vibration, and none was read."
            raise stopping(f"calibration of {step.name}", what, "Write A, C and aw; or k to keep it without aw.")
        if answer == "k" or (answer == "" and procedure.loud_enough(step)):
            return None
        if answer == "+" or (answer == "" and step.reading is not None):
            return procedure.louder(step)
        if answer == "":
            check_settled(self.player, step.name)
            return procedure.louder(procedure.with_reading(step, None))
        reading = self._read(step.name, answer)
        procedure.makes_sense(step, reading)
        return procedure.with_reading(step, reading)

    def _answer(self, question: str) -> str:
        answer = self.technician.ask(question).strip().lower()
        if answer == "s":
            raise _LeftOutError
        if answer == "q":
            raise _EndedError
        return answer

    def _tell_all(self, error: ProblemError) -> None:
        for finding in error.findings:
            self.technician.tell(f"{finding.what} {finding.mend}")

    def _closing(self, done: Sequence[str]) -> str:
        left = [name for name, output in self.room.output.items() if output.calibration is None and name not in done]
        lines = [f"Calibrated: {', '.join(done) or 'nothing'}."]
        if left:
            lines.append(f"Without calibration still: {', '.join(left)}.")
        elif self.room.levels_at_the_ear == "unknown":
            lines.append('Every output is calibrated: take levels_at_the_ear = "unknown" out of room.toml.')
        if done:
            lines.append("Mark the knobs of the amplifiers and lock the cupboard; then: residue check.")
        return "\n".join(lines)


_LOUDER_QUIETER: Mapping[str, Callable[[CalibrationStep], CalibrationStep]] = {
    "": procedure.louder,
    "+": procedure.louder,
    "-": procedure.quieter,
}


def identify(room: Room, name: str, technician: Technician, player: StepPlayer) -> None:
    """Makes an output play its own number, louder and quieter at a key press, until the technician ends it.

    Raises ProblemError where there is no such output, or a cap leaves no room for it.
    """
    names = list(room.output)
    if name not in names:
        raise stopping("room.toml: output", f'No output is named "{name}".', nearest(name, names))
    output, number = room.output[name], names.index(name) + 1
    stimulus = counted_pulses(number, output.transducer)
    step = procedure.begin_as_calibrated(name, room.output, room.caps, stimulus)
    technician.tell(
        f"{name} is output {number} of {len(names)}, {_described(output)}: it counts {number}, over and over."
    )
    if output.calibration is None:
        technician.tell("It has no calibration, so it is taken to be as loud as any could be, and stays quiet.")
    player.play(step)
    try:
        while True:
            asked = f"{step.played_dbfs:g} dBFS. Enter: 3 dB louder, -: 3 dB quieter, q: end. "
            answer = technician.ask(asked).strip().lower()
            if answer in ("q", "s"):
                return
            if answer not in _LOUDER_QUIETER:
                continue
            try:
                step = _LOUDER_QUIETER[answer](step)
            except ProblemError as error:
                technician.tell(error.findings[0].what)
            else:
                player.play(step)
    except EOFError:
        return
    finally:
        player.hush()


def _reading(answer: str) -> MeterReading:
    """Two numbers, or three; a comma may stand for the point. Raises ProblemError."""
    figures = _figures(answer, 2, _TWO_FIGURES, most=3)
    for figure in figures[:2]:
        if not LOWEST_DB <= figure <= HIGHEST_DB:
            mend = f"Write levels between {LOWEST_DB:g} and {HIGHEST_DB:g} dB, or look at the range of the meter."
            raise stopping("answer", f"{figure:g} dB cannot be read in a room.", mend)
    return MeterReading(*figures[:2], aw_m_per_s2=_acceleration(figures[2]) if len(figures) == 3 else None)


_VIBRATION_TOO = (
    "A cap limits vibration. Put a vibration meter on the floor or the seat, set to weighting Wk, up and down, and "
    "type what it reads as a third number: aw in m/s²."
)
_TWO_FIGURES = "Write two numbers, A and then C, such as 62.5 65.0."
_ONE_FIGURE = "Write one number in m/s², such as 0.12."


def _figures(answer: str, count: int, mend: str, *, most: int | None = None) -> list[float]:
    """So many numbers, or up to `most`. Raises ProblemError with this mend."""
    words = [word.strip(",").replace(",", ".") for word in _SEPARATORS.split(answer.strip())]
    try:
        figures = [float(word) for word in words]
    except ValueError:
        figures = []
    if not count <= len(figures) <= (most or count):
        raise stopping("answer", f'"{answer}" is not a reading.', mend)
    return figures


def _acceleration(read_m_per_s2: float) -> float:
    """The reading. Raises ProblemError where nobody could read it."""
    if not LEAST_M_PER_S2 <= read_m_per_s2 <= MOST_M_PER_S2:
        mend = f"Write aw in m/s² (not mm/s², not g), between {LEAST_M_PER_S2:g} and {MOST_M_PER_S2:g}."
        raise stopping("answer", f"{read_m_per_s2:g} m/s² cannot be read on a floor or a seat.", mend)
    return read_m_per_s2


def _question(step: CalibrationStep) -> str:
    at = f"{step.name} at {step.played_dbfs:g} dBFS."
    figures = "A C aw" if step.needs_vibration else "A C"
    if step.reading is None:
        return f"{at} The meter reads ({figures}): "
    if procedure.loud_enough(step) and not step.read_often_enough:
        return f"{at} That is well above the background. Read the meter once more ({figures}): "
    if procedure.loud_enough(step):
        return f"{at}{_spread_told(step)} That is well above the background. Enter keeps it, + plays louder: "
    return f"{at} Not {ABOVE_BACKGROUND_DB:g} dB above the background yet. Enter plays 3 dB louder: "


def _spread_told(step: CalibrationStep) -> str:
    spread = procedure.spread_db(step.here, step.output.transducer)
    if spread <= MOST_SPREAD_DB:
        return ""
    more = "Look for other sounds, and read again; r begins anew."
    return f" The readings spread by {spread:g} dB, and those of steady noise by {MOST_SPREAD_DB:g} at most. {more}"


def _described(output: Output) -> str:
    return f"a {output.transducer} on channel {output.device_channel} of the device"


def told(name: str, output: Output, measured: Measured) -> str:
    """The meaning of a measurement, and its change since the one before."""
    lines = []
    new, old = measured.get("calibration"), output.calibration
    if isinstance(new, Calibration):
        full_scale_db = offset_db(new, Weighting.C, output.transducer)
        more_db = max(new.counts_dba - new.read_dba, new.counts_dbc - new.read_dbc)
        place = "loudest" if more_db else "visitor's"
        lines.append(f"{name}: noise of 0 dBFS would be {full_scale_db:.1f} dB(C) at the {place} place.")
        if more_db:
            lines.append(f"It is up to {more_db:.1f} dB louder there than at the visitor's, and counts for the caps.")
        if new.spread_db is not None:
            lines.append(f"The {new.readings} readings spread by {new.spread_db:g} dB (standard deviation).")
        if old is not None:
            change_db = full_scale_db - offset_db(old, Weighting.C, output.transducer)
            lines.append(f"That is {change_db:+.1f} dB against the calibration of {old.on}.")
    low = measured.get("low_band")
    if isinstance(low, LowBandCalibration):
        band = f"{low.low_hz:g} to {LOW_BAND_HZ[1]:g} Hz"
        lines.append(
            f"{name}: noise of 0 dBFS from {band} would be {low_offset_db(low):.1f} dB at the visitor's place."
        )
    felt = measured.get("vibration")
    if isinstance(felt, VibrationCalibration):
        full_scale = felt.read_aw_m_per_s2 * 10.0 ** (-felt.played_dbfs / 20.0)
        lines.append(f"It would shake a visitor with {full_scale:.0f} m/s².")
        if felt.read_horizontal_m_per_s2 is not None:
            full_scale = felt.read_horizontal_m_per_s2 * 10.0 ** (-felt.played_dbfs / 20.0)
            lines.append(f"Horizontal, that would be {full_scale:.0f} m/s².")
    elif new is not None and output.transducer == "shaker":
        lines.append("No vibration was measured: what a body feels of this output stays unknown.")
    return "\n".join(lines)
