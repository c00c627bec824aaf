"""Half a minute of bodies, for the nodes that know nothing of them within the tenth of a second of examples.py.

Made of operations that have the same bits on every machine. Needs nothing but numpy and residue.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.dsp.phase import Phasor
from residue.mapping.graph import ports
from residue.mapping.node import Node
from residue.mapping.nodes import KINDS
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK, Events, Signal
from tests.mapping.examples import Example

SECONDS = 30
LIVED_FRAMES = SECONDS * 48_000 + 7
_TICKS = -(-LIVED_FRAMES // FRAMES_PER_TICK)
_RANDOM = np.random.default_rng(20_260_302)


def _wave(frequency_hz: float) -> NDArray[np.float64]:
    return exact.sine(Phasor(CONTROL_RATE_HZ)(frequency_hz, _TICKS))


def _noise(size: float) -> NDArray[np.float64]:
    return size * _RANDOM.uniform(-1.0, 1.0, _TICKS)


_BREATH = 700.0 - 3.0 * _wave(0.31) + 0.4 * _wave(0.07) + _noise(0.05)
_OTHER = 2.0 * _wave(0.29) + _noise(0.3)
_SKIN = 5.0 + np.cumsum(np.maximum(_wave(0.11), 0.0) ** 3 - 0.2) / 4_000 + _noise(0.001)
_WARM = 33.0 + 0.3 * _wave(0.02) + _noise(0.01)
_WALKS = np.arange(_TICKS) < 40_000
_AXES = {
    "x": 0.1 * _wave(0.9) * _WALKS + _noise(0.01),
    "y": _noise(0.01),
    "z": 1.0 + 0.3 * _wave(1.8) * _WALKS + _noise(0.01),
}
_BEATS_AT = np.cumsum(_RANDOM.integers(36_000, 48_000, 30)).astype(np.int64)
_BEATS = Events(_BEATS_AT, np.diff(_BEATS_AT, prepend=0) / 48_000)

_LIVED: Mapping[str, tuple[list[dict[str, Any]], Mapping[str, Signal]]] = {
    "adapt": ([{"over_s": 20.0}], {"input": _BREATH}),
    "breath": ([{"measure": one} for one in ("rate", "depth", "phase", "fullness")], {"input": _BREATH}),
    "breaths": ([{"begins": "in"}, {"begins": "out"}], {"input": _BREATH}),
    "movement": ([{}, {"measure": "jerk"}], _AXES),
    "tilt": ([{}], _AXES),
    "stillness": ([{}], _AXES),
    "steps": ([{}], _AXES),
    "skin_conductance": ([{}, {"measure": "tonic"}], {"input": _SKIN}),
    "skin_responses": ([{}], {"input": _SKIN}),
    "temperature": ([{"window_s": 20.0}, {"measure": "rate", "window_s": 20.0}], {"input": _WARM}),
    "synchrony": ([{"window_s": 15.0}, {"measure": "lag", "window_s": 15.0}], {"a": _BREATH, "b": _OTHER}),
    "phase_locking": ([{"window_s": 20.0}], {"a": _BREATH, "b": _OTHER}),
    "coherence": ([{"window_s": 20.0}], {"a": _BREATH, "b": _OTHER}),
    "cycle_phase": ([{}], {"input": _BEATS}),
}


def lived() -> list[Example]:
    """A node with whole signals of LIVED_FRAMES frames, for each that reads a body over seconds."""
    return [
        Example(f"{kind}-{number}-lived", _node(kind, parameters), inputs)
        for kind, (several, inputs) in _LIVED.items()
        for number, parameters in enumerate(several)
    ]


def _node(kind: str, parameters: Mapping[str, Any]) -> Node:
    return KINDS[kind](**dict.fromkeys(ports(KINDS[kind]), "a"), **parameters)
