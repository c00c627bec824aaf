"""Prints digests of all that must have the same bits on every machine: python -m tests.mapping.digests.

A line for every kind of node and every example of it, for what is read from half a minute of a body, and for every
output of both demo pieces, rendered in short through the cap. Needs no test tools, so that it runs under the emulation
of another processor (see portability.py).
"""

from __future__ import annotations

import hashlib
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from residue.installation.load import load
from residue.mapping.graph import drivable
from residue.mapping.signals import AUDIO_RATE_HZ, Events
from residue.runtime.offline.rendering import Excerpt, rendered_part
from residue.runtime.planning.preparation import open_performance
from tests.mapping.bodies import LIVED_FRAMES, lived
from tests.mapping.examples import CHANNELS, FRAMES, examples
from tests.mapping.single import read, run, ticks

ARCHIVES = Path(__file__).parents[2] / "archives"
DEMOS = {"night-dough": "second-batch", "oven-watch": "last-oven"}
_SECONDS, _BLOCK_FRAMES, _GAIN_DB = 16, 48_000, 12.0
"""Louder than the plan would have it, so that the limiter and the governor act too."""


def of_nodes() -> Iterator[tuple[str, str]]:
    """(example, digest); what may be driven is driven."""
    way = np.linspace(0.0, 1.0, ticks(FRAMES))
    for name, node, inputs in examples():
        controls = {field: float(getattr(node, field)) * (1.0 - 0.5 * way) for field in drivable(type(node))}
        given = run(node, inputs, FRAMES, (), controls, CHANNELS)
        parts = (given.frames, given.values) if isinstance(given, Events) else (given,)
        yield name, _digest(*(part.tobytes() for part in parts))


def of_bodies() -> Iterator[tuple[str, str]]:
    """(example, digest) of what is read from half a minute of a body, with its trust."""
    for name, node, inputs in lived():
        given = read(node, inputs, LIVED_FRAMES)
        signal = given.signal
        parts = (signal.frames, signal.values) if isinstance(signal, Events) else (signal,)
        trusts = () if given.trust is None else (given.trust,)
        yield name, _digest(*(part.tobytes() for part in (*parts, *trusts)))


def of_demos() -> Iterator[tuple[str, str]]:
    """(piece and output, digest of its 64-bit samples)."""
    for piece, name in DEMOS.items():
        installation = load(ARCHIVES / piece)
        with tempfile.TemporaryDirectory() as cache:
            performance = open_performance(installation, name, Path(cache))
            excerpt = Excerpt(0, _SECONDS * AUDIO_RATE_HZ)
            blocks = rendered_part(
                installation, performance, block_frames=_BLOCK_FRAMES, excerpt=excerpt, gain_db=_GAIN_DB
            )
            for output, samples in zip(installation.piece.outputs, np.concatenate(list(blocks), axis=1), strict=True):
                yield f"{piece}/{output}", _digest(samples.tobytes())


def _digest(*parts: bytes) -> str:
    return hashlib.sha256(b"".join(parts)).hexdigest()


def main() -> None:
    """Print them all."""
    for digests in (of_nodes(), of_bodies(), of_demos()):
        for name, digest in digests:
            sys.stdout.write(f"{name} {digest}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
