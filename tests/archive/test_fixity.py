"""What the checksums of a bag tell; bags made by others are verified in tests/reference/test_bags.py."""

from __future__ import annotations

from pathlib import Path

import bagit
import pytest

from residue.archive.fixity import is_valid, verify


@pytest.fixture
def two_manifests(tmp_path: Path) -> Path:
    """A bag sealed with two algorithms, which RFC 8493, section 2.4, allows."""
    bag = tmp_path / "first-batch"
    bag.mkdir()
    (bag / "beats.txt").write_text("800\n850\n", encoding="utf-8")
    bagit.make_bag(str(bag), checksums=["sha256", "sha512"])
    return bag


def wrong(manifest: Path, name: str) -> None:
    """Another checksum for a file in a manifest, and no manifest of manifests that would tell of it."""
    lines = manifest.read_text(encoding="utf-8").splitlines()
    changed = [f"{'0' * len(line.split()[0])}  {name}" if line.endswith(name) else line for line in lines]
    assert changed != lines
    manifest.write_text("\n".join(changed) + "\n", encoding="utf-8")
    for tags in manifest.parent.glob("tagmanifest-*.txt"):
        tags.unlink()


def test_both_checksums_of_an_untouched_bag_hold(two_manifests: Path) -> None:
    assert verify(two_manifests) == []


@pytest.mark.parametrize("algorithm", ["sha256", "sha512"])
def test_one_wrong_checksum_of_two_is_enough(two_manifests: Path, algorithm: str) -> None:
    """RFC 8493, section 3: every checksum in every manifest is verified."""
    wrong(two_manifests / f"manifest-{algorithm}.txt", "data/beats.txt")
    findings = verify(two_manifests)
    assert not is_valid(findings)
    assert [finding.what for finding in findings] == ["data/beats.txt has changed since the bag was sealed."]
