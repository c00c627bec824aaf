"""From tallies of the cap stage to rows of the level log."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import ceil, isfinite
from typing import Any

from residue.loudness.stage.history import LimitThen, with_limits
from residue.loudness.stage.readings import Received, Tally, merged
from residue.mapping.signals import frame_at
from residue.runtime.journal.log import LevelRow, Row, SecondRow, timestamp
from residue.runtime.journal.telling import LIMITS_EVERY_S, SIGN_OF_LIFE_S
from residue.runtime.system.clock import Uptime

TALLY_S = 1.0
"""The interval of the engine's tallies: a power cut loses no more than this."""
MINUTE_S = 60.0
SILENCE_DB = -150.0
"""Below the output of any converter; the guard of the filters against subnormal numbers gives -600 dB."""


def sound_level(level: float | None) -> float | None:
    """The level in dB; None for silence."""
    return level if level is not None and level > SILENCE_DB else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """The circumstances of the sent sound."""

    house: str
    performance: str | None
    playhead_s: float | None
    plan_gain_db: float | None
    trim_db: float


class Tallies:
    """Gives a row for each second with sound, and one for each minute, or part of a minute, of a performance.

    In silence it gives a row for one second in SIGN_OF_LIFE_S. A tally of nothing, as at the start, gives a row too:
    it tells the limits that are in force.
    """

    def __init__(self) -> None:
        self._gathered: list[Tally] = []
        self._limits: Sequence[LimitThen] | None = None
        """As they were told last."""
        self._limits_told_s = 0.0
        """The duration of the rows since then."""
        self._silent_s = 0.0
        self.told_frames = 0
        """The rows given so far tell of so many frames of the run."""
        self._ended: tuple[datetime, Circumstances] | None = None

    def rows(self, tally: Tally, now: datetime, up: Uptime, then: Circumstances) -> Iterator[Row]:
        """The rows that a tally adds to the log. now, up: its end."""
        if not tally.duration_s:
            yield self._second(tally, now, up)
            return
        self.told_frames += frame_at(TALLY_S)
        sounds = any(sound_level(level) is not None for level in tally.sent.values())
        self._silent_s += tally.duration_s
        if sounds or self._silent_s >= SIGN_OF_LIFE_S:
            self._silent_s = 0.0
            yield self._second(tally, now, up)
        if self._ended is not None and self._ended[1].performance != then.performance:
            yield from self.rest()
        self._gathered.append(tally)
        self._ended = now, then
        if sum(one.duration_s for one in self._gathered) >= MINUTE_S:
            yield from self.rest()

    def _second(self, tally: Tally, now: datetime, up: Uptime) -> SecondRow:
        place = tally.place
        return SecondRow(
            utc=timestamp(now),
            boot=up.boot,
            up_s=round(up.seconds, 3),
            duration_s=round(tally.duration_s, 1),
            laeq_db=_rounded(place.laeq),
            lceq_db=_rounded(place.lceq),
            laf_max_db=_rounded(place.laf_max),
            lc_peak_db=_rounded(place.lc_peak),
            sent=json.dumps(with_limits(_sent(tally), self._limits_to_tell(tally))),
        )

    def _limits_to_tell(self, tally: Tally) -> Sequence[LimitThen]:
        """The limits where they have changed, and again after LIMITS_EVERY_S of rows; else none."""
        self._limits_told_s += tally.duration_s
        if tally.limits == self._limits and self._limits_told_s < LIMITS_EVERY_S:
            return ()
        self._limits, self._limits_told_s = tally.limits, 0.0
        return tally.limits

    def rest(self) -> Iterator[Row]:
        """The row of a minute that is not over yet, if it has begun."""
        if self._ended is not None and self._gathered:
            yield _level_row(merged(self._gathered), *self._ended)
            self._gathered = []


def _level_row(tally: Tally, now: datetime, then: Circumstances) -> LevelRow:
    return LevelRow(
        utc=timestamp(now),
        duration_s=round(tally.duration_s, 1),
        house=then.house,
        performance=then.performance,
        playhead_s=then.playhead_s,
        **_columns(tally.place),
        physical=int(tally.physical),
        plan_gain_db=then.plan_gain_db,
        trim_db=then.trim_db,
        governor_gain_db=tally.governor_db,
        limiter_gain_db=tally.limiter_db,
        muted_frames=tally.muted_frames,
        outputs=json.dumps({name: _columns(received) for name, received in tally.outputs.items()}),
        sent=json.dumps(_sent(tally)),
    )


def _columns(received: Received) -> dict[str, Any]:
    """The columns of a row for the levels at one place."""
    return {
        "laeq_db": _rounded(received.laeq),
        "lceq_db": _rounded(received.lceq),
        "lzeq_db": _rounded(received.lzeq),
        "lgeq_db": _rounded(received.lgeq),
        "laf_max_db": _rounded(received.laf_max),
        "las_max_db": _rounded(received.las_max),
        "lc_peak_db": _rounded(received.lc_peak),
        "momentary_max_lufs": _rounded(received.momentary_max_lufs),
        "short_term_max_lufs": _rounded(received.short_term_max_lufs),
        "integrated_lufs": _rounded(received.integrated_lufs),
        "loudness_range_lu": _rounded(received.loudness_range_lu) if isfinite(received.integrated_lufs) else None,
        "true_peak_dbtp": _rounded(received.true_peak_dbtp),
        "aw_ms2": _acceleration(received.aw),
        "vdv": _dose(received.vdv, received.aw),
        "aw_horizontal_ms2": _acceleration(received.aw_horizontal),
        "vdv_horizontal": _dose(received.vdv_horizontal, received.aw_horizontal),
    }


def _acceleration(level: float) -> float | None:
    return float(f"{10.0 ** (level / 20.0):.3g}") if isfinite(level) else None


def _dose(dose: float, level: float) -> float | None:
    return float(f"{dose:.3g}") if isfinite(level) else None


def _rounded(level: float) -> float | None:
    return round(level, 2) if sound_level(level) is not None else None


def _sent(tally: Tally) -> dict[str, float | None]:
    """The levels, rounded up, so that the governor never counts less than was sent after a restart."""
    return {key: ceil(level * 100.0) / 100.0 if isfinite(level) else None for key, level in tally.sent.items()}
