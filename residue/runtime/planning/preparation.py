"""From an archived performance to one that can play: prepared channels, level profile, plan.

All this is slow the first time, and cached by content afterwards. A running house does it in another process (see
planner); the commands call it directly.
"""

from __future__ import annotations

import hashlib
import logging
import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from functools import cache, partial
from pathlib import Path
from typing import TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

import residue
from residue.archive.beside import clear, own_file_beside
from residue.archive.prepared import PreparedPerformance, prepare
from residue.dsp.exact import gain_from_db
from residue.installation.load import Installation
from residue.loudness.caps.caps import Cap, protecting_caps
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.arc import GainCurve, planned
from residue.loudness.plan.order import repeated
from residue.loudness.plan.output_levels import Measuring, OutputLevels, followed_from
from residue.loudness.plan.plan import Lowering, Plan, PlannedPerformance
from residue.loudness.plan.profile import LevelProfile, profile, profile_of
from residue.loudness.stage.history import SentHistory
from residue.loudness.stage.stage import CapStage
from residue.mapping.checkpoint import Given, dump, given, load
from residue.mapping.lineage import lineages
from residue.mapping.playback import Playable, Playback, Played
from residue.mapping.replay import Replay
from residue.mapping.signals import Fast, frame_at, seconds
from residue.problems import ProblemError, nearest, stopping
from residue.progress import Progress, silent
from residue.runtime.journal.log import LevelLog
from residue.runtime.planning.checkpoints import EVERY_FRAMES, Checkpoints
from residue.runtime.planning.foreseen import foreseen
from residue.runtime.system.clock import uptime
from residue.runtime.system.on_cores import on_cores
from residue.small_files import read_whole

logger = logging.getLogger(__name__)

CHANNELS, PROFILES, CHECKPOINTS = "channels", "profiles", "checkpoints"
"""Folders within the cache."""
BLOCK_FRAMES = 48_000
"""Large blocks cost less, as long as their signals fit into the processor's cache; the bits are the same. A minute has
60 of them, so that checkpoints lie on whole minutes.
"""

_FURTHER_FRAMES = frame_at(1.0)
_WORTH_PROCESSES_FRAMES = frame_at(120.0)
"""The levels of so much take longer than the start of processes; our choice."""
PlaybackT = TypeVar("PlaybackT", Playback, Replay)
Taking = Callable[[Playback, Played], None]


def _unheard(playback: Playback, played: Played) -> None:
    """Nobody wants the sound from which levels are taken."""


def sounding_outputs(installation: Installation) -> Mapping[str, Output]:
    """The outputs of the room that the piece uses, in the order of the piece."""
    return {name: installation.room.output[name] for name in installation.piece.outputs}


def caps(installation: Installation) -> Sequence[Cap]:
    """The caps of the room, as they are kept."""
    return installation.room.caps


def open_performance(
    installation: Installation, name: str, cache_folder: Path, progress: Progress = silent
) -> PreparedPerformance:
    """The performance with the channels that the piece reads. Raises ProblemError."""
    if name not in installation.performances:
        what, mend = f'There is no performance "{name}".', nearest(name, installation.performances)
        raise stopping(str(installation.folder / "performances"), what, mend)
    return prepare(installation.performances[name], installation.graph.needs, cache_folder / CHANNELS, progress)


def playback_of(
    installation: Installation, performance: PreparedPerformance, lowering: Lowering | None = None
) -> Playback:
    """The performance at its beginning, with the further attenuation of the plan. Raises ProblemError."""
    playback = Playback(installation.graph, performance, performance.frames, str(installation.folder))
    return lowered(playback, installation, lowering)


def playback_before(
    frame: int, installation: Installation, performance: PreparedPerformance, lowering: Lowering | None, cache: Path
) -> Playback:
    """The performance at the last checkpoint up to a frame, else at its beginning. Raises ProblemError."""
    playback = playback_of(installation, performance, lowering)
    checkpoints_of(installation, performance, cache).advance(playback, frame)
    return playback


def lowered(playback: PlaybackT, installation: Installation, lowering: Lowering | None) -> PlaybackT:
    """The playback with the further attenuation of the plan."""
    if lowering is not None and (lowering.knots_db or lowering.alone_db):
        playback.gains = _gains_of(lowering, installation)
    return playback


