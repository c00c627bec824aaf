"""When somebody is told of what, on a simulated clock."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.notices.bulletin import Bulletin, SentFrom
from residue.notices.ledger import LONGEST_AGAIN_S, MOST_PASSED, Ledger, Wishes, apart, day_due, due, failed, seen, sent

START = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)
HALL = SentFrom("Night Dough", "North hall", ZoneInfo("Europe/Berlin"))
TERMS = Wishes(faults=True, daily_at=None, after_s=30.0, at_most_every_s=900.0)
LOST = "The sound device was lost at 10:02. Look at its cable and power."
HOT = "The processor has 91.5 °C."


class Recipient:
    """One ledger on a clock that a test moves, second by second."""

    def __init__(self, wishes: Wishes = TERMS) -> None:
        self.wishes = wishes
        self.now = START
        self.ledger = Ledger()
        self.network = True
        self.got: list[Bulletin] = []
        self.tries = 0

    def live(self, seconds: int, *faults: str) -> None:
        for _ in range(seconds):
            self.now += timedelta(seconds=1)
            self.ledger = seen(self.ledger, faults, self.wishes, self.now)
            if (message := due(self.ledger, self.wishes, HALL, self.now)) is None:
                continue
            self.tries += 1
            if self.network:
                self.got.append(message)
                self.ledger = sent(self.ledger, message, self.now)
            else:
                self.ledger = failed(self.ledger, self.now)

    @property
    def told(self) -> list[tuple[list[str], list[str]]]:
        """What each notice says has begun and is over."""
        return [([one.text for one in got.begun], [one.text for one in got.ended]) for got in self.got]


def test_a_fault_is_told_once_it_stands_and_once_it_is_over() -> None:
    one = Recipient()
    one.live(29, LOST)
    assert one.told == []
    one.live(4_000, LOST)
    assert one.told == [([LOST], [])]
    assert one.got[0].at == START + timedelta(seconds=31)
    one.live(40)
    assert one.told == [([LOST], []), ([], [LOST])]
    assert one.got[1].subject == "Night Dough, North hall: recovered"
    one.live(4_000)
    assert len(one.got) == 2


def test_what_mends_itself_at_once_is_told_to_nobody() -> None:
    one = Recipient()
    for _ in range(50):
        one.live(20, LOST)
        one.live(20)
    assert one.got == []


def test_what_happens_soon_after_a_notice_is_folded_into_the_next() -> None:
    one = Recipient()
    one.live(60, LOST)
    one.live(60, LOST, HOT)
    one.live(60, HOT, "The disk is full.")
    one.live(60, HOT)
    assert len(one.got) == 1
    one.live(900, HOT)
    assert one.told[1] == ([HOT], [LOST])
    assert [trouble.text for trouble in one.got[1].passed] == ["The disk is full."]
    assert one.got[1].subject == "Night Dough, North hall: a fault"


def test_a_recovery_says_what_still_stands() -> None:
    one = Recipient()
    one.live(1_000, LOST, HOT)
    one.live(1_000, HOT)
    assert one.got[-1].subject == "Night Dough, North hall: 1 fault still stands"
    assert f"Still there:\n- Tue 10:00: {HOT}" in one.got[-1].text


def test_a_fault_that_comes_and_goes_all_day_sends_no_more_than_the_limit() -> None:
    one = Recipient()
    for _ in range(600):
        one.live(72, LOST)
        one.live(72)
    assert 86_400 / 900 - 2 < len(one.got) <= 86_400 / 900 + 1


@pytest.mark.parametrize(
    ("sentence", "other", "same"),
    [
        ("3 blocks were late, the last at 10:02.", "14 blocks were late, the last at 11:40.", True),
        ("The disk is 97.5 % full.", "The disk is 98 % full.", True),
        ("performances/batch-1 is spoilt.", "performances/batch-2 is spoilt.", False),
        (LOST, HOT, False),
    ],
)
def test_figures_do_not_make_it_another_fault(sentence: str, other: str, *, same: bool) -> None:
    assert (apart(sentence) == apart(other)) is same


def test_without_a_network_everything_waits_and_comes_as_one() -> None:
    one = Recipient()
    one.network = False
    one.live(100, LOST)
    one.live(100)
    one.live(7_200, HOT)
    assert one.got == []
    one.network = True
    one.live(int(LONGEST_AGAIN_S), HOT)
    assert one.told == [([HOT], [])]
    assert [trouble.text for trouble in one.got[0].passed] == [LOST]


def test_it_is_tried_again_more_and_more_seldom() -> None:
    """After 1, 2, 4, 8 and then every 15 minutes: in 12 hours 4 + (720 - 15) / 15 + 1 tries or so."""
    one = Recipient()
    one.network = False
    one.live(12 * 3_600, LOST)
    assert 48 <= one.tries <= 53


def test_no_more_is_kept_than_a_person_reads() -> None:
    one = Recipient()
    one.network = False
    for number in range(100):
        one.live(40, f"performances/batch-{number} is spoilt.")
    assert (len(one.ledger.passed), one.ledger.passed_more) == (MOST_PASSED, 100 - 1 - MOST_PASSED)


def test_a_clock_that_is_set_back_keeps_nothing_from_being_told() -> None:
    one = Recipient()
    one.live(60, LOST)
    one.now -= timedelta(hours=5)
    one.live(10, LOST, HOT)
    one.live(30, LOST, HOT)
    assert ([HOT], []) in one.told


def test_who_wants_no_faults_gets_none() -> None:
    one = Recipient(Wishes(faults=False, daily_at=time(18, 30), after_s=0.0, at_most_every_s=60.0))
    one.live(1_000, LOST)
    assert one.got == []


@pytest.mark.parametrize(
    ("daily_at", "about"), [(time(18, 30), date(2026, 3, 4)), (time(8), date(2026, 3, 3)), (time(12), date(2026, 3, 4))]
)
def test_a_line_is_due_once_a_day_at_its_time(daily_at: time, about: date) -> None:
    wishes = Wishes(faults=False, daily_at=daily_at, after_s=0.0, at_most_every_s=60.0)
    ledger, found = Ledger(), []
    for minute in range(48 * 60):
        now = datetime(2026, 3, 3, 19, 0, tzinfo=UTC).astimezone(HALL.zone) + timedelta(minutes=minute)
        ledger, day = day_due(ledger, wishes, now)
        found += [(now, day)] if day else []
    assert [day for _, day in found] == [about, about + timedelta(days=1)]
    assert all(now.time() == daily_at for now, _ in found), "the first evening's time was past when it began"


def test_a_line_that_a_night_without_power_kept_is_made_in_the_morning() -> None:
    wishes = Wishes(faults=False, daily_at=time(18, 30), after_s=0.0, at_most_every_s=60.0)
    ledger, _ = day_due(Ledger(), wishes, datetime(2026, 3, 3, 9, 0, tzinfo=UTC))
    _, day = day_due(ledger, wishes, datetime(2026, 3, 3, 23, 0, tzinfo=UTC))
    assert day == date(2026, 3, 3)


MOMENTS = st.lists(st.tuples(st.integers(1, 1_200), st.sets(st.sampled_from([LOST, HOT])), st.booleans()), max_size=12)


@given(MOMENTS)
def test_in_the_end_the_recipient_knows_what_stands(moments: list[tuple[int, set[str], bool]]) -> None:
    one = Recipient()
    for seconds, faults, network in moments:
        one.network = network
        one.live(seconds, *faults)
    last = moments[-1][1] if moments else set()
    one.network = True
    one.live(2_000, *last)
    known: set[str] = set()
    for got in one.got:
        known = (known | {trouble.text for trouble in got.begun}) - {trouble.text for trouble in got.ended}
    assert known == last
