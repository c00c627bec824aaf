"""What a test of this folder needs of the machine; without it the test is skipped, or fails where REQUIRE_VM=1."""

from __future__ import annotations

import os
import platform
import shutil
import subprocess

import pytest

_BY_HAND = {"chronyd": "chrony, which takes the place of another time service"}
"""Tools of packages that nothing installs for a test."""


def need(*tools: str, root: bool = False, processor: str = platform.machine()) -> None:
    """Skips the test, or the tests of a fixture, with the reason; with REQUIRE_VM=1 in the environment it fails."""
    missing = [tool for tool in tools if shutil.which(tool, path=f"{os.environ['PATH']}:/usr/sbin:/sbin") is None]
    brought = [tool for tool in missing if tool not in _BY_HAND]
    reasons = [f"{', '.join(brought)} missing: sh deploy/test --all brings them"] if brought else []
    reasons += [f"{tool} missing: install {_BY_HAND[tool]}" for tool in missing if tool in _BY_HAND]
    if root and os.geteuid() != 0:
        reasons.append("only root may do this")
    if processor != platform.machine():
        reasons.append(f"this machine is no {processor}")
    if not reasons and "unshare" in tools and subprocess.run(["unshare", "--mount", "--net", "true"]).returncode:
        reasons = ["this machine, a container perhaps, allows no namespaces"]
    if not reasons:
        return
    if os.environ.get("REQUIRE_VM") == "1":
        pytest.fail(f"REQUIRE_VM=1, and {'; '.join(reasons)}")
    pytest.skip("; ".join(reasons))
