"""Sound files: what comes out is what went in, and what cannot be read is told."""

from __future__ import annotations

import itertools
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.performance import Channel, ChannelKind
from residue.archive.readers.catalogue import open_channel
from residue.dsp.resampling import resampled
from residue.problems import ProblemError
from tests.archive.bags import write_flac


def channel(file: str, track: int | None = None, full_scale: float = 1.0) -> Channel:
    return Channel(kind=ChannelKind.MMG, file=file, track=track, full_scale=full_scale)


def read_all(path: Path, asked: Channel) -> None:
    stream = open_channel(path, asked)
    stream.read(0, stream.length)


@pytest.mark.parametrize(
    ("name", "subtype", "resolution"),
    [
        pytest.param("a.wav", "PCM_16", 2.0**-15, id="wav-16"),
        pytest.param("a.wav", "PCM_24", 2.0**-23, id="wav-24"),
        pytest.param("a.wav", "FLOAT", 2.0**-24, id="wav-float"),
        pytest.param("a.wav", "DOUBLE", 2.0**-53, id="wav-double"),
        pytest.param("a.rf64", "PCM_24", 2.0**-23, id="rf64-24"),
        pytest.param("a.flac", "PCM_16", 2.0**-15, id="flac-16"),
        pytest.param("a.flac", "PCM_24", 2.0**-23, id="flac-24"),
        pytest.param("a.aiff", "PCM_24", 2.0**-23, id="aiff-24"),
    ],
)
def test_a_track_is_read_back_in_physical_values(tmp_path: Path, name: str, subtype: str, resolution: float) -> None:
    sound = np.random.default_rng(1).uniform(-0.9, 0.9, (200_000, 3))
    path = tmp_path / name
    soundfile.write(path, sound, 44_100, subtype=subtype, format="RF64" if name.endswith("rf64") else None)
    stream = open_channel(path, channel(name, track=2, full_scale=2.5))
    assert (int(stream.rate_hz), stream.length) == (44_100, 200_000)
    assert np.abs(stream.read(0, 200_000) - 2.5 * sound[:, 1]).max() <= 2.5 * resolution


def test_each_frame_is_decoded_once_though_a_filter_reads_some_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_flac(tmp_path / "a.flac", seconds=6.0)
    stream = open_channel(tmp_path / "a.flac", channel("a.flac", track=1))
    decoded, reading = [], soundfile.SoundFile.read

    def counted(file: soundfile.SoundFile, frames: int, **asked: object) -> np.ndarray:
        decoded.append(frames)
        return np.asarray(reading(file, frames, **asked))

    monkeypatch.setattr(soundfile.SoundFile, "read", counted)
    slow = resampled(stream, 2000)
    for start in range(0, slow.length, 500):
        slow.read(start, min(start + 500, slow.length))
    assert sum(decoded) == stream.length == 6 * 48_000


@given(cuts=st.lists(st.integers(0, 150_000), min_size=2, max_size=6))
def test_the_file_can_be_read_in_any_order(tmp_path: Path, cuts: list[int]) -> None:
    path = tmp_path / "a.flac"
    sound = write_flac(path, seconds=150_000 / 48_000)
    stream = open_channel(path, channel("a.flac", track=1))
    for one, other in itertools.pairwise(cuts):
        start, stop = min(one, other), max(one, other)
        assert np.array_equal(stream.read(start, stop), sound[0, start:stop])


def test_a_track_that_does_not_exist_is_told_with_those_that_do(tmp_path: Path) -> None:
    write_flac(tmp_path / "a.flac")
    with pytest.raises(ProblemError, match=r"no track 3.*1 to 2"):
        open_channel(tmp_path / "a.flac", channel("a.flac", track=3))


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.aiff"])
def test_a_file_cut_short_is_told(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    soundfile.write(path, np.random.default_rng(2).uniform(-0.5, 0.5, 96_000), 48_000, subtype="PCM_16")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(ProblemError, match=r"promises|cannot be read"):
        read_all(path, channel(name))


def test_a_file_without_samples_is_told(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(0), 48_000)
    with pytest.raises(ProblemError, match="no samples"):
        open_channel(tmp_path / "a.wav", channel("a.wav"))


def test_a_suffix_that_is_not_known_is_told_with_those_that_are(tmp_path: Path) -> None:
    (tmp_path / "a.docx").write_bytes(b"x")
    with pytest.raises(ProblemError, match=r"\.docx.*\.flac"):
        open_channel(tmp_path / "a.docx", channel("a.docx"))


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.aiff"])
@given(data=st.data())
def test_spoilt_bytes_give_samples_or_a_problem_and_nothing_else(
    tmp_path: Path, name: str, data: st.DataObject
) -> None:
    path = tmp_path / name
    soundfile.write(path, np.linspace(-0.5, 0.5, 4000), 48_000, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 8))):
        place = data.draw(st.integers(0, min(len(content), 120) - 1))
        content[place] = data.draw(st.integers(0, 255))
    path.write_bytes(content[: data.draw(st.integers(0, len(content)))])
    with suppress(ProblemError):
        stream = open_channel(path, channel(name))
        wanted = min(stream.length, 100_000)
        assert len(stream.read(0, wanted)) == wanted
