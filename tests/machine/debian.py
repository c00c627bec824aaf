"""A Debian to install into: a root file system in a folder, and disks made of it.

Debian packages: mmdebstrap, e2fsprogs. Needs root. The file system is made once and kept; what a test does to it, it
does to a copy.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.machine.needs import need
from tests.machine.virtual_machine import Machine
from tests.runtime.kitchen import build

ROOT = Path(__file__).parents[2]
_KEPT = ROOT / ".test-data" / "debian"
_PACKAGES = (
    # what deploy/setup wants, so that deploy/install finds nothing missing in a guest without a network
    *("python3", "python3-venv", "python3-dev", "gcc", "pkg-config", "libportaudio2", "libsystemd-dev"),
    # a computer that boots, keeps time, and does what it is told
    *("linux-image-amd64", "initramfs-tools", "systemd-sysv", "systemd-timesyncd", "dbus"),
    *("udev", "kmod", "iproute2", "procps", "qemu-guest-agent"),
)
_FILES = {
    "etc/initramfs-tools/conf.d/virtual": "MODULES=list\n",
    "usr/share/initramfs-tools/modules.d/virtual": "virtio_pci\nvirtio_blk\nnfit\nnd_pmem\next4\n",
    # the kernel's card without a plug, by the name that the udev rule would give to an interface on USB
    "etc/modules-load.d/sound.conf": "snd-aloop\n",
    "etc/modprobe.d/sound.conf": "options snd-aloop id=gallery pcm_substreams=1\n",
    # as deploy/guides/technician.md has it for a root file system that is read-only
    "etc/fstab": "LABEL=variable /var ext4 defaults 0 0\ntmpfs /tmp tmpfs nosuid,nodev 0 0\n",
}
_NOT_NEEDED = ("man", "doc", "locale")


def copied(folder: Path, *more: str) -> Path:
    """A root file system of one's own; files that nobody touches share their place on the disk with the kept one.

    more: packages beside the usual ones.
    """
    kept = _made((*_PACKAGES, *more))
    target = folder / "debian"
    folder.mkdir(parents=True, exist_ok=True)
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


def by_the_installer(debian: Path) -> str:
    """Lays residue out with deploy/install; gives the path of its Python."""
    subprocess.run(["/bin/sh", ROOT / "deploy" / "install"], env={**os.environ, "DESTDIR": str(debian)}, check=True)
    return "/opt/residue/.venv/bin/python"


def by_the_package(debian: Path) -> str:
    """Has apt install what deploy/package makes; gives the path of its Python."""
    subprocess.run(["/bin/sh", ROOT / "deploy" / "package", debian / "root"], check=True)
    within(debian, "apt-get --yes --quiet --no-install-recommends install /root/residue_*.deb && rm /root/*.deb")
    return "/usr/lib/residue/bin/python"


@contextmanager
def with_a_house(
    folder: Path,
    port: int,
    prepare: Callable[[Path], None],
    *more: str,
    install: Callable[[Path], str] = by_the_installer,
) -> Iterator[Machine]:
    """A computer with residue installed as by a technician, and a short piece in place of the demo.

    prepare: is given the root file system, and changes what it wants before the piece is planned. more: packages beside
    the usual ones.
    """
    need("qemu-system-x86_64", "mmdebstrap", "mke2fs", root=True, processor="x86_64")
    debian = copied(folder, *more)
    python = install(debian)
    shutil.rmtree(debian / "srv/residue")
    shutil.copytree(build(folder, port, duration_s=60.0), debian / "srv/residue")
    prepare(debian)
    # Planned beforehand: for the guest that is minutes of work.
    planning = f"{python} -I -m residue.runtime.planning.planning /srv/residue /srv/residue"
    within(debian, f"cd / && {planning} /var/cache/private/residue")
    yield with_disks(debian, folder)
    shutil.rmtree(folder)


@contextmanager
def with_the_program(folder: Path, prepare: Callable[[Path], None]) -> Iterator[Machine]:
    """A computer on which residue is installed and does not run. prepare: is given the root file system."""
    need("qemu-system-x86_64", "mmdebstrap", "mke2fs", "debugfs", root=True, processor="x86_64")
    debian = copied(folder)
    by_the_installer(debian)
    within(debian, "rm -f /etc/systemd/system/*/residue.service")
    prepare(debian)
    yield with_disks(debian, folder)
    shutil.rmtree(folder)


def with_disks(debian: Path, folder: Path) -> Machine:
    """A machine with two disks: one for the root, one for /var."""
    system, variable = folder / "system.img", folder / "variable.img"
    for disk, content, size in ((system, debian, "3G"), (variable, debian / "var", "512M")):
        subprocess.run(["/sbin/mke2fs", "-q", "-t", "ext4", "-L", disk.stem, "-d", content, disk, size], check=True)
    return Machine((debian / "vmlinuz").resolve(), _initrd(debian), (system, variable))


def _initrd(debian: Path) -> Path:
    return next((debian / "boot").glob("initrd.img-*"))


def _made(packages: Sequence[str]) -> Path:
    release = _release()
    wanted = hashlib.sha256(repr((release, packages, _FILES)).encode()).hexdigest()[:16]
    kept = _KEPT / wanted
    if kept.exists():
        return kept
    begun = kept.with_suffix(".begun")
    shutil.rmtree(begun, ignore_errors=True)
    begun.mkdir(parents=True)
    hooks = [
        f'--essential-hook=install -D /dev/null "$1/{path}"; printf "{_escaped(text)}" >"$1/{path}"'
        for path, text in _FILES.items()
    ]
    excluded = [f"--dpkgopt=path-exclude=/usr/share/{what}/*" for what in _NOT_NEEDED]
    command = ["mmdebstrap", "--mode=root", "--variant=minbase", "--quiet", "--dpkgopt=force-unsafe-io", *excluded]
    subprocess.run([*command, *hooks, f"--include={','.join(packages)}", release, begun], check=True)
    begun.rename(kept)
    return kept


def _release() -> str:
    """Of this machine: the Python that the Debian has must be the one that the program's .venv was made with."""
    lines = Path("/etc/os-release").read_text(encoding="utf-8").splitlines()
    told = dict(line.replace('"', "").split("=", 1) for line in lines if "=" in line)
    if told.get("ID") != "debian":
        raise RuntimeError("Only a Debian can make the Debian that these tests install into.")
    return told["VERSION_CODENAME"]


def _escaped(text: str) -> str:
    return text.replace("\n", "\\n")
