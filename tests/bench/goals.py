"""The goals of speed, what is reached, and the floor beneath it: python -m tests.bench.goals [INSTALLATION ...]

A row for each goal. The floor is what the compiled loops of a run take by themselves, without Python, numpy and the
copies between them; beside it stands what scipy's public `sosfilt` takes for the same second-order sections in the same
blocks, but for those inside `reverberation` and `layers`. A chain of filters, limiter and loudness meter runs beside
ffmpeg and scipy. All is processor time. Of the demos' sound each second counts with the least that it took in several
runs, since neighbours on the processor make any one of them slower: that is nearly what a quiet machine takes. Planning
and the way to a WAV are one run each, at the load of the machine.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy import signal

from residue.archive.in_memory import InMemoryPerformance
from residue.dsp import kernel
from residue.installation.load import load
from residue.loudness.stage.stage import CapStage
from residue.mapping.ahead import PlayedAhead
from residue.mapping.playback import Playable, Playback
from residue.runtime.daemon.assembly import AHEAD_BLOCKS
from residue.runtime.engine import engine
from residue.runtime.planning import preparation
from residue.runtime.planning.preparation import caps, level_profile, open_performance, playback_of, sounding_outputs
from tests.bench.loudness import CAPS, child_s, outputs
from tests.bench.nodes import built

RATE_HZ, EXCERPT_S, CHAIN_S = 48_000, 60, 60
RUNS = 5
DEMOS = [Path("archives/night-dough"), Path("archives/oven-watch")]
RENDER_GOAL, ENGINE_GOAL, PLANNING_GOAL = 100, 60, 150


class Loops:
    """The compiled loops, with the time in them and the filters that were asked for."""

    def __init__(self, loops: Any) -> None:
        self._loops, self.spent_s = loops, 0.0
        self.filtered: Counter[tuple[int, int, int]] = Counter()
        """(sections, channels, frames) of each call."""

    def __getattr__(self, name: str) -> Any:
        loop = getattr(self._loops, name)

        def timed(*given: Any) -> None:
            if name == "sosfilt":
                self.filtered[given[5:8]] += 1
            began_s = time.thread_time()
            loop(*given)
            self.spent_s += time.thread_time() - began_s

        return timed


@contextmanager
def watched() -> Iterator[Loops]:
    """Times the loops within the context, which takes a microsecond for each call."""
    plain = kernel._kernel  # type: ignore[attr-defined]
    kernel._kernel = loops = Loops(plain)  # type: ignore[assignment,attr-defined]
    yield loops
    kernel._kernel = plain  # type: ignore[attr-defined]


def spent_s(work: Callable[[], object]) -> float:
    """The least of two."""
    times = []
    for _ in range(2):
        began_s = time.process_time()
        work()
        times.append(time.process_time() - began_s)
    return min(times)


def scipy_s(filtered: Counter[tuple[int, int, int]]) -> float:
    """What scipy takes for the same filters."""
    total_s = 0.0
    for (sections, channels, frames), times in filtered.items():
        sos = np.tile([0.2, 0.1, 0.05, 1.0, -0.6, 0.2], (sections, 1))
        x, state = np.full((channels, frames), 0.1), np.zeros((sections, channels, 2))
        total_s += times * spent_s(lambda sos=sos, x=x, state=state: signal.sosfilt(sos, x, zi=state))  # type: ignore[misc]
    return total_s


def tell(what: str, value: str) -> None:
    sys.stdout.write(f"{what:<58}{value}\n")
    sys.stdout.flush()


def played(playback: Playable, frames: int, stage: CapStage) -> list[tuple[float, float]]:
    """The processor time of graph and stage in each second of the excerpt, in blocks of so many frames."""
    seconds = []
    for _ in range(EXCERPT_S):
        graph_s = stage_s = 0.0
        for _ in range(RATE_HZ // frames):
            began_s = time.thread_time()
            block = playback.step(frames).outputs
            made_s = time.thread_time()
            stage.process(block)
            graph_s, stage_s = graph_s + made_s - began_s, stage_s + time.thread_time() - made_s
        seconds.append((graph_s, stage_s))
    return seconds


def demo(folder: Path, cache: Path) -> None:
    """The rows of one installation."""
    installation = load(folder)
    performance = open_performance(installation, installation.hours.programme.names[0], cache)
    room, limits = sounding_outputs(installation), caps(installation)

    def rendered() -> list[tuple[float, float]]:
        playback = playback_of(installation, performance)
        return played(playback, preparation.BLOCK_FRAMES, CapStage(room, limits, metered=False))

    def in_blocks() -> list[tuple[float, float]]:
        playback = PlayedAhead(playback_of(installation, performance), AHEAD_BLOCKS)
        return played(playback, engine.BLOCK_FRAMES, CapStage(room, limits, metered=False))

    for name, goal, run in (("a render", RENDER_GOAL, rendered), ("the engine's blocks", ENGINE_GOAL, in_blocks)):
        graph_s, stage_s = np.min([run() for _ in range(RUNS)], axis=0).sum(axis=0)
        loops_s = []
        for _ in range(RUNS):
            with watched() as loops:
                run()
            loops_s.append(loops.spent_s)
        words = f"{EXCERPT_S / (graph_s + stage_s):.0f} x of {goal} x; its graph {EXCERPT_S / graph_s:.0f} x, "
        words += (
            f"its stage {100.0 * stage_s / EXCERPT_S:.2f} %; compiled loops alone {EXCERPT_S / min(loops_s):.0f} x; "
        )
        tell(f"{folder.name}, {name}", f"{words}scipy, its filters alone {EXCERPT_S / scipy_s(loops.filtered):.0f} x")


def planning(folder: Path) -> None:
    """A level profile from prepared channels, which is what planning takes; then everything from nothing, as a WAV."""
    installation = load(folder)
    name = installation.hours.programme.names[0]
    with tempfile.TemporaryDirectory() as temporary:
        performance = open_performance(installation, name, Path(temporary))
        began_s = time.process_time()
        lasts_s = level_profile(installation, performance, Path(temporary)).duration_s
        planned_s = time.process_time() - began_s
    tell(f"{folder.name}, planning", f"{lasts_s / planned_s:.0f} x of {PLANNING_GOAL} x, one core")
    with tempfile.TemporaryDirectory() as temporary:
        out, environment = str(Path(temporary) / "out.wav"), {**os.environ, "XDG_CACHE_HOME": temporary}
        command = [sys.executable, "-m", "residue", "render", str(folder), "--performance", name, "--out", out]
        cold_s, warm_s = (child_s(one, environment) for one in (command, command))
    per_s = 300.0 / lasts_s
    known = f"{warm_s * per_s:.1f} s with levels known"
    tell(f"{folder.name}, 5 min of it from nothing to WAV", f"{cold_s * per_s:.1f} s of 10 s; {known}")


def chain() -> None:
    """Two channels through high-pass, low-pass, four band-passes, limiter and loudness meter."""
    bands_hz = (300.0, 700.0, 1_500.0, 3_000.0)
    sound = np.random.default_rng(1).normal(0.0, 0.05, RATE_HZ * CHAIN_S)
    tables: dict[str, Any] = {"air": {"kind": "channel", "channel": "air", "rate": "fast"}}
    tables |= {
        "both": {"kind": "pan", "input": "air"},
        "high": {"kind": "highpass", "input": "both", "cutoff_hz": 40.0},
    }
    tables |= {"low": {"kind": "lowpass", "input": "high", "cutoff_hz": 16_000.0}}
    before = "low"
    for number, hz in enumerate(bands_hz):
        tables[f"band{number}"] = {"kind": "bandpass", "input": before, "low_hz": hz / 2.0, "high_hz": hz * 4.0}
        before = f"band{number}"
    tables["out"] = {"kind": "output", "input": before, "to": ["left", "right"]}
    graph = built(tables, ["left", "right"])
    source = InMemoryPerformance(frames=len(sound), fast={"air": sound})

    def ours() -> None:
        playback, stage = Playback(graph, source, 2 * len(sound), "."), CapStage(outputs(2), CAPS)
        while playback.position < len(sound):
            stage.process(playback.step(preparation.BLOCK_FRAMES).outputs)
        stage.reading()

    ours_s = spent_s(ours)
    with watched() as loops:
        ours()
    bare_s = scipy_s(loops.filtered)
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "air.wav")
        soundfile.write(path, np.stack((sound, sound), axis=1), RATE_HZ, subtype="FLOAT")
        bands = ",".join(f"highpass=f={hz / 2.0}:p=2,lowpass=f={hz * 4.0}:p=2" for hz in bands_hz)
        filters = f"highpass=f=40:p=2,lowpass=f=16000:p=2,{bands},alimiter,ebur128=peak=true"
        peer_s = child_s(["ffmpeg", "-nostats", "-i", path, "-af", filters, "-f", "null", "-"])
    tell("a chain of filters, limiter, meter: ours", f"{CHAIN_S / ours_s:.0f} x, with every cap and all meters")
    tell("  processor time of ours against ffmpeg", f"{ours_s / peer_s:.2f}")
    tell("  of ours against scipy, all its filters alone", f"{ours_s / bare_s:.2f}")


def main() -> None:
    """Prints it all."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("installation", nargs="*", type=Path, default=DEMOS)
    asked = parser.parse_args()
    chain()
    with tempfile.TemporaryDirectory() as cache:
        for folder in asked.installation:
            demo(folder, Path(cache))
            planning(folder)


if __name__ == "__main__":
    main()
