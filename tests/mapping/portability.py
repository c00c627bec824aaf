"""The same bits on another processor: python -m tests.mapping.portability [WHEEL]

Runs tests.mapping.digests here, and once more as a program for aarch64 under qemu-user, and compares line by line:
there with residue from a WHEEL of deploy/wheels and its compiled loops, or else from this clone without them. For
developers, by hand, before a release: it takes some ten minutes. Needs Debian or a relative of it with
qemu-user-static; everything else (Python and its libraries for arm64 from the distribution, the compiled packages from
PyPI in the very versions that are installed here) is fetched into FOLDER once and unpacked there. Nothing is installed.
Ends with exit status 1 where a line differs.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from importlib.metadata import version
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
FOLDER = PROJECT / ".test-data" / "aarch64"
QEMU = "qemu-aarch64-static"
COMPILED = ("numpy", "scipy", "msgspec", "cffi", "soundfile", "opening_hours_py")
"""The packages with machine code on the way from a bag to a sound; the others are taken from this environment."""
PLATFORMS = ("manylinux_2_28_aarch64", "manylinux_2_27_aarch64", "manylinux_2_17_aarch64", "manylinux2014_aarch64")
PYTHON = f"python{sys.version_info.major}.{sys.version_info.minor}"


def fetch_system(folder: Path) -> Path:
    """Python for arm64 with its libraries, unpacked; apt looks into lists of its own, not into those of the machine."""
    root, debs, apt = folder / "root", folder / "debs", folder / "apt"
    if (root / "usr/bin" / PYTHON).exists():
        return root
    for path in (root, debs / "partial", apt / "state/lists/partial", apt / "cache/archives/partial"):
        path.mkdir(parents=True, exist_ok=True)
    (apt / "status").touch()
    options = {
        "APT::Architecture": "arm64",
        "APT::Architectures": "arm64",
        "APT::Sandbox::User": "root",
        "Dir::State": apt / "state",
        "Dir::State::status": apt / "status",
        "Dir::Cache": apt / "cache",
        "Dir::Cache::archives": debs,
    }
    command = [
        "apt-get",
        "--quiet",
        "--quiet",
        *(word for key, value in options.items() for word in ("-o", f"{key}={value}")),
    ]
    subprocess.run([*command, "update"], check=True)
    wanted = [PYTHON, "libstdc++6"]
    subprocess.run(
        [*command, "--yes", "--no-install-recommends", "--download-only", "install", *wanted], check=True, cwd=folder
    )
    for deb in sorted(debs.glob("*.deb")):
        subprocess.run(["dpkg", "--extract", deb, root], check=True)
    return root


def fetch_packages(folder: Path) -> Path:
    """The compiled packages for aarch64, unpacked."""
    site, wheels = folder / "site", folder / "wheels"
    wanted = [f"{name}=={version(name)}" for name in COMPILED]
    shutil.rmtree(site, ignore_errors=True)
    platforms = [word for platform in PLATFORMS for word in ("--platform", platform)]
    command = [sys.executable, "-m", "pip", "--quiet", "download", "--no-deps", "--only-binary=:all:", *platforms]
    subprocess.run([*command, "--dest", wheels, *wanted], check=True)
    for name in wanted:
        stem = name.replace("==", "-")
        for wheel in wheels.glob(f"{stem}-*.whl"):
            zipfile.ZipFile(wheel).extractall(site)
    return site


def with_wheel(folder: Path, wheel: Path) -> Path:
    """A project whose residue is the wheel's."""
    project = folder / "with wheel"
    shutil.rmtree(project, ignore_errors=True)
    project.mkdir()
    zipfile.ZipFile(wheel).extractall(project)
    for name in ("tests", "archives"):
        (project / name).symlink_to(PROJECT / name)
    return project


def digests(python: list[str | Path], *paths: Path, project: Path = PROJECT) -> dict[str, str]:
    """By the name of what was computed with the residue of a project."""
    told = told_by([*python, "-m", "tests.mapping.digests"], project, *paths)
    return dict(line.split() for line in told.splitlines())


def told_by(command: list[str | Path], project: Path, *paths: Path) -> str:
    """What a Python prints that takes residue from there."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(map(str, (project, *paths)))}
    done = subprocess.run(command, env=environment, cwd=project, stdout=subprocess.PIPE, text=True, check=True)
    return done.stdout


def main() -> int:
    """Fetch, run both, compare."""
    if shutil.which(QEMU) is None:
        sys.stderr.write(f"{QEMU} is missing: apt-get install qemu-user-static\n")
        return 2
    root, paths = fetch_system(FOLDER), (fetch_packages(FOLDER), Path(sysconfig.get_path("purelib")))
    project = with_wheel(FOLDER, Path(sys.argv[1])) if len(sys.argv) > 1 else PROJECT
    python: list[str | Path] = [QEMU, "-L", root, root / "usr/bin" / PYTHON, "-S"]
    compiled = told_by([*python, "-c", "from residue.dsp.kernel import COMPILED; print(COMPILED)"], project, *paths)
    here = digests([sys.executable])
    loops = "with" if compiled.strip() == "True" else "without"
    sys.stdout.write(f"here: {len(here)} digests; now under {QEMU}, {loops} compiled loops, which takes some minutes\n")
    sys.stdout.flush()
    there = digests(python, *paths, project=project)
    differing = [name for name in here | there if here.get(name) != there.get(name)]
    for name in differing:
        sys.stdout.write(f"DIFFERS  {name}\n")
    sys.stdout.write(f"{len(here)} digests, {len(differing)} differ on aarch64\n")
    return 1 if differing or not here else 0


if __name__ == "__main__":
    sys.exit(main())
