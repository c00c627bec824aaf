"""Caps that become stricter: the strictest caps of two lists."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from residue.loudness.caps.caps import Cap, CapEntry, expand
from residue.loudness.caps.quantities import Quantity

CapKind = tuple[Quantity, float, str, bool]
"""Quantity, window, place, and whether in physical units: two caps of one kind differ only by their limit."""


def kind_of(cap: Cap) -> CapKind:
    """The kind of a cap."""
    return cap.quantity, cap.window_s, cap.at, cap.physical


def strictest(caps: Sequence[Cap]) -> dict[CapKind, Cap]:
    """The cap with the lowest limit of each kind."""
    return {kind_of(cap): cap for cap in sorted(caps, key=lambda cap: cap.limit, reverse=True)}


def tightened_caps(kept: Sequence[CapEntry], wanted: Sequence[CapEntry]) -> list[CapEntry]:
    """The present caps, and those of the wanted caps that are stricter; no limit becomes higher."""
    result = list(kept)
    for entry in wanted:
        if not any(stricter_caps(expand(result), expand([entry]))):
            continue
        at = [at for at, one in enumerate(result) if one.rule is entry.rule is None and _same_kind(one, entry)]
        if at:
            result[at[0]] = entry
        else:
            result.append(entry)
    return result


def stricter_caps(before: Sequence[Cap], now: Sequence[Cap]) -> Iterator[Cap]:
    """The caps that are stricter than those before."""
    kept = strictest(before)
    for cap in now:
        known = kept.get(kind_of(cap))
        if known is None or cap.limit < known.limit:
            yield cap


def _same_kind(one: CapEntry, other: CapEntry) -> bool:
    return [kind_of(cap) for cap in expand([one])] == [kind_of(cap) for cap in expand([other])]
