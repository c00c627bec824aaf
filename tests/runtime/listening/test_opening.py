"""An edited piece at any place: what the edit does not reach is the same to the bit, and the way there is short."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import pytest

from residue.mapping.playback import Playback
from residue.mapping.signals import Signal, frame_at
from residue.runtime.listening.opening import WARM_S, Version, Waymark, opened
from residue.runtime.listening.trail import MARK_S, Trail
from residue.runtime.planning.checkpoints import EVERY_FRAMES
from residue.runtime.planning.preparation import level_profile, playback_of
from tests.mapping.single import same
from tests.runtime.listening.desk import SHARPER, build, version, write

HERE = frame_at(100.0)
"""In the second section, 40 s after the minute."""
UNREACHED = {"arm", "murmur", "murmur_out", "form"}
REACHED = ["dull", "hall", "dull_out"]


@pytest.fixture(scope="module")
def installation(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(tmp_path_factory.mktemp("desk"), 150.0)


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="module")
def unbroken(installation: Path, cache: Path) -> dict[str, Signal]:
    """The signals of the piece as it was, over the second after HERE."""
    first = version(installation, cache)
    whole = playback_of(first.installation, first.performance)
    whole.skip_to(HERE)
    return dict(whole.step(48_000).signals)


def reached(at: Version, frame: int, marks: Collection[Waymark] = (), section: str | None = None) -> Playback:
    playback, _ = opened(at, frame, marks, section)
    playback.skip_to(frame)
    return playback


def listened(installation: Path, cache: Path) -> Trail:
    """The piece as it was, heard up to HERE from its beginning."""
    before = version(installation, cache)
    trail = Trail(before, playback_of(before.installation, before.performance))
    trail.skip_to(HERE)
    return trail


def test_what_an_edit_does_not_reach_goes_on_with_the_same_bits(
    installation: Path, tmp_path: Path, unbroken: dict[str, Signal]
) -> None:
    trail = listened(installation, tmp_path)
    edited = version(installation, tmp_path, SHARPER)
    playback, fresh = opened(edited, HERE, trail.marks, "dough")
    assert fresh == REACHED
    assert HERE - frame_at(WARM_S + MARK_S) <= playback.position <= HERE - frame_at(WARM_S)
    playback.skip_to(HERE)
    signals = playback.step(48_000).signals
    assert {name for name in signals if same(signals[name], unbroken[name])} == UNREACHED


def test_an_edit_that_is_taken_back_goes_on_from_the_minute_with_all_its_memory(
    installation: Path, tmp_path: Path, unbroken: dict[str, Signal]
) -> None:
    trail = listened(installation, tmp_path)
    while not trail.minutes.empty():
        trail.version.kept.keep(*trail.minutes.get_nowait())
    edited = version(installation, tmp_path, SHARPER)
    changed = Trail(edited, reached(edited, HERE, trail.marks))
    playback, fresh = opened(version(installation, tmp_path), HERE, changed.marks, None)
    assert (playback.position, fresh) == (EVERY_FRAMES, [])
    playback.skip_to(HERE)
    signals = playback.step(48_000).signals
    assert all(same(signals[name], unbroken[name]) for name in signals)


def test_a_place_of_which_nothing_is_known_is_reached_from_half_a_minute_before(
    installation: Path, tmp_path: Path
) -> None:
    playback, fresh = opened(version(installation, tmp_path), HERE, (), "dough")
    assert playback.position == HERE - frame_at(WARM_S)
    assert set(fresh) == {*REACHED, "murmur", "murmur_out", "form"}
    playback.skip_to(HERE)
    played = playback.step(48_000)
    assert played.section == "dough"
    assert abs(played.outputs).max() > 0.01


def test_a_place_that_the_plan_has_passed_is_exact(
    installation: Path, cache: Path, unbroken: dict[str, Signal]
) -> None:
    at = version(installation, cache)
    level_profile(at.installation, at.performance, cache)
    playback, fresh = opened(at, HERE, (), None)
    assert (playback.position, fresh) == (EVERY_FRAMES, [])
    playback.skip_to(HERE)
    signals = playback.step(48_000).signals
    assert all(same(signals[name], unbroken[name]) for name in signals)
    edited = version(installation, cache, SHARPER)
    playback, fresh = opened(edited, HERE, (), None)
    assert (playback.position, fresh) == (EVERY_FRAMES, REACHED)
    write(installation)


def test_near_the_beginning_all_of_it_is_stepped(installation: Path, tmp_path: Path) -> None:
    playback, fresh = opened(version(installation, tmp_path), EVERY_FRAMES, (), None)
    assert (playback.position, fresh) == (0, [])


def test_what_has_no_whole_memory_is_never_kept_as_a_checkpoint(installation: Path, tmp_path: Path) -> None:
    at = version(installation, tmp_path)
    trail = Trail(at, reached(at, HERE))
    trail.skip_to(2 * EVERY_FRAMES)
    frame, section, states = trail.minutes.get_nowait()
    assert (frame, set(states)) == (2 * EVERY_FRAMES, {"arm"})
    at.kept.keep(frame, section, states)
    assert at.kept.known(frame)[1] == {"arm"}


def test_what_listens_to_a_node_whose_state_is_spoilt_is_never_kept_either(installation: Path, tmp_path: Path) -> None:
    trail = listened(installation, tmp_path)
    frame, section, states = trail.minutes.get_nowait()
    assert frame == EVERY_FRAMES
    at = version(installation, tmp_path)
    at.kept.keep(frame, section, states)
    files = (next(folder.iterdir()) for folder in at.kept.folders if folder.exists())
    next(path for path in files if path.read_bytes().endswith(states["murmur"])).write_bytes(b"spoilt")
    playback, fresh = opened(at, HERE, (), None)
    assert (playback.position, fresh) == (EVERY_FRAMES, ["murmur"])
    goes_on = Trail(at, playback)
    assert not goes_on.remembers_all
    goes_on.skip_to(2 * EVERY_FRAMES)
    while not goes_on.minutes.empty():
        frame, _, states = goes_on.minutes.get_nowait()
    assert (frame, set(states)) == (2 * EVERY_FRAMES, {"arm", "form"})


def test_a_form_of_which_nothing_is_known_is_where_its_longest_sections_would_be(
    installation: Path, tmp_path: Path
) -> None:
    at = version(installation, tmp_path, ("at_most_s = 70", "at_most_s = 90"))
    assert reached(at, frame_at(125.0)).step(4_800).section == "dough"
    assert reached(at, frame_at(85.0)).step(4_800).section == "quiet hands"


def test_spoilt_states_cost_memory_and_no_sound(
    installation: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    trail = listened(installation, tmp_path)
    spoilt = [Waymark(mark.position, dict.fromkeys(mark.states, b"no pickle"), mark.since) for mark in trail.marks]
    playback, fresh = opened(trail.version, HERE, spoilt, "dough")
    assert "cannot be used" in caplog.text
    assert set(REACHED) <= set(fresh)
    assert playback.position == HERE - frame_at(WARM_S), "new nodes have time to warm up"
    playback.skip_to(HERE)
    assert abs(playback.step(48_000).outputs).max() > 0.01
