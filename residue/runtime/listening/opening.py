"""A piece that was edited, at any place of a performance, at a cost that does not depend on where the place is.

Nodes that an edit does not reach go on from a state that was kept, in memory or on the disk. The others begin some time
before the place, without a memory of what was before that.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from residue.archive.prepared import PreparedPerformance
from residue.installation.load import Installation
from residue.mapping.checkpoint import load_nodes
from residue.mapping.form import FORM
from residue.mapping.playback import Playback, PlaybackState
from residue.mapping.signals import frame_at
from residue.runtime.engine.engine import BLOCK_FRAMES
from residue.runtime.planning.checkpoints import EVERY_FRAMES, Checkpoints
from residue.runtime.planning.preparation import playback_of

logger = logging.getLogger(__name__)

WARM_S = 30.0
"""A new node is stepped over so long before it is heard: filters, envelopes and short loops are filled by then.

It costs half a second of a processor in our larger demo.
"""
_WARM_FRAMES = frame_at(WARM_S)
_FROM_THE_START_FRAMES = EVERY_FRAMES
"""Up to here the way from the beginning is no longer than that from a checkpoint can be."""


@dataclass(frozen=True, slots=True)
class Version:
    """One version of a piece, with the performance that it is heard with.

    kept: the checkpoints of both.
    """

    installation: Installation
    performance: PreparedPerformance
    kept: Checkpoints


@dataclass(frozen=True, slots=True)
class Waymark:
    """The states of a playback at one place, by lineage. since: by lineage, the frame at which its memory begins."""

    position: int
    states: Mapping[str, bytes]
    since: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class _Base:
    """A place from which to go on, and the nodes whose states are known there; section: how many have begun."""

    position: int
    section: int
    names: frozenset[str]
    mark: Waymark | None


def opened(
    version: Version, frame: int, marks: Collection[Waymark], section: str | None
) -> tuple[Playback, Sequence[str]]:
    """A playback at a frame or before it, and the nodes that begin there without a memory.

    marks: what another version has left. section: the one in which the form is taken to be if its state is not known.
    Raises ProblemError.
    """
    playback = playback_of(version.installation, version.performance)
    base = _base(version, frame, marks)
    if base.position == 0:
        return playback, []
    try:
        state = _state(version, base)
    except Exception as error:  # noqa: BLE001 (after any error, there is another way to the place)
        logger.warning("What was kept cannot be used: %s", error)
        state = PlaybackState(_warm_place(frame), None, {}, {})
    playback.take(state, section)
    known = {*state.steps, *([] if state.form is None else [FORM])}
    fresh = {name for name, since in playback.since.items() if since == state.position} - known
    return playback, [name for name in version.installation.graph.order if name in fresh]


def _base(version: Version, frame: int, marks: Collection[Waymark]) -> _Base:
    """The latest place at which all is known, else that with the most, and time enough for the rest to warm up."""
    if frame <= _FROM_THE_START_FRAMES:
        return _Base(0, 0, frozenset(), None)
    at = {mark.position: mark for mark in marks if mark.position <= frame}
    minute = frame // EVERY_FRAMES
    places = {*at, *(EVERY_FRAMES * one for one in (minute - 1, minute) if one > 0)}
    bases = [_known(version.kept, place, at.get(place)) for place in sorted(places)]
    every = set(version.installation.graph.order)
    if whole := [base for base in bases if base.names == every]:
        return whole[-1]
    warm = _warm_place(frame)
    early = [base for base in bases if base.position <= warm and base.names]
    fresh = _Base(warm, 0, frozenset(), None)
    return max(early, key=lambda base: (len(base.names), base.position), default=fresh)


def _warm_place(frame: int) -> int:
    """The latest place from which new nodes have warmed up at a frame."""
    return (frame - _WARM_FRAMES) // BLOCK_FRAMES * BLOCK_FRAMES


def _known(kept: Checkpoints, place: int, mark: Waymark | None) -> _Base:
    """What is known at a place, in memory or on the disk."""
    section, on_disk = kept.known(place)
    in_memory = mark.states.keys() if mark is not None else set()
    begun = next((n for n, keys in enumerate(kept.lineages) if keys[FORM] in in_memory), section) or 0
    names = {name for name, key in kept.lineages[begun].items() if key in in_memory}
    return _Base(place, begun, frozenset(names | (on_disk if begun == (section or 0) else set())), mark)


def _state(version: Version, base: _Base) -> PlaybackState:
    kept, keys = version.kept, version.kept.lineages[base.section]
    held, since = (base.mark.states, base.mark.since) if base.mark is not None else ({}, {})
    in_memory = {name: held[keys[name]] for name in base.names if keys[name] in held}
    states = {**kept.kept(base.position, base.section), **in_memory} if base.names - in_memory.keys() else in_memory
    begins = {name: since.get(keys[name], 0) for name in in_memory}
    return load_nodes(base.position, {name: states[name] for name in base.names & states.keys()}, kept.given, begins)
