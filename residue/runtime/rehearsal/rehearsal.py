"""A rehearsal: a whole season of a house, shown to the curator in advance."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import groupby
from math import inf, log10
from zoneinfo import ZoneInfo

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.caps.caps import reached_in_words
from residue.runtime.house.house_state import State
from residue.runtime.rehearsal.rehearsed_caps import CapResult, CapSound, kept
from residue.runtime.rehearsal.simulated_faults import simulated_faults
from residue.runtime.rehearsal.simulation import PlayedStretch, Simulation
from residue.schedule.calendar import Calendar, PagedCalendar
from residue.schedule.opening import Opening
from residue.schedule.programme import Programme
from residue.schedule.spans import instant, local

EXPOSURE_S = 8 * 3600.0
"""A working day, over which exposure is stated (ISO 9612:2009, 3.2: L_EX,8h)."""
_LATE_S = 1.0
"""Sound may last so long after a step of the clock out of the opening hours."""


@dataclass(frozen=True)
class PlannedSound:
    """The planned levels of a performance for a visitor who stays for all of it.

    energy: (hops,), A-weighted at the visitor's place, by hop: mean square times seconds, 1 at 0 dB of the unit.
    """

    duration_s: float
    energy: NDArray[np.float64] = field(default_factory=lambda: np.zeros(1))

    def between(self, from_s: float, to_s: float) -> float:
        """The energy of a stretch of it."""
        first, last = (round(place_s / self.duration_s * len(self.energy)) for place_s in (from_s, to_s))
        return float(np.sum(self.energy[first:last]))


@dataclass
class RehearsedDay:
    """One local day of a rehearsed season."""

    date: date
    open_h: float = 0.0
    plays: int = 0
    exposure_db: float | None = None
    """L_EX,8h of a person who stays all day, in the rehearsal's `exposure_unit`; None in silence."""


@dataclass(kw_only=True)
class Rehearsal:
    """The result of a rehearsal."""

    days: list[RehearsedDay]
    open_h: float
    plays: dict[str, int]
    """By performance, the number of starts."""
    cut: dict[str, int]
    """By performance, the number of plays without an end."""
    longest_silence_s: float
    """The longest silence while open, for any reason."""
    longest_outside_s: float
    """The longest sound outside the hours."""
    exposure_unit: str
    """dB(A), or dBFS(A) where the room is not calibrated."""
    caps: list[CapResult]
    clock_changes: list[str]
    faults: list[str]
    """The faults, with the actions of the watchdog."""
    warnings: list[str]


@dataclass(kw_only=True)
class _Watch:
    """Follows a simulation from tick to tick."""

    simulation: Simulation
    silence_s: float = 0.0
    longest_silence_s: float = 0.0
    outside_s: float = 0.0
    longest_outside_s: float = 0.0

    def seen(self, seconds: float) -> None:
        """Counts the present state for so many seconds."""
        house, view = self.simulation.keeper.house, self.simulation.engine.view()
        audible = view.sounding and view.fault is None and self.simulation.engine.stood_s is None
        is_open = house.state is not State.CLOSED
        self.silence_s = self.silence_s + seconds if is_open and not audible else 0.0
        self.outside_s = self.outside_s + seconds if audible and not is_open else 0.0
        self.longest_silence_s = max(self.longest_silence_s, self.silence_s)
        self.longest_outside_s = max(self.longest_outside_s, self.outside_s)


def rehearse(
    calendar: Calendar,
    programme: Programme,
    sounds: Mapping[str, PlannedSound],
    first: date,
    last: date,
    seed: int | None = None,
    caps: Sequence[CapSound] = (),
    doubts: Sequence[str] = (),
    exposure_unit: str = "dB(A)",
) -> Rehearsal:
    """Simulates all days from the first to the last with the house's own code, without sound.

    sounds: every performance in the programme and the private views. seed: for random faults; None for a season without
    faults. caps: those of the room that hold over a window. doubts: oddities of the hours themselves; reported with the
    warnings.
    """
    days = (last - first).days + 1
    openings = calendar.openings(first, days)
    start, end = instant(first, 0, calendar.zone), instant(last + timedelta(days=1), 0, calendar.zone)
    if openings:
        end = max(end, openings[-1].closes + timedelta(seconds=max(sound.duration_s for sound in sounds.values())))
    seconds = (end - start).total_seconds()
    # Not the night before and not the days after: only openings that begin on these days, to their end.
    within = PagedCalendar(calendar.zone, lambda _first, _days: openings)
    happenings = [] if seed is None else simulated_faults(seed, seconds)
    durations_s = {name: sound.duration_s for name, sound in sounds.items()}
    simulation = Simulation(within, programme, durations_s, start, happenings)
    watch = _Watch(simulation=simulation)
    simulation.run(seconds, watch.seen)
    heard = simulation.engine.heard
    told_caps = [kept(cap, heard, start) for cap in caps]
    told = _days(openings, sounds, heard, first, days)
    plays = Counter(one.performance for one in heard if one.from_s == 0.0)
    cut = Counter(one.performance for one in heard if one.to_s < durations_s[one.performance] - 0.1)
    return Rehearsal(
        days=told,
        open_h=round(sum(day.open_h for day in told), 2),
        plays={name: plays[name] for name in sounds},
        cut={name: cut[name] for name in sounds},
        longest_silence_s=round(watch.longest_silence_s, 1),
        longest_outside_s=round(watch.longest_outside_s, 1),
        exposure_unit=exposure_unit,
        caps=told_caps,
        clock_changes=_clock_changes(calendar.zone, first, days),
        faults=[
            f"{local(at, calendar.zone):%a %d %b %H:%M}  {what}"
            for at, kind, what in simulation.log
            if kind in ("befell", "watchdog")
        ],
        warnings=list(doubts) + _warnings(told, plays, cut, sounds, watch) + _cap_warnings(told_caps),
    )


