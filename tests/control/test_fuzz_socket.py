"""The same through a real socket, into a daemon that plays: from an address of this machine that is not allowed."""

from __future__ import annotations

import socket
import time

import pytest

from tests.control.fuzzing import datagrams
from tests.runtime.asking import until
from tests.runtime.running import Daemon

DATAGRAMS = 50_000
MEMORY_BYTES = 40_000_000


@pytest.mark.machine
@pytest.mark.timeout(600)
def test_a_stranger_at_the_port_is_not_heard_and_not_obeyed(daemon: Daemon) -> None:
    daemon.start("--device", "silent")
    before = until(daemon.port, lambda told: (told["playhead_s"] or 0) > 2.0)["health"]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as stranger:
        stranger.bind(("127.0.0.2", 0))
        stranger.settimeout(0.5)
        for number, datagram in enumerate([b"/house/hold\0,\0\0\0", *datagrams(11, DATAGRAMS)]):
            stranger.sendto(datagram, ("127.0.0.1", daemon.port))
            if number % 100 == 0:
                time.sleep(0.01)
        with pytest.raises(TimeoutError):
            stranger.recv(65_536)
    after = until(daemon.port, lambda told: told["house"] in ("playing", "resting"))["health"]
    assert after["held_by"] is None
    assert after["late_blocks"] == before["late_blocks"]
    assert after["memory_bytes"] - before["memory_bytes"] < MEMORY_BYTES
    assert daemon.ask("/house/trim", -6.0) == ("/house/done", "/house/trim"), "people are heard as before"
