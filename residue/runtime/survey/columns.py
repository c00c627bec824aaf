"""The columns of a survey's table: name, type, meaning, and the value of a row."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial

from residue.durations import place_in_words
from residue.mapping.graph import Graph
from residue.mapping.signals import EVENTS
from residue.runtime.survey.row import SurveyedPerformance

Cell = str | float | int | bool | None
ColumnType = type[str] | type[float] | type[int] | type[bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyColumn:
    """One column. type: that of its values where they are not None. head: its heading for people; else not shown."""

    name: str
    type: ColumnType
    says: str
    of: Callable[[SurveyedPerformance], Cell]
    head: str = ""

    def figures(self, rows: Iterable[SurveyedPerformance]) -> list[tuple[float, str]]:
        """Its values, from the least on, each with the name of the performance."""
        values = ((self.of(row), row.name) for row in rows)
        return sorted((float(value), name) for value, name in values if value is not None)

    def in_words(self, value: float | None) -> str:
        """A value for people: minutes and seconds, or a figure."""
        if value is None:
            return "–"
        if self.name.endswith("_s"):
            return place_in_words(value)
        return f"{value:.{self.digits}f}"

    @property
    def digits(self) -> int:
        """The decimals that a person needs of its values."""
        return 0 if self.type is int else 2 if self.name.endswith(("_trust", "_mean")) else 1


_SAME_FOR_ALL: tuple[tuple[str, ColumnType, str], ...] = (
    ("name", str, "the performance, by the folder of its bag"),
    ("playable", bool, "whether it could be played to its end"),
    ("problems", str, "why not, and what to do"),
    ("intact", bool, "whether its bag is complete and unchanged"),
    ("fits", bool, "whether it has the channels that the piece reads"),
    ("notes", str, "what was bridged, what ends early"),
    ("title", str, "the title of the evening"),
    ("recorded", str, "the time of its first frame"),
    ("consent", bool, "whether the performer's consent is written down"),
    ("shown_from", str, "the first day on which it may be shown"),
    ("shown_until", str, "the last day on which it may be shown"),
    ("bag_sha256", str, "the digest of the bag; the same recording has the same"),
    ("recorded_s", float, "the length of the recording"),
    ("plays_s", float, "the length of the piece with it"),
    ("plan_gain_db", float, "the gain at which it keeps every cap, played alone, again and again"),
    ("plan", str, "the plan in words"),
    ("integrated_lufs", float, "integrated loudness, before plan and cap, as are all levels"),
    ("loudness_range_lu", float, "loudness range"),
    ("short_term_max_lufs", float, "the loudest 3 s"),
    ("true_peak_dbtp", float, "the highest true peak of any output"),
    ("laeq_dbfs", float, "mean level with A weighting"),
    ("lceq_dbfs", float, "mean level with C weighting"),
)


def columns(graph: Graph) -> list[SurveyColumn]:
    """All columns under a piece: those of every piece, its sections, and what it reads of the body."""
    return [*map(_same, _SAME_FOR_ALL), *_sections(graph), *_readings(graph)]


_HEADS = {
    "plays_s": "length, min:s",
    "plan_gain_db": "plan, dB",
    "integrated_lufs": "loudness, LUFS",
    "loudness_range_lu": "range, LU",
    "true_peak_dbtp": "true peak, dBTP",
}


def _same(described: tuple[str, ColumnType, str]) -> SurveyColumn:
    name, kind, says = described

    def value(row: SurveyedPerformance) -> Cell:
        found: Cell = getattr(row, name)
        return found if found != "" else None

    return SurveyColumn(name=name, type=kind, says=says, of=value, head=_HEADS.get(name, ""))


def _sections(graph: Graph) -> Iterator[SurveyColumn]:
    for number, section in enumerate(graph.piece.section):
        word = re.sub(r"\W+", "_", section.name).strip("_")
        yield SurveyColumn(
            name=f"section_{number + 1}_{word}_s",
            type=float,
            says=f'the length of the section "{section.name}"',
            of=partial(_length_s, number),
            head=f"{section.name}, min:s",
        )


def _length_s(number: int, row: SurveyedPerformance) -> float | None:
    return row.section_s[number] if number < len(row.section_s) else None


def _readings(graph: Graph) -> Iterator[SurveyColumn]:
    for name in graph.body:
        yield _of_reading(name, "trust", float, says=f"the mean trust of {name}, 0 to 1")
        if graph.shapes[name] == EVENTS:
            yield _of_reading(name, "events", int, says=f"the number of events that {name} gave")
        else:
            yield _of_reading(name, "mean", float, says=f"the mean of {name} where it is trusted")


def _of_reading(name: str, figure: str, kind: ColumnType, *, says: str) -> SurveyColumn:
    of = partial(_reading, name, figure)
    return SurveyColumn(name=f"{name}_{figure}", type=kind, says=says, of=of, head=f"{name}, {figure}")


def _reading(name: str, figure: str, row: SurveyedPerformance) -> float | int | None:
    found: float | int | None = getattr(row.reading.get(name), figure, None)
    return found
