"""A daemon whose programme is planned, so that a machine test meets what it is about at once."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.runtime.asking import until
from tests.runtime.running import Daemon

PLANNED_WITHIN_S = 600.0


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cache that holds the whole programme, as after a first evening; it goes by content, not by place."""
    before = Daemon(tmp_path_factory.mktemp("before"))
    before.start("--device", "silent")
    until(
        before.port,
        lambda told: told["house"] == "playing" and told["health"]["planning"] is None,
        PLANNED_WITHIN_S,
    )
    before.end()
    return before.cache


@pytest.fixture
def daemon(tmp_path: Path, prepared: Path) -> Iterator[Daemon]:
    """One that the test starts, and that ends with it; it has nothing to plan."""
    one = Daemon(tmp_path)
    shutil.copytree(prepared, one.cache)
    yield one
    one.end()
