from __future__ import annotations

import socket
from contextlib import closing
from pathlib import Path

import pytest

from residue.watchdog.notify import Notifier


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> socket.socket:
    """The end that systemd would hold."""
    path = str(tmp_path / "notify")
    receiving = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    receiving.bind(path)
    receiving.settimeout(5)
    monkeypatch.setenv("NOTIFY_SOCKET", path)
    return receiving


def test_the_service_manager_hears_each_line(manager: socket.socket) -> None:
    with manager, closing(Notifier()) as notifier:
        notifier.tell("READY=1", "STATUS=playing")
        assert manager.recv(100) == b"READY=1\nSTATUS=playing"


@pytest.mark.timeout(20)  # systemd-python alone would hang here
def test_a_manager_that_reads_nothing_stops_nobody(manager: socket.socket) -> None:
    with manager, closing(Notifier()) as notifier:
        for _ in range(10_000):
            notifier.tell("WATCHDOG=1")
        assert notifier.unheard > 0


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": "/no/such/socket"}], ids=["no manager", "a wrong path"])
def test_without_a_manager_nothing_happens(environment: dict[str, str]) -> None:
    notifier = Notifier(environment)
    notifier.tell("READY=1")
    assert notifier.unheard == 0  # there is nobody who could fail to hear it
    notifier.close()
