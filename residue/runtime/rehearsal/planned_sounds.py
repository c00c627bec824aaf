"""The levels that visitors receive from each performance, by level profile and plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from residue.dsp import exact
from residue.installation.load import Installation
from residue.loudness.caps.caps import PLACE, Cap, protecting_caps
from residue.loudness.caps.ears import ear_of
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.arc import under
from residue.loudness.plan.profile import LevelProfile
from residue.loudness.stage.budget import terms
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.progress import Progress, silent
from residue.runtime.planning.preparation import caps, plan_under, profiles_of, sounding_outputs
from residue.runtime.rehearsal.rehearsal import PlannedSound
from residue.runtime.rehearsal.rehearsed_caps import CapSound


@dataclass(frozen=True)
class Planned:
    """The sounds of every performance in the hours, at its planned gain."""

    sounds: Mapping[str, PlannedSound]
    caps: Sequence[CapSound]
    unit: str
    """The unit of the sounds: dB(A) at the ear, or dBFS(A) in the wire."""


def planned_sounds(installation: Installation, cache: Path, progress: Progress = silent) -> Planned:
    """Prepares the sounds that are not yet in the cache. Raises ProblemError."""
    names, bounds = installation.played, caps(installation)
    profiles = profiles_of(installation, names, cache, progress)
    plan = plan_under(installation, profiles, bounds)
    power = {name: exact.power(10.0, plan.gain_db(name) / 10.0) for name in names}
    outputs = sounding_outputs(installation)
    profiles = {name: under(profile, plan.of(name).lowering, outputs) for name, profile in profiles.items()}
    every = [*bounds, *protecting_caps(outputs)]
    return Planned(
        {name: sound_of(profile, power[name]) for name, profile in profiles.items()},
        [cap_sound_of(cap, profiles, power, outputs) for cap in every if cap.quantity.windowed],
        "dBFS(A)" if installation.room.levels_at_the_ear == "unknown" else "dB(A)",
    )


def sound_of(profile: LevelProfile, power: float) -> PlannedSound:
    """The sound that a person at the visitor's place receives. power: the square of the planned gain."""
    # Metered ears come before those of caps, which may be in another unit.
    row = next(n for n, ear in enumerate(profile.ears) if (ear.at, ear.weighting) == (PLACE, Weighting.A))
    return PlannedSound(profile.duration_s, profile.energy[row] * (power / AUDIO_RATE_HZ))


def cap_sound_of(
    cap: Cap, profiles: Mapping[str, LevelProfile], power: Mapping[str, float], outputs: Mapping[str, Output]
) -> CapSound:
    """The sound as a cap counts it."""
    key, scaled = ear_of(cap, outputs).key, terms(cap).scaled
    return CapSound(cap, {name: held.energy[held.row(key)] * scaled(power[name]) for name, held in profiles.items()})
