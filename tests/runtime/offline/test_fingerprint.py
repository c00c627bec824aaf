"""A gallery version is known again by a short text, and what is not the same is told by place and level."""

from __future__ import annotations

import hashlib
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from residue.cli import main
from residue.problems import ProblemError
from residue.runtime.offline.fingerprint import LOWEST_DB, PART_FRAMES, Fingerprint, difference_db, read, sounds, write
from residue.runtime.offline.verification import compare
from tests.runtime import kitchen

DURATION_S = 24.0


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="module")
def installation(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return kitchen.build(tmp_path_factory.mktemp("kitchen"), port=47_399, duration_s=DURATION_S)


def run(cache: Path, *words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], env={"XDG_CACHE_HOME": str(cache)})


@pytest.fixture(scope="module")
def taken(installation: Path, cache: Path) -> Path:
    """The fingerprint of the first batch, beside its WAV."""
    path = cache / "first-batch.toml"
    words = ("--performance", "first-batch", "--fingerprint", path, "--out", path.with_suffix(".wav"))
    assert run(cache, "render", installation, *words).exit_code == 0
    return path


def test_a_fingerprint_names_what_it_is_of(taken: Path) -> None:
    kept = read(taken)
    assert (kept.piece, kept.performance, kept.frames) == ("Short Dough", "first-batch", round(DURATION_S * 48_000))
    assert list(kept.output) == ["left", "right"]
    assert kept.versions.numpy == np.__version__
    assert len(taken.read_text(encoding="utf-8")) < 3_000


def test_the_digests_are_those_of_the_samples_in_the_wav(taken: Path) -> None:
    """Told by hashlib and libsndfile alone: a WAV that was kept is enough."""
    samples, _ = soundfile.read(taken.with_suffix(".wav"), dtype="float32")
    for channel, sound in zip(samples.T, read(taken).output.values(), strict=True):
        assert hashlib.sha256(channel.astype("<f4").tobytes()).hexdigest() == sound.sha256


def test_what_is_rendered_again_is_the_same_to_the_bit(installation: Path, cache: Path, taken: Path) -> None:
    found = run(cache, "verify", "--fingerprint", taken, installation)
    assert (found.exit_code, found.stdout) == (
        0,
        "The same to the bit: Short Dough, first-batch, 2 outputs, 24.0 s.\n",
    )


def test_a_piece_that_was_changed_is_told_with_place_and_level(cache: Path, taken: Path, tmp_path: Path) -> None:
    changed = kitchen.build(tmp_path, port=47_399, duration_s=DURATION_S)
    piece = (changed / "piece.toml").read_text(encoding="utf-8")
    # 0.01 dB louder: a difference of 20 log10(10^(0.01 / 20) - 1) = -58.8 dB, in every part.
    louder = piece.replace('to = ["left", "right"]', 'to = ["left", "right"]\ngain_db = 0.01')
    (changed / "piece.toml").write_text(louder, encoding="utf-8")
    found = run(cache, "verify", "--fingerprint", taken, changed)
    assert found.exit_code == 1
    told = found.stdout.splitlines()
    assert told[0] == "NOT the same: Short Dough, first-batch, 2 outputs, 24.0 s."
    assert told[1].startswith("left: 3 of 3 parts of 10 s differ, by about -")
    assert 56 <= int(told[1].rpartition(", ")[2].split()[0]) <= 62
    assert told[2].startswith("  0:00.0 to 0:24.0: ")
    assert "Changed since: the piece or a file that it names." in told


def test_the_length_of_a_step_changes_neither_the_sound_nor_its_length(
    installation: Path, cache: Path, taken: Path, tmp_path: Path
) -> None:
    words = ("--performance", "first-batch", "--fingerprint", tmp_path / "again.toml", "--block", "7777")
    assert run(cache, "render", installation, *words).exit_code == 0
    assert read(tmp_path / "again.toml") == read(taken)


