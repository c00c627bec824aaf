"""One day on the report's page: levels, openings, what was played, and what happened."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from html import escape
from math import inf
from zoneinfo import ZoneInfo

from residue.page.page_parts import Html, image, table
from residue.runtime.journal.log import EventRow
from residue.runtime.report.cells import figure, openings_in_words, percent
from residue.runtime.report.courses import Course
from residue.runtime.report.days import OpeningReported, ReportedDay
from residue.runtime.report.folded_events import FoldedEvents, folded
from residue.runtime.report.planned import PlannedAndPlayed
from residue.runtime.report.plays import PlayedPerformance
from residue.schedule.agenda import closing_time
from residue.schedule.spans import local

_MOST_GAPS = 5
_PLANNED = ["performance", "planned, times", "planned, h", "played, times", "played, h"]
_PLAYED = [
    "performance", "from", "to", "LAeq", "LCeq", "LAFmax", "LCpeak", "LUFS", "LU", "dBTP", "plan dB", "governor dB",
]  # fmt: skip


def day_on_page(day: ReportedDay, picture: bytes, zone: ZoneInfo) -> Iterator[str]:
    """The section of a day, line by line. picture: a PNG."""
    yield f'<section class="day"><h2>{day.date:%A %d %B %Y}</h2>'
    yield f"<p>Open by the hours: {escape(openings_in_words(day, zone))}. Played for {day.played_h:.1f} h.</p>"
    if day.logged.minutes:
        yield from _levels(day, picture, zone)
    else:
        yield "<p>The level log has nothing of this day: the program did not run, or its log was lost.</p>"
    yield from _opened(day, zone)
    yield "<h3>What was played</h3>"
    yield table(_PLANNED, (_compared(one) for one in day.planned), range(1, len(_PLANNED)))
    yield table(_PLAYED, (_played(play) for play in day.plays), range(1, len(_PLAYED)))
    if day.proofs:
        yield "<h3>What the microphone heard of the outputs</h3>"
        yield _events(day.proofs, zone)
    if day.steps:
        yield "<h3>In step with other rooms</h3>"
        yield _events(day.steps, zone)
    for title, events in (("What people did", day.interventions), ("Faults", day.faults), ("Starts", day.starts)):
        yield f"<h3>{title}</h3>"
        yield _events(events, zone) if events else "<p>Nothing.</p>"
    yield "</section>"


def _levels(day: ReportedDay, picture: bytes, zone: ZoneInfo) -> Iterator[str]:
    unit = "dB re 20 µPa at the visitor's place" if day.physical else "dBFS: levels at the ear are unknown"
    yield f'<p class="small">Levels in {unit}.</p>'
    yield image(picture, "Levels of the day against each cap")
    yield "<h3>Nearest approach to each cap</h3>"
    yield table(["cap", "highest", "window ended", "", "by rows of"], (_approach(one, zone) for one in day.courses))
    if day.exposure:
        doses = f"{day.exposure.niosh_percent:.1f} % of NIOSH's dose, {day.exposure.osha_percent:.1f} % of OSHA's"
        lex_db = day.exposure.lex_8h_db
        yield f"<p>An attendant who stayed all day received LEX,8h {lex_db:.1f} dB(A): {doses}.</p>"
        for rule, cap in day.staff_limits.items():
            kept, word = ("kept", "kept") if lex_db <= cap.limit else ("passed", "exceeded")
            verdict = f'<span class="{kept}">{word}</span>'
            yield f"<p>{rule} allows LEX,8h {cap.limit_in_words}: {verdict} on this day.</p>"
    for felt, way in ((day.vibrations, ""), (day.horizontal, " horizontal")):
        if felt:
            yield (
                f"<p>Who stayed on the floor or seat all day received A(8){way} {felt.a8_m_per_s2:.2f} m/s², "
                f"VDV{way} {felt.vdv:.1f} m/s<sup>1.75</sup>.</p>"
            )


def _opened(day: ReportedDay, zone: ZoneInfo) -> Iterator[str]:
    """The openings one by one, private views among them, what the log lacks of them, and what people lowered."""
    if day.reported is None:
        yield "<h3>Openings</h3><p>Not known: neither the log nor a present file tells them.</p>"
    else:
        yield from _openings(day, zone)
    if day.trims:
        yield "<h3>Lowered by people</h3>"
        rows = (
            [f"{one.begins:%H:%M:%S}", f"{one.ends:%H:%M:%S}", f"{-one.trim_db:g} dB", one.by or "not known"]
            for one in day.trims
        )
        yield table(["from", "to", "by", "asked for by"], rows)


def _openings(day: ReportedDay, zone: ZoneInfo) -> Iterator[str]:
    source = "by the hours that were in force" if day.hours_from_log else "by the present files: the log does not tell"
    yield f"<h3>Openings, {source}</h3>"
    head = ["from", "to", "why", "lower by", "plays", "log covers", "no rows"]
    yield table(head, (_opening(one, zone) for one in day.reported or ()), (3, 5))


def _opening(one: OpeningReported, zone: ZoneInfo) -> Sequence[str]:
    opening, terms = one.opening, one.opening.terms
    gaps = [f"{local(begins, zone):%H:%M:%S}–{local(ends, zone):%H:%M:%S}" for begins, ends in one.covered.gaps]
    left = f" and {len(gaps) - _MOST_GAPS} more" if len(gaps) > _MOST_GAPS else ""
    return [
        f"{local(opening.opens, zone):%H:%M}",
        closing_time(opening, zone),
        opening.why,
        f"{-terms.trim_db:g} dB" if terms.trim_db else "–",
        ", ".join(terms.performances) or "the programme",
        percent(one.covered),
        ", ".join(gaps[:_MOST_GAPS]) + left,
    ]


def _approach(one: Course, zone: ZoneInfo) -> Sequence[str]:
    at = "–" if one.highest is None else f"{local(one.highest[1], zone):%H:%M:%S}"
    kept = Html('<span class="kept">kept</span>' if one.kept else '<span class="passed">passed</span>')
    told = f"{one.every_s} s" + (f"; {one.unknown} rows do not tell" if one.unknown else "")
    return [one.cap.name + in_force_in_words(one, zone), one.words, at, kept, told]


def in_force_in_words(one: Course, zone: ZoneInfo) -> str:
    """When a cap came into force, and until when it was, where it was not all day."""
    words = [("from", one.since), ("until", one.until)]
    return "".join(f", in force {word} {local(at, zone):%d %b %H:%M}" for word, at in words if at is not None)


def _compared(one: PlannedAndPlayed) -> Sequence[str]:
    times = "not known" if one.planned is None else str(one.planned)
    hours = "not known" if one.planned_h is None else f"{one.planned_h:.2f}"
    return [one.performance, times, hours, str(one.played), f"{one.played_h:.2f}"]


def _played(play: PlayedPerformance) -> Sequence[str]:
    levels = (play.laeq_db, play.lceq_db, play.laf_max_db, play.lc_peak_db, play.integrated_lufs)
    figures = (*levels, play.loudness_range_lu, play.true_peak_dbtp, play.plan_gain_db)
    return [
        play.name,
        f"{play.begins:%H:%M:%S}",
        f"{play.ends:%H:%M:%S}",
        *(figure(value) for value in figures),
        "everything" if play.governor_gain_db == -inf else figure(play.governor_gain_db),
    ]


def _events(events: Iterable[EventRow], zone: ZoneInfo) -> str:
    rows = [[_when(line, zone), line.first.kind, _in_words(line), line.first.sender or ""] for line in folded(events)]
    return table(["time", "what", "in words", "asked for by"], rows)


def _when(line: FoldedEvents, zone: ZoneInfo) -> str:
    first, last = (f"{local(datetime.fromisoformat(row.utc), zone):%H:%M:%S}" for row in (line.first, line.last))
    return first if line.times == 1 else f"{first} to {last}"


def _in_words(line: FoldedEvents) -> str:
    if line.times == 1:
        return line.first.text
    if not line.alike:
        return f"{line.times} more of this kind; events.csv has them all. The last: {line.last.text}"
    return f"{line.times} times. The first: {line.first.text} The last: {line.last.text}"
