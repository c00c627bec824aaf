"""What can be said of the caps and the calibration of a room before anything plays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from residue.loudness.calibration import Calibration, pink_level_db
from residue.loudness.caps import CapEntry, expand
from residue.loudness.outputs import Output
from residue.loudness.plan import Plan
from residue.loudness.weightings import Weighting
from residue.problems import Finding, Severity, nearest

_DEAF_TO_BASS = frozenset({Weighting.A, Weighting.K})
_MOST_A_ABOVE_C_DB = 6.0
"""How far a room may shift the A reading against the C reading from what pink noise in free air gives."""
_LOUDEST_FULL_SCALE_DB = 150.0
"""No loudspeaker of a gallery reaches this at a visitor's place: the readings or the level played are wrong."""
_QUIETEST_DBA = 45.0
"""Below this a meter shows the room, not the noise: common practice, no source."""


def check_room(entries: Sequence[CapEntry], outputs: Mapping[str, Output], *, ears_unknown: bool) -> list[Finding]:
    """What is wrong with the caps of a room and its calibration.

    ears_unknown: room.toml says `levels_at_the_ear = "unknown"`.
    """
    return [
        *_unknown_outputs(entries, outputs),
        *_calibration(entries, outputs, ears_unknown=ears_unknown),
        *_odd_calibrations(outputs),
        *_unheard_bass(entries),
        *_idle_caps(entries),
    ]


def _unknown_outputs(entries: Sequence[CapEntry], outputs: Mapping[str, Output]) -> list[Finding]:
    return [
        Finding(
            Severity.STOPS,
            f"room.toml: cap[{index}].output",
            f'No output is named "{entry.output}".',
            nearest(entry.output, outputs),
        )
        for index, entry in enumerate(entries, start=1)
        if entry.output is not None and entry.output not in outputs
    ]


def _calibration(entries: Sequence[CapEntry], outputs: Mapping[str, Output], *, ears_unknown: bool) -> list[Finding]:
    bare = [name for name, output in outputs.items() if output.calibration is None]
    if not bare:
        return []
    names = " and ".join(bare)
    findings = [
        Finding(
            Severity.STOPS,
            f"room.toml: cap[{index}]",
            f"It limits what arrives at the ear, but output {names} has no calibration.",
            "Calibrate every output, or state a limit_dbfs.",
        )
        for index, entry in enumerate(entries, start=1)
        if any(cap.physical for cap in expand([entry]))
    ]
    if not ears_unknown:
        findings.append(
            Finding(
                Severity.STOPS,
                f"room.toml: output.{bare[0]}.calibration",
                f"Output {names} has no calibration, so levels at the ear are unknown.",
                'Calibrate every output, or say outright levels_at_the_ear = "unknown".',
            )
        )
    return findings


def _odd_calibrations(outputs: Mapping[str, Output]) -> list[Finding]:
    return [
        finding
        for name, output in outputs.items()
        if output.calibration is not None
        for finding in odd_readings(f"room.toml: output.{name}.calibration", output.calibration, output.transducer)
    ]


def odd_readings(where: str, calibration: Calibration, transducer: str) -> list[Finding]:
    """What makes no sense in the readings of a calibration."""
    expected = pink_level_db(Weighting.A, transducer) - pink_level_db(Weighting.C, transducer)
    found = calibration.read_dba - calibration.read_dbc
    full_scale_db = calibration.read_dbc - calibration.played_dbfs
    findings = []
    if found > expected + _MOST_A_ABOVE_C_DB:
        what = f"read_dba lies {found:+.1f} dB against read_dbc; its noise should give about {expected:+.1f} dB."
        mend = "Measure again with the calibration noise of this output, or exchange the two if they were swapped."
        findings.append(Finding(Severity.STOPS, where, what, mend))
    if full_scale_db > _LOUDEST_FULL_SCALE_DB:
        what = f"By these readings full scale would be {full_scale_db:.0f} dB(C) at the visitor's place."
        mend = "Measure again: check the level that was played and the range of the meter."
        findings.append(Finding(Severity.STOPS, where, what, mend))
    if calibration.read_dba < _QUIETEST_DBA:
        what = f"read_dba = {calibration.read_dba:g} is what a quiet room reads without any noise playing."
        mend = "Measure again at a higher level."
        findings.append(Finding(Severity.WARNS, where, what, mend))
    return findings


def _unheard_bass(entries: Sequence[CapEntry]) -> list[Finding]:
    caps = expand(entries)
    if not caps or any(cap.quantity.windowed and cap.quantity.weighting not in _DEAF_TO_BASS for cap in caps):
        return []
    return [
        Finding(
            Severity.WARNS,
            "room.toml: cap",
            "No cap sees the lowest sounds: at 20 Hz A weighting is 50 dB down and K weighting 13 dB, at 10 Hz more.",
            "Add a cap on LCeq or LZeq where muscles sound or a floor moves.",
        )
    ]


def _idle_caps(entries: Sequence[CapEntry]) -> list[Finding]:
    """Caps that never decide anything, because another on the same quantity and window is lower."""
    caps = expand(entries)
    findings = []
    for cap in caps:
        for other in caps:
            same = (other.quantity, other.window_s, other.at, other.physical) == (
                cap.quantity,
                cap.window_s,
                cap.at,
                cap.physical,
            )
            if same and other.limit < cap.limit:
                what = f"{cap.name} allows {cap.limit:g} {cap.unit}, but {other.name} only {other.limit:g}."
                mend = "The lower one holds; take the other out if it is not meant to stand there."
                findings.append(Finding(Severity.NOTES, "room.toml: cap", what, mend))
    return findings


_QUIETEST_AUDIBLE_DB = -40.0
"""A performance that has to be lowered further than this is not what the artist meant: our own judgement."""


def plan_findings(plan: Plan) -> list[Finding]:
    """What a plan means for the piece, where somebody should look."""
    return [
        Finding(
            Severity.WARNS,
            f"performances/{performance.name}",
            f"It has to be lowered by {-performance.gain_db:.1f} dB so that {performance.reason} is never passed.",
            "Ask the house for a higher cap, or turn the amplifiers down and calibrate again.",
        )
        for performance in plan.performances
        if performance.gain_db < _QUIETEST_AUDIBLE_DB
    ]
