from collections.abc import Callable
from itertools import count

import pytest

from residue.watchdog import deadman
from residue.watchdog.deadman import EXIT_STATUS, LOOKS, Deadman


@pytest.fixture(autouse=True)
def _hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(deadman, "EVERY_S", 0.0)


def ended_after(beat: Callable[[], int]) -> list[int]:
    ends: list[int] = []
    Deadman(beat, ends.append).run()
    return ends


def test_an_engine_that_stands_ends_the_process(capfd: pytest.CaptureFixture[str]) -> None:
    assert ended_after(lambda: 4_800) == [EXIT_STATUS]
    assert "the engine has stalled" in capfd.readouterr().err


def test_an_engine_that_stumbles_is_left_alone() -> None:
    looks = count()
    ends: list[int] = []

    def beat() -> int:
        look = next(looks)
        if look == 10 * LOOKS:
            dead.stop()
        return look // (LOOKS - 1)

    dead = Deadman(beat, ends.append)
    dead.run()
    assert ends == []
