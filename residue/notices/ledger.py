"""The knowledge of one recipient, the present faults, and the messages that are due: pure functions of time.

A message is never queued: it is made, when it is sent, from the difference between the present faults and the
recipient's knowledge. So all events during an outage of the network become one message.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime, time, timedelta

import msgspec

from residue.notices.bulletin import Bulletin, SentFrom, Trouble

MOST_PASSED = 20
"""So many unreported faults that have ended are listed; more are only counted."""
MOST_LINES = 14
"""The most daily lines that wait for a network; the newest are kept."""
FIRST_AGAIN_S = 60.0
LONGEST_AGAIN_S = 900.0
"""A refused notice is tried again after the first time, then each time after twice as long, up to the longest."""
_FIGURE = re.compile(r"(?<![\w-])[-+]?\d+([.:,]\d+)*(?![\w-])")
_NOON = time(12)


class Wishes(msgspec.Struct, frozen=True, kw_only=True):
    """The wishes of one recipient."""

    faults: bool
    daily_at: time | None
    after_s: float
    at_most_every_s: float


class Ledger(msgspec.Struct, frozen=True, kw_only=True):
    """The memory for one recipient, by fault (see `apart`). All times are in UTC.

    standing: the present faults. told: faults that were reported, and whose end was not. away: the ends of the reported
    faults. passed: faults that ended unreported. tried: failed tries since the last success.
    """

    standing: dict[str, Trouble] = {}
    told: dict[str, Trouble] = {}
    away: dict[str, datetime] = {}
    passed: tuple[Trouble, ...] = ()
    passed_more: int = 0
    lines: tuple[str, ...] = ()
    line_of: date | None = None
    """The day on which the last daily line was made."""
    sent_at: datetime | None = None
    tried_at: datetime | None = None
    tried: int = 0


def apart(sentence: str) -> str:
    """The identity of a fault: its sentence without figures, which change while it lasts."""
    return _FIGURE.sub("#", sentence)


def seen(ledger: Ledger, faults: Iterable[str], wishes: Wishes, now: datetime) -> Ledger:
    """The ledger after a look at the present faults."""
    found = {apart(sentence): sentence for sentence in faults} if wishes.faults else {}
    before = ledger.standing
    standing = {key: Trouble(text, before[key].since if key in before else now) for key, text in found.items()}
    gone = {key: one for key, one in before.items() if key not in standing}
    untold = [
        Trouble(one.text, one.since, now)
        for key, one in gone.items()
        if key not in ledger.told and _over(one.since, wishes.after_s, now)
    ]
    passed = (*ledger.passed, *untold)
    return msgspec.structs.replace(
        ledger,
        standing=standing,
        away={key: ledger.away.get(key, now) for key in ledger.told if key not in standing},
        passed=passed[:MOST_PASSED],
        passed_more=ledger.passed_more + len(passed[MOST_PASSED:]),
    )


def day_due(ledger: Ledger, wishes: Wishes, now: datetime) -> tuple[Ledger, date | None]:
    """The local day for which a line is due, noted as made. now: the local time.

    The very first look makes no line for a past time.
    """
    if wishes.daily_at is None or ledger.line_of == now.date() or now.time() < wishes.daily_at:
        if ledger.line_of is None:
            ledger = msgspec.structs.replace(ledger, line_of=now.date() - timedelta(days=1))
        return ledger, None
    after = msgspec.structs.replace(ledger, line_of=now.date())
    if ledger.line_of is None:
        return after, None
    return after, now.date() - timedelta(days=1 if wishes.daily_at < _NOON else 0)


def with_line(ledger: Ledger, line: str) -> Ledger:
    """The ledger with one more daily line that waits."""
    return msgspec.structs.replace(ledger, lines=(*ledger.lines, line)[-MOST_LINES:])


def due(ledger: Ledger, wishes: Wishes, sender: SentFrom, now: datetime) -> Bulletin | None:
    """The message that may be sent now, if there is one."""
    if ledger.tried_at is not None and not _over(ledger.tried_at, _again_s(ledger.tried), now):
        return None
    message = Bulletin(
        sender=sender,
        at=now,
        begun=[
            one
            for key, one in ledger.standing.items()
            if key not in ledger.told and _over(one.since, wishes.after_s, now)
        ],
        ended=[
            Trouble(ledger.told[key].text, ledger.told[key].since, since)
            for key, since in ledger.away.items()
            if _over(since, wishes.after_s, now)
        ],
        passed=ledger.passed,
        passed_more=ledger.passed_more,
        standing=[
            one for key, one in ledger.standing.items() if key in ledger.told or _over(one.since, wishes.after_s, now)
        ],
        lines=ledger.lines,
    )
    changes = message.begun or message.ended or message.passed
    soon = ledger.sent_at is not None and not _over(ledger.sent_at, wishes.at_most_every_s, now)
    return message if message.lines or (changes and not soon) else None


def sent(ledger: Ledger, message: Bulletin, now: datetime) -> Ledger:
    """The ledger after a message was accepted: the recipient knows its content."""
    over = {apart(one.text) for one in message.ended}
    told = {key: one for key, one in ledger.told.items() if key not in over}
    told |= {apart(one.text): one for one in message.begun}
    return msgspec.structs.replace(
        ledger,
        told=told,
        away={key: since for key, since in ledger.away.items() if key in told},
        passed=(),
        passed_more=0,
        lines=(),
        sent_at=now,
        tried_at=None,
        tried=0,
    )


def failed(ledger: Ledger, now: datetime) -> Ledger:
    """The ledger after a message was refused."""
    return msgspec.structs.replace(ledger, tried_at=now, tried=ledger.tried + 1)


def _again_s(tried: int) -> float:
    return min(LONGEST_AGAIN_S, FIRST_AGAIN_S * 2.0 ** min(tried - 1, 10))


def _over(since: datetime, length_s: float, now: datetime) -> bool:
    """Whether so long has passed.

    After the clock was set back it is true too: one notice too many is better than none.
    """
    return not timedelta(0) <= now - since < timedelta(seconds=length_s)
