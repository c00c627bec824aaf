"""Puts the parts that play together: engine, player, planner, house and hours, around what is in force."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from residue.dsp.kernel import keep_memory
from residue.installation.load import Installation
from residue.loudness.stage.history import LogLag, SentHistory, assumptions
from residue.mapping.ahead import PlayedAhead
from residue.output.opening import routing_of, sink_opener
from residue.output.returning import ReturningSink
from residue.progress import Progress
from residue.runtime.engine.engine import BLOCK_FRAMES, Engine
from residue.runtime.engine.observers import SentObserver, SpanObserver
from residue.runtime.engine.player import Player
from residue.runtime.engine.show import Show
from residue.runtime.house.keeper import Keeper
from residue.runtime.house.memory import Memory, recalled
from residue.runtime.house.timekeeper import Timekeeper
from residue.runtime.journal.log import LevelLog
from residue.runtime.planning.planner import Planner
from residue.runtime.planning.preparation import (
    cap_stage,
    caps,
    lower_further,
    open_performance,
    playback_before,
    sent_history,
    sounding_outputs,
)
from residue.runtime.system.clock import Clock

AHEAD_BLOCKS = 3
"""0.3 s: less than the buffer of a sink (BUFFER_S), so that a piece that takes all of its time is not late by this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """The device and the folders of a daemon.

    device: replaces the one in room.toml; a path in it starts from the working directory, a path in room.toml from the
    state folder.
    """

    device: str | None
    state: Path
    cache: Path


def show_of(
    in_force: Callable[[], Installation],
    places: Places,
    clock: Clock,
    *,
    before: Memory,
    log: LevelLog,
    log_lags: Callable[[int], LogLag],
    heard: SpanObserver,
    sent: SentObserver,
    happened: Callable[[str, str, str | None], None],
) -> Show:
    """A show that has not begun.

    before: the memory of the house. log: gives the cap stage the levels sent before. log_lags, heard, sent: as for an
    Engine. happened: writes into the event log: kind, text, and who asked.
    """
    planner = Planner(in_force, places.cache, lambda: keeper.due())
    history = sent_history(in_force(), log, clock.now())
    engine = _engine(in_force(), places, history, heard, sent, log_lags)
    player = Player(
        engine,
        planner,
        _opener(in_force, planner, places.cache),
        # A house plays nothing but what its opener gives.
        lowers=lambda lowering, played: lower_further(cast(PlayedAhead, played).playback, in_force(), lowering),
    )
    timekeeper = Timekeeper(in_force, clock, before.last_known)
    house = recalled(before, in_force().hours.programme, clock.monotonic_s())
    keeper = Keeper(
        house,
        lambda: in_force().hours.programme,
        timekeeper,
        clock,
        player,
        happened,
        in_step=in_force().room.in_step is not None,
    )
    assumed = tuple(assumptions(history, (cap.window_s for cap in caps(in_force()) if cap.quantity.windowed)))
    return Show(in_force, clock, clock.monotonic_s(), assumed, timekeeper, planner, engine, player, keeper)


def _engine(
    installation: Installation,
    places: Places,
    history: SentHistory,
    heard: SpanObserver,
    sent: SentObserver,
    log_lags: Callable[[int], LogLag],
) -> Engine:
    outputs = sounding_outputs(installation)
    given, folder = places.device or installation.room.device, Path() if places.device else places.state
    sink = ReturningSink(sink_opener(given, routing_of(outputs), folder, in_step=installation.room.in_step))
    keep_memory(AHEAD_BLOCKS * BLOCK_FRAMES)  # its blocks are shorter than those of a render, and it stays for months
    return Engine(cap_stage(installation, history), sink, len(outputs), heard, log_lags=log_lags, sent=sent)


def _opener(
    in_force: Callable[[], Installation], planner: Planner, cache: Path
) -> Callable[[str, int, Progress], PlayedAhead]:
    def opened(name: str, frame: int, progress: Progress) -> PlayedAhead:
        installation, lowering = in_force(), planner.outcome.lowering.get(name)
        performance = open_performance(installation, name, cache, progress)
        return PlayedAhead(playback_before(frame, installation, performance, lowering, cache), AHEAD_BLOCKS)

    return opened
