"""From the log, or its second copy, to the history that the governor counts after a start."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise

import msgspec
import numpy as np

from residue.loudness.stage.history import (
    UNTOLD_SHARE,
    LimitThen,
    SentHistory,
    SentRow,
    Unlogged,
    limits_in,
)
from residue.runtime.journal.event_kinds import ENDED, NOT_LOGGED, SPOILT, STARTED
from residue.runtime.journal.second_copy import (
    SPOILT_LINE,
    EventTold,
    LineTold,
    SecondCopy,
    SecondTold,
    SpoiltCopyError,
)
from residue.runtime.system.clock import Uptime

logger = logging.getLogger(__name__)

UNLOGGED_MOST_S = 2.5
"""An interrupted run may have sent for so long after its last row: a tally of a second, and the time for writing it."""
SIGN_OF_LIFE_S = 30.0
"""In silence a row is written so often, so that after a hard stop less time counts as unseen."""
LIMITS_EVERY_S = 30.0
"""In so much of rows one tells the limits in force, as in each row all of them would add half to the second copy."""
_MARGIN_S = 60.0 + LIMITS_EVERY_S
"""The durations of rows may add up to a minute more than the time in which they were sent, because a device that
returns takes a whole buffer at once; and the row that tells the limits of the first may be older than the window.
"""


@dataclass(frozen=True, slots=True)
class Telling:
    """The content of the log or its copy.

    seconds: the latest first. not_told: times for which sound may have been sent without a row.
    """

    seconds: Sequence[SecondTold]
    not_told: Sequence[EventTold]
    runs: Sequence[EventTold]
    """The starts and the ends of runs, the oldest first."""
    ended: bool
    """Whether the last run has an end."""


def unseen(told: Telling, now: datetime, up: Uptime) -> Unlogged | None:
    """The time after the last row of a run without an end, until now; None after an end.

    The disk may have taken nothing in it, whatever ran.
    """
    starts = [one for one in told.runs if one.kind == STARTED]
    last: list[LineTold] = [*told.seconds[:1], *starts[-1:]]
    if told.ended or not last:
        return None
    return Unlogged(0.0, max(0.0, min(_age_s(now, up, one) for one in last)))


def untold(told: Telling, now: datetime, up: Uptime, window_s: float) -> Iterator[Unlogged]:
    """The times between an end and the next start, or now, and before the first line of all.

    A run of which nothing reached the disk may have played in them; it was under UNTOLD_SHARE then.
    """
    ages_s = [_age_s(now, up, one) for one in told.runs]
    first_row_s = max((_age_s(now, up, one) for one in told.seconds[-1:]), default=0.0)
    since_s, ended = window_s, bool(ages_s) and first_row_s <= ages_s[0]
    for one, at_s in zip(told.runs, ages_s, strict=True):
        if ended and one.kind == STARTED and at_s < since_s:
            yield Unlogged(at_s, since_s - at_s, share=UNTOLD_SHARE)
        since_s, ended = min(window_s, at_s), one.kind == ENDED
    if ended and told.ended and since_s > 0.0:
        yield Unlogged(0.0, since_s, share=UNTOLD_SHARE)


def history_of(told: Telling | None, now: datetime, up: Uptime, *, window_s: float) -> SentHistory | None:
    """The history; None where it does not reach back over the whole window."""
    if told is None:
        return None
    try:
        not_told = [(one.kind, Unlogged(_age_s(now, up, one), one.unlogged_s or 0.0)) for one in told.not_told]
        rows = [_sent_row(now, up, second) for second in told.seconds]
        time = unseen(told, now, up)
        between = list(untold(told, now, up, window_s))
    except (msgspec.MsgspecError, ValueError, TypeError, AttributeError) as error:
        logger.warning("What was sent before cannot be read: %s.", error)
        return None
    limits_before = _limits_before(rows)
    within = [
        (kind, replace(unlogged, limits=limits_before(unlogged.age_s)))
        for kind, unlogged in not_told
        if unlogged.age_s < window_s
    ]
    if any(kind == SPOILT for kind, _ in within):
        return None  # the log before has the levels within the window
    last = Unlogged(0.0, 0.0 if told.ended else UNLOGGED_MOST_S)
    if time is not None:
        time = replace(time, limits=limits_before(-math.inf))
        # As soon as UNLOGGED_MOST_S are not on the disk, a run spares each hop. In silence the next row is due after
        # SIGN_OF_LIFE_S. So what was sent before it spared, and counts at the limits, is at least as old as this.
        latest_s = time.age_s + time.duration_s - SIGN_OF_LIFE_S - 2.0 * UNLOGGED_MOST_S
        last = Unlogged(max(time.age_s, latest_s), UNLOGGED_MOST_S, time.limits)
    unlogged = [last, *(unlogged for kind, unlogged in within if kind != NOT_LOGGED)]
    spared = [*([] if time is None else [time]), *(spared for kind, spared in within if kind == NOT_LOGGED)]
    spared += [replace(one, limits=limits_before(one.age_s)) for one in between]
    within_window = [row for row in reversed(rows) if row.age_s < window_s]
    share = UNTOLD_SHARE if time is None else time.share
    return SentHistory(within_window, unlogged, spared, Unlogged(0.0, 0.0, limits_before(-math.inf), share=share))


def _limits_before(rows: Sequence[SentRow]) -> Callable[[float], tuple[LimitThen, ...]]:
    """Gives the limits that held at the end of the last row that is older than some age. rows: the latest first."""
    told = [(row.age_s, found) for row in rows if (found := tuple(limits_in(row.sent)))]
    ages_s = np.maximum.accumulate(np.array([age_s for age_s, _ in told]))

    def limits(age_s: float) -> tuple[LimitThen, ...]:
        before = told[int(np.searchsorted(ages_s, age_s, side="right")) :]
        return before[0][1] if before else ()

    return limits


def all_that_count(histories: Sequence[SentHistory]) -> SentHistory:
    """All that any of them tells of the same time; what they tell alike counts once."""
    rows = {(row.age_s, row.duration_s, *sorted(row.sent.items())): row for found in histories for row in found.rows}
    first, *others = histories
    unlogged = dict.fromkeys([*first.unlogged, *(one for found in others for one in found.unlogged if one.duration_s)])
    spared = dict.fromkeys(one for found in histories for one in found.spared)
    least = min((found.untold for found in histories), key=lambda one: one.share)
    return SentHistory(sorted(rows.values(), key=lambda row: -row.age_s), list(unlogged), list(spared), least)


_SecondRow = tuple[str, str, float, float, str]
"""utc, boot, up_s, duration_s and sent."""


def covering(told: Iterable[_SecondRow], window_s: float) -> Iterator[_SecondRow]:
    """The rows, the latest first, that may have been sent within a window, however short they are."""
    covered_s = 0.0
    for row in told:
        if covered_s > window_s + _MARGIN_S:
            return
        yield row
        covered_s += row[3]


_LEVELS = msgspec.json.Decoder(dict[str, float | None])


def _sent_row(now: datetime, up: Uptime, told: SecondTold) -> SentRow:
    levels = {key: -math.inf if level is None else level for key, level in _LEVELS.decode(told.sent).items()}
    return SentRow(_age_s(now, up, told), float(told.duration_s), levels)


def copied(copy: SecondCopy) -> Telling | None:
    """The content of the second copy; None where there is none that can be read."""
    try:
        lines = copy.read()
    except (OSError, SpoiltCopyError) as error:
        logger.warning("The second copy of the level log cannot be read: %s.", error)
        return None
    return None if lines is None else _telling(lines)


def covered_by(copy: SecondCopy, window_s: float, latest: Sequence[LineTold]) -> Telling | None:
    """What the copy tells of a window; None where a line is damaged, or not all of these are in it. Raises OSError."""
    lines, missing, covered_s = list[LineTold](), set(latest), 0.0
    for line in copy.latest():
        if line is None:
            return None
        if covered_s > window_s + _MARGIN_S and not missing:
            break
        lines.append(line)
        missing.discard(line)
        covered_s += line.duration_s if isinstance(line, SecondTold) else 0.0
    return None if missing else _telling(lines[::-1])


def _telling(lines: Sequence[LineTold]) -> Telling:
    seconds = [line for line in lines if isinstance(line, SecondTold)]
    events = [line for line in lines if isinstance(line, EventTold)]
    happened = [event for event in events if event.kind != SPOILT_LINE]
    cut = {
        id(event)
        for before, event in pairwise(happened)
        if event.kind == STARTED and before.kind != ENDED and not event.unlogged_s
    }
    not_told = [
        replace(event, unlogged_s=event.unlogged_s or UNLOGGED_MOST_S)
        for event in events
        if event.unlogged_s or event.kind == SPOILT or id(event) in cut
    ]
    runs = [event for event in happened if event.kind in (STARTED, ENDED)]
    return Telling(seconds[::-1], not_told, runs, ended=not happened or happened[-1].kind == ENDED)


def _age_s(now: datetime, up: Uptime, told: LineTold) -> float:
    return age_s(now, up, utc=told.utc, boot=told.boot, up_s=told.up_s)


def age_s(now: datetime, up: Uptime, *, utc: str, boot: str | None, up_s: float | None) -> float:
    """The age of a moment: by the time since the machine started, or by the clock, but at least that time."""
    if up_s is None:
        return (now - datetime.fromisoformat(utc)).total_seconds()
    if _since_this_start(up, boot, up_s):
        return up.seconds - up_s
    return max((now - datetime.fromisoformat(utc)).total_seconds(), up.seconds)


def _since_this_start(up: Uptime, boot: str | None, up_s: float | None) -> bool:
    """Whether a moment is after this start of the machine.

    Where one of both boots has no name, it may be, and counts so, if the machine has been up for as long by now: that
    makes it younger.
    """
    if boot is None or up_s is None:
        return False
    return up_s <= up.seconds if "" in (boot, up.boot) else boot == up.boot
