"""What holds for every test: `pytest --hypothesis-profile many` tries many examples, any other run few."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import settings

from tests.mutants import module_under_test, that_look_for_it
from tests.properties import QUICK
from tests.runtime.running import Daemon

settings.load_profile(QUICK)


LAST_WAITING = 0.8
"""The last file that waits for real time begins after so large a part of them: none is left alone at the end."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Spread the files that wait for real time among those that compute; with a fault, begin with the nearest."""
    files: dict[Path, list[pytest.Item]] = defaultdict(list)
    for item in items:
        files[item.path].append(item)
    waiting = [of for of in files.values() if any(item.get_closest_marker("real_time") for item in of)]
    computing = [of for of in files.values() if of not in waiting]
    places = [(LAST_WAITING * at / len(waiting), of) for at, of in enumerate(waiting)]
    places += [(at / len(computing), of) for at, of in enumerate(computing)]
    items[:] = [item for _, of in sorted(places, key=lambda placed: placed[0]) for item in of]
    if (module := module_under_test()) is not None:
        items[:] = that_look_for_it(items, module)


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    """One that the test starts, and that ends with it."""
    one = Daemon(tmp_path)
    yield one
    one.end()


_DRAWN_AT_IMPORT: dict[str, Mapping[str, Any]] = {}
"""By module: the state of its RANDOM after the module was imported."""


@pytest.fixture(autouse=True)
def _same_numbers_in_any_order(request: pytest.FixtureRequest) -> None:
    """A module's RANDOM begins anew with each of its tests, so that no test draws what the order leaves to it."""
    drawn = getattr(request.module, "RANDOM", None)
    if isinstance(drawn, np.random.Generator):
        drawn.bit_generator.state = _DRAWN_AT_IMPORT.setdefault(request.module.__name__, drawn.bit_generator.state)
