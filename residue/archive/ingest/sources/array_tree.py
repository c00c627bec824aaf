"""What a file of named arrays holds: arrays of numbers, lists of names, and rates, however deep they stand."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from residue.archive.ingest.stated import RATE_KEYS, is_rate, plain_key
from residue.dsp.resampling import Floats

_MOST_DEPTH = 20
_MOST_COLUMNS = 1024
_MOST_ARRAYS = 10_000
ArrayPlace = tuple[str, ...]
"""The names that lead to an array."""


@dataclass(frozen=True)
class ArrayColumn:
    """One column of an array, in memory or on the disk; its rows are the longer side."""

    array: Any
    number: int | None
    """None for an array of one dimension."""
    along: int = 0
    """The dimension of the rows."""

    @property
    def length(self) -> int:
        """The length in rows."""
        return int(self.array.shape[self.along])

    def read(self, start: int, stop: int) -> Floats:
        """Rows start, …, stop - 1."""
        rows = slice(start, stop)
        if self.number is None:
            part = self.array[rows]
        else:
            part = self.array[rows, self.number] if self.along == 0 else self.array[self.number, rows]
        return np.asarray(part).astype(np.float64)


@dataclass
class ArrayTree:
    """The contents of a file that matter for a recording."""

    arrays: dict[ArrayPlace, Any] = field(default_factory=dict)
    """Arrays of numbers with one or two dimensions and at least two rows."""
    names: list[Sequence[str]] = field(default_factory=list)
    """Lists of texts, which may name columns."""
    rates: set[float] = field(default_factory=set)
    """Numbers whose name says that they are a rate."""

    def add(self, place: ArrayPlace, value: Any) -> None:
        """Takes a value with everything in it; what cannot be a recording is passed over."""
        if len(place) > _MOST_DEPTH or len(self.arrays) > _MOST_ARRAYS:
            return
        if isinstance(value, Mapping):
            for name, inner in value.items():
                if not str(name).startswith("__"):
                    self.add((*place, str(name)), inner)
        elif _is_names(value):
            self.names.append([str(name) for name in value])
        elif isinstance(value, (list, tuple)) or (isinstance(value, np.ndarray) and value.dtype == object):
            for number, inner in enumerate(value, 1):
                self.add((*place, str(number)), inner)
        elif isinstance(value, np.ndarray) and value.dtype.names:
            for name in value.dtype.names:
                self.add((*place, name), value[name])
        else:
            self._add_numbers(place, value)

    def _add_numbers(self, place: ArrayPlace, value: Any) -> None:
        dtype = getattr(value, "dtype", np.asarray(value).dtype if np.isscalar(value) else None)
        if dtype is None or dtype.kind not in "biuf":
            return
        shape = getattr(value, "shape", ())
        if int(np.prod(shape)) == 1:
            number = float(np.asarray(value).reshape(-1)[0]) if shape else float(value)
            if place and plain_key(place[-1]) in RATE_KEYS and is_rate(number):
                self.rates.add(number)
        elif len(shape) in (1, 2) and max(shape) > 1 and min(shape) > 0:
            self.arrays[place] = value

    def longest(self) -> dict[ArrayPlace, Any]:
        """The arrays with as many rows as the longest has: only these can share a rate."""
        rows = max((max(array.shape) for array in self.arrays.values()), default=0)
        return {place: array for place, array in self.arrays.items() if max(array.shape) == rows}

    def columns(self) -> Iterator[tuple[str, ArrayColumn]]:
        """The columns of the longest arrays, each with its label."""
        found = self.longest()
        for place, array in found.items():
            label = _shortest(place, list(found))
            if len(array.shape) == 1:
                yield label, ArrayColumn(array, None)
                continue
            along = int(np.argmax(array.shape))
            count = array.shape[1 - along]
            if count > _MOST_COLUMNS:
                continue
            names = next((names for names in self.names if len(names) == count > 1), None)
            for number in range(count):
                own = names[number] if names else f"{label} {number + 1}" if count > 1 else label
                yield own, ArrayColumn(array, number, along)


def _shortest(place: ArrayPlace, places: Sequence[ArrayPlace]) -> str:
    """The end of a place that no other place has."""
    for length in range(1, len(place)):
        ending = place[-length:]
        if sum(other[-length:] == ending for other in places) == 1:
            return "/".join(ending)
    return "/".join(place) or "array"


def _is_names(value: Any) -> bool:
    if isinstance(value, np.ndarray) and value.ndim == 1:
        return value.dtype.kind == "U" or (
            value.dtype == object and len(value) > 0 and all(isinstance(one, str) for one in value)
        )
    return isinstance(value, list) and bool(value) and all(isinstance(one, str) for one in value)
