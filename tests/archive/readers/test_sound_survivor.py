"""What survives of damaged sound files: to the bit what libsndfile wrote, up to the damage."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from residue.archive.readers.sound import SoundTrack
from residue.archive.readers.sound_survivor import goes_on, open_survivor
from residue.problems import ProblemError

RATE_HZ = 8000
FRAMES = 10 * RATE_HZ


def written(path: Path, subtype: str = "PCM_24") -> np.ndarray:
    """Ten seconds of two tracks; (frames, tracks), as libsndfile reads them again."""
    soundfile.write(path, np.random.default_rng(4).normal(0, 0.1, (FRAMES, 2)), RATE_HZ, subtype)
    whole: np.ndarray = soundfile.read(path)[0]
    return whole


def survivor(path: Path) -> tuple[np.ndarray, str]:
    blocks, lost = open_survivor(path, path.parent)
    tracks = [SoundTrack(blocks, track, 1.0) for track in (1, 2)]
    return np.array([track.read(0, track.length) for track in tracks]).T, lost


def sizes(riff: int, data: int) -> Callable[[bytes], bytes]:
    """A header that its recorder has not completed."""

    def spoil(content: bytes) -> bytes:
        place = content.index(b"data") + 4
        begins = content[:4] + riff.to_bytes(4, "little") + content[8:place]
        return begins + data.to_bytes(4, "little") + content[place + 4 :]

    return spoil


@pytest.mark.parametrize(
    "spoil",
    [sizes(0, 0), sizes(36, 0), sizes(0, 6000), sizes(0, 6001)],
    ids=["no sizes", "only the header's", "the first second's", "an odd one"],
)
@pytest.mark.parametrize("ending", [0, 3, 50_000])
def test_a_wav_that_its_recorder_did_not_close_is_whole(
    tmp_path: Path, spoil: Callable[[bytes], bytes], ending: int
) -> None:
    path = tmp_path / "a.wav"
    whole = written(path)
    content = spoil(path.read_bytes())
    path.write_bytes(content[: len(content) - ending])
    assert goes_on(path)
    found, lost = survivor(path)
    assert np.array_equal(found, whole[: (FRAMES * 6 - ending) // 6])
    assert lost.startswith("not closed by its recorder")


def test_a_wav_that_was_cut_gives_what_is_there(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    whole = written(path)
    path.write_bytes(path.read_bytes()[:-240_000])
    found, lost = survivor(path)
    assert np.array_equal(found, whole[: FRAMES // 2])
    assert lost == "cut short or damaged: 5.0 s of sound survive of the 10.0 s that its header promises"
    assert not goes_on(path)


def cut(content: bytes) -> bytes:
    return content[: len(content) // 2]


def hole(content: bytes) -> bytes:
    return content[: len(content) // 2] + bytes(3000) + content[len(content) // 2 + 3000 :]


def unknown_length(content: bytes) -> bytes:
    """The count of samples in STREAMINFO, its last 36 bits before the digest (RFC 9639, 8.2), as 0: not known."""
    return content[:21] + bytes([content[21] & 0xF0]) + bytes(4) + content[26:]


@pytest.mark.parametrize("spoil", [cut, unknown_length, lambda content: cut(unknown_length(content))])
def test_a_flac_gives_what_can_be_decoded_before_the_damage(tmp_path: Path, spoil: Callable[[bytes], bytes]) -> None:
    path = tmp_path / "a.flac"
    whole = written(path)
    path.write_bytes(spoil(path.read_bytes()))
    found, lost = survivor(path)
    assert np.array_equal(found, whole[: len(found)])
    assert len(found) > 0.4 * FRAMES
    assert len(found) >= FRAMES - 1 or len(found) < 0.6 * FRAMES
    assert lost


def test_what_comes_after_a_hole_in_a_flac_is_at_its_place(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    whole = written(path)
    path.write_bytes(hole(path.read_bytes()))
    found, lost = survivor(path)
    silent = np.flatnonzero((found != whole).any(axis=1))
    assert not found[silent].any()
    assert 0 < len(silent) <= 2 * 4096  # frames of 4096 samples of two tracks are longer than 3000 bytes
    assert found.shape == whole.shape
    assert lost == (
        f"damaged: {(FRAMES - len(silent)) / RATE_HZ:.1f} s of sound survive of the 10.0 s that its header promises; "
        f"silent or missing: {len(silent) / RATE_HZ:.2f} s at {silent[0] / RATE_HZ:.2f} s"
    )


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_a_whole_file_has_lost_nothing(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    whole = written(path)
    found, lost = survivor(path)
    assert np.array_equal(found, whole)
    assert lost == ""
    assert not goes_on(path)


def test_chunks_behind_the_sound_are_no_sound(tmp_path: Path) -> None:
    """Also behind one of odd length that was not padded, as some programs write it."""
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(4001), RATE_HZ, "PCM_U8")
    content = path.read_bytes()[: 44 + 4001]
    for pad in (b"", b"\0"):
        for name in (b"LIST", b"_PMX"):  # the second holds XMP (ISO 16684-1; its place in WAV from memory)
            path.write_bytes(content + pad + name + (6000).to_bytes(4, "little") + bytes(6000))
            assert not goes_on(path)


NOTHING = [b"", b"RIFF", b"RIFF\0\0\0\0WAVE", b"fLaC", b"RIFF\0\0\0\0WAVEdata\0\0\0\0" + bytes(9000)]


@pytest.mark.parametrize("content", NOTHING)
def test_where_nothing_survives_it_is_told(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a.wav").write_bytes(content)
    with pytest.raises(ProblemError, match=r"None of i|survives"):
        open_survivor(tmp_path / "a.wav", tmp_path)
