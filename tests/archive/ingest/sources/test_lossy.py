"""Sound that was coded with loss, as sources: decoded as other programs decode it, and told as what it is."""

from __future__ import annotations

import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import soundfile

from residue.archive.ingest.describe import Description
from residue.archive.ingest.run import ingest
from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.performance import Channel, ChannelKind
from residue.archive.readers.catalogue import open_channel
from residue.problems import ProblemError

RATE_HZ = 44_100
SOUND = 0.2 * np.sin(2 * np.pi * 220 * np.arange(5 * RATE_HZ) / RATE_HZ)[:, None] * [1.0, 0.5]


def write(path: Path) -> None:
    forms = {".mp3": ("MP3", "MPEG_LAYER_III"), ".ogg": ("OGG", "VORBIS")}
    if path.suffix in forms:
        form, subtype = forms[path.suffix]
        soundfile.write(path, SOUND, RATE_HZ, format=form, subtype=subtype)
        return
    wav = path.with_suffix(".wav")
    soundfile.write(wav, SOUND, RATE_HZ, "FLOAT")
    _ffmpeg("-i", wav, "-c:a", "aac", "-b:a", "128k", path)
    wav.unlink()


def _ffmpeg(*words: object) -> bytes:
    program = shutil.which("ffmpeg")
    assert program, "ffmpeg is one of the tools of the tests: apt-get install ffmpeg"
    command = [program, "-loglevel", "error", "-y", *map(str, words)]
    return subprocess.run(command, check=True, capture_output=True).stdout


def values(source: IngestSource) -> np.ndarray:
    return np.array([track.stream.read(0, track.stream.length) for track in source.tracks]).T


@pytest.mark.parametrize("name", ["a.mp3", "a.ogg"])
def test_it_is_decoded_as_libsndfile_decodes_it_in_one_pass(tmp_path: Path, name: str) -> None:
    write(tmp_path / name)
    source = open_source(tmp_path / name, None, tmp_path)
    expected, _ = soundfile.read(tmp_path / name)
    assert np.array_equal(values(source), expected)
    assert source.tracks[1].stream.rate_hz == RATE_HZ
    assert np.array_equal(source.tracks[1].stream.read(1000, 90_000), expected[1000:90_000, 1])


@pytest.mark.parametrize("name", ["a.m4a", "a.aac"])
def test_aac_is_decoded_as_ffmpeg_decodes_it(tmp_path: Path, name: str) -> None:
    write(tmp_path / name)
    source = open_source(tmp_path / name, None, tmp_path)
    raw = _ffmpeg("-i", tmp_path / name, "-f", "f32le", "-")
    expected = np.frombuffer(raw, "<f4").reshape(-1, 2)
    found = values(source)
    # Some builds leave out what fills the last frame of the encoder, 1,024 samples (ISO/IEC 14496-3).
    assert abs(len(found) - len(expected)) < 1024
    found, expected = found[: len(expected)], expected[: len(found)]
    np.testing.assert_allclose(found, expected, atol=1e-5)  # another build of the decoder adds in another order


@pytest.mark.parametrize("name", ["a.mp3", "a.m4a"])
def test_the_bag_says_that_it_was_coded_with_loss(tmp_path: Path, name: str) -> None:
    write(tmp_path / name)
    arm = Channel(kind=ChannelKind.AUDIO, file=name, track=1)
    done = ingest([tmp_path / name], tmp_path / "bag", Description(title="x", channel={"arm": arm}), date(2026, 3, 1))
    channel = done.bag.performance.channel["arm"]
    assert channel.lost.startswith("coded with loss (")
    assert f"{name}: {channel.lost}." in done.report
    kept = open_channel(done.bag.file_of("arm"), channel)
    assert np.array_equal(kept.read(0, kept.length), values(open_source(tmp_path / name, None, tmp_path))[:, 0])


@pytest.mark.parametrize("name", ["a.mp3", "a.aac"])
def test_a_file_cut_short_is_told_and_taken_on_a_persons_word(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    write(path)
    whole = values(open_source(path, None, tmp_path))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(ProblemError, match=rf'cannot be decoded on after 2\.\d s: .*damaged = \["{name}"\]'):
        open_source(path, None, tmp_path)
    source = open_source(path, None, tmp_path, salvage=True)
    found = values(source)
    assert 0.4 * len(whole) < len(found) < 0.6 * len(whole)
    assert np.array_equal(found[: len(found) - 4096], whole[: len(found) - 4096])
    assert source.lost.startswith("cut short or damaged: 2.")


@pytest.mark.parametrize(
    ("spoilt", "told", "seconds"),
    [
        (bytes(2_000), r"cannot be decoded on after 2\.\d s: it is damaged there", 2.0),
        (None, r"cannot be decoded: a part of it is damaged, from about \d s on", 4.0),
    ],
    ids=["a hole", "flipped bits"],
)
def test_damage_within_an_mp3_is_told_in_our_words_alone(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], spoilt: bytes | None, told: str, seconds: float
) -> None:
    """The decoder writes lines of its own on standard error, and after flipped bits it decodes on as if nothing was."""
    path = tmp_path / "a.mp3"
    write(path)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    if spoilt is not None:
        content[middle : middle + len(spoilt)] = spoilt
    else:
        for at in np.random.default_rng(3).integers(middle, middle + 8_000, 40):
            content[at] ^= 255
    path.write_bytes(content)
    with pytest.raises(ProblemError, match=told):
        open_source(path, None, tmp_path)
    source = open_source(path, None, tmp_path, salvage=True)
    assert source.lost.startswith("cut short or damaged: ")
    assert len(values(source)) / source.tracks[0].stream.rate_hz > seconds
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("name", ["a.mp3", "a.ogg", "a.m4a", "a.aac"])
@pytest.mark.parametrize("content", [b"", b"hello" * 100, bytes(5000)])
def test_what_is_no_sound_is_told(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(ProblemError, match=rf"^{name}: "):
        open_source(tmp_path / name, None, tmp_path)


def test_an_m4a_without_its_index_is_told(tmp_path: Path) -> None:
    """The index stands at the end, and a recorder that lost its power has not written it."""
    write(tmp_path / "a.m4a")
    content = (tmp_path / "a.m4a").read_bytes()
    (tmp_path / "a.m4a").write_bytes(content[: content.rindex(b"moov") - 4])
    with pytest.raises(ProblemError, match="not a sound file that can be read"):
        open_source(tmp_path / "a.m4a", None, tmp_path)


def test_a_missing_reader_names_the_line_that_installs_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path / "a.m4a")
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(ProblemError, match="pip install av"):
        open_source(tmp_path / "a.m4a", None, tmp_path)
