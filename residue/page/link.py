"""The pipe between the page and the house: one question and one answer at a time, a line of JSON each."""

from __future__ import annotations

import threading
from collections.abc import Callable
from queue import Queue
from typing import BinaryIO

import msgspec


class PageStart(msgspec.Struct, frozen=True, kw_only=True):
    """What the page is told first. day_line, report: commands; to each the day is added, to the second a folder too."""

    listen: str
    port: int
    metrics: bool
    networks: tuple[str, ...]
    names: tuple[str, ...]
    key: str | None
    day_line: tuple[str, ...]
    report: tuple[str, ...]


class Question(msgspec.Struct, frozen=True, kw_only=True):
    """What the page asks. ask: "status", an OSC address of a wish, or "refused", to have `text` written down."""

    ask: str
    sender: str = ""
    numbers: tuple[float, ...] = ()
    text: str = ""


class OpenSpan(msgspec.Struct, frozen=True, kw_only=True):
    """An opening of today: times of day at the place, and why."""

    opens: str
    closes: str
    why: str


class HouseAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """What the house answers. wrong: why a wish was not obeyed. status: as `residue status --json`."""

    status: dict[str, object] = {}
    today: tuple[OpenSpan, ...] = ()
    reread_age_s: float | None = None
    """Since the night whose reading ended last began."""
    wrong: str | None = None


class HouseGoneError(Exception):
    """The house has ended, and with it the pipe."""


class Link:
    """The page's end of the pipe; several threads may ask. gone: called, in a thread, when the house has ended."""

    def __init__(self, questions: BinaryIO, answers: BinaryIO, gone: Callable[[], None]) -> None:
        self._questions = questions
        self._answers = answers
        self._gone = gone
        self._lock = threading.Lock()
        self._answered: Queue[bytes] = Queue()

    def begin(self) -> PageStart:
        """What the house says first; from then on its answers are awaited. Raises HouseGoneError."""
        first = self._answers.readline()
        if not first:
            raise HouseGoneError("The house has ended.")
        threading.Thread(target=self._listen, name="answers", daemon=True).start()
        return msgspec.json.decode(first, type=PageStart)

    def ask(self, question: Question) -> HouseAnswer:
        """Ask, and wait for the answer. Raises HouseGoneError."""
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
