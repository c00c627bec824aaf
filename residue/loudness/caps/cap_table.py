"""The tables behind `residue caps`: the effect of caps and published rules on one room."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from residue.loudness.caps.caps import Cap, CapEntry, expand, protecting_caps
from residue.loudness.caps.ears import ear_of
from residue.loudness.caps.instants import instant_cap
from residue.loudness.caps.quantities import Statistic
from residue.loudness.caps.rules import RULES, Rule
from residue.loudness.meters.levels import db_of_power
from residue.loudness.outputs.outputs import Output


@dataclass(frozen=True, slots=True)
class CapRow:
    """One cap, and its effect at the outputs."""

    cap: Cap
    loudest: str | None
    """The output that reaches the cap first; None where a calibration is missing."""
    limit_dbfs: float | None
    """The level, under the weighting of the cap, at which that output reaches the cap if it plays alone; None for a
    dose, which depends on how the level moves."""


@dataclass(frozen=True, slots=True)
class RuleRow:
    """One published rule, with its effect on the room."""

    name: str
    rule: Rule
    in_force: bool
    """Whether room.toml names it."""
    caps: tuple[CapRow, ...]


def room_rows(caps: Sequence[Cap], outputs: Mapping[str, Output]) -> tuple[CapRow, ...]:
    """Every cap of a room, with the long-term power of its outputs."""
    return tuple(_row(cap, outputs) for cap in (*caps, *protecting_caps(outputs)))


def rule_rows(
    entries: Sequence[CapEntry], outputs: Mapping[str, Output], *, margin_db: float = 0.0, felt_margin_db: float = 0.0
) -> tuple[RuleRow, ...]:
    """Every published rule, with its caps under the margins, in the order of RULES."""
    named = {entry.rule for entry in entries}
    return tuple(
        RuleRow(
            name,
            rule,
            name in named,
            tuple(_row(cap, outputs) for cap in expand([CapEntry(rule=name)], margin_db, felt_margin_db)),
        )
        for name, rule in RULES.items()
    )


def _row(cap: Cap, outputs: Mapping[str, Output]) -> CapRow:
    try:
        gains = dict(zip(outputs, ear_of(cap, outputs).gains, strict=True))
    except ValueError:  # an output without calibration
        return CapRow(cap, None, None)
    loudest = max(gains, key=lambda name: gains[name])
    if gains[loudest] == 0.0:  # no output's vibration was measured
        return CapRow(cap, None, None)
    if cap.quantity.statistic is Statistic.DOSE:
        return CapRow(cap, loudest, None)
    reached_db = cap.limit if cap.quantity.windowed else instant_cap(cap, 0).level_of(1.0)
    return CapRow(cap, loudest, reached_db - db_of_power(gains[loudest] ** 2))
