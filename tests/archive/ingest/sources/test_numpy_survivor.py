"""What survives of npy and npz files, of those that NumPy writes: cut at any byte, or with damaged bytes."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import numpy as np
import pytest

from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.ingest.sources.numpy_survivor import surviving_npy, surviving_npz
from residue.problems import ProblemError

RNG = np.random.default_rng(3)
TALL, WIDE, ROW = RNG.standard_normal((500, 3)), RNG.standard_normal((3, 500)), RNG.integers(0, 999, 500, np.int16)
MOST_BYTES = 1 << 24
FACTS = TableFacts(rate_hz=100.0)


def npz(*, packed: bool) -> bytes:
    file = BytesIO()
    (np.savez_compressed if packed else np.savez)(file, ecg=TALL[:, 0], emg=TALL[:, 1], fs=np.array(250.0))
    return file.getvalue()


@pytest.mark.parametrize(
    ("array", "order", "lost_bytes", "kept"),
    [
        (ROW, "C", 401, (299,)),
        (TALL, "C", 8 * 3 * 100 - 4, (400, 3)),
        (TALL, "C", 8 * 3 * 498, None),  # two rows of three: nobody can tell which side is time
        (TALL, "F", 8 * 3, (500, 2)),
        (TALL, "F", 8 * 1100, (400, 1)),
        (WIDE, "C", 8 * 3, (2, 500)),
        (WIDE, "C", 8 * 1100, (1, 400)),
        (WIDE, "F", 8 * 3 * 100 - 4, (3, 400)),
    ],
)
def test_of_an_array_that_was_cut_the_whole_rows_survive(
    array: np.ndarray, order: str, lost_bytes: int, kept: tuple[int, ...] | None, tmp_path: Path
) -> None:
    path = tmp_path / "a.npy"
    np.save(path, (np.asfortranarray if order == "F" else np.ascontiguousarray)(array))
    path.write_bytes(path.read_bytes()[:-lost_bytes])
    if kept is None:
        with pytest.raises(ValueError, match="no numbers survive"):
            surviving_npy(path)
        return
    survivor, lost = surviving_npy(path)
    here = tuple(slice(side) for side in kept)
    np.testing.assert_array_equal(survivor, array[here])
    there, promised = (" × ".join(map(str, shape)) for shape in (kept, array.shape))
    assert lost == f"cut short: {there} of {promised} numbers survive"


@pytest.mark.parametrize("packed", [False, True])
def test_of_arrays_that_were_cut_the_first_are_whole_and_the_next_begins(*, packed: bool) -> None:
    content = npz(packed=packed)
    directory, second = content.index(b"PK\x01\x02"), content.index(b"PK\x03\x04", 1)
    arrays, lost = surviving_npz(content[:directory], MOST_BYTES)
    assert (sorted(arrays), lost) == (
        ["ecg", "emg", "fs"],
        "cut short or damaged: its list of arrays is lost, and each array is whole",
    )
    np.testing.assert_array_equal(arrays["emg"], TALL[:, 1])
    arrays, lost = surviving_npz(content[: second + 3000], MOST_BYTES)
    np.testing.assert_array_equal(arrays["ecg"], TALL[:, 0])
    count = int(np.isfinite(arrays["emg"]).sum())
    assert 300 < count < 400
    np.testing.assert_array_equal(arrays["emg"][:count], TALL[:count, 1])
    assert arrays["emg"].shape == (500,), "with no values where they are lost, so that it has the rate of the other"
    if not packed:  # what is not packed takes no memory of its own
        arrays, _ = surviving_npz(content[: second + 3000], 3999)
        assert arrays["emg"].shape == (count,), "not where a header promises more than fits"
    assert lost == f"cut short or damaged: of emg, {count} of 500 numbers survive"


@pytest.mark.parametrize("packed", [False, True])
def test_of_damaged_arrays_the_others_survive(*, packed: bool) -> None:
    content = bytearray(npz(packed=packed))
    content[2000] ^= 0x10
    arrays, lost = surviving_npz(bytes(content), MOST_BYTES)
    assert sorted(arrays) == ["emg", "fs"]
    assert lost == "cut short or damaged: ecg is lost"


def test_a_recording_that_was_being_written_when_the_power_failed_is_taken_on_a_persons_word(tmp_path: Path) -> None:
    path = tmp_path / "evening.npz"
    path.write_bytes(npz(packed=False)[:-1200])
    with pytest.raises(ProblemError, match=r'damaged = \["evening.npz"\]'):
        open_source(path, None, tmp_path)
    source = open_source(path, FACTS, tmp_path, salvage=True)
    assert source.labels == ["ecg", "emg"]
    assert source.lost.startswith("cut short or damaged: of emg, ")
    np.testing.assert_array_equal(source.tracks[0].stream.read(0, 500), TALL[:, 0])


@pytest.mark.parametrize("content", [b"", b"\x93NUMPY", b"PK\x03\x04", npz(packed=True)[:40]])
@pytest.mark.parametrize("ending", ["npy", "npz"])
def test_of_nothing_nothing_survives(ending: str, content: bytes, tmp_path: Path) -> None:
    path = tmp_path / f"a.{ending}"
    path.write_bytes(content)
    with pytest.raises(ProblemError, match="It cannot be read"):
        open_source(path, FACTS, tmp_path, salvage=True)
