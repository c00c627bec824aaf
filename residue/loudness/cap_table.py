"""What the published rules would mean for one room: the table behind `residue caps`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from residue.loudness.caps import CapEntry, duration_in_words
from residue.loudness.ears import calibrated, ear
from residue.loudness.levels import db_of_power
from residue.loudness.outputs import Output
from residue.loudness.quantities import QUANTITIES
from residue.loudness.rules import RULES


@dataclass(frozen=True, slots=True)
class CapRow:
    """One limit of one published rule."""

    rule: str
    title: str
    quantity: str
    window: str
    """In words; empty for a maximum."""
    limit_db: float
    in_force: bool
    """Whether room.toml names the rule."""
    limit_dbfs: float | None
    """What the limit is at the outputs, if the loudest of them played alone; None without a calibration."""
    source: str
    protects: str
    wording: str


def cap_table(entries: Sequence[CapEntry], outputs: Mapping[str, Output]) -> list[CapRow]:
    """Every limit of every rule, in the order of RULES."""
    named = {entry.rule for entry in entries}
    known = calibrated(outputs)
    return [
        CapRow(
            rule=name,
            title=rule.title,
            quantity=limit.quantity,
            window=duration_in_words(limit.window_s) if limit.window_s else "",
            limit_db=limit.limit_db,
            in_force=name in named,
            limit_dbfs=limit.limit_db - _loudest_offset_db(limit.quantity, outputs) if known else None,
            source=f"{rule.source}, {rule.dated}",
            protects=rule.protects,
            wording=rule.wording,
        )
        for name, rule in RULES.items()
        for limit in rule.limits
    ]


def _loudest_offset_db(quantity: str, outputs: Mapping[str, Output]) -> float:
    """The level, re 20 uPa, of 0 dBFS at the output that is heard most."""
    weighting = QUANTITIES[quantity].weighting
    return max(db_of_power(max(ear(outputs, name, weighting, physical=True).gains) ** 2) for name in outputs)
