"""Prints what a Debian package says of itself: its version, its changelog, the licences of what it holds.

python -m deploy.debian.documents version BUILT; or changelog BUILT MAINTAINER; or copyright SITE_PACKAGES. BUILT is the
moment of what is packed, in ISO 8601.
Sources: Debian Policy 4.4 (changelog), 5.6.12 (versions), 12.5 (copyright).
"""

from __future__ import annotations

import re
import sys
import textwrap
from collections.abc import Iterable, Iterator
from datetime import date, datetime, time
from email.utils import format_datetime
from importlib.metadata import Distribution, distributions
from pathlib import Path

import residue

ROOT = Path(__file__).parents[2]
_RELEASE = re.compile(r"^## (?:Unreleased|(\d+\.\d+\.\d+) · (\d{4}-\d\d-\d\d))$", re.MULTILINE)
_LICENCE = re.compile(r"licen[cs]e|copying", re.IGNORECASE)
_END = r"END OF TERMS AND CONDITIONS"
_COMMON = (
    ("Apache-2.0", rf"Apache License\s+Version 2\.0, January 2004.*?{_END}"),
    ("GPL-2", rf"GNU GENERAL PUBLIC LICENSE\s+Version 2, June 1991.*?{_END}"),
    ("GPL-3", rf"GNU GENERAL PUBLIC LICENSE\s+Version 3, 29 June 2007.*?{_END}(.*?why-not-lgpl\.html>\.)?"),
    (
        "LGPL-3",
        r"GNU LESSER GENERAL PUBLIC LICENSE\s+Version 3, 29 June 2007.*?choose that version for the\s+Library\.",
    ),
    ("LGPL-2.1", rf"GNU LESSER GENERAL PUBLIC LICENSE\s+Version 2\.1, February 1999.*?{_END}"),
)
"""Texts that every Debian has in /usr/share/common-licenses: Policy has a package name them and not repeat them."""

_WITHOUT_A_WORD = {"bagit": "CC0-1.0, the public domain. The text is /usr/share/common-licenses/CC0-1.0."}
"""Packages that bring no licence along; deploy/licences/README.md says where theirs stands."""


def version(changes: str, built: datetime) -> str:
    """The version of the package: the last release, and the day where there are changes after it."""
    return f"{residue.__version__}+{built:%Y%m%d}" if next(_parts(changes))[2] else residue.__version__


def changelog(changes: str, built: datetime, maintainer: str) -> str:
    """CHANGELOG.md in the form of Debian's changelogs."""
    return "\n\n".join(
        _entry(number or version(changes, built), points, f"{maintainer}  {_moment(day, built)}")
        for number, day, points in _parts(changes)
        if points
    )


def copyright_file(begun: str, packages: Iterable[Distribution]) -> str:
    """deploy/debian/copyright, and after it the licence of each package in its own words.

    Raises KeyError where one says nothing of its licence.
    """
    return "\n".join([begun, *map(_stanza, sorted(packages, key=lambda one: one.name.lower()))])


def _parts(changes: str) -> Iterator[tuple[str | None, date | None, list[str]]]:
    """(number, day, points) of each release, the latest first; what is not released yet has no number and no day."""
    parts = _RELEASE.split(changes)[1:]
    for number, day, text in zip(parts[::3], parts[1::3], parts[2::3], strict=True):
        points = re.findall(r"^- (.+(?:\n  .+)*)", text, re.MULTILINE)
        yield number, date.fromisoformat(day) if day else None, [" ".join(point.split()) for point in points]


def _entry(number: str, points: Iterable[str], signed: str) -> str:
    told = (textwrap.fill(point, 78, initial_indent="  * ", subsequent_indent="    ") for point in points)
    return "\n".join([f"residue ({number}) unstable; urgency=medium", "", *told, "", f" -- {signed}", ""])


def _moment(day: date | None, built: datetime) -> str:
    return format_datetime(built if day is None else datetime.combine(day, time(12), built.tzinfo))


def _stanza(package: Distribution) -> str:
    files = [file for file in package.files or [] if ".." not in file.parts]
    own = sorted({file.parts[0] for file in files if not file.parts[0].endswith((".dist-info", "__pycache__"))})
    texts = [
        file.read_text(encoding="utf-8")
        for file in files
        if _LICENCE.search(file.name) and file.suffix not in (".py", ".pyc") and Path(str(file.locate())).is_file()
    ]
    texts = texts or package.metadata.get_all("License", []) or [_WITHOUT_A_WORD[package.name]]
    lines = [line.rstrip() for text in texts for line in [*_named(text).splitlines(), ""]]
    within = "usr/lib/residue/lib/*/site-packages"
    return "\n".join(
        [
            "Files: " + "\n ".join(f"{within}/{name}{'' if '.' in name else '/*'}" for name in own),
            f"Copyright: see the licence of {package.name}",
            f"License: that-of-{re.sub('[-_.]+', '-', package.name).lower()}-{package.version}",
            *(f" {line if line.strip() else '.'}" for line in lines),
            "",
        ]
    )


def _named(text: str) -> str:
    """A licence, with the name of the file in place of a text that every Debian has."""
    for name, whole in _COMMON:
        text = re.sub(whole, f"The text is /usr/share/common-licenses/{name}.", text, flags=re.DOTALL | re.IGNORECASE)
    return text


def main(what: str, *arguments: str) -> None:
    """Print one of the three."""
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    if what == "version":
        told = version(changes, datetime.fromisoformat(arguments[0])) + "\n"
    elif what == "changelog":
        told = changelog(changes, datetime.fromisoformat(arguments[0]), arguments[1])
    else:
        begun = (ROOT / "deploy" / "debian" / "copyright").read_text(encoding="utf-8")
        others = (one for one in distributions(path=[arguments[0]]) if one.name != "residue")
        told = copyright_file(begun, others)
    sys.stdout.write(told)


if __name__ == "__main__":
    main(*sys.argv[1:])
