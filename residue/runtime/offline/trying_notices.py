"""The notices of an installation, listed and tried without a daemon."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from ipaddress import ip_address, ip_network
from pathlib import Path
from shutil import which

from residue.checking import is_name
from residue.installation.load import ROOM, load
from residue.installation.room import Room
from residue.notices.bulletin import Bulletin, SentFrom, why
from residue.notices.settings import AnyNotice, CommandNotice, MailNotice, WebhookNotice, host_of
from residue.problems import Finding, Severity

_RESOLVERS = Path("/etc/resolv.conf")


@dataclass(frozen=True, slots=True)
class Tried:
    """A line for people about one notice. good: whether it is without a fault."""

    words: str
    good: bool = True


def described(folder: Path) -> Iterator[Tried]:
    """A line for each notice of an installation. Raises ProblemError."""
    for notice in load(folder).room.notice:
        wishes = ["faults and recoveries"] if notice.faults else []
        wishes += [f"a line a day at {notice.daily_at}"] if notice.daily_at else []
        yield Tried(f"{notice.name}: {' and '.join(wishes)}, {_way(notice)}.")


def tested(folder: Path) -> Iterator[Tried]:
    """Sends a test to each, one after the other. Raises ProblemError."""
    installation = load(folder)
    sender = SentFrom(installation.piece.title, installation.room.place, installation.calendar.zone)
    for notice in installation.room.notice:
        try:
            remark = notice.deliver(Bulletin(sender=sender, at=datetime.now(UTC), test=True))
        except Exception as error:  # noqa: BLE001 - after any error of one, the others are still tried
            yield Tried(f"{notice.name}: not sent, {_way(notice)}. {why(error)}", good=False)
        else:
            yield Tried(f"{notice.name}: sent, {_way(notice)}. {remark}".rstrip(), good=not remark)


def notice_findings(room: Room, resolvers: Path = _RESOLVERS) -> Iterator[Finding]:
    """Finds secrets that are missing or open to everybody, programs that are not there, name servers out of reach."""
    for number, notice in enumerate(room.notice, start=1):
        where = f"{ROOM}: notice[{number}]"
        for path in notice.secret_files:
            yield from _of_secret(Path(path), where)
        match notice:
            case CommandNotice() if which(notice.run[0]) is None:
                what = f"There is no program {notice.run[0]} that may be run."
                yield Finding(Severity.WARNS, where, what, "Write the full path of a program that may be run.")
            case MailNotice() | WebhookNotice() if is_name(host := host_of(notice) or ""):
                yield from _of_resolvers(notice, host, resolvers, where)


def _of_secret(path: Path, where: str) -> Iterator[Finding]:
    try:
        mode = path.stat().st_mode
    except PermissionError:
        return  # the user of the check may not read there, and neither may everybody
    except OSError:
        mend = f"Write it there, for root alone: sudo install -m 600 /dev/null {path}, then edit the file."
        yield Finding(Severity.WARNS, where, f"There is no file {path}, so this notice cannot be sent.", mend)
        return
    if mode & stat.S_IRWXO:
        what = f"Every user of this machine may read or change the secret in {path}."
        yield Finding(
            Severity.WARNS, where, what, f"Let root alone do so; the service is handed it: sudo chmod 600 {path}"
        )


def _of_resolvers(notice: AnyNotice, host: str, resolvers: Path, where: str) -> Iterator[Finding]:
    """Finds name servers out of reach: the unit allows only those within its networks, and the machine's own."""
    try:
        lines = [line.split() for line in resolvers.read_text(encoding="utf-8").splitlines()]
    except (OSError, UnicodeDecodeError):
        return
    asked = [line[1].partition("%")[0] for line in lines if line[:1] == ["nameserver"] and len(line) > 1]
    networks = [ip_network(network) for network in notice.networks]
    for server in asked:
        address = ip_address(server)
        if not address.is_loopback and not any(address in network for network in networks):
            what = f"This machine asks {server} where {host} is, and networks does not name it."
            yield Finding(Severity.WARNS, where, what, f'Add "{server}" to networks, and make the unit again.')


def _way(notice: AnyNotice) -> str:
    match notice:
        case MailNotice():
            return f"by mail to {', '.join(notice.to)} through {notice.host}"
        case WebhookNotice():
            return f"by a webhook of {host_of(notice)}"
        case CommandNotice():
            return f"by the program {notice.run[0]}"
