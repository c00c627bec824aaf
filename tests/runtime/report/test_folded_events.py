from __future__ import annotations

from residue.runtime.journal.log import EventRow
from residue.runtime.report.folded_events import MOST_OF_A_KIND, folded


def event(second: int, kind: str, text: str, sender: str | None = None) -> EventRow:
    return EventRow(utc=f"2026-12-03T09:{second // 60:02d}:{second % 60:02d}", kind=kind, text=text, sender=sender)


def test_rows_that_differ_only_in_figures_are_one_line_with_first_and_last() -> None:
    flood = [event(n, "watchdog", f"late blocks: {n} blocks came late.") for n in range(300)]
    [line] = folded(flood)
    assert (line.first, line.last, line.times) == (flood[0], flood[-1], 300)


def test_a_few_rows_stay_as_they_are_and_in_order() -> None:
    late = [event(n, "watchdog", f"late blocks: {n}.") for n in (2, 3)]
    few = [event(1, "hold", "Requested by a."), *late]
    assert [line.first for line in folded(few)] == few
    assert all(line.times == 1 for line in folded(few))


def test_people_are_not_mixed_with_each_other() -> None:
    both = [event(n, "trim", f"-{n} dB", sender) for n in range(10) for sender in ("door", "desk")]
    assert [(line.first.sender, line.times) for line in folded(both)] == [("door", 10), ("desk", 10)]


def test_many_different_rows_of_one_kind_are_bounded_and_none_is_lost() -> None:
    words = [event(n, "refused", "a" * (n + 1)) for n in range(90)]
    lines = folded([*words, event(5, "hold", "Requested by a.")])
    refused = [line for line in lines if line.first.kind == "refused"]
    assert len(refused) == MOST_OF_A_KIND
    assert sum(line.times for line in refused) == 90
    assert not refused[-1].alike
    assert refused[-1].last == words[-1]
