"""A flood of requests is told in few rows, and whoever works by hand has a row for each."""

from __future__ import annotations

from residue.runtime.house.folded_requests import ALL_BURST_ROWS, BURST_ROWS, MOST_FOLDED, SEVERAL, FoldedRequests
from tests.runtime.stubs import HandClock

TABLET = "10.0.0.7"


class Log:
    def __init__(self) -> None:
        self.clock = HandClock()
        self.rows: list[tuple[str, str, str]] = []
        self.requests = FoldedRequests(lambda *row: self.rows.append(row), self.clock.monotonic_s)

    def flood(self, seconds: int, per_s: int = 50, sender: str = TABLET) -> None:
        """A fader that is moved all the time."""
        for second in range(seconds):
            for step in range(per_s):
                self.requests.tell(kind="trim", text=f"{-(second * per_s + step) % 40:.1f} dB.", sender=sender)
            self.requests.look()
            self.clock.now_s += 1.0


def test_requests_by_hand_have_a_row_each_at_once() -> None:
    log = Log()
    for kind in ("hold", "release", "trim", "next"):
        log.requests.tell(kind=kind, text="Requested.", sender=TABLET)
    assert log.rows == [(kind, "Requested.", TABLET) for kind in ("hold", "release", "trim", "next")]


def test_an_hour_of_a_moved_fader_gives_a_row_a_minute() -> None:
    log = Log()
    log.flood(3_600)
    log.requests.end()
    assert BURST_ROWS <= len(log.rows) <= BURST_ROWS + 62


def test_every_request_is_counted_and_the_last_one_is_told() -> None:
    log = Log()
    log.flood(10)
    log.requests.end()
    folded = 10 * 50 - int(BURST_ROWS)
    kind, text, sender = log.rows[-1]
    assert (kind, sender) == ("trim", TABLET)
    assert text == f"21.0 dB. This is the last of {folded} such requests within 10 s."
    assert len(log.rows) == BURST_ROWS + 1


def test_what_waits_alone_is_told_as_it_was() -> None:
    log = Log()
    for number in range(int(BURST_ROWS) + 1):
        log.requests.tell(kind="hold", text=f"Request {number}.", sender=TABLET)
    assert len(log.rows) == BURST_ROWS
    log.clock.now_s += 60.0
    log.requests.look()
    assert log.rows[-1] == ("hold", f"Request {int(BURST_ROWS)}.", TABLET)


def test_forged_senders_fill_neither_the_log_nor_the_memory() -> None:
    log = Log()
    for number in range(20_000):
        log.requests.tell(kind="hold", text="Requested.", sender=f"10.0.{number // 250}.{number % 250}")
        log.clock.now_s += 0.01
        log.requests.look()
    assert len(log.rows) <= ALL_BURST_ROWS + 200.0 / 15.0 + 1
    log.requests.end()
    assert SEVERAL in {sender for _, _, sender in log.rows}
    assert len(log.rows) <= ALL_BURST_ROWS + 200.0 / 15.0 + MOST_FOLDED + 2
