"""The status: one object for programs, one line for a person."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import ceil, inf
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import residue
from residue.control.asker import asker_in_words
from residue.durations import duration_in_words, place_in_words
from residue.loudness.caps.caps import reached_in_words
from residue.loudness.stage.history import Assumption
from residue.loudness.stage.readings import CapReading, Levels, Reading
from residue.runtime.daemon.disturbances import Disturbances
from residue.runtime.daemon.step_state import StepState
from residue.runtime.engine.snapshot import Snapshot
from residue.runtime.house.house_state import House, hold_ends
from residue.runtime.journal.log import EventRow
from residue.runtime.journal.tallies import sound_level
from residue.runtime.planning.planning import Advance, Outcome
from residue.schedule.opening import Opening
from residue.schedule.spans import local
from residue.schedule.tour import zone_at

_HARDLY_DB = 0.05
"""Gains nearer to 0 dB are not shown."""
LATELY_S = 3_600.0
"""For so long after a late block or a loss of the device the house is not reported as well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """Everything that a status is made of.

    zone: that of the place. next_change: the next opening or closing; None where the hours name none, or where it
    stays open for more than a week. plan: the present result of the planner.
    """

    now: datetime
    folder: Path
    """Of the installation, without symbolic links."""
    piece: str
    place: str
    zone: ZoneInfo
    opening: Opening | None
    next_change: datetime | None
    house: House
    monotonic_s: float
    engine: Snapshot
    disturbances: Disturbances
    started_s: float
    """When the cap stage began, on the monotonic clock."""
    assumed: Sequence[Assumption]
    """The energies that the caps counted as sent when it began, although no row shows them."""
    alarms: Sequence[str]
    events: Iterable[EventRow]
    ears_known: bool
    advance: Advance | None
    plan: Outcome
    memory_bytes: int
    swaps: Sequence[Mapping[str, str | None]] = ()
    """The swaps under way."""
    step: StepState | None = None
    """Whether it is in step with other rooms; None for a room that plays alone."""
    light: Mapping[str, object] | None = None
    """What lamps were told last; None where the room has none."""
    proof: Mapping[str, Any] | None = None
    """What the last proof of the outputs found; None without a microphone."""


def status(known: Known) -> dict[str, Any]:
    """The status, JSON-ready; null where there is no value. Programs rely on the keys."""
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
        "installation": str(known.folder),
        "piece": known.piece,
        "place": known.place,
        "time_zone": zone_at(known.zone, known.now).key,
        "now": _time(known.now, known.zone),
        "open": known.opening is not None,
        "opens": _time(known.next_change, known.zone) if known.opening is None else None,
        "closes": _time(known.next_change, known.zone) if known.opening else None,
        "held_until": _time(hold_ends(known.house, known.now, known.monotonic_s), known.zone),
        "bag": _bag(known),
        "tone": engine.tone,
        "lowered": list(_lowered(known)),
        "in_step": known.step.told if known.step else None,
        "light": known.light,
        "proof": None if known.proof is None else {**known.proof, "at": _time(known.proof["at"], known.zone)},
        "assumed": [
            {
                "window_s": one.window_s,
                "assumed_s": round(one.assumed_s, 1),
                "spared_s": round(one.spared_s, 1),
                "untold_s": round(one.untold_s, 1),
                "audible": one.audible,
                "until": _time(until, known.zone),
            }
            for one, until in _assumed(known)
        ],
    }


def _assumed(known: Known) -> Iterator[tuple[Assumption, datetime]]:
    """The energies that are still assumed, and until when."""
    since_s = known.monotonic_s - known.started_s
    for one in known.assumed:
        if one.left_s > since_s:
            yield one, known.now + timedelta(seconds=one.left_s - since_s)


def _bag(known: Known) -> dict[str, str | None] | None:
    """The bag of the present performance."""
    if (name := known.engine.performance) is None:
        return None
    return {"folder": f"performances/{name}", "sha256": known.plan.digest.get(name)}


def _lowered(known: Known) -> Iterator[dict[str, Any]]:
    """Lists everything that lowers the piece now, by how much, and who asked for it."""
    reading, opening = known.engine.reading, known.opening
    if (plan_db := _plan_gain_db(known)) is not None and plan_db < 0.0:
        yield {"by": "plan", "db": round(plan_db, 1), "who": None}
    if known.house.trim_db < 0.0:
        yield {"by": "trim", "db": round(known.house.trim_db, 1), "who": known.house.trimmed_by}
    if opening is not None and opening.terms.trim_db < 0.0:
        yield {"by": "hours", "db": round(opening.terms.trim_db, 1), "who": opening.why}
    if known.proof is not None and known.proof["lowered_db"] < 0.0:
        yield {"by": "proof", "db": known.proof["lowered_db"], "who": None}
    if reading is not None and reading.governor_db < -_HARDLY_DB:
        yield {"by": "governor", "db": sound_level(reading.governor_db), "who": None}
    if reading is not None and reading.limiter_db < -_HARDLY_DB:
        yield {"by": "limiter", "db": sound_level(reading.limiter_db), "who": None}


def _plan_gain_db(known: Known) -> float | None:
    performance = known.engine.performance
    return None if performance is None else known.plan.gain_db.get(performance)


