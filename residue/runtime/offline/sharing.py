"""Shares the folder of the curator's files with other computers, over SMB, by the machine's own Samba."""

from __future__ import annotations

import grp
import os
import pwd
import shutil
import stat
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from residue.installation.load import HOURS, HOURS_FILES, ROOM, Installation, mixed
from residue.problems import Finding, ProblemError, Severity, stopping, stops
from residue.runtime.system.files import replace_file
from residue.runtime.system.shared_files import put_shared
from residue.schedule.beside import CALENDAR_FILE
from residue.schedule.calendar_fetch import Fetched, Unfetched, fetch
from residue.schedule.hours_folder import HoursFolder

SHARE = "residue-hours"
"""The name of the share on other computers."""
CURATOR = "residue-curator"
"""The only user of the share; it cannot log in to the machine."""
_GROUP = "audio"
"""The group of the service."""
_DEFINITION = Path("etc/samba/residue-hours.conf")
_SAMBA = Path("etc/samba/smb.conf")
_INCLUDE, _END = f"include = /{_DEFINITION}", "\n"
_SYSTEMD, _SYSTEMCTL = Path("/run/systemd/system"), "/usr/bin/systemctl"
_HIDDEN = ("/home", "/root", "/run", "/tmp", "/var/tmp")  # noqa: S108 (they are pointed out)
_MODE = 0o2770
"""The group writes, and new files are the group's."""


def definition(folder: HoursFolder) -> str:
    """The definition of the share for Samba: one user, encrypted, no links. Source of the keys: smb.conf(5)."""
    keys = {
        "comment": "Hours of the house",
        "path": folder.path,
        "valid users": CURATOR,
        "read only": "no",
        "guest ok": "no",
        "server smb encrypt": "required",
        **({"hosts allow": " ".join(("127.0.0.1", "::1", *folder.share_with))} if folder.share_with else {}),
        "force group": _GROUP,
        "create mask": "0660",
        "force create mode": "0660",
        "directory mask": "2770",
        "follow symlinks": "no",
        "wide links": "no",
    }
    lines = [f"    {key} = {value}" for key, value in keys.items()]
    return "\n".join(["# `residue share` makes it of room.toml: do not edit it by hand.", f"[{SHARE}]", *lines]) + "\n"


def prepare(installation: Path, folder: HoursFolder, root: Path = Path("/")) -> list[str]:
    """Makes the folder and puts the curator's files into it if there are none; gives what it did.

    They are the calendar on the web, and those of the installation. root: that of the file system, for a machine that
    is laid out in a folder. Raises ProblemError.
    """
    if stops(found := list(mixed(installation, folder))):
        raise ProblemError(found)
    place, done = root / folder.path.lstrip("/"), list[str]()
    try:
        if not place.is_dir():
            place.mkdir(parents=True)
            done.append(f"{folder.path} is made.")
        os.chown(place, -1, grp.getgrnam(_GROUP).gr_gid)
        place.chmod(_MODE)
        if folder.fetched_from is not None and not (place / CALENDAR_FILE).exists():
            done.append(_fetched(folder, folder.fetched_from, place))
        for name in reversed(HOURS_FILES):  # hours.toml last: once it is there, no more is copied
            source = installation / name
            if source.exists() and not (place / HOURS).exists() and not (place / name).exists():
                done.append(_copied(source, place / name))
    except (OSError, KeyError) as error:
        raise stopping(folder.path, f"It cannot be prepared: {error}.", "Run this as root, with sudo.") from error
    return done


def share(folder: HoursFolder, root: Path = Path("/")) -> list[str]:
    """Has Samba share the folder: its definition, one line in smb.conf, and the curator as a user; gives what it did.

    Raises ProblemError where there is no Samba, or this user may not.
    """
    main = root / _SAMBA
    if not main.exists():
        mend = "Install it: sudo apt install samba. Then run this again."
        raise stopping(f"/{_SAMBA}", "There is no Samba on this machine.", mend)
    try:
        _replace_readable(root / _DEFINITION, definition(folder))
        written = main.read_text(encoding="utf-8", errors="surrogateescape")
        if _INCLUDE not in written.splitlines():
            # At the end, behind the last share, where it cannot change what stands before it.
            _replace_readable(main, f"{written}{'' if written.endswith(_END) else _END}{_INCLUDE}{_END}")
        done = [f"/{_DEFINITION} is written, and /{_SAMBA} includes it."]
        if root == Path("/"):
            done += _curator()
            _reload()
    except (OSError, subprocess.CalledProcessError) as error:
        raise stopping(f"/{_DEFINITION}", f"It cannot be written: {error}.", "Run this as root, with sudo.") from error
    return done


