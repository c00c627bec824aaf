"""The licences of what an installation ships, against what the packages say of themselves."""

from __future__ import annotations

import re
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

import pytest

from deploy.debian.documents import copyright_file

ROOT = Path(__file__).parents[2]
LICENCES = ROOT / "deploy" / "licences"
LOCKED = dict.fromkeys(
    re.findall(r"^([a-z0-9-]+)==", (ROOT / "deploy" / "lock" / "run.txt").read_text(encoding="utf-8"), re.MULTILINE)
)
COPYLEFT = re.compile(r"GPL|EPL|MPL|Eclipse|copyleft|Mozilla|European Union Public", re.IGNORECASE)
WITHOUT_A_FILE = {"bagit", "python-osc"}
"""Given to the public domain; deploy/licences/README.md says so."""


def told(package: Distribution) -> str:
    """What it says of its licence, on one line, without the text that some put there whole."""
    facts = package.metadata
    expressions = facts.get_all("License-Expression", [])
    fields = [*expressions, *(text.partition("\n")[0] for text in facts.get_all("License", []))]
    return " ".join([*fields, *(line for line in facts.get_all("Classifier", []) if line.startswith("License"))])


@pytest.fixture
def table() -> dict[str, str]:
    """By package: the licence in the table of deploy/licences/README.md."""
    rows = re.findall(r"^\| ([a-z-]+)[^|]*\| ([^|]+)\|", (LICENCES / "README.md").read_text("utf-8"), re.MULTILINE)
    return {name: licence for name, licence in rows if name in LOCKED}


@pytest.mark.parametrize("name", LOCKED)
def test_a_licence_that_asks_more_than_a_name_is_in_the_table(name: str, table: dict[str, str]) -> None:
    try:
        package = distribution(name)
    except PackageNotFoundError:
        pytest.fail(f"{name} is locked and not installed: sh deploy/test")
    if COPYLEFT.search(told(package)):
        assert name in table, told(package)
    # An egg of old tells its sources in a file of its own; another library may have taken the files of eggs away.
    files = [file.name for file in package.files or []] + (package.read_text("SOURCES.txt") or "").split()
    kept = any(re.search(r"licen[cs]e|copying", file, re.IGNORECASE) for file in files)
    assert kept or name in WITHOUT_A_FILE


def test_the_text_of_each_licence_in_the_table_is_here(table: dict[str, str]) -> None:
    needed = set(re.findall(r"\b(EPL|LGPL)-(\d\.\d)", " ".join(table.values())))
    assert needed == {("EPL", "1.0"), ("LGPL", "2.1"), ("LGPL", "3.0")}
    for kind, version in needed:
        text = (LICENCES / f"{kind}-{version}.txt").read_text(encoding="utf-8")
        assert len(text) > 5_000
        assert re.search(rf"Version {version[0]}|v {version}|-v {version}", text)
    assert "GNU GENERAL PUBLIC LICENSE" in (LICENCES / "GPL-3.0.txt").read_text(encoding="utf-8")


def test_the_package_of_the_system_has_the_licence_of_each_package_and_its_files() -> None:
    """Source: Debian Policy 12.5: the licences of all that is in a package stand in its file copyright."""
    begun = (ROOT / "deploy" / "debian" / "copyright").read_text(encoding="utf-8")
    text = copyright_file(begun, [distribution(name) for name in LOCKED])
    stanzas = {stanza.partition("License: that-of-")[2].partition("\n")[0]: stanza for stanza in text.split("\n\n")}
    for name in LOCKED:
        [stanza] = [stanza for key, stanza in stanzas.items() if re.fullmatch(rf"{name}-\d\S*", key)]
        files, licence = stanza.split("\nLicense: ")
        assert "site-packages/" in files
        assert len(licence.splitlines()) > 1
    soundfile = next(stanza for key, stanza in stanzas.items() if key.startswith("soundfile"))
    assert "site-packages/_soundfile_data/*" in soundfile
    assert "LGPL" in next(stanza for key, stanza in stanzas.items() if key.startswith("x-wr-timezone"))
    assert not re.search(r"^ +(0\. Additional Definitions|TERMS AND CONDITIONS)", text, re.MULTILINE), (
        "names, not texts"
    )


def test_our_own_licence_stands_in_it_too() -> None:
    text = (ROOT / "deploy" / "debian" / "copyright").read_text(encoding="utf-8")
    assert "Permission is hereby granted" in text
    assert (ROOT / "LICENSE").read_text(encoding="utf-8").splitlines()[2].removeprefix("Copyright (c) ") in text
