"""Checks whether a gallery version is unchanged: renders it again, and compares it with a fingerprint."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from residue.archive.prepared import PreparedPerformance
from residue.durations import place_in_words
from residue.installation.load import Installation
from residue.loudness.plan.plan import Lowering, PlannedPerformance
from residue.mapping.alone import alone
from residue.mapping.replay import Replay
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.problems import stopping
from residue.progress import Progress, silent
from residue.runtime.offline.fingerprint import (
    LOWEST_DB,
    PART_FRAMES,
    PART_S,
    Fingerprint,
    FingerprintPart,
    Sources,
    difference_db,
    level_db,
    sounds,
    versions,
)
from residue.runtime.offline.rendering import Excerpt, rendered_part
from residue.runtime.planning.preparation import (
    BLOCK_FRAMES,
    open_performance,
    piece_digest,
    plan_performance,
    room_digest,
)

_MOST_TOLD = 6
"""The most differing stretches that are listed for each output."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The result. same: whether all bits are the same. words: the answer, then a line for each difference."""

    same: bool
    words: Sequence[str]


@dataclass(frozen=True, slots=True)
class Rendered:
    """A rendering, and its settings.

    gain_db: that of the plan; None for the output of the graph before the cap. lowering: the further attenuation of the
    plan. node: the one node that is rendered; None for the whole piece.
    """

    name: str
    excerpt: Excerpt = field(default_factory=Excerpt)
    gain_db: float | None = None
    node: str | None = None
    lowering: Lowering | None = None


def as_planned(wanted: Rendered, planned: PlannedPerformance) -> Rendered:
    """The same settings, with those of the plan."""
    return replace(wanted, gain_db=planned.gain_db, lowering=planned.lowering)


def blocks_of(
    installation: Installation,
    performance: PreparedPerformance,
    wanted: Rendered,
    block_frames: int = BLOCK_FRAMES,
    progress: Progress = silent,
    cache: Path | None = None,
    replay: Replay | None = None,
) -> Iterator[NDArray[np.float64]]:
    """The sound in blocks of (outputs, frames). Raises ProblemError.

    cache: where checkpoints may be; replay: where the sound may be known. What is to be compared to the bit is rendered
    without them.
    """
    graph = installation.graph if wanted.node is None else alone(installation.graph, wanted.node)
    return rendered_part(
        replace(installation, graph=graph),
        performance,
        block_frames=block_frames,
        excerpt=wanted.excerpt,
        gain_db=wanted.gain_db,
        lowering=wanted.lowering,
        planned=wanted.node is None,  # one node alone may be louder than all of them, and is not planned
        cache=cache,
        progress=progress,
        replay=replay,
    )


def fingerprint(
    installation: Installation,
    performance: PreparedPerformance,
    wanted: Rendered,
    blocks: Iterable[NDArray[np.float64]],
) -> Fingerprint:
    """The fingerprint of the wanted sound, from its blocks."""
    output, frames = sounds(blocks, installation.piece.outputs)
    return Fingerprint(
        piece=installation.piece.title,
        performance=wanted.name,
        from_frame=wanted.excerpt.start,
        frames=frames,
        sources=Sources(piece=piece_digest(installation), bag=performance.digest, room=room_digest(installation)),
        versions=versions(),
        output=output,
        gain_db=wanted.gain_db,
        node=wanted.node,
    )


def verify(installation: Installation, kept: Fingerprint, cache: Path, progress: Progress = silent) -> Verdict:
    """Renders the performance of a fingerprint again, and compares. Raises ProblemError."""
    if kept.piece != installation.piece.title:
        what = f'The fingerprint is of the piece "{kept.piece}", and this is "{installation.piece.title}".'
        raise stopping(str(installation.folder), what, "Name the installation that it was made from.")
    performance = open_performance(installation, kept.performance, cache, progress)
    wanted = Rendered(kept.performance, Excerpt(kept.from_frame, kept.from_frame + kept.frames), None, kept.node)
    if kept.gain_db is not None:
        wanted = as_planned(wanted, plan_performance(installation, kept.performance, cache, progress))
    blocks = blocks_of(installation, performance, wanted, progress=progress)
    found = fingerprint(installation, performance, wanted, blocks)
    return compare(kept, found, _unlike(installation))


def _unlike(installation: Installation) -> Sequence[str]:
    """The nodes of the piece that do not promise the same bits on every machine."""
    return [name for name, node in installation.graph.nodes.items() if node.differs_db is not None]