def unshare(root: Path = Path("/")) -> list[str]:
    """Takes the share and its user away from Samba, and leaves the folder as it is; gives what it did.

    Raises ProblemError where this user may not.
    """
    main, done = root / _SAMBA, list[str]()
    try:
        (root / _DEFINITION).unlink(missing_ok=True)
        if main.exists():  # else Samba was taken away before
            lines = main.read_text(encoding="utf-8", errors="surrogateescape").splitlines(keepends=True)
            kept = [line for line in lines if line.rstrip(_END) != _INCLUDE]
            if kept != lines:
                _replace_readable(main, "".join(kept))
                done.append("The folder of the hours is no longer shared. What lies in it stays.")
        if root == Path("/"):
            _end_share()
            done += _without_curator()
    except (OSError, subprocess.CalledProcessError) as error:
        raise stopping(
            f"/{_SAMBA}", f"The share cannot be removed: {error}.", "Run this as root, with sudo."
        ) from error
    return done


def folder_findings(installation: Installation) -> Iterator[Finding]:
    """Finds a folder of the hours that the service cannot write to, and files that it no longer reads."""
    named = installation.room.hours_folder
    if named is None:
        return
    where, place = f"{ROOM}: hours_folder.path", Path(named.path)
    if any(place.is_relative_to(hidden) for hidden in _HIDDEN):
        what = f"The unit hides {named.path} from the service, or a start of the machine empties it."
        yield Finding(Severity.WARNS, where, what, "Write another path, such as /srv/residue-hours.")
    mend = f"Run: sudo residue share {installation.folder} --install"
    held = place.stat()
    groups = {group.gr_gid for group in grp.getgrall() if group.gr_name == _GROUP}
    if held.st_gid not in groups or held.st_mode & stat.S_IRWXG != stat.S_IRWXG:
        what = f"The service's group {_GROUP} may not write to {place}, so there is no answer to the curator."
        yield Finding(Severity.WARNS, where, what, mend)
    left = [name for name in HOURS_FILES if (installation.folder / name).exists()]
    if left:
        what = f"{' and '.join(left)} in {installation.folder} no longer count: {place} does."
        yield Finding(Severity.NOTES, where, what, "Remove them, so that nobody edits them in vain.")


def _fetched(folder: HoursFolder, url: str, place: Path) -> str:
    """The calendar on the web for the first time: without it the house would not start."""
    outcome = fetch(url, ca_file=folder.ca_file)
    if not isinstance(outcome, Fetched):
        why = outcome.why if isinstance(outcome, Unfetched) else "It sends nothing."
        return f"The calendar of {folder.server} could not be fetched yet. {why}"
    put_shared(place / CALENDAR_FILE, outcome.content)
    return f"The calendar of {folder.server} is fetched."


def _copied(source: Path, target: Path) -> str:
    put_shared(target, source.read_bytes())
    return f"{source} is copied there; from now on the house reads the copy."


def _replace_readable(path: Path, text: str) -> None:
    replace_file(path, text.encode(errors="surrogateescape"))
    path.chmod(0o644)


def _curator() -> Iterator[str]:
    """A user who cannot log in."""
    try:
        pwd.getpwnam(CURATOR)
    except KeyError:
        options = ["--system", "--no-create-home", "--home-dir", "/nonexistent", "--shell", "/usr/sbin/nologin"]
        subprocess.run(["/usr/sbin/useradd", *options, "--gid", _GROUP, CURATOR], check=True)
        yield f"There is a user {CURATOR} now, who cannot log in."


def _without_curator() -> Iterator[str]:
    """Without a password in Samba, and then without a user."""
    with suppress(KeyError):
        pwd.getpwnam(CURATOR)
        if (smbpasswd := shutil.which("smbpasswd")) is not None:  # it fails where nobody has given a password yet
            subprocess.run([smbpasswd, "-x", CURATOR], check=False, capture_output=True)
        subprocess.run(["/usr/sbin/userdel", CURATOR], check=True)
        yield f"The user {CURATOR} is removed."


def _end_share() -> None:
    """Also for a computer that has it open. Source: smbcontrol(1), close-share.

    Samba may have been stopped or removed before, and then there is nothing to end.
    """
    if _SYSTEMD.is_dir():
        subprocess.run([_SYSTEMCTL, "try-reload-or-restart", "smbd"], check=False, capture_output=True)
    if (smbcontrol := shutil.which("smbcontrol")) is not None:
        subprocess.run([smbcontrol, "smbd", "close-share", SHARE], check=False, capture_output=True)


def _reload() -> None:
    if _SYSTEMD.is_dir():
        subprocess.run([_SYSTEMCTL, "reload-or-restart", "smbd"], check=True)
