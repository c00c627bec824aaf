"""The catalogue of nodes: one module for each family."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from types import MappingProxyType

from residue.mapping.node import Node
from residue.mapping.nodes import (
    adapting,
    brain,
    breath,
    breathing,
    chance,
    conditioning,
    convolving,
    crossing,
    fatigue,
    feedback,
    feeds,
    filtering,
    freezing,
    gating,
    granular,
    heart,
    logic,
    memory,
    movement,
    muscle,
    placing_among,
    pulse,
    ranges,
    reverberation,
    ring,
    rising_and_falling,
    skin,
    sources,
    space,
    states,
    strike,
    timing,
    tones,
    tuning,
    two_bodies,
    voices,
)
from residue.problems import Finding, ProblemError, Severity, nearest

_CLASSES: tuple[type[Node], ...] = (
    # sources
    sources.ChannelSource,
    sources.Constant,
    # conditioning
    conditioning.Gain,
    conditioning.Offset,
    conditioning.Rectify,
    ranges.Clip,
    ranges.Normalise,
    ranges.Scale,
    ranges.Curve,
    conditioning.Mix,
    conditioning.Product,
    conditioning.Crossfade,
    filtering.Highpass,
    filtering.Lowpass,
    filtering.Bandpass,
    filtering.Notch,
    filtering.Delay,
    filtering.Smooth,
    gating.SlewLimit,
    gating.Gate,
    gating.SampleAndHold,
    adapting.Adapt,
    # muscle
    muscle.Rms,
    muscle.MeanAbsolute,
    muscle.Envelope,
    muscle.Onsets,
    muscle.Effort,
    muscle.BandLevel,
    muscle.CoContraction,
    fatigue.CrossingRate,
    fatigue.MedianFrequency,
    # heart
    heart.Beats,
    pulse.PulseBeats,
    pulse.Intervals,
    heart.HeartRate,
    heart.BeatInterval,
    heart.Rmssd,
    breathing.RespiratoryModulation,
    heart.Missing,
    heart.Spread,
    # brain
    brain.BandPower,
    brain.Artefacts,
    brain.Asymmetry,
    # breath
    breath.Breath,
    breath.Breaths,
    # movement
    movement.Movement,
    movement.Tilt,
    movement.Stillness,
    movement.Steps,
    # skin
    skin.SkinConductance,
    skin.SkinResponses,
    skin.Temperature,
    # two bodies
    two_bodies.Synchrony,
    two_bodies.CyclePhase,
    two_bodies.PhaseLocking,
    two_bodies.Coherence,
    # logic
    logic.Compare,
    logic.Logic,
    logic.Changes,
    logic.Counter,
    logic.EveryNth,
    logic.Merge,
    logic.PassWhile,
    logic.PassBetween,
    states.States,
    # chance
    chance.Chance,
    chance.Choose,
    chance.RandomValue,
    # pitch and time
    tuning.Tune,
    timing.Tempo,
    timing.OnPulse,
    # memory
    memory.Layers,
    memory.Echo,
    freezing.Freeze,
    granular.GrainCloud,
    feedback.Feedback,
    # crossing
    crossing.Audify,
    crossing.AudioRateControl,
    crossing.Follow,
    rising_and_falling.RiseAndFall,
    rising_and_falling.LastValue,
    # voices
    voices.MuscleVoice,
    voices.Saturate,
    voices.Resonators,
    tones.Noise,
    tones.Oscillator,
    strike.Strike,
    tones.LowVoice,
    reverberation.Reverberation,
    convolving.RecordedSpace,
    # space
    space.Pan,
    ring.RingPanning,
    placing_among.PlaceAmong,
    space.Crossover,
    space.ToOutputs,
    # feeds
    feeds.Feed,
    feeds.Lamp,
)

KINDS: Mapping[str, type[Node]] = MappingProxyType({cls.kind: cls for cls in _CLASSES})
"""Every kind of node that is part of residue."""

FORMER_NAMES: Mapping[str, str] = MappingProxyType({"contour": "rise_and_fall", "murmur": "muscle_voice"})
"""Former names of kinds, from earlier versions, each with the present name."""

ENTRY_POINTS = "residue.nodes"
"""The group in which the package of an artist names its own kinds: kind = "module:Class"."""


@cache
def catalogue() -> Mapping[str, type[Node]]:
    """Every kind there is: those of residue, and those of the packages installed beside it.

    Raises ProblemError where one of those cannot be loaded, is not a node, or has the name of another.
    """
    kinds, findings = dict(KINDS), []
    for entry in sorted(entry_points(group=ENTRY_POINTS), key=lambda entry: entry.name):
        try:
            kinds[entry.name] = _own(entry, kinds)
        except ValueError as error:
            findings.append(Finding(Severity.STOPS, f"{ENTRY_POINTS}: {entry.name} = {entry.value}", str(error), ""))
    if findings:
        raise ProblemError(findings)
    return MappingProxyType(kinds)


def unknown_kind(kind: str, kinds: Iterable[str]) -> tuple[str, str]:
    """The problem and the mend for a kind that is not in the catalogue."""
    if kind in FORMER_NAMES:
        return f'The kind of node "{kind}" has a new name.', f'Write "{FORMER_NAMES[kind]}" instead.'
    return f'There is no kind of node called "{kind}".', nearest(kind, kinds)


def _own(entry: EntryPoint, kinds: Mapping[str, type[Node]]) -> type[Node]:
    """The class of an artist's own kind."""
    if entry.name in kinds:
        raise ValueError(f'There is a kind "{entry.name}" already. Give this one another name.')
    try:
        node = entry.load()
    except Exception as error:
        raise ValueError(f"It cannot be loaded ({error}). Repair or uninstall the package.") from error
    if not (isinstance(node, type) and issubclass(node, Node)):
        raise ValueError("It is not a subclass of residue.mapping.node.Node. Name such a class.")
    if getattr(node, "kind", None) != entry.name or not hasattr(node, "family"):
        raise ValueError(f'The class must say kind = "{entry.name}" and its family.')
    return node
