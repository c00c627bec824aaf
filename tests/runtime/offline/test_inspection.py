"""What `residue check` finds."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import msgspec
import numpy as np
import pytest

from residue.archive.bag import seal
from residue.archive.performance import FILE_NAME, Permission, read_performance, write_performance
from residue.installation.load import load
from residue.loudness.plan.arc import GainCurve
from residue.loudness.plan.plan import Lowering
from residue.problems import Severity, stopping
from residue.runtime.offline.inspection import inspect
from residue.runtime.planning.planning import known, make_ready
from residue.runtime.planning.preparation import open_performance, plan_performance, playback_of
from residue.schedule import expansion
from tests.runtime import kitchen


class June:
    """The clock of a house that is looked at in June."""

    def now(self) -> datetime:
        return datetime(2027, 5, 31, 22, 30, tzinfo=UTC)  # the first of June in Berlin

    def monotonic_s(self) -> float:
        return 0.0


def test_a_performance_that_may_no_longer_be_shown_is_warned_of_and_does_not_stop_the_house(tmp_path: Path) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    recorded, bag = tmp_path / "recorded-first-batch", installation / "performances" / "first-batch"
    spring = Permission(consent="signed 2026-02-11, folder 3", shown_until=date(2027, 5, 31))
    facts = msgspec.structs.replace(read_performance(recorded / FILE_NAME), permission=spring)
    (recorded / FILE_NAME).write_text(write_performance(facts), encoding="utf-8")
    shutil.rmtree(bag)
    seal(recorded, bag, {}, date(2026, 3, 1))
    findings = inspect(installation, "silent", tmp_path / "cache", June())
    [warned] = [finding for finding in findings if "may be shown" in finding.what]
    assert warned.severity is Severity.WARNS
    assert warned.what == "It may be shown from any day to 2027-05-31; 2027-06-01 is outside."
    assert not any(finding.severity is Severity.STOPS for finding in findings)


def edited(installation: Path, file: str, *changes: tuple[str, str]) -> Path:
    text = (installation / file).read_text(encoding="utf-8")
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    (installation / file).write_text(text, encoding="utf-8")
    return installation


def test_a_calendar_that_is_refused_is_worked_out_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It may have taken all of its minute, and its performances are checked all the same."""
    installation, asked = kitchen.build(tmp_path, 47_399, duration_s=0.2), list[Path]()
    (installation / "hours.ics").write_text("BEGIN:VCALENDAR", encoding="utf-8")
    hours = (installation / "hours.toml").read_text(encoding="utf-8")
    edited(installation, "hours.toml", (hours[hours.index("[weekly]") : hours.index("[programme]")], ""))
    edited(installation, "piece.toml", ('channel = "forearm"', 'channel = "thigh"'))

    def refused(path: Path, *_: object) -> None:
        asked.append(path)
        raise stopping("hours.ics", "Working out its events takes too much time.", "Simplify it.")

    monkeypatch.setattr(expansion, "_asked", refused)
    found = inspect(installation, "silent", tmp_path / "cache", June())
    assert asked == [installation / "hours.ics"]
    assert next(finding.where for finding in found if finding.severity is Severity.STOPS) == "hours.ics"
    assert any("thigh" in finding.what for finding in found)


def test_device_and_channels_are_checked_beside_a_fault_of_a_file(tmp_path: Path) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    edited(installation, "room.toml", ('device = "silent"', 'device = "file:no-such-folder/x.wav"'))
    edited(installation, "room.toml", ("window_s = 60", "window_s = -60"))
    edited(installation, "piece.toml", ('channel = "forearm"', 'channel = "forarm"'))
    told = list(map(str, inspect(installation, None, tmp_path / "cache", June())))
    fault, device, *channels = told
    assert fault.startswith("room.toml: cap[1].window_s: ")
    assert '"file:no-such-folder/x.wav" names no WAV file' in device
    assert [line.partition(":")[0] for line in channels] == ["first-batch", "second-batch"]
    assert all('no channel "forarm"' in line and "Did you mean forearm?" in line for line in channels)


