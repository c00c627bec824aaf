"""What every test of swapping begins with."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.archive.swap.evenings import evenings


@pytest.fixture
def both(tmp_path: Path) -> tuple[Path, Path]:
    return evenings(tmp_path)


@pytest.fixture
def performances(both: tuple[Path, Path]) -> Path:
    """Of the installation, with one bag."""
    return both[0]


@pytest.fixture
def stick(both: tuple[Path, Path]) -> Path:
    """Another bag, outside."""
    return both[1]
