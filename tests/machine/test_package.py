"""The Debian package, installed by apt into a Debian and taken away again."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.machine.debian import ROOT, copied, within
from tests.machine.needs import need

pytestmark = [pytest.mark.machine, pytest.mark.timeout(1_200)]

APT = "DEBIAN_FRONTEND=noninteractive apt-get --yes --quiet"
PAGES = "/usr/share/doc/residue /usr/share/doc/residue/* /usr/share/man/man1 /usr/share/man/man1/residue*"
"""What the small Debian of these tests would leave out, as it does of all other packages."""
LEAVE = {"opt/residue", "usr/bin/residue", "lib/systemd/system/residue.service", "lib/udev/rules.d/90-residue.rules"}


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    need("mmdebstrap", "dpkg-deb", root=True)
    folder = tmp_path_factory.mktemp("package")
    subprocess.run(["/bin/sh", ROOT / "deploy" / "package", folder], check=True)
    (made,) = folder.glob("residue_*.deb")
    return made


@pytest.fixture(scope="module")
def debian(package: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A Debian that has the package."""
    system = copied(tmp_path_factory.mktemp("system"))
    shutil.copy(package, system / "root")
    included = "".join(f"path-include={path}\n" for path in PAGES.split())
    (system / "etc/dpkg/dpkg.cfg.d/zz-residue").write_text(included, encoding="utf-8")
    within(system, f"{APT} install /root/{package.name}")
    yield system
    shutil.rmtree(system)


def test_apt_installs_it_and_the_demo_may_open(debian: Path) -> None:
    checked = within(debian, "residue check /srv/residue --device silent")
    assert checked.splitlines()[-1] == "It can open."
    assert within(debian, "systemctl is-enabled residue").strip() == "enabled"


def test_what_it_brings_is_what_the_installer_brings(debian: Path) -> None:
    unit = (debian / "lib/systemd/system/residue.service").read_text(encoding="utf-8")
    assert unit == (ROOT / "deploy" / "residue.service").read_text(encoding="utf-8")
    assert "pcm.gallery" in within(debian, "cat /etc/alsa/conf.d/90-residue.conf")
    assert within(debian, "dpkg --verify residue") == ""


def test_nothing_in_it_is_written_again_whatever_the_times_of_its_files(debian: Path) -> None:
    # the installer changes this file within the second in which pip made it
    finder = "/opt/residue/.venv/lib/python3*/site-packages/__editable__*_finder.py"
    within(debian, f"touch {finder}; residue caps /srv/residue")
    assert within(debian, "dpkg --verify residue") == ""


def test_purging_it_leaves_the_installation_and_nothing_else(debian: Path) -> None:
    within(debian, f"echo '# the technician was here' >>/srv/residue/room.toml; {APT} purge residue")
    assert {path for path in LEAVE if (debian / path).exists()} == set()
    assert "the technician was here" in (debian / "srv/residue/room.toml").read_text(encoding="utf-8")
    (debian / "etc/dpkg/dpkg.cfg.d/zz-residue").unlink()
    left = within(debian, "find /etc /usr /lib /opt/residue -name '*residue*' 2>/dev/null || true").split()
    assert left == []
