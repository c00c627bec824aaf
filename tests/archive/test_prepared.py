"""From a bag to a source of the mapping graph."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.bag import Bag, seal
from residue.archive.performance import FILE_NAME, Channel, ChannelKind, write_performance
from residue.archive.prepared import PreparedPerformance, prepare, prepared_folder
from residue.archive.recorded import RAMP_S
from residue.mapping.node import Source
from residue.mapping.signals import Events, Kind, Span
from residue.problems import ProblemError, Severity
from tests.archive.bags import SEALED_ON, performance, sealed_bag

ALL = {
    "forearm_left": {Kind.SLOW, Kind.FAST},
    "back_of_head": {Kind.SLOW},
    "beats": {Kind.EVENTS},
}


@pytest.fixture
def bag(tmp_path: Path) -> Bag:
    return sealed_bag(tmp_path)


def array(prepared: PreparedPerformance, name: str, kind: Kind, span: Span) -> np.ndarray:
    signal = prepared.channel(name, kind)(span)
    assert not isinstance(signal, Events)
    return signal


def test_it_is_a_source_of_the_mapping_graph(bag: Bag, tmp_path: Path) -> None:
    source: Source = prepare(bag.path, ALL, tmp_path / "cache")
    assert source.channel("beats", Kind.EVENTS) is not None


def test_a_sound_track_at_the_audio_rate_is_itself_in_physical_values(bag: Bag, tmp_path: Path) -> None:
    prepared = prepare(bag.path, ALL, tmp_path / "cache")
    recorded, _ = soundfile.read(bag.payload / "arms.flac")
    fast = array(prepared, "forearm_left", Kind.FAST, Span(0, 96_000))
    assert fast.shape == (1, 96_000)
    ramp = round(RAMP_S * 48_000)  # other channels last longer
    # 24 bits and a power of two: exact in the cache's float32.
    assert np.array_equal(fast[0, :-ramp], 0.5 * recorded[:-ramp, 0])
    assert np.abs(fast[0, -10:]).max() < 0.005


def test_a_channel_that_began_late_stands_late(bag: Bag, tmp_path: Path) -> None:
    prepared = prepare(bag.path, ALL, tmp_path / "cache")
    slow = array(prepared, "back_of_head", Kind.SLOW, Span(0, 48_000 * 5))
    assert not slow[:1000].any()
    assert slow[1000] != 0  # start_s = 0.5 at 2000 Hz
    assert slow[8999] != 0  # lasts 4 s
    assert not slow[9000:].any()


def test_beats_are_events_valued_with_the_interval_that_ended_there(bag: Bag, tmp_path: Path) -> None:
    prepared = prepare(bag.path, ALL, tmp_path / "cache")
    events = prepared.channel("beats", Kind.EVENTS)(Span(1, 200_000))
    assert isinstance(events, Events)
    assert events.frames.tolist() == [round(48 * ms) for ms in (800, 1650, 2460, 3180)]
    assert events.values.tolist() == pytest.approx([0.8, 0.85, 0.81, 0.72])


def test_it_lasts_to_the_end_of_its_longest_channel_and_says_which_end_before(bag: Bag, tmp_path: Path) -> None:
    prepared = prepare(bag.path, ALL, tmp_path / "cache")
    assert prepared.frames == round(4.5 * 48_000)
    assert any("forearm_left ends 2.5 s before" in note.what for note in prepared.notes)
    assert all(note.severity is Severity.NOTES for note in prepared.notes)
    after = Span(prepared.frames, prepared.frames + 100)
    assert not array(prepared, "forearm_left", Kind.FAST, after).any()
    beats = prepared.channel("beats", Kind.EVENTS)(after)
    assert isinstance(beats, Events)
    assert len(beats.frames) == 0


@given(cuts=st.lists(st.integers(0, 230_000), max_size=12))
def test_what_is_read_does_not_depend_on_the_spans(tmp_path: Path, cuts: list[int]) -> None:
    path = tmp_path / "first-batch"
    bag_path = path if path.exists() else sealed_bag(tmp_path).path
    prepared = prepare(bag_path, ALL, tmp_path / "cache")
    spans = [Span(start, stop) for start, stop in itertools.pairwise([0, *sorted(cuts), 230_000])]
    for name, kind in (("forearm_left", Kind.FAST), ("forearm_left", Kind.SLOW), ("back_of_head", Kind.SLOW)):
        parts = [array(prepared, name, kind, span) for span in spans]
        assert np.array_equal(np.concatenate(parts, axis=-1), array(prepared, name, kind, Span(0, 230_000)))


def test_the_second_time_nothing_is_converted(bag: Bag, tmp_path: Path) -> None:
    told: list[str] = []
    first = prepare(bag.path, ALL, tmp_path / "cache", lambda what, done, total: told.append(what))
    assert set(told) == set(ALL)
    told.clear()
    second = prepare(bag.path, ALL, tmp_path / "cache", lambda what, done, total: told.append(what))
    assert told == []
    assert replace(first, readers={}) == replace(second, readers={})


def test_another_payload_has_another_place_in_the_cache(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    one = sealed_bag(tmp_path / "one")
    (tmp_path / "one" / "recorded" / "beats.txt").write_text("900\n", encoding="utf-8")
    two = seal(tmp_path / "one" / "recorded", tmp_path / "two", {}, SEALED_ON)
    for bag, frame in ((one, 38_400), (two, 43_200)):
        events = prepare(bag.path, {"beats": {Kind.EVENTS}}, tmp_path / "cache").channel("beats", Kind.EVENTS)
        found = events(Span(1, 48_000))
        assert isinstance(found, Events)
        assert found.frames.tolist() == [frame]


def test_a_spoilt_file_in_the_cache_is_made_again(bag: Bag, tmp_path: Path) -> None:
    prepare(bag.path, ALL, tmp_path / "cache")
    for number, file in enumerate(sorted((tmp_path / "cache").rglob("*.npy"))):
        file.write_bytes([b"", b"not an array", file.read_bytes()[:200], b"\x00" * 500][number % 4])
    prepared = prepare(bag.path, ALL, tmp_path / "cache")
    assert array(prepared, "forearm_left", Kind.FAST, Span(0, 96_000)).any()


def test_a_folder_in_the_place_of_a_file_in_the_cache_makes_room(bag: Bag, tmp_path: Path) -> None:
    """Such as after the repair of a file system: no file can be put into its place."""
    cache = tmp_path / "cache"
    prepare(bag.path, ALL, cache)
    files = [file for file in prepared_folder(cache, bag.digest).iterdir() if file.is_file()]
    for file in files:
        file.unlink()
        (file / "lost+found").mkdir(parents=True)
    prepare(bag.path, ALL, cache)
    assert [file.is_file() for file in files] == [True] * len(files)


def test_a_conversion_cut_short_leaves_nothing_in_the_cache(bag: Bag, tmp_path: Path) -> None:
    class CutError(Exception):
        pass

    def cut(what: str, done: int, total: int) -> None:
        raise CutError

    with pytest.raises(CutError):
        prepare(bag.path, ALL, tmp_path / "cache", cut)
    assert [path for path in (tmp_path / "cache").rglob("*") if path.is_file()] == []


@pytest.mark.parametrize(
    ("needs", "told"),
    [
        pytest.param({"forearm_lft": {Kind.SLOW}}, "Did you mean forearm_left", id="no such channel"),
        pytest.param({"beats": {Kind.FAST}}, "beats is rr, which cannot be read as fast", id="beats as sound"),
        pytest.param({"back_of_head": {Kind.EVENTS}}, "read it as fast or slow", id="brain waves as events"),
    ],
)
def test_a_need_that_cannot_be_met_is_told(bag: Bag, tmp_path: Path, needs: dict[str, set[Kind]], told: str) -> None:
    with pytest.raises(ProblemError, match=told):
        prepare(bag.path, needs, tmp_path / "cache")


def test_everything_that_is_wrong_is_told_at_once(bag: Bag, tmp_path: Path) -> None:
    (bag.payload / "arms.flac").unlink()
    with pytest.raises(ProblemError) as caught:
        prepare(bag.path, {"forearm_left": {Kind.FAST}, "chest": {Kind.SLOW}, "beats": {Kind.SLOW}}, tmp_path / "cache")
    assert len(caught.value.findings) == 3


def recorded(folder: Path, samples: np.ndarray, subtype: str = "DOUBLE", **more: float) -> Path:
    """A bag with one sound file at 1000 Hz."""
    source = folder / "source"
    source.mkdir()
    soundfile.write(source / "a.wav", samples, 1000, subtype=subtype)
    channel = msgspec.structs.replace(Channel(kind=ChannelKind.EMG, file="a.wav"), **more)
    (source / FILE_NAME).write_text(write_performance(performance({"arm": channel})), encoding="utf-8")
    return seal(source, folder / "bag", {}, SEALED_ON).path


def test_gaps_are_bridged_and_noted_and_no_nan_gets_through(tmp_path: Path) -> None:
    samples = np.full(4000, 2.0)
    samples[1000:3000] = np.nan
    samples[3000:] = 4.0
    path = recorded(tmp_path, samples)
    for _ in range(2):  # the second time from the cache
        prepared = prepare(path, {"arm": {Kind.SLOW}}, tmp_path / "cache")
        slow = array(prepared, "arm", Kind.SLOW, Span(0, prepared.frames))
        assert np.isfinite(slow).all()
        assert slow[4000] == pytest.approx(3.0, abs=0.01)  # half-way over
        assert any("1 gaps, the longest 2.0 s" in note.what for note in prepared.notes)


def test_a_channel_of_nothing_but_gaps_is_told(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="nothing but gaps"):
        prepare(recorded(tmp_path, np.full(100, np.nan)), {"arm": {Kind.SLOW}}, tmp_path / "cache")


def test_values_beyond_all_measure_stay_finite(tmp_path: Path) -> None:
    prepared = prepare(recorded(tmp_path, np.full(100, 1e300)), {"arm": {Kind.FAST}}, tmp_path / "cache")
    assert np.isfinite(array(prepared, "arm", Kind.FAST, Span(0, prepared.frames))).all()


def test_what_was_recorded_before_the_start_is_not_heard(tmp_path: Path) -> None:
    path = recorded(tmp_path, np.repeat([1.0, 3.0], 1000), start_s=-1.5)
    prepared = prepare(path, {"arm": {Kind.SLOW}}, tmp_path / "cache")
    assert prepared.frames == 24_000
    assert array(prepared, "arm", Kind.SLOW, Span(0, 24_000))[100:] == pytest.approx(3.0)


def test_a_channel_of_another_rate_keeps_its_time(tmp_path: Path) -> None:
    time_s = np.arange(4000) / 1000
    path = recorded(tmp_path, np.sin(2 * np.pi * 25 * time_s))
    prepared = prepare(path, {"arm": {Kind.SLOW, Kind.FAST}}, tmp_path / "cache")
    for kind, rate_hz in ((Kind.SLOW, 2000), (Kind.FAST, 48_000)):
        found = array(prepared, "arm", kind, Span(0, prepared.frames)).reshape(-1)
        expected = np.sin(2 * np.pi * 25 * np.arange(len(found)) / rate_hz)
        quarter = len(found) // 4
        assert found[quarter:-quarter] == pytest.approx(expected[quarter:-quarter], abs=1e-5)
