"""The report: what it says of a day agrees with what was logged, reckoned apart from it."""

from __future__ import annotations

import csv
import shutil
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec
import numpy as np
import pytest
from click.testing import CliRunner

from residue.cli import main
from residue.loudness.caps.caps import CapEntry, expand
from residue.problems import ProblemError
from residue.runtime.journal.caps_in_force import CapsRow, caps_said
from residue.runtime.journal.event_kinds import IN_STEP, OUT_OF_STEP
from residue.runtime.journal.log import FILE_NAME, EventRow, LevelLog, timestamp
from residue.runtime.journal.reading import LogReader
from residue.runtime.report.days import ReportedDay, Vibrations, days
from residue.runtime.report.house import ReportedHouse, house_of
from residue.runtime.report.page import page
from residue.runtime.report.page_of_day import day_on_page
from residue.runtime.report.writing import last_day, write_report
from tests.runtime.logged_days import write_day

NIGHT_DOUGH = Path(__file__).parents[3] / "archives" / "night-dough"
DAY = date(2026, 12, 3)  # a Thursday: 10:00-12:30 and 13:00-21:00
OPENS = datetime(2026, 12, 3, 9, 0, tzinfo=UTC)
SECONDS = 1200
NOW = OPENS + timedelta(days=30)


def levels_db() -> np.ndarray:
    """(seconds,): LAeq of each second, as tests.runtime.logged_days has them."""
    place_s = np.arange(SECONDS) % 390
    swelling = 84.0 - 30.0 * (1.0 - place_s / 300.0) + 2.0 * np.sin(np.arange(SECONDS))
    return np.where(place_s < 300, swelling, -np.inf)


@pytest.fixture(scope="module")
def house() -> ReportedHouse:
    return house_of(NIGHT_DOUGH)


@pytest.fixture(scope="module")
def log_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("state") / FILE_NAME
    write_day(path, OPENS, SECONDS)
    return path


@pytest.fixture(scope="module")
def day(house: ReportedHouse, log_path: Path) -> ReportedDay:
    (found,) = days(house, LogReader(log_path), DAY, DAY, NOW)
    return found


def test_each_cap_is_told_over_its_own_window(day: ReportedDay) -> None:
    power = 10 ** (levels_db() / 10)
    for name, window_s, above_a_db in (("who-2022, LAeq over 15 min", 900, 0.0), ("LCeq over 5 min", 300, 8.0)):
        sums = np.convolve(power, np.ones(window_s))[:SECONDS] / window_s
        [course] = [one for one in day.courses if one.cap.name == name]
        assert course.highest is not None
        level, at = course.highest
        assert level == pytest.approx(10 * np.log10(np.max(sums)) + above_a_db, abs=0.02)
        assert at == OPENS + timedelta(seconds=int(np.argmax(sums)) + 1)
        assert course.kept
        assert course.every_s == 1


def test_a_peak_cap_is_told_as_the_highest(day: ReportedDay) -> None:
    [course] = [one for one in day.courses if one.cap.name == "LCpeak"]
    assert course.highest is not None
    assert course.highest[0] == pytest.approx(np.max(levels_db()) + 22.0, abs=0.01)


def test_exposure_and_doses_are_those_of_the_definitions(day: ReportedDay) -> None:
    # ISO 1999, 3.6; NIOSH 98-126, 1.1: equal energy over 8 h, 85 dB(A) being 100 %, at 3 and not 3.01 dB.
    assert day.exposure is not None
    lex = 10 * np.log10(np.sum(10 ** (levels_db() / 10)) / 28_800)
    assert day.exposure.lex_8h_db == pytest.approx(lex, abs=0.02)
    assert day.exposure.niosh_percent == pytest.approx(100 * 10 ** ((lex - 85) / 10), rel=0.02)
    # 29 CFR 1910.95, Appendix A: 100 sum C/T, T = 8 / 2^((L - 90) / 5), from 80 dB(A) on.
    loud = [row.laeq_db for row in day.logged.minutes if row.laeq_db is not None and row.laeq_db >= 80.0]
    hours = [row.duration_s / 3600 for row in day.logged.minutes if row.laeq_db is not None and row.laeq_db >= 80.0]
    expected = sum(100 * h / (8 / 2 ** ((level - 90) / 5)) for level, h in zip(loud, hours, strict=True))
    assert day.exposure.osha_percent == pytest.approx(expected)


