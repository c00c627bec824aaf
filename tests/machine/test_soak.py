"""A minute on a real sound server with every processor loaded; `python -m tests.bench.soak` runs for longer."""

from __future__ import annotations

import pytest

from tests.bench.soak import soak
from tests.runtime.running import free_port

pytestmark = [pytest.mark.machine, pytest.mark.timeout(900)]


def test_no_block_comes_late_within_a_minute() -> None:
    assert soak(1.0, free_port()) == 0
