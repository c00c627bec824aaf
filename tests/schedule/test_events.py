from __future__ import annotations

from contextlib import suppress
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.problems import ProblemError, Severity
from residue.schedule import events
from residue.schedule.calendar import Calendar
from residue.schedule.calendar_file import Meaning
from residue.schedule.hours import Hours, calendar
from residue.schedule.opening import EventTerms
from residue.schedule.tables import EventWords

BERLIN = ZoneInfo("Europe/Berlin")
HOURS = {"time_zone": "Europe/Berlin", "programme": {"performances": ["first-batch"]}}


def event(*lines: str, uid: str = "1") -> str:
    return "\n".join(("BEGIN:VEVENT", f"UID:{uid}", "DTSTAMP:20260101T000000Z", *lines, "END:VEVENT"))


def timed(day: str, begins: str, ends: str, *lines: str, uid: str = "1") -> str:
    zone = "TZID=Europe/Berlin"
    return event(f"DTSTART;{zone}:{day}T{begins}00", f"DTEND;{zone}:{day}T{ends}00", *lines, uid=uid)


def all_day(day: str, *lines: str, uid: str = "1") -> str:
    return event(f"DTSTART;VALUE=DATE:{day}", *lines, uid=uid)


def file(folder: Path, *parts: str) -> Path:
    path = folder / "hours.ics"
    whole = "\n".join(("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//bakery//EN", *parts, "END:VCALENDAR", ""))
    path.write_bytes(whole.replace("\n", "\r\n").encode())
    return path


def by(path: Path, **more: object) -> Calendar:
    read = events.read(path, BERLIN)
    return calendar(msgspec.convert(HOURS | more, Hours), read.everyday, read.private_views)


def told(answers: Calendar, first: str, days: int) -> list[str]:
    return [
        f"{one.opens:%a %d %H:%M} {one.closes:%a %d %H:%M} {one.why}"
        for one in answers.openings(date.fromisoformat(first), days)
    ]


@pytest.mark.parametrize(
    ("part", "meaning"),
    [
        (timed("20260303", "1000", "1800", "SUMMARY:Bakery"), ["Tue 03 10:00 Tue 03 18:00 Bakery"]),
        (timed("20260303", "1000", "1800"), ["Tue 03 10:00 Tue 03 18:00 calendar"]),
        (timed("20260303", "1000", "1800", "SUMMARY:CLOSED for repairs"), []),
        (timed("20260303", "1000", "1800", "SUMMARY:Heute geschlossen"), []),
        (timed("20260303", "1000", "1800", "SUMMARY:Disclosed"), ["Tue 03 10:00 Tue 03 18:00 Disclosed"]),
        (
            timed("20260303", "1000", "1800", "SUMMARY:not closed", "CATEGORIES:Open"),
            ["Tue 03 10:00 Tue 03 18:00 not closed"],
        ),
        (timed("20260303", "1000", "1800", "SUMMARY:x", "STATUS:CANCELLED"), []),
        (all_day("20260303", "SUMMARY:Open all day"), ["Tue 03 00:00 Wed 04 00:00 Open all day"]),
        (all_day("20260303", "SUMMARY:The flour is delivered"), []),
    ],
)
def test_an_event_means_what_its_words_say(tmp_path: Path, part: str, meaning: list[str]) -> None:
    assert told(by(file(tmp_path, part)), "2026-03-02", 3) == meaning


def test_closed_takes_time_from_the_open_hours_but_not_from_a_private_view(tmp_path: Path) -> None:
    path = file(
        tmp_path,
        timed("20260302", "1000", "1800", "SUMMARY:Open", "RRULE:FREQ=DAILY", uid="1"),
        timed("20260303", "1200", "1300", "SUMMARY:Closed for lunch", uid="2"),
        all_day("20260304", "SUMMARY:Closed", uid="3"),
        timed(
            "20260304",
            "1900",
            "2100",
            "SUMMARY:Private view",
            "DESCRIPTION:Trim: -6 dB\\nperformances: a\\, b",
            uid="4",
        ),
    )
    answers = by(path)
    assert told(answers, "2026-03-02", 3) == [
        "Mon 02 10:00 Mon 02 18:00 Open",
        "Tue 03 10:00 Tue 03 12:00 Open",
        "Tue 03 13:00 Tue 03 18:00 Open",
        "Wed 04 19:00 Wed 04 21:00 Private view",
    ]
    private = answers.openings(date(2026, 3, 4), 1)[0].terms
    assert (private.trim_db, private.performances) == (-6.0, ("a", "b"))


