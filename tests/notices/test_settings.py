"""Notices as real servers take them."""

from __future__ import annotations

import email
import email.policy
import json
import sys
import tomllib
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from residue.checking import check
from residue.installation.room import Room
from residue.notices.bulletin import Bulletin, NoticeError, SentFrom, Trouble, why
from residue.notices.settings import CommandNotice, Encryption, MailNotice, WebhookNotice
from tests.notices.servers import PASSWORD, USER, Certificate, Desk, Mailbox, certificate, mail_server, web_server

NOW = datetime(2026, 3, 3, 13, 5, tzinfo=UTC)
FAULT = Trouble(
    "The sound device was lost at 14:02. Look at its cable and power.", datetime(2026, 3, 3, 13, 2, tzinfo=UTC)
)
MESSAGE = Bulletin(
    sender=SentFrom("Nachtteig – Night Dough", "North hall", ZoneInfo("Europe/Berlin")),
    at=NOW,
    begun=[FAULT],
    standing=[FAULT],
)


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    return certificate(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def password(tmp_path: Path) -> str:
    path = tmp_path / "mail-password"
    path.write_text(f"{PASSWORD}\n")
    return str(path)


def mail(port: int, encryption: Encryption = "none", **more: Any) -> MailNotice:
    to = ("porter@bakery.example", "curator@bakery.example")
    return MailNotice(
        name="mail", host="localhost", port=port, encryption=encryption, sender="house@bakery.example", to=to, **more
    )


@pytest.mark.parametrize(("encryption", "implicit"), [("starttls", False), ("tls", True)])
def test_a_mail_arrives_encrypted_and_with_a_password(
    own: Certificate, password: str, encryption: Encryption, *, implicit: bool
) -> None:
    """Source of the headers: RFC 5322, section 3.6; RFC 3834, section 5."""
    mailbox = Mailbox()
    with mail_server(mailbox, own, implicit=implicit) as port:
        remark = mail(port, encryption, ca_file=str(own.chain), user=USER, password_file=password).deliver(MESSAGE)
    assert remark == ""
    assert mailbox.encrypted == [True]
    arrived = email.message_from_bytes(mailbox.mails[0], policy=email.policy.default)
    assert arrived["Subject"] == "Nachtteig – Night Dough, North hall: a fault"
    assert (arrived["From"], arrived["To"]) == ("house@bakery.example", "porter@bakery.example, curator@bakery.example")
    assert parsedate_to_datetime(arrived["Date"]) == NOW
    assert arrived["Message-ID"].endswith("@bakery.example>")
    assert arrived["Auto-Submitted"] == "auto-generated"
    assert "- Tue 14:02: The sound device was lost at 14:02." in arrived.get_content()


def test_a_certificate_that_nobody_vouches_for_is_refused(own: Certificate, password: str) -> None:
    mailbox = Mailbox()
    with mail_server(mailbox, own) as port, pytest.raises(OSError, match="certificate verify failed") as told:
        mail(port, "starttls", user=USER, password_file=password).deliver(MESSAGE)
    assert why(told.value).startswith("Its certificate is not valid: self-signed certificate.")
    assert mailbox.mails == []


def test_a_certificate_of_another_name_is_refused(tmp_path: Path, password: str) -> None:
    other = certificate(tmp_path, "desk.bakery.example")
    with mail_server(Mailbox(), other) as port, pytest.raises(OSError, match="Hostname mismatch"):
        mail(port, "starttls", ca_file=str(other.chain), user=USER, password_file=password).deliver(MESSAGE)


def test_a_wrong_password_is_told_as_such(own: Certificate, tmp_path: Path) -> None:
    (tmp_path / "wrong").write_text("white bread")
    with mail_server(Mailbox(), own) as port:
        one = mail(port, "starttls", ca_file=str(own.chain), user=USER, password_file=str(tmp_path / "wrong"))
        with pytest.raises(NoticeError, match="refuses the user or the password"):
            one.deliver(MESSAGE)


def test_a_server_that_does_not_encrypt_gets_no_mail() -> None:
    mailbox = Mailbox()
    with mail_server(mailbox, None) as port, pytest.raises(NoticeError, match="STARTTLS"):
        mail(port, "starttls").deliver(MESSAGE)
    assert mailbox.mails == []


def test_who_of_several_was_refused_is_told_and_the_others_have_it() -> None:
    mailbox = Mailbox(refused=("curator@bakery.example",))
    with mail_server(mailbox, None) as port:
        assert mail(port).deliver(MESSAGE) == "localhost does not take mail for curator@bakery.example."
    assert len(mailbox.mails) == 1


def test_a_server_that_takes_nobody_fails() -> None:
    refused = ("curator@bakery.example", "porter@bakery.example")
    with mail_server(Mailbox(refused), None) as port, pytest.raises(NoticeError, match="does not take mail for"):
        mail(port).deliver(MESSAGE)


def test_a_machine_that_is_not_there_fails() -> None:
    with mail_server(Mailbox(), None) as port:
        pass
    with pytest.raises(ConnectionRefusedError):
        mail(port).deliver(MESSAGE)


def test_a_webhook_gets_one_json_object(own: Certificate, tmp_path: Path) -> None:
    """Source of the header: RFC 6750, section 2.1."""
    (tmp_path / "token").write_text("crumb\n")
    desk = Desk()
    with web_server(desk, own) as port:
        url = f"https://localhost:{port}/house?room=north"
        one = WebhookNotice(name="desk", url=url, ca_file=str(own.chain), token_file=str(tmp_path / "token"))
        assert one.deliver(MESSAGE) == ""
    assert desk.paths == ["/house?room=north"]
    assert desk.headers[0]["Authorization"] == "Bearer crumb"
    assert desk.headers[0]["Content-Type"] == "application/json"
    fault = {"what": FAULT.text, "since": "2026-03-03T14:02:00+01:00", "until": None}
    text = desk.posted[0].pop("text")
    assert desk.posted == [
        {
            "piece": "Nachtteig – Night Dough",
            "place": "North hall",
            "time": "2026-03-03T14:05:00+01:00",
            "ok": False,
            "test": False,
            "new": [fault],
            "over": [],
            "passed": [],
            "standing": [fault],
            "days": [],
        }
    ]
    assert FAULT.text in text


@pytest.mark.parametrize("status", [302, 307, 404, 500])
def test_an_answer_that_is_not_success_fails_and_leads_nowhere_else(status: int) -> None:
    desk = Desk(status=status)
    with web_server(desk) as port, pytest.raises(NoticeError, match=f"answers {status}"):
        WebhookNotice(name="desk", url=f"http://127.0.0.1:{port}/house").deliver(MESSAGE)
    assert desk.paths == ["/house"]


def test_a_command_reads_the_notice(tmp_path: Path) -> None:
    code = "import sys; open(sys.argv[1], 'w').write(sys.stdin.read())"
    CommandNotice(name="it", run=(sys.executable, "-c", code, str(tmp_path / "told"))).deliver(MESSAGE)
    subject, empty, *lines = (tmp_path / "told").read_text().splitlines()
    assert (subject, empty) == (MESSAGE.subject, "")
    assert "\n".join(lines) + "\n" == MESSAGE.text


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("import sys; sys.exit('no signal')", "ended with 1. no signal"),
        ("import sys; sys.stdin.read(); sys.stdin.close(); import signal; signal.pause()", "did not end within 0.5 s"),
    ],
)
def test_a_command_that_fails_says_so(code: str, said: str) -> None:
    with pytest.raises(NoticeError, match=said):
        CommandNotice(name="it", run=(sys.executable, "-c", code), timeout_s=0.5 if "pause" in code else 30.0).deliver(
            MESSAGE
        )


