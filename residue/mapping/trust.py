"""The trust in a reading of the body: a slow signal beside the reading, under the reading's name and ".trust".

A node that reads the body also gives the trust in its value (`Trusted` in residue.mapping.node). Every slow signal and
every stream of events made from the value passes the trust on: the trust of a node is never higher than that of its
inputs. A section, a drive or an input may name "pulse.trust" like any slow signal.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np

from residue.mapping.node import Trusted
from residue.mapping.signals import Events, Shape, Signal, Slow

_SUFFIX = ".trust"
DOUBTFUL = 0.5
"""A value with less trust is shown as not measured; our choice."""


def trust_of(node: str) -> str:
    """The name of the signal that holds a node's trust."""
    return f"{node}{_SUFFIX}"


def is_trust(signal: str) -> bool:
    """Whether a signal of this name is a trust."""
    return signal.endswith(_SUFFIX)


def node_of(signal: str) -> str:
    """The name of the node that gives a signal: its trust comes from the same node."""
    return signal.removesuffix(_SUFFIX)


def with_trust(names: Sequence[str], shapes: Mapping[str, Shape]) -> list[str]:
    """The names, each followed by the name of its trust where it has one that is not named itself."""
    named = set(names)
    both = [[name, trust_of(name)] if trust_of(name) in shapes.keys() - named else [name] for name in names]
    return [name for pair in both for name in pair]


def combined(given: Signal | Trusted, inputs: Sequence[Slow]) -> Trusted:
    """The signal of a node, with a trust no higher than that of its inputs.

    inputs: the trusts of those inputs that have one.
    """
    signal, own = given if isinstance(given, Trusted) else (given, None)
    trusts = [*inputs] if own is None else [own, *inputs]
    return Trusted(signal, reduce(np.minimum, trusts) if trusts else None)


@dataclass(frozen=True, slots=True)
class BodyReading:
    """The value of a node that reads the body at one moment; None for events."""

    value: float | None
    trust: float


def latest(nodes: Iterable[str], signals: Mapping[str, Signal]) -> dict[str, BodyReading]:
    """The last value of each of these nodes in a span, with its trust; a span without a tick has none."""
    found = {}
    for name in nodes:
        signal, trust = signals[name], signals[trust_of(name)]
        if not isinstance(trust, Events) and len(trust):
            value = None if isinstance(signal, Events) else float(signal[-1])
            found[name] = BodyReading(value, float(trust[-1]))
    return found
