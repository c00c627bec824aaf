"""What the dearer kinds of node cost: python -m tests.bench.nodes.

The processor time of 10 s of sound in the engine's blocks, as a share of a core; the least of three runs.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import soundfile

from residue.archive.in_memory import InMemoryPerformance
from residue.mapping.graph import Graph, build
from residue.mapping.nodes import KINDS
from residue.mapping.piece import Piece
from residue.mapping.playback import Playback

RATE_HZ, SECONDS, BLOCK_FRAMES = 48_000, 10, 4_800
FRAMES = RATE_HZ * SECONDS
NOISE = np.random.default_rng(1).normal(0.0, 0.1, FRAMES)

Tables = Mapping[str, Mapping[str, Any]]


def built(tables: Tables, outputs: Sequence[str] = ("left",)) -> Graph:
    """The graph of these nodes, for these outputs."""
    nodes = {
        name: msgspec.convert({key: value for key, value in table.items() if key != "kind"}, KINDS[table["kind"]])
        for name, table in tables.items()
    }
    graph, findings = build(Piece(title="Bench", outputs=list(outputs), node={}), nodes)
    if graph is None:
        raise ValueError(findings)
    return graph


def share_of_a_core(tables: Tables) -> float:
    """Of a graph of a channel of noise, `air`, these nodes, and an output that `heard` goes to."""
    whole: Tables = {
        "air": {"kind": "channel", "channel": "air", "rate": "fast"},
        "one": {"kind": "resonators", "input": "heard", "modes_hz": [100.0]},
        **tables,
        "out": {"kind": "output", "input": "one", "to": ["left"]},
    }
    graph = built(whole)
    source = InMemoryPerformance(frames=FRAMES, slow={}, fast={"air": NOISE}, events={})
    taken_s = []
    for _ in range(3):
        playback = Playback(graph, source, 2 * FRAMES, ".")
        began_s = time.process_time()
        while playback.position < FRAMES:
            playback.step(BLOCK_FRAMES)
        taken_s.append(time.process_time() - began_s)
    return min(taken_s) / SECONDS


def space(folder: Path, seconds: float) -> dict[str, Any]:
    """A recorded space of two channels that fades within its length."""
    frames = round(seconds * RATE_HZ)
    fading = np.random.default_rng(2).normal(0.0, 0.1, (frames, 2)) * np.linspace(1.0, 0.0, frames)[:, None]
    path = folder / f"space-{seconds:g}.wav"
    soundfile.write(path, fading, RATE_HZ)
    return {"kind": "recorded_space", "input": "air", "recording": str(path)}


def loop(delay_s: float) -> Tables:
    """A mix, and its way back."""
    back = {"kind": "feedback", "input": "heard", "delay_s": delay_s}
    return {"heard": {"kind": "mix", "input": ["air", "back"]}, "back": back}


def dome(outputs: int) -> dict[str, Any]:
    """So many outputs in a spiral from below to above, and a sound among them."""
    places = [
        {"azimuth_degrees": 137.5 * n % 360.0, "elevation_degrees": 160.0 * (n + 0.5) / outputs - 80.0}
        for n in range(outputs)
    ]
    return {"kind": "place_among", "input": "air", "outputs": places}


def main() -> None:
    """Print the share of each, less that of the channel and the output."""
    with tempfile.TemporaryDirectory() as folder:
        cases: dict[str, Tables] = {
            **{f"recorded_space of {s:g} s, 1 into 2": {"heard": space(Path(folder), s)} for s in (0.15, 1.0, 10.0)},
            "grains as they stand": {"heard": {"kind": "grains", "input": "air"}},
            "grains, 64 at once": {"heard": {"kind": "grains", "input": "air", "grains_per_s": 400.0, "grain_s": 1.0}},
            "grains, 64 at once, raised": {
                "heard": {"kind": "grains", "input": "air", "grains_per_s": 400.0, "grain_s": 1.0, "ratio": 1.5}
            },
            **{f"place_among {n} outputs": {"heard": dome(n)} for n in (8, 32)},
            **{f"a loop of {1000 * s:g} ms around a mix": loop(s) for s in (0.5, 0.1, 0.02, 0.01)},
        }
        nothing = share_of_a_core({"heard": {"kind": "gain", "input": "air", "gain_db": 0.0}})
        for name, tables in cases.items():
            sys.stdout.write(f"{name:<40} {100 * (share_of_a_core(tables) - nothing):6.2f} %\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
