"""Installing residue as a service, into a folder that stands for the machine."""

import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SET_UP = """\
say() { printf '%s\\n' "$*" >&2; }
set_up() {
    mkdir -p "$root/.venv/bin" "$root/residue"
    cp "$root/deploy/python" "$root/.venv/bin/python"
    printf '#!%s\\n' "$root/.venv/bin/python" >"$root/.venv/bin/residue"
    echo "$1" >>"$root/.venv/set-up"
}
cd "$root"
"""
"""Stands for deploy/setup, whose own tests are in test_scripts.py."""
PYTHON = f"""\
#!/bin/sh
case "$*" in
    *"-m residue "*) PYTHONPATH={ROOT} exec {sys.executable} "$@" ;;
esac
"""
"""Stands for the program's own Python: it runs residue, and lets everything else be."""


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return project_in(tmp_path)


def project_in(folder: Path) -> Path:
    """What is installed from, and a demo of one file."""
    root = folder / "project"
    shutil.copytree(ROOT / "deploy", root / "deploy")
    (root / "deploy" / "setup").write_text(SET_UP)
    (root / "deploy" / "python").write_text(PYTHON)
    (root / "deploy" / "python").chmod(0o755)
    (root / "archives" / "night-dough" / "performances").mkdir(parents=True)
    for name in ("piece.toml", "hours.toml"):
        shutil.copy(ROOT / "archives" / "night-dough" / name, root / "archives" / "night-dough")
    return root


def install(project: Path, machine: Path, *arguments: str) -> list[str]:
    """Run the script; gives the lines that it said."""
    done = subprocess.run(
        ["/bin/sh", project / "deploy" / "install", *arguments],
        env={"PATH": os.environ["PATH"], "DESTDIR": str(machine)},
        cwd="/",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stderr.splitlines()


@pytest.fixture(scope="module")
def after_a_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A machine that residue was installed on once, for all tests; to look at, not to change."""
    folder = tmp_path_factory.mktemp("once")
    install(project_in(folder), folder / "machine")
    return folder / "machine"


@pytest.fixture
def machine(after_a_run: Path, tmp_path: Path) -> Path:
    """The same machine, for one test."""
    return shutil.copytree(after_a_run, tmp_path / "machine", symlinks=True)


def test_what_pip_wrote_points_to_where_it_will_stand(machine: Path) -> None:
    assert (machine / "opt/residue/.venv/bin/residue").read_text() == "#!/opt/residue/.venv/bin/python\n"


def files(machine: Path) -> set[str]:
    return {str(path.relative_to(machine)) for path in machine.rglob("*") if path.is_file() or path.is_symlink()}


def test_everything_has_its_place(machine: Path) -> None:
    assert (machine / "opt/residue/.venv/set-up").read_text() == "run\n"
    assert (machine / "usr/local/bin/residue").readlink() == Path("/opt/residue/.venv/bin/residue")
    assert {
        "opt/residue/deploy/install",
        "etc/systemd/system/residue.service",
        "etc/systemd/system/multi-user.target.wants/residue.service",
        "etc/udev/rules.d/90-residue.rules",
        "etc/alsa/conf.d/90-residue.conf",
        "etc/systemd/journald.conf.d/residue.conf",
        *(f"srv/residue/{name}" for name in ("piece.toml", "room.toml", "hours.toml", "sensors.toml")),
    } <= files(machine)
    demo_s = (ROOT / "archives" / "night-dough" / "hours.toml").read_text()
    assert (machine / "srv/residue/hours.toml").read_text() == demo_s


def test_what_is_installed_is_uncalibrated_and_silent(machine: Path) -> None:
    room = tomllib.loads((machine / "srv/residue/room.toml").read_text())
    assert (room["device"], room["levels_at_the_ear"]) == ("silent", "unknown")
    assert not any("calibration" in output for output in room["output"].values())


def test_a_second_run_changes_only_what_is_not_as_it_should_be(project: Path, machine: Path) -> None:
    before = files(machine)
    rule = machine / "etc/udev/rules.d/90-residue.rules"
    rule.write_text("# of an older release")
    (machine / "opt/residue/left_over.py").write_text("# of an older release")
    (machine / "srv/residue/hours.toml").write_text("# the curator's own")

    assert install(project, machine)[:-1] == [str(rule)]
    assert files(machine) == before
    assert (machine / "srv/residue/hours.toml").read_text() == "# the curator's own"


@pytest.mark.skipif(os.geteuid() != 0, reason="only the administrator can give a folder to a group")
def test_the_group_of_the_service_may_exchange_performances(project: Path, tmp_path: Path) -> None:
    bag = project / "archives" / "night-dough" / "performances" / "first-batch"
    bag.mkdir(parents=True)
    (bag / "bagit.txt").write_text("BagIt-Version: 1.0\n")
    install(project, tmp_path / "machine")
    performances = tmp_path / "machine" / "srv/residue/performances"
    for path in (performances, performances / "first-batch"):
        assert path.group() == "audio"
        assert path.stat().st_mode & 0o070 == 0o070
    assert performances.stat().st_mode & 0o2000, "so that what is put there later belongs to the group too"
    service = (ROOT / "deploy" / "residue.service").read_text(encoding="utf-8").splitlines()
    assert {"SupplementaryGroups=audio", "ReadWritePaths=-/srv/residue/performances"} <= set(service)


def test_the_installed_program_can_install_itself_again(machine: Path) -> None:
    before = files(machine)
    install(machine / "opt/residue", machine)
    assert files(machine) == before


def test_removing_leaves_the_installation_alone(project: Path, machine: Path) -> None:
    install(project, machine, "--remove")
    assert files(machine) == {
        f"srv/residue/{name}" for name in ("piece.toml", "room.toml", "hours.toml", "sensors.toml")
    }


def test_a_share_is_for_the_machine_itself(project: Path, tmp_path: Path) -> None:
    """With DESTDIR nothing is laid out, as users and passwords of another machine cannot be."""
    done = subprocess.run(
        ["/bin/sh", project / "deploy" / "install", "--share"],
        env={"PATH": os.environ["PATH"], "DESTDIR": str(tmp_path / "machine")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (2, "--share is for this machine alone: leave DESTDIR out.\n")
    assert not (tmp_path / "machine").exists()
