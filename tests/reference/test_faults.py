"""Sensors with faults: a reading of a body shows the right value, or says that it is not known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest

from tests.reference import faults
from tests.reference.faults import READINGS, Body, Reading, faults_of, judged
from tests.reference.recordings import pulse_waves

BY_NAME: Mapping[str, Reading] = {reading.name: reading for reading in READINGS}
SELDOM = 0.1
"""The share of the time in which a reading may be wrong and sure; our choice."""

ANOTHER = frozenset(
    {"a second body, as strong", "a second body, twice as fast", "twice the rate in the header"}
    | {"leads of two bodies crossed", "gain x 10", "gain / 10"}
)
"""What gives the same signal as another body would, or the same one louder."""

_HEART = frozenset({"steps at 1.1 Hz", "in its place an accelerometer"})
_LIKE_BEATS = frozenset({"noise 0.5 to 8 Hz"})
_PULSE = frozenset({"a hand that touches", "in its place an accelerometer"})
_CLIPPED = frozenset({"clipped to half", "clipped to a tenth"})
_SKIN = frozenset({"in its place a belt", "in its place electrodes of the scalp"})
_MUSCLE = frozenset(
    {"white noise", "noise 0.5 to 8 Hz", "noise 20 to 150 Hz", "steps at 1.1 Hz", "in its place a heart's electrodes"}
)
_MUSCLES_BAND = _MUSCLE | {
    *("a hand that touches", "last digit alone", "a cable swings at 1.1 Hz", "in its place a belt"),
    *("in its place electrodes of skin", "in its place electrodes of the scalp", "in its place an accelerometer"),
}
_BRAIN = frozenset(
    {"steps at 1.1 Hz", "noise 0.5 to 8 Hz", "in its place a heart's electrodes", "in its place an accelerometer"}
    | {"in its place electrodes of skin"}
)
_LIES = frozenset({"falls off, last digit", "last digit alone"})
_MOVED = _LIES | {"clipped to a tenth", "a hand that touches"}
NOT_KNOWN: Mapping[str, frozenset[str]] = {
    "heart rate": _HEART | _LIKE_BEATS,
    "heart rate, quick": _HEART,
    "beat interval": _HEART | _LIKE_BEATS,
    "RMSSD": frozenset({"steps at 1.1 Hz"}),
    "breath in the heart": _HEART,
    "pulse rate": _PULSE,
    "pulse rate, quick": frozenset({"drift to 0.5 Hz", "in its place an accelerometer"}),
    "breath depth": _CLIPPED,
    "breath fullness": _CLIPPED,
    "skin, tonic": _SKIN,
    "skin, phasic": _SKIN,
    "envelope": _MUSCLE,
    "rms": _MUSCLE,
    "band level": _MUSCLES_BAND | {"falls off, last digit"},
    "median frequency": _MUSCLES_BAND,
    "alpha": _BRAIN,
    "alpha, share": _BRAIN | {"a hand that touches"},
    "alpha over beta": _BRAIN | {"repeated packets"},
    "movement": _MOVED,
    "jerk": _MOVED,
    "tilt": _LIES | {"axes exchanged"},
    "stillness": _LIES,
    "steps a minute": frozenset({"white noise", "noise 0.1 to 0.5 Hz", "noise 0.5 to 8 Hz"}),
}
"""Faults that a reading takes for the body, or reads past, for more than SELDOM. What is not here is told."""


def finger() -> Body:
    """25 s of a pulse wave at 100 Hz."""
    wave = pulse_waves()[0]
    return Body(wave.values, wave.rate_hz)


QUICK = [
    ("heart rate", "last digit alone", 0.0),
    ("heart rate, quick", "last digit alone", 0.0),
    ("heart rate", "a second body, as strong", 0.14),
    ("beat interval", "a hand that touches", 0.05),
    ("RMSSD", "a hand that touches", 0.0),
    ("RMSSD", "clipped to half", 0.0),
    ("breath in the heart", "a hand that touches", 0.0),
    ("breath rate", "noise 0.1 to 0.5 Hz", 0.08),
    ("skin, tonic", "white noise", 0.0),
    ("skin, phasic", "noise 20 to 150 Hz", 0.0),
    ("skin, phasic", "in its place electrodes of a muscle", 0.05),
    ("breath rate", "a cable swings at 1.1 Hz", 0.0),
    ("envelope", "clipped to half", 0.04),
    ("median frequency", "falls off, last digit", 0.0),
    ("alpha", "last digit alone", 0.02),
    ("alpha, share", "drift to 0.5 Hz", 0.05),
    ("movement", "y stuck", 0.0),
    ("tilt", "y stuck", 0.0),
    ("steps a minute", "white noise", 0.14),
]
"""With the share of a minute that was found, and up to 0.02 more, as a libm may round otherwise."""


@pytest.mark.parametrize(("reading", "fault", "most"), QUICK)
def test_a_sensor_with_a_fault_is_not_wrong_and_sure(reading: str, fault: str, most: float) -> None:
    """Each of these was, for a third of the time or more."""
    judge = BY_NAME[reading]
    found = judged(judge, faults_of(judge)[fault], 60.0)
    assert found.wrong_and_sure <= most, found


@pytest.mark.parametrize("fault", ["steps at 1.1 Hz", "a cable swings at 1.1 Hz", "noise 0.1 to 0.5 Hz"])
@pytest.mark.parametrize("pace", ["pulse rate", "pulse rate, quick"])
def test_what_moves_a_pulse_sensor_is_not_taken_for_a_pulse(pace: str, fault: str) -> None:
    found = judged(replace(BY_NAME[pace], body=finger), faults.FAULTS[fault])
    assert found.wrong_and_sure == 0.0, found


@pytest.mark.parametrize("mains", ["mains 50 Hz", "mains 60 Hz"])
def test_hum_which_the_skin_s_reading_removes_does_not_make_it_unsure(mains: str) -> None:
    assert judged(BY_NAME["skin, phasic"], faults.FAULTS[mains], 60.0).right > 0.93


@pytest.mark.parametrize("reading", ["heart rate", "breath rate", "envelope", "alpha", "movement", "tilt"])
def test_without_a_fault_a_reading_is_right_and_sure(reading: str) -> None:
    """Else it could keep the test above by trusting nothing."""
    found = judged(BY_NAME[reading], faults.FAULTS["as it is"], 60.0)
    assert found.right > 0.93, found


@pytest.mark.long
@pytest.mark.parametrize("reading", READINGS, ids=[reading.name for reading in READINGS])
def test_no_reading_is_wrong_and_sure_for_long_unless_it_cannot_know(reading: Reading) -> None:
    """Every fault of tests/reference/faults.py; what is not known is listed above, and in DEVELOPERS.md."""
    found = {name: judged(reading, fault) for name, fault in faults_of(reading).items()}
    # Between its walks a body makes no steps.
    assert found["as it is"].right > (0.6 if reading.name == "steps a minute" else 0.77)
    wrong = {name for name, one in found.items() if one.wrong_and_sure > SELDOM}
    assert wrong <= ANOTHER | NOT_KNOWN.get(reading.name, frozenset())
