"""[[notice]] of room.toml: the recipients of faults and recoveries, and the ways to them."""

from __future__ import annotations

import re
import socket
import ssl
import subprocess
from datetime import time
from email.message import EmailMessage
from email.utils import format_datetime, make_msgid
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

import msgspec
from msgspec import Meta

from residue.checking import check_device_nodes, check_networks, is_name, opened_by
from residue.notices.bulletin import Bulletin, NoticeError
from residue.notices.secret import credential_name, secret

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")
_FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_MAIL = re.compile(r"[^@\s<>,;]+@[^@\s<>,;]+")
_SHOWN = 200
"""The most characters of a foreign text in an error."""
_GOOD = range(200, 300)
"""Status codes of success. Source: RFC 9110, section 15.3."""
Encryption = Literal["starttls", "tls", "none"]
_PORTS: dict[Encryption, int] = {"starttls": 587, "tls": 465, "none": 25}
"""Submission, submissions, relay. Source: RFC 6409, section 3.1; RFC 8314, section 7.3; RFC 5321, section 4.5.4.2."""


class Notice(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="kind"):
    """One way to a recipient, for faults, recoveries, and once a day a line about the day."""

    name: str
    """A unique name of small letters, digits and -, for status and log."""
    faults: bool = True
    """Whether faults and their ends are reported. A person's hold or trim is not a fault."""
    daily_at: str | None = None
    """The local time at which a line about the day is sent, such as "18:30"; before noon, it is about the day
    before.
    """
    after_s: Annotated[float, Meta(ge=0, le=86_400)] = 30.0
    """A fault is reported after it has lasted for so long, and is over after it has been away for so long."""
    at_most_every_s: Annotated[float, Meta(ge=60, le=86_400)] = 900.0
    """The least time between two notices; events within it go into the next one."""
    timeout_s: Annotated[float, Meta(gt=0, le=120)] = 30.0
    """The longest time for an answer of the other side."""
    networks: tuple[str, ...] = ()
    """The networks that it reaches, for the unit of the service: its address, and that of a name server elsewhere."""

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.name):
            raise ValueError(f"The name '{self.name}' is not of small letters, digits and -, such as night-porter.")
        if self.daily_at is not None:
            self.daily_time()
        check_networks("networks", self.networks)
        if not self.faults and self.daily_at is None:
            raise ValueError('Nothing would ever be sent. Write faults = true, or daily_at = "18:30".')

    def daily_time(self) -> time | None:
        """The local time at which the daily line is due. Raises ValueError."""
        if self.daily_at is None:
            return None
        if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", self.daily_at):
            raise ValueError(f"daily_at = '{self.daily_at}' is not a time of day. Write one such as \"18:30\".")
        return time.fromisoformat(self.daily_at)

    @property
    def secret_files(self) -> tuple[str, ...]:
        """The files that hold its secrets."""
        return ()

    @property
    def opened(self) -> tuple[str, ...]:
        """The device nodes that it opens."""
        return ()

    def deliver(self, message: Bulletin) -> str:
        """Sends it once; returns a remark if some recipients were not reached, else nothing.

        Raises NoticeError or OSError if it was not accepted.
        """
        raise TypeError(f"{type(self).__name__} does not say how it is delivered")