def test_channels_are_checked_beside_a_node_of_no_kind(tmp_path: Path) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    edited(installation, "piece.toml", ('channel = "forearm"', 'channel = "forarm"'))
    with (installation / "piece.toml").open("a", encoding="utf-8") as piece:
        piece.write('\n[node.crumb]\nkind = "bandpas"\n')
    told = list(map(str, inspect(installation, None, tmp_path / "cache", June())))
    assert "Did you mean bandpass?" in told[0]
    assert [line.partition(":")[0] for line in told if 'no channel "forarm"' in line] == ["first-batch", "second-batch"]


def test_channels_are_checked_by_the_hours_of_the_curators_folder(tmp_path: Path) -> None:
    installation, shared = kitchen.build(tmp_path, 47_399, duration_s=0.2), tmp_path / "shared"
    shared.mkdir()
    (installation / "hours.toml").rename(shared / "hours.toml")
    kitchen.name_hours_folder(installation, shared)
    edited(installation, "piece.toml", ('channel = "forearm"', 'channel = "forarm"'))
    shutil.rmtree(installation / "performances" / "second-batch")
    told = " ".join(map(str, inspect(installation, "silent", tmp_path / "cache", June())))
    assert 'There is no performance "second-batch"' in told
    assert 'no channel "forarm"' in told


def test_a_room_that_cannot_be_read_does_not_keep_its_device_from_being_checked(tmp_path: Path) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    edited(installation, "room.toml", ("device_channel = 2", "device_channel = 0"))
    told = inspect(installation, "silent:x", tmp_path / "cache", June())
    assert [finding.where for finding in told] == ["room.toml: output.right.device_channel", "device"]


def test_performances_of_an_empty_folder_are_to_be_brought_there(tmp_path: Path) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    shutil.rmtree(installation / "performances")
    told = [one for one in inspect(installation, "silent", tmp_path / "cache", June()) if "performances" in one.where]
    assert {one.mend for one in told} == {"Bring one there: residue ingest, or residue record."}


FEED = """
[node.lamp]
kind = "feed"
input = "slow_arm"
address = "/lamp"

[node.slow_arm]
kind = "channel"
channel = "forearm"
"""


@pytest.mark.parametrize(("more", "of_light"), [("", False), (FEED, True)], ids=["sound alone", "a feed"])
def test_whoever_checks_is_cautioned(tmp_path: Path, more: str, *, of_light: bool) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    edited(installation, "piece.toml", ("\n[[section]]", f"{more}\n[[section]]"))
    told = inspect(installation, "silent", tmp_path / "cache", June())
    assert not [str(finding) for finding in told if finding.severity is Severity.STOPS]
    cautions = "\n".join(finding.what for finding in told if finding.where == "caution")
    assert all(word in cautions for word in ("Hearing", "implants", "pregnancy", "local rules and a qualified person"))
    assert ("three a second" in cautions) == of_light


PLACE = """
[light]
to = "127.0.0.1"

[light.lamp.glow]
universe = 1
addresses = [1]
"""


@pytest.mark.parametrize(
    ("piece", "room", "told"),
    [
        (kitchen.LAMP, "", "warns: room.toml: light: The piece has lamps that this room does not have: glow. "),
        ("", PLACE, 'stops: room.toml: light.lamp.glow: The piece has no node of kind lamp that is called "glow".'),
        (kitchen.LAMP, PLACE.replace("glow", "glo"), "Did you mean glow?"),
        (kitchen.LAMP, PLACE, "notes: caution: Light: lamps of this room follow the piece."),
    ],
    ids=["a lamp without a place", "a place without a lamp", "a name that is nearly right", "both"],
)
def test_lamps_of_the_piece_and_the_room_belong_together(tmp_path: Path, piece: str, room: str, told: str) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    edited(installation, "piece.toml", ("\n[[section]]", f"{piece}\n[[section]]"))
    written = installation / "room.toml"
    written.write_text(written.read_text(encoding="utf-8") + room, encoding="utf-8")
    found = [f"{one.severity}: {one}" for one in inspect(installation, "silent", tmp_path / "cache", June())]
    assert told in "\n".join(found)
    assert bool([one for one in found if "light" in one and not one.startswith("notes")]) == (
        piece + room != kitchen.LAMP + PLACE
    )


TARGET = """
[[control.feed]]
host = "127.0.0.1"
port = 47320
"""


