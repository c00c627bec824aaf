"""The report as one HTML page: it loads nothing from elsewhere, and prints on A4."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from html import escape
from zoneinfo import ZoneInfo

import residue
from residue.installation.load import Installation
from residue.installation.room import Room
from residue.loudness.caps.caps import expand
from residue.loudness.caps.rules import RULES
from residue.loudness.outputs.calibration import Calibration
from residue.runtime.journal.log import EventRow
from residue.runtime.planning.preparation import sounding_outputs
from residue.runtime.report.courses import Course
from residue.runtime.report.days import PlayedPerformance, ReportedDay
from residue.schedule.agenda import closing_time
from residue.schedule.spans import local

_STYLE = """
@page { size: A4; margin: 16mm; }
body { font: 10.5pt/1.45 "DejaVu Sans", Helvetica, Arial, sans-serif; color: #1c1c1c; max-width: 190mm; }
body { margin: 8mm auto; }
h1 { font-size: 18pt; margin: 0 0 2mm; } h2 { font-size: 13pt; margin: 8mm 0 2mm; border-bottom: 1px solid #999; }
h3 { font-size: 10.5pt; margin: 5mm 0 1mm; } p { margin: 1mm 0 2mm; }
table { border-collapse: collapse; width: 100%; font-size: 9pt; margin: 1mm 0 3mm; }
th, td { text-align: left; vertical-align: top; padding: 0.8mm 2mm 0.8mm 0; border-bottom: 1px solid #ddd; }
td.n, th.n { text-align: right; white-space: nowrap; }
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
    installation: Installation, days: Sequence[ReportedDay], pictures: Mapping[str, bytes], mark: str, now: datetime
) -> str:
    """The page. pictures: PNGs by the ISO date of the day; mark: the digest of the installation in force now."""
    zone = installation.calendar.zone
    body = "\n".join(
        [
            *_head(installation, days, mark, local(now, zone)),
            *_overview(days, zone),
            *_room(installation),
            *(line for day in days for line in _day(day, pictures[day.date.isoformat()], zone)),
        ]
    )
    title = f"Levels, {escape(installation.piece.title)}, {_span(days)}"
    head = f'<meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>{title}</title>'
    top = f'<!doctype html>\n<html lang="en"><head>{head}<style>{_STYLE}</style></head>'
    return f"{top}\n<body>\n{body}\n</body></html>\n"


def _span(days: Sequence[ReportedDay]) -> str:
    first, last = days[0].date, days[-1].date
    return f"{first:%d %B %Y}" if first == last else f"{first:%d %B %Y} to {last:%d %B %Y}"


def _table(head: Sequence[str], rows: Iterable[Sequence[str]], numbers: Sequence[int] = ()) -> str:
    """A table whose cells are HTML. numbers: the columns with figures."""

    def row(cells: Sequence[str], tag: str) -> str:
        marked = (f"<{tag}{' class=n' if n in numbers else ''}>{cell}</{tag}>" for n, cell in enumerate(cells))
        return f"<tr>{''.join(marked)}</tr>"

    body = "".join(row(cells, "td") for cells in rows)
    return f"<table><thead>{row(head, 'th')}</thead><tbody>{body}</tbody></table>"


def _figure(value: float | None, form: str = ".1f") -> str:
    return "–" if value is None or value in (float("inf"), float("-inf")) else f"{value:{form}}"


def _unbroken(text: str) -> str:
    return escape(text).replace(" ", "&nbsp;")


def _verdict(courses: Iterable[Course]) -> str:
    passed = [one.cap.name for one in courses if not one.kept]
    if passed:
        return f'<span class="passed">exceeded: {escape(", ".join(passed))}</span>'
    return '<span class="kept">every cap kept</span>'


def _as_far_as(days: Sequence[ReportedDay]) -> str:
    """The limits of the verdict."""
    silent = sum(day.kept is None for day in days)
    doubtful = sum(any(one.unknown for one in day.courses) for day in days)
    lacks = [f"nothing of {silent} of {len(days)} days"] if silent else []
    lacks += [f"rows of {doubtful} days that do not tell of every cap"] if doubtful else []
    return f", as far as the log tells: it has {' and '.join(lacks)}" if lacks else ""


def _head(installation: Installation, days: Sequence[ReportedDay], mark: str, now: datetime) -> Iterator[str]:
    yield f"<h1>Level report: {escape(installation.piece.title)}</h1>"
    yield f"<p>{escape(installation.room.place)}, {_span(days)}.</p>"
    if all(day.kept is None for day in days):
        yield "<p><b>no verdict</b>: the log has nothing of what is asked for</p>"
    else:
        yield f"<p><b>{_verdict(one for day in days for one in day.courses)}</b>{_as_far_as(days)}</p>"
    yield f'<p class="small">{escape(_CAUTION)}</p>'
    yield (
        f'<p class="small">Made {now:%d %B %Y %H:%M} by residue {residue.__version__}; digest of software, piece, '
        f"room, hours and performances as they are now: {mark}. Times are those of "
        f"{escape(str(installation.calendar.zone))}.</p>"
    )


def _overview(days: Sequence[ReportedDay], zone: ZoneInfo) -> Iterator[str]:
    yield "<h2>The days</h2>"
    head = ["day", "open by the hours", "played", "caps", "LEX,8h", "NIOSH", "OSHA", "A(8)", "interventions", "faults"]
    rows = [
        [
            _unbroken(f"{day.date:%a %d %b %Y}"),
            _unbroken(_openings(day, zone)).replace(",&nbsp;", ", "),
            f"{day.played_h:.1f} h",
            _verdict(day.courses) if day.logged.minutes else "no log",
            _figure(day.exposure.lex_8h_db) + " dB(A)" if day.exposure else "–",
            _figure(day.exposure.niosh_percent, ".1f") + " %" if day.exposure else "–",
            _figure(day.exposure.osha_percent, ".1f") + " %" if day.exposure else "–",
            _figure(day.vibrations.a8_m_per_s2, ".2f") + " m/s²" if day.vibrations else "–",
            str(len(day.interventions)),
            str(len(day.faults)),
        ]
        for day in days
    ]
    yield _table(head, rows, (2, 4, 5, 6, 7, 8, 9))
    yield f'<p class="small">{escape(_EXPOSURE)}</p>'


def _openings(day: ReportedDay, zone: ZoneInfo) -> str:
    spans = [f"{local(one.opens, zone):%H:%M}–{closing_time(one, zone)}" for one in day.openings]
    return ", ".join(spans) or "closed"


def _room(installation: Installation) -> Iterator[str]:
    yield "<h2>Room and caps</h2>"
    rows = []
    for name, output in sounding_outputs(installation).items():
        known, felt = output.calibration, output.vibration
        read = _read(known) if known else "none"
        if (low := output.low_band) is not None:
            read += f"; {low.low_hz:g} to 40 Hz {low.read_db:g} dB({low.weighting}) at {low.played_dbfs:g} dBFS"
        shaken = f"{felt.read_aw_m_per_s2:g} m/s² at {felt.played_dbfs:g} dBFS, {felt.on:%d %b %Y}" if felt else "none"
        day = f"{known.on:%d %B %Y}" if known else "–"
        rows.append([escape(name), output.transducer, day, read, shaken, f"{output.ceiling_dbtp:g} dBTP"])
    yield _table(["output", "kind", "calibrated on", "the meter read", "vibration", "ceiling"], rows)
    yield f"<p>{escape(_measurement(installation.room))}</p>"
    rows, margin_db = [], installation.room.margin_db
    for entry in installation.room.cap:
        rule = RULES.get(entry.rule or "")
        source = f"{rule.source}, {rule.dated}. {rule.wording}" if rule else "Of the house."
        rows += [[escape(cap.name), escape(cap.limit_in_words), escape(source)] for cap in expand([entry], margin_db)]
    yield _table(["cap in room.toml at the time of this report", "limit", "source"], rows)


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
    margin = f"Caps in dB at an ear are kept {room.margin_db:g} dB lower than they are written."
    if (held := room.measurement) is None:
        return f"{margin} room.toml does not say which meter read the levels."
    by = f" by {held.by}" if held.by else ""
    serial = f", {held.serial}" if held.serial else ""
    checks = [("before", held.calibrator_before_db), ("after", held.calibrator_after_db)]
    checked = " and ".join(f"{db:g} dB {when}" for when, db in checks if db is not None)
    calibrator = f"read {checked} of a field calibrator" if checked else "was not checked with a field calibrator"
    return f"Measured{by} with a meter of class {held.meter_class} (IEC 61672-1){serial}. It {calibrator}. {margin}"


def _day(day: ReportedDay, picture: bytes, zone: ZoneInfo) -> Iterator[str]:
    yield f'<section class="day"><h2>{day.date:%A %d %B %Y}</h2>'
    yield f"<p>Open by the hours: {escape(_openings(day, zone))}. Played for {day.played_h:.1f} h.</p>"
    if not day.logged.minutes:
        yield "<p>The level log has nothing of this day: the program did not run, or its log was lost.</p></section>"
        return
    unit = "dB re 20 µPa at the visitor's place" if day.physical else "dBFS: levels at the ear are unknown"
    yield f'<p class="small">Levels in {unit}.</p>'
    yield f'<img alt="Levels of the day against each cap" src="data:image/png;base64,{b64encode(picture).decode()}">'
    yield "<h3>Nearest approach to each cap</h3>"
    yield _table(["cap", "highest", "window ended", "", "by rows of"], (_approach(one, zone) for one in day.courses))
    if day.exposure:
        doses = f"{day.exposure.niosh_percent:.1f} % of NIOSH's dose, {day.exposure.osha_percent:.1f} % of OSHA's"
        lex_db = day.exposure.lex_8h_db
        yield f"<p>An attendant who stayed all day received LEX,8h {lex_db:.1f} dB(A): {doses}.</p>"
        for rule, cap in day.staff_limits.items():
            kept, word = ("kept", "kept") if lex_db <= cap.limit else ("passed", "exceeded")
            verdict = f'<span class="{kept}">{word}</span>'
            yield f"<p>{rule} allows LEX,8h {cap.limit_in_words}: {verdict} on this day.</p>"
    if day.vibrations:
        yield (
            f"<p>Who stayed on the floor or seat all day received A(8) {day.vibrations.a8_m_per_s2:.2f} m/s², "
            f"VDV {day.vibrations.vdv:.1f} m/s<sup>1.75</sup>.</p>"
        )
    yield "<h3>What was played</h3>"
    yield _table(_PLAYED, (_played(play) for play in day.plays), range(1, len(_PLAYED)))
    for title, events in (("What people did", day.interventions), ("Faults", day.faults), ("Starts", day.starts)):
        yield f"<h3>{title}</h3>"
        yield _events(events, zone) if events else "<p>Nothing.</p>"
    yield "</section>"


def _approach(one: Course, zone: ZoneInfo) -> Sequence[str]:
    at = "–" if one.highest is None else f"{local(one.highest[1], zone):%H:%M:%S}"
    kept = '<span class="kept">kept</span>' if one.kept else '<span class="passed">passed</span>'
    told = f"{one.every_s} s" + (f"; {one.unknown} rows do not tell" if one.unknown else "")
    return [escape(one.cap.name), escape(one.words), at, kept, told]


_PLAYED = [
    "performance", "from", "to", "LAeq", "LCeq", "LAFmax", "LCpeak", "LUFS", "LU", "dBTP", "plan dB", "governor dB",
]  # fmt: skip


def _played(play: PlayedPerformance) -> Sequence[str]:
    levels = (play.laeq_db, play.lceq_db, play.laf_max_db, play.lc_peak_db, play.integrated_lufs)
    figures = (*levels, play.loudness_range_lu, play.true_peak_dbtp, play.plan_gain_db, play.governor_gain_db)
    return [
        escape(play.name),
        f"{play.begins:%H:%M:%S}",
        f"{play.ends:%H:%M:%S}",
        *(_figure(value) for value in figures),
    ]


def _events(events: Iterable[EventRow], zone: ZoneInfo) -> str:
    rows = [
        [
            f"{local(datetime.fromisoformat(event.utc), zone):%H:%M:%S}",
            escape(event.kind),
            escape(event.text),
            escape(event.sender or ""),
        ]
        for event in events
    ]
    return _table(["time", "what", "in words", "asked for by"], rows)
