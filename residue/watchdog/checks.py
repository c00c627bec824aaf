"""One health check for each kind of failure: the table for the watchdog and the guides.

A check compares the present vitals with those of the look before. It is bad after its fault has lasted for `for_s`.
Then its remedies are used one after the other, with `apart_s` between them, until it is good again or none is left.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import inf

from residue.watchdog.vitals import Vitals

LOOK_S = 1.0
"""The time between two rounds of the watchdog."""


class Remedy(StrEnum):
    """The remedies, from the mildest to the most drastic."""

    LOG = "log"
    SKIP = "fade the performance out and leave it out"
    LEAVE_OUT = "leave out what does not begin"
    TIDY = "delete old rows"
    REBUILD = "rebuild the engine"
    REOPEN = "reopen the device"
    RESTART = "restart the program through systemd"
    SILENCE = "stay silent and say so"


Bad = Callable[[Vitals, Vitals], str | None]
"""(present vitals, those of the look before) -> the fault, in words for people; None while all is well."""


@dataclass(frozen=True, slots=True, kw_only=True)
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
    """The result when no remedy helped, or none is needed."""


AUDIBLE = 10 ** (-60 / 20)
"""-60 dBFS: sound from a graph above this should be heard. Our choice."""
NOTHING = 10 ** (-300 / 20)
"""-300 dBFS: of 2 Hz at -60 dBFS a high-pass at 120 Hz and a trim of -60 dB leave -262, filters at rest -600."""
GOVERNED_DB = -30.0
"""Below this the governor itself makes the silence: a cap is used up, for example after a log that could not be
read.
"""
DIRECT = 10 ** (-30 / 20)
"""-30 dBFS of direct current: a thousandth of the power of full scale, which warms no coil. Tones of 2 Hz in bursts
leave up to -35 dBFS where a cap on a peak lowers one half of a wave more than the other. Our choice.
"""
OFF_PACE = 0.02
"""A sound device's clock is wrong by less than a thousandth; one at 44.1 kHz, or without a pace, is wrong by far
more.
"""
DISK_LOW = 0.03
MEMORY_BYTES = 1_500_000_000
"""Far above the need of a demo (see tests/bench), below that of a computer with 2 GB."""
MEMORY_MOST_BYTES = 1_800_000_000
"""Up to this size the remedy waits for closing time."""
START_STILL_S = 60.0
"""On a healthy disk, the work before a performance begins reports its progress every second or so."""
HOT_C = 80.0
"""Small computers begin to slow down here: common practice, no source."""


def _frames(now: Vitals, before: Vitals) -> str | None:
    still = now.frames == before.frames and now.monotonic_s > before.monotonic_s
    return "The engine writes nothing." if still else None


def _late(now: Vitals, before: Vitals) -> str | None:
    late = now.late_blocks - before.late_blocks
    return f"Late blocks: {late}. The sound may have had a gap." if late > 0 else None


def _lost(now: Vitals, _before: Vitals) -> str | None:
    return None if now.device_wrong else now.lost


def _wrong(now: Vitals, _before: Vitals) -> str | None:
    if now.device_wrong:
        return now.lost
    off = now.pace is not None and abs(now.pace - 1.0) > OFF_PACE
    return f"The device takes {now.pace:.2f} times as many frames a second as it should." if off else None


def _silent(now: Vitals, _before: Vitals) -> str | None:
    silent = now.asked_peak > AUDIBLE and now.sent_peak < NOTHING and now.lost is None
    silent = silent and now.governor_db > GOVERNED_DB
    stuck = now.stuck_at > AUDIBLE  # the filter for direct current silences it, and another check reports it
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
    why = "The caps count sound before the start that no row shows" if now.assumed else "The level is above the plan"
    return f"{why}; the governor takes {taken} away." if acts else None


def _log(now: Vitals, _before: Vitals) -> str | None:
    if not now.log_trouble:
        return None
    quieter = "each moment stays 3 dB below every cap, or 10 dB if the disk has taken nothing since a run ended"
    return f"The log cannot be written: {now.log_trouble}. Until it can, {quieter}."


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
        name="engine stalls",
        looks_at="frames written",
        bad_when="none since the last look",
        bad=_frames,
        for_s=1.0,
        remedies=(LOG, REBUILD, RESTART),
        apart_s=2.0,
        then="ended and started again by systemd for as long as it takes, fading in each time",
    ),
    Check(
        name="late blocks",
        looks_at="gaps that the device reports",
        bad_when="any",
        bad=_late,
        for_s=0.0,
        remedies=(LOG,),
        then="the next block goes on; where this lasts, the piece is too heavy for the computer",
    ),
    Check(
        name="device lost",
        looks_at="errors of the device",
        bad_when="it does not open, or takes nothing",
        bad=_lost,
        for_s=0.0,
        remedies=(LOG,),
        then="opened again for as long as it takes; the piece goes on in time, unheard",
    ),
    Check(
        name="device wrong",
        looks_at="its channels, and the pace at which it takes frames",
        bad_when="too few; off by 2 % over 20 s",
        bad=_wrong,
        for_s=5.0,
        remedies=(LOG, REOPEN),
        then="the piece goes on; too few channels: unheard",
    ),
    Check(
        name="silent",
        looks_at="peak before and after the cap",
        bad_when="above -60 dBFS before, below -300 after",
        bad=_silent,
        for_s=2.0,
        remedies=(LOG, REOPEN, SKIP, RESTART),
        apart_s=2.0,
    ),
    Check(
        name="sounding",
        looks_at="peak after the cap against the hours",
        bad_when="above -60 dBFS while closed or held",
        bad=_sounding,
        for_s=6.0,
        remedies=(LOG, REBUILD, RESTART, SILENCE),
        apart_s=2.0,
        then="stays silent until a person restarts it",
    ),
    Check(
        name="direct current",
        looks_at="what lies below 1 Hz after the cap, and keeps its sign for 2 s",
        bad_when="above -30 dBFS",
        bad=_direct,
        for_s=1.0,
        remedies=(LOG, SKIP, RESTART, SILENCE),
        apart_s=5.0,
        then="stays silent until a person restarts it",
    ),
    Check(
        name="stuck value",
        looks_at="swing of a block before the cap",
        bad_when="none, above -60 dBFS",
        bad=_stuck,
        for_s=5.0,
        remedies=(LOG, SKIP),
        apart_s=2.0,
    ),
    Check(
        name="start hangs",
        looks_at="what is read of a performance before it begins",
        bad_when=f"nothing more for {START_STILL_S:g} s",
        bad=_start_hangs,
        for_s=0.0,
        remedies=(LOG, LEAVE_OUT),
        then="the next performance is tried, and what was left out after an hour",
    ),
    Check(
        name="no numbers",
        looks_at="frames that the cap muted",
        bad_when="any",
        bad=_not_finite,
        for_s=0.0,
        remedies=(LOG, SKIP),
        apart_s=2.0,
    ),
    Check(
        name="graph failed",
        looks_at="errors of nodes",
        bad_when="any",
        bad=_failed,
        for_s=0.0,
        remedies=(LOG,),
        then="faded out; the performance is left out for an hour, twice as long each time",
    ),
    Check(
        name="performance broken",
        looks_at="fixity, channels, plan",
        bad_when="one cannot be played",
        bad=_unplayable,
        for_s=0.0,
        remedies=(LOG,),
        then="left out until it is repaired",
    ),
    Check(
        name="no plan",
        looks_at="the planner's process",
        bad_when="it failed",
        bad=_unplanned,
        for_s=60.0,
        remedies=(LOG,),
        then="the last plan stays in force; the planner is started again every 30 s",
    ),
    Check(
        name="above plan",
        looks_at="gain of the governor",
        bad_when="it takes anything away",
        bad=_governed,
        for_s=1.0,
        remedies=(LOG,),
        then="the governor goes on keeping the caps",
    ),
    Check(
        name="log",
        looks_at="errors of the state folder",
        bad_when="any",
        bad=_log,
        for_s=0.0,
        remedies=(LOG,),
        then="rows wait in memory, 20,000 at most",
    ),
    Check(
        name="disk",
        looks_at="share of the disk that is free",
        bad_when="below 3 %",
        bad=_disk,
        for_s=0.0,
        remedies=(LOG, TIDY),
        apart_s=3_600.0,
    ),
    Check(
        name="memory",
        looks_at="resident memory",
        bad_when="above 1.8 GB; above 1.5 while closed",
        bad=_memory,
        for_s=5.0,
        remedies=(LOG, RESTART),
    ),
    Check(name="heat", looks_at="the hottest sensor", bad_when="above 80 °C", bad=_hot, for_s=60.0, remedies=(LOG,)),
    Check(
        name="throttling",
        looks_at="the kernel's count of throttlings",
        bad_when="it grows",
        bad=_throttled,
        for_s=0.0,
        remedies=(LOG,),
    ),
    Check(
        name="clock",
        looks_at="time service, battery clock, steps",
        bad_when="no time source confirms it",
        bad=_clock,
        for_s=0.0,
        remedies=(LOG,),
        then="the hours go by `when_clock_is_unsure`",
    ),
    Check(
        name="control port",
        looks_at="datagrams beyond the allowance",
        bad_when="any",
        bad=_flooded,
        for_s=5.0,
        remedies=(LOG,),
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
    """The remedies with the log entry done: it takes no time, so the next one follows at once."""
    first, *more = check.remedies[1:] or ("",)
    return ", then ".join([f"log, {first}" if first else "log", *(f"after {check.apart_s:g} s {one}" for one in more)])
