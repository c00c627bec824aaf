from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.schedule.opening import EventTerms, Opening
from residue.schedule.programme import Item, Programme, coming, item, next_start, spacing_s

EVENING = Opening(datetime(2026, 3, 3, 17, tzinfo=UTC), datetime(2026, 3, 3, 21, tzinfo=UTC), "weekly hours")


def test_performances_are_played_in_listed_order_again_and_again() -> None:
    programme = Programme(performances=("first-batch", "second-batch", "third-batch"), rest_s=90)
    assert [item(programme, EVENING, n) for n in (0, 1, 2, 3)] == [
        Item("first-batch", 90),
        Item("second-batch", 90),
        Item("third-batch", 90),
        Item("first-batch", 90),
    ]


@pytest.mark.parametrize(
    "raw",
    [
        pytest.param({"performances": []}, id="nothing to play"),
        pytest.param({"performances": ["first-batch"], "rest_s": -1}, id="rest below 0"),
        pytest.param({"performances": ["first-batch"], "rests_s": 1}, id="unknown key"),
        pytest.param({"performances": ["a"], "weekday": {"monday": ["a"]}}, id="no day of the week"),
        pytest.param({"performances": ["a"], "weekday": {"mon": []}}, id="a day without anything"),
        pytest.param({"performances": ["a"], "share": {"b": 2}}, id="a share of what is not played"),
        pytest.param({"performances": ["a"], "share": {"a": 0}}, id="a share of nothing"),
        pytest.param({"performances": ["a"], "share": {"a": 2}, "order": "shuffled"}, id="shuffled shares"),
        pytest.param({"performances": ["a"], "starts": ["25:00"]}, id="no time of day"),
        pytest.param({"performances": ["a"], "starts": "full hours"}, id="no word for starts"),
        pytest.param({"performances": ["a"], "starts": "every 50 min"}, id="starts that do not divide a day"),
        pytest.param({"performances": ["a"], "starts": "7 an hour"}, id="starts that are no whole minutes"),
        pytest.param({"performances": ["a"], "starts": "0 an hour"}, id="no starts"),
        pytest.param({"performances": ["first-batch"], "after_interruption": "sleep"}, id="unknown choice"),
    ],
)
def test_a_programme_that_cannot_be_played_is_refused(raw: dict[str, object]) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert(raw, Programme)


def on(day: str) -> Opening:
    opens = datetime.fromisoformat(f"{day}T10:00+00:00")
    return Opening(opens, opens + timedelta(hours=8), "weekly hours")


def names(programme: Programme, opening: Opening, count: int) -> list[str]:
    return [item(programme, opening, n).performance for n in range(count)]


@given(st.lists(st.sampled_from("abcdefg"), min_size=1, max_size=7, unique=True), st.dates(), st.integers(0, 20))
def test_a_shuffle_plays_all_once_before_any_twice_and_none_twice_in_a_row(
    performances: list[str], day: date, round_number: int
) -> None:
    programme = Programme(performances=tuple(performances), order="shuffled")
    opens = datetime(day.year, day.month, day.day, 10, tzinfo=UTC)
    opening = Opening(opens, opens.replace(hour=18), "weekly hours")
    count = len(performances)
    played = names(programme, opening, (round_number + 1) * count)
    assert sorted(played[-count:]) == sorted(performances)
    if count > 1:
        assert all(earlier != later for earlier, later in pairwise(played))


def test_a_shuffle_is_another_one_every_day_and_the_same_at_every_rehearsal() -> None:
    programme = Programme(performances=tuple("abcdef"), order="shuffled")
    days = [tuple(names(programme, on(f"2026-03-{day:02d}"), 6)) for day in range(1, 29)]
    assert len(set(days)) > 20
    # Our own order, written down so that an update of anything that changed it would be seen.
    assert days[0] == ("e", "f", "d", "b", "a", "c")


def test_every_performance_comes_first_equally_often_over_the_years() -> None:
    """Expected 3650 / 4 with a standard deviation of sqrt(3650 * 1/4 * 3/4) = 26; five of these are allowed."""
    programme = Programme(performances=tuple("abcd"), order="shuffled")
    first_day = on("2026-01-01")
    opened = (replace(first_day, opens=first_day.opens + timedelta(days=day)) for day in range(3650))
    firsts = Counter(item(programme, opening, 0).performance for opening in opened)
    assert all(abs(firsts[name] - 3650 / 4) < 5 * 26 for name in "abcd")


def test_shares_are_kept_in_every_cycle_and_evenly_spread() -> None:
    programme = Programme(performances=("a", "b", "c"), share={"a": 5})
    played = names(programme, on("2026-03-03"), 14)
    assert Counter(played[:7]) == {"a": 5, "b": 1, "c": 1}
    assert "".join(played) == "aabacaa" * 2


def test_a_day_of_the_week_and_a_private_view_have_their_own_performances() -> None:
    programme = Programme(performances=("a", "b"), weekday={"tue": ("c",)})
    tuesday, wednesday = on("2026-03-03"), on("2026-03-04")
    private = replace(tuesday, terms=EventTerms(performances=("d", "e")))
    assert names(programme, tuesday, 2) == ["c", "c"]
    assert names(programme, wednesday, 2) == ["a", "b"]
    assert names(programme, private, 3) == ["d", "e", "d"]
    assert programme.names == ["a", "b", "c"]


