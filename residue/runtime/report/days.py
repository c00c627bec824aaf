"""The days of the level log, summed up for a report."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby
from math import inf

from residue.installation.load import Installation
from residue.loudness.caps.caps import Cap, protecting_caps
from residue.loudness.caps.ears import ear_of
from residue.loudness.caps.rules import RULES
from residue.loudness.meters.exposure import NIOSH, OSHA_HEARING_CONSERVATION, daily_exposure_db
from residue.loudness.meters.vibration import combined_vdv, daily_vibration
from residue.loudness.stage.readings import mean_db
from residue.notices.messenger import TOLD
from residue.runtime.journal.event_kinds import CALIBRATED, ENDED, READ_AGAIN, STARTED
from residue.runtime.journal.log import EventRow, LevelLog, LevelRow, Logged
from residue.runtime.planning.preparation import caps, sounding_outputs
from residue.runtime.report.courses import Course, course
from residue.schedule.opening import Opening
from residue.schedule.spans import instant, local

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
    vdv: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedPerformance:
    """One performance as it was played."""

    name: str
    begins: datetime
    ends: datetime
    laeq_db: float
    lceq_db: float
    laf_max_db: float | None
    lc_peak_db: float | None
    integrated_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: float | None
    plan_gain_db: float | None
    governor_gain_db: float
    """The lowest gain of the governor."""


@dataclass(frozen=True, slots=True)
class ReportedDay:
    """One local day, as the level log shows it."""

    date: date
    start: datetime
    end: datetime
    openings: Sequence[Opening]
    logged: Logged
    courses: Sequence[Course]
    plays: Sequence[PlayedPerformance]
    physical: bool
    exposure: Exposure | None
    """None where levels at the ear are not known, or there was no sound."""
    vibrations: Vibrations | None

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
    def starts(self) -> list[EventRow]:
        """Starts and ends of the program, and the installation in force."""
        return [event for event in self.logged.events if event.kind in {STARTED, "in force", ENDED}]


def days(installation: Installation, log: LevelLog, first: date, last: date) -> Iterator[ReportedDay]:
    """The days from the first to the last. Raises sqlite3.Error or OSError."""
    outputs = sounding_outputs(installation)
    every_cap = (*caps(installation), *protecting_caps(outputs))
    keys = {cap: ear_of(cap, outputs).key for cap in every_cap}
    for n in range((last - first).days + 1):
        yield _day(installation, log, first + timedelta(days=n), keys)


def _day(installation: Installation, log: LevelLog, day: date, keys: Mapping[Cap, str]) -> ReportedDay:
    zone = installation.calendar.zone
    start, end = instant(day, 0, zone), instant(day + timedelta(days=1), 0, zone)
    longest = timedelta(seconds=max(cap.window_s for cap in keys))
    before = log.between(start - longest, end)  # because a window may begin on the day before
    logged = log.between(start, end)
    minutes = logged.minutes
    physical = bool(minutes) and all(row.physical for row in minutes)
    return ReportedDay(
        date=day,
        start=start,
        end=end,
        openings=installation.calendar.openings(day, 1),
        logged=logged,
        courses=[course(cap, key, before).within(start, end) for cap, key in keys.items()],
        plays=[
            _play(name, list(rows), installation)
            for name, rows in groupby(minutes, lambda row: row.performance)
            if name
        ],
        physical=physical,
        exposure=_exposure(minutes) if physical else None,
        vibrations=_vibrations(minutes),
    )


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


def _vibrations(minutes: Sequence[LevelRow]) -> Vibrations | None:
    felt = [(row.aw_ms2, row.duration_s / 3600.0) for row in minutes if row.aw_ms2 is not None]
    if not felt:
        return None
    return Vibrations(daily_vibration(felt), combined_vdv([row.vdv for row in minutes if row.vdv is not None]))


def _play(name: str, rows: Sequence[LevelRow], installation: Installation) -> PlayedPerformance:
    zone, durations_s = installation.calendar.zone, [row.duration_s for row in rows]
    first, last = (datetime.fromisoformat(row.utc) for row in (rows[0], rows[-1]))

    def mean(column: str) -> float:
        levels = [getattr(row, column) for row in rows]
        return mean_db([-inf if level is None else level for level in levels], durations_s)

    def most(column: str) -> float | None:
        return max((level for row in rows if (level := getattr(row, column)) is not None), default=None)

    return PlayedPerformance(
        name=name,
        begins=local(first - timedelta(seconds=durations_s[0]), zone),
        ends=local(last, zone),
        laeq_db=mean("laeq_db"),
        lceq_db=mean("lceq_db"),
        laf_max_db=most("laf_max_db"),
        lc_peak_db=most("lc_peak_db"),
        integrated_lufs=rows[-1].integrated_lufs,
        loudness_range_lu=rows[-1].loudness_range_lu,
        true_peak_dbtp=most("true_peak_dbtp"),
        plan_gain_db=rows[-1].plan_gain_db,
        governor_gain_db=min(row.governor_gain_db for row in rows),
    )
