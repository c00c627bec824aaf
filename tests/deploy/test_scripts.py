"""The scripts that a person runs on a fresh machine."""

import os
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SCRIPTS = [
    ROOT / "deploy" / name
    for name in (
        "setup",
        "demo",
        "test",
        "install",
        "package",
        "wheels",
        "mutate",
        "lock/update",
        "debian/postinst",
        "debian/prerm",
        "debian/postrm",
    )
]


@pytest.fixture
def stubs(tmp_path: Path) -> Path:
    """Programs of the system that only write down what they were called with, for a user who is not root."""
    folder = tmp_path / "stubs"
    folder.mkdir()
    stub(folder, "id", "echo 1000")
    stub(folder, "dpkg-query", "exit 1")
    stub(folder, "apt-get", f'echo "apt-get $*" >>"{tmp_path}/calls"')
    stub(folder, "sudo", "exit 1")
    return folder


def stub(folder: Path, name: str, does: str) -> None:
    path = folder / name
    path.write_text(f"#!/bin/sh\n{does}\n")
    path.chmod(0o755)


def calls(tmp_path: Path) -> list[str]:
    path = tmp_path / "calls"
    return path.read_text(encoding="utf-8").splitlines() if path.exists() else []


def with_setup(root: Path, script: str, path: str = "/usr/bin:/bin") -> subprocess.CompletedProcess[str]:
    """A script that has sourced deploy/setup of `root`, started elsewhere with next to no environment."""
    return subprocess.run(
        ["/bin/sh", "-euc", f'. "$root/deploy/setup"\n{script}'],
        env={"root": str(root), "PATH": path, "HOME": str(root)},
        cwd="/",
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_a_plain_posix_shell_can_read_it(script: Path) -> None:
    """ShellCheck knows POSIX.1-2017; `sh -n` is the shell of this machine."""
    subprocess.run(["/bin/sh", "-n", script], check=True)
    checked = subprocess.run(
        ["shellcheck", "--external-sources", "--shell=sh", f"--source-path={ROOT}", script],
        capture_output=True,
        text=True,
        check=False,
    )
    assert checked.stdout == ""


SHELLS = ("/bin/sh", "/bin/bash")
"""Debian's sh reads 8 KB at a time, bash goes back to where it was after each command: it notices any edit."""
RUN_BY_HAND = ("demo", "install", "mutate", "package", "test", "wheels", "lock/update")
EDIT = """\
for path; do :; done
i=0 && while [ $i -lt 500 ]; do echo 'echo edited >>"$CALLS"'; i=$((i + 1)); done >"$path"
exec /usr/bin/dirname "$@"
"""
"""Stands for the first program that each script calls, with its own path, and edits it in place."""


@pytest.mark.parametrize("shell", SHELLS)
@pytest.mark.parametrize("name", RUN_BY_HAND)
def test_an_edit_of_a_script_changes_nothing_of_its_run(name: str, shell: str, tmp_path: Path) -> None:
    stubs, script = tmp_path / "stubs", tmp_path / "deploy" / name
    stubs.mkdir()
    script.parent.mkdir(parents=True)
    script.write_text((ROOT / "deploy" / name).read_text(encoding="utf-8"))
    (tmp_path / "deploy" / "setup").write_text("echo read >>$CALLS; exit 3\n")
    stub(stubs, "dirname", EDIT)
    stub(stubs, "mktemp", 'echo read >>"$CALLS"; exit 3')
    environment = {"PATH": f"{stubs}:/usr/bin:/bin", "CALLS": str(tmp_path / "calls")}
    done = subprocess.run([shell, script], env=environment, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, calls(tmp_path)) == (3, ["read"]), done.stderr
    assert "edited" in script.read_text(encoding="utf-8")


def test_ci_runs_what_a_person_runs() -> None:
    """The command for the tests that README names."""
    command = "sh deploy/test"
    assert f"\n{command} " in (ROOT / "README.md").read_text(encoding="utf-8")
    assert (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()[-1] == f"exec {command}"


def test_who_may_not_install_is_told_the_one_line_to_run(tmp_path: Path, stubs: Path) -> None:
    done = with_setup(ROOT, 'set_up_packages "gcc pkg-config"', f"{stubs}:/usr/bin:/bin")
    line = "sudo apt-get update && sudo apt-get install --yes --no-install-recommends --no-remove gcc pkg-config"
    assert (done.returncode, done.stderr.splitlines()[-1]) == (1, line)
    assert calls(tmp_path) == []


def test_who_may_install_without_a_password_has_it_done(tmp_path: Path, stubs: Path) -> None:
    stub(stubs, "sudo", '[ "$1" = -n ] || exec "$@"')
    done = with_setup(ROOT, 'set_up_packages "gcc pkg-config"', f"{stubs}:/usr/bin:/bin")
    assert done.returncode == 0, done.stderr
    assert [call.split()[1] for call in calls(tmp_path)] == ["update", "install"]
    assert "gcc pkg-config" in calls(tmp_path)[1]


def test_only_what_is_missing_is_installed(tmp_path: Path, stubs: Path) -> None:
    stub(stubs, "id", "echo 0")
    stub(stubs, "dpkg-query", r"printf 'installed gcc\nconfig-files pkg-config\n'; exit 1")
    done = with_setup(ROOT, 'set_up_packages "gcc pkg-config"', f"{stubs}:/usr/bin:/bin")
    assert done.returncode == 0, done.stderr
    assert "--no-remove pkg-config --quiet" in calls(tmp_path)[1]


def test_what_apt_says_is_shown_where_it_fails(stubs: Path) -> None:
    stub(stubs, "id", "echo 0")
    stub(stubs, "apt-get", "echo 'E: no space left'; exit 100")
    done = with_setup(ROOT, "set_up_packages gcc", f"{stubs}:/usr/bin:/bin")
    assert done.returncode != 0
    assert "E: no space left" in done.stderr


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """As much of the project as the set-up reads, in a folder whose name has a space."""
    root = tmp_path / "a folder"
    (root / "deploy" / "lock").mkdir(parents=True)
    for name in (
        "pyproject.toml",
        "deploy/setup",
        "deploy/lock/build.txt",
        "deploy/lock/run.txt",
        "deploy/lock/test.txt",
    ):
        (root / name).write_text((ROOT / name).read_text(encoding="utf-8"))
    return root


def test_nothing_is_installed_twice(project: Path) -> None:
    """pip is not called: what it would be asked for is printed."""

    def installed(what: str) -> int:
        pip = 'set_up_packages() { :; }; quietly() { shift; "$@"; }; pip_install() { echo pip; }\n'
        done = with_setup(project, pip + f"set_up {what}", os.environ["PATH"])
        assert done.returncode == 0, done.stderr
        return done.stdout.count("pip")

    assert [installed(what) for what in ("run", "run", "test", "run", "test")] == [3, 0, 3, 0, 0]
    (project / "pyproject.toml").write_text("# changed")
    assert [installed(what) for what in ("run", "run", "test", "test")] == [3, 0, 3, 0]
