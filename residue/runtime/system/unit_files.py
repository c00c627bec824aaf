"""The unit of the service on this machine: reads it with its drop-ins, and installs the drop-in of the room."""

from __future__ import annotations

import subprocess
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from residue.archive.beside import file_beside
from residue.installation.unit_needs import UnitSetting

UNIT = "residue.service"
DROP_IN = Path("/etc/systemd/system", f"{UNIT}.d", "room.conf")
"""The drop-in for the needs of the room, made by `residue unit`."""
_FOLDERS = ("etc/systemd/system", "run/systemd/system", "usr/local/lib/systemd/system", "usr/lib/systemd/system")
"""The folders of systemd's units, the highest priority first; /lib is /usr/lib. Source: systemd.unit(5)."""


@dataclass(frozen=True, slots=True)
class InstalledUnit:
    """A unit with its drop-ins.

    values: the values of each key; a key that is a list has several.
    room: the lines of the drop-in for the room.
    """

    values: Mapping[str, Sequence[str]]
    room: frozenset[UnitSetting]

    def runs(self, folder: Path) -> bool:
        """Whether the service is that of the installation in this folder."""
        words = [word for line in self.values.get("ExecStart", ()) for word in line.split()]
        return any(word.startswith("/") and Path(word).resolve() == folder.resolve() for word in words)


def installed_unit(root: Path = Path("/")) -> InstalledUnit | None:
    """The unit of this machine, or None where none is installed. Raises OSError.

    root: that of the file system.
    """
    folders = [root / folder for folder in _FOLDERS]
    unit = next((folder / UNIT for folder in folders if (folder / UNIT).is_file()), None)
    if unit is None:
        return None
    named = {path.name: path for folder in reversed(folders) for path in (folder / f"{UNIT}.d").glob("*.conf")}
    read = {path: list(_settings_of(path)) for path in (unit, *(named[name] for name in sorted(named)))}
    own = read.get(root / DROP_IN.relative_to("/"), [])
    return InstalledUnit(_together(setting for settings in read.values() for setting in settings), frozenset(own))


def _settings_of(path: Path) -> Iterator[UnitSetting]:
    """The lines of a unit or of a drop-in, without comments. Source: systemd.syntax(7)."""
    for line in path.read_text(encoding="utf-8", errors="replace").replace("\\\n", " ").splitlines():
        bare = line.strip()
        if bare and not bare.startswith(("#", ";", "[")):
            key, _, value = bare.partition("=")
            yield UnitSetting(key.strip(), value.strip())


def give(text: str) -> None:
    """Installs the drop-in for the room; it takes effect at the next start of the service.

    Raises ProblemError where this user may not, subprocess.CalledProcessError where systemd does not read it.
    """
    with file_beside(DROP_IN) as beside:
        beside.write_text(text, encoding="utf-8")
    if Path("/run/systemd/system").is_dir():
        subprocess.run(["/usr/bin/systemctl", "daemon-reload"], check=True)


_ONE_VALUE = frozenset({"PrivateDevices", "DevicePolicy"})
"""Keys of which the last value counts; of the others all values count, and an empty one removes those before."""


def _together(settings: Iterable[UnitSetting]) -> Mapping[str, Sequence[str]]:
    values: dict[str, list[str]] = {}
    for setting in settings:
        if not setting.value or setting.key in _ONE_VALUE:
            values[setting.key] = []
        if setting.value:
            values.setdefault(setting.key, []).append(setting.value)
    return values
