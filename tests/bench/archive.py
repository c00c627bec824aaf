"""Speed of the archive: python -m tests.bench.archive [--minutes M]

Verifying beside `sha256sum` on the same files; ingest of an eight-channel recording; preparing one channel; and whether
memory grows with the length of a recording. Processor time on one core, of one run: ratios travel, seconds do not.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

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


def ingest_cost(source: Path, folder: Path, channels: int) -> tuple[Cost, Path]:
    """Of the command as it is run; and the bag."""
    tables = (f'[channel.c{k}]\nkind = "mmg"\nfile = "{source.name}"\ntrack = {k}\n' for k in range(1, channels + 1))
    described = folder / "describe.toml"
    described.write_text('title = "Kneading"\n' + "".join(tables), encoding="utf-8")
    bag = folder / f"{source.stem}-bag"
    words = [sys.executable, "-m", "residue", "ingest", source, "--into", bag, "--describe", described]
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
        ingested, bag = ingest_cost(eight, folder, CHANNELS)
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
        short, _ = ingest_cost(recording(folder / "short.flac", minutes / 4, 1), folder, 1)
        long, _ = ingest_cost(recording(folder / "long.flac", minutes * 6, 1), folder, 1)
        _say(f"memory of ingest, {minutes / 4:g} and {minutes * 6:g} min of one channel")
        _say(f"  {short.memory_mb:.0f} and {long.memory_mb:.0f} MB")


def _print(what: str, one: Cost) -> None:
    _say(f"{what:55} {one.cpu_s:7.2f} s  {one.memory_mb:5.0f} MB")


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")


if __name__ == "__main__":
    main()
