"""Sends notices to one recipient, in a thread of its own, so that nobody else waits for the network."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Protocol

from residue.notices.bulletin import Bulletin, NoticeError, SentFrom, why
from residue.notices.ledger import Ledger, Wishes, day_due, due, failed, seen, sent, with_line
from residue.records import SpoiltRecordError, encode_record, read_record

logger = logging.getLogger(__name__)

LOOK_S = 1.0
TOLD = "told"
"""The kind of the event that a notice was accepted."""
NOT_TOLD = "not told"
"""The kind of the event that a notice was refused, for the first time after an accepted one."""


class Carries(Protocol):
    """A way to a recipient."""

    @property
    def name(self) -> str:
        """Its name for people."""

    def deliver(self, message: Bulletin) -> str:
        """Sends it once; returns a remark, or nothing. Raises NoticeError or OSError."""


@dataclass(frozen=True, slots=True)
class Facts:
    """The present facts: the house, and its faults, one sentence each."""

    sender: SentFrom
    faults: Sequence[str]


class Messenger:
    """Keeps one ledger, and sends the messages that are due.

    ledger_path: where the ledger is kept. day_line: gives a line about a local day; it may be slow, and raises
    NoticeError. happened: writes into the event log: kind, text. replace_file: writes a file in one step.
    """

    def __init__(
        self,
        carrier: Carries,
        wishes: Wishes,
        ledger_path: Path,
        *,
        now: Callable[[], datetime],
        day_line: Callable[[date], str],
        happened: Callable[[str, str], None],
        replace_file: Callable[[Path, bytes], None],
    ) -> None:
        self._carrier = carrier
        self._wishes = wishes
        self._path = ledger_path
        self._now = now
        self._day_line = day_line
        self._happened = happened
        self._replace_file = replace_file
        self._ledger = self._remembered()
        self._facts: Facts | None = None
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"notice {carrier.name}", daemon=True)

    def start(self) -> None:
        """Starts the thread."""
        self._thread.start()

    def end(self) -> None:
        """Ends sending, without waiting; messages that are due are kept on disk."""
        self._ended.set()

    def tell(self, facts: Facts) -> None:
        """Passes the present facts on, without waiting."""
        self._facts = facts

    def look(self) -> None:
        """Sends the message that is due; as slow as the network."""
        facts = self._facts
        if facts is None:
            return
        now, before = self._now(), self._ledger
        ledger = seen(before, facts.faults, self._wishes, now)
        ledger, day = day_due(ledger, self._wishes, facts.sender.at(now))
        if day is not None:
            ledger = with_line(ledger, self._line(day))
        if (message := due(ledger, self._wishes, facts.sender, now)) is not None:
            ledger = self._sent(ledger, message)
        if ledger != before:
            self._keep(ledger)

    def _sent(self, ledger: Ledger, message: Bulletin) -> Ledger:
        try:
            remark = self._carrier.deliver(message)
        except Exception as error:  # noqa: BLE001 - after any error of one way, the house and the other ways continue
            if ledger.tried == 0:
                said = f"{self._carrier.name} could not be told, and it is tried again and again. {why(error)}"
                self._happened(NOT_TOLD, said)
            return failed(ledger, self._now())
        self._happened(TOLD, f"{self._carrier.name} was told: {message.subject}. {remark}".rstrip())
        return sent(ledger, message, self._now())

    def _line(self, day: date) -> str:
        try:
            return self._day_line(day)
        except NoticeError as error:
            return f"{day:%a %Y-%m-%d}: nothing can be said about this day. {error}"

    def _run(self) -> None:
        while not self._ended.wait(LOOK_S):
            try:
                self.look()
            except Exception:  # a fault of our own; the house continues to play
                logger.exception("Nobody can be told by %s", self._carrier.name)

    def _remembered(self) -> Ledger:
        try:
            return read_record(self._path, Ledger)
        except (OSError, SpoiltRecordError):
            return Ledger()

    def _keep(self, ledger: Ledger) -> None:
        self._ledger = ledger
        try:
            self._replace_file(self._path, encode_record(ledger))
        except OSError as error:
            logger.warning("What %s was told cannot be noted: %s", self._carrier.name, error)
