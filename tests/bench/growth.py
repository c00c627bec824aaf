"""How cost grows: python -m tests.bench.growth [--picture FILE.png] [WHAT ...]

Processor time against the number of nodes, outputs, caps and events in a second, the length of a performance, and the
number of performances; each as the least of three runs. Beside each figure stands the power of its growth since the one
before: 1 is linear. A constant part makes it smaller, what no longer fits into the processor's cache larger.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import log
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from residue.archive.in_memory import InMemoryPerformance
from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.plan import plan
from residue.loudness.plan.profile import LevelProfile, profile
from residue.loudness.stage.stage import CapStage
from residue.mapping.playback import Playback
from residue.mapping.signals import Events
from tests.bench.loudness import CAPS, cpu_s, outputs
from tests.bench.nodes import Tables, built

RATE_HZ, BLOCK_FRAMES, SECONDS = 48_000, 4_800, 5
FRAMES = SECONDS * RATE_HZ
NOISE = np.random.default_rng(1).normal(0.0, 0.05, FRAMES)
HOPS_A_MINUTE = 600


def playing(tables: Tables, events: Mapping[str, Events] | None = None) -> Callable[[], object]:
    """Plays a graph that ends in the node `heard`, in the engine's blocks."""
    whole: Tables = {**tables, "out": {"kind": "output", "input": "heard", "to": ["left"]}}
    graph = built(whole)
    slow = {"arm": np.abs(NOISE[: FRAMES // 24])}
    source = InMemoryPerformance(frames=FRAMES, slow=slow, fast={"air": NOISE}, events=dict(events or {}))

    def play() -> None:
        playback = Playback(graph, source, 2 * FRAMES, ".")
        while playback.position < FRAMES:
            playback.step(BLOCK_FRAMES)

    return play


def graph_of(count: int) -> Tables:
    """So many nodes, two thirds of them at audio rate: filters and gains in a row, driven by smoothed signals."""
    tables: dict[str, dict[str, Any]] = {
        "air": {"kind": "channel", "channel": "air", "rate": "fast"},
        "arm": {"kind": "channel", "channel": "arm"},
    }
    fast, slow = "air", "arm"
    for n in range(count - 4):
        name = f"n{n}"
        if n % 3 == 0:
            tables[name] = {"kind": "smooth", "input": slow, "time_s": 0.1}
            slow = name
        elif n % 3 == 1:
            tables[name] = {"kind": "lowpass", "input": fast, "cutoff_hz": 9_000.0}
            fast = name
        else:
            drive = {"from": slow, "at": [0.0, 0.2], "gives": [-1.0, 1.0]}
            tables[name] = {"kind": "gain", "input": fast, "gain_db": drive}
            fast = name
    tables["heard"] = {"kind": "gain", "input": fast, "gain_db": 0.0}
    return tables


def staged(count: int, caps: Sequence[CapEntry] | None = None) -> Callable[[], object]:
    """A cap stage with all its meters."""
    room: Mapping[str, Output] = outputs(count)
    sound = np.random.default_rng(1).normal(0.0, 0.01, (count, FRAMES))
    kept = CAPS if caps is None else expand(caps)

    def run() -> None:
        stage = CapStage(room, kept)
        for at in range(0, FRAMES, BLOCK_FRAMES):
            stage.process(sound[:, at : at + BLOCK_FRAMES])

    return run


def struck(a_second: int) -> Callable[[], object]:
    """A node that answers to so many events a second."""
    frames = np.linspace(0, FRAMES - 1, a_second * SECONDS).astype(np.int64)
    beats = {"beats": Events(frames, np.ones(len(frames)))}
    tables: Tables = {
        "beats": {"kind": "channel", "channel": "beats", "rate": "events"},
        "heard": {"kind": "strike", "input": "beats", "decay_s": 0.2},
    }
    return playing(tables, beats)


def levels(hops: int) -> LevelProfile:
    """Of a performance of so many hops: 10 s of noise, again and again."""
    known = profile([NOISE[np.newaxis, :]] * 2, outputs(1), CAPS)

    def tiled(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.tile(values, (1, -(-hops // values.shape[1])))[:, :hops]

    return replace(
        known,
        energy=tiled(known.energy),
        peak=tiled(known.peak),
        fast=tiled(known.fast),
        ending_peak=tiled(known.ending_peak),
        ending_fast=tiled(known.ending_fast),
        onset_energy=tiled(known.onset_energy),
        mapping_energy=tiled(known.mapping_energy),
    )


def planned(performances: int, minutes: int) -> Callable[[], object]:
    """The plan of a programme whose levels are known."""
    known = levels(minutes * HOPS_A_MINUTE)
    programme = [(f"evening {n}", known) for n in range(performances)]
    return lambda: plan(programme, 60.0, CAPS, outputs(1))


def many_caps(count: int) -> Sequence[CapEntry]:
    """Of windows that differ."""
    return [CapEntry(quantity="LAeq", window_s=60.0 + n, limit_db=95.0) for n in range(count)]


@dataclass(frozen=True, slots=True)
class Growth:
    """One series: how many of what, and the work for it."""

    what: str
    counts: Sequence[int]
    work: Callable[[int], Callable[[], object]]


SERIES = {
    "nodes": Growth("nodes of a graph, 5 s of sound", (10, 30, 60, 100, 300, 1_000), lambda n: playing(graph_of(n))),
    "outputs": Growth("outputs of a cap stage, 5 s of sound", (2, 4, 8, 16, 32, 64), staged),
    "caps": Growth("caps of a stage for two outputs, 5 s", (1, 4, 16, 64), lambda n: staged(2, many_caps(n))),
    "events": Growth("events a second, 5 s of sound", (1, 10, 100, 1_000), struck),
    "length": Growth("minutes of one performance, its plan", (1, 10, 60, 360, 1_440), lambda n: planned(1, n)),
    "performances": Growth("performances of 5 min, their plan", (1, 10, 100, 1_000), lambda n: planned(n, 5)),
}


def measured(series: Growth) -> list[float]:
    """Prints the table of a series, and gives its times."""
    sys.stdout.write(f"\n{series.what}\n")
    times: list[float] = []
    for number, count in enumerate(series.counts):
        times.append(cpu_s(series.work(count)))
        power = "" if not number else f"{log(times[-1] / times[-2]) / log(count / series.counts[number - 1]):.2f}"
        sys.stdout.write(f"{count:>8,} {times[-1]:>10.4f} s {power:>8}\n")
        sys.stdout.flush()
    return times


def draw(found: Mapping[str, list[float]], out: Path) -> None:
    """All series, relative to their first values, with a line that is linear growth."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 6), layout="constrained")
    axes = figure.add_subplot(xscale="log", yscale="log", xlabel="times as many", ylabel="times the processor time")
    for name, times in found.items():
        counts = SERIES[name].counts
        axes.plot([count / counts[0] for count in counts], [spent / times[0] for spent in times], "o-", label=name)
    axes.plot([1, 1_000], [1, 1_000], "k:", label="linear")
    axes.legend()
    figure.savefig(out, dpi=120)


def main() -> None:
    """Print it all, and draw it where a picture is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", nargs="*", choices=[*SERIES, []], default=[])
    parser.add_argument("--picture", type=Path)
    chosen = parser.parse_args()
    found = {name: measured(SERIES[name]) for name in chosen.what or SERIES}
    if chosen.picture:
        draw(found, chosen.picture)


if __name__ == "__main__":
    main()
