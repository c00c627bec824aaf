"""The same bits without the processor's wider instructions: numpy chooses other loops, the sound must not care."""

from __future__ import annotations

import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from numpy._core import _multiarray_umath as numpys_core  # type: ignore[attr-defined]

PROJECT = Path(__file__).resolve().parents[2]
LEVELS = [level for level in numpys_core.__cpu_dispatch__ if numpys_core.__cpu_features__[level]]


@cache
def digests(without: str) -> list[str]:
    environment = {**os.environ, "NPY_DISABLE_CPU_FEATURES": without, "PYTHONPATH": str(PROJECT)}
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "tests.mapping.digests"],
        cwd=PROJECT,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.splitlines()


WITHOUT = [" ".join(LEVELS[first:]) for first in range(len(LEVELS))] or [""]


@pytest.mark.parametrize("without", [WITHOUT[0], *(pytest.param(one, marks=pytest.mark.long) for one in WITHOUT[1:])])
def test_nodes_and_demos_give_the_same_bits_without_the_wider_instructions(without: str) -> None:
    as_it_is, plain = digests(""), digests(without)
    assert len(as_it_is) > 90
    assert sum("/" in line for line in as_it_is) == 6  # three outputs of each demo
    assert [one for one, other in zip(as_it_is, plain, strict=True) if one != other] == []