def test_an_exception_in_hours_toml_holds_instead_of_the_calendar(tmp_path: Path) -> None:
    path = file(tmp_path, timed("20260302", "1000", "1800", "SUMMARY:Open", "RRULE:FREQ=DAILY;COUNT=3"))
    answers = by(path, exception=[{"date": "2026-03-03", "open": ["20:00-22:00"]}])
    assert told(answers, "2026-03-02", 3) == [
        "Mon 02 10:00 Mon 02 18:00 Open",
        "Tue 03 20:00 Tue 03 22:00 exception",
        "Wed 04 10:00 Wed 04 18:00 Open",
    ]


def test_times_without_a_zone_are_those_of_the_place(tmp_path: Path) -> None:
    floating = event("DTSTART:20260303T100000", "DTEND:20260303T180000", uid="1")
    in_utc = event("DTSTART:20260304T100000Z", "DTEND:20260304T180000Z", uid="2")
    assert told(by(file(tmp_path, floating, in_utc)), "2026-03-03", 2) == [
        "Tue 03 10:00 Tue 03 18:00 calendar",
        "Wed 04 11:00 Wed 04 19:00 calendar",
    ]


def test_events_of_a_calendar_with_a_zone_of_its_own_are_placed_by_it(tmp_path: Path) -> None:
    """A VTIMEZONE whose name is in no database, as some calendar programs write it."""
    own_zone = "\n".join(
        (
            *("BEGIN:VTIMEZONE", "TZID:Bakery Time", "BEGIN:STANDARD", "DTSTART:19700101T000000"),
            *("TZOFFSETFROM:+0300", "TZOFFSETTO:+0300", "END:STANDARD", "END:VTIMEZONE"),
        )
    )
    part = event("DTSTART;TZID=Bakery Time:20260303T100000", "DTEND;TZID=Bakery Time:20260303T180000")
    assert told(by(file(tmp_path, own_zone, part)), "2026-03-03", 1) == ["Tue 03 08:00 Tue 03 16:00 calendar"]


def test_a_zone_of_the_same_name_in_a_later_file_is_that_of_the_file(tmp_path: Path) -> None:
    """As when a calendar program mends its own VTIMEZONE while the house runs."""
    part = event("DTSTART;TZID=Oven Time:20260303T100000", "DTEND;TZID=Oven Time:20260303T180000")
    for offset, wanted in (("+0300", "Tue 03 08:00 Tue 03 16:00"), ("+0200", "Tue 03 09:00 Tue 03 17:00")):
        standard = ("BEGIN:STANDARD", "DTSTART:19700101T000000", f"TZOFFSETFROM:{offset}", f"TZOFFSETTO:{offset}")
        zone = "\n".join(("BEGIN:VTIMEZONE", "TZID:Oven Time", *standard, "END:STANDARD", "END:VTIMEZONE"))
        assert told(by(file(tmp_path, zone, part)), "2026-03-03", 1) == [f"{wanted} calendar"]


def test_an_endless_rule_is_answered_decades_later(tmp_path: Path) -> None:
    path = file(tmp_path, timed("20260303", "1000", "1800", "RRULE:FREQ=WEEKLY"))
    assert told(by(path), "2056-02-29", 2) == ["Tue 29 10:00 Tue 29 18:00 calendar"]


def test_what_is_left_aside_is_said(tmp_path: Path) -> None:
    """RFC 5545, 3.6.1: an event with a time and no end is over at once."""
    path = file(
        tmp_path,
        all_day("20260303", "SUMMARY:The flour is delivered"),
        event("DTSTART:20260303T090000", "SUMMARY:Ring the miller", uid="2"),
        event("DTSTART:20260303T090000", "DTEND:20260303T090000", "SUMMARY:Ring the miller", uid="3"),
        timed("20260303", "1000", "1800", "SUMMARY:Bread tasting", "STATUS:CANCELLED", uid="4"),
    )
    read = events.read(path, BERLIN)
    assert [(finding.severity, str(finding)) for finding in read.findings] == [
        (Severity.NOTES, f"hours.ics: Left aside, as it {why}.")
        for why in (
            "lasts all day and says neither open nor closed: 'The flour is delivered'",
            "has no length: 'Ring the miller' (2 events)",
            "is cancelled: 'Bread tasting'",
        )
    ]
    assert read.said(date(2026, 3, 3), 1) == []