def _days(
    openings: Sequence[Opening],
    sounds: Mapping[str, PlannedSound],
    heard: Sequence[PlayedStretch],
    first: date,
    days: int,
) -> list[RehearsedDay]:
    """Everything is counted for the day on which its opening begins."""
    told = {first + timedelta(days=n): RehearsedDay(first + timedelta(days=n)) for n in range(days)}
    for opening in openings:
        told[opening.opens.date()].open_h += (opening.closes - opening.opens).total_seconds() / 3600.0
    starts = [opening.opens for opening in openings]
    energy: dict[date, float] = defaultdict(float)
    for one in heard:
        day = starts[max(0, bisect_right(starts, one.begins) - 1)].date()
        told[day].plays += 1
        energy[day] += sounds[one.performance].between(one.from_s, one.to_s) * exact.power(10.0, one.trim_db / 10.0)
    for day, total in energy.items():
        told[day].exposure_db = round(10.0 * log10(total / EXPOSURE_S), 1) if total > 0.0 else None
    return list(told.values())


def _clock_changes(zone: ZoneInfo, first: date, days: int) -> list[str]:
    changes = []
    for day in (first + timedelta(days=n) for n in range(days)):
        before, after = instant(day, 0, zone), instant(day + timedelta(days=1), 0, zone)
        if before.utcoffset() != after.utcoffset():
            changes.append(f"{day:%a %d %b %Y}: the day has {(after - before).total_seconds() / 3600:g} hours.")
    return changes


def _warnings(
    days: Sequence[RehearsedDay],
    plays: Mapping[str, int],
    cut: Mapping[str, int],
    sounds: Mapping[str, PlannedSound],
    watch: _Watch,
) -> list[str]:
    found = []
    if not any(day.open_h for day in days):
        found.append("The house is not open on any of these days.")
    for name in sounds:
        if not plays[name]:
            found.append(f"{name} is never played.")
        elif cut.get(name, 0) >= plays[name]:
            found.append(f"{name} never comes to its end.")
    found += [
        f"On {day.date:%a %d %b %Y} it is open, but nothing is played." for day in days if day.open_h and not day.plays
    ]
    if watch.longest_outside_s > _LATE_S:
        found.append(f"It sounded for {watch.longest_outside_s:.1f} s outside the hours.")
    return found


def _cap_warnings(caps: Sequence[CapResult]) -> list[str]:
    return [
        f"{cap.name}: the governor would have to act for {cap.governor_s:g} s; the plan does not cover this order."
        for cap in caps
        if cap.governor_s
    ]


def _weeks(rehearsal: Rehearsal) -> Iterator[str]:
    """A line for each week."""
    for monday, week in groupby(rehearsal.days, lambda day: day.date - timedelta(days=day.date.weekday())):
        days = list(week)
        exposures_db = [day.exposure_db for day in days if day.exposure_db is not None]
        most = f", up to {max(exposures_db):.1f} {rehearsal.exposure_unit} a day" if exposures_db else ""
        open_h, plays = sum(day.open_h for day in days), sum(day.plays for day in days)
        yield f"Week of {monday:%d %b %Y}: open for {open_h:5.1f} h, {plays:4d} plays{most}."


def data(rehearsal: Rehearsal) -> dict[str, object]:
    """The rehearsal as a JSON-ready object."""
    plain: dict[str, object] = msgspec.to_builtins(rehearsal)
    return plain


def words(rehearsal: Rehearsal) -> list[str]:
    """A page that a curator reads."""
    loudest = max(rehearsal.days, key=lambda day: -inf if day.exposure_db is None else day.exposure_db)
    lines = [
        f"{len(rehearsal.days)} days, open for {rehearsal.open_h:.1f} h.",
        *(
            f"{name}: played {count} times, {rehearsal.cut[name]} of them cut."
            for name, count in rehearsal.plays.items()
        ),
        f"Longest silence while open: {rehearsal.longest_silence_s:.0f} s.",
    ]
    if loudest.exposure_db is not None:
        most = f"{loudest.exposure_db:.1f} {rehearsal.exposure_unit} over 8 h"
        lines.append(f"A visitor who stays for all of {loudest.date:%a %d %b} receives most: {most}.")
    lines += [
        f"{cap.name}: at most {reached_in_words(cap.highest, cap.limit, cap.unit)}."
        for cap in rehearsal.caps
        if cap.highest is not None
    ]
    lines += [*rehearsal.clock_changes, *_weeks(rehearsal), *rehearsal.faults]
    return lines + [f"Needs attention: {warning}" for warning in rehearsal.warnings]
