"""Gathers the vital signs of everything that runs, for the watchdog."""

from __future__ import annotations

from collections import deque

from residue.mapping.signals import AUDIO_RATE_HZ
from residue.runtime.engine.snapshot import Snapshot
from residue.runtime.house.house_state import MAY_SOUND, State
from residue.runtime.planning.planning import Outcome
from residue.watchdog.machine import Conditions
from residue.watchdog.vitals import Vitals

PACE_S = 20.0
"""Because of the buffer of a device, the pace over one second is uncertain by half; over twenty by a fiftieth."""


class DevicePace:
    """The frames that a device takes, divided by those it should take, over the last PACE_S without a loss or a gap."""

    def __init__(self) -> None:
        self._seen: deque[tuple[float, int]] = deque()
        self._troubles: tuple[object, ...] = ()

    def look(self, monotonic_s: float, engine: Snapshot) -> float | None:
        """The pace; None while it is not known."""
        troubles = (engine.lost, engine.losses, engine.late_blocks)
        if troubles != self._troubles:
            self._seen.clear()
            self._troubles = troubles
        self._seen.append((monotonic_s, engine.frames))
        while len(self._seen) > 1 and self._seen[1][0] <= monotonic_s - PACE_S:
            self._seen.popleft()
        since_s, since_frames = self._seen[0]
        if engine.lost is not None or monotonic_s - since_s < PACE_S:
            return None
        return (engine.frames - since_frames) / ((monotonic_s - since_s) * AUDIO_RATE_HZ)


def vitals(
    *,
    monotonic_s: float,
    engine: Snapshot,
    pace: float | None,
    start_still_s: float,
    house: State,
    outcome: Outcome,
    planning_trouble: str | None,
    log_trouble: str | None,
    assumed: bool,
    too_often: int,
    clock_doubt: str | None,
    machine: Conditions,
) -> Vitals:
    """All vital signs at present."""
    reading = engine.reading
    return Vitals(
        monotonic_s=monotonic_s,
        frames=engine.frames,
        late_blocks=engine.late_blocks,
        lost=engine.lost,
        device_wrong=engine.device_wrong,
        pace=pace,
        closed=house is State.CLOSED,
        may_sound=house in MAY_SOUND or engine.tone,
        asked_peak=engine.asked_peak,
        sent_peak=engine.sent_peak,
        direct_current=engine.direct_current,
        start_still_s=start_still_s,
        stuck_at=engine.stuck_at,
        governor_db=reading.governor_db if reading else 0.0,
        assumed=assumed,
        cut_hops=reading.cut_hops if reading else 0,
        muted_frames=reading.muted_frames if reading else 0,
        failures=sum(failure.times for failure in engine.failures.values()),
        unplayable=len(outcome.unplayable),
        planned=planning_trouble is None,
        log_trouble=log_trouble,
        disk_free_share=machine.disk_free_share,
        memory_bytes=machine.memory_bytes,
        too_often=too_often,
        clock_doubt=clock_doubt,
        temperature_c=machine.temperature_c,
        throttled=machine.throttled,
    )
