"""A Debian to install into: a root file system in a folder.

Debian package: mmdebstrap. Needs root. The file system is made once and kept; what a test does to it, it
does to a copy.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]
_KEPT = ROOT / ".test-data" / "debian"
_PACKAGES = (
    # what deploy/setup wants, so that deploy/install would find nothing missing
    *("python3", "python3-venv", "python3-dev", "gcc", "pkg-config", "libportaudio2", "libsystemd-dev"),
    *("systemd-sysv", "systemd-timesyncd", "udev"),
)
_NOT_NEEDED = ("man", "doc", "locale")


def copied(folder: Path) -> Path:
    """A root file system of one's own; files that nobody touches share their place on the disk with the kept one."""
    kept = _made()
    target = folder / "debian"
    subprocess.run(["cp", "-al", kept, target], check=True)
    return target


def within(debian: Path, command: str) -> str:
    """Have a shell do something as if the folder were the machine. Raises where it fails."""
    done = subprocess.run(
        ["chroot", debian, "/bin/sh", "-ec", command],
        env={"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", "LC_ALL": "C"},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise RuntimeError(f"{command}: {done.stdout}\n{done.stderr}")
    return done.stdout


def _made() -> Path:
    release = _release()
    wanted = hashlib.sha256(repr((release, _PACKAGES)).encode()).hexdigest()[:16]
    kept = _KEPT / wanted
    if kept.exists():
        return kept
    begun = kept.with_suffix(".begun")
    shutil.rmtree(begun, ignore_errors=True)
    begun.mkdir(parents=True)
    excluded = [f"--dpkgopt=path-exclude=/usr/share/{what}/*" for what in _NOT_NEEDED]
    command = ["mmdebstrap", "--mode=root", "--variant=minbase", "--quiet", "--dpkgopt=force-unsafe-io", *excluded]
    subprocess.run([*command, f"--include={','.join(_PACKAGES)}", release, begun], check=True)
    begun.rename(kept)
    return kept


def _release() -> str:
    """Of this machine: the Python that the Debian has must be the one that the program's .venv was made with."""
    lines = Path("/etc/os-release").read_text(encoding="utf-8").splitlines()
    told = dict(line.replace('"', "").split("=", 1) for line in lines if "=" in line)
    if told.get("ID") != "debian":
        raise RuntimeError("Only a Debian can make the Debian that these tests install into.")
    return told["VERSION_CODENAME"]
