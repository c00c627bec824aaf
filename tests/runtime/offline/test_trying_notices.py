"""Notices tried at the terminal, and what a check finds about them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner

from residue.cli import main
from residue.installation.load import room_of
from residue.installation.room import Room
from residue.notices.settings import AnyNotice, CommandNotice, MailNotice
from residue.problems import ProblemError
from residue.runtime.offline.trying_notices import notice_findings
from tests.installation.test_unit_needs import room
from tests.notices.servers import Mailbox, mail_server
from tests.runtime import kitchen

NOTICE = """
[[notice]]
kind = "mail"
name = "porter"
host = "127.0.0.1"
port = {port}
encryption = "none"
sender = "house@bakery.example"
to = ["porter@bakery.example"]
daily_at = "18:30"
"""


def installation(folder: Path, notices: str) -> str:
    made = kitchen.build(folder, 47_399, duration_s=0.2)
    with (made / "room.toml").open("a", encoding="utf-8") as file:
        file.write(notices)
    return str(made)


def test_who_is_told_is_listed_and_tried(tmp_path: Path) -> None:
    mailbox = Mailbox()
    with mail_server(mailbox, None) as port:
        named = installation(tmp_path, NOTICE.format(port=port))
        listed = CliRunner().invoke(main, ["notice", named])
        tried = CliRunner().invoke(main, ["notice", named, "--test"])
    way = "by mail to porter@bakery.example through 127.0.0.1."
    assert listed.output == f"porter: faults and recoveries and a line a day at 18:30, {way}\n"
    assert (tried.exit_code, tried.output) == (0, f"porter: sent, {way}\n")
    assert b"Subject: Short Dough, Kitchen: a test" in mailbox.mails[0]
    failed = CliRunner().invoke(main, ["notice", named, "--test"])
    assert (failed.exit_code, failed.output) == (1, f"porter: not sent, {way} Connection refused.\n")


def test_where_nobody_is_told_it_says_what_to_write(tmp_path: Path) -> None:
    told = CliRunner().invoke(main, ["notice", installation(tmp_path, "")])
    assert (told.exit_code, told.output) == (0, "Nobody is told. Write a table [[notice]] into room.toml.\n")


def found(notice: AnyNotice, resolvers: Path = Path("/none")) -> list[str]:
    told = notice_findings(msgspec.structs.replace(room(), notice=[notice]), resolvers)
    return [one.what for one in told]


def mail(**more: Any) -> MailNotice:
    return MailNotice(**{"name": "it", "sender": "a@b.example", "to": ("c@d.example",), **more})


@pytest.mark.parametrize(("mode", "said"), [(0o644, 1), (0o640, 0), (0o600, 0)])
def test_a_password_that_everybody_may_read_is_warned_of(tmp_path: Path, mode: int, said: int) -> None:
    path = tmp_path / "mail-password"
    path.write_text("rye and salt")
    path.chmod(mode)
    told = found(mail(host="192.0.2.25", user="house", password_file=str(path)))
    assert told == [f"Every user of this machine may read or change the secret in {path}."] * said


def test_a_password_that_is_not_there_is_warned_of(tmp_path: Path) -> None:
    told = found(mail(host="192.0.2.25", user="house", password_file=str(tmp_path / "none")))
    assert told == [f"There is no file {tmp_path / 'none'}, so this notice cannot be sent."]


def test_a_program_that_is_not_there_is_warned_of() -> None:
    assert found(CommandNotice(name="it", run=("/no/such/program",))) == [
        "There is no program /no/such/program that may be run."
    ]
    assert found(CommandNotice(name="it", run=("sh", "-c", "cat"))) == []


def test_a_name_server_that_the_unit_would_not_let_it_ask_is_warned_of(tmp_path: Path) -> None:
    """Source of the file: resolv.conf(5); 127.0.0.53 is systemd-resolved's own (systemd-resolved.service(8))."""
    resolvers = tmp_path / "resolv.conf"
    resolvers.write_text("# of the hall\nnameserver 127.0.0.53\nnameserver 192.0.2.1\nsearch bakery.example\n")
    one = mail(host="mail.bakery.example", networks=("198.51.100.0/24",))
    assert found(one, resolvers) == [
        "This machine asks 192.0.2.1 where mail.bakery.example is, and networks does not name it."
    ]
    assert found(mail(host="mail.bakery.example", networks=("198.51.100.0/24", "192.0.2.1")), resolvers) == []
    assert found(mail(host="198.51.100.25"), resolvers) == []


def test_two_secrets_in_files_of_one_name_are_a_fault() -> None:
    """The service manager hands each on under the name of its file."""
    first, second, third = (
        mail(name=name, host="192.0.2.25", user="house", password_file=path)
        for name, path in (("one", "/etc/a/word"), ("two", "/etc/b/word"), ("three", "/etc/a/word"))
    )
    given = {key: getattr(room(), key) for key in Room.__struct_fields__ if key != "notice"}
    Room(**given, notice=[first, third])
    with pytest.raises(ValueError, match="files of the same name"):
        Room(**given, notice=[first, second])


def test_two_notices_of_one_name_are_a_fault(tmp_path: Path) -> None:
    named = installation(tmp_path, NOTICE.format(port=25) * 2)
    with pytest.raises(ProblemError, match='Two notices are called "porter"'):
        room_of(Path(named))
