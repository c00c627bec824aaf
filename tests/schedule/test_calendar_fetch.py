"""A calendar is fetched from real servers of this machine, well-meaning ones and others."""

from __future__ import annotations

import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from residue.processes import command_of
from residue.records import encode_record
from residue.schedule.calendar_fetch import (
    FetchBounds,
    Fetched,
    FetchOutcome,
    Unchanged,
    Unfetched,
    _Question,
    fetch,
)
from tests.notices.servers import Certificate, certificate, free_tcp_port

CALENDAR = b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//bakery//EN\r\nEND:VCALENDAR\r\n"
QUICK = FetchBounds(silence_s=0.3, whole_s=20.0, most_bytes=10_000)

Answering = Callable[[BaseHTTPRequestHandler], None]


@contextmanager
def server(answer: Answering, own: Certificate | None = None) -> Iterator[str]:
    """Gives its URL."""

    class _Answers(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            answer(self)

        def log_message(self, *_: object) -> None: ...

    one = ThreadingHTTPServer(("127.0.0.1", 0), _Answers)
    one.daemon_threads = True
    if own is not None:
        one.socket = own.context().wrap_socket(one.socket, server_side=True)
    thread = threading.Thread(target=one.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield f"http{'s' if own else ''}://localhost:{one.server_address[1]}"
    finally:
        one.shutdown()
        thread.join()
        one.server_close()


def sends(content: bytes = CALENDAR, status: int = 200, **headers: str) -> Answering:
    def answer(asked: BaseHTTPRequestHandler) -> None:
        asked.send_response(status)
        for name, value in {"Content-Length": str(len(content)), **headers}.items():
            asked.send_header(name, value)
        asked.end_headers()
        asked.wfile.write(content)

    return answer


def why(outcome: FetchOutcome) -> str:
    assert isinstance(outcome, Unfetched)
    return outcome.why


def test_a_calendar_comes_over_tls_with_its_version_and_is_not_sent_twice(tmp_path: Path) -> None:
    own = certificate(tmp_path)

    def answer(asked: BaseHTTPRequestHandler) -> None:
        known = asked.headers["If-None-Match"] == '"of today"'
        (sends(b"", 304) if known else sends(ETag='"of today"'))(asked)

    with server(answer, own) as url:
        found = fetch(f"{url}/house.ics", ca_file=str(own.chain))
        assert found == Fetched(content=CALENDAR, tag='"of today"')
        assert fetch(f"{url}/house.ics", ca_file=str(own.chain), tag='"of today"') == Unchanged()


def test_a_server_without_a_certificate_that_holds_is_not_believed(tmp_path: Path) -> None:
    with server(sends(), certificate(tmp_path)) as url:
        assert "The certificate of the server does not hold" in why(fetch(url))


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        pytest.param(sends(status=404), "The server answers 404", id="no such calendar"),
        pytest.param(sends(b"<html>Who are you?</html>"), "no calendar: perhaps a page", id="a page to log in"),
        pytest.param(sends(b""), "no calendar", id="nothing"),
        pytest.param(sends(CALENDAR * 1_000), "larger than 0.01 MB", id="too large"),
        pytest.param(
            sends(b"", 302, Location="http://127.0.0.1:9/house.ics"), "sends on to http://127.0.0.1", id="another host"
        ),
        pytest.param(sends(b"", 302, Location="file:///etc/passwd"), "sends on to file://", id="a file of ours"),
        pytest.param(sends(b"", 302), "sends on to", id="nowhere"),
        pytest.param(sends(b"", 302, Location="http://localhost:rye/"), "is not valid", id="a port of letters"),
        pytest.param(sends(b"", 302, Location="http://[rye/"), "is not valid", id="half an address"),
        pytest.param(sends(b"", 302, Location="/our house.ics"), "is not valid", id="a space"),
        pytest.param(sends(b"", 302, Location="/again"), "without end", id="in a circle"),
        pytest.param(lambda _asked: threading.Event().wait(2.0), "does not answer in time", id="silent"),
        pytest.param(lambda asked: asked.wfile.write(b"rye\r\n\r\n"), "cannot be reached", id="no web server"),
    ],
)
def test_a_server_that_does_not_give_a_calendar_is_told_in_a_sentence(answer: Answering, said: str) -> None:
    with server(answer) as url:
        assert said in why(fetch(url, bounds=QUICK))


def test_a_redirection_on_the_same_server_is_followed() -> None:
    def answer(asked: BaseHTTPRequestHandler) -> None:
        (sends() if asked.path == "/new.ics" else sends(b"", 301, Location="/new.ics"))(asked)

    with server(answer) as url:
        assert isinstance(fetch(f"{url}/old.ics"), Fetched)


def test_a_redirection_from_https_to_http_is_not_followed(tmp_path: Path) -> None:
    own = certificate(tmp_path)
    with server(sends()) as plain:
        port = plain.rpartition(":")[2]
        with server(sends(b"", 302, Location=f"http://localhost:{port}/house.ics"), own) as url:
            assert "sends on to http://localhost" in why(fetch(url, ca_file=str(own.chain)))


def test_a_server_that_sends_a_little_now_and_then_is_bounded() -> None:
    """Each part comes in time, the whole never does."""

    def drips(asked: BaseHTTPRequestHandler) -> None:
        asked.send_response(200)
        asked.end_headers()
        ended = threading.Event()
        for _ in range(100):
            try:
                asked.wfile.write(b" ")
            except OSError:
                return
            ended.wait(0.1)

    with server(drips) as url:
        assert why(fetch(url, bounds=FetchBounds(silence_s=5.0, whole_s=2.0))) == "It did not come within 2 s."


def test_nobody_at_the_address_is_told() -> None:
    assert "cannot be reached: Connection refused" in why(fetch(f"http://127.0.0.1:{free_tcp_port()}/house.ics"))


def test_the_process_that_fetches_ends_by_itself_where_nobody_waits_for_it() -> None:
    bounds = FetchBounds(silence_s=60.0, whole_s=0.5)
    with server(lambda _asked: time.sleep(5.0)) as url:
        asked = encode_record(_Question(url=f"{url}/house.ics", ca_file=None, tag=None, bounds=bounds))
        child = subprocess.run(
            command_of("residue.schedule.calendar_fetch", []), input=asked, capture_output=True, check=False
        )
    assert (child.returncode, child.stdout) == (-signal.SIGALRM, b"")
