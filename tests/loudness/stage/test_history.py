from __future__ import annotations

import pytest

from residue.loudness.stage.history import UNTOLD_SHARE, Assumption, SentHistory, Unlogged, assumptions

WINDOWS_S = (28_800.0, 900.0, 900.0)


def assumed(window_s: float, assumed_s: float, left_s: float) -> Assumption:
    return Assumption(window_s=window_s, assumed_s=assumed_s, left_s=left_s)


def test_a_lost_history_counts_as_the_whole_of_every_window_until_it_is_over() -> None:
    found = list(assumptions(SentHistory(unreadable=True, ended_s=300.0), WINDOWS_S))
    assert found == [
        assumed(900.0, 900.0, 600.0),
        assumed(28_800.0, 28_800.0, 28_500.0),
    ]
    assert [one.window_s for one in assumptions(SentHistory(unreadable=True, ended_s=900.0), WINDOWS_S)] == [28_800.0]


def test_hard_stops_count_until_the_last_of_them_has_left_the_window() -> None:
    stops = [Unlogged(0.0, 2.5), Unlogged(100.0, 2.5), Unlogged(500.0, 7.5), Unlogged(2_000.0, 2.5)]
    assert list(assumptions(SentHistory(unlogged=stops), WINDOWS_S)) == [assumed(900.0, 12.5, 900.0)]
    assert list(assumptions(SentHistory(unlogged=stops[1:]), WINDOWS_S)) == [assumed(900.0, 10.0, 800.0)]


def test_a_night_of_which_nobody_knows_counts_a_tenth_of_the_windows_that_it_fills() -> None:
    night = Unlogged(60.0, 50_000.0, share=UNTOLD_SHARE)
    found = list(assumptions(SentHistory(spared=[night, Unlogged(30.0, 10.0)]), WINDOWS_S))
    assert [(one.window_s, one.spared_s, one.untold_s, one.left_s) for one in found] == [
        (900.0, 10.0, 840.0, 870.0),
        (28_800.0, 10.0, 28_740.0, 28_770.0),
    ]
    assert not any(one.audible for one in found)


@pytest.mark.parametrize("stops", [[], [Unlogged(0.0, 0.0)], [Unlogged(0.0, 2.5)], [Unlogged(1_000.0, 500.0)]])
def test_what_lowers_nothing_that_anybody_hears_is_not_told(stops: list[Unlogged]) -> None:
    assert list(assumptions(SentHistory(unlogged=stops), (900.0,))) == []