@pytest.mark.parametrize(
    ("feed", "target", "told"),
    [(FEED, "", "no machine"), ("", TARGET, "no node of kind feed"), (FEED, TARGET, ""), ("", "", "")],
    ids=["a feed alone", "a target alone", "both", "none"],
)
def test_a_feed_that_nobody_receives_is_warned_of(tmp_path: Path, feed: str, target: str, told: str) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    edited(installation, "piece.toml", ("\n[[section]]", f"{feed}\n[[section]]"))
    room = installation / "room.toml"
    room.write_text(room.read_text(encoding="utf-8") + target, encoding="utf-8")
    found = [one for one in inspect(installation, "silent", tmp_path / "cache", June()) if "control.feed" in one.where]
    assert [one.severity for one in found] == [Severity.WARNS] * bool(told)
    assert all(told in one.what for one in found)


def test_a_piece_that_a_cap_leaves_nothing_of_is_warned_of_beside_the_cap_that_is_blind_to_bass(tmp_path: Path) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=2.0)
    edited(installation, "room.toml", ("limit_dbfs = -20.0", "limit_dbfs = -99.0"), ("window_s = 60", "window_s = 6"))
    found = inspect(installation, "silent", tmp_path / "cache", June())
    whats = [finding.what for finding in found if finding.severity is Severity.WARNS]
    assert any(
        what.startswith("No cap covers the lowest sounds: at 20 Hz A weighting takes away 50 dB") for what in whats
    )
    assert any("so that -99 dBFS(A) over 6 s" in what for what in whats)


LOUD_FOR_ITS_CAP = ("limit_dbfs = -20.0", "limit_dbfs = -60.0")


def test_the_plan_is_told_drawn_and_left_where_the_daemon_finds_it(tmp_path: Path) -> None:
    folder, cache = kitchen.build(tmp_path, 47_399, duration_s=3.0), tmp_path / "cache"
    (folder / "room.toml").write_text((folder / "room.toml").read_text().replace(*LOUD_FOR_ITS_CAP))
    findings = inspect(folder, "silent", cache, June(), picture=tmp_path / "plan.svg")
    first, second = (finding.what for finding in findings if finding.where == "plan")
    assert first.startswith("first-batch: lowered by ")
    assert "throughout so that -60 dBFS(A) over 1 min" in first
    assert "is never exceeded; nearest -60." in first
    assert second.startswith("second-batch: lowered by ")
    assert (tmp_path / "plan.svg").read_text().startswith("<?xml")
    outcome = known(load(folder), cache)
    assert outcome is not None
    assert outcome.words == {"first-batch": first, "second-batch": second}


def test_what_the_stage_lowers_is_told_output_by_output(tmp_path: Path) -> None:
    folder = kitchen.build(tmp_path, 47_399, duration_s=3.0)
    edited(folder, "room.toml", ("device_channel = 2", "device_channel = 2\nrise_db_per_s = 10.0"))
    edited(folder, "room.toml", ("limit_dbfs = -20.0", "limit_dbfs = 0.0"))
    findings = inspect(folder, "silent", tmp_path / "cache", June())
    told = [one for one in findings if one.where == "performances/first-batch" and "lowered by up to" in one.what]
    left, right = (one.what for one in told)
    assert re.fullmatch(
        r"Output left is lowered by up to \d+\.\d dB from 0:00\.0 to 0:00\.\d: it starts too fast\.", left
    )
    assert re.fullmatch(r"Output right is lowered by up to \d+\.\d dB from 0:00\.0 to 0:01\.\d: .*", right)
    assert all("rise_db_per_s" in one.mend for one in told)


def test_a_shaped_arc_is_planned_played_and_rendered(tmp_path: Path) -> None:
    folder, cache = kitchen.build(tmp_path, 47_399, duration_s=70.0), tmp_path / "cache"
    (folder / "room.toml").write_text((folder / "room.toml").read_text().replace(*LOUD_FOR_ITS_CAP))
    (folder / "piece.toml").write_text('arc = "shaped"\n' + (folder / "piece.toml").read_text())
    installation = load(folder)
    performance = open_performance(installation, "first-batch", cache)
    planned = plan_performance(installation, "first-batch", cache)
    assert len(planned.knots_db) == 2
    outcome = make_ready(installation, cache)
    assert outcome.lowering["first-batch"] == planned.lowering
    lowerings = (None, Lowering((0.0, -3.0, -6.0)), Lowering(alone_db={"right": -20.0}))
    whole, shaped, lowered = (playback_of(installation, performance, one).step(96_000).outputs for one in lowerings)
    assert np.array_equal(shaped, whole * GainCurve((0.0, -3.0, -6.0)).gains(0, 96_000))
    assert np.array_equal(lowered, whole * [[1.0], [0.1]])


