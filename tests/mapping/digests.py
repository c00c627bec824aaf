"""Prints, for every kind of node and every example, the digest of what it gives. Run by test_same_bits."""

from __future__ import annotations

import hashlib
import sys

import numpy as np

from residue.mapping.graph import drivable
from residue.mapping.signals import Events
from tests.mapping.single import run, ticks
from tests.mapping.test_nodes_contract import CHANNELS, FRAMES, nodes


def main() -> None:
    way = np.linspace(0.0, 1.0, ticks(FRAMES))
    for case in nodes():
        node, inputs = case.values
        controls = {name: float(getattr(node, name)) * (1.0 - 0.5 * way) for name in drivable(type(node))}
        given = run(node, inputs, FRAMES, (), controls, CHANNELS)
        parts = (given.frames, given.values) if isinstance(given, Events) else (given,)
        digest = hashlib.sha256(b"".join(part.tobytes() for part in parts)).hexdigest()
        sys.stdout.write(f"{case.id} {digest}\n")


if __name__ == "__main__":
    main()
