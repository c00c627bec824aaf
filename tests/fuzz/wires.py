"""What comes over the network: OSC packets, messages of sensors, requests to the page."""

from __future__ import annotations

import logging
import socket
import threading
import time
import traceback
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, cast

from waitress.server import create_server

from residue.control.addresses import ADDRESSES
from residue.control.settings import ControlSettings
from residue.control.surface import Surface
from residue.control.waiting import WaitingRoom
from residue.live.messages import OscReceiver
from residue.live.sensors import Messages
from residue.page.link import HouseAnswer, PageStart, Question
from residue.page.serving import MOST_BODY_BYTES
from residue.page.web import HousePage
from residue.page.yesterday import Yesterday
from residue.runtime.house.osc_handlers import handlers
from tests.control.fuzzing import datagrams
from tests.control.test_fuzz import STATUS, Wire
from tests.fuzz.target import Target, Trial, apart
from tests.notices.servers import free_tcp_port
from tests.page.told import answer
from tests.runtime.running import free_port
from tests.runtime.stubs import HandClock

_ANSWER_S = 5.0


def _packets(_folder: Path) -> Sequence[bytes]:
    return list(datagrams(1, 200))


def _control(_folder: Path) -> Trial:
    clock, wire = HandClock(), Wire()
    asked = handlers(
        lambda event: "Done.", lambda: STATUS, swap=lambda wish, sender: None, tone=lambda output, sender: None
    )
    refused: list[str] = []
    room = WaitingRoom(lambda: 1_790_000_000.0, lambda delay_s, do: do())
    surface = Surface(ControlSettings(), asked, clock.monotonic_s, lambda text, sender: refused.append(text), room)
    surface.connection_made(cast(Any, wire))

    def once(content: bytes) -> str:
        clock.now_s += 60.0
        before = wire.sent_bytes
        refused.clear()
        surface.datagram_received(content, ("127.0.0.1", 4_000))
        return apart(f"{min(wire.sent_bytes - before, 1)} {refused}")

    return once


def _live(_folder: Path) -> Trial:
    receiver = OscReceiver(Messages(listen="127.0.0.1", port=free_port()), ["/heart/beat", "/house/hold"])

    def once(content: bytes) -> str:
        before = receiver.unread, receiver.unknown
        receiver._hear(content, "127.0.0.1")
        numbers = [len(arrival.numbers) for arrival in receiver.take()]
        return f"{receiver.unread - before[0]} {min(receiver.unknown - before[1], 1)} {numbers[:3]}"

    return once


class _Faults(logging.Handler):
    """Keeps what the web server says that no request may make it say."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        raised = record.exc_info[1] if record.exc_info else None
        self.said.append("".join([record.getMessage(), "\n", *traceback.format_exception(raised)]))


def _page(_folder: Path) -> Trial:
    """Through the real server: its own reading of a request is met too."""
    port, faults, told = free_tcp_port(), _Faults(), answer()
    logging.getLogger("waitress").addHandler(faults)

    def house(question: Question) -> HouseAnswer:
        return told if question.ask == "status" else HouseAnswer()

    start = PageStart(
        listen="127.0.0.1",
        port=port,
        metrics=True,
        networks=("127.0.0.1/32",),
        names=("oven.local",),
        key="seven loaves",
        day_line=("true",),
        report=("true",),
    )
    page = HousePage(start, house, Yesterday(("true",), ("true",)), time.monotonic)
    page._tries.take = lambda sender: True  # type: ignore[method-assign]
    page.app.catchall = False  # what a request raises reaches the server, which says so
    server = create_server(page.app, host="127.0.0.1", port=port, threads=2, max_request_body_size=MOST_BODY_BYTES)
    threading.Thread(target=server.run, daemon=True).start()

    def once(content: bytes) -> str:
        faults.said.clear()
        said = _said_to(port, content)
        if faults.said or said.startswith(b"HTTP/1.1 500") or said.startswith(b"HTTP/1.0 500"):
            raise AssertionError("\n".join([*faults.said, str(said[:200])]))
        return said[:12].decode("latin-1")

    return once


def _said_to(port: int, content: bytes) -> bytes:
    with socket.create_connection(("127.0.0.1", port), timeout=_ANSWER_S) as phone:
        with suppress(OSError):
            phone.sendall(content)
            phone.shutdown(socket.SHUT_WR)
        said = b""
        with suppress(OSError):
            while piece := phone.recv(65_536):
                said += piece
    return said


def _requests(_folder: Path) -> Sequence[bytes]:
    head = b"Host: 127.0.0.1:8080\r\nConnection: close\r\n"
    found = [
        b"GET %s HTTP/1.1\r\n%s\r\n" % (path, head) for path in (b"/", b"/report", b"/metrics", b"/nothing?a=b%00")
    ]
    for path, form in ((b"/hold", b"minutes=20"), (b"/release", b""), (b"/trim", b"db=-6")):
        body = b"key=seven+loaves&" + form
        kind = b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: %d\r\n" % len(body)
        found.append(b"POST %s HTTP/1.1\r\n%s%s\r\n%s" % (path, head, kind, body))
    chunked = b"POST /hold HTTP/1.1\r\n%sTransfer-Encoding: chunked\r\n\r\n5\r\nkey=a\r\n0\r\n\r\n" % head
    part = b'--x\r\nContent-Disposition: form-data; name="key"\r\n\r\nseven loaves\r\n--x--\r\n'
    kind = b"Content-Type: multipart/form-data; boundary=x\r\nContent-Length: %d\r\n" % len(part)
    return [*found, chunked, b"POST /trim HTTP/1.1\r\n%s%s\r\n%s" % (head, kind, part)]


_HEADERS = (b"Origin: null\r\n", b"Origin: http://[\r\n", b"Sec-Fetch-Site: cross-site\r\n", b"Host: [::1\r\n")
_MORE_HEADERS = (
    b"Accept: application/openmetrics-text;q=x\r\n",
    b"Content-Length: -1\r\n",
    b"Range: bytes=0-\r\n",
    b"%ff",
)
_PATHS = tuple(address.path.encode() for address in ADDRESSES)

WIRES = {
    "control": Target(_packets, _control, (*_PATHS, b"#bundle\0", b",ifs", b",[f]", b",b", b"/house/*")),
    "live": Target(_packets, _live, (b"/heart/beat\0", b",f\0\0", b",T\0\0", b",h\0\0", b"\x7f\xc0\0\0")),
    "page": Target(_requests, _page, (*_HEADERS, *_MORE_HEADERS, b"\r\n", b"\r\n\r\n", b"+", b"&key=", b"\xc3")),
}