def lower_further(playback: Playback, installation: Installation, lowering: Lowering) -> None:
    """Lowers a playback under way to the further attenuation of a later plan, within a second; never raises it."""
    before, after, begins = playback.gains, _gains_of(lowering, installation), playback.position

    def gains(start: int, frames: int) -> Fast:
        now = np.ones((1, frames)) if before is None else before(start, frames)
        share = np.clip((start - begins + np.arange(1, frames + 1)) / _FURTHER_FRAMES, 0.0, 1.0)
        lower: Fast = now + (np.minimum(now, after(start, frames)) - now) * share
        return lower

    playback.gains = gains


def _gains_of(lowering: Lowering, installation: Installation) -> Callable[[int, int], Fast]:
    curve = GainCurve(lowering.knots_db)
    each = np.array([[gain_from_db(lowering.alone_db.get(name, 0.0))] for name in installation.piece.outputs])
    return lambda start, frames: each * curve.gains(start, frames)


def sent_history(installation: Installation, log: LevelLog, now: datetime) -> SentHistory:
    """The energy that was sent before, for the longest window of the room's caps."""
    outputs, every = sounding_outputs(installation), caps(installation)
    longest_s = max([cap.window_s for cap in every] + [output.long_term_s for output in outputs.values()])
    return log.sent_before(now, uptime(), longest_s)


def cap_stage(installation: Installation, history: SentHistory, slice_frames: int = HOP_FRAMES) -> CapStage:
    """The caps of the room, which count what was sent before."""
    return CapStage(sounding_outputs(installation), caps(installation), history, slice_frames=slice_frames)


def steps(playback: Playable, frames: int = BLOCK_FRAMES) -> Iterator[Played]:
    """Steps a playback from its position to its end. Raises ProblemError where a node fails."""
    ended = False
    while not ended:
        try:
            played = playback.step(frames)
        except Exception as error:  # nodes of an artist may raise any error, and other performances continue to play
            logger.exception("A node failed")
            what = f"The graph failed at {seconds(playback.position):.1f} s, or shortly before: {error}."
            raise stopping("piece.toml: node", what, "Correct the node, or the package that it comes from.") from error
        ended = played.ended
        yield played


def level_profile(
    installation: Installation,
    performance: PreparedPerformance,
    cache_folder: Path,
    progress: Progress = silent,
    heard: Taking = _unheard,
) -> LevelProfile:
    """The levels of the whole performance in the room before the cap. Raises ProblemError.

    Those of its outputs come from the cache if known. If they are not known, or there are no checkpoints, the
    performance is rendered, and both are kept: from the last minute on up to which an edit has changed nothing. heard:
    called with each step of that.
    """
    levels = _output_levels(installation, performance, cache_folder, progress, heard)
    return profile_of(levels, sounding_outputs(installation), caps(installation))


def _output_levels(
    installation: Installation,
    performance: PreparedPerformance,
    cache_folder: Path,
    progress: Progress,
    heard: Taking,
) -> OutputLevels:
    path = levels_path(installation, performance.digest, cache_folder)
    kept = checkpoints_of(installation, performance, cache_folder)
    if path.exists() and kept.begun:
        try:
            return OutputLevels.load(path)
        except ProblemError:
            clear(path)  # damaged by a power cut or a bad disk: make it again
    with suppress(OSError):  # without space for them it plays nevertheless
        kept.begin()
    known = _measured(installation, performance, kept, cache_folder, progress, heard)
    try:
        with own_file_beside(path) as making:
            known.save(making)
    except ProblemError as error:
        logger.warning("The levels are not kept, and made again each time: %s", error)
    return known


def _measured(
    installation: Installation,
    performance: PreparedPerformance,
    kept: Checkpoints,
    cache_folder: Path,
    progress: Progress,
    heard: Taking,
) -> OutputLevels:
    marks, outputs = _level_marks(installation, kept, cache_folder), sounding_outputs(installation)
    playback, measuring = playback_of(installation, performance), Measuring(outputs)
    try:
        if (frame := marks.unbroken_to()) and kept.advance(playback, frame):
            going_on = [load(state, {}) for state in marks.every(playback.position)]
            measuring.go_on_from(going_on)
    except Exception as error:  # noqa: BLE001 (after any error, there is the way from the beginning)
        logger.warning("The levels are made from the beginning: %s", error)
        playback, measuring = playback_of(installation, performance), Measuring(outputs)
    for played in steps(playback):
        heard(playback, played)
        measuring.take(played.outputs)
        kept.pass_by(playback)
        if playback.position % EVERY_FRAMES == 0 and playback.position < playback.end:
            marks.keep_whole(playback, dump(measuring.mark(), {}))
        progress("levels", min(played.span.stop, performance.frames), performance.frames)
    return measuring.finished()


