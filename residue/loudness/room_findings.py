"""What can be said of the caps and the calibration of a room before anything plays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from residue.loudness.calibration import pink_level_db
from residue.loudness.caps import CapEntry, expand
from residue.loudness.outputs import Output
from residue.loudness.weightings import Weighting
from residue.problems import Finding, Severity, nearest

_DEAF_TO_BASS = frozenset({Weighting.A, Weighting.K})
_MOST_A_ABOVE_C_DB = 6.0
"""How far a room may shift the A reading against the C reading from what pink noise in free air gives."""


def check_room(entries: Sequence[CapEntry], outputs: Mapping[str, Output], *, ears_unknown: bool) -> list[Finding]:
    """What is wrong with the caps of a room and its calibration.

    ears_unknown: room.toml says `levels_at_the_ear = "unknown"`.
    """
    return [
        *_unknown_outputs(entries, outputs),
        *_calibration(entries, outputs, ears_unknown=ears_unknown),
        *_odd_calibrations(outputs),
        *_unheard_bass(entries),
    ]


def _unknown_outputs(entries: Sequence[CapEntry], outputs: Mapping[str, Output]) -> list[Finding]:
    return [
        Finding(
            Severity.STOPS,
            f"room.toml: cap[{index}].output",
            f'No output is named "{entry.output}".',
            nearest(entry.output, outputs),
        )
        for index, entry in enumerate(entries)
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
        for index, entry in enumerate(entries)
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
    findings = []
    for name, output in outputs.items():
        if output.calibration is None:
            continue
        expected = pink_level_db(Weighting.A, output.transducer) - pink_level_db(Weighting.C, output.transducer)
        found = output.calibration.read_dba - output.calibration.read_dbc
        if found > expected + _MOST_A_ABOVE_C_DB:
            findings.append(
                Finding(
                    Severity.STOPS,
                    f"room.toml: output.{name}.calibration",
                    f"read_dba lies {found:+.1f} dB against read_dbc; pink noise gives about {expected:+.1f} dB.",
                    "Measure again with the calibration noise of this output, or exchange the two if swapped.",
                )
            )
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
