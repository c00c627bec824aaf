"""One health check for each way of failing: the table that the watchdog goes through, and that the guides print.

A check compares the vitals of now with those of the look before. It is bad once it has stood for `for_s`; then its
remedies are taken one after the other, `apart_s` between them, until it is good again or none is left.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import inf

from residue.watchdog.vitals import Vitals

LOOK_S = 1.0
"""Between two rounds of the watchdog."""


class Remedy(StrEnum):
    """The remedies, from the mildest to the most drastic."""

    LOG = "log"
    SKIP = "fade the performance out and leave it out"
    LEAVE_OUT = "leave out what does not begin"
    TIDY = "let go of old rows"
    REBUILD = "rebuild the engine"
    REOPEN = "reopen the device"
    RESTART = "restart the program through systemd"
    SILENCE = "stay silent and say so"


Bad = Callable[[Vitals, Vitals], str | None]
"""(now, at the look before) -> what is wrong, in a person's words; None while all is well."""


@dataclass(frozen=True, slots=True)
class Check:
    """One row of the table."""

    name: str
    looks_at: str
    bad_when: str
    bad: Bad
    for_s: float
    remedies: Sequence[Remedy]
    apart_s: float = 30.0
    then: str = "stays in the status"
    """What happens when no remedy helped, or none is needed."""


AUDIBLE = 10 ** (-60 / 20)
"""-60 dBFS: what a graph gives above this should be heard. Our choice."""
INAUDIBLE = 10 ** (-100 / 20)
GOVERNED_DB = -30.0
"""Below this the governor itself is what silences: a cap that is used up, say, after a log that could not be read."""
DIRECT = 10 ** (-40 / 20)
"""-40 dBFS of direct current: no sound that comes through the subsonic high-pass holds so much. Our choice."""
OFF_PACE = 0.02
"""A sound device's clock is wrong by less than a thousandth; one that plays at 44.1 kHz, or at no pace, by far more."""
DISK_LOW = 0.03
MEMORY_BYTES = 1_500_000_000
"""Far above what a demo needs (see tests/bench), below what a computer with 2 GB can give."""
MEMORY_MOST_BYTES = 1_800_000_000
"""Until here it waits for closing time."""
START_STILL_S = 60.0
"""Whatever is done before a performance begins tells of each second or so of it on a disk that is well."""
HOT_C = 80.0
"""Small computers begin to slow down here: common practice, no source."""


def _frames(now: Vitals, before: Vitals) -> str | None:
    still = now.frames == before.frames and now.monotonic_s > before.monotonic_s
    return "The engine writes nothing." if still else None


def _late(now: Vitals, before: Vitals) -> str | None:
    late = now.late_blocks - before.late_blocks
    return f"{late} blocks came too late, and a gap was heard." if late > 0 else None


def _lost(now: Vitals, _before: Vitals) -> str | None:
    return None if now.device_wrong else now.lost


def _wrong(now: Vitals, _before: Vitals) -> str | None:
    if now.device_wrong:
        return now.lost
    off = now.pace is not None and abs(now.pace - 1.0) > OFF_PACE
    return f"The device takes {now.pace:.2f} times as many frames a second as it should." if off else None


def _silent(now: Vitals, _before: Vitals) -> str | None:
    silent = now.asked_peak > AUDIBLE and now.sent_peak < INAUDIBLE and now.lost is None
    silent = silent and now.governor_db > GOVERNED_DB
    stuck = now.stuck_at > AUDIBLE  # which the block on direct current silences, and another check sees
    return "The piece sounds, and nothing comes out of the cap." if silent and not stuck else None


def _sounding(now: Vitals, _before: Vitals) -> str | None:
    return "There is sound although the house is closed or held." if _heard(now) and not now.may_sound else None


def _heard(now: Vitals) -> bool:
    return now.sent_peak > AUDIBLE and now.lost is None