def test_each_title_is_told_with_how_it_was_taken(tmp_path: Path) -> None:
    trim = "DESCRIPTION:trim: -9 dB"
    path = file(
        tmp_path,
        timed("20260303", "1000", "1800", "SUMMARY:Kneading", uid="1"),
        timed("20260304", "1000", "1800", "SUMMARY:Kneading", uid="2"),
        timed("20260305", "1000", "1800", "SUMMARY:Kneading", trim, uid="3"),
        timed("20260306", "1000", "1100", "SUMMARY:Geschlossen", uid="4"),
        timed("20260306", "1900", "2100", "SUMMARY:Vernissage", "DESCRIPTION:performances: a", uid="5"),
    )
    assert [str(finding) for finding in events.read(path, BERLIN).findings] == [
        "hours.ics: Taken as open: 'Kneading' (2 events).",
        "hours.ics: Taken as open, 9 dB lower: 'Kneading'.",
        "hours.ics: Taken as closed: 'Geschlossen'.",
        "hours.ics: Taken as private view, plays a: 'Vernissage'.",
    ]


START, END = "DTSTART;TZID=Europe/Berlin:20260303T100000", "DTEND;TZID=Europe/Berlin:20260303T180000"


@pytest.mark.parametrize(
    ("part", "message"),
    [
        pytest.param(
            event(START, "SUMMARY:Open"),
            "The event 'Open' of 2026-03-03 has no end. Give it one: a house that opens must know when to close.",
            id="without end",
        ),
        pytest.param(
            event(START, "DTEND;TZID=Europe/Berlin:20260303T090000", "SUMMARY:Open"),
            "The event 'Open' of 2026-03-03 ends before it begins. Set its end after its start.",
            id="end before start",
        ),
        pytest.param(event("SUMMARY:Open"), "The event 'Open' has no start. Give it a date.", id="without start"),
        pytest.param(
            event("DTSTART;TZID=Nowhere/Land:20260303T100000", "DTEND;TZID=Nowhere/Land:20260303T180000", "SUMMARY:A"),
            "The event 'A' of 2026-03-03 is in the time zone 'Nowhere/Land', which is unknown. "
            "Choose a zone such as Europe/Berlin.",
            id="unknown zone",
        ),
        pytest.param(
            event(START, END, "SUMMARY:A", "RRULE:FREQ=MINUTELY"),
            "The event 'A' of 2026-03-03 is repeated minutely. A house opens daily, weekly, monthly or yearly.",
            id="every minute",
        ),
        pytest.param(
            event(START, END, "SUMMARY:A", "RRULE:FREQ=DAILY;INTERVAL=0"),  # RFC 5545, 3.3.10: a positive integer
            "The event 'A' of 2026-03-03 is repeated without a step between. "
            "Leave INTERVAL out of its rule, or write 1 or more.",
            id="no step",
        ),
        pytest.param(
            event(START, END, "SUMMARY:A", "RRULE:FREQ=SOMETIMES"),
            "The event 'A' has a RRULE that cannot be read: Expected frequency, got: SOMETIMES. "
            "Save it again in the calendar program.",
            id="broken rule",
        ),
        pytest.param(
            event(START, END, f"SUMMARY;X={9_999 * 'a;'}:open"),
            "The event '' has a line that cannot be read: Content line could not be parsed into parts: "
            f"'SUMMARY;X={52 * 'a;'}…. Save it again in the calendar program.",
            id="long line",
        ),
        pytest.param(
            event(START, END, f"SUMMARY:{9_999 * 'a'}", "RRULE:FREQ=MINUTELY"),
            f"The event '{160 * 'a'}…' of 2026-03-03 is repeated minutely. "
            "A house opens daily, weekly, monthly or yearly.",
            id="long title",
        ),
        pytest.param(
            event(START, "DTEND;VALUE=DATE:20260304", "SUMMARY:A"),
            "The event 'A' of 2026-03-03 has a date at one end and a time at the other. "
            "Give it two dates, or two times.",
            id="date and time",
        ),
        pytest.param(
            event(START, "DTEND:20260303T180000", "SUMMARY:A"),
            "The event 'A' of 2026-03-03 names a time zone at one end only. Give both ends the same zone.",
            id="one zone",
        ),
        pytest.param(
            event(START, END, "SUMMARY:Private view", "DESCRIPTION:trim: 6 dB"),
            "The event 'Private view' of 2026-03-03 asks for a trim of 6 dB. "
            "A trim only lowers: write one from -40 to 0, such as trim: -6 dB.",
            id="louder",
        ),
    ],
)
def test_an_event_that_cannot_be_relied_on_is_refused_with_line_and_date(
    tmp_path: Path, part: str, message: str
) -> None:
    good = timed("20260303", "1000", "1800", uid="2")
    with pytest.raises(ProblemError) as caught:
        events.read(file(tmp_path, good, part), BERLIN)
    assert str(caught.value) == f"hours.ics: line 10: {message}"


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(ProblemError) as caught:
        events.read(file(tmp_path, event("SUMMARY:A"), event("SUMMARY:B", uid="2")), BERLIN)
    assert len(caught.value.findings) == 2


