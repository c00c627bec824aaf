"""What holds for every test: `pytest --hypothesis-profile many` tries many examples, any other run few."""

from __future__ import annotations

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


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the tests that wait for real time, so that others compute meanwhile; with a fault, the nearest."""
    items.sort(key=lambda item: item.get_closest_marker("real_time") is None)
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