def _direct(now: Vitals, _before: Vitals) -> str | None:
    bad = now.direct_current > DIRECT and now.lost is None
    return "What is sent is a direct current, which harms loudspeakers." if bad else None


def _stuck(now: Vitals, _before: Vitals) -> str | None:
    return "The graph gives the same value again and again." if now.stuck_at > AUDIBLE else None


def _start_hangs(now: Vitals, _before: Vitals) -> str | None:
    still = now.start_still_s > START_STILL_S
    return f"A performance has not begun for {now.start_still_s:.0f} s: the disk may not answer." if still else None


def _not_finite(now: Vitals, before: Vitals) -> str | None:
    return "The graph gave values that are not numbers." if now.muted_frames > before.muted_frames else None


def _failed(now: Vitals, before: Vitals) -> str | None:
    return "A performance failed within its graph; it is left out." if now.failures > before.failures else None


def _unplayable(now: Vitals, _before: Vitals) -> str | None:
    return f"{now.unplayable} performances of the programme cannot be played." if now.unplayable else None


def _unplanned(now: Vitals, _before: Vitals) -> str | None:
    return None if now.planned else "There is no plan for the programme."


def _governed(now: Vitals, before: Vitals) -> str | None:
    acts = now.governor_db < 0.0 or now.cut_hops > before.cut_hops
    taken = "everything" if now.governor_db == -inf else f"{-now.governor_db:.1f} dB"
    return f"The level is above the plan; the governor takes {taken} away." if acts else None


def _log(now: Vitals, _before: Vitals) -> str | None:
    return f"The log cannot be written: {now.log_trouble}." if now.log_trouble else None


def _disk(now: Vitals, _before: Vitals) -> str | None:
    return f"The disk has {now.disk_free_share:.1%} left." if now.disk_free_share < DISK_LOW else None


def _memory(now: Vitals, _before: Vitals) -> str | None:
    bound = MEMORY_BYTES if now.closed else MEMORY_MOST_BYTES
    return f"Memory has grown to {now.memory_bytes / 1e6:.0f} MB." if now.memory_bytes > bound else None


def _hot(now: Vitals, _before: Vitals) -> str | None:
    hot = now.temperature_c is not None and now.temperature_c > HOT_C
    return f"The processor is at {now.temperature_c:.0f} °C." if hot else None


def _throttled(now: Vitals, before: Vitals) -> str | None:
    return "The processor slows itself down." if now.throttled > before.throttled else None


def _clock(now: Vitals, _before: Vitals) -> str | None:
    return now.clock_doubt


def _flooded(now: Vitals, before: Vitals) -> str | None:
    return "Somebody floods the control port." if now.too_often > before.too_often else None


LOG, SKIP, LEAVE_OUT, TIDY, REBUILD = Remedy.LOG, Remedy.SKIP, Remedy.LEAVE_OUT, Remedy.TIDY, Remedy.REBUILD
REOPEN, RESTART, SILENCE = Remedy.REOPEN, Remedy.RESTART, Remedy.SILENCE

