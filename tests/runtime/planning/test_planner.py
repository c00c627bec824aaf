from __future__ import annotations

import signal
import subprocess
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Self

import msgspec
import pytest

from residue.installation.load import load
from residue.processes import command_of
from residue.runtime.planning import planner
from residue.runtime.planning.planner import NOTHING, Planner
from residue.runtime.planning.planning import Outcome
from tests.runtime import kitchen
from tests.runtime.asking import wait_until


def test_a_planner_that_cannot_be_started_is_started_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[Any] = []

    class NoMemory:
        def __init__(self, *command: Any, **_: Any) -> None:
            started.append(command)
            raise OSError(12, "Cannot allocate memory")

    monkeypatch.setattr(subprocess, "Popen", NoMemory)
    monkeypatch.setattr(planner, "RETRY_S", 0.01)
    installation = load(kitchen.build(tmp_path, port=47_398, duration_s=1.0))
    one = Planner(lambda: installation, tmp_path / "cache", lambda: ())
    one.start()
    wait_until(lambda: len(started) >= 3)
    one.end()
    assert one.trouble == "The planner cannot be started: Cannot allocate memory."


def outcome(*names: str, complete: bool) -> Outcome:
    return Outcome(gain_db=dict.fromkeys(names, -1.0), words={}, duration_s={}, unplayable={}, complete=complete)


EARLY, WHOLE = outcome("first-batch", complete=False), outcome("first-batch", "second-batch", complete=True)


@pytest.mark.parametrize(
    ("before", "after_the_first"),
    [(NOTHING, EARLY), (outcome("last-batch", complete=True), None)],
    ids=["new", "known"],
)
def test_the_house_may_begin_with_the_first_that_is_ready_unless_a_whole_plan_is_known(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: Outcome, after_the_first: Outcome | None
) -> None:
    known: list[Outcome] = []
    commands: list[Sequence[str]] = []

    class Telling:
        def __init__(self, command: Sequence[str], **_: Any) -> None:
            commands.append(command)
            self.stdout = self.lines()

        def lines(self) -> Iterator[bytes]:
            for line in (EARLY, WHOLE):
                yield msgspec.json.encode(line)
                known.append(one.outcome)

        def __enter__(self) -> Self:
            return self

        def __exit__(self, *_: object) -> None: ...

        def terminate(self) -> None: ...

    monkeypatch.setattr(subprocess, "Popen", Telling)
    installation = load(kitchen.build(tmp_path, port=47_398, duration_s=1.0))
    one = Planner(lambda: installation, tmp_path / "cache", lambda: ["second-batch", "first-batch"])
    one.outcome = before
    one.start()
    wait_until(lambda: one.outcome == WHOLE)
    one.end()
    assert known == [after_the_first or before]
    assert commands[0][-2:] == ["--due=second-batch", "--due=first-batch"]


def test_a_planner_that_is_ended_while_its_process_starts_ends_the_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ended: list[bool] = []

    class Starting:
        stdout: Sequence[bytes] = ()
        returncode = -15

        def __init__(self, _command: Sequence[str], **_: Any) -> None:
            one.end()

        def __enter__(self) -> Self:
            return self

        def __exit__(self, *_: object) -> None: ...

        def terminate(self) -> None:
            ended.append(True)

    monkeypatch.setattr(subprocess, "Popen", Starting)
    installation = load(kitchen.build(tmp_path, port=47_398, duration_s=1.0))
    one = Planner(lambda: installation, tmp_path / "cache", lambda: ())
    one.start()
    wait_until(lambda: bool(ended))
    assert ended == [True]


def test_a_house_that_is_gone_makes_its_planner_end_without_a_word(tmp_path: Path) -> None:
    folder = kitchen.build(tmp_path, port=47_398, duration_s=1.0)
    arguments = [str(folder), str(folder), str(tmp_path / "cache")]
    command = command_of("residue.runtime.planning.planning", arguments)
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        complaint = process.stderr.read().decode()
    assert (complaint, process.returncode) == ("", -signal.SIGPIPE)
