"""The same bits on other Pythons: python -m tests.mapping.pythons [FOLDER]

Runs tests.mapping.digests here, and once more under every other Python from 3.11 on that this machine has, each with
the packages that deploy/lock/run.txt pins for it, and compares line by line. For developers, by hand: it
takes a minute or two for each. The packages with machine code are fetched into FOLDER once; nothing is installed. It
names the Pythons that the machine does not have. Ends with exit status 1 where a line differs, and with 2 where there
is no other Python.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

from tests.mapping.portability import COMPILED, PROJECT, digests

FOLDER = PROJECT / ".test-data" / "pythons"
MINORS = (11, 12, 13, 14)
"""What pyproject.toml allows and has been released."""


def found() -> dict[int, str]:
    """The Pythons of this machine by minor version, without the one that runs: on the PATH, by pyenv, by uv."""
    homes = [*Path.home().glob(".pyenv/versions/*/bin"), *Path.home().glob(".local/share/uv/python/*/bin")]
    pythons = {}
    for minor in MINORS:
        names = [shutil.which(f"python3.{minor}"), *(str(home / f"python3.{minor}") for home in sorted(homes))]
        for name in names:
            if name and minor != sys.version_info.minor and _runs(name, minor):
                pythons[minor] = name
    return pythons


def _runs(name: str, minor: int) -> bool:
    """Whether it really is that Python: a shim may stand there for one that is not switched on."""
    if not Path(name).exists():
        return False
    words = [name, "-c", "import sys; print(sys.version_info.minor)"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    return done.returncode == 0 and done.stdout.strip() == str(minor)


def fetch_packages(python: str, folder: Path) -> Path:
    """The packages with machine code for a Python, unpacked, in the versions that the lock file pins for it.

    It runs the pip of this environment, as a distribution may leave out its own.
    """
    site, wanted = folder / "site", folder / "wanted.txt"
    folder.mkdir(parents=True, exist_ok=True)
    locked = (PROJECT / "deploy" / "lock" / "run.txt").read_text(encoding="utf-8")
    names = "|".join(re.escape(name).replace("_", "[-_]") for name in COMPILED)
    blocks = re.findall(rf"^(?:{names})==[^\n]*(?:\n[ ]+--hash[^\n]*)+", locked, re.MULTILINE)
    text = "\n".join(blocks) + "\n"
    if site.exists() and wanted.exists() and wanted.read_text(encoding="utf-8") == text:
        return site
    shutil.rmtree(site, ignore_errors=True)
    wanted.write_text(text, encoding="utf-8")
    install = ["-S", "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-deps"]
    install += ["--only-binary=:all:", "--target", str(site), "--requirement", str(wanted)]
    environment = {**os.environ, "PYTHONPATH": sysconfig.get_path("purelib")}
    subprocess.run([python, *install], env=environment, check=True)
    return site


def differing(minor: int, python: str, folder: Path = FOLDER) -> list[str]:
    """What this machine computes in another way under that Python."""
    site = fetch_packages(python, folder / f"3.{minor}")
    pure = Path(sysconfig.get_path("purelib"))
    here, there = digests([sys.executable]), digests([python, "-S"], site, pure)
    if not here:
        raise RuntimeError("Nothing was computed.")
    return [name for name in here | there if here.get(name) != there.get(name)]


def main() -> int:
    """Compare all that there are."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    pythons, wrong = found(), False
    for minor in MINORS:
        if minor == sys.version_info.minor:
            said = "runs this"
        elif minor not in pythons:
            said = "NOT COMPARED: this machine does not have it"
        else:
            names = differing(minor, pythons[minor], folder)
            wrong = wrong or bool(names)
            said = "DIFFERS in " + ", ".join(names) if names else "the same bits"
        sys.stdout.write(f"Python 3.{minor}: {said}\n")
        sys.stdout.flush()
    return 2 if not pythons else int(wrong)


if __name__ == "__main__":
    sys.exit(main())
