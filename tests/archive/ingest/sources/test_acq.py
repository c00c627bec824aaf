"""AcqKnowledge files as sources. No package carries one: they are made with the header types of bioread."""

from __future__ import annotations

import struct
import sys
import zlib
from contextlib import suppress
from functools import partial
from pathlib import Path

import bioread
import numpy as np
import pytest
from bioread import headers
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.ingest import memory
from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.performance import ChannelKind, Mark
from residue.problems import ProblemError
from tests.properties import spoilt, tries

REVISION, COMPRESSED_REVISION = 38, 41
"""3.7.0, the first with channels of their own rates; 3.8.1, the first with compressed ones."""
EMG = np.random.default_rng(3).integers(-(2**15), 2**15, 400).astype("<i2")
BREATH = np.random.default_rng(4).normal(0, 1, 100)


def header(kind: type, revision: int = REVISION, **fields: object) -> bytes:
    """One header with these fields, all others zero."""
    made = kind.for_revision(revision, "<", "latin1")  # type: ignore[attr-defined]
    filled = made._struct_class()
    for name, value in fields.items():
        setattr(filled, name, value)
    return bytes(filled)


def written(*, points: int = 400, compressed: bool = False) -> bytes:
    """Two channels: EMG of 1000 Hz in counts of 0.5 mV with an offset, breath of 250 Hz in Volts; one marker."""
    revision = COMPRESSED_REVISION if compressed else REVISION
    made = partial(header, revision=revision)
    empty = made(headers.GraphHeader)
    channel_bytes = len(made(headers.ChannelHeader))
    packed = {"bCompressed": 1} if compressed else {}
    graph = made(
        headers.GraphHeader, lVersion=revision, lExtItemHeaderLen=len(empty), nChannels=2, dSampleTime=1.0, **packed
    )
    arm = made(
        headers.ChannelHeader,
        lChanHeaderLen=channel_bytes,
        szCommentText=b"EMG arm",
        szUnitsText=b"mV",
        lBufLength=points,
        dAmplScale=0.5,
        dAmplOffset=2.0,
        nVarSampleDivider=1,
    )
    belt = made(
        headers.ChannelHeader,
        lChanHeaderLen=channel_bytes,
        szCommentText=b"belt",
        szUnitsText=b"Volts",
        lBufLength=100,
        dAmplScale=1.0,
        nVarSampleDivider=4,
    )
    foreign = struct.pack("<hh", 4, 0)
    types = struct.pack("<hhhh", 2, 2, 8, 1)
    rows = (EMG[4 * row : 4 * row + 4].tobytes() for row in range(100))
    data = b"".join(emg[:2] + breath.tobytes() + emg[2:] for emg, breath in zip(rows, BREATH, strict=True))
    text = b"clap\0"
    item = made(headers.MarkerItemHeader, lSample=250, nTextLength=len(text) - 1) + text
    markers = made(headers.MarkerHeader, lLength=8 + len(item), lMarkers=1) + item
    journal = b"\x44\x33\x22\x11" + struct.pack("<hi", 1, 0)
    before, behind = graph + arm + belt + foreign + types, markers + journal
    if not compressed:
        return before + data + behind
    each = (_packed(b"EMG arm", b"mV", EMG.tobytes()), _packed(b"belt", b"Volts", BREATH.tobytes()))
    return before + behind + made(headers.MainCompressionHeader) + b"".join(each)


def _packed(label: bytes, unit: bytes, data: bytes) -> bytes:
    """A channel of a compressed file."""
    packed = zlib.compress(data)
    head = header(
        headers.ChannelCompressionHeader,
        COMPRESSED_REVISION,
        lChannelLabelLen=len(label),
        lUnitLabelLen=len(unit),
        lUncompressedLen=len(data),
        lCompressedLen=len(packed),
    )
    return head + label + unit + packed


def opened(folder: Path, content: bytes) -> IngestSource:
    (folder / "a.acq").write_bytes(content)
    return open_source(folder / "a.acq", None, folder)


@pytest.mark.parametrize("compressed", [False, True])
def test_each_channel_comes_at_its_rate_and_in_its_unit_as_bioread_reads_it(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], *, compressed: bool
) -> None:
    source = opened(tmp_path, written(compressed=compressed))
    assert [(track.label, track.unit, track.kind) for track in source.tracks] == [
        ("EMG arm", "mV", ChannelKind.EMG),
        ("belt", "V", None),
    ]
    found = [track.stream.read(0, track.stream.length) for track in source.tracks]
    expected = bioread.read(str(tmp_path / "a.acq")).channels
    for ours, theirs in zip(found, expected, strict=True):
        assert np.array_equal(ours, theirs.data)
    assert np.array_equal(found[0], EMG * 0.5 + 2.0)
    assert np.array_equal(found[1], BREATH)
    assert [int(track.stream.rate_hz) for track in source.tracks] == [1000, 250]
    assert source.marks == (Mark(at_s=0.25, text="clap"),)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("bytes_of_samples", [1599, 1584, 1586, 1589, 1594, 26])
