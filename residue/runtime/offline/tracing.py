"""Traces signals of the graph over time and writes them as tables, so that an artist can tune a mapping."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from residue.archive.beside import asked_for
from residue.archive.prepared import PreparedPerformance
from residue.installation.load import Installation
from residue.mapping.form import FORM, section_changes
from residue.mapping.playback import Played
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK, Events, Kind, Signal, frame_at, seconds
from residue.mapping.trust import with_trust
from residue.problems import Finding, ProblemError, Severity, nearest
from residue.progress import Progress, silent
from residue.runtime.offline.rendering import Excerpt
from residue.runtime.planning.preparation import playback_before

_STEP_TICKS = 8_000
"""The approximate length of a step, in whole rows."""


@dataclass(frozen=True)
class TracedEvent:
    """One event of a signal."""

    at_s: float
    signal: str
    value: float


@dataclass(frozen=True)
class Trace:
    """Signals over a stretch of a performance.

    times_s: (rows,), in the time of the performance. columns: by name, (rows,); each row is for the time from it to the
    next: for a slow signal its value at the row's own tick, for a fast one its highest magnitude. A signal from a
    reading of the body has its trust beside it. sections: the beginning of each section of the form within the stretch,
    and its name; the end of the last one is "end".
    """

    title: str
    kinds: Mapping[str, Kind]
    times_s: NDArray[np.float64]
    columns: Mapping[str, NDArray[np.float64]]
    events: Sequence[TracedEvent]
    sections: Sequence[tuple[float, str]]


def events_path(out: Path) -> Path:
    """The second table, beside the first."""
    return out.with_name(f"{out.stem}.events{out.suffix}")


def trace(
    installation: Installation,
    performance: PreparedPerformance,
    names: Sequence[str],
    every_s: float,
    excerpt: Excerpt,
    cache: Path,
    progress: Progress = silent,
) -> Trace:
    """Collects signals over an excerpt, a row every `every_s`; the piece runs silently to it from the last checkpoint.

    Raises ProblemError.
    """
    _check_names(installation, names)
    names = with_trust(names, installation.graph.shapes)
    kinds = {name: installation.graph.shapes[name].kind for name in names}
    row_ticks = max(1, round(every_s * CONTROL_RATE_HZ))
    step_frames = row_ticks * max(1, _STEP_TICKS // row_ticks) * FRAMES_PER_TICK
    first = excerpt.start // FRAMES_PER_TICK * FRAMES_PER_TICK
    playback = playback_before(first, installation, performance, None, cache)
    playback.skip_to(
        first,
        lambda frame: progress("way there", frame, max(excerpt.start, 1)),
    )
    begins = playback.position
    rows: dict[str, list[NDArray[np.float64]]] = {name: [] for name in names if kinds[name] is not Kind.EVENTS}
    events: list[TracedEvent] = []
    sections: list[tuple[float, str]] = []
    ended = False
    while not ended and playback.position < (excerpt.stop or playback.end):
        played = playback.step(step_frames)
        ended = played.ended
        for name, found in rows.items():
            found.append(_by_row(played.signals[name], row_ticks))
        events += _happenings(played, [name for name in names if kinds[name] is Kind.EVENTS])
        sections += section_changes(played.signals.get(FORM), installation.piece.section)
        progress("trace", min(played.span.stop, performance.frames), performance.frames)
    stops = min(excerpt.stop or playback.end, playback.end)
    times_s = np.arange(begins, max(begins, stops), row_ticks * FRAMES_PER_TICK) / frame_at(1.0)
    return Trace(
        title=f"{installation.piece.title}, {performance.performance.title}",
        kinds=kinds,
        times_s=times_s,
        columns={name: np.concatenate([*found, np.empty(0)])[: len(times_s)] for name, found in rows.items()},
        events=[one for one in events if one.at_s < seconds(stops)],
        sections=[one for one in sections if one[0] < seconds(stops)],
    )


def write_tables(traced: Trace, out: Path) -> None:
    """Writes the columns into `out`, the events into `events_path(out)`, as CSV. Raises ProblemError."""
    rows = zip(traced.times_s.tolist(), *(column.tolist() for column in traced.columns.values()), strict=True)
    with asked_for(out) as making, making.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["time_s", *traced.columns])
        table.writerows([f"{at_s:.4f}", *(f"{value:.9g}" for value in values)] for at_s, *values in rows)
    with asked_for(events_path(out)) as making, making.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["time_s", "signal", "value"])
        table.writerows([f"{one.at_s:.6f}", one.signal, f"{one.value:.9g}"] for one in traced.events)


def _check_names(installation: Installation, names: Iterable[str]) -> None:
    shapes = installation.graph.shapes
    findings = [
        Finding(Severity.STOPS, "piece.toml: node", f'There is no node "{name}".', nearest(name, shapes))
        for name in names
        if name not in shapes
    ]
    if findings:
        raise ProblemError(findings)


def _by_row(signal: Signal, row_ticks: int) -> NDArray[np.float64]:
    """One value a row; steps are whole rows long, so no row spans two steps."""
    if isinstance(signal, Events):
        raise TypeError("Events have a table of their own")
    if signal.ndim == 1:
        return signal[::row_ticks].copy()
    loudest: NDArray[np.float64] = np.abs(signal).max(axis=0).reshape(-1, row_ticks * FRAMES_PER_TICK).max(axis=1)
    return loudest


def _happenings(played: Played, names: Sequence[str]) -> list[TracedEvent]:
    """The events of all these signals, in the order of time."""
    found = []
    for name in names:
        signal = played.signals[name]
        if isinstance(signal, Events):
            pairs = zip(signal.frames.tolist(), signal.values.tolist(), strict=True)
            found += [TracedEvent(seconds(frame), name, value) for frame, value in pairs]
    return sorted(found, key=lambda one: one.at_s)
