"""A messenger with a real mail server that goes and comes back, and over a restart."""

from __future__ import annotations

import email
import email.policy
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from residue.notices.bulletin import NoticeError, SentFrom
from residue.notices.ledger import Wishes
from residue.notices.messenger import Facts, Messenger
from residue.notices.settings import MailNotice
from residue.runtime.system.files import replace_file
from tests.notices.servers import Mailbox, mail_server

HALL = SentFrom("Night Dough", "North hall", ZoneInfo("Europe/Berlin"))
LOST = "The sound device was lost at 10:02. Look at its cable and power."


def porter(port: int) -> MailNotice:
    return MailNotice(
        name="porter", host="127.0.0.1", port=port, encryption="none", sender="a@b.example", to=("c@d.example",)
    )


class Desk:
    """A messenger on a clock that a test moves; its log."""

    def __init__(self, folder: Path, port: int) -> None:
        self.now = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)
        self.log: list[tuple[str, str]] = []
        self.path = folder / "notice-porter.json"
        self.carrier = porter(port)
        self.begin()

    def begin(self, wishes: Wishes | None = None) -> None:
        def line(day: date) -> str:
            if day.day == 4:
                raise NoticeError("The level log cannot be read.")
            return f"{day}: all was well."

        self.messenger = Messenger(
            self.carrier,
            wishes or Wishes(faults=True, daily_at=None, after_s=30.0, at_most_every_s=900.0),
            self.path,
            now=lambda: self.now,
            day_line=line,
            happened=lambda kind, text: self.log.append((kind, text)),
            replace_file=replace_file,
        )

    def live(self, minutes: int, *faults: str) -> None:
        for _ in range(minutes):
            self.now += timedelta(minutes=1)
            self.messenger.tell(Facts(HALL, faults))
            self.messenger.look()


def subjects(mailbox: Mailbox) -> list[str]:
    return [str(email.message_from_bytes(one, policy=email.policy.default)["Subject"]) for one in mailbox.mails]


def test_the_network_is_down_and_comes_back(tmp_path: Path) -> None:
    mailbox = Mailbox()
    with mail_server(mailbox, None) as port:
        desk = Desk(tmp_path, port)
        desk.live(2, LOST)
        assert subjects(mailbox) == ["Night Dough, North hall: a fault"]
    desk.live(120)
    assert [kind for kind, _ in desk.log] == ["told", "not told"], "of a long outage the log has one row"
    assert "Connection refused" in desk.log[1][1]
    with mail_server(mailbox, None) as other:
        desk.carrier = porter(other)
        desk.begin()
        desk.live(16)
    assert subjects(mailbox)[1:] == ["Night Dough, North hall: recovered"], "it was kept over a restart"


def test_a_house_that_starts_again_and_again_tells_a_fault_once(tmp_path: Path) -> None:
    mailbox = Mailbox()
    with mail_server(mailbox, None) as port:
        desk = Desk(tmp_path, port)
        for _ in range(20):
            desk.begin()
            desk.live(2, LOST)
    assert len(mailbox.mails) == 1


def test_a_ledger_that_is_spoilt_keeps_nobody_from_being_told(tmp_path: Path) -> None:
    mailbox = Mailbox()
    (tmp_path / "notice-porter.json").write_bytes(b"\x00" * 80)
    with mail_server(mailbox, None) as port:
        Desk(tmp_path, port).live(2, LOST)
    assert len(mailbox.mails) == 1


def test_the_day_is_told_at_its_time_and_what_cannot_be_said_is_said(tmp_path: Path) -> None:
    mailbox = Mailbox()
    with mail_server(mailbox, None) as port:
        desk = Desk(tmp_path, port)
        desk.begin(Wishes(faults=True, daily_at=time(18, 30), after_s=30.0, at_most_every_s=900.0))
        desk.live(36 * 60)
    assert subjects(mailbox) == ["Night Dough, North hall: the day"] * 2
    texts = [email.message_from_bytes(one, policy=email.policy.default).get_content() for one in mailbox.mails]
    assert texts[0].startswith("2026-03-03: all was well.")
    assert "Wed 2026-03-04: nothing can be said about this day. The level log cannot be read." in texts[1]


def test_nothing_is_told_before_anything_is_known(tmp_path: Path) -> None:
    desk = Desk(tmp_path, 1)
    desk.messenger.look()
    assert desk.log == []
    assert not desk.path.exists()