def noise(level: float, seed: int, frames: int = 3 * PART_FRAMES) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, level, (1, frames))


@pytest.mark.parametrize("level", [0.1, 1e-3, 1e-6], ids=["-20 dB", "-60 dB", "-120 dB"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_sums_tell_the_level_of_a_difference_that_is_heard_by_nobody(level: float, seed: int) -> None:
    """Beside the root mean square of the difference itself, within 3 dB over three parts."""
    sound, added = noise(0.1, 100), noise(level, seed)
    kept, found = (sounds([both], ["left"])[0]["left"] for both in (sound, sound + added))
    true_db = 20 * np.log10(np.sqrt((added**2).mean()))
    assert difference_db(kept.part, found.part, added.shape[1]) == pytest.approx(true_db, abs=3.0)
    assert difference_db(kept.part, kept.part, added.shape[1]) == LOWEST_DB


def changed_at(kept: Fingerprint, *parts: int) -> Fingerprint:
    """A fingerprint whose left output differs in some parts."""
    sound = kept.output["left"]
    part = [
        msgspec.structs.replace(one, digest="0", sums=[each + 2**20 for each in one.sums]) if at in parts else one
        for at, one in enumerate(sound.part)
    ]
    left = msgspec.structs.replace(sound, sha256="0", part=part)
    return msgspec.structs.replace(kept, output={**kept.output, "left": left})


def test_each_stretch_that_differs_is_told(taken: Path) -> None:
    kept = read(taken)
    told = compare(kept, changed_at(kept, 0, 2), ["rough"]).words
    assert told[1].startswith("left: 2 of 3 parts of 10 s differ")
    assert [line.partition(": by")[0] for line in told[2:4]] == ["  0:00.0 to 0:10.0", "  0:20.0 to 0:24.0"]
    assert told[4:] == [
        "right: the same to the bit.",
        "Piece, recording and room are unchanged.",
        "Nodes that do not promise the same bits on every machine: rough.",
    ]


def test_another_length_is_told(taken: Path) -> None:
    kept = read(taken)
    shorter = msgspec.structs.replace(changed_at(kept, 2), frames=kept.frames - 4_800)
    assert "It lasts 23.90 s, and lasted 24.00 s." in compare(kept, shorter).words


def test_how_the_sound_is_cut_into_blocks_leaves_no_trace() -> None:
    sound = noise(0.1, 5, PART_FRAMES + 77_777)
    pieces = np.split(sound, [1, 4_801, 300_000, PART_FRAMES], axis=1)
    assert sounds(pieces, ["left"]) == sounds([sound], ["left"])


def test_a_fingerprint_is_read_as_it_was_written(taken: Path, tmp_path: Path) -> None:
    write(read(taken), tmp_path / "again.toml")
    assert read(tmp_path / "again.toml") == read(taken)


def test_a_file_that_is_no_fingerprint_is_told_as_such(tmp_path: Path) -> None:
    (tmp_path / "other.toml").write_text('piece = "Short Dough"\n', encoding="utf-8")
    with pytest.raises(ProblemError, match=r"other.toml: performance: This key is missing"):
        read(tmp_path / "other.toml")


def test_a_fingerprint_of_another_piece_is_refused(
    installation: Path, cache: Path, taken: Path, tmp_path: Path
) -> None:
    write(msgspec.structs.replace(read(taken), piece="Night Dough"), tmp_path / "other.toml")
    found = run(cache, "verify", "--fingerprint", tmp_path / "other.toml", installation)
    assert found.exit_code == 1
    assert 'The fingerprint is of the piece "Night Dough", and this is "Short Dough".' in found.stderr


def test_render_wants_to_know_what_to_write(installation: Path, cache: Path) -> None:
    found = run(cache, "render", installation, "--performance", "first-batch")
    assert found.exit_code == 2
    assert "--out FILE.wav" in found.stderr
