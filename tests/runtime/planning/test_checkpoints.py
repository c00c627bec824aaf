"""A long performance goes on soon from any place, with the bits of an unbroken run, and from a spoilt place later."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from residue.archive.beside import PREFIX
from residue.installation.load import Installation, load
from residue.loudness.plan.plan import Lowering
from residue.loudness.plan.profile import LevelProfile
from residue.mapping.playback import Playback
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.runtime.offline.rendering import Excerpt, rendered_part
from residue.runtime.planning.checkpoints import EVERY_FRAMES, EVERY_S, Checkpoints
from residue.runtime.planning.preparation import (
    BLOCK_FRAMES,
    checkpoints_of,
    level_profile,
    levels_path,
    open_performance,
    playback_before,
    playback_of,
)
from tests.let_through import OF_BAGIT
from tests.runtime.kitchen import HOURS, build

NAME = "second-batch"
LATE = round(2.1 * EVERY_S) * AUDIO_RATE_HZ + 4_800
FRAMES = 96_000
KNOTS_DB = (-1.0, -6.0, 0.0, -3.0)


@dataclass
class Planned:
    """An installation whose performances another process has planned."""

    installation: Installation
    cache: Path

    def __post_init__(self) -> None:
        self.performance = open_performance(self.installation, NAME, self.cache)

    @property
    def kept(self) -> Checkpoints:
        return checkpoints_of(self.installation, self.performance, self.cache)

    @property
    def files(self) -> list[Path]:
        """Of each node the same number."""
        return sorted(path for folder in self.kept.folders for path in folder.iterdir())

    def before(self, frame: int) -> Playback:
        return playback_before(frame, self.installation, self.performance, Lowering(KNOTS_DB), self.cache)

    def plan(self) -> None:
        folder = str(self.installation.folder)
        command = [sys.executable, "-m", "residue.runtime.planning.planning", folder, folder, str(self.cache)]
        warnings = {"PYTHONWARNINGS": f"error,{OF_BAGIT}"}
        subprocess.run(command, check=True, capture_output=True, env={**os.environ, **warnings})


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Planned:
    folder = tmp_path_factory.mktemp("kitchen")
    built = build(folder, 9_000, 2.2 * EVERY_S)
    alone = HOURS.replace('["first-batch", "second-batch"]', f'["{NAME}"]')  # another would only take its time
    (built / "hours.toml").write_text(alone, encoding="utf-8")
    found = Planned(load(built), folder / "cache")
    found.plan()
    return found


@pytest.fixture(scope="module")
def unbroken(planned: Planned) -> bytes:
    whole = playback_of(planned.installation, planned.performance, Lowering(KNOTS_DB))
    whole.skip_to(LATE)
    return whole.step(FRAMES).outputs.tobytes()


def test_it_goes_on_from_the_last_minute_with_the_bits_of_an_unbroken_run(planned: Planned, unbroken: bytes) -> None:
    resumed = planned.before(LATE)
    assert LATE - (EVERY_S + 2) * AUDIO_RATE_HZ < resumed.position <= LATE
    resumed.skip_to(LATE)
    assert resumed.step(FRAMES).outputs.tobytes() == unbroken


def test_before_the_first_minute_it_begins_at_the_beginning(planned: Planned) -> None:
    assert planned.before(AUDIO_RATE_HZ).position == 0


def test_one_that_is_spoilt_is_as_good_as_none(
    planned: Planned, unbroken: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    last = max(planned.files, key=lambda path: (path.stem, path.stat().st_size))
    whole = last.read_bytes()
    try:
        for spoilt in (whole[:100], b"", whole[:150] + bytes([whole[150] ^ 1]) + whole[151:]):
            last.write_bytes(spoilt)
            resumed = planned.before(LATE)
            assert 0 < resumed.position < int(last.stem)
            assert "cannot be used" in caplog.text
            caplog.clear()
            resumed.skip_to(LATE)
            assert resumed.step(FRAMES).outputs.tobytes() == unbroken
    finally:
        last.write_bytes(whole)


def test_a_pipe_in_its_place_makes_nobody_wait(planned: Planned, caplog: pytest.LogCaptureFixture) -> None:
    last = max(planned.files, key=lambda path: (path.stem, path.stat().st_size))
    whole = last.read_bytes()
    last.unlink()
    os.mkfifo(last)
    try:
        assert 0 < planned.before(LATE).position < int(last.stem)
        assert "cannot be read" in caplog.text
    finally:
        last.unlink()
        last.write_bytes(whole)


def test_a_folder_in_the_place_of_the_levels_makes_room(planned: Planned) -> None:
    levels = levels_path(planned.installation, planned.performance.digest, planned.cache)
    whole = levels.read_bytes()
    levels.unlink()
    (levels / "lost+found").mkdir(parents=True)
    planned.plan()
    assert levels.read_bytes() == whole


def test_one_that_is_still_being_made_is_passed_over(planned: Planned) -> None:
    """Another process may write at this moment, and a power cut may have left half of it."""
    last = max(planned.files, key=lambda path: path.stem)
    halves = [path.with_name(PREFIX + path.name) for path in planned.files if path.name == last.name]
    try:
        for half in halves:
            half.write_bytes(b"half")
        assert planned.before(LATE).position == int(last.stem)
    finally:
        for half in halves:
            half.unlink()


def test_they_are_made_again_where_somebody_has_removed_them(planned: Planned) -> None:
    names = planned.files
    assert {int(path.stem) for path in names} == {EVERY_FRAMES, 2 * EVERY_FRAMES}
    gone = max(planned.kept.folders)
    for path in gone.iterdir():
        path.unlink()
    gone.rmdir()
    assert levels_path(planned.installation, planned.performance.digest, planned.cache).exists()
    planned.plan()
    assert planned.files == names


def test_after_an_edit_only_what_it_reaches_has_lost_its_states(planned: Planned) -> None:
    kept = planned.kept.kept(EVERY_FRAMES, 1)
    assert kept.keys() == {"arm", "murmur", "hall", "form"}
    piece = planned.installation.folder / "piece.toml"
    written = piece.read_text(encoding="utf-8")
    try:
        piece.write_text(written.replace('to = ["left', 'gain_db = -3.0\nto = ["left'), encoding="utf-8")
        edited = Planned(load(planned.installation.folder), planned.cache)
        assert edited.kept.kept(EVERY_FRAMES, 1) == {name: kept[name] for name in ("arm", "murmur", "form")}
        assert edited.before(LATE).position == 0
    finally:
        piece.write_text(written, encoding="utf-8")


def test_a_section_that_is_still_to_come_may_change(planned: Planned) -> None:
    piece = planned.installation.folder / "piece.toml"
    written = piece.read_text(encoding="utf-8")
    try:
        piece.write_text(
            f'{written}\n[[section]]\nname = "late"\nat_most_s = 10\nset = {{ "hall.gain_db" = -9.0 }}\n'.replace(
                'to = ["left', 'gain_db = 0.0\nto = ["left'
            ),
            encoding="utf-8",
        )
        one = Planned(load(planned.installation.folder), planned.cache)
        one.plan()
        piece.write_text(piece.read_text(encoding="utf-8").replace("-9.0", "-3.0"), encoding="utf-8")
        other = Planned(load(planned.installation.folder), planned.cache)
        assert other.before(LATE).position == 2 * EVERY_FRAMES
    finally:
        piece.write_text(written, encoding="utf-8")


def test_a_part_before_the_cap_is_rendered_from_the_last_minute_with_the_same_bits(planned: Planned) -> None:
    def rendered(cache: Path | None, way: list[int]) -> bytes:
        blocks = rendered_part(
            planned.installation,
            planned.performance,
            block_frames=BLOCK_FRAMES,
            excerpt=Excerpt(LATE, LATE + 48_000),
            gain_db=None,
            cache=cache,
            progress=lambda _, done, __: way.append(done),
        )
        return b"".join(block.tobytes() for block in blocks)

    way: list[int] = []
    whole_way: list[int] = []
    assert rendered(planned.cache, way) == rendered(None, whole_way)
    assert len(way) < len(whole_way) / 2


def under_the_cap(planned: Planned, cache: Path | None, start: int, way: list[int], *, gain_db: float = 20.0) -> bytes:
    blocks = rendered_part(
        planned.installation,
        planned.performance,
        block_frames=BLOCK_FRAMES,
        excerpt=Excerpt(start, start + 48_000),
        gain_db=gain_db,
        planned=gain_db < 0.0,
        cache=cache,
        progress=lambda _, done, __: way.append(done),
    )
    return b"".join(block.tobytes() for block in blocks)


def test_a_part_under_the_cap_is_rendered_from_the_last_minute_once_the_way_is_known(planned: Planned) -> None:
    """At a gain at which the governor acts, so that what it sent before counts."""
    first: list[int] = []
    again: list[int] = []
    expected = under_the_cap(planned, None, LATE, first)
    assert under_the_cap(planned, planned.cache, LATE, []) == expected
    assert under_the_cap(planned, planned.cache, LATE, again) == expected
    assert len(again) < len(first) / 2
    assert min(again) > EVERY_FRAMES
    before = under_the_cap(planned, None, LATE - 3 * BLOCK_FRAMES, [])
    assert under_the_cap(planned, planned.cache, LATE - 3 * BLOCK_FRAMES, []) == before


def test_under_any_plan_a_part_costs_no_way_from_the_beginning(planned: Planned) -> None:
    """The cap stage has nothing to do then. Its filters have forgotten where they began, but for their rounding."""
    way: list[int] = []
    expected = np.frombuffer(under_the_cap(planned, None, LATE, [], gain_db=-7.31))
    found = np.frombuffer(under_the_cap(planned, planned.cache, LATE, way, gain_db=-7.31))
    assert min(way) > EVERY_FRAMES
    assert np.max(np.abs(found - expected)) < 1e-10 * np.max(np.abs(expected))


def test_levels_are_made_from_the_last_minute_that_an_edit_does_not_reach(planned: Planned, tmp_path: Path) -> None:
    piece = planned.installation.folder / "piece.toml"
    written = piece.read_text(encoding="utf-8")
    text = written.replace('to = ["left', 'gain_db = 0.0\nto = ["left').replace("at_most_s = 600", "at_most_s = 90")
    late = f'{text}\n[[section]]\nname = "late"\nat_most_s = 600\nset = {{ "hall.gain_db" = -9.0 }}\n'
    way: list[int] = []
    try:
        for edited in (late, late.replace("-9.0", "-3.0")):
            piece.write_text(edited, encoding="utf-8")
            one = Planned(load(planned.installation.folder), planned.cache)
            way.clear()
            found = level_profile(
                one.installation, one.performance, planned.cache, lambda _, done, __: way.append(done)
            )
        expected = level_profile(one.installation, one.performance, tmp_path)
    finally:
        piece.write_text(written, encoding="utf-8")
    assert EVERY_FRAMES < min(way) <= EVERY_FRAMES + BLOCK_FRAMES
    for name in ("energy", "peak", "fast", "ending_peak", "true_peak", "onset_energy", "mapping_energy"):
        assert np.array_equal(getattr(found, name), getattr(expected, name)), name


def test_another_calibration_trim_or_cap_needs_no_other_levels(planned: Planned) -> None:
    """What the room makes of the outputs is arithmetic: only band and delay of an output are in their levels."""
    room = planned.installation.folder / "room.toml"
    written = room.read_text(encoding="utf-8")
    first, second = "device_channel = 1\n", "device_channel = 2\n"
    reading = "calibration = { played_dbfs = -20.0, read_dba = 70.0, read_dbc = 74.0, on = 2026-03-02 }\n"
    lower = written.replace("limit_dbfs = -20.0", "limit_dbfs = -23.0")
    quieter = written.replace(second, f"{second}trim_db = -3.0\n")
    quieter += '\n[[cap]]\nquantity = "LCpeak"\nlimit_dbfs = -12.0\n'
    calibrated = quieter.replace(first, first + reading).replace(second, second + reading)
    calibrated = calibrated.replace('ear = "unknown"', 'ear = "calibrated"')
    rendered: list[int] = []

    def levels() -> LevelProfile:
        one = Planned(load(planned.installation.folder), planned.cache)
        return level_profile(one.installation, one.performance, one.cache, lambda *_: rendered.append(1))

    known = levels()
    rendered.clear()
    try:
        for text in (lower, quieter, calibrated):
            assert text != written
            room.write_text(text, encoding="utf-8")
            found = levels()
            assert not rendered
        assert found.ears[0].physical > known.ears[0].physical
        room.write_text(written.replace(second, f"{second}delay_ms = 3.0\n"), encoding="utf-8")
        delayed = levels_path(load(planned.installation.folder), planned.performance.digest, planned.cache)
        assert not delayed.exists()
    finally:
        room.write_text(written, encoding="utf-8")
