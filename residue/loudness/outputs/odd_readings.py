"""Finds readings of a meter that cannot be right."""

from __future__ import annotations

from residue.loudness.meters.weightings import FELT, Weighting
from residue.loudness.outputs.calibration import Calibration, VibrationCalibration, felt_offset_db, pink_level_db
from residue.problems import Finding, Severity

_MOST_A_ABOVE_C_DB = 6.0
"""A room may shift the difference of A and C reading by this, relative to pink noise in free air."""
LOUDEST_FULL_SCALE_DB = 150.0
"""No loudspeaker of a gallery reaches this at a visitor's place: the readings or the level played are wrong."""
STRONGEST_FULL_SCALE_M_PER_S2 = 100.0
"""Ten times the acceleration of a fall: no shaker moves a person like that."""
QUIETEST_DBA, QUIETEST_SHAKER_DBC = 45.0, 55.0
"""Below this a meter shows the room, not the noise: common practice, no source. A hardly measures a shaker."""


def odd_readings(where: str, calibration: Calibration, transducer: str) -> list[Finding]:
    """Finds implausible readings of a sound level meter."""
    expected = pink_level_db(Weighting.A, transducer) - pink_level_db(Weighting.C, transducer)
    found = calibration.read_dba - calibration.read_dbc
    full_scale_db = calibration.counts_dbc - calibration.played_dbfs
    findings = _odd_loudest(where, calibration, expected)
    if found > expected + _MOST_A_ABOVE_C_DB:
        what = f"read_dba lies {found:+.1f} dB against read_dbc; its noise should give about {expected:+.1f} dB."
        mend = "Measure again with the calibration noise of this output, or exchange the two if they were swapped."
        findings.append(Finding(Severity.STOPS, where, what, mend))
    if full_scale_db > LOUDEST_FULL_SCALE_DB:
        what = f"By these readings full scale would be {full_scale_db:.0f} dB(C) at the visitor's place."
        mend = "Measure again: check the level that was played and the range of the meter."
        findings.append(Finding(Severity.STOPS, where, what, mend))
    key, read, quietest = "read_dba", calibration.read_dba, QUIETEST_DBA
    if transducer == "shaker":
        key, read, quietest = "read_dbc", calibration.read_dbc, QUIETEST_SHAKER_DBC
    if read < quietest:
        what = f"{key} = {read:g} is what a quiet room reads without any noise playing."
        mend = "Measure again at a higher level."
        findings.append(Finding(Severity.WARNS, where, what, mend))
    return findings


def _odd_loudest(where: str, calibration: Calibration, expected_db: float) -> list[Finding]:
    """Finds swapped readings of the loudest place."""
    if calibration.loudest_dba is None or calibration.loudest_dbc is None:
        return []
    found_db = calibration.loudest_dba - calibration.loudest_dbc
    if found_db <= expected_db + _MOST_A_ABOVE_C_DB:
        return []
    what = (
        f"loudest_dba lies {found_db:+.1f} dB against loudest_dbc; its noise should give about {expected_db:+.1f} dB."
    )
    mend = "Measure there again, or exchange the two if they were swapped."
    return [Finding(Severity.STOPS, where, what, mend)]


def odd_vibration(where: str, calibration: VibrationCalibration, transducer: str) -> list[Finding]:
    """Finds implausible readings of a vibration meter."""
    read = [weighting for weighting in FELT if calibration.read_m_per_s2(weighting) is not None]
    full_scale_m_per_s2 = max(10.0 ** (felt_offset_db(calibration, transducer, one) / 20.0) for one in read)
    if full_scale_m_per_s2 <= STRONGEST_FULL_SCALE_M_PER_S2:
        return []
    what = f"By this reading full scale would shake a visitor with {full_scale_m_per_s2:.0f} m/s²."
    mend = "Measure again: in m/s² (not mm/s², not g), with Wk, or Wd if horizontal, at the level that was played."
    return [Finding(Severity.STOPS, where, what, mend)]
