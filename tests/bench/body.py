"""Prints how breaths, steps and responses of the skin are found, beside others: python -m tests.bench.body.

Sensitivity and positive predictivity, each event matched at most once: tops of breath within 0.5 s, responses of the
skin within 1.5 s, steps within 0.25 s. Ours hears the recording as it comes, and what it finds is put where it says
that it was (of skin and steps: earlier by its usual delay); the others see the whole recording at once. Where nobody
marked anything, what two of the three others agree on is the reference (silver).
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable, Mapping

import neurokit2
import numpy as np
from numpy.typing import NDArray
from scipy import signal

from residue.dsp.breath import BreathFinder
from residue.mapping.nodes import KINDS
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, FRAMES_PER_TICK, Events, Signal
from tests.mapping.single import run
from tests.reference.recordings import Recording, breath_belt, one_body, walk
from tests.reference.test_breath import belt
from tests.reference.test_heart import agreed, at_control_rate, score

Floats = NDArray[np.float64]
Found = Mapping[str, Floats]
_BREATH_S, _SKIN_S, _STEP_S = 0.5, 1.5, 0.25
_SKIN_DELAY_S, _STEP_DELAY_S = 1.2, 0.3


def breaths(recording: Recording) -> tuple[Floats, Found]:
    """Tops of breath: ours, and those of three methods of neurokit2 and scipy."""
    turns = BreathFinder(CONTROL_RATE_HZ)(belt(recording))
    rate_hz, wave = recording.rate_hz, recording["resp"]
    found = {}
    for method in ("khodadad2018", "biosppy"):
        cleaned = neurokit2.rsp_clean(wave, rate_hz, method=method)
        tops = neurokit2.rsp_peaks(cleaned, rate_hz, method=method)[1]["RSP_Peaks"]
        found[f"neurokit2 {method}"] = np.asarray(tops, np.float64) / rate_hz
    slow = signal.sosfiltfilt(signal.butter(2, [0.05, 1.0], "bandpass", fs=rate_hz, output="sos"), wave)
    tops, _ = signal.find_peaks(slow, prominence=0.5 * np.ptp(np.percentile(slow, (10, 90))))
    found["scipy prominence"] = tops / rate_hz
    return np.array([turn.at for turn in turns if turn.is_top]) / CONTROL_RATE_HZ, found


def responses(recording: Recording) -> tuple[Floats, Found]:
    """Tops of responses of the skin: ours, and those of three methods of neurokit2."""
    raw = recording["eda"]
    values = at_control_rate(Recording(recording.rate_hz, "uS", ("eda",), (raw - raw[0])[None]), 1e5) + raw[0]
    ours = _times_s(run(KINDS["skin_responses"](input="a"), {"input": values}, len(values) * FRAMES_PER_TICK))
    thin_hz = recording.rate_hz // 16
    parts = neurokit2.eda_phasic(neurokit2.eda_clean(raw[::16], thin_hz), thin_hz, method="highpass")
    found = {}
    for method in ("kim2004", "neurokit", "nabian2018"):
        tops = neurokit2.eda_peaks(parts["EDA_Phasic"].to_numpy(), thin_hz, method=method)[1]["SCR_Peaks"]
        found[f"neurokit2 {method}"] = np.asarray(tops, np.float64) / thin_hz
    return ours - _SKIN_DELAY_S, found


def steps() -> tuple[Floats, Found, Floats]:
    """Steps within the three walks: ours, a peak picker's, and the contacts that a package for gait tells."""
    acceleration, contacts_s = walk()
    offset, times = acceleration.values[:, :1], CONTROL_RATE_HZ // acceleration.rate_hz
    x, y, z = signal.resample_poly(acceleration.values - offset, times, 1, axis=1) + offset
    ours = _times_s(run(KINDS["steps"](x="a", y="b", z="c"), {"x": x, "y": y, "z": z}, len(x) * FRAMES_PER_TICK))
    magnitude = np.sqrt((acceleration.values**2).sum(axis=0))
    slow = signal.sosfiltfilt(signal.butter(2, [0.7, 3.0], "bandpass", fs=50, output="sos"), magnitude)
    tops, _ = signal.find_peaks(slow, prominence=0.05, distance=15)
    inside = _within_walks(contacts_s)
    return inside(ours - _STEP_DELAY_S), {"scipy prominence": inside(tops / 50 - 0.16)}, contacts_s[1:]


def _within_walks(contacts_s: Floats) -> Callable[[Floats], Floats]:
    """Keeps what lies between contacts that are not further apart than 2 s."""
    walking = np.split(contacts_s[1:], np.flatnonzero(np.diff(contacts_s[1:]) > 2.0) + 1)

    def inside(times_s: Floats) -> Floats:
        return np.concatenate(
            [times_s[(times_s > one[0] - _STEP_S) & (times_s < one[-1] + _STEP_S)] for one in walking]
        )

    return inside


def _times_s(found: Signal) -> Floats:
    if not isinstance(found, Events):
        raise TypeError("no events")
    return found.frames / AUDIO_RATE_HZ


def row(name: str, reference_s: Floats, within_s: float, found: Found) -> str:
    """One line of the table."""
    scores = {who: score(times_s, reference_s, within_s) for who, times_s in found.items()}
    cells = [f"{who} {sensitivity:.3f}/{predictivity:.3f}" for who, (sensitivity, predictivity) in scores.items()]
    return f"| {name} | {len(reference_s)} | {' | '.join(cells)} |\n"


def main() -> None:
    """Print the table."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # theirs, about their own insides
        for name, recording in (
            ("breath, regular (peakdet)", breath_belt()),
            ("breath, irregular (pyphysio)", one_body()),
        ):
            ours, found = breaths(recording)
            reference = agreed(found, 2, _BREATH_S)
            sys.stdout.write(row(f"{name}, silver", reference, _BREATH_S, {"ours": ours, **found}))
        ours, found = responses(one_body())
        reference = agreed(found, 2, _SKIN_S)
        sys.stdout.write(row("skin responses (pyphysio), silver", reference, _SKIN_S, {"ours": ours, **found}))
        ours, found, contacts_s = steps()
        sys.stdout.write(row("steps (gaitpy), its contacts", contacts_s, _STEP_S, {"ours": ours, **found}))


if __name__ == "__main__":
    main()