def test_the_exposure_of_the_day_is_held_against_the_rules_for_staff(house: ReportedHouse, tmp_path: Path) -> None:
    """Directive 2003/10/EC, Article 3: LEX,8h of 80 dB(A) is the lower and 85 the upper action value."""
    write_day(tmp_path / FILE_NAME, OPENS, 400, loudest_db=111.0)
    entries = [CapEntry(rule="eu-staff-lower"), CapEntry(rule="eu-staff-upper"), CapEntry(rule="who-2022")]
    of_staff = replace(house, room=msgspec.structs.replace(house.room, cap=entries))
    (loud,) = write_report(of_staff, tmp_path / FILE_NAME, DAY, DAY, tmp_path / "report", OPENS)
    assert loud.exposure is not None
    assert 80.0 < loud.exposure.lex_8h_db < 85.0
    assert list(loud.staff_limits) == ["eu-staff-lower", "eu-staff-upper"]
    page = (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert 'eu-staff-lower allows LEX,8h 80 dB(A): <span class="passed">exceeded</span>' in page
    assert 'eu-staff-upper allows LEX,8h 85 dB(A): <span class="kept">kept</span>' in page


def test_what_was_played_and_what_happened_are_told(day: ReportedDay) -> None:
    assert [(play.name, f"{play.begins:%H:%M:%S}") for play in day.plays] == [
        ("first-batch", "10:00:00"),
        ("second-batch", "10:06:30"),
        ("first-batch", "10:13:00"),
        ("second-batch", "10:19:30"),
    ]
    assert [event.kind for event in day.interventions] == ["hold", "release", "swap"]
    assert [event.kind for event in day.faults] == ["watchdog"]
    assert day.open_h == 10.5


def test_how_the_room_stood_in_step_is_told_and_of_one_opening_the_last_word(day: ReportedDay) -> None:
    said = [
        (IN_STEP, "With other rooms, since 10:00:00: in step for 1:00:00; never out of step."),
        (OUT_OF_STEP, "The room is out of step with the others: the sound device is lost."),
        (IN_STEP, "The room is in step with the others again."),
        (IN_STEP, "With other rooms, since 10:00:00: in step for 2:29:50; out of step for 0:10."),
        (IN_STEP, "With other rooms, since 13:00:00: in step for 8:00:00; never out of step."),
    ]
    rows = [
        EventRow(utc=timestamp(OPENS + timedelta(hours=number)), kind=kind, text=text)
        for number, (kind, text) in enumerate(said, start=1)
    ]
    stood = replace(day, logged=replace(day.logged, events=[*day.logged.events, *rows]))
    assert [event.text for event in stood.steps] == [text for _, text in said[1:]]
    assert [event.kind for event in stood.faults] == ["watchdog", OUT_OF_STEP]
    heading = "<h3>In step with other rooms</h3>"
    assert heading in "".join(day_on_page(stood, b"", ZoneInfo("Europe/Berlin")))
    assert heading not in "".join(day_on_page(day, b"", ZoneInfo("Europe/Berlin")))


def test_horizontal_vibration_stands_in_the_overview_where_a_cap_limits_it(
    house: ReportedHouse, day: ReportedDay
) -> None:
    [cap] = expand([CapEntry(quantity="A(8) horizontal", limit_m_per_s2=0.5)])
    felt = replace(day, horizontal=Vibrations(0.1234, 2.0), courses=[replace(day.courses[0], cap=cap)])
    for one, stands in ((felt, True), (replace(day, horizontal=felt.horizontal), False)):
        written = page(house, [one], {DAY.isoformat(): b""}, NOW, ZoneInfo("Europe/Berlin"))
        [overview] = [part for part in written.split("<h2>") if part.startswith("The days")]
        assert ("A(8) horizontal</th>" in overview, "0.12 m/s²" in overview) == (stands, stands)


def test_a_cap_that_was_passed_is_named(house: ReportedHouse, tmp_path: Path) -> None:
    write_day(tmp_path / FILE_NAME, OPENS, 400, loudest_db=100.0)
    (loud,) = days(house, LogReader(tmp_path / FILE_NAME), DAY, DAY, NOW)
    assert [one.cap.name for one in loud.courses if not one.kept] == ["LCeq over 5 min", "long-term power of floor"]


def test_the_caps_of_a_day_are_those_of_then_and_both_are_told_when_they_changed(
    house: ReportedHouse, tmp_path: Path
) -> None:
    """A loud day under a loose cap, which somebody made stricter in the evening: nothing was exceeded."""

    def logged(at: datetime, limit_db: float) -> CapsRow:
        caps = expand([CapEntry(quantity="LCeq", window_s=300.0, limit_db=limit_db)])
        return CapsRow(utc=timestamp(at), said=msgspec.json.encode(caps_said(caps, house.outputs)).decode())

    write_day(tmp_path / FILE_NAME, OPENS, 400, loudest_db=88.0)
    changed = OPENS + timedelta(hours=8)
    with closing(LevelLog(tmp_path / FILE_NAME)) as log:
        log.write([logged(OPENS - timedelta(days=2), 99.0), logged(changed, 80.0)])
    (day,) = write_report(house, tmp_path / FILE_NAME, DAY, DAY, tmp_path / "report", NOW)
    at_the_place = [one for one in day.courses if one.cap.quantity.name == "LCeq"]
    assert [(one.cap.limit, one.kept, one.until, one.since) for one in at_the_place] == [
        (99.0, True, changed, None),
        (80.0, True, None, changed),
    ]
    text = (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert "LCeq over 5 min, in force until 03 Dec 18:00" in text
    assert "LCeq over 5 min, in force from 03 Dec 18:00" in text
    assert "Other caps than those of the present room.toml were in force on 03 Dec 2026" in text
    with (tmp_path / "report" / "caps.csv").open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["cap"] == "LCeq over 5 min"]
    assert [row["in_force_from"] for row in rows] == ["", "2026-12-03T18:00:00+01:00"]
    assert {row["caps_from"] for row in rows} == {"log"}


def test_of_a_log_that_does_not_tell_the_caps_the_present_ones_count_and_it_says_so(
    house: ReportedHouse, log_path: Path, tmp_path: Path
) -> None:
    write_report(house, log_path, DAY, DAY, tmp_path, NOW)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "The log does not tell the caps that were in force on 03 Dec 2026: the present room.toml does." in text


def test_without_rows_a_second_the_minutes_tell(house: ReportedHouse, log_path: Path, tmp_path: Path) -> None:
    old = LevelLog(tmp_path / FILE_NAME)
    found = LogReader(log_path).between(OPENS, OPENS + timedelta(days=1))
    old.write([*found.minutes, *found.events])
    old.close()
    (told,) = days(house, LogReader(tmp_path / FILE_NAME), DAY, DAY, NOW)
    by_minutes, by_seconds = (
        next(one for one in there.courses if one.cap.name == "LCeq over 5 min")
        for there in (told, *days(house, LogReader(log_path), DAY, DAY, NOW))
    )
    assert by_minutes.every_s == 60
    assert by_minutes.highest is not None
    assert by_seconds.highest is not None
    assert by_minutes.highest[0] == pytest.approx(by_seconds.highest[0], abs=0.3)


class _Links(HTMLParser):
    """Everything that a page would load, and whether its tags are balanced."""

    VOID = frozenset({"meta", "img", "br"})

    def __init__(self) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.loaded += [value or "" for name, value in attrs if name in ("src", "href")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_loads_nothing_from_outside_and_the_tables_can_be_read(
    house: ReportedHouse, log_path: Path, tmp_path: Path
) -> None:
    write_report(house, log_path, DAY, DAY + timedelta(days=1), tmp_path, OPENS + timedelta(days=2))
    text = (tmp_path / "report.html").read_text()
    page = _Links()
    page.feed(text)
    assert page.open == []
    assert all(source.startswith("data:image/png;base64,") for source in page.loaded)
    for said in (
        "every cap kept</span></b>, as far as the log tells: it has nothing of 1 of 2 days</p>",
        "LEX,8h",
        "calibrated on",
        "02 March 2026",
        "digest of software",
        "the program did not run",
    ):
        assert said in text
    assert (tmp_path / "2026-12-03.png").read_bytes().startswith(b"\x89PNG")
    with (tmp_path / "caps.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows[0]["cap"] == "who-2022, LAeq over 15 min"
    assert rows[0]["kept"] == "True"
    with (tmp_path / "days.csv").open(newline="") as file:
        assert [row["every_cap_kept"] for row in csv.DictReader(file)] == ["True", ""]
    with (tmp_path / "minutes.csv").open(newline="") as file:
        assert float(next(csv.DictReader(file))["laeq_db"]) < 70.0


def test_the_last_day_of_the_log_is_taken_if_none_is_named(
    house: ReportedHouse, log_path: Path, tmp_path: Path
) -> None:
    assert last_day(house, log_path) == DAY
    with pytest.raises(ProblemError, match="no level log"):
        last_day(house, tmp_path / FILE_NAME)


def test_of_days_without_a_log_nothing_is_called_kept(house: ReportedHouse, log_path: Path, tmp_path: Path) -> None:
    before = DAY - timedelta(days=9)
    write_report(house, log_path, before, before, tmp_path, OPENS + timedelta(days=2))
    text = (tmp_path / "report.html").read_text()
    assert "no verdict" in text
    assert "every cap kept" not in text


def test_a_broken_log_a_broken_bag_and_broken_hours_stop_no_report(log_path: Path, tmp_path: Path) -> None:
    installation, state = tmp_path / "hall", tmp_path / "state"
    shutil.copytree(NIGHT_DOUGH, installation)
    (installation / "hours.toml").write_text("the ovens are cold")
    shutil.rmtree(installation / "performances" / "first-batch")
    state.mkdir()
    shutil.copy(log_path, state / (FILE_NAME + ".spoilt"))  # as a house leaves it that has set its log aside
    (state / FILE_NAME).write_bytes(b"no database" * 400)
    asked = ["report", str(installation), "--day", "2026-12-03", "--state", str(state), "--out", str(tmp_path / "out")]
    found = CliRunner().invoke(main, asked)
    assert found.exit_code == 0, found.output
    text = (tmp_path / "out" / "report.html").read_text()
    for said in (
        "every cap kept",
        "levels.sqlite is damaged (file is not a database)",
        "The hours of 03 Dec 2026 are not known",
        "<h3>Openings</h3><p>Not known: neither the log nor a present file tells them.</p>",
        "A file of the installation is broken, and stops nothing here: hours.toml",
    ):
        assert said in text


def test_a_flood_of_events_takes_a_few_lines(house: ReportedHouse, tmp_path: Path) -> None:
    write_day(tmp_path / FILE_NAME, OPENS, 400)
    late = [(timestamp(OPENS + timedelta(seconds=n)), f"late blocks: {n} blocks came late.") for n in range(500)]
    flood = [EventRow(utc=utc, kind="watchdog", text=text) for utc, text in late]
    with closing(LevelLog(tmp_path / FILE_NAME)) as log:
        log.write(flood)
    write_report(house, tmp_path / FILE_NAME, DAY, DAY, tmp_path, NOW)
    text = (tmp_path / "report.html").read_text()
    assert text.count("blocks came late") == 3, "the first and the last of the flood, and one with a remedy"
    assert "500 times. The first: late blocks: 0 blocks came late. The last: late blocks: 499 blocks came late." in text
    with (tmp_path / "events.csv").open(newline="") as file:
        assert sum(row["kind"] == "watchdog" for row in csv.DictReader(file)) == 501


def test_what_a_microphone_heard_of_the_outputs_is_told_and_only_what_was_wrong_is_a_fault(
    house: ReportedHouse, tmp_path: Path
) -> None:
    write_day(tmp_path / FILE_NAME, OPENS, 400)
    heard = (("proven", "left sounds, -0.8 dB since the reference."), ("not proven", "right is not heard: look there."))
    with closing(LevelLog(tmp_path / FILE_NAME)) as log:
        log.write([EventRow(utc=timestamp(OPENS), kind=kind, text=text) for kind, text in heard])
    (told,) = days(house, LogReader(tmp_path / FILE_NAME), DAY, DAY, NOW)
    assert [event.text for event in told.proofs] == [text for _, text in heard]
    assert [event.kind for event in told.faults if "proven" in event.kind] == ["not proven"]
    write_report(house, tmp_path / FILE_NAME, DAY, DAY, tmp_path, NOW)
    assert "What the microphone heard of the outputs" in (tmp_path / "report.html").read_text()


def test_a_spoilt_log_is_not_told_to_be_of_another_user(house: ReportedHouse, tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"no database" * 400)
    with pytest.raises(
        ProblemError, match=r"is damaged \(file is not a database\): what can be read of it is told\. .* --day"
    ):
        last_day(house, tmp_path / FILE_NAME)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["--day", "2026-12-03", "--from", "2026-12-01"], "either --day"),
        (["--from", "2026-12-03"], "belong together"),
        (["--from", "2026-12-03", "--to", "2026-12-01"], "lies before"),
    ],
)
def test_days_that_make_no_sense_are_refused(asked: list[str], said: str) -> None:
    found = CliRunner().invoke(main, ["report", str(NIGHT_DOUGH), *asked])
    assert found.exit_code == 2
    assert said in found.output
