"""The daemon, a real process, while its wall clock is set."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.machine.needs import need
from tests.machine.wall_clock import WallClock
from tests.runtime.asking import until
from tests.runtime.running import Daemon

pytestmark = [pytest.mark.machine, pytest.mark.timeout(300)]

HOUR_S = 3_600


@pytest.fixture
def clock(tmp_path: Path) -> WallClock:
    need("gcc")
    return WallClock(tmp_path)


@pytest.fixture
def daemon(tmp_path: Path, clock: WallClock) -> Iterator[Daemon]:
    """In a house that is open from nine to six, and where it is about noon."""
    one = Daemon(tmp_path)
    hours = one.installation / "hours.toml"
    text = hours.read_text().replace("00:00-24:00", "09:00-18:00")
    # The sign is as POSIX has it: Etc/GMT+3 lies west of Greenwich.
    west = datetime.now(UTC).hour - 12
    hours.write_text(text.replace("Europe/Berlin", f"Etc/GMT{west:+d}"))
    one.start("--device", "silent", environment=clock.environment)
    yield one
    one.end()


def clock_was_set(told: dict[str, Any], by: str) -> bool:
    return any(event["kind"] == "clock" and by in event["text"] for event in told["events"])


def test_the_house_follows_its_hours_whichever_way_the_clock_is_set(daemon: Daemon, clock: WallClock) -> None:
    """Past closing, back, and before opening: a scheduler that waits by the wall clock would sleep through it."""
    until(daemon.port, lambda told: told["house"] == "playing")
    clock.set_ahead(8 * HOUR_S)
    closed = until(daemon.port, lambda told: told["house"] == "closed" and told["performance"] is None)
    assert clock_was_set(closed, "+28800 s")
    clock.set_ahead(0)
    until(daemon.port, lambda told: told["house"] == "playing")
    clock.set_ahead(-6 * HOUR_S)
    until(daemon.port, lambda told: told["house"] == "closed" and told["performance"] is None)
    clock.set_ahead(0)
    until(daemon.port, lambda told: told["house"] == "playing")


def test_a_clock_that_is_set_within_the_hours_is_not_heard(daemon: Daemon, clock: WallClock) -> None:
    before = until(daemon.port, lambda told: (told["playhead_s"] or 0.0) > 1.0)
    clock.set_ahead(2 * HOUR_S)
    until(daemon.port, lambda told: clock_was_set(told, "+7200 s"))
    clock.set_ahead(-HOUR_S)
    after = until(daemon.port, lambda told: clock_was_set(told, "-10800 s"))
    later = until(daemon.port, lambda told: told["health"]["frames"] > after["health"]["frames"] + 96_000)
    assert (later["house"], later["performance"]) == ("playing", before["performance"])
    frames = later["health"]["frames"] - before["health"]["frames"]
    assert later["playhead_s"] - before["playhead_s"] == pytest.approx(frames / 48_000, abs=0.2), "without a jump"
