"""What holds for every test: `pytest --hypothesis-profile many` tries many examples, any other run few."""

from __future__ import annotations

import pytest
from hypothesis import settings

from tests.mutants import module_under_test, that_look_for_it
from tests.properties import QUICK

settings.load_profile(QUICK)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the tests that wait for real time, so that others compute meanwhile; with a fault, the nearest."""
    items.sort(key=lambda item: item.get_closest_marker("real_time") is None)
    if (module := module_under_test()) is not None:
        items[:] = that_look_for_it(items, module)
