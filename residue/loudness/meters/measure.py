"""Loudness and levels of any audio file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
import soundfile
from numpy.typing import NDArray

from residue.dsp.kernel import magnitudes
from residue.loudness.meters import gating
from residue.loudness.meters.hops import WeightingBank
from residue.loudness.meters.levels import db_of_magnitude, db_of_power
from residue.loudness.meters.time_weighting import GRAIN_RATE_HZ, TimeWeightedMeter, grain_powers
from residue.loudness.meters.true_peak import TruePeakMeter
from residue.loudness.meters.weightings import Weighting
from residue.problems import stopping
from residue.progress import Progress, silent

Floats = NDArray[np.float64]

_SURROUND = 1.41
_CHANNEL_WEIGHTS: Mapping[int, tuple[float, ...]] = {
    4: (1.0, 1.0, _SURROUND, _SURROUND),
    5: (1.0, 1.0, 1.0, _SURROUND, _SURROUND),
    6: (1.0, 1.0, 1.0, 0.0, _SURROUND, _SURROUND),
    8: (1.0, 1.0, 1.0, 0.0, 1.0, 1.0, _SURROUND, _SURROUND),
}
"""ITU-R BS.1770-5, Annex 1, Table 3, and Annex 3, Table 4, in the order of channels of a WAV file: left, right, centre,
low-frequency effects, back (or surround) pair, side pair. Other numbers of channels all count as 1."""

_MEASURED = (Weighting.A, Weighting.C, Weighting.G, Weighting.K, Weighting.Z)
_SHOWN = (Weighting.A, Weighting.C, Weighting.K, Weighting.Z)
_GRAIN_RATE_HZ = 100
"""Energies are kept for each hundredth of a second: EBU Tech 3341, case 13 moves its bursts by steps of 20 ms."""
_MOMENTARY_GRAINS, _SHORT_TERM_GRAINS, _STEP_GRAINS = 40, 300, 10
_BLOCK_S = 2
_LEAST_RATE_HZ = 8_000
"""Our choice: at 8 kHz the weightings are half a decibel off at 50 Hz, at 2 kHz they no longer work."""
_SILENCE_DBFS = -250.0
"""A lower level counts as silence: it comes from the guard of the filters against subnormal numbers."""


class Measurement(msgspec.Struct, frozen=True, kw_only=True):
    """The result of `residue measure`; None for a value that does not exist (silence, or a gate that nothing passed).

    LUFS are of all channels together. LAeq, LCeq, LZeq, LGeq, LAFmax and LASmax are of the mean power of the channels,
    so that a full-scale sine reads -3.01 in mono and in stereo; the peaks are the highest of any or one a channel.
    """

    duration_s: float
    sample_rate_hz: int
    channels: int
    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: list[float | None]
    sample_peak_dbfs: list[float | None]
    laeq_dbfs: float | None
    lceq_dbfs: float | None
    lzeq_dbfs: float | None
    lgeq_dbfs: float | None
    laf_max_dbfs: float | None
    las_max_dbfs: float | None
    lc_peak_dbfs: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Grains:
    """The energies of a file for each hundredth of a second, and its peaks."""

    rate_hz: int
    frames: int
    energy: Mapping[Weighting, Floats]
    """(grains,): K summed over channels with their weights, the others averaged over channels."""
    edges: NDArray[np.int64]
    """(grains + 1,): the first frame of each grain and the end; the last grain may be short."""
    true_peak: Floats
    """(channels,)"""
    sample_peak: Floats
    """(channels,)"""
    c_peak: float
    fast_max: float
    """The highest power under A with the time weighting F; slow_max is the same with S."""
    slow_max: float

    def windows(self, weighting: Weighting, grains: int) -> Floats:
        """Mean squares over `grains` grains, beginning at every grain; whole windows only."""
        whole = len(self.edges) - 1 if self.frames == _edge(len(self.edges) - 1, self.rate_hz) else len(self.edges) - 2
        running = np.cumsum(np.concatenate(([0.0], self.energy[weighting][:whole])))
        lengths = self.edges[grains : whole + 1] - self.edges[: max(0, whole + 1 - grains)]
        means: Floats = (running[grains:] - running[: max(0, whole + 1 - grains)]) / lengths
        return np.maximum(means, 0.0)

    def mean(self, weighting: Weighting) -> float:
        """Mean square over the whole file."""
        return float(np.add.reduce(self.energy[weighting])) / self.frames if self.frames else 0.0


def _edge(grain: int, rate_hz: int) -> int:
    return grain * rate_hz // _GRAIN_RATE_HZ


def read_grains(path: Path, progress: Progress = silent) -> Grains:
    """Reads a file once, from its beginning to its end.

    Raises ProblemError if it cannot be read.
    """
    try:
        path.open("rb").close()  # libsndfile does not say why it cannot open a file
        with soundfile.SoundFile(bytes(path)) as file:  # a name may be in any encoding
            _check(path, file)
            return _read(path, file, progress)
    except OSError as error:
        raise stopping(str(path), f"It cannot be read: {error.strerror}.", "Name a WAV or FLAC file.") from error
    except soundfile.LibsndfileError as error:
        what = f"It cannot be read as sound: {error.error_string.rstrip('.')}."
        raise stopping(str(path), what, "Name a WAV or FLAC file.") from error


def _check(path: Path, file: soundfile.SoundFile) -> None:
    """Raises ProblemError for a file that no weighting fits."""
    if file.samplerate < _LEAST_RATE_HZ:
        what = f"Its rate of {file.samplerate} Hz is too low for the weightings."
        raise stopping(str(path), what, f"Convert it to {_LEAST_RATE_HZ} Hz or more.")


def _read(path: Path, file: soundfile.SoundFile, progress: Progress) -> Grains:
    meter, frames = GrainMeter(file.samplerate, file.channels), 0
    # A block of whole seconds begins on the edge of a grain, whatever the rate.
    while len(read := file.read(_BLOCK_S * file.samplerate, dtype="float64", always_2d=True)):
        block = np.ascontiguousarray(read.T)
        if not np.isfinite(block).all():
            at_s = (frames + int(np.argmin(np.isfinite(block).all(axis=0)))) / file.samplerate
            what = f"From {at_s:.3f} s on it contains values that are not numbers."
            raise stopping(str(path), what, "Export it again, or repair it in a sound editor.")
        frames += block.shape[1]
        meter(block)
        progress("measuring", frames, file.frames)
    return meter.grains()


class GrainMeter:
    """Takes sound block by block. Each block but the last fills whole grains."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz = rate_hz
        self._bank = WeightingBank(_MEASURED, channels, rate_hz)
        self._true_peak, self._c_peak = (TruePeakMeter(channels) for _ in range(2))
        self._shares = {weighting: np.full(channels, 1.0 / channels) for weighting in _MEASURED}
        self._shares[Weighting.K] = np.array(_CHANNEL_WEIGHTS.get(channels, (1.0,) * channels))
        self._energy: dict[Weighting, list[Floats]] = {weighting: [] for weighting in _MEASURED}
        self._needle = _Needle(rate_hz)
        self._sample_peak, self._frames = np.zeros(channels), 0
        self._edges = [np.zeros(1, dtype=np.int64)]

    def __call__(self, block: Floats) -> None:
        """Takes (channels, frames) of finite values, and overwrites them."""
        weighted = self._bank(block)
        self._true_peak(block)
        self._needle(weighted[Weighting.A])
        self._sample_peak = np.maximum(self._sample_peak, magnitudes(block))
        self._c_peak(weighted[Weighting.C])
        grains = -(-block.shape[1] * _GRAIN_RATE_HZ // self._rate_hz)
        starts = np.arange(grains, dtype=np.int64) * self._rate_hz // _GRAIN_RATE_HZ
        for weighting, signals in weighted.items():
            signals *= signals
            shares = zip(self._shares[weighting], signals, strict=True)
            self._energy[weighting].append(np.add.reduce([share * np.add.reduceat(x, starts) for share, x in shares]))
        self._edges.append(self._frames + np.append(starts[1:], block.shape[1]))
        self._frames += block.shape[1]

    def grains(self) -> Grains:
        """What was taken so far."""
        fast_max, slow_max = self._needle.highest
        return Grains(
            rate_hz=self._rate_hz,
            frames=self._frames,
            energy={name: np.concatenate(parts) if parts else np.zeros(0) for name, parts in self._energy.items()},
            edges=np.concatenate(self._edges),
            true_peak=self._true_peak.highest,
            sample_peak=self._sample_peak,
            c_peak=float(np.max(self._c_peak.highest)),
            fast_max=fast_max,
            slow_max=slow_max,
        )


class _Needle:
    """The highest powers under F and S, of the mean power of the channels."""

    def __init__(self, rate_hz: int) -> None:
        # Whole grains fill a second of any rate; at 48 kHz each is a millisecond.
        self._frames = next(n for n in range(max(1, rate_hz // GRAIN_RATE_HZ), 0, -1) if rate_hz % n == 0)
        self._meters = [TimeWeightedMeter(name, 1, rate_hz / self._frames) for name in ("F", "S")]
        self.highest = [0.0, 0.0]

    def __call__(self, weighted: Floats) -> None:
        missing = -weighted.shape[1] % self._frames
        powers = np.mean(grain_powers(np.pad(weighted, ((0, 0), (0, missing))), self._frames), axis=0, keepdims=True)
        for n, meter in enumerate(self._meters):
            meter(powers)
            self.highest[n] = max(self.highest[n], float(meter.highest[0]))


def _or_none(level_db: float) -> float | None:
    return level_db if level_db > _SILENCE_DBFS else None


def measure(path: Path, progress: Progress = silent) -> Measurement:
    """Measures a file block by block at its own rate.

    Raises ProblemError if it cannot be read.
    """
    return measurement_of(read_grains(path, progress))


def measurement_of(grains: Grains) -> Measurement:
    """The loudness and levels of grains."""
    momentary = grains.windows(Weighting.K, _MOMENTARY_GRAINS)
    short_term = grains.windows(Weighting.K, _SHORT_TERM_GRAINS)
    return Measurement(
        duration_s=grains.frames / grains.rate_hz,
        sample_rate_hz=grains.rate_hz,
        channels=len(grains.sample_peak),
        integrated_lufs=gating.integrated_lufs(momentary[::_STEP_GRAINS]),
        momentary_max_lufs=gating.lufs(float(np.max(momentary, initial=0.0))),
        short_term_max_lufs=gating.lufs(float(np.max(short_term, initial=0.0))),
        loudness_range_lu=gating.loudness_range_lu(short_term[::_STEP_GRAINS]),
        true_peak_dbtp=[_or_none(db_of_magnitude(float(peak))) for peak in grains.true_peak],
        sample_peak_dbfs=[_or_none(db_of_magnitude(float(peak))) for peak in grains.sample_peak],
        laeq_dbfs=_or_none(db_of_power(grains.mean(Weighting.A))),
        lceq_dbfs=_or_none(db_of_power(grains.mean(Weighting.C))),
        lzeq_dbfs=_or_none(db_of_power(grains.mean(Weighting.Z))),
        lgeq_dbfs=_or_none(db_of_power(grains.mean(Weighting.G))),
        laf_max_dbfs=_or_none(db_of_power(grains.fast_max)),
        las_max_dbfs=_or_none(db_of_power(grains.slow_max)),
        lc_peak_dbfs=_or_none(db_of_magnitude(grains.c_peak)),
    )


def level_over_time(path: Path, step_s: float = 1.0, progress: Progress = silent) -> dict[Weighting, Floats]:
    """Mean level in dBFS of each step of a file under each weighting (K in LUFS without gates), -inf for silence."""
    grains = read_grains(path, progress)
    length = max(1, round(step_s * _GRAIN_RATE_HZ))
    levels = {}
    with np.errstate(divide="ignore"):
        for weighting in _SHOWN:
            offset = gating.OFFSET_LU if weighting is Weighting.K else 0.0
            levels[weighting] = offset + 10.0 * np.log10(grains.windows(weighting, length)[::length])
    return levels
