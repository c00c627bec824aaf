"""A performance through the cap into a WAV, as the command does it."""

from __future__ import annotations

from pathlib import Path

from residue.archive.prepared import PreparedPerformance
from residue.installation.load import Installation
from residue.runtime.offline.rendering import Excerpt, rendered_part, written


def render_to_wav(
    installation: Installation,
    performance: PreparedPerformance,
    out: Path,
    *,
    block_frames: int,
    excerpt: Excerpt,
    gain_db: float,
) -> None:
    blocks = rendered_part(installation, performance, block_frames=block_frames, excerpt=excerpt, gain_db=gain_db)
    for _ in written(blocks, out, len(installation.piece.outputs)):
        pass
