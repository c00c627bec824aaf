"""[hours_folder] of room.toml: where the curator's files stand if not in the installation, and a calendar to fetch."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

import msgspec
from msgspec import Meta

from residue.checking import check_networks, is_name

_PLAIN = re.compile(r"[A-Za-z0-9._/-]+")
_SIGNS = re.compile(r"[!-~]+")
"""What an address on the web consists of. Source: RFC 3986, section 2."""
ANSWER, ANSWER_CALENDAR = "hours-answer.txt", "hours-answer.ics"
"""The files that the house writes into the folder."""
_WHOLE = frozenset({"/", "/media", "/mnt", "/root", "/run", "/srv", "/tmp", "/var", "/var/lib", "/var/tmp"})  # noqa: S108
"""Folders that hold those of others."""
_HOMES = Path("/home")
"""Each folder in it is a person's, with keys that no group may write to."""
_SYSTEM = (
    "/bin",
    "/boot",
    "/dev",
    "/etc",
    "/lib",
    "/opt",
    "/proc",
    "/sbin",
    "/sys",
    "/usr",
    "/var/cache",
    "/var/lib/private",
    "/var/lib/residue",
)
"""Folders of the system, with all within."""


class HoursFolder(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A folder for the curator's files, which other computers may share; the house answers there."""

    path: str
    """The full path of the folder; hours.toml stands there, and hours.ics if there is one, instead of in the
    installation.
    """
    share_with: tuple[str, ...] = ()
    """The networks whose computers may open the folder, for `residue share`."""
    calendar_url: str | None = None
    """A calendar on the web, which the house fetches as hours.ics; it begins with https or webcal."""
    calendar_every_min: Annotated[int, Meta(ge=5, le=1_440)] = 15
    """The minutes between two fetches."""
    calendar_networks: tuple[str, ...] = ()
    """The networks that a fetch reaches, for the unit: the server's, and that of a name server elsewhere."""
    ca_file: str | None = None
    """The full path of a certificate (PEM) of an authority of one's own, where no public one vouches for the server."""
    without_encryption: bool = False
    """Whether calendar_url may begin with http: then anybody between can change the hours."""

    def __post_init__(self) -> None:
        path = Path(re.sub("/+", "/", self.path))  # two at the beginning would be another root
        if not path.is_absolute():
            raise ValueError(f"'{self.path}' is not a full path. Write one such as /srv/residue-hours.")
        if not _PLAIN.fullmatch(self.path):
            raise ValueError(f"'{self.path}' has more than letters, digits and the signs . _ - /. Choose another name.")
        of_others = str(path) in _WHOLE or path == _HOMES or path.parent == _HOMES
        if of_others or any(path.is_relative_to(system) for system in _SYSTEM) or ".." in path.parts:
            raise ValueError(f"'{self.path}' is needed by others. Write one such as /srv/residue-hours.")
        check_networks("share_with", self.share_with)
        check_networks("calendar_networks", self.calendar_networks)
        if self.ca_file is not None and not Path(self.ca_file).is_absolute():
            raise ValueError(f"'{self.ca_file}' is not a full path. Write one such as /etc/residue/authority.pem.")
        if self.calendar_url is not None:
            self._check_url(self.calendar_url)

    def _check_url(self, url: str) -> None:
        try:
            parts = urlsplit(url)
            known = parts.scheme in ("https", "webcal", "http") and bool(parts.hostname) and parts.port != 0
        except ValueError:
            known = False
        if not known or not _SIGNS.fullmatch(url):
            raise ValueError(
                "calendar_url is not one of a calendar. Write one such as https://desk.bakery.example/house.ics."
            )
        if parts.scheme == "http" and not self.without_encryption:
            raise ValueError(
                "calendar_url begins with http: anybody between could change the hours. Write https, or "
                "without_encryption = true."
            )
        if is_name(parts.hostname or "") and not self.calendar_networks:
            raise ValueError(
                f"The unit of the service takes addresses, and {parts.hostname} is a name. Write the networks of its "
                'addresses, such as calendar_networks = ["192.0.2.0/24"]; for a server whose addresses change, '
                '["0.0.0.0/0", "::/0"].'
            )

    @property
    def fetched_from(self) -> str | None:
        """The URL as it is fetched; webcal is https by another name."""
        url = self.calendar_url
        return None if url is None else f"https{url[len('webcal') :]}" if url.startswith("webcal:") else url

    @property
    def server(self) -> str:
        """The server of the calendar, for people: the rest of the URL may be a secret."""
        return urlsplit(self.calendar_url or "").hostname or ""
