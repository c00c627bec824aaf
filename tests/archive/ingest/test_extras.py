"""A reader that is missing is named with the line that installs it, which works as it stands."""

from __future__ import annotations

import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from residue.archive.ingest import extras
from residue.problems import ProblemError


def test_the_message_names_this_python_and_the_reader_and_no_strangers_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyxdf", None)  # how Python says that a module cannot be imported
    with pytest.raises(ProblemError) as caught:
        extras.extra("xdf", Path("evening.xdf"))
    (finding,) = caught.value.findings
    assert finding.mend == f"Install it with: {shlex.join([sys.executable, '-m', 'pip', 'install', 'pyxdf'])}"


def test_the_line_is_one_that_pip_understands() -> None:
    """With nothing to fetch: the test tools have all readers."""
    first, *rest = [shlex.split(extras.install_command(module)) for module in extras.MODULES.values()]
    lines = [*first, *(words[-1] for words in rest)]
    assert [words[:-1] for words in rest] == [first[:-1]] * len(rest)
    told = subprocess.run(
        [*lines, "--dry-run", "--no-deps", "--no-index", "--quiet"], capture_output=True, text=True, check=False
    )
    assert told.returncode == 0, told.stderr
