"""A whole performance at a glance: each output before and after the cap, the spectrum, the sections, the body."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from residue.archive.beside import asked_for
from residue.archive.prepared import PreparedPerformance
from residue.dsp.exact import gain_from_db
from residue.installation.load import Installation
from residue.loudness.plan.plan import PlannedPerformance
from residue.loudness.stage.stage import CapStage
from residue.mapping.form import FORM, section_changes
from residue.mapping.graph import Graph
from residue.mapping.signals import AUDIO_RATE_HZ, FRAMES_PER_TICK, Kind, Slow
from residue.progress import Progress, silent
from residue.runtime.planning.preparation import caps, playback_of, sounding_outputs, steps

Floats = NDArray[np.float64]

ROW_FRAMES = 24_000
ROW_S = ROW_FRAMES / AUDIO_RATE_HZ
_STEP_FRAMES = 20 * ROW_FRAMES
LOWEST_DBFS = -120.0
EDGES_HZ: Floats = 20.0 * 2.0 ** (np.arange(58) / 6.0)
"""The edges of bands of a sixth of an octave, from 20 Hz to 14.5 kHz."""
_BINS_HZ = np.fft.rfftfreq(ROW_FRAMES, 1.0 / AUDIO_RATE_HZ)
_WINDOW = np.hanning(ROW_FRAMES)
_MOST_READINGS = 4


@dataclass(frozen=True, kw_only=True)
class PerformanceOverview:
    """A performance in rows of half a second.

    mapped_dbfs, sent_dbfs: by output, (rows,), the RMS before and after the plan and the cap.
    bands_dbfs: (bands, rows), the power of all outputs together as they are sent, between the EDGES_HZ.
    readings: by name, (rows,), the signals from the body that end sections or are sent as a feed.
    sections: when each began and its name; the last is "end".
    """

    title: str
    gain_db: float
    mapped_dbfs: Mapping[str, Floats]
    sent_dbfs: Mapping[str, Floats]
    bands_dbfs: Floats
    readings: Mapping[str, Floats]
    sections: Sequence[tuple[float, str]]

    @property
    def times_s(self) -> Floats:
        """(rows,): the beginning of each row."""
        return np.arange(self.bands_dbfs.shape[1], dtype=np.float64) * ROW_S

    def section_at(self, at_s: float) -> str:
        """The section at a time; empty before the first."""
        return next((name for begins_s, name in reversed(self.sections) if begins_s <= at_s), "")


def overview(
    installation: Installation,
    performance: PreparedPerformance,
    planned: PlannedPerformance,
    progress: Progress = silent,
) -> PerformanceOverview:
    """Renders a performance once, and takes what stands before and after the cap. Raises ProblemError."""
    playback = playback_of(installation, performance, planned.lowering)
    lowering, playback.gains = playback.gains, None  # so that the graph gives what was mapped
    gain = gain_from_db(planned.gain_db)
    stage = CapStage(sounding_outputs(installation), caps(installation))
    outputs = installation.piece.outputs
    mapped, sent = _Rows(len(outputs)), _Rows(len(outputs), stage.latency_frames)
    mapped_powers: list[Floats] = []
    sent_rows: list[tuple[Floats, Floats]] = []
    readings: dict[str, list[Floats]] = {name: [] for name in readings_of(installation.graph)}
    sections: list[tuple[float, str]] = []
    for played in steps(playback, _STEP_FRAMES):
        mapped_powers += map(_powers, mapped.take(played.outputs))
        lowered = played.outputs * gain
        if lowering is not None:
            lowered *= lowering(played.span.start, played.span.frames)
        sent_rows += map(_powers_and_bands, sent.take(stage.process(lowered).frames))
        for name, values in readings.items():
            signal = played.signals.get(name)
            if isinstance(signal, np.ndarray):  # none after the end
                values.append(_row_means(signal))
        sections += section_changes(played.signals.get(FORM), installation.piece.section)
        progress("render", min(playback.position, playback.end), playback.end)
    rest = stage.process(np.zeros((len(outputs), stage.latency_frames))).frames
    sent_rows += map(_powers_and_bands, sent.take(rest))
    rows = min(-(-playback.end // ROW_FRAMES), len(mapped_powers), len(sent_rows))
    sent_powers, bands = zip(*sent_rows[:rows], strict=True)
    return PerformanceOverview(
        title=f"{installation.piece.title}: {performance.performance.title}",
        gain_db=planned.gain_db,
        mapped_dbfs=dict(zip(outputs, _dbfs(np.array(mapped_powers[:rows]).T), strict=True)),
        sent_dbfs=dict(zip(outputs, _dbfs(np.array(sent_powers).T), strict=True)),
        bands_dbfs=_dbfs(np.array(bands).T),
        readings={name: np.concatenate(values)[:rows] for name, values in readings.items() if values},
        sections=[section for section in sections if section[0] <= rows * ROW_S],
    )


def readings_of(graph: Graph) -> list[str]:
    """The slow signals that end sections, and those that are sent as a feed: what the artist thought worth watching."""
    ends = [section.ends.signal for section in graph.piece.section if section.ends is not None]
    fed = [str(feed.input) for feed in graph.feeds.values()]
    slow = [name for name in dict.fromkeys([*ends, *fed]) if graph.shapes[name].kind is Kind.SLOW]
    return slow[:_MOST_READINGS]


def write_table(shown: PerformanceOverview, out: Path) -> None:
    """A CSV: time, section, each output before and after the cap and their difference, the readings.

    Raises ProblemError.
    """
    levels = [f"{name}_{which}" for name in shown.sent_dbfs for which in ("mapped_dbfs", "sent_dbfs", "change_db")]
    with asked_for(out) as making, making.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(["time_s", "section", *levels, *shown.readings])
        for row, at_s in enumerate(shown.times_s.tolist()):
            line = [f"{at_s:.1f}", shown.section_at(at_s)]
            for name, sent in shown.sent_dbfs.items():
                was, now = shown.mapped_dbfs[name][row], sent[row]
                line += [f"{was:.2f}", f"{now:.2f}", f"{now - was:.2f}"]
            table.writerow([*line, *(f"{values[row]:.6g}" for values in shown.readings.values())])


def _row_means(signal: Slow) -> Floats:
    """(rows,) over whole rows."""
    means: Floats = signal.reshape(-1, ROW_FRAMES // FRAMES_PER_TICK).mean(axis=1)
    return means


class _Rows:
    """Cuts blocks of any length into rows of ROW_FRAMES, after a latency."""

    def __init__(self, outputs: int, latency_frames: int = 0) -> None:
        self._late = latency_frames
        self._rest: Floats = np.empty((outputs, 0))

    def take(self, block: Floats) -> Iterator[Floats]:
        """The rows that a block completes, (outputs, ROW_FRAMES) each."""
        skipped = min(self._late, block.shape[1])
        self._late -= skipped
        block = np.concatenate([self._rest, block[:, skipped:]], axis=1)
        whole = block.shape[1] // ROW_FRAMES * ROW_FRAMES
        self._rest = block[:, whole:].copy()
        for start in range(0, whole, ROW_FRAMES):
            yield block[:, start : start + ROW_FRAMES]


def _powers(row: Floats) -> Floats:
    """(outputs,): the mean square of each output."""
    powers: Floats = (row**2).mean(axis=1)
    return powers


def _powers_and_bands(row: Floats) -> tuple[Floats, Floats]:
    return _powers(row), _band_powers(row)


def _band_powers(row: Floats) -> Floats:
    """(bands,): the power between neighbouring EDGES_HZ, summed over the outputs; row: (outputs, ROW_FRAMES)."""
    spectrum = np.abs(np.fft.rfft(row * _WINDOW, axis=1)) ** 2
    power = 2.0 * spectrum.sum(axis=0) / (ROW_FRAMES * (_WINDOW**2).sum())
    below = np.interp(EDGES_HZ, _BINS_HZ, np.cumsum(power))
    bands: Floats = np.diff(below)
    return bands


def _dbfs(powers: Floats) -> Floats:
    levels: Floats = 10.0 * np.log10(np.maximum(powers, 10.0 ** (LOWEST_DBFS / 10.0)))
    return levels
