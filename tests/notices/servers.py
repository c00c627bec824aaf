"""Real servers of mail and web on this machine, with a certificate of their own."""

from __future__ import annotations

import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import msgspec
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

USER, PASSWORD = "house", "rye and salt"


def free_tcp_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@dataclass(frozen=True)
class Certificate:
    """Of the name localhost, by nobody but itself."""

    chain: Path
    key: Path

    def context(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.chain, self.key)
        return context


def certificate(folder: Path, name: str = "localhost") -> Certificate:
    made = Certificate(folder / f"{name}.pem", folder / f"{name}.key")
    subject = ["-subj", f"/CN={name}", "-addext", f"subjectAltName=DNS:{name}", "-days", "2"]
    kind = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    command = ["openssl", "req", "-x509", *kind, *subject, "-out", str(made.chain), "-keyout", str(made.key)]
    subprocess.run(command, check=True, capture_output=True)
    return made


class Mailbox:
    """A handler of aiosmtpd that keeps what arrives."""

    def __init__(self, refused: tuple[str, ...] = ()) -> None:
        self.mails: list[bytes] = []
        self.encrypted: list[bool] = []
        self._refused = refused

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:  # noqa: N802
        if address in self._refused:
            return "550 no such baker"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        self.mails.append(envelope.content)
        self.encrypted.append(server.transport.get_extra_info("ssl_object") is not None)
        return "250 OK"


def _known(server: Any, session: Any, envelope: Any, mechanism: str, given: Any) -> AuthResult:
    known = isinstance(given, LoginPassword) and (given.login, given.password) == (USER.encode(), PASSWORD.encode())
    return AuthResult(success=known, handled=False)


@contextmanager
def mail_server(mailbox: Mailbox, own: Certificate | None, *, implicit: bool = False) -> Iterator[int]:
    """Gives its port. own: STARTTLS is asked for with this certificate, or TLS from the start where implicit."""
    tls: dict[str, Any] = {}
    if own is not None:
        tls = {"ssl_context": own.context()} if implicit else {"tls_context": own.context(), "require_starttls": True}
        tls |= {"authenticator": _known, "auth_required": not implicit, "auth_require_tls": not implicit}
    controller = Controller(mailbox, hostname="127.0.0.1", port=free_tcp_port(), **tls)
    controller.start()
    try:
        yield controller.port
    finally:
        controller.stop()


@dataclass
class Desk:
    """What arrived at a web server, and what it answers."""

    status: int = 204
    posted: list[dict[str, Any]] = field(default_factory=list)
    headers: list[dict[str, str]] = field(default_factory=list)
    paths: list[str] = field(default_factory=list)


@contextmanager
def web_server(desk: Desk, own: Certificate | None = None) -> Iterator[int]:
    """Gives its port."""

    class _Takes(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            desk.posted.append(msgspec.json.decode(self.rfile.read(int(self.headers["Content-Length"]))))
            desk.headers.append(dict(self.headers))
            desk.paths.append(self.path)
            self.send_response(desk.status)
            self.send_header("Location", "/elsewhere")
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None: ...

    server = HTTPServer(("127.0.0.1", 0), _Takes)
    if own is not None:
        server.socket = own.context().wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
