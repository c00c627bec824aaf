"""What the cap stage does to the demos beside the gain of their plan.

    python -m tests.reference.demo_cap CACHE [PIECE PERFORMANCE]

It plays whole performances and prints how far any 50 ms that are loud enough differ from what the mapping gives at the
gain of the plan, through the pass band that each output of the room has.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from residue.dsp.exact import gain_from_db
from residue.installation.load import load
from residue.loudness.plan.plan import Lowering
from residue.loudness.stage.protection import Conditioner
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.runtime.offline.rendering import Excerpt, rendered_part
from residue.runtime.planning.preparation import open_performance, plan_performance, sounding_outputs

ARCHIVES = Path(__file__).parents[2] / "archives"
PIECES = ("night-dough", "oven-watch")
SHORT_HOP_FRAMES = AUDIO_RATE_HZ // 20
QUIETEST_DBFS = -60.0

Floats = NDArray[np.float64]


def levels_db(signals: Floats) -> Floats:
    """(outputs, hops) of 50 ms; what is left at the end is left out."""
    whole = signals[:, : signals.shape[1] // SHORT_HOP_FRAMES * SHORT_HOP_FRAMES]  # the form ends where it will
    levels: Floats = 10 * np.log10(np.mean(whole.reshape(len(whole), -1, SHORT_HOP_FRAMES) ** 2, axis=2) + 1e-20)
    return levels


def levels_before_and_after(
    piece: str, name: str, cache: Path, seconds: int | None = None, gain_db: float | None = None
) -> tuple[Floats, Floats]:
    """(outputs, hops) each, through the pass bands of the room and through its cap stage.

    gain_db: instead of the plan, which asks for the whole programme.
    """
    installation = load(ARCHIVES / piece)
    performance = open_performance(installation, name, cache)
    lowering = Lowering()
    if gain_db is None:
        plan = plan_performance(installation, name, cache)
        gain_db, lowering = plan.gain_db, plan.lowering
    excerpt = Excerpt(0, None if seconds is None else seconds * AUDIO_RATE_HZ)

    def part(gain_db: float | None) -> Floats:
        blocks = rendered_part(
            installation, performance, block_frames=AUDIO_RATE_HZ, excerpt=excerpt, gain_db=gain_db, lowering=lowering
        )
        return np.concatenate(list(blocks), axis=1)

    mapped = part(None) * gain_from_db(gain_db)
    return levels_db(Conditioner(sounding_outputs(installation))(mapped)), levels_db(part(gain_db))


def differences_db(before: Floats, after: Floats) -> list[Floats]:
    """By output, of each hop that is loud enough."""
    return [(here - there)[there > QUIETEST_DBFS] for there, here in zip(before, after, strict=True)]


def main() -> None:
    """Prints a line for each performance, or for one."""
    cache = Path(sys.argv[1])
    every = [(piece, path.name) for piece in PIECES for path in sorted((ARCHIVES / piece / "performances").iterdir())]
    for piece, name in [tuple(sys.argv[2:4])] if sys.argv[2:] else every:
        found = differences_db(*levels_before_and_after(piece, name, cache))
        told = ", ".join(f"{np.max(np.abs(one), initial=0.0):.4f} dB of {len(one) / 20:.0f} s" for one in found)
        sys.stdout.write(f"{piece}, {name}: {told}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
