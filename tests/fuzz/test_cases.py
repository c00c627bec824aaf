"""No content makes a reader do anything but answer: those that once did, good ones, and some with small faults."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.fuzz import trying
from tests.fuzz.__main__ import CASES
from tests.fuzz.mutation import mutated
from tests.fuzz.target import Trial
from tests.fuzz.targets import TARGETS
from tests.fuzz.trying import Found, tried

SOME = 15
"""Of each target in a quick run; `python -m tests.fuzz` tries any number."""


SLOW = ("mat",)
"""Each of its contents begins a process."""


@pytest.fixture(
    scope="module", params=[pytest.param(name, marks=pytest.mark.long if name in SLOW else ()) for name in TARGETS]
)
def target(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Trial]]:
    name: str = request.param
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("warnings.showwarning", lambda *_: None)
        yield name, TARGETS[name].trial(tmp_path_factory.mktemp(name))


def faults(trial: Trial, *contents: bytes) -> list[str]:
    outcomes = [(content, tried(trial, content)) for content in contents]
    return [f"{one.where}: {content[:200]!r}\n{one.words}" for content, one in outcomes if isinstance(one, Found)]


FOUND = sorted(CASES.glob("*/*"))


@pytest.mark.parametrize(
    ("target", "case"),
    [pytest.param(path.parent.name, path, id=f"{path.parent.name}-{path.name}") for path in FOUND],
    indirect=["target"],
)
def test_what_once_found_a_fault_is_answered(target: tuple[str, Trial], case: Path) -> None:
    _, trial = target
    assert faults(trial, case.read_bytes()) == []


def broken(_content: bytes) -> str:
    raise KeyError("dough")


def endless(_content: bytes) -> str:
    while True:
        pass


@pytest.mark.parametrize(("reader", "where"), [(broken, "KeyError in "), (endless, "HangError in ")])
def test_a_reader_that_raises_or_does_not_come_back_is_found(
    reader: Trial, where: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trying, "LONGEST_S", 0.01)
    found = tried(reader, b"rye")
    assert isinstance(found, Found)
    assert found.where.startswith(where)
    [told] = faults(reader, b"rye")
    assert "rye" in told


def test_good_contents_and_some_with_faults_are_answered(target: tuple[str, Trial], tmp_path: Path) -> None:
    name, trial = target
    chance, seeds = random.Random(1), list(TARGETS[name].seeds(tmp_path))
    damaged = [mutated(chance, chance.choice(seeds), seeds, TARGETS[name].words) for _ in range(SOME)]
    assert faults(trial, *seeds[:4], *damaged) == []


def test_every_case_is_of_a_target() -> None:
    assert {path.name for path in CASES.iterdir()} <= TARGETS.keys()
