"""Asking a daemon that a test started."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from residue.control.query import status
from residue.problems import ProblemError

PATIENCE_S = 200.0


def until(port: int, true: Callable[[dict[str, Any]], bool], patience_s: float = PATIENCE_S) -> dict[str, Any]:
    """The first status of which something is true; a test fails where that takes too long."""
    deadline = time.monotonic() + patience_s
    told: dict[str, Any] = {}
    while time.monotonic() < deadline:
        try:
            told = status("127.0.0.1", port)
        except ProblemError:
            time.sleep(0.1)
            continue
        if true(told):
            return told
        time.sleep(0.05)
    raise TimeoutError(f"The daemon never came so far; the last it told: {told}")


def wait_until(true: Callable[[], bool], patience_s: float = PATIENCE_S) -> None:
    """Until something is true that no status tells; a test fails where that takes too long."""
    deadline = time.monotonic() + patience_s
    while not true():
        if time.monotonic() > deadline:
            raise TimeoutError("It never became true.")
        time.sleep(0.01)
