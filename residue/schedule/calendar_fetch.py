"""Fetches a calendar from the web in a process of its own, with bounded time and size.

No server is trusted: what it sends is bounded here, and read as a calendar only by the process of `expansion`. A
redirection is followed on the same host alone, and never from https to http.
"""

from __future__ import annotations

import resource
import signal
import ssl
import subprocess
import sys
from http.client import HTTPConnection, HTTPException, HTTPResponse, HTTPSConnection, InvalidURL
from math import ceil
from urllib.parse import SplitResult, urljoin, urlsplit

import msgspec

from residue.processes import command_of
from residue.records import SpoiltRecordError, decode_record, encode_record
from residue.schedule.calendar_file import MOST_BYTES

_MOST_REDIRECTIONS = 5
_REDIRECTIONS = (301, 302, 303, 307, 308)
_GOOD, _SAME = 200, 304
"""Status codes. Source: RFC 9110, sections 15.3.1, 15.4, 15.4.5."""
_BEGINS = b"BEGIN:VCALENDAR"
"""Source: RFC 5545, section 3.4."""
_READ_BYTES = 65_536
_MEMORY_BYTES = 1 << 29
_CPU_S = 20


class FetchBounds(msgspec.Struct, frozen=True, kw_only=True):
    """The limits of a fetch. Our own: a calendar of 4 MB takes 32 s at 1 Mbit/s."""

    silence_s: float = 20.0
    whole_s: float = 60.0
    most_bytes: int = MOST_BYTES


BOUNDS = FetchBounds()


class Fetched(msgspec.Struct, frozen=True, kw_only=True, tag="fetched"):
    """A calendar. tag: what the server calls this version, to ask whether there is another."""

    content: bytes
    tag: str | None = None


class Unchanged(msgspec.Struct, frozen=True, kw_only=True, tag="unchanged"):
    """The server has no other version."""


class Unfetched(msgspec.Struct, frozen=True, kw_only=True, tag="unfetched"):
    """why: a sentence for people, which does not tell the URL."""

    why: str


FetchOutcome = Fetched | Unchanged | Unfetched


class _Question(msgspec.Struct, frozen=True, kw_only=True):
    url: str
    ca_file: str | None
    tag: str | None
    bounds: FetchBounds


class _Answer(msgspec.Struct, frozen=True, kw_only=True):
    outcome: FetchOutcome


class _RefusedError(Exception):
    """The calendar cannot be had, for this reason."""


def fetch(
    url: str, *, ca_file: str | None = None, tag: str | None = None, bounds: FetchBounds = BOUNDS
) -> FetchOutcome:
    """The calendar at a URL. tag: that of the version that is known. It waits; call it beside a loop."""
    question = _Question(url=url, ca_file=ca_file, tag=tag, bounds=bounds)
    command = command_of("residue.schedule.calendar_fetch", [])
    try:
        child = subprocess.run(
            command, input=encode_record(question), capture_output=True, timeout=bounds.whole_s, check=False
        )
        return decode_record(child.stdout, _Answer).outcome
    except subprocess.TimeoutExpired:
        return Unfetched(why=f"It did not come within {bounds.whole_s:g} s.")
    except SpoiltRecordError:
        return Unfetched(why="The process that fetches it failed.")
    except OSError as error:
        return Unfetched(why=f"The process that fetches it cannot be started: {error.strerror}.")


def main() -> None:
    """Runs the child: answers one question from standard input."""
    question = decode_record(sys.stdin.buffer.read(), _Question)
    signal.alarm(ceil(question.bounds.whole_s))  # also where nobody waits for it any more
    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (_CPU_S, _CPU_S))
    try:
        outcome = _fetched(question)
    except _RefusedError as error:
        outcome = Unfetched(why=str(error))
    except ssl.SSLCertVerificationError as error:
        outcome = Unfetched(why=f"The certificate of the server does not hold: {error.verify_message}.")
    except TimeoutError:
        outcome = Unfetched(why="The server does not answer in time.")
    except (ValueError, InvalidURL):  # their words tell the address
        outcome = Unfetched(why="The address, or one that the server sends on to, is not valid.")
    except (OSError, HTTPException) as error:
        outcome = Unfetched(why=f"The server cannot be reached: {getattr(error, 'strerror', None) or error}.")
    sys.stdout.buffer.write(encode_record(_Answer(outcome=outcome)))


def _fetched(question: _Question) -> FetchOutcome:
    url = urlsplit(question.url)
    for _ in range(_MOST_REDIRECTIONS + 1):
        server = _connection(url, question)
        try:
            server.request("GET", f"{url.path or '/'}{'?' if url.query else ''}{url.query}", headers=_headers(question))
            answer = server.getresponse()
            if answer.status not in _REDIRECTIONS:
                return _taken(answer, question.bounds.most_bytes)
            url = _redirected(url, answer.getheader("Location"))
        finally:
            server.close()
    raise _RefusedError("The server sends from one address to the next without end.")


def _connection(url: SplitResult, question: _Question) -> HTTPConnection:
    host, silence_s = url.hostname or "", question.bounds.silence_s
    if url.scheme == "http":
        return HTTPConnection(host, url.port, timeout=silence_s)
    try:
        context = ssl.create_default_context(cafile=question.ca_file)
    except (ssl.SSLError, OSError) as error:
        raise _RefusedError(f"The certificate {question.ca_file} cannot be read.") from error
    return HTTPSConnection(host, url.port, timeout=silence_s, context=context)


def _headers(question: _Question) -> dict[str, str]:
    headers = {"Accept": "text/calendar", "User-Agent": "residue"}
    return headers | ({"If-None-Match": question.tag} if question.tag is not None else {})


def _redirected(url: SplitResult, to: str | None) -> SplitResult:
    other = urlsplit(urljoin(url.geturl(), to or ""))
    if not to or (other.scheme, other.hostname, other.port) != (url.scheme, url.hostname, url.port):
        what = f"The server sends on to {other.scheme}://{other.hostname or ''}, which room.toml does not name."
        raise _RefusedError(what)
    return other


def _taken(answer: HTTPResponse, most_bytes: int) -> FetchOutcome:
    if answer.status == _SAME:
        return Unchanged()
    if answer.status != _GOOD:
        raise _RefusedError(f"The server answers {answer.status}, which is not success.")
    content = bytearray()
    while part := answer.read(_READ_BYTES):
        content += part
        if len(content) > most_bytes:
            raise _RefusedError(f"It is larger than {most_bytes / 1e6:g} MB.")
    if content.removeprefix(b"\xef\xbb\xbf").lstrip()[: len(_BEGINS)].upper() != _BEGINS:
        raise _RefusedError("What the server sends is no calendar: perhaps a page that asks for a password.")
    return Fetched(content=bytes(content), tag=answer.getheader("ETag"))


if __name__ == "__main__":
    main()
