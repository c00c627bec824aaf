"""Finds when each source began, on the clock of the performance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from scipy import signal

from residue.archive.gaps import Bridged
from residue.archive.ingest.describe import Align, Description
from residue.archive.ingest.source import IngestSource, Track
from residue.dsp.resampling import Floats, resampled
from residue.problems import nearest, stopping

_RATE_HZ = 1000
"""Signals are compared at this rate; a parabola through the highest values finds a tenth of a sample."""
_LONGEST_S = 600.0
"""At most so much of a signal is compared: enough for any clap or heart, with bounded memory."""
_SAME_PEAK_S = 0.05
CLEAR, DOUBTFUL = 2.0, 1.2
"""The best fit divided by the next best one: above CLEAR it is clear, below DOUBTFUL it is not used."""


@dataclass(frozen=True, kw_only=True)
class Lag:
    """The delay of one signal relative to another, and the ratio of the best fit to the next best."""

    seconds: float
    correlation: float
    """The correlation of the two signals at this lag, -1 to 1."""
    confidence: float

    def __str__(self) -> str:
        """The lag in words."""
        clear = "clearly" if self.confidence >= CLEAR else "doubtfully"
        return f"{clear} (correlation {self.correlation:.2f}, {self.confidence:.1f} times the next best fit)"


@dataclass(frozen=True)
class SourceStart:
    """The time at which a source began, in seconds of the performance, and the reason for it."""

    seconds: float
    how: str


def starts(sources: Mapping[str, IngestSource], description: Description) -> dict[str, SourceStart]:
    """The start of each source. The earliest is 0, unless a stated offset says otherwise. Raises ProblemError.

    sources: by file name. Sources without an [[align]] are placed by their own clocks, if all of them have one.
    """
    told = {align.file: align for align in description.align}
    free = {name: source for name, source in sources.items() if name not in told}
    known = _by_clock(free, description.recorded)
    left = dict(told)
    while left:
        ready = [name for name, align in left.items() if align.to in known]
        if not ready:
            what = f"The alignment of {', '.join(sorted(left))} is circular."
            raise stopping("align", what, "Leave one source without an [[align]].")
        for name in ready:
            align = left.pop(name)
            seconds, how = _relative(sources, align)
            known[name] = SourceStart(known[align.to].seconds + seconds, how)
    earliest = min(start.seconds for start in known.values())
    return {name: SourceStart(start.seconds - earliest, start.how) for name, start in known.items()}


def _by_clock(sources: Mapping[str, IngestSource], recorded: datetime | None) -> dict[str, SourceStart]:
    moments = {name: source.began for name, source in sources.items() if source.began is not None}
    if len(moments) < len(sources):
        how = "assumed to begin with the others" if len(sources) > 1 else "the only one"
        return {name: SourceStart(0.0, how) for name in sources}
    moments = _on_one_clock(moments, recorded)
    first = min(moments.values(), default=None)
    return {
        name: SourceStart((moment - first).total_seconds() if first else 0.0, f"by its own clock, at {moment:%H:%M:%S}")
        for name, moment in moments.items()
    }


def _on_one_clock(moments: Mapping[str, datetime], recorded: datetime | None) -> dict[str, datetime]:
    """The moments by the clock of the place, as most recorders write them, or all with their offsets from UTC."""
    known = [name for name, moment in moments.items() if moment.tzinfo]
    local = [name for name, moment in moments.items() if not moment.tzinfo]
    if not (known and local):
        return dict(moments)
    if recorded is None:
        what = f"{known[0]} tells its time in UTC, {local[0]} by a clock whose offset from UTC is not known."
        raise stopping("recorded", what, "Write recorded = the time of the first sample, with the offset from UTC.")
    return {
        name: moment.astimezone(recorded.tzinfo).replace(tzinfo=None) if moment.tzinfo else moment
        for name, moment in moments.items()
    }


def _relative(sources: Mapping[str, IngestSource], align: Align) -> tuple[float, str]:
    """The time by which a source began later than the other, and the reason for it."""
    own, other = sources[align.file], sources[align.to]
    if align.offset_s is not None:
        return align.offset_s, f"stated: {align.offset_s:g} s after {align.to}"
    if align.mark is not None:
        return _mark(other, align.mark) - _mark(own, align.mark), f'by the mark "{align.mark}", from {align.to}'
    labels = align.signals or ["", ""]
    lag = find_lag(_track(own, labels[0]), _track(other, labels[1]), align.within_s)
    if lag.confidence < DOUBTFUL:
        what = f"{labels[0]} and {labels[1]} show different signals: they fit {lag}."
        raise stopping(f"align {align.file}", what, "State offset_s, or name a signal that both hold.")
    return lag.seconds, f"by {labels[0]} against {labels[1]} of {align.to}, {lag}"


def _mark(source: IngestSource, text: str) -> float:
    found = [mark.at_s for mark in source.marks if mark.text == text]
    if len(found) != 1:
        what = f'The mark "{text}" occurs {len(found)} times in it.'
        raise stopping(source.path.name, what, nearest(text, {mark.text for mark in source.marks}))
    return found[0]


def _track(source: IngestSource, label: str) -> Track:
    found = next((track for track in source.tracks if track.label == label), None)
    if found is None:
        raise stopping(source.path.name, f'It holds no "{label}".', nearest(label, source.labels))
    return found


def find_lag(own: Track, other: Track, within_s: float) -> Lag:
    """The time by which `own` began later than `other`, from the signal in both, at most within_s either way.

    The first differences of both are correlated, so that slow drift does not count. A signal with exchanged leads is
    still found, with a negative correlation.
    """
    here, there = _beginning(own), _beginning(other)
    products = signal.correlate(there, here, mode="full", method="fft")
    lags = signal.correlation_lags(len(there), len(here), mode="full")
    fit = products / (np.sqrt(np.sum(here**2) * np.sum(there**2)) or 1.0)
    size = np.where(np.abs(lags) <= within_s * _RATE_HZ, np.abs(fit), 0.0)
    best = int(np.argmax(size))
    apart = size.copy()
    reach = round(_SAME_PEAK_S * _RATE_HZ)
    apart[max(best - reach, 0) : best + reach + 1] = 0.0
    next_best = float(apart.max())
    confidence = float(size[best]) / next_best if next_best > 0 else float("inf") if size[best] > 0 else 0.0
    return Lag(
        seconds=(float(lags[best]) + _between(size, best)) / _RATE_HZ,
        correlation=float(fit[best]),
        confidence=confidence,
    )


def _beginning(track: Track) -> Floats:
    stream = resampled(Bridged(track.stream), _RATE_HZ)
    return np.diff(stream.read(0, min(stream.length, round(_LONGEST_S * _RATE_HZ))))


def _between(size: Floats, best: int) -> float:
    """The position of the highest value within half a sample, by the parabola through it and its neighbours."""
    if not 0 < best < len(size) - 1:
        return 0.0
    before, here, after = size[best - 1 : best + 2]
    bend = before - 2 * here + after
    return float(0.5 * (before - after) / bend) if bend < 0 else 0.0
