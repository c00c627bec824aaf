"""A running daemon whose room has a lamp, and a receiver of it in the network."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from tests.light.receiver import Received, listening, read
from tests.runtime.asking import until
from tests.runtime.running import Daemon

pytestmark = pytest.mark.real_time

RECEIVER = "127.5.5.70"
LAMP = """
[node.slow_arm]
kind = "channel"
channel = "forearm"

[node.glow]
kind = "lamp"
input = "slow_arm"
low = -2.0
high = -1.0
"""
PLACE = f"""
[light]
to = "{RECEIVER}"

[light.lamp.glow]
universe = 1
addresses = [5]
"""


def test_a_lamp_shines_while_the_house_plays_and_is_dark_while_it_is_held_and_after_its_end(tmp_path: Path) -> None:
    """The signal is always above `high`: whatever is not bright is what the house makes of it."""
    running = Daemon(tmp_path)
    piece, room = running.installation / "piece.toml", running.installation / "room.toml"
    piece.write_text(piece.read_text().replace("\n[[section]]", f"{LAMP}\n[[section]]"))
    room.write_text(room.read_text() + PLACE)
    with listening(RECEIVER) as taking:

        def until_brightness(wanted: int) -> Received:
            while (got := read(taking.recv(2_048))).slots[4] != wanted:
                pass
            return got

        running.start("--device", "silent")
        try:
            assert not any(read(taking.recv(2_048)).slots), "it begins dark"
            until_brightness(255)
            told = until(running.port, lambda told: told["house"] == "playing")
            assert told["light"]["lamps"] == {"glow": 1.0}
            running.ask("/house/hold")
            until_brightness(0)
            assert until(running.port, lambda told: told["house"] == "held")["light"]["lamps"] == {"glow": 0.0}
            running.ask("/house/release")
            until_brightness(255)
            assert running.process is not None
            running.process.send_signal(signal.SIGTERM)
            while not (got := read(taking.recv(2_048))).terminated:
                pass
            assert not any(got.slots)
        finally:
            running.end()
