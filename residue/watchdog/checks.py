"""One health check for each way of failing: the table that the watchdog goes through, and that the guides print.

A check compares the vitals of now with those of the look before. It is bad once it has stood for `for_s`; then its
remedies are taken one after the other, `apart_s` between them, until it is good again or none is left.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from residue.watchdog.vitals import Vitals


class Remedy(StrEnum):
    """What can be done, from the least to the most."""

    LOG = "log"
    SKIP = "skip the performance"
    REOPEN = "reopen the device"
    RESTART = "restart the program, through systemd"


Bad = Callable[[Vitals, Vitals], str | None]
"""(now, at the look before) -> what is wrong, in a person's words; None while all is well."""


@dataclass(frozen=True, slots=True)
class Check:
    """One row of the table."""

    name: str
    looks_at: str
    bad: Bad
    for_s: float
    remedies: Sequence[Remedy]
    apart_s: float = 30.0
    then: str = "stays in the status"
    """What happens when no remedy helped."""


AUDIBLE = 10 ** (-60 / 20)
"""-60 dBFS: what a graph gives above this should be heard. Our choice."""
INAUDIBLE = 10 ** (-100 / 20)
DISK_LOW = 0.03
MEMORY_BYTES = 1_500_000_000
"""Far above what a demo needs (see tests/bench), below what a computer with 2 GB can give."""
HOT_C = 80.0
"""Small computers begin to slow down here: common practice, no source."""


def _frames(now: Vitals, before: Vitals) -> str | None:
    still = now.frames == before.frames and now.monotonic_s > before.monotonic_s
    return "The engine writes nothing." if still else None


def _late(now: Vitals, before: Vitals) -> str | None:
    late = now.late_blocks - before.late_blocks
    return f"{late} blocks came too late, and a gap was heard." if late > 0 else None


def _lost(now: Vitals, _before: Vitals) -> str | None:
    return now.lost


def _silent(now: Vitals, _before: Vitals) -> str | None:
    silent = now.asked_peak > AUDIBLE and now.sent_peak < INAUDIBLE and now.lost is None
    return "The piece sounds, and nothing comes out of the cap." if silent else None


def _sounding(now: Vitals, _before: Vitals) -> str | None:
    return "There is sound although the house is closed or held." if _heard(now) and not now.may_sound else None


def _heard(now: Vitals) -> bool:
    return now.sent_peak > AUDIBLE and now.lost is None


def _not_finite(now: Vitals, before: Vitals) -> str | None:
    return "The graph gave values that are no numbers." if now.muted_frames > before.muted_frames else None


def _failed(now: Vitals, before: Vitals) -> str | None:
    return "A performance failed within its graph; it is left out." if now.failures > before.failures else None


def _unplayable(now: Vitals, _before: Vitals) -> str | None:
    return f"{now.unplayable} performances of the programme cannot be played." if now.unplayable else None


def _unplanned(now: Vitals, _before: Vitals) -> str | None:
    return None if now.planned else "There is no plan for the programme."


def _governed(now: Vitals, before: Vitals) -> str | None:
    acts = now.governor_db < 0.0 or now.cut_hops > before.cut_hops
    return f"The level is above the plan; the governor takes {-now.governor_db:.1f} dB away." if acts else None


def _log(now: Vitals, _before: Vitals) -> str | None:
    return f"The log cannot be written: {now.log_trouble}." if now.log_trouble else None


def _disk(now: Vitals, _before: Vitals) -> str | None:
    return f"The disk has {now.disk_free_share:.1%} left." if now.disk_free_share < DISK_LOW else None


def _memory(now: Vitals, _before: Vitals) -> str | None:
    return f"Memory has grown to {now.memory_bytes / 1e6:.0f} MB." if now.memory_bytes > MEMORY_BYTES else None


def _hot(now: Vitals, _before: Vitals) -> str | None:
    hot = now.temperature_c is not None and now.temperature_c > HOT_C
    return f"The processor is at {now.temperature_c:.0f} °C." if hot else None


def _clock(now: Vitals, _before: Vitals) -> str | None:
    return now.clock_doubt


def _flooded(now: Vitals, before: Vitals) -> str | None:
    return "Somebody floods the control port." if now.too_often > before.too_often else None


LOG, SKIP, REOPEN, RESTART = Remedy.LOG, Remedy.SKIP, Remedy.REOPEN, Remedy.RESTART

CHECKS: Sequence[Check] = (
    Check("engine stands", "frames written", _frames, 2.0, (LOG, RESTART), apart_s=3.0),
    Check("late blocks", "gaps that the device reports", _late, 0.0, (LOG,)),
    Check("device lost", "errors of the device", _lost, 0.0, (LOG,), then="opened again for as long as it takes"),
    Check("silent", "peak before and after the cap", _silent, 10.0, (LOG, REOPEN, SKIP, RESTART)),
    Check("sounding", "peak after the cap against the hours", _sounding, 6.0, (LOG, RESTART), apart_s=2.0),
    Check("no numbers", "frames that the cap muted", _not_finite, 0.0, (LOG, SKIP)),
    Check("graph failed", "errors of nodes", _failed, 0.0, (LOG,), then="the performance is left out"),
    Check("performance broken", "fixity, channels, plan", _unplayable, 0.0, (LOG,), then="left out until mended"),
    Check("no plan", "the planner's process", _unplanned, 60.0, (LOG,), then="started again every 30 s"),
    Check("above plan", "gain of the governor", _governed, 1.0, (LOG,), then="the governor goes on keeping the caps"),
    Check("log", "errors of the state folder", _log, 0.0, (LOG,), then="a week of rows waits in memory"),
    Check("disk", "share of the disk that is free", _disk, 0.0, (LOG,)),
    Check("memory", "resident memory", _memory, 60.0, (LOG, RESTART)),
    Check("heat", "the hottest sensor", _hot, 60.0, (LOG,)),
    Check("clock", "time service, battery clock, steps", _clock, 0.0, (LOG,), then="as `when_clock_is_unsure` says"),
    Check("control port", "datagrams beyond the allowance", _flooded, 5.0, (LOG,), then="what is too much is dropped"),
)


_HEAD = """\
| check | looks at | bad after | what is done | when that does not help |
| --- | --- | --- | --- | --- |"""


def table() -> str:
    """The checks as a Markdown table."""
    rows = (
        f"| {check.name} | {check.looks_at} | {check.for_s:g} s | {', then '.join(check.remedies)} | {check.then} |"
        for check in CHECKS
    )
    return "\n".join([_HEAD, *rows])
