"""Commands that give a process surroundings of its own: mounts and network of a namespace, failing system calls."""

from __future__ import annotations

from pathlib import Path


def with_mounts(*preparation: str) -> list[str]:
    """What the shell lines do to the mounts, only the process sees. Needs root. Source: unshare(1)."""
    return ["unshare", "--mount", "sh", "-euc", "; ".join([*preparation, 'exec "$@"']), "sh"]


def small_disk(folder: Path, size: str) -> list[str]:
    """A disk of its own in a folder. Source: tmpfs(5)."""
    folder.mkdir(parents=True, exist_ok=True)
    return with_mounts(f'mount -t tmpfs -o size={size} tmpfs "{folder}"')


def read_only_but(folder: Path) -> list[str]:
    """A root file system that takes nothing, but in one folder."""
    folder.mkdir(parents=True, exist_ok=True)
    every_mount = 'for at in $(cut -d" " -f5 /proc/self/mountinfo); do case $at in'
    kept = f'/proc*|/sys*|/dev*|"{folder}"*) ;; *) mount -o remount,bind,ro "$at" || true ;; esac; done'
    return with_mounts(f'mount --bind "{folder}" "{folder}"', f"{every_mount} {kept}")


def without_a_network() -> list[str]:
    """Nobody can be reached but the machine itself. Needs root."""
    return ["unshare", "--net", "sh", "-euc", 'ip link set lo up; exec "$@"', "sh"]


def traced(into: Path, calls: str, *inject: str) -> list[str]:
    """System calls written down or made to fail, in all threads and children. Source: strace(1)."""
    options = ["-D", "-f", "-qq", "--seccomp-bpf", "-o", str(into), "-e", f"trace={calls}"]
    return ["strace", *options, *(f"--inject={one}" for one in inject)]


def seen(process_id: int, path: Path) -> Path:
    """A path as the process in its namespace sees it, from without. Source: proc(5)."""
    return Path(f"/proc/{process_id}/root{path}")
