"""What a Debian package says of itself, read by Debian's own tools where they are the judge."""

from __future__ import annotations

import subprocess
from datetime import datetime
from pathlib import Path

from deploy.debian.documents import changelog, version

BUILT = datetime.fromisoformat("2026-12-03T10:00:00+01:00")
RELEASED = """\
# Changes

## Unreleased

## 0.1.0 · 2026-11-29

- The first version
  that plays.
"""
CHANGED = RELEASED.replace("## Unreleased\n", "## Unreleased\n\n- A gap is no more.\n- Another line.\n")


def test_a_release_has_its_own_version_and_what_comes_after_it_a_later_one() -> None:
    """dpkg says which of two is later. Source: Debian Policy 5.6.12."""
    assert (version(RELEASED, BUILT), version(CHANGED, BUILT)) == ("0.1.0", "0.1.0+20261203")
    for earlier, later in (("0.1.0", "0.1.0+20261203"), ("0.1.0+20261203", "0.1.1")):
        subprocess.run(["dpkg", "--compare-versions", earlier, "lt", later], check=True)


def test_the_changelog_is_one_that_debian_reads(tmp_path: Path) -> None:
    """Source: Debian Policy 4.4; dpkg-parsechangelog(1) warns of every line that it cannot place."""
    path = tmp_path / "changelog"
    path.write_text(changelog(CHANGED, BUILT, "The House <house@gallery.example>"), encoding="utf-8")
    read = subprocess.run(
        ["dpkg-parsechangelog", "--all", "-l", path],
        capture_output=True,
        text=True,
        check=True,
        env={"PATH": "/usr/bin:/bin"},
    )
    assert read.stderr == ""
    assert "Version: 0.1.0+20261203\n" in read.stdout
    assert "A gap is no more." in read.stdout
    assert "The first version that plays." in read.stdout
    assert "Date: Thu, 03 Dec 2026 10:00:00 +0100\n" in read.stdout