EQUIPMENT = """
[[equipment]]
name = "amplifiers"
kind = "command"
on = ["/bin/true"]
off = ["/usr/local/bin/rleay", "0"]
"""
CALIBRATED = "calibration = { played_dbfs = -20.0, read_dba = 74.0, read_dbc = 75.6, on = 2036-03-02 }"


def test_what_no_room_can_be_like_is_pointed_out(tmp_path: Path) -> None:
    folder = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    edited(folder, "room.toml", ("device_channel = 1\n", f"device_channel = 1\n{CALIBRATED}\n"))
    with (folder / "room.toml").open("a", encoding="utf-8") as room:
        room.write(EQUIPMENT)
    found = {str(one) for one in inspect(folder, "silent", tmp_path / "cache", June()) if one.where.startswith("room")}
    assert found >= {
        "room.toml: output.left.calibration.on: 2036-03-02 is in the future. Write the day on which it was measured.",
        "room.toml: equipment[1].off: There is no program /usr/local/bin/rleay that may be run. "
        "Write the full path of a program that may be run.",
    }
    assert not any("equipment[1].on:" in one for one in found)


KEY = '\n[control]\nkey = "flour and salt"\n'
PASSWORD = """
[[equipment]]
kind = "projector"
name = "the wall"
host = "10.0.0.9"
password = "JBMIAProjectorLink"
"""


@pytest.mark.parametrize(
    ("secret", "mode", "warnings"),
    [(KEY, 0o644, 1), (PASSWORD, 0o644, 1), (KEY, 0o640, 0), (PASSWORD, 0o600, 0), ("", 0o644, 0)],
)
def test_a_key_or_a_password_that_everybody_may_read_is_warned_of(
    tmp_path: Path, secret: str, mode: int, warnings: int
) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    room = installation / "room.toml"
    text = room.read_text(encoding="utf-8")
    text = text.replace("\n[control]\n", secret) if secret == KEY else text + secret
    room.write_text(text, encoding="utf-8")
    room.chmod(mode)
    found = [
        one for one in inspect(installation, "silent", tmp_path / "cache", June()) if "a key, a password" in one.what
    ]
    assert [(one.severity, one.where) for one in found] == [(Severity.WARNS, "room.toml")] * warnings
    assert all(f"chmod 640 {room}" in one.mend for one in found)


def test_each_limit_is_told_with_its_margin(tmp_path: Path) -> None:
    """Of a meter of class 2 with place: 1.65 times the root of 1.5² + 1², rounded up to 3.0 dB."""
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    known = "calibration = { played_dbfs = -20.0, read_dba = 74.2, read_dbc = 76.0, on = 2026-03-02 }\n"
    room = (installation / "room.toml").read_text(encoding="utf-8")
    for channel in re.findall(r"device_channel = \d+\n", room):
        edited(installation, "room.toml", (channel, channel + known))
    edited(installation, "room.toml", ('levels_at_the_ear = "unknown"', ""), ("limit_dbfs = -20.0", "limit_db = 90.0"))
    with (installation / "room.toml").open("a", encoding="utf-8") as file:
        file.write("\n[measurement]\nmeter_class = 2\n")
    [told] = [one for one in inspect(installation, "silent", tmp_path / "cache", June()) if one.where == "margin"]
    assert "87 dB(A) (90 less a margin of 3)" in told.what


@pytest.mark.parametrize(
    ("listen", "allow", "warnings"),
    [("127.0.0.1", "127.0.0.1/32", 0), ("0.0.0.0", "127.0.0.1/32", 1), ("0.0.0.0", "192.0.2.0/24", 0)],
)
def test_a_page_that_would_answer_nobody_is_warned_of(tmp_path: Path, listen: str, allow: str, warnings: int) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    with (installation / "room.toml").open("a", encoding="utf-8") as room:
        room.write(f'allow = ["{allow}"]\n[page]\nlisten = "{listen}"\n')
    found = inspect(installation, "silent", tmp_path / "cache", June())
    assert [one.severity for one in found if one.where == "room.toml: page"] == [Severity.WARNS] * warnings
