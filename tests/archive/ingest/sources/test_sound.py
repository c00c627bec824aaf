"""Sound files as sources: what is private in them, when they began, and the samples that stay."""

from __future__ import annotations

import struct
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from residue.archive.ingest.keeping import keep
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.performance import Channel, ChannelKind


def broadcast_wav(path: Path) -> Path:
    """A WAV file with a bext chunk (EBU Tech 3285): description, originator, reference, date, time."""
    soundfile.write(path, np.linspace(-0.5, 0.5, 1000), 48_000, subtype="PCM_24")
    content = path.read_bytes()
    chunk = b"Kneading".ljust(256, b"\0") + b"Ida Brandt".ljust(32, b"\0") + b"SN4711".ljust(32, b"\0")
    chunk += b"2026-02-11" + b"23:40:05" + bytes(264)
    data = content.index(b"data")
    content = content[:data] + b"bext" + struct.pack("<I", len(chunk)) + chunk + content[data:]
    path.write_bytes(content[:4] + struct.pack("<I", len(content) - 8) + content[8:])
    return path


def test_a_broadcast_wav_tells_when_it_began_and_that_it_names_somebody(tmp_path: Path) -> None:
    source = open_source(broadcast_wav(tmp_path / "a.wav"), None, tmp_path)
    assert source.began == datetime(2026, 2, 11, 23, 40, 5)  # noqa: DTZ001 - the format knows no offset
    assert source.private == ("the bext chunk",)


def tagged(path: Path, subtype: str) -> Path:
    with soundfile.SoundFile(path, "w", 44_100, 2, subtype) as file:
        file.artist = "Ida Brandt"
        file.write(np.random.default_rng(3).uniform(-0.9, 0.9, (70_000, 2)))
    return path


FILES = [
    pytest.param("a.wav", "PCM_16", id="wav-16"),
    pytest.param("a.wav", "PCM_24", id="wav-24"),
    pytest.param("a.wav", "PCM_32", id="wav-32"),
    pytest.param("a.wav", "FLOAT", id="wav-float"),
    pytest.param("a.wav", "DOUBLE", id="wav-double"),
    pytest.param("a.flac", "PCM_24", id="flac-24"),
    pytest.param("a.aiff", "PCM_16", id="aiff-16"),
]


@pytest.mark.parametrize(("name", "subtype"), FILES)
def test_without_its_tags_a_file_holds_the_same_samples_to_the_bit(tmp_path: Path, name: str, subtype: str) -> None:
    path = tagged(tmp_path / name, subtype)
    source = open_source(path, None, tmp_path)
    assert any("Ida Brandt" in words for words in source.private)
    (tmp_path / "kept").mkdir()
    channel = Channel(kind=ChannelKind.MMG, file=name, track=2)
    kept = keep(source, {"arm": channel}, tmp_path / "kept", keep_private=False)
    assert kept.channels["arm"] == channel
    before, after = soundfile.SoundFile(path), soundfile.SoundFile(tmp_path / "kept" / name)
    assert (after.subtype, after.format, after.samplerate) == (before.subtype, before.format, before.samplerate)
    assert np.array_equal(before.read(), after.read())
    assert after.copy_metadata() == {}
    assert b"Ida Brandt" not in (tmp_path / "kept" / name).read_bytes()
    assert b"Ida Brandt" in path.read_bytes()


def test_a_file_with_nothing_but_sound_is_kept_to_the_byte(tmp_path: Path) -> None:
    for name, subtype in (("a.wav", "PCM_24"), ("b.flac", "PCM_16"), ("c.aiff", "PCM_24"), ("d.wav", "FLOAT")):
        path = tmp_path / name
        soundfile.write(path, np.zeros(100), 48_000, subtype=subtype)
        source = open_source(path, None, tmp_path)
        assert source.private == ()
        (tmp_path / "kept").mkdir(exist_ok=True)
        keep(source, {"arm": Channel(kind=ChannelKind.MMG, file=name, track=1)}, tmp_path / "kept", keep_private=False)
        assert (tmp_path / "kept" / name).read_bytes() == path.read_bytes()


def test_every_track_is_offered(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros((10, 3)), 48_000)
    assert open_source(tmp_path / "a.wav", None, tmp_path).labels == ["track 1", "track 2", "track 3"]
