"""The days of the level log, summed up for a report."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from residue.loudness.caps.caps import Cap
from residue.loudness.caps.quantities import HORIZONTAL_TIMES
from residue.loudness.caps.rules import RULES
from residue.loudness.meters.exposure import NIOSH, OSHA_HEARING_CONSERVATION, daily_exposure_db
from residue.loudness.meters.vibration import combined_vdv, daily_vibration
from residue.notices.messenger import TOLD
from residue.runtime.journal.event_kinds import (
    CALIBRATED,
    ENDED,
    IN_STEP,
    NOT_PROVEN,
    OUT_OF_STEP,
    PROVEN,
    READ_AGAIN,
    STARTED,
    STOOD,
)
from residue.runtime.journal.log import EventRow, LevelRow
from residue.runtime.journal.reading import Logged, LogReader
from residue.runtime.report.caps_then import LONGEST_WINDOW, CapThen, always, caps_then
from residue.runtime.report.courses import Course, course
from residue.runtime.report.coverage import Coverage, coverage, together
from residue.runtime.report.hours_then import OpeningThen, hours_then, said_in
from residue.runtime.report.house import ReportedHouse
from residue.runtime.report.planned import PlannedAndPlayed, going_on_at, planned_and_played
from residue.runtime.report.plays import PlayedPerformance, Trimmed, played, trims
from residue.schedule.agenda import AgendaEntry
from residue.schedule.opening import Opening
from residue.schedule.spans import instant
from residue.schedule.tour import zone_called

_BY_PEOPLE = {"hold", "release", "trim", "next", "hours", "swap", CALIBRATED}
_ROUTINE = {
    "closed",
    "opening",
    "playing",
    "resting",
    "switched",
    STARTED,
    ENDED,
    "in force",
    "notes",
    READ_AGAIN,
    PROVEN,
    IN_STEP,
    TOLD,
}
"""Events of an ordinary day, which the report omits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """The exposure of an attendant who stays at the visitor's place all day."""

    lex_8h_db: float
    niosh_percent: float
    osha_percent: float
    osha_twa_db: float


@dataclass(frozen=True, slots=True)
class Vibrations:
    """The vibration for a person who stays on the floor or seat all day."""

    a8_m_per_s2: float
    """Of horizontal vibration with its factor of 1.4."""
    vdv: float


@dataclass(frozen=True, slots=True)
class OpeningReported:
    """An opening, and how much of it the log covers."""

    opening: Opening
    covered: Coverage


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedDay:
    """One local day, as the level log shows it.

    reported: by the hours in force on that day; None where nobody knows them. hours_from_log, caps_from_log: whether
    the log tells them, or else the present files. damages: a sentence on each damage of the log that was met.
    """

    date: date
    start: datetime
    end: datetime
    reported: Sequence[OpeningReported] | None
    hours_from_log: bool
    logged: Logged
    courses: Sequence[Course]
    """Of each cap that was in force on that day."""
    caps_from_log: bool
    plays: Sequence[PlayedPerformance]
    planned: Sequence[PlannedAndPlayed]
    trims: Sequence[Trimmed]
    physical: bool
    exposure: Exposure | None
    """None where levels at the ear are not known, or there was no sound."""
    vibrations: Vibrations | None
    """Up and down."""
    horizontal: Vibrations | None
    damages: Sequence[str] = ()

    @property
    def openings(self) -> Sequence[Opening]:
        """The openings that began on this day."""
        return [one.opening for one in self.reported or ()]

    @property
    def covered(self) -> Coverage:
        """How much of the open time the log covers."""
        return together(one.covered for one in self.reported or ())

    @property
    def open_h(self) -> float:
        """The open time in hours, by the curator's hours."""
        return sum((opening.closes - opening.opens).total_seconds() for opening in self.openings) / 3600.0

    @property
    def played_h(self) -> float:
        """The played time in hours, by the level log."""
        return sum(row.duration_s for row in self.logged.minutes if row.performance is not None) / 3600.0

    @property
    def kept(self) -> bool | None:
        """Whether every cap was kept, by the log; None where the log has no rows of the day."""
        return all(one.kept for one in self.courses) if self.logged.minutes else None

    @property
    def staff_limits(self) -> Mapping[str, Cap]:
        """By the published rules for staff that room.toml names: the cap on what LEX,8h tells."""
        of_rules = [(one.cap.name.partition(",")[0], one.cap) for one in self.courses]
        return {
            rule: cap
            for rule, cap in of_rules
            if rule in RULES and RULES[rule].protects == "staff" and cap.quantity.name == "LAeq"
        }

    @property
    def interventions(self) -> list[EventRow]:
        """Actions of people on this day."""
        return [event for event in self.logged.events if event.kind in _BY_PEOPLE or event.sender]

    @property
    def faults(self) -> list[EventRow]:
        """Faults and the actions against them."""
        return [event for event in self.logged.events if event.kind not in _BY_PEOPLE | _ROUTINE and not event.sender]

    @property
    def proofs(self) -> list[EventRow]:
        """What a measuring microphone heard of the outputs."""
        return [event for event in self.logged.events if event.kind in {PROVEN, NOT_PROVEN}]

    @property
    def steps(self) -> list[EventRow]:
        """How the room stood in step with others; of what is told of one time again and again, the last."""
        shown: dict[str, EventRow] = {}
        for event in self.logged.events:
            if event.kind in {IN_STEP, OUT_OF_STEP}:
                since, stood, _ = event.text.partition(STOOD)
                shown[since if stood else event.utc] = event
        return sorted(shown.values(), key=lambda event: event.utc)

    @property
    def starts(self) -> list[EventRow]:
        """Starts and ends of the program, and the installation in force."""
        return [event for event in self.logged.events if event.kind in {STARTED, "in force", ENDED}]