def rendered_profile(installation: Installation, playback: Playback, heard: Callable[[Played], None]) -> LevelProfile:
    """The levels of a playback before the cap, from its beginning to its end. heard: called with each of its steps.

    Raises ProblemError where a node fails.
    """

    def watched() -> Iterator[NDArray[np.float64]]:
        for played in steps(playback):
            heard(played)
            yield played.outputs

    return profile(watched(), sounding_outputs(installation), caps(installation))


def profiles_of(
    installation: Installation, names: Sequence[str], cache_folder: Path, progress: Progress = silent
) -> dict[str, LevelProfile]:
    """The levels of some performances, which are prepared if necessary. Raises ProblemError."""
    _make_side_by_side(installation, names, cache_folder, progress)
    return {name: _prepared_profile(installation, name, cache_folder, progress) for name in names}


def plan_programme(
    installation: Installation,
    names: Sequence[str],
    cache_folder: Path,
    progress: Progress = silent,
) -> Plan:
    """The plan for the performances of the hours, in every order that the hours can give.

    names: those that can be played. Raises ProblemError.
    """
    return plan_under(installation, profiles_of(installation, names, cache_folder, progress), caps(installation))


def plan_under(
    installation: Installation,
    profiles: Mapping[str, LevelProfile],
    bounds: Sequence[Cap],
    arc: str | None = None,
) -> Plan:
    """The plan under any caps for the performances of the hours with these profiles.

    arc: replaces that of the piece.
    """
    outputs, programme = sounding_outputs(installation), installation.hours.programme
    longest_s = max((cap.window_s for cap in (*bounds, *protecting_caps(outputs))), default=0.0)
    runs_on_s = max(one.duration_s for one in profiles.values()) if programme.at_closing == "finish" else 0.0
    answers = installation.answers
    order = foreseen(programme, answers.calendar, answers.terms, longest_s, runs_on_s)
    return planned(profiles, order.only(profiles), programme.rest_s, bounds, outputs, arc or installation.piece.arc)


def plan_performance(
    installation: Installation, name: str, cache_folder: Path, progress: Progress = silent, heard: Taking = _unheard
) -> PlannedPerformance:
    """The plan for a performance: within the programme if it belongs to it, else as if it were the only one.

    Others of the programme that cannot be played are left out, as a house leaves them out. heard: called with each step
    of this performance if its levels are not known. Raises ProblemError.
    """
    performance = open_performance(installation, name, cache_folder)
    known = level_profile(installation, performance, cache_folder, progress, heard)
    if name in installation.played:
        there = [one for one in installation.played if one != name and one in installation.performances]
        others = _playable(installation, there, cache_folder, progress)
        return plan_under(installation, {name: known, **others}, caps(installation)).of(name)
    return planned_alone(installation, name, known)


def planned_alone(installation: Installation, name: str, known: LevelProfile) -> PlannedPerformance:
    """The plan for a performance that is the only one of its programme."""
    rest_s = installation.hours.programme.rest_s
    alone = repeated([name], rest_s)
    bounds, outputs = caps(installation), sounding_outputs(installation)
    return planned({name: known}, alone, rest_s, bounds, outputs, installation.piece.arc).of(name)


def _playable(
    installation: Installation, names: Sequence[str], cache_folder: Path, progress: Progress
) -> dict[str, LevelProfile]:
    """The levels of those performances that can be played; why another cannot is reported."""
    profiles: dict[str, LevelProfile] = {}
    _make_side_by_side(installation, names, cache_folder, progress)
    for name in names:
        try:
            profiles[name] = _prepared_profile(installation, name, cache_folder, progress)
        except ProblemError as error:
            logger.warning("The plan leaves %s out. %s", name, error)
    return profiles