MAIL = 'kind = "mail"\nhost = "mail.bakery.example"\nsender = "a@b.example"\nto = ["c@d.example"]\n'
NETWORKS = 'networks = ["192.0.2.0/24"]\n'


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (f"{MAIL}", "takes addresses, and mail.bakery.example is a name"),
        (f'{MAIL}networks = ["hall"]', 'networks has "hall"'),
        (f'{MAIL}{NETWORKS}user = "a"', "user and password_file belong together"),
        (f'{MAIL}{NETWORKS}user = "a"\npassword_file = "b"', "'b' is not a full path"),
        (f'{MAIL}{NETWORKS}user = "a"\npassword_file = "/b"\nencryption = "none"', "would travel unencrypted"),
        (f'{MAIL}{NETWORKS}user = "a"\npassword_file = "/b/my password"', "has more than letters"),
        (f'{MAIL}{NETWORKS}daily_at = "half past six"', "is not a time of day"),
        (f"{MAIL}{NETWORKS}faults = false", "Nothing would ever be sent"),
        (f"{MAIL}{NETWORKS}at_most_every_s = 5", "60"),
        (f"{MAIL.replace('c@d.example', 'porter')}{NETWORKS}", "'porter' is not a mail address"),
        ('kind = "webhook"\nurl = "ftp://192.0.2.4/x"', "not one of a web server"),
        ('kind = "webhook"\nurl = "http://192.0.2.4/x"\ntoken_file = "/t"', "begins with https"),
        ('kind = "command"\nrun = ["x"]\ndevice_nodes = ["ttyUSB0"]', "'ttyUSB0' is not a device node"),
    ],
)
def test_a_notice_that_cannot_work_is_a_fault_of_the_file(table: str, said: str) -> None:
    raw = tomllib.loads(f'[[notice]]\nname = "it"\n{table}\n')
    _, findings = check(raw, Room, "room.toml")
    [told] = [str(one) for one in findings if "notice[1]" in one.where]
    assert said in told


def test_the_object_is_json() -> None:
    assert json.loads(json.dumps(MESSAGE.as_object(), allow_nan=False))["ok"] is False
