"""Caps: limits on the sound and vibration that a visitor may receive."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import KW_ONLY, dataclass, replace
from math import inf
from typing import Annotated

import msgspec
from msgspec import Meta

from residue.dsp import exact
from residue.durations import duration_in_words
from residue.loudness.caps.quantities import QUANTITIES, Quantity, Statistic
from residue.loudness.caps.rules import RULES
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.calibration import Acceleration, Dose
from residue.loudness.outputs.outputs import Output
from residue.problems import nearest

PLACE = "place"
"""The visitor's place, where all outputs come together."""

ACCELERATION_LEVEL, DOSE_LEVEL = "dB re 1 m/s²", "dB re 1 m/s^1.75"
"""The units in which caps on vibration are kept and logged."""

WINDOW_STEP_S = 0.1
"""Windows are counted in whole steps of this."""


class CapEntry(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One cap: a published rule by name, or a quantity with its limit."""

    rule: str | None = None
    """Name of a published rule. Then no other key may be given."""
    quantity: str | None = None
    """LAeq, LCeq, LZeq, LGeq (ISO 7196), LKeq (K-weighted), LCpeak or LAFmax; aw, A(8) or VDV of vibration;
    "aw horizontal", "A(8) horizontal" or "VDV horizontal"."""
    window_s: Annotated[float, Meta(ge=1.0, le=86_400.0)] | None = None
    """The mean counts over this time; not for a peak, nor for A(8)."""
    limit_db: Annotated[float, Meta(ge=30.0, le=160.0)] | None = None
    """Limit in dB re 20 uPa at the visitor's place; needs a calibration on every output."""
    limit_dbfs: Annotated[float, Meta(ge=-100.0, le=6.0)] | None = None
    """Limit in dBFS (a full-scale sine reads -3.01)."""
    limit_m_per_s2: Acceleration | None = None
    """Limit of aw or A(8): r.m.s. acceleration, Wk-weighted, horizontal Wd; needs a vibration calibration."""
    limit_m_per_s1_75: Dose | None = None
    """Limit of VDV: vibration dose value over the window, in m/s^1.75."""
    output: str | None = None
    """The output that the cap limits; if not given, the visitor's place."""

    def __post_init__(self) -> None:
        if self.rule is not None:
            self._check_rule(self.rule)
        elif self.quantity is None:
            raise ValueError('A cap is empty. Write rule = "who-2022", or quantity, window_s and limit_db.')
        else:
            self._check_quantity(self.quantity)

    def _check_rule(self, rule: str) -> None:
        if any(value is not None for value in (self.quantity, self.window_s, *self._limits().values())):
            raise ValueError(f'The cap rule = "{rule}" also states limits of its own. Write a [[cap]] for each.')
        if self.output is not None:
            raise ValueError(
                f'The cap rule = "{rule}" names an output. Rules hold at the visitor\'s place: leave it out.'
            )
        if rule not in RULES:
            raise ValueError(f'No rule is known as "{rule}". {nearest(rule, RULES)}')

    def _check_quantity(self, quantity: str) -> None:
        if quantity not in QUANTITIES:
            raise ValueError(f'No quantity is known as "{quantity}". {nearest(quantity, QUANTITIES)}')
        known = QUANTITIES[quantity]
        given = [key for key, limit in self._limits().items() if limit is not None]
        if known.felt:
            wanted = "limit_m_per_s1_75" if known.statistic is Statistic.DOSE else "limit_m_per_s2"
            if given != [wanted]:
                raise ValueError(f"The cap on {quantity} limits a vibration. Write {wanted}, and no other.")
        elif given not in (["limit_db"], ["limit_dbfs"]):
            raise ValueError(f"The cap on {quantity} needs one limit. Write either limit_db or limit_dbfs.")
        self._check_window(known)

    def _limits(self) -> dict[str, float | None]:
        keys = ("limit_db", "limit_dbfs", "limit_m_per_s2", "limit_m_per_s1_75")
        return {key: getattr(self, key) for key in keys}

    @property
    def limit(self) -> float:
        """The one limit that is given, in its own unit."""
        return next(limit for limit in self._limits().values() if limit is not None)

    def _check_window(self, quantity: Quantity) -> None:
        if not quantity.windowed or quantity.own_window_s is not None:
            if self.window_s is not None:
                has = "a maximum has none" if not quantity.windowed else "it is over eight hours by its name"
                raise ValueError(f"The cap on {quantity.name} has a window, but {has}. Leave window_s out.")
        elif self.window_s is None:
            raise ValueError(
                f"The cap on {quantity.name} has no window. Write window_s = 900 for a quarter of an hour."
            )
        elif abs(self.window_s / WINDOW_STEP_S - round(self.window_s / WINDOW_STEP_S)) > 1e-6:
            raise ValueError(f"window_s = {self.window_s:g} is finer than {WINDOW_STEP_S:g} s. Round it.")


@dataclass(frozen=True, slots=True)
class Cap:
    """One limit for the cap stage: no window of `window_s` at any position exceeds `limit`."""

    name: str
    """Its name in messages: "who-2022, LAeq over 15 min"."""
    quantity: Quantity
    window_s: float
    """0 for a maximum."""
    limit: float
    """In dB re 20 uPa if physical, in dB re 1 m/s² or m/s^1.75 for vibration, else in dBFS."""
    physical: bool
    at: str = PLACE
    """PLACE, or the name of an output."""
    _: KW_ONLY
    margin_db: float = 0.0
    """By how much `limit` is lower than the limit that was asked for, since a calibration may err."""

    @property
    def unit(self) -> str:
        """The unit behind the number, such as dB(A)."""
        if self.quantity.felt:
            return DOSE_LEVEL if self.quantity.statistic is Statistic.DOSE else ACCELERATION_LEVEL
        weighting = "" if self.quantity.weighting is Weighting.Z else f"({self.quantity.weighting})"
        return f"{'dB' if self.physical else 'dBFS'}{weighting}"

    @property
    def limit_in_words(self) -> str:
        """The limit as a person writes it; with a margin: 97.9 dB(A) (100 less a margin of 2.1)."""
        kept = level_in_words(self.limit, self.unit, "g")
        if not self.margin_db:
            return kept
        asked = level_in_words(self.limit + self.margin_db, self.unit, "g").partition(" ")[0]
        unit = " dB" if self.quantity.felt else ""
        return f"{kept} ({asked} less a margin of {self.margin_db:g}{unit})"


def level_in_words(level: float, unit: str, form: str = ".1f") -> str:
    """A level with its unit, such as 99.3 dB(A); an acceleration in m/s²."""
    if unit not in (ACCELERATION_LEVEL, DOSE_LEVEL):
        return f"{level:{form}} {unit}"
    return f"{exact.gain_from_db(level):.3g} {unit.removeprefix('dB re 1 ')}"


def reached_in_words(level: float, limit: float, unit: str) -> str:
    """The highest level and its limit, such as 99.3 of 100 dB(A)."""
    shown, _, name = level_in_words(limit, unit, "g").partition(" ")
    reached = level_in_words(level, unit).partition(" ")[0] if level > -inf else "silence"
    return f"{reached} of {shown} {name}"


def _level(quantity: Quantity, limit: float) -> float:
    """A limit in its own unit, as a level in dB."""
    return 20.0 * exact.log10(limit) if quantity.felt else limit


def _named(origin: str, quantity: Quantity, window_s: float, at: str) -> str:
    over = f" over {duration_in_words(window_s)}" if quantity.windowed and quantity.own_window_s is None else ""
    where = "" if at == PLACE else f" of {at}"
    return f"{origin}{quantity.name}{where}{over}"


def _of_rule(rule: str) -> list[Cap]:
    caps = []
    for limit in RULES[rule].limits:
        quantity = QUANTITIES[limit.quantity]
        name = _named(f"{rule}, ", quantity, limit.window_s, PLACE)
        caps.append(Cap(name, quantity, limit.window_s, _level(quantity, limit.limit), physical=True))
    return caps


def _of_quantity(entry: CapEntry, quantity: Quantity) -> Cap:
    at, window_s = entry.output or PLACE, entry.window_s or quantity.own_window_s or 0.0
    name = _named("", quantity, window_s, at)
    return Cap(name, quantity, window_s, _level(quantity, entry.limit), physical=entry.limit_dbfs is None, at=at)


def expand(entries: Sequence[CapEntry], margin_db: float = 0.0, felt_margin_db: float = 0.0) -> tuple[Cap, ...]:
    """The caps of the entries in room.toml: published rules as their caps, equal caps only once.

    The limits at an ear become lower by margin_db, and those of vibration by felt_margin_db.
    """
    caps: list[Cap] = []
    for entry in entries:
        if entry.rule is not None:
            caps.extend(_of_rule(entry.rule))
        elif entry.quantity is not None:
            caps.append(_of_quantity(entry, QUANTITIES[entry.quantity]))
    return tuple(_lowered(cap, felt_margin_db if cap.quantity.felt else margin_db) for cap in dict.fromkeys(caps))


def _lowered(cap: Cap, margin_db: float) -> Cap:
    """No meter errs about what is in the wire."""
    return replace(cap, limit=cap.limit - margin_db, margin_db=margin_db) if cap.physical else cap


def protecting_caps(outputs: Mapping[str, Output]) -> tuple[Cap, ...]:
    """The bounds on the long-term power of outputs, as caps."""
    quantity = QUANTITIES["LZeq"]
    return tuple(
        Cap(f"long-term power of {name}", quantity, output.long_term_s, output.long_term_dbfs, physical=False, at=name)
        for name, output in outputs.items()
        if output.long_term_dbfs is not None
    )
