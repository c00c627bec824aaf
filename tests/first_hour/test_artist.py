"""The artist's first hour: from recordings that other programs wrote to a piece of one's own, and another evening."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pyedflib
import pytest
import soundfile

from residue.archive.bag import payload_digest
from residue.archive.swap.places import beside
from tests.first_hour.person import Person, running_house
from tests.reference.recordings import wfdb_record
from tests.runtime.asking import until
from tests.runtime.running import free_port

RATE_HZ = 1_000
EVENING, LATER = "loaf/performances/first-evening", "second-evening"


@pytest.fixture
def artist(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Person:
    """In an empty folder."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return Person(tmp_path)


def muscle(path: Path, seed: int, duration_s: int = 12) -> None:
    """An EDF file by pyedflib: a muscle that works harder and harder."""
    at_s = np.arange(duration_s * RATE_HZ) / RATE_HZ
    microvolts = np.random.default_rng(seed).normal(0.0, 200.0, len(at_s)) * at_s / duration_s
    with pyedflib.EdfWriter(str(path), 1) as writer:
        header = pyedflib.highlevel.make_signal_header(
            "left arm", dimension="uV", sample_frequency=RATE_HZ, physical_min=-2_000.0, physical_max=2_000.0
        )
        writer.setSignalHeaders([header])
        writer.writeSamples([microvolts.clip(-2_000.0, 2_000.0)])


def described(artist: Person, source: str, bag: str, *filled_in: tuple[str, str]) -> str:
    """The template is filled in; gives the command that the message says to type then."""
    shown = artist.types(f"residue ingest {source} --into {bag}")
    artist.writes(f"{bag}.describe.toml", ('title = ""', 'title = "Evening"'), *filled_in)
    (command,) = re.findall(r"^  (residue ingest .*)$", shown, re.MULTILINE)
    return str(command)


def test_a_recording_becomes_a_piece_and_four_mistakes_are_mended_by_their_messages(artist: Person) -> None:
    muscle(artist.folder / "arm.edf", seed=1)
    artist.types("residue new loaf --shape muscle")
    command = described(artist, "arm.edf", EVENING, ('kind = ""', 'kind = "emgg"'))
    artist.mends("loaf/performances", artist.types(command, status=1))
    assert "Sealed as" in artist.types(command)
    artist.writes(
        "loaf/piece.toml", ('kind = "envelope"', 'kind = "envelop"'), ('input = "strain"', 'input = "strian"')
    )
    kind, wire, channel = artist.mends("loaf", artist.types("residue check loaf", status=1))
    assert "envelop" in kind
    assert "strian" in wire
    assert 'no channel "forearm"' in channel
    assert "It can open." in artist.types("residue check loaf")
    assert "left_arm" in artist.types(f"residue show {EVENING}")
    artist.types("residue render loaf --performance first-evening --out loaf.wav")
    assert soundfile.info(artist.folder / "loaf.wav").duration == pytest.approx(12.0, abs=0.001)
    assert "integrated_lufs" in artist.types("residue measure loaf.wav")
    assert "loaf.svg: 8 nodes" in artist.types("residue draw loaf --out loaf.svg")
    artist.types("residue trace loaf --performance first-evening --signal strain --out strain.csv --every-s 0.1")
    strain = np.genfromtxt(artist.folder / "strain.csv", delimiter=",", names=True)["strain"]
    assert len(strain) == 120
    assert strain[-20:].mean() > 3 * strain[10:30].mean(), "the muscle worked harder and harder"


def test_a_swap_that_waits_is_withdrawn(artist: Person) -> None:
    artist.types("residue new loaf --shape muscle")
    for seed, bag in enumerate((EVENING, LATER)):
        muscle(artist.folder / "arm.edf", seed)
        named = ("[channel.left_arm]", "[channel.forearm]")
        artist.types(described(artist, "arm.edf", bag, ('kind = ""', 'kind = "emg"'), named))
    assert "waits to take the place of first-evening" in artist.types(f"residue swap loaf {LATER}")
    waiting = beside(artist.folder / "loaf/performances", "first-evening", "waiting")
    assert waiting.is_dir()
    artist.types("residue swap loaf --withdraw")
    assert not waiting.exists()
    assert "complete and unchanged" in artist.types("residue verify loaf")


@pytest.mark.long
@pytest.mark.real_time
def test_an_ecg_by_somebody_else_becomes_a_piece_and_a_running_house_takes_another(artist: Person) -> None:
    """The WFDB record of zae-engine 0.7.6 has 13 beats by the marks that lie beside it."""
    record = wfdb_record()
    (artist.folder / "stick").mkdir()
    for ending in (".hea", ".dat"):
        shutil.copy(record.with_suffix(ending), artist.folder / "stick")
    artist.types("residue new loaf --shape heart")
    kind = ('kind = ""', 'kind = "ecg"')
    artist.types(described(artist, "stick", EVENING, kind))
    (channel,) = artist.mends("loaf", artist.types("residue check loaf", status=1))
    assert 'no channel "chest"' in channel
    artist.types("residue trace loaf --performance first-evening --signal beat --out beats.csv")
    beats = [line for line in artist.reads("beats.events.csv").splitlines() if "beat" in line]
    assert len(beats) == 13
    muscle(artist.folder / "arm.edf", seed=3)
    artist.types(described(artist, "arm.edf", LATER, kind, ("[channel.left_arm]", "[channel.ii]")))
    port = free_port()
    artist.writes("loaf/room.toml", ("[control]", f"[control]\nport = {port}"))
    week = re.compile(r"\[weekly\].*?\n\n", re.DOTALL)
    hours = week.sub('opening_hours = "24/7"\n\n', artist.reads("loaf/hours.toml"))
    (artist.folder / "loaf/hours.toml").write_text(hours, encoding="utf-8")
    with running_house("loaf", "--device", "silent"):
        until(port, lambda told: told["performance"] == "first-evening")
        artist.types(f"residue swap loaf {LATER} --now")
        until(port, lambda told: "it has taken it" in str(told["events"]))
        assert "playing" in artist.types("residue status loaf")
    assert payload_digest(artist.folder / EVENING) == payload_digest(artist.folder / LATER)