def compare(kept: Fingerprint, found: Fingerprint, unlike: Sequence[str] = ()) -> Verdict:
    """Compares the kept fingerprint with the new one.

    unlike: the nodes that do not promise the same bits.
    """
    what = f"{found.piece}, {found.performance}, {len(found.output)} outputs, {found.frames / AUDIO_RATE_HZ:.1f} s"
    digests = ({name: sound.sha256 for name, sound in one.output.items()} for one in (kept, found))
    if next(digests) == next(digests):
        return Verdict(same=True, words=[f"The same to the bit: {what}."])
    words = [f"NOT the same: {what}."]
    if kept.frames != found.frames:
        was, now = (one.frames / AUDIO_RATE_HZ for one in (kept, found))
        words.append(f"It lasts {now:.2f} s, and lasted {was:.2f} s.")
    for name in dict.fromkeys([*kept.output, *found.output]):
        words += _output_words(name, kept, found)
    return Verdict(same=False, words=[*words, *_reasons(kept, found, unlike)])


def _output_words(name: str, kept: Fingerprint, found: Fingerprint) -> list[str]:
    if name not in kept.output or name not in found.output:
        return [f"{name}: there {'is' if name in found.output else 'was'} such an output only on one side."]
    if kept.output[name].sha256 == found.output[name].sha256:
        return [f"{name}: the same to the bit."]
    was, now = kept.output[name].part, found.output[name].part
    shared = range(min(len(was), len(now)))
    differing = [at for at in shared if was[at] != now[at]]
    if not differing:
        return [f"{name}: the same to the bit as far as both go."]
    stretches = _stretches(differing)
    told = [
        f"  {_time(found, first)} to {_time(found, last + 1)}: {_level(was, now, range(first, last + 1), found)}"
        for first, last in stretches[:_MOST_TOLD]
    ]
    if len(stretches) > _MOST_TOLD:
        told.append(f"  and {len(stretches) - _MOST_TOLD} stretches more")
    return [
        f"{name}: {len(differing)} of {len(shared)} parts of {PART_S} s differ, {_level(was, now, differing, found)}.",
        *told,
    ]


def _level(
    was: Sequence[FingerprintPart], now: Sequence[FingerprintPart], at: Sequence[int], found: Fingerprint
) -> str:
    """The level of the difference in some parts."""
    frames = sum(min(PART_FRAMES, found.frames - index * PART_FRAMES) for index in at)
    ours, theirs = [now[index] for index in at], [was[index] for index in at]
    difference, own = difference_db(ours, theirs, frames), level_db(ours, frames)
    if difference <= LOWEST_DB:
        return f"by less than {LOWEST_DB:.0f} dBFS"
    below = own - difference if own > LOWEST_DB else -inf
    relation = f"{below:.0f} dB below" if below >= 0 else f"{-below:.0f} dB above"
    return (
        f"by about {difference:.0f} dBFS, {relation} the sound" if below > -inf else f"by about {difference:.0f} dBFS"
    )


def _stretches(indices: Sequence[int]) -> list[tuple[int, int]]:
    """(first, last) of each run of neighbours."""
    runs: list[tuple[int, int]] = []
    for index in indices:
        if runs and runs[-1][1] == index - 1:
            runs[-1] = (runs[-1][0], index)
        else:
            runs.append((index, index))
    return runs


def _time(found: Fingerprint, part: int) -> str:
    """The beginning of a part, in the time of the performance."""
    at_s = (found.from_frame + min(part * PART_FRAMES, found.frames)) / AUDIO_RATE_HZ
    return place_in_words(at_s, tenths=True)


def _reasons(kept: Fingerprint, found: Fingerprint, unlike: Sequence[str]) -> list[str]:
    """Changes that may explain a difference."""
    changed = [
        words
        for words, was, now in (
            ("the piece or a file that it names", kept.sources.piece, found.sources.piece),
            ("the recording", kept.sources.bag, found.sources.bag),
            ("outputs or caps of the room", kept.sources.room, found.sources.room),
        )
        if was != now
    ]
    words = [f"Changed since: {', '.join(changed)}."] if changed else ["Piece, recording and room are unchanged."]
    if kept.gain_db is not None and found.gain_db is not None and kept.gain_db != found.gain_db:
        words.append(f"The plan's gain is {found.gain_db:.2f} dB, and was {kept.gain_db:.2f} dB.")
    if unlike:
        words.append(f"Nodes that do not promise the same bits on every machine: {', '.join(unlike)}.")
    changes = kept.versions.unlike(found.versions)
    return [*words, *(f"{program} was {was}, and is {now}." for program, was, now in changes)]
