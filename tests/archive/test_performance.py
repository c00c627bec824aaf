"""What performance.toml may say, and what a person is told where it says something else."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import msgspec
import pytest

from residue.archive.performance import (
    Channel,
    ChannelKind,
    Mark,
    Performance,
    Permission,
    read_performance,
    write_performance,
)
from residue.problems import ProblemError
from tests.archive.bags import CHANNELS, performance


def written(folder: Path, text: str) -> Path:
    path = folder / "performance.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    full = msgspec.structs.replace(
        performance(CHANNELS),
        place="Back room",
        notes='The oven was at 250 °C.\nIt smelt of "Schwarzbrot".',
        mark=[Mark(at_s=12.5, text="takes the dough")],
        permission=Permission(consent="signed 2026-02-11, folder 3", shown_until=date(2028, 12, 31)),
    )
    assert read_performance(written(tmp_path, write_performance(full))) == full


LEAST = 'title = "First Batch"\n[channel.arm]\nkind = "mmg"\nfile = "arm.wav"\n'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        pytest.param(LEAST + "gian = 2.0\n", "gian", id="unknown key"),
        pytest.param(LEAST.replace("mmg", "myo"), "myo", id="unknown kind"),
        pytest.param(LEAST.replace("arm.wav", "../arm.wav"), "does not stay in the folder", id="leaves the folder"),
        pytest.param(LEAST.replace("arm.wav", "/etc/arm.wav"), "does not stay in the folder", id="absolute path"),
        pytest.param(LEAST.replace("arm.wav", ""), "does not stay in the folder", id="no file"),
        pytest.param(LEAST + "full_scale = 0.0\n", "full_scale", id="full scale of nothing"),
        pytest.param(LEAST + "full_scale = nan\n", "full_scale", id="full scale is no number"),
        pytest.param(LEAST + "track = 0\n", "track", id="tracks count from 1"),
        pytest.param(LEAST + "start_s = 1e9\n", "start_s", id="starts after a week"),
        pytest.param(LEAST.replace("mmg", "rr"), "beat intervals", id="intervals without a unit of time"),
        pytest.param(LEAST.replace("channel.arm", 'channel."arm/left"'), "arm/left", id="name that is no plain name"),
        pytest.param('title = "First Batch"\nchannel = {}\n', "channel", id="no channels"),
        pytest.param("recorded = 2026-02-11T23:40:00\n" + LEAST, "recorded", id="moment without an offset"),
        pytest.param("title = \n", "TOML", id="not TOML"),
    ],
)
def test_a_fault_is_told_by_its_key_or_value(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(ProblemError, match=told):
        read_performance(written(tmp_path, text))


def test_all_that_is_wrong_is_told_at_once(tmp_path: Path) -> None:
    text = LEAST.replace("title", "titel").replace("mmg", "mgm") + 'track = 0\n[[mark]]\nat_s = "now"\n'
    with pytest.raises(ProblemError) as caught:
        read_performance(written(tmp_path, text))
    keys = {finding.where.rsplit(": ")[-1] for finding in caught.value.findings}
    assert keys == {"titel", "title", "channel.arm.kind", "channel.arm.track", "mark[1].at_s", "mark[1].text"}
    assert "mmg?" in str(caught.value)


def test_a_missing_file_and_a_file_that_is_no_text_are_told(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="missing"):
        read_performance(tmp_path / "performance.toml")
    (tmp_path / "performance.toml").write_bytes(b'title = "\xff"')
    with pytest.raises(ProblemError, match="UTF-8"):
        read_performance(tmp_path / "performance.toml")


def test_a_channel_that_does_not_exist_is_answered_with_the_nearest_name() -> None:
    with pytest.raises(ProblemError, match="Did you mean forearm_left"):
        performance(CHANNELS).the_channel("forearm_lft", "piece.toml")


@pytest.mark.parametrize(
    ("day", "permitted"),
    [
        pytest.param(date(2026, 3, 1), False, id="the day before"),
        pytest.param(date(2026, 3, 2), True, id="the first day"),
        pytest.param(date(2026, 5, 31), True, id="the last day"),
        pytest.param(date(2026, 6, 1), False, id="the day after"),
    ],
)
def test_both_ends_of_the_permitted_time_belong_to_it(day: date, *, permitted: bool) -> None:
    permission = Permission(consent="signed", shown_from=date(2026, 3, 2), shown_until=date(2026, 5, 31))
    assert permission.permits(day) is permitted


def test_a_permission_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(ValueError, match="before shown_from"):
        Permission(consent="signed", shown_from=date(2026, 3, 2), shown_until=date(2026, 3, 1))


def test_every_kind_of_channel_can_be_written_down() -> None:
    for kind in ChannelKind:
        channel = Channel(kind=kind, file="a.txt", unit="ms" if kind is ChannelKind.RR else "1")
        assert isinstance(performance({"one": channel}), Performance)
