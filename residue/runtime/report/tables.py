"""The figures of a report as CSV: UTF-8, comma, a header of names with units, local times in ISO 8601."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from io import StringIO
from typing import Any
from zoneinfo import ZoneInfo

from residue.runtime.journal.log import LevelRow
from residue.runtime.report.days import ReportedDay
from residue.schedule.spans import local

_LEFT_OUT = {"boot", "up_s", "sent", "outputs"}


def tables(days: Sequence[ReportedDay], zone: ZoneInfo) -> Mapping[str, str]:
    """The content of each file by its name."""
    minutes = [_logged(row, zone) | _of_outputs(row) for day in days for row in day.logged.minutes]
    seconds = [_logged(row, zone) for day in days for row in day.logged.seconds]
    events = [_logged(event, zone) for day in days for event in day.logged.events]
    found = {
        "days.csv": [_day(day) for day in days],
        "caps.csv": [row for day in days for row in _caps(day, zone)],
        "minutes.csv": minutes,
        "seconds.csv": seconds,
        "events.csv": events,
        "openings.csv": [row for day in days for row in _openings(day, zone)],
        "planned.csv": [{"day": day.date.isoformat(), **asdict(one)} for day in days for one in day.planned],
        "trims.csv": [row for day in days for row in _trims(day, zone)],
    }
    return {name: _csv(rows) for name, rows in found.items() if rows}


def _csv(rows: Iterable[Mapping[str, Any]]) -> str:
    rows = list(rows)
    names = list(dict.fromkeys(name for row in rows for name in row))
    text = StringIO()
    writer = csv.DictWriter(text, names, restval="")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def _logged(row: Any, zone: ZoneInfo) -> dict[str, Any]:
    kept = {name: value for name, value in asdict(row).items() if name not in _LEFT_OUT}
    return {"time": _time(datetime.fromisoformat(kept.pop("utc")), zone), **kept}


def _of_outputs(row: LevelRow) -> dict[str, Any]:
    outputs = json.loads(row.outputs).items()
    return {f"{name} {column}": value for name, levels in outputs for column, value in levels.items()}


def _time(moment: datetime, zone: ZoneInfo) -> str:
    return local(moment, zone).isoformat(timespec="seconds")


def _day(day: ReportedDay) -> dict[str, Any]:
    exposure, felt, sideways = day.exposure, day.vibrations, day.horizontal
    return {
        "day": day.date.isoformat(),
        "open_h": round(day.open_h, 2),
        "played_h": round(day.played_h, 2),
        "log_covers_percent": day.covered.percent,
        "hours_from": _source(day),
        "every_cap_kept": day.kept,
        "lex_8h_dba": exposure and round(exposure.lex_8h_db, 1),
        "lex_8h_limit_dba": min((cap.limit for cap in day.staff_limits.values()), default=None),
        "niosh_dose_percent": exposure and round(exposure.niosh_percent, 1),
        "osha_dose_percent": exposure and round(exposure.osha_percent, 1),
        "osha_twa_dba": exposure and exposure.osha_percent and round(exposure.osha_twa_db, 1),
        "a8_m_per_s2": felt and round(felt.a8_m_per_s2, 3),
        "vdv_m_per_s1.75": felt and round(felt.vdv, 2),
        "a8_horizontal_m_per_s2": sideways and round(sideways.a8_m_per_s2, 3),
        "vdv_horizontal_m_per_s1.75": sideways and round(sideways.vdv, 2),
        "interventions": len(day.interventions),
        "faults": len(day.faults),
    }


def _caps(day: ReportedDay, zone: ZoneInfo) -> Iterable[dict[str, Any]]:
    for one in day.courses:
        level, at = one.highest or (None, None)
        yield {
            "day": day.date.isoformat(),
            "cap": one.cap.name,
            "limit": one.cap.limit,
            "margin_db": one.cap.margin_db,
            "unit": one.cap.unit,
            "in_force_from": one.since and _time(one.since, zone),
            "in_force_until": one.until and _time(one.until, zone),
            "caps_from": "log" if day.caps_from_log else "present files",
            "highest": None if level is None else round(level, 2),
            "at": None if at is None else _time(at, zone),
            "kept": one.kept,
            "from_rows_every_s": one.every_s,
        }


def _source(day: ReportedDay) -> str:
    if day.reported is None:
        return "not known"
    return "log" if day.hours_from_log else "present files"


def _openings(day: ReportedDay, zone: ZoneInfo) -> Iterable[dict[str, Any]]:
    for one in day.reported or ():
        yield {
            "day": day.date.isoformat(),
            "opens": _time(one.opening.opens, zone),
            "closes": _time(one.opening.closes, zone),
            "why": one.opening.why,
            "trim_db": one.opening.terms.trim_db,
            "performances": " ".join(one.opening.terms.performances),
            "log_covers_percent": one.covered.percent,
            "hours_from": _source(day),
        }


def _trims(day: ReportedDay, zone: ZoneInfo) -> Iterable[dict[str, Any]]:
    for one in day.trims:
        yield {
            "day": day.date.isoformat(),
            "begins": _time(one.begins, zone),
            "ends": _time(one.ends, zone),
            "trim_db": one.trim_db,
            "asked_for_by": one.by,
        }