def attention(known: Known) -> list[str]:
    """Everything that needs attention, one sentence each: faults, and wishes of people."""
    return [*known.alarms, *_wishes(known), *_disturbed(known)]


def faults(known: Known) -> list[str]:
    """The faults among it, of which the notices report."""
    return [*known.alarms, *_disturbed(known)]


def _wishes(known: Known) -> Iterator[str]:
    house = known.house
    if house.held_by is not None:
        yield f"The house is held, as {asker_in_words(house.held_by)} asked. `residue release` ends the hold."
    if house.trim_db < 0.0:
        who = f", as {asker_in_words(house.trimmed_by)} asked" if house.trimmed_by else ""
        yield f"A trim of {house.trim_db:.1f} dB is set{who}. `residue trim 0` ends it."


def _disturbed(known: Known) -> Iterator[str]:
    seen = known.disturbances
    yield from (_assumption_in_words(one, until, known.zone) for one, until in _assumed(known) if one.audible)
    if _lately(seen.last_loss, known.now):
        yield f"The sound device was lost at {_clock(seen.last_loss, known.zone)}. Look at its cable and power."
    if _lately(seen.last_late, known.now):
        last = _clock(seen.last_late, known.zone)
        what = f"Late blocks since the start: {seen.late_blocks}, the last at {last}."
        yield f"{what} The machine is too busy: end what else runs on it."


def _assumption_in_words(one: Assumption, until: datetime, zone: ZoneInfo) -> str:
    window = duration_in_words(one.window_s)
    if one.assumed_s >= one.window_s:
        what = f"What was sent before the start is lost, so caps over {window} count as used up"
    elif one.spared_s > one.assumed_s:
        unseen = duration_in_words(60.0 * ceil(one.spared_s / 60.0))
        what = f"Up to {unseen} before the start have no row, so caps over {window} count half of their limit for them"
    else:
        what = f"{one.assumed_s:.1f} s before the start are not logged, so caps over {window} count the most for them"
    return f"{what}: quieter until {_clock(until, zone)}. Nothing needs to be done."


def _lately(moment: datetime | None, now: datetime) -> bool:
    return moment is not None and (now - moment).total_seconds() < LATELY_S


def _clock(moment: datetime | None, zone: ZoneInfo) -> str:
    return "" if moment is None else f"{local(moment, zone):%H:%M}"


def _time(moment: datetime | None, zone: ZoneInfo) -> str | None:
    return None if moment is None else local(moment, zone).isoformat(timespec="seconds")


def line(known: Known) -> str:
    """State, playhead, health, level now and against each cap."""
    engine, reading = known.engine, known.engine.reading
    parts = [f"{known.house.state}: {known.house.reason}"]
    if engine.performance is not None:
        section = f", {engine.section}" if engine.section else ""
        parts = [f"{known.house.state} {engine.performance} {place_in_words(engine.playhead_s)}{section}"]
    elif known.advance is not None:
        parts.append(f"{known.advance.performance} is made ready, {known.advance.share:.0%}")
    parts.append("; ".join(attention(known)).replace("\n", " ") or "well")
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
        "acceleration_horizontal_ms2": levels.acceleration_horizontal_ms2,
    }


def _cap(cap: CapReading) -> dict[str, Any]:
    level = sound_level(cap.level)
    headroom_db = None if level is None else cap.headroom_db
    return {
        "name": cap.name,
        "level": level,
        "limit": cap.limit,
        "margin_db": cap.margin_db,
        "unit": cap.unit,
        "headroom_db": headroom_db,
    }


def _health(known: Known) -> Mapping[str, Any]:
    engine, reading, seen = known.engine, known.engine.reading, known.disturbances
    needs_attention = attention(known)
    return {
        "ok": not needs_attention,
        "attention": needs_attention,
        "alarms": list(known.alarms),
        "why": known.house.reason,
        "since": _time(known.house.since, known.zone),
        "held_by": known.house.held_by,
        "ears_known": known.ears_known,
        "device_lost": engine.lost,
        "device_losses": engine.losses,
        "last_loss": _time(seen.last_loss, known.zone),
        "late_blocks": engine.late_blocks,
        "last_late": _time(seen.last_late, known.zone),
        "frames": engine.frames,
        "busy": round(engine.busy, 4),
        "plan_gain_db": _plan_gain_db(known),
        "trim_db": known.house.trim_db,
        "trimmed_by": known.house.trimmed_by,
        "governor_gain_db": sound_level(reading.governor_db) if reading else None,
        "limiter_gain_db": reading.limiter_db if reading else None,
        "memory_bytes": known.memory_bytes,
        "planning": known.advance.performance if known.advance else None,
        "planning_share": round(known.advance.share, 3) if known.advance else None,
        "planning_left_s": known.advance.left_s if known.advance else None,
        "planning_number": known.advance.number if known.advance else None,
        "planning_count": known.advance.count if known.advance else None,
        "swaps": list(known.swaps),
        "version": residue.__version__,
    }


def _reached(cap: CapReading) -> str:
    return reached_in_words(cap.level if sound_level(cap.level) is not None else -inf, cap.limit, cap.unit)


def _shown(level: float) -> str:
    return "silence" if sound_level(level) is None else f"{level:.1f}"
