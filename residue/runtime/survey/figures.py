"""What a survey takes from a playback while it is rendered once: loudness, sections, and readings of the body."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from residue.loudness.meters.measure import GrainMeter, Measurement, measurement_of
from residue.mapping.form import FORM, section_changes
from residue.mapping.graph import Graph
from residue.mapping.playback import Playback, Played
from residue.mapping.signals import AUDIO_RATE_HZ, FRAMES_PER_TICK, Events, seconds
from residue.mapping.trust import DOUBTFUL, trust_of
from residue.runtime.survey.row import SurveyedReading, rounded

_MEAN_DIGITS = 4


class PlaybackFigures:
    """Takes each step of a playback from its beginning to its end."""

    def __init__(self, graph: Graph, playback: Playback) -> None:
        self._graph, self._playback = graph, playback
        self._meter = GrainMeter(AUDIO_RATE_HZ, len(graph.piece.outputs))
        self._sections: list[tuple[float, str]] = []
        self._sums = {name: _Sums() for name in graph.body}

    def __call__(self, played: Played) -> None:
        """Takes the next step."""
        frames = max(0, self._playback.end - played.span.start)  # the last step extends beyond the end
        heard = played.outputs[:, :frames]
        self._meter(np.where(np.isfinite(heard), heard, 0.0))
        self._sections += section_changes(played.signals.get(FORM), self._graph.piece.section)
        ticks = max(0, -(-self._playback.end // FRAMES_PER_TICK) - played.span.first_tick)
        for name, sums in self._sums.items():
            if (trust := played.signals.get(trust_of(name))) is not None and not isinstance(trust, Events):
                sums.add(played.signals[name], trust[:ticks], self._playback.end)

    @property
    def measurement(self) -> Measurement:
        """Loudness and levels of all that was taken."""
        return measurement_of(self._meter.grains())

    @property
    def section_s(self) -> list[float | None]:
        """The length of each section of the piece; the last one lasts until it ended, or to the end of the playback."""
        begins_s = [at_s for at_s, _ in self._sections]
        lengths = [later - earlier for earlier, later in pairwise([*begins_s, seconds(self._playback.end)])]
        reached = [rounded(length_s, 3) for length_s in lengths[: len(self._graph.piece.section)]]
        return [*reached, *[None] * (len(self._graph.piece.section) - len(reached))]

    @property
    def readings(self) -> dict[str, SurveyedReading]:
        """By node that reads the body."""
        return {name: sums.reading() for name, sums in self._sums.items()}


class _Sums:
    """Sums over the ticks of one reading."""

    def __init__(self) -> None:
        self._ticks, self._trusted, self._events = 0, 0, 0
        self._trust, self._value = 0.0, 0.0
        self._of_events = False

    def add(self, signal: object, trust: np.ndarray, end_frame: int) -> None:
        self._ticks += len(trust)
        self._trust += float(np.add.reduce(trust))
        if isinstance(signal, Events):
            self._of_events = True
            self._events += int(np.count_nonzero(signal.frames < end_frame))
        elif isinstance(signal, np.ndarray):
            trusted = trust >= DOUBTFUL
            self._trusted += int(np.count_nonzero(trusted))
            self._value += float(np.add.reduce(np.where(trusted, signal[: len(trust)], 0.0)))

    def reading(self) -> SurveyedReading:
        mean = self._value / self._trusted if self._trusted else None
        return SurveyedReading(
            trust=round(self._trust / max(1, self._ticks), 3),
            mean=rounded(mean, _MEAN_DIGITS),
            events=self._events if self._of_events else None,
        )
