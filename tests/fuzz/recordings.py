"""Recordings of any format, as somebody brings them, and as they lie in a bag."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import edfio
import numpy as np
import soundfile
import wfdb

from residue.archive.ingest.describe import read_description
from residue.archive.ingest.extras import without_warnings
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources.catalogue import open_source
from residue.archive.performance import Channel, ChannelKind, read_performance, write_performance
from residue.archive.readers.beats import read_beats
from residue.archive.readers.catalogue import open_channel
from residue.dsp.resampling import SampleStream
from tests.archive.bags import CHANNELS, performance, write_edf
from tests.archive.ingest.sources import xdf_writer as xdf
from tests.fuzz.target import Target, Trial, answered, joined, parts

_READ = 4_096
"""Samples at the beginning and at the end of each stream; all would take long where a header promises many."""


@contextmanager
def emptied(folder: Path) -> Iterator[Path]:
    """A folder within a folder, for one trial."""
    inner = Path(tempfile.mkdtemp(dir=folder))
    try:
        yield inner
    finally:
        shutil.rmtree(inner, ignore_errors=True)


def _read(stream: SampleStream) -> str:
    if not 0 <= stream.length < 1 << 62 or stream.rate_hz <= 0:
        raise AssertionError(f"a stream of {stream.length} samples at {stream.rate_hz} Hz")
    for start in {0, max(0, stream.length - _READ)}:
        stop = min(start + _READ, stream.length)
        if (got := len(stream.read(start, stop))) != stop - start:
            raise AssertionError(f"{got} samples in the place of {stop - start}")
    return "read"


def heard(source: IngestSource, into: Path) -> str:
    for track in source.tracks:
        _read(track.stream)
    if source.strip is not None:
        source.strip(into / f"kept{source.suffix}", ())
    counts = (len(part) for part in (source.tracks, source.beats, source.marks, source.private))
    return f"{[min(count, 3) for count in counts]}".replace("0", "none")


def opening(name: str, channel: Channel | None = None, facts: TableFacts | None = None) -> Callable[[Path], Trial]:
    """Both ways into the program: as a source of an ingest, and as a channel of a bag."""

    def trial(folder: Path) -> Trial:
        def once(content: bytes) -> str:
            with emptied(folder) as inner:
                path = inner / name
                path.write_bytes(content)
                found = answered(lambda: heard(open_source(path, facts, inner), inner))
                if channel is not None:
                    found += answered(lambda: _read(open_channel(path, channel)))
                return found

        return once

    return trial


def _sounds(folder: Path) -> Sequence[bytes]:
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, (300, 2))
    found = []
    for form, subtype in (
        ("WAV", "PCM_16"),
        ("WAV", "FLOAT"),
        ("RF64", "PCM_24"),
        ("FLAC", "PCM_16"),
        ("AIFF", "PCM_24"),
    ):
        soundfile.write(folder / "seed", noise, 48_000, subtype=subtype, format=form)
        found.append((folder / "seed").read_bytes())
    return found


def _edfs(folder: Path) -> Sequence[bytes]:
    write_edf(folder / "plain.edf", seconds=2, rate_hz=64)
    signals = [edfio.EdfSignal(np.sin(np.arange(128) / 9), 64, label=name) for name in ("O1", "O2")]
    edfio.Edf(
        signals,
        patient=edfio.Patient(name="Ida_Brandt"),
        recording=edfio.Recording(startdate=date(2026, 2, 11)),
        annotations=[edfio.EdfAnnotation(0.5, None, "sits down"), edfio.EdfAnnotation(1.0, 0.25, "kneads")],
    ).write(folder / "annotated.edf")
    annotated = (folder / "annotated.edf").read_bytes()
    return [(folder / "plain.edf").read_bytes(), annotated, annotated.replace(b"EDF+C", b"EDF+D", 1)]


def _wfdbs(folder: Path) -> Sequence[bytes]:
    digital = np.stack([np.arange(360) - 100, np.arange(360) % 100], axis=1)
    names = {"units": ["mV", "NU"], "sig_name": ["ECG II", "RESP"], "adc_gain": [200.0, 1.0], "baseline": [24, 0]}
    with without_warnings():
        wfdb.wrsamp("one", fs=360, d_signal=digital, fmt=["16", "16"], write_dir=str(folder), comments=["34"], **names)
        places, symbols = np.array([100, 188, 250]), ["N", "V", '"']
        wfdb.wrann("one", "atr", sample=places, symbol=symbols, aux_note=["", "", "sits"], write_dir=str(folder))
    return [joined({name: (folder / f"one.{name}").read_bytes() for name in ("hea", "dat", "atr")})]


def _wfdb(folder: Path) -> Trial:
    def once(content: bytes) -> str:
        with emptied(folder) as inner:
            for name, file in parts(content).items():
                if name in ("hea", "dat", "atr"):
                    (inner / f"one.{name}").write_bytes(file)
            return answered(lambda: heard(open_source(inner / "one.hea", None, inner), inner))

    return once


def _xdfs(_folder: Path) -> Sequence[bytes]:
    times_s = 100.0 + np.arange(40) / 20
    streams = [
        xdf.file_header("2026-02-11T23:40:00+01:00"),
        xdf.stream_header(1, "headband", "EEG", 20, "double64", ["O1", "O2"]),
        xdf.stream_header(2, "notes", "Markers", 0, "string", ["text"]),
        xdf.samples(1, times_s, np.column_stack([times_s, -times_s])),
        xdf.texts(2, [(100.5, "takes the dough")]),
        *(xdf.clock_offset(1, 100.0 + second, 0.0) for second in range(3)),
        xdf.stream_footer(1, 100.0, 102.0, len(times_s)),
    ]
    return [b"".join(streams)]


def _tables(_folder: Path) -> Sequence[bytes]:
    rows = [f"{n / 10:.1f},{n % 7},{n * 0.25}" for n in range(40)]
    return ["\n".join(["time,grip,chest", *rows, ""]).encode(), b"time;grip\n0,1;2,5\n0,2;2,75\n0,3;-\n0,4;1\n"]


def _table(folder: Path) -> Trial:
    ways = [opening("a.csv", facts=facts)(folder) for facts in (TableFacts(time="time"), TableFacts(rate_hz=10.0))]
    return lambda content: " / ".join(way(content) for way in ways)


def _beats(folder: Path) -> Trial:
    asked = [Channel(kind=ChannelKind.RR, file="a.txt", unit="ms", signal=signal) for signal in (None, "rr")]
    as_source = opening("a.txt")(folder)

    def once(content: bytes) -> str:
        path = folder / "a.txt"
        path.write_bytes(content)
        found = [answered(lambda one=one: f"{len(read_beats(path, one).times_s)} beats") for one in asked]  # type: ignore[misc]
        return " / ".join([as_source(content), *found])

    return once


def _facts(folder: Path) -> Trial:
    (folder / "bag" / "data").mkdir(parents=True)
    path = folder / "bag" / "data" / "performance.toml"

    def once(content: bytes) -> str:
        path.write_bytes(content)

        def kept() -> str:
            whole = read_performance(path)
            path.write_text(write_performance(whole), encoding="utf-8")
            if repr(read_performance(path)) != repr(whole):  # repr, as nan is not itself
                raise AssertionError("it is another one, written again")
            return f"{len(whole.channel)} channels"

        return " / ".join((answered(kept), answered(lambda: f"{len(read_description(path).channel)} described")))

    return once


_DESCRIPTION = b"""title = "Dough"
[table."grip.csv"]
rate_hz = 10.0
[channel.grip]
kind = "force"
file = "grip.csv"
signal = "grip"
[[align]]
file = "a.wav"
to = "b.edf"
later_s = 0.5
"""

ANY_SOUND = Channel(kind=ChannelKind.MMG, file="a.wav", track=2, unit="V", full_scale=0.5)
ANY_EDF = Channel(kind=ChannelKind.EEG, file="a.edf", signal="O1", unit="uV")

RECORDINGS = {
    "sound": Target(_sounds, opening("a.wav", ANY_SOUND), (b"data", b"fmt ", b"LIST", b"bext", b"ds64", b"SSND")),
    "edf": Target(_edfs, opening("a.edf", ANY_EDF), (b"EDF+D", b"BDF+C", b"24BIT", b"\xffBIOSEMI", b"\x14", b"\x15")),
    "wfdb": Target(_wfdbs, _wfdb, (b"one.dat", b"/dev/zero", b"one", b"..", b" 212 ", b" 310 ", b"508+x3")),
    "xdf": Target(_xdfs, opening("a.xdf"), (b"<info>", b"<channel_count>", b"int16", b"string", b"float32")),
    "table": Target(_tables, _table, (b",", b";", b"\t", b'"', b"nan", b"time")),
    "beats": Target(
        lambda _: [b"# milliseconds\n800\n850\n810\n", b"at_s,rr\n0.8,800\n1.65,850\n"],
        _beats,
        (b"at_s", b"rr", b"nan"),
    ),
    "facts": Target(lambda _: [write_performance(performance(CHANNELS)).encode(), _DESCRIPTION], _facts),
}
