"""The report as one HTML page: it loads nothing from elsewhere, and prints on A4."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from html import escape
from zoneinfo import ZoneInfo

import residue
from residue.installation.room import Room
from residue.loudness.caps.caps import expand
from residue.loudness.caps.rules import RULES
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.calibration import Calibration
from residue.page.page_parts import table
from residue.runtime.report.cells import figure, openings_in_words, percent, verdict
from residue.runtime.report.coverage import together
from residue.runtime.report.days import ReportedDay, Vibrations
from residue.runtime.report.house import ReportedHouse
from residue.runtime.report.page_of_day import day_on_page
from residue.schedule.spans import local

_STYLE = """
@page { size: A4; margin: 16mm; }
body { font: 10.5pt/1.45 "DejaVu Sans", Helvetica, Arial, sans-serif; color: #1c1c1c; max-width: 190mm; }
body { margin: 8mm auto; }
h1 { font-size: 18pt; margin: 0 0 2mm; } h2 { font-size: 13pt; margin: 8mm 0 2mm; border-bottom: 1px solid #999; }
h3 { font-size: 10.5pt; margin: 5mm 0 1mm; } p { margin: 1mm 0 2mm; }
table { border-collapse: collapse; width: 100%; font-size: 9pt; margin: 1mm 0 3mm; }
th, td { text-align: left; vertical-align: top; padding: 0.8mm 2mm 0.8mm 0; border-bottom: 1px solid #ddd; }
tbody th { font-weight: normal; } td.n, th.n { text-align: right; white-space: nowrap; }
tr { break-inside: avoid; } thead { display: table-header-group; }
img { width: 100%; break-inside: avoid; } .kept { color: #24602f; } .passed { color: #b00020; font-weight: bold; }
.small { font-size: 8.5pt; color: #444; } section.day { break-before: page; }
"""
_CAUTION = (
    "The levels in this report are those of what the program sent, carried to the visitor's place by the calibration "
    "named below. They are not measured in the room: an output, an amplifier or a door that was changed since then is "
    "not in them, nor is what visitors, music next door or another place in the room add. Local rules, and a qualified "
    "person who knows them, decide what is allowed; this report is a help for that person."
)
_EXPOSURE = (
    "LEX,8h: daily noise exposure of an attendant who stays at the visitor's place all day, without hearing protection "
    "and without any other noise (ISO 1999; Directive 2003/10/EC: action values 80 and 85 dB(A), limit 87). NIOSH: "
    "dose by publication 98-126; 100 % is 85 dB(A) for 8 h, at 3 dB. OSHA: dose by 29 CFR 1910.95(d); 100 % is "
    "90 dB(A) for 8 h, at 5 dB, from 80 dB(A) on, of means over a minute; 50 % is the action level. A(8): Directive "
    "2002/44/EC, action value 0.5 m/s², limit 1.15 m/s²."
)


def page(
    house: ReportedHouse, days: Sequence[ReportedDay], pictures: Mapping[str, bytes], now: datetime, zone: ZoneInfo
) -> str:
    """The page. pictures: PNGs by the ISO date of the day."""
    body = "\n".join(
        [
            *_head(house, days, local(now, zone), zone),
            *_overview(days, zone),
            *_room(house),
            *(line for day in days for line in day_on_page(day, pictures[day.date.isoformat()], zone)),
        ]
    )
    title = f"Levels, {escape(house.title)}, {_span(days)}"
    head = f'<meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>{title}</title>'
    top = f'<!doctype html>\n<html lang="en"><head>{head}<style>{_STYLE}</style></head>'
    return f"{top}\n<body>\n{body}\n</body></html>\n"


def _span(days: Sequence[ReportedDay]) -> str:
    first, last = days[0].date, days[-1].date
    return f"{first:%d %B %Y}" if first == last else f"{first:%d %B %Y} to {last:%d %B %Y}"


def _unbroken(text: str) -> str:
    return text.replace(" ", "\N{NO-BREAK SPACE}")


def _as_far_as(days: Sequence[ReportedDay]) -> str:
    """The limits of the verdict."""
    silent = sum(day.kept is None for day in days)
    doubtful = sum(any(one.unknown for one in day.courses) for day in days)
    lacks = [f"nothing of {silent} of {len(days)} days"] if silent else []
    lacks += [f"rows of {doubtful} days that do not tell of every cap"] if doubtful else []
    return f", as far as the log tells: it has {' and '.join(lacks)}" if lacks else ""


def _head(house: ReportedHouse, days: Sequence[ReportedDay], now: datetime, zone: ZoneInfo) -> Iterator[str]:
    yield f"<h1>Level report: {escape(house.title)}</h1>"
    yield f"<p>{escape(house.room.place)}, {_span(days)}.</p>"
    if all(day.kept is None for day in days):
        yield "<p><b>no verdict</b>: the log has nothing of what is asked for</p>"
    else:
        yield f"<p><b>{verdict(one for day in days for one in day.courses)}</b>{_as_far_as(days)}</p>"
        yield f"<p>{together(day.covered for day in days).words}</p>"
    for warning in _doubts(house, days):
        yield f"<p>{escape(warning)}</p>"
    yield f'<p class="small">{escape(_CAUTION)}</p>'
    yield (
        f'<p class="small">Made {now:%d %B %Y %H:%M} by residue {residue.__version__}; digest of software, piece, '
        f"room, hours and performances as they are now: {house.mark}. Times are those of {escape(zone.key)}.</p>"
    )


def _doubts(house: ReportedHouse, days: Sequence[ReportedDay]) -> Iterator[str]:
    """Sentences on what the report does not rest on the log for, or could not read."""
    yield from dict.fromkeys(damage for day in days for damage in day.damages)
    by_files = [day for day in days if day.reported is not None and not day.hours_from_log]
    if by_files:
        yield f"The log does not tell the hours that were in force on {_listed(by_files)}: the present files do."
    with_log = [day for day in days if day.logged.minutes]
    if by_room := [day for day in with_log if not day.caps_from_log]:
        yield f"The log does not tell the caps that were in force on {_listed(by_room)}: the present room.toml does."
    present = {one.cap for one in house.caps_said.caps}
    if others := [day for day in with_log if {one.cap for one in day.courses} != present]:
        yield (
            f"Other caps than those of the present room.toml were in force on {_listed(others)}. Each day is held "
            "against the caps that were in force then; a cap that changed within a day has a line for each limit."
        )
    if unknown := [day for day in days if day.reported is None]:
        yield f"The hours of {_listed(unknown)} are not known: neither the log nor a present file tells them."
    for finding in house.broken:
        yield f"A file of the installation is broken, and stops nothing here: {finding}"


def _listed(days: Sequence[ReportedDay]) -> str:
    return f"{days[0].date:%d %b %Y}" if len(days) == 1 else f"{len(days)} days from {days[0].date:%d %b %Y} on"


def _overview(days: Sequence[ReportedDay], zone: ZoneInfo) -> Iterator[str]:
    yield "<h2>The days</h2>"
    sideways = any(one.cap.quantity.weighting is Weighting.WD for day in days for one in day.courses)
    head = [
        "day",
        "open by the hours",
        "played",
        "log covers",
        "caps",
        "LEX,8h",
        "NIOSH",
        "OSHA",
        "A(8)",
        *(["A(8) horizontal"] if sideways else []),
        "interventions",
        "faults",
    ]
    rows = [
        [
            _unbroken(f"{day.date:%a %d %b %Y}"),
            _unbroken(openings_in_words(day, zone)).replace(",\N{NO-BREAK SPACE}", ", "),
            f"{day.played_h:.1f} h",
            percent(day.covered),
            verdict(day.courses) if day.logged.minutes else "no log",
            figure(day.exposure.lex_8h_db) + " dB(A)" if day.exposure else "–",
            figure(day.exposure.niosh_percent, ".1f") + " %" if day.exposure else "–",
            figure(day.exposure.osha_percent, ".1f") + " %" if day.exposure else "–",
            _daily(day.vibrations),
            *([_daily(day.horizontal)] if sideways else []),
            str(len(day.interventions)),
            str(len(day.faults)),
        ]
        for day in days
    ]
    yield table(head, rows, (2, 3, *range(5, len(head))))
    yield f'<p class="small">{escape(_EXPOSURE)}</p>'


def _daily(felt: Vibrations | None) -> str:
    return figure(felt.a8_m_per_s2, ".2f") + " m/s²" if felt else "–"


def _room(house: ReportedHouse) -> Iterator[str]:
    yield "<h2>Room and caps</h2>"
    rows = []
    for name, output in house.outputs.items():
        known, felt = output.calibration, output.vibration
        read = _read(known) if known else "none"
        if (low := output.low_band) is not None:
            read += f"; {low.low_hz:g} to 40 Hz {low.read_db:g} dB({low.weighting}) at {low.played_dbfs:g} dBFS"
        shaken = f"{felt.read_aw_m_per_s2:g} m/s² at {felt.played_dbfs:g} dBFS, {felt.on:%d %b %Y}" if felt else "none"
        day = f"{known.on:%d %B %Y}" if known else "–"
        rows.append([name, output.transducer, day, read, shaken, f"{output.ceiling_dbtp:g} dBTP"])
    yield table(["output", "kind", "calibrated on", "the meter read", "vibration", "ceiling"], rows)
    yield f"<p>{escape(_measurement(house.room))}</p>"
    rows, margins_db = [], (house.room.margin_db, house.room.felt_margin_db)
    for entry in house.room.cap:
        rule = RULES.get(entry.rule or "")
        source = f"{rule.source}, {rule.dated}. {rule.wording}" if rule else "Of the house."
        rows += [[cap.name, cap.limit_in_words, source] for cap in expand([entry], *margins_db)]
    yield table(["cap in room.toml at the time of this report", "limit", "source"], rows)


def _read(known: Calibration) -> str:
    repeated = "" if known.readings is None else f", mean of {known.readings} readings"
    spread = "" if known.spread_db is None else f" that spread by {known.spread_db:g} dB"
    loudest = (
        "" if known.loudest_dba is None else f"; at the loudest place {known.loudest_dba:g} and {known.loudest_dbc:g}"
    )
    background = (
        ""
        if known.background_dba is None or known.background_dbc is None
        else f"; nothing playing {known.background_dba:g} and {known.background_dbc:g}"
    )
    read = f"{known.read_dba:g} dB(A), {known.read_dbc:g} dB(C) at {known.played_dbfs:g} dBFS"
    return f"{read}{repeated}{spread}{loudest}{background}"


def _measurement(room: Room) -> str:
    """A sentence or two on the meter, its checks and the margin."""
    margin = f"Caps in dB at an ear are kept {room.margin_db:g} dB lower than they are written"
    margin += f", and those on vibration {room.felt_margin_db:g} dB." if room.felt_margin_db else "."
    if (held := room.measurement) is None:
        return f"{margin} room.toml does not say which meter read the levels."
    by = f" by {held.by}" if held.by else ""
    serial = f", {held.serial}" if held.serial else ""
    checks = [("before", held.calibrator_before_db), ("after", held.calibrator_after_db)]
    checked = " and ".join(f"{db:g} dB {when}" for when, db in checks if db is not None)
    calibrator = f"read {checked} of a field calibrator" if checked else "was not checked with a field calibrator"
    return f"Measured{by} with a meter of class {held.meter_class} (IEC 61672-1){serial}. It {calibrator}. {margin}"