WHOLE = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\n" + timed("20260303", "1000", "1800") + "\r\nEND:VCALENDAR\r\n"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        pytest.param(
            b"",
            "hours.ics: The file is empty. Export the calendar again, or remove the file to use hours.toml alone.",
            id="empty",
        ),
        pytest.param(
            WHOLE.encode("utf-16"),
            "hours.ics: line 1: This is not UTF-8 text. Export the calendar as UTF-8.",
            id="UTF-16",
        ),
        pytest.param(
            WHOLE.replace("UID:1", "SUMMARY:Geöffnet").encode("latin-1"),
            "hours.ics: line 4: This is not UTF-8 text. Export the calendar as UTF-8.",
            id="Latin-1",
        ),
        pytest.param(WHOLE[:-20].encode(), "hours.ics: There is no calendar in this file.", id="cut short"),
        pytest.param(b"the ovens are cold", "hours.ics: This is not a whole iCalendar file", id="another file"),
        pytest.param(
            WHOLE.replace("BEGIN:VEVENT", "BEGIN:VTIMEZON\r\nTZID:Oven\r\nEND:VTIMEZONE\r\nBEGIN:VEVENT").encode(),
            "hours.ics: Its events cannot be worked out",
            id="a slip in the name of a component",
        ),
        pytest.param(
            (timed("20260310", "1000", "1800") + "\r\n" + WHOLE).encode(),
            "hours.ics: 2 events begin in it, and 1 are whole. Export the calendar again.",
            id="an event before the calendar begins",
        ),
        pytest.param(b"x" * 4_000_001, "hours.ics: The file is larger than 4 MB. Export only the hours.", id="huge"),
        pytest.param(
            b"BEGIN:VCALENDAR\n" + b"BEGIN:VEVENT\nEND:VEVENT\n" * 100_000 + b"END:VCALENDAR\n",
            "hours.ics: There are 100000 events, more than 5000. Export only the hours of the house.",
            id="100,000 events",
        ),
    ],
)
def test_a_file_that_cannot_be_relied_on_is_refused(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "hours.ics"
    path.write_bytes(content)
    with pytest.raises(ProblemError) as caught:
        events.read(path, BERLIN)
    assert str(caught.value).startswith(message)


GARBLED = (
    "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nBEGIN:VTIMEZONE\r\nTZID:Oven\r\nBEGIN:STANDARD\r\nDTSTART:19701025T030000\r\n"
    "TZOFFSETFROM:+0200\r\nTZOFFSETTO:+0100\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n"
    + timed("20260303", "1000", "1800", "RRULE:FREQ=WEEKLY;BYDAY=TU", "EXDATE:20260310T100000", "SUMMARY:Open")
    + "\r\n"
    + timed("20260317", "1000", "1800", "RECURRENCE-ID:20260317T100000", "SUMMARY:Closed")
    + "\r\nEND:VCALENDAR\r\n"
).split("\r\n")


SLIPS = st.sampled_from(["delete", "double", "swap", "cut"])


@given(st.lists(st.tuples(SLIPS, st.integers(0, 99), st.integers(0, 99))))
def test_a_file_that_somebody_garbled_is_read_or_refused_and_nothing_else(
    tmp_path_factory: pytest.TempPathFactory, slips: list[tuple[str, int, int]]
) -> None:
    lines = GARBLED.copy()
    for slip, one, other in slips:
        at, to = one % len(lines), other % len(lines)
        if slip == "delete" and len(lines) > 1:
            del lines[at]
        elif slip == "double":
            lines.insert(to, lines[at])
        elif slip == "swap":
            lines[at], lines[to] = lines[to], lines[at]
        else:
            lines[at] = lines[at][: other % 20] + lines[to][one % 20 :]
    path = tmp_path_factory.mktemp("garbled") / "hours.ics"
    path.write_text("\r\n".join(lines), encoding="utf-8")
    with suppress(ProblemError):
        assert isinstance(events.read(path, BERLIN).said(date(2026, 3, 1), 40), list)


def test_a_file_that_is_gone_is_told(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="The file cannot be read: No such file or directory"):
        events.read(tmp_path / "hours.ics", BERLIN)


def view(described: str) -> str:
    return timed("20260303", "1900", "2100", "SUMMARY:Preview", f"DESCRIPTION:{described}", uid="1")


@pytest.mark.parametrize(
    ("described", "trim_db", "performances"),
    [
        ("trim: -6 dB", -6.0, ()),
        ("Trim = −4\\,5", -4.5, ()),
        ("trim:-3dB\\nPerformance: second-batch", -3.0, ("second-batch",)),
        ("<p>trim: -6 dB</p>performances: first-batch\\, second-batch<br>wine", -6.0, ("first-batch", "second-batch")),
        (
            "<b>trim</b>: <i>-6 dB</i><br><b>performances:</b> first-batch<span>\\, second-batch</span>",
            -6.0,
            ("first-batch", "second-batch"),
        ),
        ("Bread is trimmed by hand.", 0.0, ()),
    ],
)
def test_a_private_view_says_its_terms_as_people_write_them(
    tmp_path: Path, described: str, trim_db: float, performances: tuple[str, ...]
) -> None:
    read = events.read(file(tmp_path, view(described)), BERLIN, {"first-batch", "second-batch"})
    assert list(read.terms) == [EventTerms(trim_db, performances)]


NOT_UNDERSTOOD = "which is not understood. Write the level as trim: -9 dB, once, and what is played as performances:"


@pytest.mark.parametrize(
    ("described", "message"),
    [
        ("performances: secund-batch", 'a performance "secund-batch", which there is not. Did you mean second-batch?'),
        (
            "trim: -41 dB",
            "asks for a trim of -41 dB. A trim only lowers: write one from -40 to 0, such as trim: -6 dB.",
        ),
        ("trim: a little", f'says "trim: a little", {NOT_UNDERSTOOD}'),
        ("trim -9", f'says "trim -9", {NOT_UNDERSTOOD}'),
        ("trim -9 dB", f'says "trim -9 dB", {NOT_UNDERSTOOD}'),
        ("leiser: -9 dB", f'says "leiser: -9 dB", {NOT_UNDERSTOOD}'),
        ("leiser: -9", f'says "leiser: -9", {NOT_UNDERSTOOD}'),
        ("Lautstärke 50 %", f'says "Lautstärke 50 %", {NOT_UNDERSTOOD}'),
        ("nur 50% Lautstärke", f'says "50% Lautstärke", {NOT_UNDERSTOOD}'),
        ("trim: minus 6 dB", f'says "trim: minus 6 dB", {NOT_UNDERSTOOD}'),
        ("<p>Volume: 3</p>", f'says "Volume: 3", {NOT_UNDERSTOOD}'),
        ("trimm: -9", f'says "trimm: -9", {NOT_UNDERSTOOD}'),
        ("tirm: -9", f'says "tirm: -9", {NOT_UNDERSTOOD}'),
        ("at most 75 dB(A)", f'says "75 dB(A)", {NOT_UNDERSTOOD}'),
        ("trim: -6 dB\\nno: -9 dB", f'says "-9 dB", {NOT_UNDERSTOOD}'),
        ("trim: -6 dB\\ntrim: -9 dB", f'says "trim: -9 dB and trim: -6 dB", {NOT_UNDERSTOOD}'),
        ("performances:", f'says "performances:", {NOT_UNDERSTOOD}'),
        ("preformances: second-batch", f'says "preformances: second-batch", {NOT_UNDERSTOOD}'),
        ("Es läuft: second-batch", f'says "Es läuft: second-batch", {NOT_UNDERSTOOD}'),
        ("Stücke: second-batch", f'says "Stücke: second-batch", {NOT_UNDERSTOOD}'),
        ("performances second-batch", f'says "performances second-batch", {NOT_UNDERSTOOD}'),
        ("Bread at 9. Time: 10:00\\nTrip: 5 stops\\nlower floor 2", None),
        ("trim: -6 dB (that is 6 dB lower)", None),
    ],
)
@pytest.mark.parametrize("title", ["Preview", "Bakery"])
def test_terms_that_cannot_be_meant_are_refused_on_any_event(
    tmp_path: Path, title: str, described: str, message: str | None
) -> None:
    part = timed("20260303", "1900", "2100", f"SUMMARY:{title}", f"DESCRIPTION:{described}")
    known = {"first-batch", "second-batch"}
    if message is None:
        assert events.read(file(tmp_path, part), BERLIN, known)
        return
    with pytest.raises(ProblemError) as raised:
        events.read(file(tmp_path, part), BERLIN, known)
    [finding] = raised.value.findings
    assert str(finding).startswith(f"hours.ics: line 4: The event '{title}' of 2026-03-03 ")
    assert message in str(finding)


def test_a_trim_in_the_title_holds(tmp_path: Path) -> None:
    path = file(tmp_path, timed("20260303", "1900", "2100", "SUMMARY:Open\\, trim: -9 dB"))
    assert [one.terms for one in by(path).openings(date(2026, 3, 3), 1)] == [EventTerms(-9.0)]


def test_a_trim_on_a_note_stops_and_on_a_closed_event_does_not_matter(tmp_path: Path) -> None:
    """Who writes a level into a note for a whole day wants a quieter day; the note would be left aside."""
    closed = all_day("20260304", "SUMMARY:Closed", "DESCRIPTION:-9 dB outside", uid="2")
    assert events.read(file(tmp_path, closed), BERLIN)
    with pytest.raises(ProblemError, match="has a trim or performances, and says neither open nor closed"):
        events.read(file(tmp_path, all_day("20260303", "SUMMARY:Quiet day", "DESCRIPTION:trim: -9 dB")), BERLIN)


@pytest.mark.parametrize(
    ("title", "said"),
    [
        ("Geschlosen", '"geschlosen" is nearly "geschlossen".'),
        ("Geschlossene Gesellschaft", '"geschlossene" is nearly "geschlossen".'),
        ("The bakery closes", '"closes" is nearly "closed".'),
        ("Ferme\N{COMBINING ACUTE ACCENT}", None),  # as some file systems and programs part letters: closed
        ("Fermentation", None),
        ("Disclosed", None),
        ("Geschlossene Gesellschaft, open", None),
    ],
)
@pytest.mark.parametrize("on", [all_day("20260303"), timed("20260303", "1000", "1800")], ids=["all day", "timed"])
def test_a_title_that_is_nearly_closed_stops(tmp_path: Path, title: str, said: str | None, on: str) -> None:
    path = file(tmp_path, on.replace("UID:1", f"UID:1\nSUMMARY:{title}"))
    if said is None:
        assert events.read(path, BERLIN)
        return
    with pytest.raises(ProblemError) as raised:
        events.read(path, BERLIN)
    assert f"of 2026-03-03 may mean closed: {said}" in str(raised.value)


@pytest.mark.parametrize(
    "title", ["本日閉館", "Gesloten", "GESLOTEN wegens feestdag", "Ferme\N{COMBINING ACUTE ACCENT}"]
)
def test_words_for_closed_can_be_set(tmp_path: Path, title: str) -> None:
    own = EventWords(closed=("閉館", "Gesloten"), open=("Degustation",))
    path = file(tmp_path, all_day("20260303", f"SUMMARY:{title}"), all_day("20260304", "SUMMARY:Degustation", uid="2"))
    said = [(one.meaning, one.piece.opens.day) for one in events.read(path, BERLIN, own=own).said(date(2026, 3, 3), 2)]
    assert said == [(Meaning.CLOSED, 3), (Meaning.OPEN, 4)]


def test_a_performance_does_not_run_on_into_an_event_that_closes_the_house(tmp_path: Path) -> None:
    """As for a speech; at the end of the day it may."""
    path = file(
        tmp_path,
        timed("20260303", "1000", "1800", "SUMMARY:Bakery", uid="1"),
        timed("20260303", "1200", "1230", "SUMMARY:Closed\\, a speech", uid="2"),
    )
    openings = by(path).openings(date(2026, 3, 3), 1)
    assert [(f"{one.opens:%H:%M}-{one.closes:%H:%M}", one.then_silent) for one in openings] == [
        ("10:00-12:00", True),
        ("12:30-18:00", False),
    ]


def test_a_trim_of_the_day_holds_for_its_events_unless_theirs_is_quieter(tmp_path: Path) -> None:
    path = file(
        tmp_path,
        timed("20260303", "1000", "1200", "DESCRIPTION:trim: -3 dB", uid="1"),
        timed("20260303", "1300", "1400", "DESCRIPTION:trim: -12 dB\\nperformances: a", uid="2"),
        timed("20260303", "1500", "1600", uid="3"),
    )
    quiet = {"weekday": "tue", "trim_db": -6, "performances": ["b"]}
    assert [one.terms for one in by(path, exception=[quiet]).openings(date(2026, 3, 3), 1)] == [
        EventTerms(-6.0, ("b",)),
        EventTerms(-12.0, ("a",)),
        EventTerms(-6.0, ("b",)),
    ]


def test_a_fault_of_hundreds_of_events_takes_ten_lines(tmp_path: Path) -> None:
    parts = [timed("20260303", "1000", "1800", "DESCRIPTION:leiser: -9 dB", uid=str(n)) for n in range(308)]
    with pytest.raises(ProblemError) as raised:
        events.read(file(tmp_path, *parts, event("SUMMARY:A", uid="x")), BERLIN)
    lines = [str(finding) for finding in raised.value.findings]
    assert len(lines) == 11  # ten for these, and one for the event without a start
    assert lines[9].startswith("hours.ics: … and 299 more of this kind. Write the level as")


def test_an_exception_holds_on_its_day_whatever_runs_into_it(tmp_path: Path) -> None:
    """A night belongs to the day before it. What begins on a closed day is closed, though it would join."""
    night = event("DTSTART:20260307T200000", "DTEND:20260308T110000", uid="1")
    sunday = event("DTSTART:20260308T110000", "DTEND:20260308T180000", uid="2")
    answers = by(file(tmp_path, night, sunday), exception=[{"date": "2026-03-08", "open": []}])
    assert told(answers, "2026-03-07", 2) == ["Sat 07 20:00 Sun 08 11:00 calendar"]


def test_an_event_over_days_is_parted_at_midnight_for_exceptions(tmp_path: Path) -> None:
    """Over the night of 29 March 2026, in which Europe/Berlin has no hour from 2 to 3 (IANA database)."""
    days = event("DTSTART:20260327T180000", "DTEND:20260330T130000")
    answers = by(file(tmp_path, days), exception=[{"date": "2026-03-28", "open": []}])
    assert told(answers, "2026-03-27", 4) == [
        "Fri 27 18:00 Sat 28 00:00 calendar",
        "Sun 29 00:00 Mon 30 00:00 calendar",
        "Mon 30 00:00 Mon 30 13:00 calendar",
    ]


def test_of_events_that_overlap_the_quieter_is_heard(tmp_path: Path) -> None:
    path = file(
        tmp_path,
        timed("20260303", "1000", "1800", "DESCRIPTION:trim: -3 dB", uid="1"),
        timed("20260303", "1400", "1500", "SUMMARY:Talk", "DESCRIPTION:trim: -12 dB", uid="2"),
    )
    openings = by(path).openings(date(2026, 3, 3), 1)
    assert [(f"{one.opens:%H}-{one.closes:%H}", one.terms.trim_db) for one in openings] == [
        ("10-14", -3.0),
        ("14-15", -12.0),
        ("15-18", -3.0),
    ]


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "hours.ics"
    path.write_bytes(b"\xef\xbb\xbf" + WHOLE.encode())
    assert told(by(path), "2026-03-03", 1) == ["Tue 03 10:00 Tue 03 18:00 calendar"]