CHECKS: Sequence[Check] = (
    Check(
        "engine stalls",
        "frames written",
        "none since the last look",
        _frames,
        1.0,
        (LOG, REBUILD, RESTART),
        apart_s=2.0,
        then="ended and started again by systemd for as long as it takes, fading in each time",
    ),
    Check(
        "late blocks",
        "gaps that the device reports",
        "any",
        _late,
        0.0,
        (LOG,),
        then="the next block goes on; where this lasts, the piece is too heavy for the computer",
    ),
    Check(
        "device lost",
        "errors of the device",
        "it does not open, or takes nothing",
        _lost,
        0.0,
        (LOG,),
        then="opened again for as long as it takes; the piece goes on in time, unheard",
    ),
    Check(
        "device wrong",
        "its channels, and the pace at which it takes frames",
        "too few; off by 2 % over 20 s",
        _wrong,
        5.0,
        (LOG, REOPEN),
        then="the piece goes on; too few channels: unheard",
    ),
    Check(
        "silent",
        "peak before and after the cap",
        "above -60 dBFS before, below -100 after",
        _silent,
        2.0,
        (LOG, REOPEN, SKIP, RESTART),
        apart_s=2.0,
    ),
    Check(
        "sounding",
        "peak after the cap against the hours",
        "above -60 dBFS while closed or held",
        _sounding,
        6.0,
        (LOG, REBUILD, RESTART, SILENCE),
        apart_s=2.0,
        then="stays silent until a person restarts it",
    ),
    Check(
        "direct current",
        "what lies below 1 Hz after the cap, and keeps its sign for 2 s",
        "above -40 dBFS",
        _direct,
        1.0,
        (LOG, SKIP, RESTART, SILENCE),
        apart_s=5.0,
        then="stays silent until a person restarts it",
    ),
    Check(
        "stuck value", "swing of a block before the cap", "none, above -60 dBFS", _stuck, 5.0, (LOG, SKIP), apart_s=2.0
    ),
    Check(
        "start hangs",
        "what is read of a performance before it begins",
        f"nothing more for {START_STILL_S:g} s",
        _start_hangs,
        0.0,
        (LOG, LEAVE_OUT),
        then="the next performance is tried, and what was left out after an hour",
    ),
    Check("no numbers", "frames that the cap muted", "any", _not_finite, 0.0, (LOG, SKIP), apart_s=2.0),
    Check(
        "graph failed",
        "errors of nodes",
        "any",
        _failed,
        0.0,
        (LOG,),
        then="faded out; the performance is left out for an hour, twice as long each time",
    ),
    Check(
        "performance broken",
        "fixity, channels, plan",
        "one cannot be played",
        _unplayable,
        0.0,
        (LOG,),
        then="left out until mended",
    ),
    Check(
        "no plan",
        "the planner's process",
        "it failed",
        _unplanned,
        60.0,
        (LOG,),
        then="the last plan stays in force; the planner is started again every 30 s",
    ),
    Check(
        "above plan",
        "gain of the governor",
        "it takes anything away",
        _governed,
        1.0,
        (LOG,),
        then="the governor goes on keeping the caps",
    ),
    Check("log", "errors of the state folder", "any", _log, 0.0, (LOG,), then="rows wait in memory, 20,000 at most"),
    Check("disk", "share of the disk that is free", "below 3 %", _disk, 0.0, (LOG, TIDY), apart_s=3_600.0),
    Check("memory", "resident memory", "above 1.8 GB; above 1.5 while closed", _memory, 5.0, (LOG, RESTART)),
    Check("heat", "the hottest sensor", "above 80 °C", _hot, 60.0, (LOG,)),
    Check("throttling", "the kernel's count of throttlings", "it grows", _throttled, 0.0, (LOG,)),
    Check(
        "clock",
        "time service, battery clock, steps",
        "no time source confirms it",
        _clock,
        0.0,
        (LOG,),
        then="the hours go by `when_clock_is_unsure`",
    ),
    Check(
        "control port",
        "datagrams beyond the allowance",
        "any",
        _flooded,
        5.0,
        (LOG,),
        then="what is too much is dropped",
    ),
)


_HEAD = """\
| check | looks at | is bad | for | what is done | when that does not help |
| --- | --- | --- | --- | --- | --- |"""


def table() -> str:
    """The checks as a Markdown table."""
    rows = (
        f"| {one.name} | {one.looks_at} | {one.bad_when} | {one.for_s:g} s | {_climbed(one)} | {one.then} |"
        for one in CHECKS
    )
    return "\n".join([_HEAD, *rows])


def _climbed(check: Check) -> str:
    """Logging takes no time: what follows it is done at once."""
    first, *more = check.remedies[1:] or ("",)
    return ", then ".join([f"log, {first}" if first else "log", *(f"after {check.apart_s:g} s {one}" for one in more)])
