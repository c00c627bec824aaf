"""Damaged recordings: refused with an offer, taken on a person's word, and the loss is told in the bag."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import edfio
import numpy as np
import pyedflib
import pytest
import soundfile
from click.testing import CliRunner

from residue.archive.fixity import verify
from residue.archive.ingest.describe import Description, read_description
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.run import Ingested, ingest, write_template
from residue.archive.performance import Channel, ChannelKind
from residue.archive.readers.catalogue import open_channel
from residue.cli.show import show
from residue.problems import ProblemError

ON = date(2026, 3, 1)
EEG = Channel(kind=ChannelKind.EEG, file="a.edf", signal="O1", unit="uV")


def write_edf(
    path: Path, *, records: str | None = None, header_bytes: str | None = None, cut_bytes: int = 0
) -> np.ndarray:
    """Ten records of a second; gives the samples as pyedflib reads them from the whole file."""
    signal = edfio.EdfSignal(np.random.default_rng(7).normal(0, 40, 2560), 256, label="O1", physical_dimension="uV")
    edfio.Edf([signal], annotations=[edfio.EdfAnnotation(1.5, None, "sits down")]).write(path)
    with pyedflib.EdfReader(str(path)) as reader:
        whole = reader.readSignal(0)
    content = bytearray(path.read_bytes())
    if records is not None:
        content[236:244] = records.ljust(8).encode()
    if header_bytes is not None:
        content[184:192] = header_bytes.ljust(8).encode()
    path.write_bytes(content[: len(content) - cut_bytes])
    return whole


def ingested(path: Path, channel: Channel, *, damaged: bool, private: bool = False) -> Ingested:
    table = {path.name: TableFacts(rate_hz=100)} if path.suffix == ".csv" else {}
    described = Description(
        title="x", channel={"a": channel}, damaged=[path.name] * damaged, table=table, keep_private=private
    )
    return ingest([path], path.parent / f"bag{private:d}", described, ON)


def samples(done: Ingested) -> np.ndarray:
    stream = open_channel(done.bag.file_of("a"), done.bag.performance.channel["a"])
    return stream.read(0, stream.length)


@pytest.mark.parametrize(
    ("records", "header_bytes", "cut_bytes", "refused", "lost"),
    [
        (
            "-1",
            None,
            0,
            "did not close it: its header says -1",
            "not closed by its recorder: 10 data records survive, 10 s",
        ),
        ("-1", "0", 1000, "header says that it is 0 bytes", "not closed by its recorder: 8 data records survive, 8 s"),
        ("0", None, 0, "did not close it", "not closed by its recorder: 10 data records"),
        ("", "", 0, "size of the header", "not closed by its recorder: 10 data records"),
        (None, "0", 0, "header says that it is 0 bytes", "not closed"),
        (None, None, 1000, "8 of the 10 data records", "cut short: 8 data records survive, 8 s, of 10"),
    ],
    ids=["-1 records", "no size and cut", "0 records", "blank", "a header of 0 bytes", "cut"],
)
@pytest.mark.parametrize("private", [False, True])
def test_an_edf_after_a_dead_battery_is_taken_on_a_persons_word(
    tmp_path: Path,
    *,
    records: str | None,
    header_bytes: str | None,
    cut_bytes: int,
    refused: str,
    lost: str,
    private: bool,
) -> None:
    path = tmp_path / "a.edf"
    whole = write_edf(path, records=records, header_bytes=header_bytes, cut_bytes=cut_bytes)
    before = path.read_bytes()
    with pytest.raises(ProblemError, match=rf'({refused}).*If there is no better copy, write damaged = \["a.edf"\]'):
        ingested(path, EEG, damaged=False)
    done = ingested(path, EEG, damaged=True, private=private)
    found = samples(done)
    assert np.array_equal(found, whole[: len(found)])
    assert len(found) == (2560 if not cut_bytes else 2048)
    assert done.bag.performance.channel["a"].lost.startswith(lost)
    assert f"a.edf: {done.bag.performance.channel['a'].lost}." in done.report
    assert [mark.text for mark in done.bag.performance.mark] == ["sits down"] * private
    assert verify(done.bag.path) == []
    assert path.read_bytes() == before
    with pyedflib.EdfReader(str(done.bag.file_of("a"))) as reader:  # what was kept is a whole file for others too
        assert len(reader.readSignal(0)) == len(found)
    assert lost in CliRunner().invoke(show, [str(done.bag.path)]).output


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_a_cut_sound_file_is_taken_on_a_persons_word(tmp_path: Path, suffix: str) -> None:
    path, arm = tmp_path / f"a.{suffix}", Channel(kind=ChannelKind.MMG, file=f"a.{suffix}")
    soundfile.write(path, np.random.default_rng(8).normal(0, 0.1, 20_000), 2000, "PCM_24")
    whole, _ = soundfile.read(path)
    path.write_bytes(path.read_bytes()[:-30_000])
    with pytest.raises(ProblemError, match=rf'write damaged = \["a.{suffix}"\]'):
        ingested(path, arm, damaged=False)
    done = ingested(path, arm, damaged=True)
    found = samples(done)
    assert np.array_equal(found, whole[: len(found)])
    assert len(found) > 4000
    kept = soundfile.info(done.bag.file_of("a"))
    assert (kept.frames, kept.subtype, done.bag.file_of("a").suffix) == (len(found), "PCM_24", f".{suffix}")
    assert "cut short or damaged" in done.bag.performance.channel["a"].lost


def test_the_sound_behind_the_holes_of_a_flac_file_survives_at_its_place(tmp_path: Path) -> None:
    """Some frames are overwritten, and one has a flipped bit."""
    path, arm = tmp_path / "a.flac", Channel(kind=ChannelKind.MMG, file="a.flac")
    soundfile.write(path, np.random.default_rng(8).normal(0, 0.1, 100_000), 2000, "PCM_24")
    whole, _ = soundfile.read(path)
    content = bytearray(path.read_bytes())
    content[90_000:120_000] = np.random.default_rng(1).bytes(30_000)
    content[220_000] ^= 4
    path.write_bytes(content)
    with pytest.raises(ProblemError, match=r'cannot be read on.*write damaged = \["a.flac"\]'):
        ingested(path, arm, damaged=False)
    done = ingested(path, arm, damaged=True)
    found, lost = samples(done), done.bag.performance.channel["a"].lost
    kept = np.flatnonzero(found == whole)
    silent = np.flatnonzero(found != whole)
    assert len(found) == len(whole)
    assert not found[silent].any()
    assert len(silent) <= 4096 * (30_000 // 12_000 + 2) + 4096  # frames of 4096 samples, some 12 kB each
    assert kept[-1] == len(whole) - 1
    holes = np.split(silent, np.flatnonzero(np.diff(silent) > 1) + 1)
    assert [f"{len(hole) / 2000:.2f} s at {hole[0] / 2000:.2f} s" in lost for hole in holes] == [True, True]
    assert verify(done.bag.path) == []


def test_what_was_copied_before_a_person_said_so_is_not_what_is_kept(tmp_path: Path) -> None:
    """Damage in the middle of a FLAC file shows only when all of it is read, after it was copied."""
    path, arm = tmp_path / "a.flac", Channel(kind=ChannelKind.MMG, file="a.flac")
    soundfile.write(path, np.random.default_rng(8).normal(0, 0.1, 200_000), 2000, "PCM_24")
    content = bytearray(path.read_bytes())
    content[90_000:94_000] = bytes(4_000)
    path.write_bytes(content)
    with pytest.raises(ProblemError, match=r'cannot be read on.*write damaged = \["a.flac"\]'):
        ingested(path, arm, damaged=False)
    done = ingested(path, arm, damaged=True)
    assert len(samples(done)) == 200_000, "it can be played"
    assert "a.flac: what survives." in done.report


def test_a_cut_line_and_zeros_behind_it_are_left_out_of_a_table(tmp_path: Path) -> None:
    path, arm = tmp_path / "a.csv", Channel(kind=ChannelKind.EMG, file="a.csv", signal="arm")
    path.write_bytes(b"arm,leg\n" + b"1,2\n" * 300 + b"12" + bytes(4096))
    with pytest.raises(ProblemError, match=r'Line 302.*write damaged = \["a.csv"\]'):
        ingested(path, arm, damaged=False)
    done = ingested(path, arm, damaged=True)
    assert samples(done).tolist() == [1.0] * 300
    assert done.bag.performance.channel["a"].lost == "cut short or damaged: it was read up to line 301"


def test_the_template_tells_the_loss_and_leaves_the_decision_to_a_person(tmp_path: Path) -> None:
    write_edf(tmp_path / "a.edf", records="-1")
    template = tmp_path / "describe.toml"
    write_template([tmp_path / "a.edf"], template)
    text = template.read_text(encoding="utf-8").replace('title = ""', 'title = "x"')
    assert '# "a.edf" is not closed by its recorder: 10 data records survive' in text
    template.write_text(text, encoding="utf-8")
    with pytest.raises(ProblemError, match="write damaged"):
        ingest([tmp_path / "a.edf"], tmp_path / "bag", read_description(template), ON)
    template.write_text(text.replace("# damaged", "damaged"), encoding="utf-8")
    assert (
        ingest([tmp_path / "a.edf"], tmp_path / "bag", read_description(template), ON)
        .bag.performance.channel["o1"]
        .lost
    )


def test_a_whole_file_that_a_person_calls_damaged_stays_as_it_is(tmp_path: Path) -> None:
    write_edf(tmp_path / "a.edf")
    done = ingested(tmp_path / "a.edf", EEG, damaged=True, private=True)
    assert done.bag.performance.channel["a"].lost == ""
    assert done.bag.file_of("a").read_bytes() == (tmp_path / "a.edf").read_bytes()


def test_a_name_that_is_no_source_is_told(tmp_path: Path) -> None:
    write_edf(tmp_path / "a.edf")
    with pytest.raises(ProblemError, match=r'damaged: There is no source "b.edf"'):
        ingest([tmp_path], tmp_path / "bag", Description(title="x", channel={"a": EEG}, damaged=["b.edf"]), ON)
