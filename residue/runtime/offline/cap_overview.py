"""The effect of the room's caps and of every published rule on an installation, for `residue caps`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from residue.installation.load import load, room_of
from residue.installation.room import Room
from residue.loudness.caps.cap_table import CapRow, RuleRow, room_rows, rule_rows
from residue.loudness.caps.caps import ACCELERATION_LEVEL, DOSE_LEVEL, Cap
from residue.loudness.plan.plan import PlannedPerformance
from residue.problems import Finding, ProblemError
from residue.progress import Progress, silent
from residue.runtime.planning.preparation import caps, plan_under, profiles_of

PlannedGains = Mapping[str, PlannedPerformance]
"""By performance, the attenuation of the plan."""


@dataclass(frozen=True)
class Overview:
    """The caps in force and all published rules, for one room."""

    room: Room
    in_force: Sequence[CapRow]
    rules: Sequence[RuleRow]
    planned: PlannedGains | None
    """The plan under the caps in force; None where the installation cannot be planned yet."""
    planned_under: Mapping[str, PlannedGains]
    """The plan by rule, as if it were the only one; without a rule for which a calibration is missing."""
    findings: Sequence[Finding]
    """The reasons why nothing could be planned."""


def overview(folder: Path, cache: Path, progress: Progress = silent) -> Overview:
    """Reads the room and, if the rest of the installation allows it, plans its programme under every rule.

    Raises ProblemError where room.toml itself cannot be read.
    """
    room = room_of(folder)
    in_force = room_rows(room.caps, room.output)
    rules = rule_rows(room.cap, room.output, margin_db=room.margin_db, felt_margin_db=room.felt_margin_db)
    try:
        plans = _Plans(folder, cache, progress)
    except ProblemError as error:
        return Overview(room, in_force, rules, None, {}, error.findings)
    under = {row.name: plans.under([cap.cap for cap in row.caps]) for row in rules}
    known = {name: gains for name, gains in under.items() if gains is not None}
    return Overview(room, in_force, rules, plans.under(plans.caps), known, ())


class _Plans:
    """The programme of an installation, ready to be planned under any caps."""

    def __init__(self, folder: Path, cache: Path, progress: Progress) -> None:
        installation = load(folder)
        self.caps = caps(installation)
        self._installation = installation
        self._profiles = profiles_of(installation, installation.played, cache, progress)

    def under(self, bounds: Sequence[Cap]) -> PlannedGains | None:
        """The plan under these caps; None where a calibration that one of them needs is missing."""
        try:
            made = plan_under(self._installation, self._profiles, bounds)
        except (ValueError, KeyError):  # neither the room nor the profile has such an ear
            return None
        return {performance.name: performance for performance in made.performances}


def words(told: Overview) -> Iterator[str]:
    """The overview line by line, for a person."""
    yield f"Caps in force in {told.room.place}:"
    for row in told.in_force:
        yield f"  {row.cap.name}: at most {row.cap.limit_in_words}{_here(row)}"
    if told.planned is not None:
        yield f"  Under all of these {_in_words(told.planned)}."
    yield ""
    yield 'Published rules, by the name to write as rule = "…" under [[cap]]; * marks those in force.'
    for rule in told.rules:
        yield ""
        yield f"{'*' if rule.in_force else ' '} {rule.name}: {rule.rule.title}; protects {rule.rule.protects}"
        yield f"    {rule.rule.wording}"
        yield f"    Source: {rule.rule.source}, {rule.rule.dated}"
        for row in rule.caps:
            name = row.cap.name.removeprefix(f"{rule.name}, ")
            yield f"    Here: {name} at most {row.cap.limit_in_words}{_here(row)}"
        if rule.name in told.planned_under:
            yield f"    Under it alone {_in_words(told.planned_under[rule.name])}."
    yield ""
    yield "What a rule really asks of your house is for local rules and a qualified person to say."


def _here(row: CapRow) -> str:
    if row.loudest is None:
        missing = "what a body feels" if row.cap.quantity.felt else "levels at the ear"
        return f" ({missing} unknown: no calibration)"
    if not row.cap.physical or row.limit_dbfs is None:
        return ""
    if row.limit_dbfs > 0.0:
        return ", which no output reaches alone"
    return f", which {row.loudest} alone reaches at {row.limit_dbfs:.1f} dBFS({row.cap.quantity.weighting})"


def _in_words(gains: PlannedGains) -> str:
    lowered = [f"{name} by {_dbs(one)}" for name, one in gains.items() if one.gain_db < 0.0 or one.alone]
    if not lowered:
        return "everything would play as performed"
    rest = "" if len(lowered) == len(gains) else ", and the others would play as performed"
    return f"the plan would lower {', '.join(lowered)}{rest}"


def _dbs(planned: PlannedPerformance) -> str:
    alone = [f"{' and '.join(one.outputs)} by {-one.gain_db:.1f} dB more" for one in planned.alone]
    return " and ".join([f"{-planned.gain_db:.1f} dB", *alone])


def data(told: Overview) -> dict[str, Any]:
    """The overview as a JSON-ready object."""
    return {
        "place": told.room.place,
        "caps": [_row(row) for row in told.in_force],
        "planned_gain_db": _gains(told.planned),
        "planned_alone_db": _alone(told.planned),
        "rules": [
            {
                "name": rule.name,
                "title": rule.rule.title,
                "source": rule.rule.source,
                "dated": rule.rule.dated,
                "protects": rule.rule.protects,
                "wording": rule.rule.wording,
                "in_force": rule.in_force,
                "caps": [_row(row) for row in rule.caps],
                "planned_gain_db": _gains(told.planned_under.get(rule.name)),
            }
            for rule in told.rules
        ],
        "findings": [str(finding) for finding in told.findings],
    }


def _gains(planned: PlannedGains | None) -> dict[str, float] | None:
    return None if planned is None else {name: one.gain_db for name, one in planned.items()}


def _alone(planned: PlannedGains | None) -> dict[str, dict[str, float]] | None:
    """The further attenuation, by performance and output."""
    return None if planned is None else {name: one.lowering.alone_db for name, one in planned.items()}


def _row(row: CapRow) -> dict[str, Any]:
    cap = row.cap
    return {
        "name": cap.name,
        "quantity": cap.quantity.name,
        "window_s": cap.window_s or None,
        "limit": cap.limit,
        "margin_db": cap.margin_db,
        "unit": cap.unit,
        "limit_m_per_s2": 10.0 ** (cap.limit / 20.0) if cap.unit == ACCELERATION_LEVEL else None,
        "limit_m_per_s1_75": 10.0 ** (cap.limit / 20.0) if cap.unit == DOSE_LEVEL else None,
        "at": cap.at,
        "loudest_output": row.loudest,
        "limit_dbfs": row.limit_dbfs,
    }
