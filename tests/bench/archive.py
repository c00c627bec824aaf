"""Speed of the archive: python -m tests.bench.archive [--minutes M]

Verifying beside `sha256sum` on the same files; ingest of an eight-channel recording; preparing one channel; and whether
memory grows with the length of a recording. Processor time on one core, of one run: ratios travel, seconds do not.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import edfio
import numpy as np
import soundfile

from residue.archive.conversion import convert_samples
from residue.archive.fixity import verify
from residue.archive.performance import Channel, ChannelKind
from residue.mapping.signals import Kind

RATE_HZ, CHANNELS = 48_000, 8


@dataclass(frozen=True)
class Cost:
    """Of one piece of work in a process of its own."""

    cpu_s: float
    memory_mb: float
    """The most that was resident."""


def cost(work: Callable[[], object]) -> Cost:
    """What some work costs, imports not counted: it runs in a fork of this process. The least of three runs."""
    return min((_once(work) for _ in range(3)), key=lambda one: one.cpu_s)


def _once(work: Callable[[], object]) -> Cost:
    child = os.fork()
    if child == 0:
        work()
        os._exit(0)
    _, status, used = os.wait4(child, 0)
    if status:
        raise SystemExit("The work failed.")
    return Cost(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def command(*words: object) -> Callable[[], object]:
    """A command as work."""
    return lambda: subprocess.run([str(word) for word in words], check=True, capture_output=True)


def preparing(recorded: Path, kind: Kind, into: Path) -> Callable[[], object]:
    """The conversion of a channel as work."""
    channel = Channel(kind=ChannelKind.MMG, file=recorded.name)
    return lambda: convert_samples(recorded, channel, kind, into, lambda _share: None)


def recording(path: Path, minutes: float, channels: int) -> Path:
    """Ten seconds of noise over and over, 24 bits."""
    noise = np.random.default_rng(1).standard_normal((10 * RATE_HZ, channels)) * 0.1
    with soundfile.SoundFile(path, "w", RATE_HZ, channels, "PCM_24") as file:
        for k in range(round(minutes * 6)):
            file.write(np.roll(noise, k * 997, axis=0))
    return path


def edf(path: Path, hours: int) -> Path:
    """A minute of noise over and over, one signal at 1 kHz."""
    noise = np.random.default_rng(1).normal(0, 40, 60_000)
    edfio.Edf([edfio.EdfSignal(noise, 1000, label="O1", physical_dimension="uV")]).write(path)
    whole = path.read_bytes()
    header, body = whole[:512], whole[512:]
    with path.open("wb") as file:
        file.write(header[:236] + f"{hours * 3600:<8d}".encode() + header[244:])
        for _ in range(hours * 60):
            file.write(body)
    return path


def table(path: Path, hours: int) -> Path:
    """A column of times and one of values, ten rows a second."""
    with path.open("w") as file:
        file.write("t,hold\n")
        file.writelines(f"{row / 10:.1f},{row % 97}\n" for row in range(hours * 36_000))
    return path


def tracks(source: Path, channels: int) -> str:
    """What a describe file says of a sound file."""
    one = '[channel.c{0}]\nkind = "mmg"\nfile = "{1}"\ntrack = {0}\n'
    return "".join(one.format(track, source.name) for track in range(1, channels + 1))


def ingest_cost(source: Path, folder: Path, described: str) -> tuple[Cost, Path]:
    """Of the command as it is run; and the bag."""
    describe = folder / "describe.toml"
    describe.write_text(f'title = "Kneading"\n{described}', encoding="utf-8")
    bag = folder / f"{source.stem}-bag"
    words = [sys.executable, "-m", "residue", "ingest", source, "--into", bag, "--describe", describe]
    child = subprocess.Popen([str(word) for word in words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = status
    if status:
        raise SystemExit("The ingest failed.")
    return Cost(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024), bag


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    minutes = parser.parse_args().minutes
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        eight = recording(folder / "eight.wav", minutes, CHANNELS)
        ingested, bag = ingest_cost(eight, folder, tracks(eight, CHANNELS))
        hour = 60 / minutes
        _print(f"ingest of {minutes:g} min, {CHANNELS} channels, 48 kHz, 24 bit", ingested)
        _print("  by that, an hour in at most", Cost(ingested.cpu_s * hour, ingested.memory_mb))
        ours = cost(lambda: verify(bag))
        theirs = cost(command("sha256sum", *(path for path in bag.rglob("*") if path.is_file())))
        _print("verify", ours)
        _print("sha256sum of the same files", theirs)
        _say(f"  verify has {theirs.cpu_s / ours.cpu_s:.2f} times the speed of sha256sum")
        for suffix in (".wav", ".flac"):
            one = recording(folder / f"one{suffix}", minutes, 1)
            for kind in (Kind.SLOW, Kind.FAST):
                prepared = cost(preparing(one, kind, folder / "cached"))
                _print(f"prepare a {suffix} channel as {kind}", prepared)
                _say(f"  {minutes * 60 / prepared.cpu_s:.0f} times real time")
        for suffix, make, described in (
            (".flac", lambda path, hours: recording(path, hours * 60, 1), 'kind = "mmg"\nfile = "{}"\n'),
            (".edf", edf, 'kind = "eeg"\nfile = "{}"\nunit = "uV"\n'),
            (".csv", table, 'kind = "force"\nfile = "{0}"\nsignal = "hold"\n[table."{0}"]\ntime = "t"\n'),
        ):
            megabytes = []
            for hours in (1, 24):
                source = make(folder / f"{suffix[1:]}-{hours}{suffix}", hours)
                of_hours, made = ingest_cost(source, folder, "[channel.one]\n" + described.format(source.name))
                megabytes.append(f"{of_hours.memory_mb:.0f}")
                source.unlink()
                shutil.rmtree(made)
            _say(f"memory of ingest of 1 and 24 h of one channel, {suffix}")
            _say(f"  {' and '.join(megabytes)} MB")


def _print(what: str, one: Cost) -> None:
    _say(f"{what:55} {one.cpu_s:7.2f} s  {one.memory_mb:5.0f} MB")


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")


if __name__ == "__main__":
    main()
