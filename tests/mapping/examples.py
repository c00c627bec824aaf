"""Every kind of node with parameters and inputs to try: what the tests over the whole catalogue run over.

Needs nothing but numpy and residue, so that it also runs where no test tools are (see portability.py).
"""

from __future__ import annotations

import tempfile
import typing
import wave
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import numpy as np

from residue.mapping.graph import ports
from residue.mapping.node import Node
from residue.mapping.nodes import KINDS
from residue.mapping.signals import Events, Kind
from tests.mapping.single import Performance, Signals, shape_of, ticks

FRAMES = 7_000

_FOLDER = tempfile.TemporaryDirectory()
SPACE = str(Path(_FOLDER.name) / "cellar.wav")
"""A recorded space of two channels and 70 ms."""
with wave.open(SPACE, "wb") as _file:
    _file.setparams((2, 2, 48_000, 0, "NONE", ""))
    _fading = np.random.default_rng(9).uniform(-1.0, 1.0, (3_360, 2)) * (np.arange(3_360, 0, -1) / 3_360)[:, None]
    _file.writeframes((_fading * 20_000.0).astype("<i2").tobytes())

EXAMPLES: Mapping[str, Sequence[dict[str, Any]]] = {
    "channel": [{"channel": "arm"}, {"channel": "air", "rate": "fast"}, {"channel": "pulse", "rate": "events"}],
    "constant": [{"value": 0.5}],
    "gain": [{"gain_db": -6.0}],
    "offset": [{"offset": 0.25}],
    "clip": [{"low": -0.5, "high": 0.25}],
    "normalise": [{"full": 2.0, "rest": 0.5}],
    "scale": [
        {"bend": 2.0},
        {"law": "logarithmic", "from_low": 0.01},
        {"law": "exponential", "to_low": 20.0, "to_high": 2000.0, "from_low": -1.0},
    ],
    "curve": [{"at": [-1.0, 0.1, 0.7], "becomes": [0.0, 2.0, -1.0]}],
    "mix": [{"gains_db": [0.0, -6.0]}],
    "crossfade": [{"position": 0.3}, {"position": 0.3, "law": "linear"}],
    "highpass": [{"cutoff_hz": 20.0, "order": 3}],
    "lowpass": [{"cutoff_hz": 100.0}],
    "bandpass": [{"low_hz": 8.0, "high_hz": 90.0}],
    "delay": [{"delay_s": 0.0301}, {"delay_s": 0.0}],
    "smooth": [{"time_s": 0.05}, {"time_s": 0.0}],
    "slew_limit": [{"rise_per_s": 30.0, "fall_per_s": 10.0}],
    "gate": [{"open_at": 0.5, "close_at": 0.1, "hold_s": 0.01}],
    "onsets": [{"threshold": 0.5, "refractory_s": 0.01}],
    "rms": [{"window_s": 0.013}],
    "envelope": [{"attack_s": 0.002, "release_s": 0.01}, {"release_s": 0.4}],
    "band_level": [{"window_s": 0.02}],
    "crossing_rate": [{"window_s": 0.02, "ignore_below": 0.1}],
    "median_frequency": [{"window_s": 0.02}],
    "adapt": [{"over_s": 1.0}],
    "place": [{"outputs": 4, "turn": 0.3, "spread": 0.2}],
    "beats": [{}, {"pace": "quick"}],
    "pulse_beats": [{}, {"pace": "quick"}],
    "place_among": [
        {"outputs": [{"azimuth_degrees": 30.0}, {"azimuth_degrees": -30.0}], "azimuth_degrees": 12.0, "spread": 0.2},
        {
            "outputs": [
                *({"azimuth_degrees": 90.0 * n + 45.0} for n in range(4)),
                *({"azimuth_degrees": 120.0 * n, "elevation_degrees": 50.0} for n in range(3)),
            ],
            "azimuth_degrees": 200.0,
            "elevation_degrees": 30.0,
        },
    ],
    "spread": [{"window_s": 0.02}],
    "missing": [{"longest_s": 0.02}],
    "band_power": [
        {"band": "alpha", "window_s": 0.1},
        {"band": "alpha", "measure": "relative", "window_s": 0.1},
        {"band": "theta", "measure": "ratio", "window_s": 0.6},
    ],
    "artefacts": [{"limit": 0.9, "hold_s": 0.01, "flat_s": 0.01}],
    "compare": [
        {"above": 0.3, "hysteresis": 0.4, "on_after_s": 0.001, "off_after_s": 0.0015},
        {"above": -0.2, "below": 0.6, "than": None},
    ],
    "logic": [{"rule": rule} for rule in ("all", "any", "none", "one", "odd")],
    "changes": [{}, {"to": 0.0}],
    "counter": [
        {"lowest": 0, "highest": 2, "beyond": "wrap", "down": None, "reset": None},
        {"start": 1, "lowest": 0, "highest": 2, "reset": None},
        {"down": None},
    ],
    "every_nth": [{"n": 2, "reset": None}, {"n": 1}],
    "pass_between": [{"low": 0.8, "high": 1.0}],
    "states": [
        {
            "states": {"rest": 0.0, "work": 1.0, "spent": 0.25},
            "transitions": [
                {"from": "rest", "to": "work", "on": "a"},
                {"from": "work", "to": "spent", "on": "b", "for_s": 0.001},
                {"to": "rest", "after_s": 0.02},
            ],
        }
    ],
    "chance": [{"probability": 0.6}],
    "choose": [{"values": [1.0, 2.0, 5.0], "weights": [1.0, 0.0, 2.5]}, {"values": [1.0, 2.0], "repeat": False}],
    "random_value": [{"low": -1.0}, {"walk": 0.3}],
    "tune": [
        {"degrees": [0, 2, 3, 7], "hysteresis": 0.3},
        {"ratios": ["1/1", "5/4", "3/2"], "unit": "octaves"},
        {"degrees": [0, 7], "steps_per_octave": 19, "unit": "hz", "highest_hz": 100.0},
    ],
    "tempo": [{"beats_per_minute": 1111.0, "divide": 3}],
    "on_pulse": [{"late_s": 0.001}, {"keep": "highest"}],
    "last_value": [{"before": 0.5}],
    "layers": [{"loop_s": [0.05, 0.0613], "spread": 0.7, "decay_db": 0.0}],
    "echo": [{"delay_s": 0.021, "feedback": 0.9}],
    "muscle_voice": [
        {"grain_s": 0.02},
        {"transpose": "ring", "drive_db": 20.0},
        {"transpose": "none"},
    ],
    "saturate": [{"drive_db": 12.0}],
    "resonators": [{"modes_hz": [110.0, 277.5], "decay_s": 0.3, "gains_db": [0.0, -3.0]}],
    "noise": [{"channels": 2}],
    "oscillator": [{"frequency_hz": 440.0, "harmonics": 4}],
    "strike": [
        {"decay_s": 0.03},
        {"decay_s": 0.03, "transpose_semitones": 7.5},
        {"decay_s": 0.03, "transpose_semitones": -3.5, "soft_at": 0.78, "hard_at": 0.83},
    ],
    "rise_and_fall": [{"attack_s": 0.002, "hold_s": 0.004, "release_s": 0.01}],
    "grains": [
        {"memory_s": 0.1, "grain_s": 0.01, "grains_per_s": 400.0, "scatter_s": 0.05},
        {"memory_s": 0.1, "grain_s": 0.02, "grains_per_s": 300.0, "ratio": 2.3, "captured": None, "spread": 0.5},
        {"memory_s": 0.1, "grain_s": 0.02, "grains_per_s": 400.0, "ratio": 0.7, "back_s": 0.01, "captured": None},
    ],
    "feedback": [
        {"delay_s": 0.0101, "channels": 2, "bound": 0.5},
        {"delay_s": 0.02, "rate": "slow"},
        {"delay_s": 0.0153, "rate": "events", "refractory_s": 0.001},
    ],
    "freeze": [{"length_s": 0.0301, "fade_s": 0.01}],
    "respiratory_modulation": [{"window_s": 0.05}, {"measure": "wave"}],
    "breath": [{}, {"measure": "depth", "rises_with": "out"}, {"measure": "phase"}, {"measure": "fullness"}],
    "skin_conductance": [{}, {"measure": "tonic"}],
    "skin_responses": [{"least_us": 0.01}],
    "temperature": [{"window_s": 2.0, "lowest": -1.0}, {"measure": "rate", "window_s": 2.0}],
    "synchrony": [{"window_s": 1.0, "lag_s": 0.3}, {"measure": "lag", "window_s": 1.0, "lag_s": 0.0}],
    "phase_locking": [{"window_s": 0.03}, {"measure": "difference", "a_times": 4, "window_s": 0.03}],
    "coherence": [{"low_hz": 20.0, "high_hz": 90.0, "window_s": 0.1}],
    "movement": [{"window_s": 0.05}, {"measure": "jerk", "window_s": 0.05}],
    "tilt": [{"time_s": 0.05}, {"axis": "x", "time_s": 0.0}],
    "breaths": [{}, {"begins": "out"}],
    "low_voice": [{"beat_hz": 0.7}],
    "recorded_space": [{"recording": SPACE}, {"recording": SPACE, "gain_db": -12.0}],
    "reverberation": [{"size": 0.3}],
    "pan": [{"position": -0.4}],
    "crossover": [{"part": "low"}, {"part": "high"}],
    "output": [{"to": ["left", "right"]}],
    "feed": [{"address": "/arm/effort"}],
    "lamp": [{"low": -1.0}],
}
"""Parameters to try for each kind; kinds that are not here need none."""

