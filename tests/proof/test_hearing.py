from __future__ import annotations

import numpy as np
import pytest

from residue.proof.hearing import HeardOutput
from tests.proof.simulated_room import HALL, OUTPUTS, hearing, hum, noise, recording, sent


@pytest.fixture(scope="module")
def sound() -> np.ndarray:
    return sent()


def middle_db(one: HeardOutput) -> float:
    return float(np.median([octave.level_db for octave in one.octaves]))


def test_each_output_is_heard_at_its_own_level_and_time(sound: np.ndarray) -> None:
    """The room says both: the first sound of each loudspeaker is that of its gain, plus what its reflections add."""
    found = hearing(recording(sound, HALL)).outputs
    assert all(one.heard for one in found.values())
    for name, speaker in HALL.items():
        response_db = 10.0 * np.log10(np.sum(speaker.response[: round((speaker.away_ms + 150.0) * 48.0)] ** 2))
        assert middle_db(found[name]) == pytest.approx(response_db, abs=1.5)
    apart_ms = found["back"].arrival_ms - found["left"].arrival_ms
    assert apart_ms == pytest.approx(HALL["back"].away_ms - HALL["left"].away_ms, abs=0.1)


def test_what_it_hears_is_the_same_on_another_morning(sound: np.ndarray) -> None:
    one, other = (hearing(recording(sound, HALL, level_dbfs)).outputs for level_dbfs in (-76.0, -70.0))
    for name in OUTPUTS:
        assert middle_db(one[name]) == pytest.approx(middle_db(other[name]), abs=0.3)


def test_hum_hides_only_the_octaves_in_which_it_is(sound: np.ndarray) -> None:
    given = recording(sound, HALL)
    found = hearing(given + hum(len(given), -45.0)).outputs["left"]
    assert found.heard
    assert 1000.0 in found.good


def test_the_background_is_that_before_the_sound(sound: np.ndarray) -> None:
    told = hearing(recording(sound, HALL, -60.0)).background_dbfs
    assert told == pytest.approx(-60.0, abs=0.5)


def lose(given: np.ndarray) -> np.ndarray:
    given[400_000:400_480] = np.nan
    return given


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        pytest.param(lose, "lost", id="a gap of 10 ms"),
        pytest.param(lambda given: np.clip(300.0 * given, -1.0, 1.0), "overloaded", id="clipping"),
        pytest.param(np.zeros_like, "gives nothing", id="a dead microphone"),
        pytest.param(lambda given: np.full_like(given, 0.3), "gives nothing", id="direct current alone"),
        pytest.param(lambda given: 1e-6 * given, "gives nothing", id="no gain at all"),
        pytest.param(lambda given: given[:0], "lost", id="nothing came"),
    ],
)
def test_a_microphone_that_is_not_well_tells_nothing_of_any_output(sound: np.ndarray, spoil, said: str) -> None:  # type: ignore[no-untyped-def]
    found = hearing(spoil(recording(sound, HALL)))
    assert found.outputs == {}
    assert found.trouble is not None
    assert said in found.trouble


def test_a_room_without_any_output_is_heard_as_noise() -> None:
    found = hearing(noise(900_000, -70.0))
    assert found.trouble is None
    assert not any(one.heard for one in found.outputs.values())
