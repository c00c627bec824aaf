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

from residue.loudness.stage.history import LimitThen, SentHistory, SentRow, Unlogged, limits_in
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
    started: Sequence[EventTold]
    """The start of the last run, where it is known."""
    ended: bool
    """Whether the last run has an end."""


def unseen(told: Telling, now: datetime, up: Uptime) -> Unlogged | None:
    """The time after the last row of a run without an end; None after an end.

    The disk may have taken nothing in it. It lasts until now, or until this start of the machine.
    """
    lines: list[LineTold] = [*told.seconds[:1], *told.started]
    last = [(one.utc, one.boot, one.up_s) for one in lines]
    if told.ended or not last:
        return None
    age = min(age_s(now, up, utc=utc, boot=boot, up_s=up_s) for utc, boot, up_s in last)
    unsure = any(boot is None or _since_this_start(up, boot, up_s) for _, boot, up_s in last)
    ended_s = 0.0 if unsure else min(age, up.seconds)
    return Unlogged(ended_s, max(0.0, age - ended_s))


def history_of(told: Telling | None, now: datetime, up: Uptime, *, window_s: float) -> SentHistory | None:
    """The history; None where it does not reach back over the whole window."""
    if told is None:
        return None
    try:
        not_told = [
            (
                event.kind,
                Unlogged(age_s(now, up, utc=event.utc, boot=event.boot, up_s=event.up_s), event.unlogged_s or 0.0),
            )
            for event in told.not_told
        ]
        rows = [_sent_row(now, up, second) for second in told.seconds]
        time = unseen(told, now, up)
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
    return SentHistory([row for row in reversed(rows) if row.age_s < window_s], unlogged, spared)


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
    return SentHistory(sorted(rows.values(), key=lambda row: -row.age_s), list(unlogged), list(spared))


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
    return SentRow(age_s(now, up, utc=told.utc, boot=told.boot, up_s=told.up_s), float(told.duration_s), levels)


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
    started = [event for event in happened if event.kind == STARTED][-1:]
    return Telling(seconds[::-1], not_told, started, ended=not happened or happened[-1].kind == ENDED)


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
