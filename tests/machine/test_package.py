"""The Debian package, installed by apt into a Debian and taken away again."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.machine.debian import ROOT, copied, within
from tests.machine.needs import need

pytestmark = [pytest.mark.machine, pytest.mark.timeout(3_600)]

APT = "DEBIAN_FRONTEND=noninteractive apt-get --yes --quiet"
PAGES = "/usr/share/doc/residue /usr/share/doc/residue/* /usr/share/man/man1 /usr/share/man/man1/residue*"
"""What the small Debian of these tests would leave out, as it does of all other packages."""
BROUGHT = {
    "usr/lib/residue",
    "usr/share/residue",
    "usr/bin/residue",
    "usr/lib/systemd/system/residue.service",
    "usr/lib/udev/rules.d/90-residue.rules",
    "etc/systemd/system/residue.service.d",
}
MOST_BYTES = 60_000_000
"""Our own bound: what a slow line brings within some minutes."""
PROJECTOR = '\n[[equipment]]\nname = "wall"\nkind = "projector"\nhost = "192.0.2.7"\n'


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    need("mmdebstrap", "dpkg-deb", "lintian", root=True)
    folder = tmp_path_factory.mktemp("package")
    done = subprocess.run(["/bin/sh", ROOT / "deploy" / "package", folder], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (made,) = folder.glob("residue_*.deb")
    assert done.stderr.splitlines()[-1] == f"Made, and not installed on this machine: {made}"
    return made


COMPILER = '#!/bin/sh\ncase "$*" in *kernel*) exit 1 ;; esac\nexec gcc "$@"\n'
"""Of which the inner loops of residue are too much."""


def test_a_package_whose_inner_loops_did_not_compile_is_not_made(tmp_path: Path) -> None:
    need("dpkg-deb")
    compiler = tmp_path / "cc"
    compiler.write_text(COMPILER, encoding="utf-8")
    compiler.chmod(0o755)
    done = subprocess.run(
        ["/bin/sh", ROOT / "deploy" / "package", tmp_path],
        env={**os.environ, "CC": str(compiler)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "The inner loops were not compiled, so no package is made" in done.stderr
    assert list(tmp_path.glob("*.deb")) == []


def test_lintian_has_nothing_to_say_of_it(package: Path) -> None:
    """Debian's own judge of packages; deploy/debian/lintian-overrides has a reason beside each exception."""
    told = subprocess.run(
        ["lintian", "--allow-root", "--fail-on=error,warning", package], capture_output=True, text=True, check=False
    )
    assert (told.returncode, told.stdout) == (0, "")


def licence(path: Path) -> bool:
    """Whether it is a licence of a package, which numpy keeps in folders that are named as those of its source."""
    return "licen" in str(path).lower() and ".dist-info" in str(path)


def test_only_what_runs_is_in_it(package: Path) -> None:
    listed = subprocess.run(["dpkg-deb", "--contents", package], capture_output=True, text=True, check=True).stdout
    paths = [Path(line.split()[5]) for line in listed.splitlines()]
    assert package.stat().st_size <= MOST_BYTES
    assert not {"tests", "test", ".ci", "pip", "setuptools", "generator", "include"} & {
        part for path in paths if not licence(path) for part in path.parts
    }
    assert not [path for path in paths if path.suffix in {".pyc", ".pyx", ".h", ".exe"}]
    licences = [path for path in paths if licence(path)]
    assert len({next(part for part in path.parts if part.endswith(".dist-info")) for path in licences}) > 25


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
    unit = settings(debian / "usr/lib/systemd/system/residue.service")
    installed = settings(ROOT / "deploy" / "residue.service")
    assert unit == [line.replace("/opt/residue/.venv/", "/usr/lib/residue/") for line in installed]
    assert "pcm.gallery" in within(debian, "cat /etc/alsa/conf.d/90-residue.conf")
    assert within(debian, "dpkg --verify residue") == ""


def settings(unit: Path) -> list[str]:
    return [line for line in unit.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]


def test_the_command_the_man_page_and_completion_are_there(debian: Path) -> None:
    assert within(debian, "cd / && residue --version").startswith("residue, version ")
    assert ".SH SYNOPSIS" in within(debian, "zcat /usr/share/man/man1/residue.1.gz")
    assert "/usr/share/doc/residue/guides" in within(debian, "zcat /usr/share/man/man1/residue.1.gz")
    shells = {"bash-completion/completions/residue", "zsh/vendor-completions/_residue"}
    shells |= {"fish/vendor_completions.d/residue.fish"}
    assert all((debian / "usr/share" / shell).is_file() for shell in shells)


def test_every_module_that_we_use_is_there_without_its_tests(debian: Path) -> None:
    imported = (
        "import pkgutil, residue; [__import__(m.name) for m in pkgutil.walk_packages(residue.__path__, 'residue.') "
    )
    said = within(
        debian, f"cd / && /usr/lib/residue/bin/python -I -c \"{imported} if 'main' not in m.name]; print('all')\""
    )
    assert said.splitlines()[-1:] == ["all"]


def test_running_writes_nothing_into_it(debian: Path) -> None:
    """The interpreter's own files are made at the installation: the service may write nothing there."""
    within(debian, "touch /tmp/before && residue caps /srv/residue")
    assert within(debian, "find /usr/lib/residue -newer /tmp/before") == ""
    assert within(debian, "dpkg --verify residue") == ""


def test_the_drop_in_of_the_unit_is_made_and_check_says_when_it_no_longer_fits(debian: Path) -> None:
    drop_in, room = debian / "etc/systemd/system/residue.service.d/room.conf", debian / "srv/residue/room.toml"
    assert "IPAddressAllow" not in drop_in.read_text(encoding="utf-8"), "the demo keeps to itself"
    before = room.read_text(encoding="utf-8")
    room.write_text(before + PROJECTOR, encoding="utf-8")
    checked = within(debian, "residue check /srv/residue --device silent")
    assert "does not let it reach or open 192.0.2.7" in checked
    assert "sudo residue unit /srv/residue --install" in checked
    within(debian, "residue unit /srv/residue --install")
    assert "IPAddressAllow=192.0.2.7\n" in drop_in.read_text(encoding="utf-8")
    assert "does not let it" not in within(debian, "residue check /srv/residue --device silent")
    room.write_text(before, encoding="utf-8")


def test_purging_it_leaves_the_installation_and_nothing_else(debian: Path) -> None:
    within(debian, f"echo '# the technician was here' >>/srv/residue/room.toml; {APT} purge residue")
    assert {path for path in BROUGHT if (debian / path).exists()} == set()
    assert "the technician was here" in (debian / "srv/residue/room.toml").read_text(encoding="utf-8")
    (debian / "etc/dpkg/dpkg.cfg.d/zz-residue").unlink()
    left = within(debian, "find /etc /usr /lib -name '*residue*' 2>/dev/null || true").split()
    assert left == []
