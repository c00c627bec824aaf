"""Prints how well beats are found in pulse waves, beside other detectors: python -m tests.bench.pulse.

The reference is independent of ours: where an ECG stands beside the pulse wave, the beats on which three of five ECG
detectors agree; elsewhere those on which two of three pulse detectors agree in the wave without added noise, which
favours them. Detections are moved by the median way to the reference, for a pulse comes later than its R wave; then
150 ms are a match. The first 5 s are left out, as in EC57 (5 min there, from memory). The others see the whole
recording at once, at 100 Hz; ours hears it as it comes. Noise has the power of the wave between 0.5 and 8 Hz, times
the factor that is printed.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable, Iterator, Mapping

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from residue.dsp.pulse import PulseFinder
from residue.dsp.pulse_peaks import PulsePeakFinder
from residue.mapping.signals import CONTROL_RATE_HZ
from tests.reference import recordings
from tests.reference.recordings import Recording
from tests.reference.test_heart import LEARNING_S, agreed, others, score

Floats = NDArray[np.float64]
PEER_RATE_HZ = 100


def waves() -> Iterator[tuple[str, Floats, Floats | None]]:
    """Name, pulse wave at the control rate, and the beats of the ECG beside it in seconds, where there is one."""
    body = recordings.one_body()
    ecg = Recording(256, "1", ("ecg",), signal.resample_poly(body["ecg"], 1, 8)[None])
    yield "pyphysio, with ECG", at_control_rate(body), agreed(others(ecg, 1e5), 3)
    for name, wave in recordings.named_pulse_waves().items():
        yield name, at_control_rate(wave), None


def at_control_rate(recording: Recording) -> Floats:
    wave = recording["pulse"]
    divisor = np.gcd(CONTROL_RATE_HZ, recording.rate_hz)
    found: Floats = signal.resample_poly(wave - wave[0], CONTROL_RATE_HZ // divisor, recording.rate_hz // divisor)
    return found


def noises(count: int) -> Mapping[str, Floats]:
    """Noises by name, always the same; 1 is the power of the wave."""
    random = np.random.default_rng(1)
    bursts = np.repeat(random.random(-(-count // (2 * CONTROL_RATE_HZ))) > 0.6, 2 * CONTROL_RATE_HZ)[:count]
    hum = np.sin(2 * np.pi * 50.03 * np.arange(count) / CONTROL_RATE_HZ)

    def band(power: float, low_hz: float, high_hz: float) -> Floats:
        made = _band(random.normal(size=count), low_hz, high_hz)
        scaled: Floats = made * np.sqrt(power / np.var(made))
        return scaled

    return {
        "as it is": np.zeros(count),
        "movement x 0.25": band(0.25, 0.5, 8.0),
        "movement x 0.5": band(0.5, 0.5, 8.0),
        "movement x 1": band(1.0, 0.5, 8.0),
        "bursts x 4": band(4.0, 0.5, 8.0) * bursts,
        "drift x 9": band(9.0, 0.05, 0.4),
        "noise to 100 Hz x 10": band(10.0, 0.5, 100.0),
        "hum x 2": 2.0 * hum,
    }


def _band(values: Floats, low_hz: float, high_hz: float) -> Floats:
    sections = signal.butter(2, [low_hz, high_hz], "bandpass", fs=CONTROL_RATE_HZ, output="sos")
    made: Floats = signal.sosfilt(sections, values)
    return made


def power(wave: Floats) -> float:
    """Of the wave between 0.5 and 8 Hz, the median over stretches of 5 s: an artefact does not count."""
    band = _band(wave, 0.5, 8.0)
    return float(np.median([np.var(part) for part in np.array_split(band, -(-len(band) // (5 * CONTROL_RATE_HZ)))]))


def ours(wave: Floats) -> Floats:
    find = PulsePeakFinder(CONTROL_RATE_HZ)
    blocks = (wave[at : at + 9_600] for at in range(0, len(wave), 9_600))
    return np.array([beat.at for block in blocks for beat in find(block)]) / CONTROL_RATE_HZ


def ours_quick(wave: Floats) -> Floats:
    find = PulseFinder(CONTROL_RATE_HZ)
    blocks = (wave[at : at + 9_600] for at in range(0, len(wave), 9_600))
    return np.array([at for block in blocks for at in find(block)]) / CONTROL_RATE_HZ


def peers() -> Mapping[str, Callable[[Floats], Floats]]:
    """General-purpose detectors: two of neurokit2, and scipy's peaks of a pulse that was filtered forth and back."""

    def neurokit(method: str) -> Callable[[Floats], Floats]:
        def found(wave: Floats) -> Floats:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # theirs
                import neurokit2

                slow = signal.resample_poly(wave, 1, CONTROL_RATE_HZ // PEER_RATE_HZ)
                clean = neurokit2.ppg_clean(slow, PEER_RATE_HZ)
                peaks = neurokit2.ppg_findpeaks(clean, PEER_RATE_HZ, method=method)["PPG_Peaks"]
            return np.asarray(peaks, np.float64) / PEER_RATE_HZ

        return found

    def prominent(wave: Floats) -> Floats:
        slow = signal.resample_poly(wave, 1, CONTROL_RATE_HZ // PEER_RATE_HZ)
        sections = signal.butter(2, [0.5, 8.0], "bandpass", fs=PEER_RATE_HZ, output="sos")
        clean = signal.sosfiltfilt(sections, slow)
        peaks, _ = signal.find_peaks(clean, distance=0.4 * PEER_RATE_HZ, prominence=0.8 * float(np.std(clean)))
        return np.asarray(peaks, np.float64) / PEER_RATE_HZ

    return {"neurokit2 elgendi": neurokit("elgendi"), "neurokit2 charlton": neurokit("charlton"), "scipy": prominent}


def moved(found_s: Floats, reference_s: Floats) -> Floats:
    """Earlier by the way to the reference that most of them share."""
    if not len(found_s):
        return found_s

    def near(lag_s: float) -> Floats:
        ways = np.array([(reference_s - at)[np.abs(reference_s - at).argmin()] for at in found_s - lag_s])
        close: Floats = ways[np.abs(ways) < 0.15]
        return close

    lag_s = max(np.arange(-0.6, 0.9, 0.05).tolist(), key=lambda lag_s: len(near(lag_s)))
    placed: Floats = found_s - lag_s + float(np.median(near(lag_s)))
    return placed


def f1(found_s: Floats, reference_s: Floats) -> float:
    """The harmonic mean of sensitivity and positive predictivity, without the first seconds."""
    placed = moved(found_s, reference_s)
    se, ppv = score(placed[placed > LEARNING_S], reference_s[reference_s > LEARNING_S])
    return 2 * se * ppv / max(se + ppv, 1e-9)


def reference_of(wave: Floats) -> Floats:
    found = {name: find(wave) for name, find in peers().items()}
    first = found["neurokit2 elgendi"]
    return agreed({name: moved(places, first) for name, places in found.items()}, 2)


MUST_BE_SILENT = (
    "white noise",
    "hum",
    "an unplugged sensor (hum and noise)",
    "an unplugged sensor (the last digit)",
    "drift (a random walk)",
)


def silences() -> Mapping[str, Floats]:
    """Five minutes of each: what must stay silent, and noises that look like pulses."""
    white = np.random.default_rng(5).normal(size=300 * CONTROL_RATE_HZ)
    hum = np.sin(2 * np.pi * 50.03 * np.arange(len(white)) / CONTROL_RATE_HZ)
    return {
        "white noise": white,
        "hum": hum,
        "an unplugged sensor (hum and noise)": hum + 0.1 * white,
        "an unplugged sensor (the last digit)": np.round(0.3 * white + 500.0),
        "movement": _band(white, 0.5, 8.0),
        "drift (a random walk)": np.cumsum(white),
    }


def table() -> None:
    detectors = {"ours": ours, "ours, quick": ours_quick, **peers()}
    heads = ("wave", "noise", "beats", *detectors)
    sys.stdout.write(f"| {' | '.join(heads)} |\n|{' --- |' * len(heads)}\n")
    means: dict[str, list[list[float]]] = {}
    for name, wave, beats_s in waves():
        reference = reference_of(wave) if beats_s is None else beats_s
        for noise, made in noises(len(wave)).items():
            heard = wave + made * np.sqrt(power(wave))
            scores = [f1(find(heard), reference) for find in detectors.values()]
            means.setdefault(noise, []).append(scores)
            shown = " | ".join(f"{one:.3f}" for one in scores)
            sys.stdout.write(f"| {name} | {noise} | {len(reference)} | {shown} |\n")
            sys.stdout.flush()
    for noise, rows in means.items():
        shown = " | ".join(f"{one:.3f}" for one in np.mean(rows, axis=0))
        sys.stdout.write(f"| all | {noise} | | {shown} |\n")


if __name__ == "__main__":
    table()
    for what, made in silences().items():
        sys.stdout.write(f"beats (ours, ours quick) in {what}: {len(ours(made))}, {len(ours_quick(made))}\n")
