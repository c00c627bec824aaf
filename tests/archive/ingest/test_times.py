"""The unit of a column of times: stated, told by its heading or its size, or asked for."""

from __future__ import annotations

import numpy as np
import pytest

from residue.archive.ingest.columns import HeldColumn
from residue.archive.ingest.times import Times, of_numbers
from residue.problems import ProblemError

EVENING_S = 1_770_849_600
"""2026-02-11T22:40:00Z: `date --date=@1770849600 --utc`."""


def times(heading: str, numbers: object, stated: str | None = None) -> Times:
    return of_numbers("a.csv", HeldColumn(np.array(numbers)), heading=heading, stated=stated)


@pytest.mark.parametrize(
    ("heading", "unit_s"),
    [
        ("t_ms", 1e-3),
        ("Time (ms)", 1e-3),
        ("Time [µs]", 1e-6),
        ("timestamp us", 1e-6),
        ("milliseconds", 1e-3),
        ("t_s", 1.0),
        ("Time (sec)", 1.0),
        ("time.ns", 1e-9),
    ],
)
def test_a_heading_tells_the_unit(heading: str, unit_s: float) -> None:
    found = times(heading, [0, 4, 8])
    assert found.read(0, 3) == pytest.approx([0, 4 * unit_s, 8 * unit_s], rel=1e-12)
    assert not found.assumed


@pytest.mark.parametrize("heading", ["t", "timestamps", "items", "bus", "Time", "rooms"])
def test_whole_numbers_of_an_untold_unit_are_refused_with_their_readings(heading: str) -> None:
    """A table in thousandths was once taken for one of seconds: 333 minutes at 1 Hz."""
    with pytest.raises(ProblemError, match=r'rows came once a second if they are s, 1000 .*time_unit = "ms"'):
        times(heading, range(20_000))


def test_what_a_person_states_is_taken(tmp_path: object) -> None:
    assert times("t", range(5), "ms").read(1, 2)[0] == 1e-3
    assert times("t_ms", range(5), "s").read(1, 2)[0] == 1.0


def test_fractions_count_as_seconds_and_that_is_a_guess() -> None:
    assert times("t", [0, 0.5, 1.0]).assumed


@pytest.mark.parametrize(("unit", "size"), [("s", 1), ("ms", 10**3), ("us", 10**6), ("ns", 10**9)])
def test_times_since_1970_are_known_by_their_size(unit: str, size: int) -> None:
    """4 ms apart, or 1 s where the unit is a second."""
    step_s = 1.0 if unit == "s" else 0.004
    found = times("t", [EVENING_S * size + round(row * step_s * size) for row in range(5)])
    assert found.began is not None
    assert found.began.isoformat() == "2026-02-11T22:40:00+00:00"
    assert found.read(0, 5) == pytest.approx(np.arange(5) * step_s, abs=2e-7)
    assert not found.assumed


def test_a_counter_of_microseconds_is_no_time_since_1970() -> None:
    """1.2e9 µs after its start, 2 ms apart: as seconds since 1970 its rows would lie half an hour apart."""
    with pytest.raises(ProblemError, match="untold unit"):
        times("t", [1_200_000_000 + 2000 * row for row in range(5)])


def test_a_counter_that_is_stated_has_no_date() -> None:
    assert times("t_us", [1_200_000_000 + 2000 * row for row in range(5)]).began is None
