"""Installing residue as a service, into a folder that stands for the machine."""

import os
import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]


def install(machine: Path, *arguments: str) -> str:
    done = subprocess.run(
        ["/bin/sh", ROOT / "deploy" / "install", *arguments],
        env={"PATH": os.environ["PATH"], "HOME": str(machine), "DESTDIR": str(machine)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stderr


def files(machine: Path) -> dict[str, float]:
    """Everything that was installed, with the time of its last change; what belongs to caches and packages left out."""
    paths = [path for path in machine.rglob("*") if path.is_file() and ".venv" not in path.parts]
    installed = [path for path in paths if ".cache" not in path.parts]
    return {str(path.relative_to(machine)): path.lstat().st_mtime for path in installed}


def test_it_is_installed_brought_up_to_date_and_removed(tmp_path: Path) -> None:
    said = install(tmp_path)
    assert "it is a copy of the demo now" in said
    assert (tmp_path / "usr/local/bin/residue").readlink() == Path("/opt/residue/.venv/bin/residue")
    python = tmp_path / "opt/residue/.venv/bin/python"
    checked = subprocess.run([python, "-I", "-m", "residue", "--version"], capture_output=True, text=True, check=True)
    assert checked.stdout.startswith("residue")

    before = files(tmp_path)
    (tmp_path / "srv/residue/hours.toml").write_text("# the curator's own")
    rule = tmp_path / "etc/udev/rules.d/90-residue.rules"
    rule.write_text("# from an older release")
    said = install(tmp_path)
    assert said.splitlines()[0] == str(rule)
    assert set(files(tmp_path)) == set(before)
    assert (tmp_path / "srv/residue/hours.toml").read_text() == "# the curator's own"

    install(tmp_path, "--remove")
    assert {Path(name).parts[0] for name in files(tmp_path)} == {"srv"}