RANDOM = np.random.default_rng(20_260_301)
SOUND = RANDOM.uniform(-1.0, 1.0, (2, FRAMES))
SLOW = RANDOM.uniform(-1.0, 1.0, ticks(FRAMES))
EVENTS = Events(np.array([0, 23, 24, 25, 1000, 2400, 6999], np.int64), np.array([0.0, 0.8, 0.82, 0.79, 9.0, 0.81, 0.8]))
WHOLE = {Kind.SLOW: SLOW, Kind.FAST: SOUND, Kind.EVENTS: EVENTS}
CHANNELS = Performance({"arm": SLOW, "air": SOUND[:1], "pulse": EVENTS})


def takes_several(node_type: type[Node], field: str) -> bool:
    return typing.get_origin(typing.get_type_hints(node_type)[field]) is list


class Example(NamedTuple):
    """A node with whole signals for its inputs; its name says kind, number and kinds of signal."""

    name: str
    node: Node
    inputs: Signals


def examples() -> list[Example]:
    """Every kind, with every example, for every kind of signal that its inputs take."""
    found = []
    for kind, node_type in KINDS.items():
        for number, parameters in enumerate(EXAMPLES.get(kind, [{}])):
            takes = ports(node_type)
            for kinds in kinds_to_try(takes):
                several = {field for field in takes if takes_several(node_type, field)}
                wires = {field: ["a", "b"] if field in several else "a" for field in takes}
                node = msgspec.convert({**wires, **parameters}, node_type)
                inputs: dict[str, Any] = {
                    field: [WHOLE[kinds[field]]] * 2 if field in several else WHOLE[kinds[field]]
                    for field in takes
                    if getattr(node, field) is not None
                }
                if any(shape_of(inputs[field]) != node.gives({}) for field in node.late):
                    continue
                shown = "-".join(sorted(set(kinds.values()))) or "none"
                found.append(Example(f"{kind}-{number}-{shown}", node, inputs))
    return found


def kinds_to_try(takes: Mapping[str, frozenset[Kind]]) -> list[dict[str, Kind]]:
    """One kind of signal for all inputs, each that all of them take; where there is none, what each of them takes."""
    if not takes:
        return [{}]
    common = sorted(frozenset.intersection(*takes.values()))
    alike = [dict.fromkeys(takes, kind) for kind in common]
    return alike or [{field: min(kinds) for field, kinds in takes.items()}]
