"""Speed of the cap stage, the level profile and the measurement of files: `python tests/bench/loudness.py`.

CPU times of one run on one machine; ratios travel, absolute figures do not.
"""

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path

import numpy as np
import soundfile
from scipy import signal

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.meters.measure import measure
from residue.loudness.outputs.calibration import Calibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.profile import profile
from residue.loudness.stage.stage import CapStage

RATE_HZ, SECONDS, BLOCK_FRAMES = 48_000, 120, 8192
CALIBRATED = Calibration(played_dbfs=-20.0, read_dba=74.0, read_dbc=75.6, on=date(2026, 3, 2))
CAPS = expand(
    [
        CapEntry(rule="who-2022"),
        CapEntry(quantity="LCeq", window_s=900.0, limit_db=108.0),
        CapEntry(quantity="LCpeak", limit_db=135.0),
    ]
)


def outputs(count: int) -> dict[str, Output]:
    return {f"output {n}": Output(device_channel=n, calibration=CALIBRATED) for n in range(1, count + 1)}


def programme(count: int, level: float) -> np.ndarray:
    noise = np.random.default_rng(1).standard_normal((count, RATE_HZ * SECONDS))
    low: np.ndarray = signal.sosfilt(signal.butter(2, 2000, fs=RATE_HZ, output="sos"), noise, axis=1)
    scaled: np.ndarray = low / np.std(low) * level
    return scaled


def cpu_s(work: Callable[[], object]) -> float:
    """The least of three."""
    times = []
    for _ in range(3):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def stage_s(count: int, level: float) -> float:
    sound, stage = programme(count, level), CapStage(outputs(count), CAPS)
    starts = range(0, sound.shape[1], BLOCK_FRAMES)
    return cpu_s(lambda: [stage.process(sound[:, at : at + BLOCK_FRAMES]) for at in starts])


def child_s(command: list[str], environment: Mapping[str, str] | None = None) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, capture_output=True, check=True, env=environment)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def tell(what: str, value: str) -> None:
    sys.stdout.write(f"{what:<52}{value:>34}\n")


def planning(folder: Path, cache: Path) -> tuple[float, float]:
    """Seconds of sound, and CPU time, of planning six performances whose channels are prepared."""
    from residue.installation.load import load
    from residue.runtime.planning.preparation import level_profile, open_performance, plan_programme

    installation = load(folder)
    names = installation.played
    opened = [open_performance(installation, name, cache) for name in names]
    start = time.process_time()
    lasts_s = sum(level_profile(installation, one, cache).duration_s for one in opened)
    plan_programme(installation, names, cache)
    return lasts_s, time.process_time() - start


def main() -> None:
    archives = Path(__file__).parents[2] / "archives"
    with tempfile.TemporaryDirectory() as folder:
        found = [planning(archives / piece, Path(folder)) for piece in ("night-dough", "oven-watch")]
    lasts_s, spent_s = (sum(part) for part in zip(*found, strict=True))
    tell("planning six performances, their channels prepared", f"{lasts_s / spent_s:.0f} x real time")
    for count, level, how in ((3, 0.03, "at -30 dBFS"), (3, 0.7, "limiting all the time"), (8, 0.03, "at -30 dBFS")):
        spent = stage_s(count, level)
        share = f"{SECONDS / spent:.0f} x real time, {100 * spent / SECONDS:.1f} % of a core"
        tell(f"cap stage, {count} outputs, {how}", share)
    sound = programme(3, 0.1)
    blocks = [sound[:, at : at + BLOCK_FRAMES] for at in range(0, sound.shape[1], BLOCK_FRAMES)]
    spent = cpu_s(lambda: profile(blocks, outputs(3), CAPS))
    tell("level profile, 3 outputs", f"{SECONDS / spent:.0f} x real time")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stereo.wav"
        soundfile.write(path, programme(2, 0.1).T, RATE_HZ, subtype="PCM_24")
        ours = cpu_s(lambda: measure(path))
        peer = child_s(["ffmpeg", "-nostats", "-i", str(path), "-af", "ebur128=peak=true", "-f", "null", "-"])
        tell("measure, stereo file", f"{SECONDS / ours:.0f} x real time")
        tell("ffmpeg ebur128=peak=true, the same file", f"{SECONDS / peer:.0f} x real time")
        tell("CPU time of measure against ffmpeg", f"{ours / peer:.2f}")


if __name__ == "__main__":
    main()
