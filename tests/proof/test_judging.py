from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given as example
from hypothesis import strategies as st

from residue.proof.hearing import HeardOutput
from residue.proof.judging import Judged, OutputVerdict, in_words, judged, lowered_db
from tests.proof.simulated_room import DEAD, HALL, Speaker, hearing, noise, recording, sent, talker, with_gain
from tests.properties import tries

WELL, LOUDER, QUIETER = OutputVerdict.WELL, OutputVerdict.LOUDER, OutputVerdict.QUIETER
SWAPPED, NOT_HEARD = OutputVerdict.SWAPPED, OutputVerdict.NOT_HEARD
TOO_NOISY, NOT_KNOWN = OutputVerdict.TOO_NOISY, OutputVerdict.NOT_KNOWN


@pytest.fixture(scope="module")
def sound() -> np.ndarray:
    return sent()


@pytest.fixture(scope="module")
def reference(sound: np.ndarray) -> Mapping[str, HeardOutput]:
    return hearing(recording(sound, HALL)).outputs


def verdicts(found: Mapping[str, Judged]) -> list[OutputVerdict]:
    return [one.verdict for one in found.values()]


@pytest.mark.parametrize(
    ("hall", "wanted", "lower_db"),
    [
        pytest.param(HALL, [WELL, WELL, WELL], 0.0, id="as it was"),
        pytest.param(with_gain(HALL, DEAD, "left"), [NOT_HEARD, WELL, WELL], 0.0, id="the first is dead"),
        pytest.param(
            with_gain(HALL, DEAD, "right"),
            [WELL, NOT_HEARD, WELL],
            0.0,
            id="one between is dead",
            marks=pytest.mark.long,
        ),
        pytest.param(
            with_gain(HALL, DEAD, "back"), [WELL, WELL, NOT_HEARD], 0.0, id="the last is dead", marks=pytest.mark.long
        ),
        pytest.param(with_gain(HALL, DEAD), [NOT_HEARD, NOT_HEARD, NOT_HEARD], 0.0, id="all are dead"),
        pytest.param(
            with_gain(HALL, -6.0, "back"), [WELL, WELL, QUIETER], 0.0, id="6 dB less of one", marks=pytest.mark.long
        ),
        pytest.param(with_gain(HALL, 6.0), [LOUDER, LOUDER, LOUDER], -6.0, id="somebody turned the knob up by 6 dB"),
        pytest.param(with_gain(HALL, 3.2, "right"), [WELL, LOUDER, WELL], -3.5, id="one is louder"),
    ],
)
def test_what_is_wrong_is_told_output_by_output(
    sound: np.ndarray,
    reference: Mapping[str, HeardOutput],
    hall: Mapping[str, Speaker],
    wanted: list[OutputVerdict],
    lower_db: float,
) -> None:
    found = judged(hearing(recording(sound, hall, -75.0)), reference)
    assert verdicts(found) == wanted
    assert lowered_db(found) == lower_db


def test_the_drift_is_told_in_db(sound: np.ndarray, reference: Mapping[str, HeardOutput]) -> None:
    found = judged(hearing(recording(sound, with_gain(HALL, -1.4, "left"))), reference)
    assert found["left"].drift_db == pytest.approx(-1.4, abs=0.2)
    assert in_words("left", found["left"]) == f"left sounds, {found['left'].drift_db:+.1f} dB since the reference."


def test_outputs_that_changed_places_are_told_as_such(sound: np.ndarray, reference: Mapping[str, HeardOutput]) -> None:
    found = judged(hearing(recording(sound[[1, 0, 2]], HALL)), reference)
    assert verdicts(found) == [SWAPPED, SWAPPED, WELL]
    assert found["left"].with_output == "right"
    assert lowered_db(found) == 0.0


def test_too_noisy_to_tell_is_not_the_same_as_not_heard(
    sound: np.ndarray, reference: Mapping[str, HeardOutput]
) -> None:
    silent = with_gain(HALL, DEAD, "left")
    for hall in (HALL, silent):
        found = judged(hearing(recording(sound, hall, -35.0)), reference)
        assert verdicts(found) == [TOO_NOISY, TOO_NOISY, TOO_NOISY]


@pytest.mark.parametrize("level_dbfs", [-65.0, -50.0, -35.0])
def test_somebody_who_talks_all_the_time_makes_no_output_louder(
    sound: np.ndarray, reference: Mapping[str, HeardOutput], level_dbfs: float
) -> None:
    given = recording(sound, HALL)
    found = judged(hearing(given + talker(len(given), level_dbfs)), reference)
    assert set(verdicts(found)) <= {WELL, TOO_NOISY}
    assert lowered_db(found) == 0.0


@example(seed=st.integers(0, 2**32 - 1), level_dbfs=st.floats(-70.0, -12.0), times=st.integers(1, 60))
@tries(quick=2, many=60)
def test_no_clapping_and_no_steps_lower_the_house(
    sound: np.ndarray, reference: Mapping[str, HeardOutput], seed: int, level_dbfs: float, times: int
) -> None:
    given, random = recording(sound, HALL), np.random.default_rng(seed)
    clap = noise(2_400, level_dbfs, seed) * np.exp(-np.arange(2_400) / 500.0)
    for at in random.integers(0, len(given) - 2_400, times):
        given[at : at + 2_400] += clap
    found = judged(hearing(given), reference)
    assert LOUDER not in verdicts(found)
    assert lowered_db(found) == 0.0


def test_without_a_reference_an_output_is_heard_or_not_known(sound: np.ndarray) -> None:
    found = judged(hearing(recording(sound, with_gain(HALL, DEAD, "right"))), None)
    assert verdicts(found) == [WELL, NOT_KNOWN, WELL]


def test_nothing_ever_raises_the_house() -> None:
    drifts = [-20.0, -2.0, 0.0, 1.9, 2.0, 90.0]
    for drift_db in drifts:
        found = {"left": Judged(verdict=LOUDER if drift_db >= 2.0 else WELL, drift_db=drift_db)}
        assert -40.0 <= lowered_db(found) <= 0.0


@pytest.mark.parametrize("verdict", OutputVerdict)
def test_every_verdict_has_words_that_name_the_output(verdict: OutputVerdict) -> None:
    told = in_words("left", Judged(verdict=verdict, drift_db=3.0, with_output="right"))
    assert told.startswith("left")
    assert told.endswith(".")