class MailNotice(Notice, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="mail"):
    """A mail, sent to a mail server over SMTP (RFC 5321, RFC 6409)."""

    host: str
    """The mail server, by the name that its certificate has, or by an IP address."""
    port: Annotated[int, Meta(ge=1, le=65_535)] | None = None
    """Its TCP port; if left out 587 for starttls, 465 for tls, 25 for none."""
    encryption: Encryption = "starttls"
    """How the connection is encrypted; its certificate must be valid. "none" is for a server on this machine."""
    ca_file: str | None = None
    """The full path of a certificate (PEM) of an authority of one's own, where no public one vouches for the server."""
    user: str | None = None
    """The user name for the mail server, if it requires one."""
    password_file: str | None = None
    """The full path of a file with the password and nothing else."""
    sender: str
    """The mail address that it comes from."""
    to: Annotated[tuple[str, ...], Meta(min_length=1)]
    """The mail addresses that it goes to."""

    def __post_init__(self) -> None:
        super().__post_init__()
        _reachable(self.host, self.networks)
        for address in (self.sender, *self.to):
            if not _MAIL.fullmatch(address):
                raise ValueError(f"'{address}' is not a mail address. Write one such as house@bakery.example.")
        if (self.user is None) != (self.password_file is None):
            raise ValueError("user and password_file belong together. Write both, or neither.")
        if self.user is not None and self.encryption == "none":
            raise ValueError('The password would travel unencrypted. Write encryption = "starttls" or "tls".')
        _full(self.ca_file)
        _handed(self.password_file)

    @property
    def secret_files(self) -> tuple[str, ...]:
        """The file with the password."""
        return (self.password_file,) if self.password_file else ()

    def deliver(self, message: Bulletin) -> str:
        """Sends it to the server."""
        import smtplib

        own = socket.gethostname()  # smtplib would look up its whole name, which may not be possible
        port = self.port or _PORTS[self.encryption]
        try:
            if self.encryption == "tls":
                server: smtplib.SMTP = smtplib.SMTP_SSL(
                    self.host, port, own, timeout=self.timeout_s, context=_context(self.ca_file)
                )
            else:
                server = smtplib.SMTP(self.host, port, own, timeout=self.timeout_s)
            with server:
                if self.encryption == "starttls":
                    server.starttls(context=_context(self.ca_file))
                if self.user is not None and self.password_file is not None:
                    server.login(self.user, secret(self.password_file))
                refused = server.send_message(self._mail(message))
        except smtplib.SMTPAuthenticationError as error:
            raise NoticeError(f"{self.host} refuses the user or the password ({error.smtp_code}).") from error
        except smtplib.SMTPResponseException as error:
            raise NoticeError(f"{self.host} answers {error.smtp_code}: {_answer(error.smtp_error)}") from error
        except smtplib.SMTPRecipientsRefused as error:
            raise NoticeError(f"{self.host} does not take mail for {', '.join(error.recipients)}.") from error
        except smtplib.SMTPException as error:
            raise NoticeError(f"{self.host} does not take it: {str(error)[:_SHOWN]}") from error
        return f"{self.host} does not take mail for {', '.join(refused)}." if refused else ""

    def _mail(self, message: Bulletin) -> EmailMessage:
        mail = EmailMessage()
        mail["From"], mail["To"], mail["Subject"] = self.sender, ", ".join(self.to), message.subject
        mail["Date"] = format_datetime(message.sender.at(message.at))
        mail["Message-ID"] = make_msgid(domain=self.sender.partition("@")[2])
        mail["Auto-Submitted"] = "auto-generated"  # so that no automatic reply answers it (RFC 3834, section 5)
        mail.set_content(message.text)
        return mail


class WebhookNotice(Notice, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="webhook"):
    """A small JSON object, sent by HTTP POST."""

    url: str
    """The URL to which it is posted; the URL may itself be a secret."""
    ca_file: str | None = None
    """The full path of a certificate (PEM) of an authority of one's own, where no public one vouches for the server."""
    token_file: str | None = None
    """The full path of a file with a token, sent as `Authorization: Bearer` (RFC 6750)."""

    def __post_init__(self) -> None:
        super().__post_init__()
        parts = urlsplit(self.url)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise ValueError("The url is not one of a web server. Write one such as https://desk.bakery.example/house.")
        _reachable(parts.hostname, self.networks)
        if self.token_file is not None and parts.scheme == "http":
            raise ValueError("The token would travel unencrypted. Write a url that begins with https.")
        _full(self.ca_file)
        _handed(self.token_file)

    @property
    def secret_files(self) -> tuple[str, ...]:
        """The file with the token."""
        return (self.token_file,) if self.token_file else ()

    def deliver(self, message: Bulletin) -> str:
        """Posts it; only an answer of success counts, and redirections are not followed."""
        from http.client import HTTPConnection, HTTPException, HTTPSConnection

        parts = urlsplit(self.url)
        headers = {"Content-Type": "application/json", "User-Agent": "residue"}
        if self.token_file is not None:
            headers["Authorization"] = f"Bearer {secret(self.token_file)}"
        host, where = parts.hostname or "", f"{parts.path or '/'}{'?' if parts.query else ''}{parts.query}"
        if parts.scheme == "https":
            context = _context(self.ca_file)
            server: HTTPConnection = HTTPSConnection(host, parts.port, timeout=self.timeout_s, context=context)
        else:
            server = HTTPConnection(host, parts.port, timeout=self.timeout_s)
        try:
            server.request("POST", where, msgspec.json.encode(message.as_object()), headers)
            status = server.getresponse().status
        except HTTPException as error:
            raise NoticeError(f"{host} does not answer as a web server does: {type(error).__name__}.") from error
        finally:
            server.close()
        if status not in _GOOD:
            raise NoticeError(f"{host} answers {status}, which is not success.")
        return ""


