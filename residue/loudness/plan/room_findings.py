"""Findings on the caps and the calibration of a room, before anything plays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from residue.loudness.caps.caps import PLACE, Cap, CapEntry, expand
from residue.loudness.caps.ears import calibrated, ear, felt_outputs
from residue.loudness.caps.quantities import Statistic
from residue.loudness.caps.rules import RULES
from residue.loudness.meters.levels import db_of_power
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.measurement import MeasuredWith, check_measurement, margin_db
from residue.loudness.outputs.odd_readings import odd_readings, odd_vibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.plan import Plan
from residue.loudness.stage.cut_off import cut_off_db
from residue.problems import Finding, Severity, nearest

_DEAF_TO_BASS = frozenset({Weighting.A, Weighting.K})
_QUIETEST_AUDIBLE_DB = 35.0
"""The background of a quiet gallery at night: it masks any lower level. Common practice, no source."""
_CREST_DB = 12.0
"""The least distance of the peaks of noise above its mean square."""


def check_room(
    entries: Sequence[CapEntry],
    outputs: Mapping[str, Output],
    measurement: MeasuredWith | None = None,
    *,
    ears_unknown: bool,
) -> list[Finding]:
    """Finds faults in the caps of a room and its calibration.

    ears_unknown: room.toml says `levels_at_the_ear = "unknown"`.
    """
    felt_margin_db = 0.0 if measurement is None else measurement.felt_margin_db
    caps = expand(entries, margin_db(measurement, outputs.values()), felt_margin_db)
    return [
        *_unknown_outputs(entries, outputs),
        *_calibration(entries, outputs, ears_unknown=ears_unknown),
        *_vibration(entries, outputs),
        *_odd_calibrations(outputs),
        *check_measurement(measurement, outputs),
        *_inaudible(caps, outputs),
        *_unheard_bass(caps),
        *_idle_caps(caps),
        *_clicks(caps, outputs),
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
        return [_needlessly_unknown()] if ears_unknown else []
    names = f"output {bare[0]} has" if len(bare) == 1 else f"outputs {', '.join(bare[:-1])} and {bare[-1]} have"
    findings = [
        Finding(
            Severity.STOPS,
            f"room.toml: cap[{index}]",
            f"It limits the level at the ear, but {names} no calibration.",
            "Calibrate every output (residue calibrate), or state a limit_dbfs.",
        )
        for index, entry in enumerate(entries, start=1)
        if any(cap.physical and not cap.quantity.felt for cap in expand([entry]))
    ]
    if not ears_unknown:
        findings.append(
            Finding(
                Severity.STOPS,
                f"room.toml: output.{bare[0]}.calibration",
                f"{names[0].upper()}{names[1:]} no calibration, so levels at the ear are unknown.",
                'Calibrate every output (residue calibrate), or write levels_at_the_ear = "unknown".',
            )
        )
    return findings


def _needlessly_unknown() -> Finding:
    what = 'It says "unknown", although every output has a calibration.'
    return Finding(Severity.NOTES, "room.toml: levels_at_the_ear", what, "Take the line out.")


def _vibration(entries: Sequence[CapEntry], outputs: Mapping[str, Output]) -> list[Finding]:
    """Finds caps on vibration where the vibration is not known."""
    findings = []
    for index, entry in enumerate(entries, start=1):
        for cap in expand([entry]):
            names = " and ".join(_unmeasured(cap, outputs))
            if cap.quantity.felt and names:
                what, mend = _NO_VIBRATION[cap.quantity.weighting]
                what = what.format(names)
                findings.append(Finding(Severity.STOPS, f"room.toml: cap[{index}]", what, mend))
    return findings


_NO_VIBRATION = {
    Weighting.WK: (
        "It limits vibration, but output {} has no vibration calibration.",
        "Measure it with a vibration meter (residue calibrate), or take this cap out.",
    ),
    Weighting.WD: (
        "It limits horizontal vibration, but the vibration calibration of output {} says nothing of it.",
        "Measure it with a vibration meter (residue calibrate), or take this cap out.",
    ),
}


def _unmeasured(cap: Cap, outputs: Mapping[str, Output]) -> list[str]:
    """The outputs whose vibration must be known for a cap. At the place: every shaker, and at least one output."""
    measured = felt_outputs(outputs, cap.quantity.weighting)
    bare = [name for name in outputs if name not in measured]
    if cap.at != PLACE:
        return [name for name in bare if name == cap.at]
    shakers = [name for name in bare if outputs[name].transducer == "shaker"]
    return shakers or (bare if len(bare) == len(outputs) else [])


def _odd_calibrations(outputs: Mapping[str, Output]) -> list[Finding]:
    findings = []
    for name, output in outputs.items():
        if output.calibration is not None:
            where = f"room.toml: output.{name}.calibration"
            findings += odd_readings(where, output.calibration, output.transducer)
        if output.calibration and output.low_band and output.low_band.on < output.calibration.on:
            what = f"It was measured on {output.low_band.on}, before the calibration of {output.calibration.on}."
            mend = "Measure the low band again (residue calibrate), or take this line out."
            findings.append(Finding(Severity.WARNS, f"room.toml: output.{name}.low_band", what, mend))
        if output.vibration is not None:
            findings += odd_vibration(f"room.toml: output.{name}.vibration", output.vibration, output.transducer)
    return findings


def _inaudible(caps: Sequence[Cap], outputs: Mapping[str, Output]) -> list[Finding]:
    """Finds caps that the quietest audible sound would exceed."""
    findings = []
    for cap in caps:
        highest_db = _highest_mean_db(cap, outputs)
        if highest_db is not None and highest_db < _QUIETEST_AUDIBLE_DB:
            what = f"{cap.name} allows {cap.limit_in_words}, about {highest_db:.0f} dB at the ear: a gallery at night."
            mend = "Nothing audible can be played under it: state a higher limit, or take the cap out."
            findings.append(Finding(Severity.WARNS, "room.toml: cap", what, mend))
    return findings


def _highest_mean_db(cap: Cap, outputs: Mapping[str, Output]) -> float | None:
    """The highest level of noise at the ear that a cap allows; None where it is not known."""
    if cap.quantity.felt or cap.at not in (PLACE, *outputs):
        return None
    crest_db = _CREST_DB if cap.quantity.statistic is Statistic.PEAK else 0.0
    if cap.physical:
        return cap.limit - crest_db
    if not calibrated(outputs):
        return None
    gains = ear(outputs, cap.at, cap.quantity.weighting, physical=True).gains
    return cap.limit - crest_db + db_of_power(max(gains) ** 2)


def _unheard_bass(caps: Sequence[Cap]) -> list[Finding]:
    if not caps or any(cap.quantity.windowed and cap.quantity.weighting not in _DEAF_TO_BASS for cap in caps):
        return []
    return [
        Finding(
            Severity.WARNS,
            "room.toml: cap",
            "No cap covers the lowest sounds: at 20 Hz A weighting takes away 50 dB and K weighting 13, at 10 Hz more.",
            "Muscles sound there, at 10 to 25 Hz. Add a cap on LCeq, LZeq or LGeq, watch how "
            "far the cones move, and measure the vibration of floor and seats.",
        )
    ]


def _idle_caps(caps: Sequence[Cap]) -> list[Finding]:
    """Finds caps that never have an effect, because another cap is stricter; one of two such rules is a mistake."""
    findings = []
    for cap in caps:
        stricter = next((other for other in caps if _outdoes(other, cap)), None)
        if stricter is None:
            continue
        what = f"{cap.name} allows {cap.limit_in_words}, but {stricter.name} only {stricter.limit_in_words}."
        both_rules = _rule_of(cap) in RULES and _rule_of(stricter) in RULES
        severity = Severity.WARNS if both_rules else Severity.NOTES
        told = f"Two rules contradict each other: {what}" if both_rules else what
        mend = "The lower one holds. Remove the other one if it is a mistake."
        findings.append(Finding(severity, "room.toml: cap", told, mend))
    return findings


_CLICK_DB = 0.01
"""A click that passes a cap by less is not told: no meter shows it."""


def _clicks(caps: Sequence[Cap], outputs: Mapping[str, Output]) -> list[Finding]:
    """Finds caps on a moment that a click can pass where the sound is cut off."""
    findings = []
    for cap in caps:
        heard = not cap.physical or calibrated(outputs)
        if cap.quantity.windowed or not heard or cap.at not in (PLACE, *outputs):
            continue
        over_db = cut_off_db(cap, outputs)
        if over_db > _CLICK_DB:
            what = (
                f"Where a power cut cuts a loud low sound off, it clicks: {cap.name} of {cap.limit_in_words} can then "
                f"be passed by {over_db:.2g} dB at most."
            )
            mend = "A lower ceiling_dbtp makes it less, and an emergency supply for computer and amplifiers spares it."
            findings.append(Finding(Severity.NOTES, "room.toml: cap", what, mend))
    return findings


def _rule_of(cap: Cap) -> str:
    """A cap's name begins with the rule that it comes from."""
    return cap.name.split(",")[0]


def _outdoes(other: Cap, cap: Cap) -> bool:
    """Whether a cap holds whenever the other holds: a long window consists of whole short ones, unless doses add up."""
    if (other.quantity, other.at, other.physical) != (cap.quantity, cap.at, cap.physical):
        return False
    mean = cap.quantity.statistic is Statistic.MEAN
    within = other.window_s == cap.window_s or (mean and cap.window_s % other.window_s == 0.0)
    lower = other.limit < cap.limit or (other.limit == cap.limit and other.window_s < cap.window_s)
    return within and lower


_MOST_LOWERED_DB = -40.0
"""A performance lowered by more than this is no longer the artist's work: our own judgement."""


def plan_findings(plan: Plan) -> list[Finding]:
    """Finds points of a plan that a person should check."""
    return [
        Finding(
            Severity.WARNS,
            f"performances/{performance.name}",
            f"It has to be lowered by {-performance.gain_db:.1f} dB so that {performance.reason} is never exceeded.",
            "Turn the amplifiers down and calibrate again, or ask the person who answers for safety for a higher cap.",
        )
        for performance in plan.performances
        if performance.gain_db < _MOST_LOWERED_DB
    ]
