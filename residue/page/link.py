"""The pipe between the page and the house: one request and one answer at a time, a line of JSON each."""

from __future__ import annotations

import threading
from collections.abc import Callable
from queue import Queue
from typing import BinaryIO

import msgspec


class PageStart(msgspec.Struct, frozen=True, kw_only=True):
    """The first message to the page.

    day_line, report: commands; the day is added to each, and a folder to the second.
    """

    listen: str
    port: int
    metrics: bool
    networks: tuple[str, ...]
    names: tuple[str, ...]
    key: str | None
    day_line: tuple[str, ...]
    report: tuple[str, ...]


class Question(msgspec.Struct, frozen=True, kw_only=True):
    """A request of the page. ask: "status", an OSC address of a wish, or "refused", to log `text`."""

    ask: str
    sender: str = ""
    numbers: tuple[float, ...] = ()
    text: str = ""


class OpenSpan(msgspec.Struct, frozen=True, kw_only=True):
    """An opening of today: local times of day, and the reason."""

    opens: str
    closes: str
    why: str


class HouseAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """An answer of the house. wrong: the reason why a wish was refused. status: as `residue status --json`."""

    status: dict[str, object] = {}
    today: tuple[OpenSpan, ...] = ()
    reread_age_s: float | None = None
    """The time since the beginning of the last finished nightly reading."""
    wrong: str | None = None


class HouseGoneError(Exception):
    """The house has ended, and with it the pipe."""


class Link:
    """The page's end of the pipe; several threads may use it. gone: called, in a thread, when the house has ended."""

    def __init__(self, questions: BinaryIO, answers: BinaryIO, gone: Callable[[], None]) -> None:
        self._questions = questions
        self._answers = answers
        self._gone = gone
        self._lock = threading.Lock()
        self._answered: Queue[bytes] = Queue()

    def begin(self) -> PageStart:
        """Reads the first message of the house, and starts to wait for its answers. Raises HouseGoneError."""
        first = self._answers.readline()
        if not first:
            raise HouseGoneError("The house has ended.")
        threading.Thread(target=self._listen, name="answers", daemon=True).start()
        return msgspec.json.decode(first, type=PageStart)

    def ask(self, question: Question) -> HouseAnswer:
        """Sends a request, and waits for the answer. Raises HouseGoneError."""
        with self._lock:
            try:
                self._questions.write(msgspec.json.encode(question) + b"\n")
                self._questions.flush()
            except OSError as error:
                raise HouseGoneError("The house has ended.") from error
            if not (line := self._answered.get()):
                raise HouseGoneError("The house has ended.")
            return msgspec.json.decode(line, type=HouseAnswer)

    def _listen(self) -> None:
        while line := self._answers.readline():
            self._answered.put(line)
        self._answered.put(b"")
        self._gone()
