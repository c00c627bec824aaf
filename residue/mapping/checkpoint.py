"""The state of a playback in bytes, from which another process goes on to the bit.

Steps are closures over plain objects and arrays. Pickle can keep objects and arrays, but not a function within a
function. Such a function is kept here as its place in our code, with the variables of its closure. The graph and the
channels are not kept: the reader gives them again. The bytes can be read only by the same version of residue and its
libraries; the owner of the file checks that.
"""

from __future__ import annotations

import io
import logging
import pickle
import sys
from collections.abc import Mapping, Sequence
from enum import Enum
from functools import reduce
from inspect import unwrap
from types import CellType, CodeType, FunctionType
from typing import Any, cast

from residue.mapping.form import FORM
from residue.mapping.graph import Graph
from residue.mapping.node import Source
from residue.mapping.playback import PlaybackState

logger = logging.getLogger(__name__)

_WITHIN = ".<locals>"
_PACKAGES = frozenset({"residue", "numpy", "collections", "msgspec"})
"""Only code of these packages is kept, or looked up when bytes are read."""


Given = Mapping[tuple[str, str], object]
"""Objects that both sides have, by name."""


def given(graph: Graph, source: Source) -> Given:
    """The objects that both sides have for a playback: its graph with the nodes, and the channels."""
    readers: dict[tuple[str, str], object] = {
        (str(kind), name): source.channel(name, kind) for name, kinds in graph.needs.items() for kind in kinds
    }
    return {("graph", ""): graph, **{("node", name): node for name, node in graph.nodes.items()}, **readers}


def dump(thing: object, given: Given) -> bytes:
    """Keeps a playback, or one step, as bytes.

    Raises pickle.PicklingError, TypeError or AttributeError where that is not possible.
    """
    file = io.BytesIO()
    _Pickler(file, given).dump(thing)
    return file.getvalue()


def dump_nodes(state: PlaybackState, given: Given) -> dict[str, bytes]:
    """Keeps the step of each node, and the form, each by itself. A node that cannot be kept is left out.

    No two steps share anything but what is given, so that each may go on without the others.
    """
    kept = {}
    for name, thing in {FORM: state.form, **state.steps}.items():
        try:
            kept[name] = dump(thing, given)
        except (pickle.PicklingError, TypeError, AttributeError) as error:
            logger.debug("The state of %s cannot be kept: %s", name, error)
    return kept


def load_nodes(
    position: int, states: Mapping[str, bytes], given: Given, since: Mapping[str, int] | None = None
) -> PlaybackState:
    """The state of a playback from those nodes that were kept. May raise anything, as `load` does."""
    steps = {name: load(state, given) for name, state in states.items()}
    return PlaybackState(position, steps.pop(FORM, None), steps, since or {})


def load(state: bytes, given: Given) -> Any:
    """Restores a dumped playback. May raise anything where the bytes are not of this version."""
    return _Unpickler(io.BytesIO(state), given).load()


class _Pickler(pickle.Pickler):
    def __init__(self, file: io.BytesIO, given: Given) -> None:
        super().__init__(file, pickle.HIGHEST_PROTOCOL)
        self._names = {id(thing): name for name, thing in given.items()}

    def persistent_id(self, thing: object) -> tuple[str, str] | None:
        return self._names.get(id(thing))

    def reducer_override(self, thing: object) -> Any:
        home = str(getattr(thing, "__module__", None) or type(thing).__module__)
        if home.partition(".")[0] not in {*_PACKAGES, "builtins"}:
            raise pickle.PicklingError(f"{home} may change without our version changing")
        if isinstance(thing, FunctionType) and _WITHIN in thing.__qualname__:
            owner = thing.__qualname__.partition(_WITHIN)[0]
            place = _place(thing.__code__, _code_of(thing.__module__, owner))
            arguments = (thing.__module__, owner, place, thing.__defaults__, thing.__closure__)
            return _function, arguments
        if isinstance(thing, Enum):  # pickle would have it looked up by a function of Python
            return type(thing), (thing.value,)
        if isinstance(thing, CellType):
            return _cell, (), (thing.cell_contents,), None, None, _fill
        return NotImplemented


class _Unpickler(pickle.Unpickler):
    def __init__(self, file: io.BytesIO, given: Given) -> None:
        super().__init__(file)
        self._given = given

    def persistent_load(self, name: tuple[str, str]) -> object:
        return self._given[name]

    def find_class(self, module: str, name: str) -> object:
        if module.partition(".")[0] in _PACKAGES:
            return super().find_class(module, name)
        raise pickle.UnpicklingError(f"{module}.{name} has no place in a checkpoint")


def _code_of(module: str, owner: str) -> CodeType:
    """The code of a function or of a method, which must be in a module."""
    return cast(CodeType, unwrap(reduce(getattr, owner.split("."), cast(Any, sys.modules[module]))).__code__)


def _place(wanted: CodeType, within: CodeType) -> tuple[int, ...]:
    """The place of a function in our code: which constant it is of the code around it, from the outermost on."""
    for number, constant in enumerate(within.co_consts):
        if constant is wanted:
            return (number,)
        if isinstance(constant, CodeType) and (deeper := _place(wanted, constant)):
            return (number, *deeper)
    return ()


def _function(
    module: str, owner: str, place: Sequence[int], defaults: tuple[Any, ...] | None, cells: tuple[CellType, ...] | None
) -> FunctionType:
    code = _code_of(module, owner)
    for number in place:
        code = cast(CodeType, code.co_consts[number])
    return FunctionType(code, vars(sys.modules[module]), None, defaults, cells)


def _cell() -> CellType:
    return CellType()


def _fill(cell: CellType, contents: tuple[object]) -> None:
    (cell.cell_contents,) = contents
