"""The same bits without the processor's wider instructions and without a compiler: the sound must not care.

numpy chooses other loops on an older processor. An installation that found no compiler has no loops of our own.
"""

from __future__ import annotations

import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from numpy._core import _multiarray_umath as numpys_core  # type: ignore[attr-defined]

from tests.let_through import OF_BAGIT

PROJECT = Path(__file__).resolve().parents[2]
LEVELS = [level for level in numpys_core.__cpu_dispatch__ if numpys_core.__cpu_features__[level]]

UNCOMPILED = "import sys; sys.modules['residue.dsp._kernel'] = None; from tests.mapping.digests import main; main()"
COMPILED = "from tests.mapping.digests import main; main()"


@cache
def digests(program: str, without: str) -> list[str]:
    environment = {**os.environ, "NPY_DISABLE_CPU_FEATURES": without, "PYTHONPATH": str(PROJECT)}
    done = subprocess.run(
        [sys.executable, "-W", "error", "-W", OF_BAGIT, "-c", program],
        cwd=PROJECT,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.splitlines()


WITHOUT = [" ".join(LEVELS[first:]) for first in range(len(LEVELS))] or [""]


@pytest.mark.parametrize(
    ("program", "without"),
    [
        pytest.param(UNCOMPILED, WITHOUT[0], id="uncompiled, on an old processor"),
        pytest.param(UNCOMPILED, "", marks=pytest.mark.long, id="uncompiled"),
        *(pytest.param(COMPILED, one, marks=pytest.mark.long, id=f"without {one}") for one in WITHOUT),
    ],
)
def test_nodes_and_demos_have_the_same_bits(program: str, without: str) -> None:
    """The catalogue, what is read from bodies, and both demos."""
    as_it_is, plain = digests(COMPILED, ""), digests(program, without)
    assert len(as_it_is) > 90
    assert sum("/" in line for line in as_it_is) == 6  # three outputs of each demo
    assert [one for one, other in zip(as_it_is, plain, strict=True) if one != other] == []
