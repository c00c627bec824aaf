"""Which tests look for one small fault (`sh deploy/mutate`): the nearest first, and quick ones before slow ones."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

MOST_S = 15.0
"""Tests are begun for so long, by the time that they took without a fault; the nearest ones always."""


def module_under_test() -> str | None:
    """The module that mutmut has put a fault into, such as residue.dsp.delay; None in any other run."""
    mutant = os.environ.get("MUTANT_UNDER_TEST", "")
    return re.split(r"\.x[_ǁ]", mutant)[0] if "__mutmut_" in mutant else None


def that_look_for_it(items: list[pytest.Item], module: str) -> Iterator[pytest.Item]:
    """Those of the test module that mirrors the module, then others for MOST_S."""
    took_s = json.loads(Path("mutmut-stats.json").read_text(encoding="utf-8"))["duration_by_test"]
    *folders, name = module.split(".")[1:]
    mirror = "/".join(("tests", *folders, f"test_{name}.py"))
    spent_s = 0.0
    for item in sorted(items, key=lambda item: (not item.nodeid.startswith(mirror), took_s.get(item.nodeid, 0.0))):
        spent_s += took_s.get(item.nodeid, 0.0)
        if spent_s <= MOST_S or item.nodeid.startswith(mirror):
            yield item