def days(house: ReportedHouse, log: LogReader, first: date, last: date, now: datetime) -> Iterator[ReportedDay]:
    """The days from the first to the last. now: open time after it is not missed. Raises sqlite3.Error or OSError."""
    zone = zone_of(house, log)
    for n in range((last - first).days + 1):
        yield _day(house, log, first + timedelta(days=n), zone, now)


def zone_of(house: ReportedHouse, log: LogReader) -> ZoneInfo:
    """The zone of the place, by the present hours or else by the last ones in the log; else UTC."""
    if house.calendar is not None:
        return house.calendar.zone
    row = log.last_hours()
    said = None if row is None else said_in(row)
    return ZoneInfo("UTC") if said is None else zone_called(said.zone)


def _day(house: ReportedHouse, log: LogReader, day: date, zone: ZoneInfo, now: datetime) -> ReportedDay:
    start, end = instant(day, 0, zone), instant(day + timedelta(days=1), 0, zone)
    told = caps_then(log.caps_between(start - LONGEST_WINDOW, end), start, end)
    caps = [always(one) for one in house.caps_said.caps] if told is None else told
    longest = timedelta(seconds=max((one.said.window_s for one in caps), default=0.0))
    then = hours_then(day, log.hours_between(start, end), house.calendar, zone)
    openings = [] if then is None else then.openings
    closes = max((one.opening.closes for one in openings), default=end)
    # Longer than the day: a window may begin on the day before, and an opening may end on the day after.
    around = log.between(start - longest, max(end, closes))
    logged = around.within(start, end)
    minutes = logged.minutes
    physical = bool(minutes) and all(row.physical for row in minutes)
    plays = played(minutes, zone)
    return ReportedDay(
        date=day,
        start=start,
        end=end,
        reported=None if then is None else [_reported(one.opening, around, now) for one in openings],
        hours_from_log=then is not None and then.from_log,
        logged=logged,
        courses=[_course(one, around, start, end) for one in caps],
        caps_from_log=told is not None,
        plays=plays,
        planned=planned_and_played(
            [*_reaching_into(start, day, house, log, zone), *openings],
            plays,
            start,
            end,
            zone,
            until=now,
            going_on=_going_on(openings, start, log),
        ),
        trims=trims(minutes, logged.events, zone),
        physical=physical,
        exposure=_exposure(minutes) if physical else None,
        vibrations=_vibrations([(row.aw_ms2, row.vdv, row.duration_s) for row in minutes]),
        horizontal=_vibrations(
            [(row.aw_horizontal_ms2, row.vdv_horizontal, row.duration_s) for row in minutes], HORIZONTAL_TIMES
        ),
        damages=log.faults,
    )


def _reaching_into(
    start: datetime, day: date, house: ReportedHouse, log: LogReader, zone: ZoneInfo
) -> Iterator[OpeningThen]:
    """The openings of the days before that last into a day; none is longer than two days."""
    for earlier in (day - timedelta(days=back) for back in (2, 1)):
        began = instant(earlier, 0, zone)
        rows = log.hours_between(began, instant(earlier + timedelta(days=1), 0, zone))
        then = hours_then(earlier, rows, house.calendar, zone)
        yield from (one for one in (then.openings if then is not None else ()) if one.opening.closes > start)


def _going_on(openings: Sequence[OpeningThen], start: datetime, log: LogReader) -> AgendaEntry | None:
    """What was under way, or had just ended, where the house was open when the day began."""
    said = next((one.said for one in openings if one.opening.opens == start), None)
    if said is None:
        return None
    a_minute = timedelta(minutes=1)
    rows = log.between(start - timedelta(seconds=said.programme.rest_s) - a_minute, start + a_minute)
    return going_on_at(rows.minutes, start, said.duration_s)


def _course(then: CapThen, logged: Logged, start: datetime, end: datetime) -> Course:
    """The course of a cap over the part of a day in which windows are held against it."""
    found = course(then.said.cap, then.said.ear, logged).within(max(start, then.after), min(end, then.until))
    since = then.begins if then.after > start else None
    return replace(found, since=since, until=then.ends if then.ends < end else None)


def _reported(opening: Opening, logged: Logged, now: datetime) -> OpeningReported:
    return OpeningReported(opening, coverage([(opening.opens, opening.closes)], logged, now))


def _exposure(minutes: Sequence[LevelRow]) -> Exposure | None:
    stay = [(row.laeq_db, row.duration_s / 3600.0) for row in minutes if row.laeq_db is not None]
    if not stay:
        return None
    osha = OSHA_HEARING_CONSERVATION.dose_percent(stay)
    return Exposure(
        lex_8h_db=daily_exposure_db(stay),
        niosh_percent=NIOSH.dose_percent(stay),
        osha_percent=osha,
        osha_twa_db=OSHA_HEARING_CONSERVATION.mean_level_db(osha),
    )


def _vibrations(minutes: Sequence[tuple[float | None, float | None, float]], times: float = 1.0) -> Vibrations | None:
    """minutes: (aw in m/s², VDV, duration in s). times: the factor of A(8)."""
    felt = [(aw_ms2, duration_s / 3600.0) for aw_ms2, _, duration_s in minutes if aw_ms2 is not None]
    if not felt:
        return None
    return Vibrations(times * daily_vibration(felt), combined_vdv([vdv for _, vdv, _ in minutes if vdv is not None]))
