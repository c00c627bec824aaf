"""What a proof says of each output, against the proof that was taken as the reference.

The rule in plain words: only the sweep that was sent counts. Noise in the room may hide an output, and then the house
says that it cannot tell; it never makes an output seem louder, so no visitor can lower the house. An output that is
louder than at the reference lowers the house by just that much, from one proof to the next.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from enum import StrEnum
from itertools import combinations
from math import ceil
from statistics import median

import msgspec

from residue.proof.hearing import HEARD_DB, HeardOutput, HeardSweeps

DRIFT_DB = 2.0
"""A change by less is that of the air and of whoever stands about; our choice."""
MISSING_DB = 6.0
"""An output that is not heard is silent where one that is so much quieter would have been heard."""
MOST_LOWERED_DB = 40.0
_PER_MS = 5.0
"""A difference of arrival weighs as so many dB for each ms."""
_CLEARLY_DB = 2.0


class OutputVerdict(StrEnum):
    """What a proof says of an output."""

    WELL = "well"
    QUIETER = "quieter"
    LOUDER = "louder"
    SWAPPED = "swapped"
    NOT_HEARD = "not heard"
    TOO_NOISY = "too noisy to tell"
    NOT_KNOWN = "not known"


class Judged(msgspec.Struct, frozen=True, kw_only=True):
    """One output. drift_db: against the reference, where it was heard. with_output: the one it seems swapped with."""

    verdict: OutputVerdict
    drift_db: float | None = None
    with_output: str | None = None


def judged(now: HeardSweeps, reference: Mapping[str, HeardOutput] | None) -> Mapping[str, Judged]:
    """By output. reference: of the day on which all was well; None where there is none yet."""
    swapped = dict(_swapped(now.outputs, reference or {}))
    return {
        name: Judged(verdict=OutputVerdict.SWAPPED, with_output=swapped[name])
        if name in swapped
        else _one(output, (reference or {}).get(name))
        for name, output in now.outputs.items()
    }


def lowered_db(found: Mapping[str, Judged]) -> float:
    """By how much the house is lowered: what the loudest output is too loud, in whole and half dB; never above 0."""
    louder = [
        one.drift_db for one in found.values() if one.verdict is OutputVerdict.LOUDER and one.drift_db is not None
    ]
    return -min(MOST_LOWERED_DB, ceil(2.0 * max(louder)) / 2.0) if louder else 0.0


def _one(output: HeardOutput, reference: HeardOutput | None) -> Judged:
    if reference is None:
        return Judged(verdict=OutputVerdict.WELL if output.heard else OutputVerdict.NOT_KNOWN)
    if not output.heard:
        return Judged(
            verdict=OutputVerdict.NOT_HEARD if _would_be_heard(output, reference) else OutputVerdict.TOO_NOISY
        )
    drift_db = _drift_db(output, reference)
    if drift_db is None:
        return Judged(verdict=OutputVerdict.NOT_KNOWN)
    verdict = (
        OutputVerdict.LOUDER
        if drift_db >= DRIFT_DB
        else OutputVerdict.QUIETER
        if drift_db <= -DRIFT_DB
        else OutputVerdict.WELL
    )
    return Judged(verdict=verdict, drift_db=round(drift_db, 1))


def _drift_db(output: HeardOutput, reference: HeardOutput) -> float | None:
    """The change of the middle octave of those that both times were heard."""
    both = [level_db - reference.good[hz] for hz, level_db in output.good.items() if hz in reference.good]
    return median(both) if both else None


def _would_be_heard(output: HeardOutput, reference: HeardOutput) -> bool:
    noise_db = {one.middle_hz: one.noise_db for one in output.octaves}
    clear = [hz for hz, level_db in reference.good.items() if level_db - MISSING_DB >= noise_db[hz] + HEARD_DB]
    return 2 * len(clear) >= len(reference.good) > 0


def _swapped(now: Mapping[str, HeardOutput], then: Mapping[str, HeardOutput]) -> Iterator[tuple[str, str]]:
    """Pairs of outputs that are heard as each other was, and not as themselves."""
    heard = [name for name, output in now.items() if output.heard and name in then]
    for one, other in combinations(heard, 2):
        apart_ms = now[one].arrival_ms - now[other].arrival_ms
        were_apart_ms = then[one].arrival_ms - then[other].arrival_ms
        straight = [_unlike_db(now[one], then[one]), _unlike_db(now[other], then[other])]
        crossed = [_unlike_db(now[one], then[other]), _unlike_db(now[other], then[one])]
        if None in (*straight, *crossed):
            continue
        as_before = sum(filter(None, straight)) / 2.0 + _PER_MS * abs(apart_ms - were_apart_ms)
        as_swapped = sum(filter(None, crossed)) / 2.0 + _PER_MS * abs(apart_ms + were_apart_ms)
        if as_swapped + _CLEARLY_DB < as_before:
            yield one, other
            yield other, one


def _unlike_db(now: HeardOutput, then: HeardOutput) -> float | None:
    """How far the octaves lie apart, on average; None where none was heard both times."""
    both = [abs(level_db - then.good[hz]) for hz, level_db in now.good.items() if hz in then.good]
    return sum(both) / len(both) if both else None


def in_words(name: str, one: Judged) -> str:
    """A sentence on an output, with what to do."""
    match one.verdict:
        case OutputVerdict.WELL:
            return f"{name} sounds" + (
                "." if one.drift_db is None else f", {one.drift_db:+.1f} dB since the reference."
            )
        case OutputVerdict.QUIETER:
            return (
                f"{name} is {-(one.drift_db or 0.0):.1f} dB quieter than at the reference: look at its amplifier and "
                "cable, and at the gain of the microphone."
            )
        case OutputVerdict.LOUDER:
            return (
                f"{name} is {one.drift_db or 0.0:.1f} dB louder than at the reference: somebody turned an amplifier "
                "or the microphone up. Turn it back, or calibrate again."
            )
        case OutputVerdict.SWAPPED:
            return f"{name} and {one.with_output} seem to have changed places: look at their cables."
        case OutputVerdict.NOT_HEARD:
            return f"{name} is not heard: look at its amplifier, its cable and its loudspeaker."
        case OutputVerdict.TOO_NOISY:
            return f"{name}: it was too noisy in the room to tell whether it sounds."
        case OutputVerdict.NOT_KNOWN:
            return f"{name}: the microphone does not hear it well enough to tell; no reference of it is known."
