"""The status: one object for programs, one line for a person."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Any

import residue
from residue.loudness.caps.caps import reached_in_words
from residue.loudness.stage.readings import CapReading, Levels, Reading
from residue.runtime.engine.engine import Snapshot
from residue.runtime.house.house_state import House
from residue.runtime.journal.log import EventRow
from residue.runtime.journal.tallies import sound_level
from residue.runtime.planning.planning import Advance


@dataclass(frozen=True, slots=True)
class Known:
    """All that a status is made of."""

    house: House
    engine: Snapshot
    alarms: Sequence[str]
    events: Iterable[EventRow]
    ears_known: bool
    advance: Advance | None
    plan_gain_db: float | None
    memory_bytes: int
    swaps: Sequence[Mapping[str, str | None]] = ()
    """Performances on their way into others' places."""


def status(known: Known) -> dict[str, Any]:
    """JSON-ready; null where there is nothing. The keys are what programs rely on."""
    engine, reading = known.engine, known.engine.reading
    under_way = engine.performance is not None
    return {
        "house": str(known.house.state),
        "performance": engine.performance,
        "playhead_s": round(engine.playhead_s, 2) if under_way else None,
        "section": engine.section if under_way else None,
        "readings": {name: {"value": one.value, "trust": round(one.trust, 3)} for name, one in engine.readings.items()}
        if under_way
        else {},
        "levels": _levels(reading) if reading else None,
        "caps": [_cap(cap) for cap in reading.caps] if reading else [],
        "health": _health(known),
        "events": [
            {"time": event.utc, "kind": event.kind, "text": event.text, "sender": event.sender}
            for event in known.events
        ],
    }


def line(known: Known) -> str:
    """State, playhead, health, level now and against each cap."""
    engine, reading = known.engine, known.engine.reading
    parts = [f"{known.house.state}: {known.house.reason}"]
    if engine.performance is not None:
        minutes, seconds = divmod(int(engine.playhead_s), 60)
        section = f", {engine.section}" if engine.section else ""
        parts = [f"{known.house.state} {engine.performance} {minutes:02}:{seconds:02}{section}"]
    elif known.advance is not None:
        parts.append(f"{known.advance.what} of {known.advance.performance} {known.advance.share:.0%}")
    parts.append("; ".join(known.alarms).replace("\n", " ") or "well")
    if reading is not None:
        unit = "dB" if reading.place.physical else "dBFS"
        parts.append(f"A {_shown(reading.place.a)} C {_shown(reading.place.c)} {unit}")
        parts += [f"{cap.name} {_reached(cap)}" for cap in reading.caps]
    return " | ".join(parts)


def _levels(reading: Reading) -> dict[str, Any]:
    return {
        "place": _level(reading.place),
        "outputs": {name: _level(level) for name, level in reading.outputs.items()},
    }


def _level(levels: Levels) -> dict[str, Any]:
    return {
        "la_db": sound_level(levels.a),
        "lc_db": sound_level(levels.c),
        "lz_db": sound_level(levels.z),
        "lg_db": sound_level(levels.g),
        "laf_db": sound_level(levels.a_fast),
        "las_db": sound_level(levels.a_slow),
        "lc_peak_db": sound_level(levels.c_peak),
        "unit": "dB re 20 uPa" if levels.physical else "dBFS",
        "true_peak_dbtp": sound_level(levels.true_peak),
        "momentary_lufs": sound_level(levels.momentary_lufs),
        "short_term_lufs": sound_level(levels.short_term_lufs),
        "integrated_lufs": levels.integrated_lufs,
        "loudness_range_lu": levels.loudness_range_lu,
        "acceleration_ms2": levels.acceleration_ms2,
    }


def _cap(cap: CapReading) -> dict[str, Any]:
    level = sound_level(cap.level)
    headroom_db = None if level is None else cap.headroom_db
    return {"name": cap.name, "level": level, "limit": cap.limit, "unit": cap.unit, "headroom_db": headroom_db}


def _health(known: Known) -> Mapping[str, Any]:
    engine, reading = known.engine, known.engine.reading
    return {
        "ok": not known.alarms,
        "alarms": list(known.alarms),
        "why": known.house.reason,
        "since": known.house.since.isoformat() if known.house.since else None,
        "held_by": known.house.held_by,
        "ears_known": known.ears_known,
        "device_lost": engine.lost,
        "device_losses": engine.losses,
        "late_blocks": engine.late_blocks,
        "frames": engine.frames,
        "busy": round(engine.busy, 4),
        "plan_gain_db": known.plan_gain_db,
        "trim_db": known.house.trim_db,
        "governor_gain_db": sound_level(reading.governor_db) if reading else None,
        "limiter_gain_db": reading.limiter_db if reading else None,
        "memory_bytes": known.memory_bytes,
        "planning": known.advance.performance if known.advance else None,
        "swaps": list(known.swaps),
        "version": residue.__version__,
    }


def _reached(cap: CapReading) -> str:
    return reached_in_words(cap.level if sound_level(cap.level) is not None else -inf, cap.limit, cap.unit)


def _shown(level: float) -> str:
    return "silence" if sound_level(level) is None else f"{level:.1f}"