def test_of_a_file_cut_short_the_samples_before_the_cut_are_taken_on_a_persons_word(
    tmp_path: Path, bytes_of_samples: int
) -> None:
    """A turn has 16 bytes: a count, a number of 8 bytes, and three counts."""
    content = written()
    begins = content.index(EMG[:1].tobytes() + BREATH[:1].tobytes())
    with pytest.raises(ProblemError, match=r'It is cut short.*write damaged = \["a.acq"\]'):
        opened(tmp_path, content[: begins + bytes_of_samples])
    source = open_source(tmp_path / "a.acq", None, tmp_path, salvage=True)
    emg, breath = (track.stream.read(0, track.stream.length) for track in source.tracks)
    turns, rest = divmod(bytes_of_samples, 16)
    assert emg.tolist() == (EMG * 0.5 + 2.0)[: 4 * turns + (rest >= 2) + max(0, rest - 10) // 2].tolist()
    assert breath.tolist() == BREATH[: turns + (rest >= 10)].tolist()
    assert source.lost == f"cut short: {len(emg) / 1000:g} s survive, of 0.4 s that its headers promise"
    assert source.marks == ()


def test_of_a_compressed_file_the_channels_before_the_cut_survive_and_the_next_begins(tmp_path: Path) -> None:
    content = written(compressed=True)
    for cut_bytes, counts in ((300, (400, 63)), (len(zlib.compress(BREATH.tobytes())) + 9, (400,)), (900, (392,))):
        with pytest.raises(ProblemError, match=r'It is cut short or damaged.*write damaged = \["a.acq"\]'):
            opened(tmp_path, content[:-cut_bytes])
        source = open_source(tmp_path / "a.acq", None, tmp_path, salvage=True)
        found = [track.stream.read(0, track.stream.length) for track in source.tracks]
        assert tuple(map(len, found)) == counts
        for values, expected in zip(found, (EMG * 0.5 + 2.0, BREATH), strict=False):
            assert values.tolist() == expected[: len(values)].tolist()
        assert f"of belt, {counts[1] if len(counts) > 1 else 0} of 100 samples survive" in source.lost
        assert source.marks == (Mark(at_s=0.25, text="clap"),)


def test_a_damaged_channel_of_a_compressed_file_is_left_out(tmp_path: Path) -> None:
    content = bytearray(written(compressed=True))
    content[content.index(zlib.compress(EMG.tobytes())[:40]) + 100] ^= 0x10
    with pytest.raises(ProblemError, match="of EMG arm, 0 of 400 samples survive"):
        opened(tmp_path, bytes(content))
    source = open_source(tmp_path / "a.acq", None, tmp_path, salvage=True)
    assert source.labels == ["belt"]
    assert source.tracks[0].stream.read(0, 100).tolist() == BREATH.tolist()


def test_a_header_that_declares_more_than_there_is_is_refused_before_memory_is_taken(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match=r"cut short: it declares 4000000800 bytes"):
        opened(tmp_path, written(points=2_000_000_000))


def test_a_file_that_would_not_fit_into_memory_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory, "memory_free_bytes", lambda: 3199)
    with pytest.raises(ProblemError, match="GB are free"):
        opened(tmp_path, written())


@pytest.mark.parametrize("scale", [1e305, float("inf"), float("nan")])
def test_a_scale_that_cannot_be_is_told(tmp_path: Path, scale: float) -> None:
    """As counts times 1e305 are no numbers: found by a warning of numpy while spoilt files were read."""
    content = written().replace(struct.pack("<d", 0.5), struct.pack("<d", scale), 1)
    with pytest.raises(ProblemError, match="EMG arm states no scale that can be"):
        opened(tmp_path, content)


@pytest.mark.parametrize("content", [b"", b"hello", bytes(10_000), b"\xff" * 10_000, b"RIFF" * 2000])
def test_what_is_no_recording_is_told(tmp_path: Path, content: bytes) -> None:
    with pytest.raises(ProblemError, match=r"^a\.acq: "):
        opened(tmp_path, content)


def test_a_missing_reader_names_the_line_that_installs_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "bioread", None)
    with pytest.raises(ProblemError, match="pip install bioread"):
        opened(tmp_path, written())


@given(data=st.data())
@tries(many=60)
def test_spoilt_bytes_give_a_source_or_a_problem_and_nothing_else(tmp_path: Path, data: st.DataObject) -> None:
    content = spoilt(data, written(compressed=data.draw(st.booleans())), most=5)
    with suppress(ProblemError):
        for track in opened(tmp_path, content).tracks:
            assert len(track.stream.read(0, 1)) == 1
