"""Prints how well beats are found in recordings, beside general-purpose detectors: python -m tests.bench.heart.

Each record is taken whole, but for the half second at its beginning and the quarter at its end in which nobody who
hears it as it comes can know a beat; a detection within 150 ms of a beat is a match (ANSI/AAMI EC57, from memory).
The others see the whole recording at once; ours hears it as it comes. Where nobody marked beats,
those on which three of the five others agree are the reference (silver). The nine leads of STAFF III are of one heart
at one time, and have one reference: that of V4, where all five agree on every beat; in III they agree on the P waves,
0.13 s before the QRS complexes of the other leads. Noise is added to five minutes of a record, at
the power of its ECG between 1 and 40 Hz or at four times that.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from residue.dsp.qrs import QUICK, SURE, BeatFinder
from residue.dsp.qrs_features import BeatPace
from residue.mapping.signals import CONTROL_RATE_HZ
from tests.reference import recordings
from tests.reference.recordings import Recording
from tests.reference.test_heart import FIRST_S, LAST_S, agreed, at_control_rate, band, noises, others, score

Floats = NDArray[np.float64]
MOST_S = 1e5


def records() -> Iterator[tuple[str, Recording, Floats | None, float]]:
    """Name, recording, its beats where they are known from elsewhere, and from when on they are."""
    yield "systole", recordings.ecg_systole(), None, 0.0
    yield "AAMI 3a", recordings.ecg_aami_3a(), None, 0.0
    both, marks = recordings.ecg_aha_0201()
    for lead in both.names:
        yield f"AHA 0201 {lead}", Recording(both.rate_hz, both.unit, (lead,), both[lead][None]), marks, 300.0
    yield "MIT-BIH 208", recordings.ecg_208(), None, 0.0
    staff = recordings.ecg_staff()
    leads = {lead: Recording(staff.rate_hz, staff.unit, (lead,), staff[lead][None]) for lead in staff.names}
    beats_s = agreed(others(leads["V4"], MOST_S), 3)
    for lead, recording in leads.items():
        yield f"STAFF 001a {lead}", recording, beats_s, 0.0
    yield "peakdet", recordings.ecg_peakdet(), None, 0.0
    yield "pyhrv", recordings.ecg_pyhrv(), None, 0.0


def ours(recording: Recording, pace: BeatPace) -> tuple[Floats, Floats]:
    """Where beats are, in seconds, and how long after each R wave it was known."""
    ecg, find = at_control_rate(recording, MOST_S), BeatFinder(CONTROL_RATE_HZ, pace)
    found = [beat for at in range(0, len(ecg), 20_000) for beat in find(ecg[at : at + 20_000])]
    at = np.array([beat.at for beat in found]) / CONTROL_RATE_HZ
    return at, np.array([beat.known_at for beat in found]) / CONTROL_RATE_HZ - at


def row(name: str, recording: Recording, reference: Floats | None, from_s: float, told: str) -> Floats:
    """Prints one row; gives the reference. told: who marked it, where nobody did the detectors (silver)."""
    found = dict(others(recording, MOST_S))
    reference = agreed(found, 3) if reference is None else reference
    both = [ours(recording, pace) for pace in (SURE, QUICK)]
    last_s = recording.values.shape[1] / recording.rate_hz - LAST_S

    def within(places: Floats) -> Floats:
        counted: Floats = places[(places >= max(from_s, FIRST_S)) & (places <= last_s)]
        return counted

    cells = [score(within(places), within(reference)) for places in (*(at for at, _ in both), *found.values())]
    known = " and ".join(f"{np.median(late_s):.2f}" if len(late_s) else "-" for _, late_s in both)
    shown = " | ".join(f"{se:.4f}/{ppv:.4f}" for se, ppv in cells)
    sys.stdout.write(f"| {name} | {len(within(reference))} {told} | {known} | {shown} |\n")
    sys.stdout.flush()
    return reference


def table() -> None:
    """Every record as it is, then three of them with noise."""
    detectors = ("ours", "ours, quick", "sleepecg", "neurokit2", "pt1985", "two averages", "xqrs")
    heads = ("record", "beats", "known after R, s", *detectors)
    sys.stdout.write(f"| {' | '.join(heads)} |\n|{' --- |' * len(heads)}\n")
    kept: list[tuple[str, Recording, Floats, str]] = []
    for name, recording, marks, from_s in records():
        told = "marked" if name.startswith("AHA") else "silver"
        reference = row(name, recording, marks, from_s, told)
        if name in {"systole", "AHA 0201 ecg", "MIT-BIH 208"}:
            first, last = round(from_s * recording.rate_hz), round((from_s + 300.0) * recording.rate_hz)
            part = Recording(recording.rate_hz, recording.unit, recording.names, recording.values[:, first:last])
            within = reference[(reference >= from_s) & (reference < from_s + 300.0)] - from_s
            kept.append((name, part, within, told))
    for name, part, within, told in kept:
        ecg = part.values[0]
        power = np.var(band(ecg, 1.0, 40.0, part.rate_hz))
        for noise, made in noises(part.rate_hz, len(ecg)).items():
            loud = ecg + made * np.sqrt(power * (4.0 if noise in {"hum", "muscle in bursts"} else 1.0))
            row(f"{name}, {noise}", Recording(part.rate_hz, part.unit, part.names, loud[None]), within, 0.0, told)


def silences() -> Mapping[str, Floats]:
    """Five minutes, or half a minute of a person, of what must stay silent."""
    random = np.random.default_rng(5)
    white = random.normal(size=300 * CONTROL_RATE_HZ)
    seconds = np.arange(len(white)) / CONTROL_RATE_HZ
    knocks = random.normal(size=len(white)) * (random.random(len(white)) < 0.8 / CONTROL_RATE_HZ)
    bursts = np.repeat(random.random(300) > 0.5, CONTROL_RATE_HZ)
    muscle = band(white, 20.0, 150.0, CONTROL_RATE_HZ)
    emg, eeg = recordings.emg_vastus(), recordings.eeg_eyes_closed()
    return {
        "white noise": white,
        "muscle": muscle,
        "muscle in bursts": muscle * bursts + 0.01 * white,
        "movement": band(white, 0.5, 8.0, CONTROL_RATE_HZ),
        "hum": np.sin(2 * np.pi * 50.0 * seconds),
        "open electrode: hum and drift": np.sin(2 * np.pi * 50.1 * seconds) + 0.01 * np.cumsum(white),
        "knocks": knocks + 0.001 * white,
        "slips": np.cumsum(knocks) + 0.001 * white,
        "vastus, 32 s": signal.resample_poly(emg.values[3], 125, 128),
        "scalp": signal.resample_poly(eeg.values[0], 2, 1),
    }


if __name__ == "__main__":
    table()
    for what, made in silences().items():
        told = ", ".join(str(len(BeatFinder(CONTROL_RATE_HZ, pace)(made))) for pace in (SURE, QUICK))
        sys.stdout.write(f"beats (ours, ours quick) in {what}: {told}\n")
