"""How long the cap stage takes for a slice of 5 ms that is far too loud: python -m tests.bench.live_slices

Three outputs, three caps at once, sound of several kinds that is about 29 dB above them, from its first slice on.
Processor time; a slice is 5 ms of sound, so what takes longer plays late. Between the slices runs a piece of work of
numpy that is always the same: where that takes many times its mean as well, a neighbour on the processor is why.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.stage import LIVE_SLICE_FRAMES, CapStage
from residue.runtime.system.garbage import spare_what_is_there

Floats = NDArray[np.float64]
RATE_HZ = 48_000
NAMES = ("left", "right", "floor")
CAPS = [
    CapEntry(quantity="LAeq", window_s=60.0, limit_dbfs=-41.0),
    CapEntry(quantity="LCpeak", limit_dbfs=-30.0),
    CapEntry(quantity="LAFmax", limit_dbfs=-38.0),
]
_SAME = np.random.default_rng(2).standard_normal(480)


def sounds(frames: int) -> Mapping[str, Floats]:
    """(outputs, frames) of each kind."""
    chance, time_s = np.random.default_rng(1), np.arange(frames) / RATE_HZ
    noise = 0.25 * chance.standard_normal((len(NAMES), frames))
    low = 0.7 * np.sin(2 * np.pi * np.array([[25.0], [40.0], [60.0]]) * time_s)
    bursts = np.sin(2 * np.pi * 3 * time_s) > 0
    clicks = np.where(chance.random((len(NAMES), frames)) < 3e-4, 0.9, 0.0)
    return {"noise": noise, "bursts": noise * bursts, "low": low, "bursts of low": low * bursts, "clicks": clicks}


def same_work() -> None:
    """Some 0.5 ms of work that knows no caps."""
    for _ in range(200):
        np.cumsum(_SAME)


def slices_ms(sound: Floats) -> tuple[Floats, Floats]:
    """(slices,) twice: the processor time of each, and of the same work after each."""
    outputs = {name: Output(device_channel=at, rise_db_per_s=300.0) for at, name in enumerate(NAMES, 1)}
    stage = CapStage(outputs, expand(CAPS), slice_frames=LIVE_SLICE_FRAMES)
    stage.begin_programme(planned=False)
    times_s = []
    for one in np.split(sound, sound.shape[1] // LIVE_SLICE_FRAMES, axis=1):
        began_s = time.thread_time()
        stage.process(one)
        done_s = time.thread_time()
        same_work()
        times_s.append((done_s - began_s, time.thread_time() - done_s))
    slices_s, same_s = np.array(times_s).T
    return 1e3 * slices_s, 1e3 * same_s


def main() -> None:
    """Prints a line for each kind of sound."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=6)
    frames = parser.parse_args().seconds * RATE_HZ
    spare_what_is_there()  # as in a recording
    for name, sound in sounds(frames).items():
        for what, took_ms in zip((name, "  the same work"), slices_ms(sound), strict=True):
            words = f"mean {took_ms.mean():.1f}, of 99 in 100 {np.percentile(took_ms, 99):.1f}"
            sys.stdout.write(f"{what:<16}{words}, longest {took_ms.max():.1f} ms\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
