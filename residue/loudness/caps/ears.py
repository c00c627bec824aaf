"""Ears: places with a weighting, at which meters and caps measure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from residue.dsp import exact
from residue.loudness.caps.caps import ACCELERATION_LEVEL, PLACE, Cap
from residue.loudness.caps.quantities import HORIZONTAL_TIMES, Statistic
from residue.loudness.meters.weightings import FELT, Weighting
from residue.loudness.outputs.calibration import felt_offset_db, low_offset_db, offset_db
from residue.loudness.outputs.outputs import Output

LEAST_SPREAD_S = 0.02
"""The largest difference of the ways from two outputs to one place, in seconds: 6.9 m. It is more where a delay_ms says
so.
"""
MARGIN_DB = {Weighting.A: 0.08, Weighting.C: 0.08, Weighting.WK: 0.01, Weighting.WD: 0.01}
"""A weighting may read too low by so much (residue.loudness.meters.weightings), Wk and Wd up to 500 Hz, A and C up to
20 kHz: a cap adds it.
"""


@dataclass(frozen=True, slots=True)
class Ear:
    """One place with one weighting, for people or for a cap.

    For people an ear gives the most likely reading of a meter at the visitor's place. For a cap it gives the most that
    can arrive at any place where the outputs are as loud as there (residue.loudness.caps.listeners has both).
    """

    at: str
    """PLACE, or the name of an output."""
    weighting: Weighting
    physical: bool
    """Levels in dB re 20 uPa, or re 1 m/s² under Wk and Wd, by the calibration; else in dBFS."""
    gains: tuple[float, ...]
    """The amplitude factor from each output to the ear, such that the mean square is 1 at 0 dB of its unit."""
    power: int = 2
    """The power of the signal that counts: 4 for a dose of vibration, else 2. With 4, every "energy" is a fourth
    power.
    """
    spread_s: float | None = None
    """For a cap: sounds that leave the outputs at once arrive within this time. None for people."""
    times: float = 1.0
    """The factor of the quantity (Quantity.times); the gains have it already."""

    @property
    def key(self) -> str:
        """Its name in the level log: "A at place, dB, at most"."""
        unit = "dBFS" if not self.physical else ACCELERATION_LEVEL if self.weighting in FELT else "dB"
        dose, bound = ", fourth power" if self.power == 4 else "", "" if self.spread_s is None else ", at most"
        times = "" if self.times == 1.0 else f", {self.times:g} times"
        return f"{self.weighting} at {self.at}, {unit}{dose}{bound}{times}"

    @property
    def only(self) -> int | None:
        """The index of its output if there is just one."""
        heard = [index for index, gain in enumerate(self.gains) if gain]
        return heard[0] if len(heard) == 1 else None


def calibrated(outputs: Mapping[str, Output]) -> bool:
    """Whether levels at the ear are known: every output has a calibration."""
    return all(output.calibration is not None for output in outputs.values())


def ear(outputs: Mapping[str, Output], at: str, weighting: Weighting, *, physical: bool) -> Ear:
    """The ear at a place. Raises ValueError for a physical ear where an output has no calibration."""

    def gain(name: str, output: Output) -> float:
        if at not in (PLACE, name):
            return 0.0
        if not physical:
            return 1.0
        if weighting in FELT:
            return _felt_gain(at, weighting, name, output)
        if output.calibration is None:
            raise ValueError(f"output.{name} has no calibration, so levels at the ear are unknown.")
        wide = exact.gain_from_db(offset_db(output.calibration, weighting, output.transducer))
        return max(wide, _low_gain(output)) if weighting in (Weighting.Z, Weighting.G) else wide

    return Ear(at, weighting, physical, tuple(gain(name, output) for name, output in outputs.items()))


def _low_gain(output: Output) -> float:
    """The gain below 40 Hz; 0 where it was not measured."""
    return 0.0 if output.low_band is None else exact.gain_from_db(low_offset_db(output.low_band))


def _felt_gain(at: str, weighting: Weighting, name: str, output: Output) -> float:
    """The gain for vibration at the place: an output whose vibration was not measured counts as 0."""
    if output.vibration is not None and output.vibration.read_m_per_s2(weighting) is not None:
        return exact.gain_from_db(felt_offset_db(output.vibration, output.transducer, weighting))
    if at == PLACE:
        return 0.0
    raise ValueError(f"output.{name} was not measured with {weighting}, so what a body feels of it is unknown.")


def ear_of(cap: Cap, outputs: Mapping[str, Output]) -> Ear:
    """The ear with which a cap measures."""
    heard = _at_most(ear(outputs, cap.at, cap.quantity.weighting, physical=cap.physical), outputs)
    if cap.quantity.statistic is Statistic.DOSE:
        return replace(heard, power=4)
    return _times(heard, cap.quantity.times)


def _times(heard: Ear, times: float) -> Ear:
    """The same ear, where the sound counts so many times."""
    if times == 1.0:
        return heard
    return replace(heard, gains=tuple(gain * times for gain in heard.gains), times=times)


def _at_most(heard: Ear, outputs: Mapping[str, Output]) -> Ear:
    """The same place with the same weighting, as a cap measures it."""
    margin = exact.gain_from_db(MARGIN_DB.get(heard.weighting, 0.0))
    gains = [
        # What is low may be all that there is: then a C reading is higher by as much as the room booms there.
        max(gain, _low_gain(output)) if gain and heard.physical and heard.weighting is Weighting.C else gain
        for gain, output in zip(heard.gains, outputs.values(), strict=True)
    ]
    return replace(heard, gains=tuple(gain * margin for gain in gains), spread_s=spread_s(outputs))


def spread_s(outputs: Mapping[str, Output]) -> float:
    """The time within which sounds that leave the outputs at once arrive, as a cap counts them."""
    delays_ms = [output.delay_ms for output in outputs.values()]
    return max(LEAST_SPREAD_S, (max(delays_ms) - min(delays_ms)) / 1000.0)


def felt_outputs(outputs: Mapping[str, Output], weighting: Weighting) -> list[str]:
    """The outputs whose vibration was measured under a weighting."""
    known = ((name, output.vibration) for name, output in outputs.items())
    return [name for name, one in known if one is not None and one.read_m_per_s2(weighting) is not None]


def planned_ears(outputs: Mapping[str, Output], caps: Sequence[Cap]) -> tuple[Ear, ...]:
    """The ears that a plan needs: A and C at the place, Wk and Wd where known, for people; and those of the caps."""
    physical = calibrated(outputs)
    shown = [ear(outputs, PLACE, weighting, physical=physical) for weighting in (Weighting.A, Weighting.C)]
    shown += [ear(outputs, PLACE, weighting, physical=True) for weighting in FELT if felt_outputs(outputs, weighting)]
    of_rules = [_at_most(one, outputs) for one in shown]  # so that any published rule can be tried: residue caps
    of_rules += [replace(one, power=4) for one in of_rules if one.weighting in FELT]
    return tuple({ear.key: ear for ear in (*shown, *of_rules, *(ear_of(cap, outputs) for cap in caps))}.values())


def capped_ears(outputs: Mapping[str, Output], caps: Sequence[Cap]) -> tuple[Ear, ...]:
    """The ears of these caps alone, for where nobody asks for a level."""
    return tuple({ear.key: ear for ear in (ear_of(cap, outputs) for cap in caps)}.values())


def ears(outputs: Mapping[str, Output], caps: Sequence[Cap]) -> tuple[Ear, ...]:
    """Every ear with a meter, those of the caps, and at the place those of caps that may come into force later.

    A, C, Z and G at the place and at each output; K at each output, in dBFS as ITU-R BS.1770 has it; Wk and Wd
    where known.
    """
    physical = calibrated(outputs)
    metered = [
        ear(outputs, at, weighting, physical=physical)
        for at in (PLACE, *outputs)
        for weighting in (Weighting.A, Weighting.C, Weighting.Z, Weighting.G)
    ]
    metered += [ear(outputs, at, Weighting.K, physical=False) for at in outputs]
    for weighting in FELT:
        felt = felt_outputs(outputs, weighting)
        metered += [ear(outputs, at, weighting, physical=True) for at in (PLACE, *felt) if felt]
    may_be_capped = [_at_most(ear, outputs) for ear in metered if ear.at == PLACE]
    may_be_capped += [_times(ear, HORIZONTAL_TIMES) for ear in may_be_capped if ear.weighting is Weighting.WD]
    of_caps = [ear_of(cap, outputs) for cap in caps]
    return tuple({ear.key: ear for ear in (*metered, *may_be_capped, *of_caps)}.values())