class CommandNotice(Notice, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="command"):
    """A program of this machine, which reads the notice as text from its standard input. It runs without a shell."""

    run: Annotated[tuple[str, ...], Meta(min_length=1)]
    """The program and its arguments; the notice is sent if it ends with 0."""
    device_nodes: tuple[str, ...] = ()
    """Devices that it opens, such as /dev/ttyUSB0. A word of `run` that begins with /dev/ counts too."""

    def __post_init__(self) -> None:
        super().__post_init__()
        check_device_nodes(self.device_nodes)

    @property
    def opened(self) -> tuple[str, ...]:
        """The device nodes that it opens."""
        return opened_by(self.device_nodes, *self.run)

    def deliver(self, message: Bulletin) -> str:
        """Runs it; ends it if it takes too long."""
        given = f"{message.subject}\n\n{message.text}".encode()
        try:
            done = subprocess.run(self.run, input=given, capture_output=True, timeout=self.timeout_s, check=False)
        except subprocess.TimeoutExpired as error:
            raise NoticeError(f"The program {self.run[0]} did not end within {self.timeout_s:g} s.") from error
        if done.returncode != 0:
            said = done.stderr.decode(errors="replace").strip().splitlines()
            why = " ".join([f"The program {self.run[0]} ended with {done.returncode}.", *said[-1:]])
            raise NoticeError(why[:_SHOWN])
        return ""


AnyNotice = MailNotice | WebhookNotice | CommandNotice
"""The kinds of [[notice]], by the key `kind`."""


def host_of(notice: AnyNotice) -> str | None:
    """The name or the address that it connects to; None if there is none."""
    match notice:
        case MailNotice():
            return notice.host
        case WebhookNotice():
            return urlsplit(notice.url).hostname
        case CommandNotice():
            return None


def _reachable(host: str, networks: tuple[str, ...]) -> None:
    if is_name(host) and not networks:
        raise ValueError(
            f"The unit of the service takes addresses, and {host} is a name. Write the networks of its addresses, such "
            'as networks = ["192.0.2.0/24"]; for a server whose addresses change, ["0.0.0.0/0", "::/0"].'
        )


def _full(path: str | None) -> None:
    if path is not None and not Path(path).is_absolute():
        raise ValueError(f"'{path}' is not a full path. Write one such as /etc/residue/mail-password.")


def _handed(path: str | None) -> None:
    """Checks the path of a secret, which the service manager hands on under the name of its file."""
    _full(path)
    if path is not None and not _FILE_NAME.fullmatch(credential_name(path)):
        raise ValueError(f"The file name of '{path}' has more than letters, digits, '.', '_' and '-'. Give it another.")


def _answer(text: bytes | str) -> str:
    return (text.decode(errors="replace") if isinstance(text, bytes) else text).replace("\n", " ")[:_SHOWN]


def _context(ca_file: str | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=ca_file)
    except (ssl.SSLError, OSError) as error:
        raise NoticeError(f"The certificate {ca_file} cannot be read: {error.strerror or error}.") from error
