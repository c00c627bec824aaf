"""The same bits on every other Python that this machine has."""

from __future__ import annotations

import sys

import pytest

from tests.mapping.pythons import MINORS, differing, found

pytestmark = pytest.mark.machine


@pytest.mark.timeout(1200)
@pytest.mark.parametrize("minor", [minor for minor in MINORS if minor != sys.version_info.minor])
def test_nodes_and_demos_give_the_same_bits_on(minor: int) -> None:
    pythons = found()
    if minor not in pythons:
        pytest.skip(f"This machine does not have Python 3.{minor}: nothing was compared with it.")
    assert differing(minor, pythons[minor]) == []


def test_there_is_another_python_to_compare_with() -> None:
    assert found()
