"""Readings of the cap stage: levels now, caps, gains, and the tally since the last one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import KW_ONLY, dataclass, fields
from math import inf

from residue.loudness.meters.levels import db_of_power
from residue.loudness.meters.vibration import combined_vdv
from residue.loudness.stage.history import LimitThen


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Levels at one place over the last 0.1 s sent; dB re 20 uPa if `physical`, else dBFS. -inf for silence."""

    a: float
    c: float
    z: float
    g: float
    c_peak: float
    a_fast: float
    """LAF at the end of this time."""
    a_slow: float
    """LAS at the end of this time."""
    true_peak: float
    """In dBTP, the highest since the last tally; at the visitor's place the highest of any output."""
    momentary_lufs: float | None
    short_term_lufs: float | None
    integrated_lufs: float | None
    """Since the present performance began or continued after a restart; at the visitor's place for all outputs
    together.
    """
    loudness_range_lu: float | None
    acceleration_ms2: float | None
    """Wk-weighted, in m/s²; None where the vibration is not calibrated."""
    acceleration_horizontal_ms2: float | None
    """Wd-weighted; None also where nothing was read horizontally."""
    physical: bool


@dataclass(frozen=True, slots=True)
class CapReading:
    """The level of one cap, and its distance to the limit."""

    name: str
    level: float
    """The level over the cap's own window up to now; for a cap on a peak, the peak of the last 0.1 s."""
    limit: float
    """The level that is kept: below the one that was asked for, by the margin."""
    unit: str
    _: KW_ONLY
    margin_db: float = 0.0

    @property
    def headroom_db(self) -> float:
        """The distance to the limit."""
        return self.limit - self.level


@dataclass(frozen=True, slots=True)
class Reading:
    """The state of the cap stage after its last frame."""

    place: Levels
    outputs: Mapping[str, Levels]
    caps: tuple[CapReading, ...]
    governor_db: float
    """The present gain of the governor: 0.0 while it does not act, else below 0."""
    limiter_db: float
    """The lowest gain of the limiter in the last 0.1 s."""
    muted_frames: int
    """Frames since the start that were not finite and were muted."""
    cut_hops: int
    """Tenths of a second that were silenced because no gain would have kept the caps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """The sound at one place over a time; dB re 20 uPa if the tally is physical, else dBFS. -inf for silence."""

    laeq: float
    lceq: float
    lzeq: float
    lgeq: float
    laf_max: float
    las_max: float
    lc_peak: float
    momentary_max_lufs: float
    short_term_max_lufs: float
    true_peak_dbtp: float
    integrated_lufs: float
    """At the end of the time, for the performance that played then, since its beginning."""
    loudness_range_lu: float
    """At the end of the time; 0 where there is none yet."""
    aw: float
    """Wk-weighted acceleration, dB re 1 m/s²; -inf also where the vibration is not calibrated."""
    vdv: float
    """Vibration dose value, m/s^1.75."""
    aw_horizontal: float
    """Wd-weighted acceleration, dB re 1 m/s²; -inf also where nothing was read horizontally."""
    vdv_horizontal: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """The sound sent since the last tally. The level log and the history after a restart consist of tallies."""

    duration_s: float
    place: Received
    outputs: Mapping[str, Received]
    physical: bool
    """Levels are in dB re 20 uPa at the visitor's place, else in dBFS."""
    governor_db: float
    """The lowest gain of the governor."""
    limiter_db: float
    """The lowest gain of the limiter."""
    muted_frames: int
    sent: Mapping[str, float]
    """The mean level at each ear of a cap, by Ear.key, for SentHistory; -inf where nothing was sent."""
    limits: tuple[LimitThen, ...]
    """Of each cap over a window, at the beginning: later they can only have become stricter."""


def merged(tallies: Sequence[Tally]) -> Tally:
    """One tally of several that follow each other, at least one."""
    durations_s = [tally.duration_s for tally in tallies]
    told = [key for key in tallies[0].sent if all(key in tally.sent for tally in tallies)]  # else unknown
    return Tally(
        duration_s=sum(durations_s),
        place=_together([tally.place for tally in tallies], durations_s),
        outputs={
            name: _together([tally.outputs[name] for tally in tallies], durations_s) for name in tallies[0].outputs
        },
        physical=tallies[-1].physical,
        governor_db=min(tally.governor_db for tally in tallies),
        limiter_db=min(tally.limiter_db for tally in tallies),
        muted_frames=sum(tally.muted_frames for tally in tallies),
        sent={key: mean_db([tally.sent[key] for tally in tallies], durations_s) for key in told},
        limits=tallies[0].limits,
    )


def mean_db(levels: Sequence[float], durations_s: Sequence[float]) -> float:
    """The level of the mean energy: ISO 1996-1."""
    energy = sum(s * 10.0 ** (level / 10.0) for level, s in zip(levels, durations_s, strict=True) if level > -inf)
    return db_of_power(energy / sum(durations_s)) if energy else -inf


_MEANS = frozenset({"laeq", "lceq", "lzeq", "lgeq", "aw", "aw_horizontal"})
_LAST = frozenset({"integrated_lufs", "loudness_range_lu"})


def _together(received: Sequence[Received], durations_s: Sequence[float]) -> Received:
    def of(name: str) -> float:
        values: list[float] = [getattr(one, name) for one in received]
        if name in _MEANS:
            return mean_db(values, durations_s)
        if name.startswith("vdv"):
            return combined_vdv(values)
        return values[-1] if name in _LAST else max(values)

    return Received(**{field.name: of(field.name) for field in fields(Received)})