def _make_side_by_side(
    installation: Installation, names: Sequence[str], cache_folder: Path, progress: Progress
) -> None:
    """Makes the levels of several performances on all cores, as far as they are not known."""
    if len(names) < 2 or len(os.sched_getaffinity(0)) < 2:
        return
    frames: dict[str, int] = {}
    for name in names:
        with suppress(ProblemError):  # whoever asks for the levels meets it again
            opened = open_performance(installation, name, cache_folder, progress)
            if not levels_path(installation, opened.digest, cache_folder).exists():
                frames[name] = opened.frames
    if len(frames) < 2 or sum(frames.values()) < _WORTH_PROCESSES_FRAMES:
        return
    # Hours are made of functions, which no other process can be given; levels know nothing of them.
    work = partial(_make_levels, replace(installation, answers=None), cache_folder)  # type: ignore[arg-type]
    for done, _ in enumerate(on_cores(work, list(frames), lost=lambda name: None), start=1):
        progress(f"levels of {len(frames)} performances", done, len(frames))


def _make_levels(installation: Installation, cache_folder: Path, name: str) -> None:
    with suppress(ProblemError):
        _prepared_profile(installation, name, cache_folder, silent)


def _prepared_profile(installation: Installation, name: str, cache_folder: Path, progress: Progress) -> LevelProfile:
    opened = open_performance(installation, name, cache_folder, progress)
    return level_profile(installation, opened, cache_folder, progress)


def levels_path(installation: Installation, bag_digest: str, cache_folder: Path) -> Path:
    """The file of the levels of a performance, named by all that they follow from: of the room only band and delay."""
    followed = (residue.__version__, piece_digest(installation), bag_digest)
    key = _digest(_code_digest(), _of_room(installation), *(part.encode() for part in followed))
    return cache_folder / PROFILES / f"{key}.npz"


def _of_room(installation: Installation) -> bytes:
    return followed_from(sounding_outputs(installation))


def _level_marks(installation: Installation, kept: Checkpoints, cache_folder: Path) -> Checkpoints:
    return kept.of_all(cache_folder / PROFILES, _digest(_of_room(installation)))


def checkpoints_of(installation: Installation, performance: PreparedPerformance, cache_folder: Path) -> Checkpoints:
    """The checkpoints of a performance."""
    return _checkpoints(installation, performance.digest, cache_folder, given(installation.graph, performance))


def checkpoint_folders(installation: Installation, bag_digest: str, cache_folder: Path) -> set[Path]:
    """The folders of the checkpoints of a performance."""
    kept = _checkpoints(installation, bag_digest, cache_folder, {})
    return kept.folders | _level_marks(installation, kept, cache_folder).folders


def _checkpoints(installation: Installation, bag_digest: str, cache_folder: Path, held: Given) -> Checkpoints:
    """Named by all sources of the sound and of their format."""
    followed = (residue.__version__, sys.version, np.__version__, bag_digest)
    base = _digest(_code_digest(), *(part.encode() for part in followed))
    return Checkpoints(cache_folder / CHECKPOINTS, base, lineages(installation.graph, installation.folder), held)


def piece_digest(installation: Installation) -> str:
    """SHA-256 of the piece and of the files that it names."""
    files = (_content(installation.folder / file) for file in installation.graph.files)
    return _digest(msgspec.json.encode(installation.piece, order="sorted"), *files)


def room_digest(installation: Installation) -> str:
    """SHA-256 of the room's effect on the sound: the outputs in use, and the caps."""
    room = installation.room
    limits = msgspec.json.encode((room.cap, room.margin_db, room.felt_margin_db))
    return _digest(msgspec.json.encode(sounding_outputs(installation)), limits)


def profile_key(installation: Installation, bag_digest: str) -> str:
    """A key from all sources of the plan of a performance."""
    followed = (residue.__version__, piece_digest(installation), bag_digest, room_digest(installation))
    return _digest(_code_digest(), *(part.encode() for part in followed))


def _digest(*parts: bytes) -> str:
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def _content(path: Path) -> bytes:
    """The digest of a file; empty if it cannot be read, which the preparation reports."""
    try:
        return hashlib.sha256(read_whole(path)).digest()
    except OSError:
        return b""


@cache
def _code_digest() -> bytes:
    """A digest of the code that makes the sound, so that no profile is used with other code."""
    package = Path(residue.__file__).parent
    digest = hashlib.sha256()
    for folder in ("dsp", "mapping", "loudness", "archive"):
        for path in sorted((package / folder).rglob("*.py")):
            digest.update(path.read_bytes())
    return digest.digest()
