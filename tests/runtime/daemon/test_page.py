"""The page of a daemon that runs, over a real connection."""

from __future__ import annotations

import asyncio
import json
import socket
from contextlib import closing
from datetime import date
from http.client import HTTPConnection
from pathlib import Path
from types import SimpleNamespace
from typing import cast
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import pytest

from residue.installation.load import Installation
from residue.page.link import Question
from residue.problems import stopping
from residue.runtime.daemon.page import PageKeeper, last_line
from residue.runtime.system.clock import SystemClock
from residue.schedule.calendar import PagedCalendar
from residue.schedule.opening import Opening
from tests.notices.servers import free_tcp_port
from tests.runtime.asking import until, wait_until
from tests.runtime.running import Daemon

pytestmark = pytest.mark.real_time

KEY = "seven loaves"


def with_page(daemon: Daemon) -> int:
    port = free_tcp_port()
    path = daemon.installation / "room.toml"
    text = path.read_text(encoding="utf-8").replace("[control]", f'[control]\nkey = "{KEY}"')
    path.write_text(f"{text}\n[page]\nport = {port}\nmetrics = true\n", encoding="utf-8")
    return port


def asked(port: int, method: str, path: str, **form: str) -> tuple[int, str]:
    with closing(HTTPConnection("127.0.0.1", port, timeout=100)) as phone:
        headers = {"Content-Type": "application/x-www-form-urlencoded"} if form else {}
        phone.request(method, path, urlencode(form), headers)
        answer = phone.getresponse()
        return answer.status, answer.read().decode()


def listens(port: int) -> bool:
    with closing(socket.socket()) as one:
        return one.connect_ex(("127.0.0.1", port)) == 0


def test_hours_that_cannot_be_worked_out_end_no_page() -> None:
    """Of later years of a calendar file, see Calendar."""

    def refused(_first: date, _days: int) -> list[Opening]:
        raise stopping("hours.ics", "It takes too long.", "Shorten it.")

    installation = SimpleNamespace(calendar=PagedCalendar(ZoneInfo("UTC"), refused))
    keeper = PageKeeper(
        lambda: cast(Installation, installation),
        state=Path(),
        log=Path(),
        clock=SystemClock(),
        status=lambda: {"house": "closed"},
        handlers={},
        reread_age_s=lambda: None,
        happened=lambda *_: None,
    )
    answer = asyncio.run(keeper.answer(Question(ask="status", sender="a phone")))
    assert (answer.status, answer.today) == ({"house": "closed"}, ())


def test_a_phone_reads_the_page_and_holds_trims_and_releases(daemon: Daemon) -> None:
    port = with_page(daemon)
    daemon.start("--device", "silent")
    until(daemon.port, lambda told: told["performance"] == "first-batch" and listens(port))
    status, text = asked(port, "GET", "/")
    assert status == 200
    assert "It plays first-batch" in text
    assert "<li>00:00 to 24:00 (weekly hours)</li>" in text
    assert asked(port, "POST", "/hold", key=KEY, minutes="20")[0] == 303
    held = until(daemon.port, lambda told: told["house"] == "held")
    assert (held["health"]["held_by"], held["held_until"] is None) == ("127.0.0.1", False)
    assert "It is silent, as this machine asked" in asked(port, "GET", "/")[1]
    assert asked(port, "POST", "/trim", key=KEY, db="-9")[0] == 303
    assert asked(port, "POST", "/release", key=KEY)[0] == 303
    until(daemon.port, lambda told: told["house"] == "playing" and told["health"]["trim_db"] == -9.0)
    assert asked(port, "POST", "/release", key="eight loaves")[0] == 403
    refused = until(daemon.port, lambda told: told["events"][-1]["kind"] == "refused")["events"][-1]
    assert refused["text"] == "The page was given a wrong key."
    assert 'residue_gain_db{by="trim"} -9.0' in asked(port, "GET", "/metrics")[1]


def test_the_page_goes_with_a_house_that_is_killed_and_comes_back_with_it(daemon: Daemon) -> None:
    port = with_page(daemon)
    daemon.start("--device", "silent")
    until(daemon.port, lambda _: listens(port))
    daemon.kill()
    wait_until(lambda: not listens(port))
    daemon.start("--device", "silent")
    until(daemon.port, lambda _: listens(port))
    assert asked(port, "GET", "/")[0] == 200


def test_a_port_that_is_taken_stops_no_house_and_is_told(daemon: Daemon) -> None:
    port = with_page(daemon)
    with closing(socket.socket()) as taken:
        taken.bind(("127.0.0.1", port))
        taken.listen()
        daemon.start("--device", "silent")
        told = until(daemon.port, lambda told: "page" in [event["kind"] for event in told["events"]])
    [event] = [event for event in told["events"] if event["kind"] == "page"]
    assert f"Nothing can listen at 127.0.0.1:{port}: Address already in use." in event["text"]
    assert "Traceback" not in json.dumps(told)


def test_of_a_process_that_says_very_much_the_last_line_is_kept_and_little_else() -> None:
    async def said(*pieces: bytes) -> str:
        reader = asyncio.StreamReader()
        for piece in pieces:
            reader.feed_data(piece)
        reader.feed_eof()
        return await last_line(reader)

    assert asyncio.run(said(b"one\n" * 50_000, b"the port is", b" taken\n")) == "the port is taken"
    assert len(asyncio.run(said(b"x" * 1_000_000))) == 4_096
    assert asyncio.run(said()) == ""
