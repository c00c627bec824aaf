"""What nodes of the graph give over time, as tables: how an artist tunes a mapping."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TextIO

import numpy as np
from numpy.typing import NDArray

from residue.archive.prepared import PreparedPerformance
from residue.installation.load import Installation
from residue.mapping.playback import Played
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK, Events, Kind, Signal, seconds
from residue.problems import Finding, ProblemError, Severity, nearest, stopping
from residue.progress import Progress, silent
from residue.runtime.preparation import playback_of, steps

_STEP_TICKS = 512


def events_path(out: Path) -> Path:
    """The second table, beside the first."""
    return out.with_name(f"{out.stem}.events{out.suffix}")


def trace(
    installation: Installation,
    performance: PreparedPerformance,
    names: Sequence[str],
    out: Path,
    every_s: float,
    progress: Progress = silent,
) -> tuple[int, int]:
    """Write the signals into `out`, one column each, and the events into `events_path(out)`, one row each.

    Each row stands for the time from it to the next: a slow signal is told by its value at the row's own tick, a
    fast one by its highest magnitude. Returns how many rows and how many events were written. Raises ProblemError.
    """
    _check_names(installation, names)
    kinds = {name: installation.graph.shapes[name].kind for name in names}
    columns = [name for name in names if kinds[name] is not Kind.EVENTS]
    happenings = [name for name in names if kinds[name] is Kind.EVENTS]
    row_ticks = max(1, round(every_s * CONTROL_RATE_HZ))
    playback = playback_of(installation, performance)
    rows = events = 0
    try:
        with ExitStack() as files:
            table, event_table = (csv.writer(files.enter_context(_new(path))) for path in (out, events_path(out)))
            table.writerow(["time_s", *columns])
            event_table.writerow(["time_s", "signal", "value"])
            for played in steps(playback, row_ticks * max(1, _STEP_TICKS // row_ticks) * FRAMES_PER_TICK):
                new_rows = list(_rows(played, columns, row_ticks))
                new_events = list(_happenings(played, happenings))
                table.writerows(new_rows)
                event_table.writerows(new_events)
                rows, events = rows + len(new_rows), events + len(new_events)
                progress("trace", min(played.span.stop, performance.frames), performance.frames)
    except OSError as error:
        mend = "Name a file in a folder that exists and may be written to."
        raise stopping(str(out), f"It cannot be written: {error.strerror}.", mend) from error
    return rows, events


def _new(path: Path) -> TextIO:
    return path.open("w", newline="", encoding="utf-8")


def _check_names(installation: Installation, names: Iterable[str]) -> None:
    shapes = installation.graph.shapes
    findings = [
        Finding(Severity.STOPS, "piece.toml: node", f'There is no node "{name}".', nearest(name, shapes))
        for name in names
        if name not in shapes
    ]
    if findings:
        raise ProblemError(findings)


def _rows(played: Played, columns: Sequence[str], row_ticks: int) -> Iterable[list[str]]:
    """Rows of text; steps are whole rows long, so no row reaches over a step."""
    values = [_by_row(played.signals[name], row_ticks) for name in columns]
    ticks = range(played.span.first_tick, played.span.last_tick, row_ticks)
    for row, tick in enumerate(ticks):
        yield [f"{tick / CONTROL_RATE_HZ:.4f}", *(f"{column[row]:.9g}" for column in values)]


def _by_row(signal: Signal, row_ticks: int) -> NDArray[np.float64]:
    if isinstance(signal, Events):
        raise TypeError("Events have a table of their own")
    if signal.ndim == 1:
        return signal[::row_ticks]
    loudest: NDArray[np.float64] = np.abs(signal).max(axis=0).reshape(-1, row_ticks * FRAMES_PER_TICK).max(axis=1)
    return loudest


def _happenings(played: Played, names: Sequence[str]) -> Iterable[list[str]]:
    """The events of all the signals named, in the order of time."""
    found = []
    for name in names:
        signal = played.signals[name]
        if isinstance(signal, Events):
            found += [(int(frame), name, value) for frame, value in zip(signal.frames, signal.values, strict=True)]
    return ([f"{seconds(frame):.6f}", name, f"{value:.9g}"] for frame, name, value in sorted(found))