@pytest.mark.parametrize(
    ("starts", "earliest", "expected"),
    [
        ("any time", "2026-03-28T22:10+01:00", None),
        ("full hour", "2026-03-28T22:10+01:00", "2026-03-28T23:00+01:00"),
        ("full hour", "2026-03-28T23:00+01:00", "2026-03-28T23:00+01:00"),
        ("full hour", "2026-03-29T01:30+01:00", "2026-03-29T03:00+02:00"),  # the hour from 2 to 3 does not exist
        ("every 30 min", "2026-03-28T22:10+01:00", "2026-03-28T22:30+01:00"),
        ("every 30 min", "2026-03-29T01:45+01:00", "2026-03-29T03:00+02:00"),
        ("every 90 min", "2026-03-28T22:10+01:00", "2026-03-28T22:30+01:00"),
        ("3 an hour", "2026-03-28T22:10+01:00", "2026-03-28T22:20+01:00"),
        ("1 an hour", "2026-03-28T22:10+01:00", "2026-03-28T23:00+01:00"),
        (("01:15", "03:30"), "2026-03-28T23:00+01:00", "2026-03-29T01:15+01:00"),
        (("01:15", "03:30"), "2026-03-29T01:20+01:00", "2026-03-29T03:30+02:00"),
        (("01:15",), "2026-03-29T01:20+01:00", "2026-03-29T04:00+02:00"),  # none is left: closing
    ],
)
def test_performances_begin_at_times_of_the_place(
    starts: str | tuple[str, ...], earliest: str, expected: str | None
) -> None:
    """In the night in which Europe/Berlin goes from 02:00 to 03:00 (IANA database)."""
    night = Opening(
        datetime.fromisoformat("2026-03-28T22:00+01:00"), datetime.fromisoformat("2026-03-29T04:00+02:00"), "drawn"
    )
    programme = msgspec.convert({"performances": ["a"], "starts": starts}, Programme)
    found = next_start(programme, night, datetime.fromisoformat(earliest), ZoneInfo("Europe/Berlin"))
    assert (found and found.isoformat(timespec="minutes")) == expected


@pytest.mark.parametrize(
    ("starts", "message"),
    [
        (
            "every 50 min",
            "does not divide a day into whole minutes and equal parts. Write every 48 min or every 60 min.",
        ),
        ("7 an hour", "does not divide a day into whole minutes and equal parts. Write every 8 min or every 9 min."),
        ("hourly", "does not say when a performance may begin. Write any time, full hour, every 30 min, 2 an hour, or"),
    ],
)
def test_starts_that_cannot_be_meant_name_what_may_stand_there(starts: str, message: str) -> None:
    with pytest.raises(msgspec.ValidationError) as caught:
        msgspec.convert({"performances": ["a"], "starts": starts}, Programme)
    assert f"'{starts}' {message}" in str(caught.value)


def test_starts_by_the_clock_go_on_in_the_hour_that_comes_twice() -> None:
    """In the night in which Europe/Berlin goes from 03:00 to 02:00 (IANA database); in a list the first counts."""
    night = Opening(
        datetime.fromisoformat("2026-10-25T01:00+02:00"), datetime.fromisoformat("2026-10-25T04:00+01:00"), "drawn"
    )

    def begun(starts: object) -> list[str]:
        programme = msgspec.convert({"performances": ["a"], "starts": starts}, Programme)
        found, earliest = [], night.opens
        while (start := next_start(programme, night, earliest, ZoneInfo("Europe/Berlin"))) not in (None, night.closes):
            assert start is not None
            found.append(f"{start:%H:%M%z}"[:8])
            earliest = start + timedelta(minutes=10)
        return found

    assert begun("every 30 min") == [
        *("01:00+02", "01:30+02", "02:00+02", "02:30+02", "02:00+01", "02:30+01", "03:00+01", "03:30+01")
    ]
    assert begun("full hour") == ["01:00+02", "02:00+02", "02:00+01", "03:00+01"]
    assert begun(["02:30", "03:30"]) == ["02:30+02", "03:30+01"]


def test_what_comes_is_told_once_each_from_any_place_of_the_programme_on() -> None:
    programme = Programme(performances=("a", "b", "c"), share={"a": 2})
    played = names(programme, on("2026-03-03"), 8)
    for index in range(4):
        assert coming(programme, on("2026-03-03"), index) == list(dict.fromkeys(played[index : index + 4]))


@pytest.mark.parametrize(
    ("starts", "apart_s"), [("any time", 0), ("full hour", 3600), ("every 20 min", 1200), ("4 an hour", 900)]
)
def test_starts_by_the_clock_are_so_far_apart(starts: str, apart_s: float) -> None:
    assert spaced_s(starts, "Europe/Berlin") == apart_s


def spaced_s(starts: str | tuple[str, ...], zone: str) -> float:
    programme = Programme(performances=("a",), starts=starts)
    return spacing_s(programme, ZoneInfo(zone), first=date(2026, 1, 1), days=366)


@pytest.mark.parametrize(
    ("starts", "zone", "apart_s"),
    [
        (("01:30", "03:10"), "Europe/Berlin", 40 * 60),  # 2026-03-29: 03:00 follows 02:00
        (("01:30", "03:10"), "Asia/Tokyo", 100 * 60),
        (("12:00",), "Europe/Berlin", 23 * 3600),
        ("full hour", "Australia/Lord_Howe", 30 * 60),  # its clocks change by half an hour
    ],
)
def test_a_change_of_the_clocks_may_bring_starts_nearer_together(
    starts: str | tuple[str, ...], zone: str, apart_s: float
) -> None:
    """Source of the changes: the IANA database, by zoneinfo."""
    assert spaced_s(starts, zone) == apart_s
