"""No low tone is taken for a fault, and none passes a cap, at any level and on any transducer."""

from collections.abc import Sequence

import pytest

from residue.loudness.outputs.outputs import SUBSONIC_HZ
from tests.reference.low_tones import CAPS, LEAST_HZ, LEVELS_DBFS, MOST_HZ, TONES_HZ, left_db, swept

SOME = ((2, 3), (0.0, -24.0))
EVERY = (TONES_HZ, LEVELS_DBFS)


@pytest.mark.parametrize(
    ("tones_hz", "levels_dbfs"),
    [
        pytest.param(*SOME, id="some"),
        pytest.param(*EVERY, id="all", marks=[pytest.mark.long, pytest.mark.timeout(3_600)]),
    ],
)
def test_no_low_tone_is_taken_for_direct_current_nor_passes_a_cap(
    tones_hz: Sequence[int], levels_dbfs: Sequence[float]
) -> None:
    for one in swept(tones_hz, levels_dbfs):
        assert one.direct_db < -3.0, one
        assert one.over_db <= 0.005, one


@pytest.mark.parametrize("transducer", CAPS)
@pytest.mark.parametrize("subsonic_hz", [LEAST_HZ, None, MOST_HZ], ids=["least", "default", "most"])
def test_no_low_tone_that_a_high_pass_takes_away_ends_a_performance(transducer: str, subsonic_hz: float | None) -> None:
    """A quiet sway of 2 Hz, on a speaker alone, left a performance out: nothing seemed to come out of the cap."""
    assert left_db(transducer, SUBSONIC_HZ[transducer] if subsonic_hz is None else subsonic_hz, TONES_HZ[::8]) > 20.0
