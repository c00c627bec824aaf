"""What `residue check` says of the service's unit."""

from __future__ import annotations

from pathlib import Path

import pytest

from residue.installation.load import Installation, load, read_room, room_of
from residue.installation.unit_needs import drop_in
from residue.problems import ProblemError, Severity
from residue.runtime.offline.unit_findings import device_findings, give_unit, needs_in, unit_findings
from residue.runtime.system.unit_files import DROP_IN, InstalledUnit, installed_unit
from tests.runtime import kitchen

SHIPPED = (Path(__file__).parents[3] / "deploy" / "residue.service").read_text(encoding="utf-8")
PROJECTOR = '\n[[equipment]]\nname = "wall"\nkind = "projector"\nhost = "192.0.2.7"\n'
RELAY = '\n[[equipment]]\nname = "relay"\nkind = "command"\non = ["x"]\noff = ["x"]\ndevice_nodes = ["{node}"]\n'


@pytest.fixture
def installation(tmp_path: Path) -> Path:
    """One with a projector."""
    folder = kitchen.build(tmp_path, 47_399, duration_s=0.1)
    more(folder, PROJECTOR)
    return folder


def more(folder: Path, text: str) -> None:
    with (folder / "room.toml").open("a", encoding="utf-8") as room:
        room.write(text)


def machine(tmp_path: Path, folder: Path, room_conf: str | None) -> InstalledUnit | None:
    """With the unit as it is shipped, for the installation in a folder."""
    unit = tmp_path / "machine/etc/systemd/system/residue.service"
    unit.parent.mkdir(parents=True, exist_ok=True)
    unit.write_text(SHIPPED.replace("/srv/residue\n", f"{folder}\n"), encoding="utf-8")
    if room_conf is not None:
        path = tmp_path / "machine" / DROP_IN.relative_to("/")
        path.parent.mkdir(exist_ok=True)
        path.write_text(room_conf, encoding="utf-8")
    return installed_unit(tmp_path / "machine")


def told(installation: Installation, unit: InstalledUnit | None) -> list[tuple[Severity, str, str]]:
    return [(one.severity, one.what, one.mend) for one in unit_findings(installation, unit)]


def test_where_no_service_runs_it_what_a_service_would_need_is_noted(tmp_path: Path, installation: Path) -> None:
    [(severity, what, mend)] = told(load(installation), None)
    assert severity is Severity.NOTES
    assert "192.0.2.7 (room.toml: equipment[1].host)" in what
    assert mend.endswith(f"residue unit {installation}")
    assert told(load(installation), machine(tmp_path, Path("/srv/other"), None)) == [(severity, what, mend)]


def test_a_unit_that_does_not_give_it_is_warned_of_with_the_command_that_mends_it(
    tmp_path: Path, installation: Path
) -> None:
    [(severity, what, mend)] = told(load(installation), machine(tmp_path, installation, None))
    assert severity is Severity.WARNS
    assert "does not let it reach or open 192.0.2.7 (room.toml: equipment[1].host)" in what
    assert f"sudo residue unit {installation} --install && sudo systemctl restart residue" in mend


def test_the_drop_in_of_the_room_gives_it(tmp_path: Path, installation: Path) -> None:
    text = drop_in(needs_in(installation, room_of(installation)))
    [(severity, what, _)] = told(load(installation), machine(tmp_path, installation, text))
    assert severity is Severity.NOTES
    assert "let the service reach or open 192.0.2.7" in what


def test_after_an_edit_both_what_it_lacks_and_what_it_gives_needlessly_are_told(
    tmp_path: Path, installation: Path
) -> None:
    unit = machine(tmp_path, installation, drop_in(needs_in(installation, room_of(installation))))
    room = installation / "room.toml"
    room.write_text(room.read_text(encoding="utf-8").replace("192.0.2.7", "192.0.2.17"), encoding="utf-8")
    found = told(load(installation), unit)
    assert [severity for severity, _, _ in found] == [Severity.WARNS] * 2
    assert "192.0.2.17" in found[0][1]
    assert found[1][1].endswith("no longer asks for: IPAddressAllow=192.0.2.7.")
    assert found[0][2] == found[1][2]


def test_a_room_that_needs_nothing_is_not_spoken_of(tmp_path: Path) -> None:
    folder = kitchen.build(tmp_path, 47_399, duration_s=0.1)
    assert told(load(folder), None) == told(load(folder), machine(tmp_path, folder, drop_in(()))) == []


def test_sensors_beside_the_room_count(tmp_path: Path, installation: Path) -> None:
    (installation / "sensors.toml").write_text(
        'title = "Live"\n[osc]\nlisten = "0.0.0.0"\nallow = ["192.0.2.32/28"]\n'
        '[channel.chest]\nkind = "rr"\nunit = "ms"\naddress = "/heart/beat"\n',
        encoding="utf-8",
    )
    assert [need.what for need in needs_in(installation, room_of(installation))] == ["192.0.2.32/28", "192.0.2.7"]


def test_a_drop_in_is_only_written_for_what_the_service_runs(installation: Path) -> None:
    with pytest.raises(ProblemError, match="No service of this machine runs this folder"):
        give_unit(installation, room_of(installation))


def test_a_device_that_is_not_there_or_not_for_the_service_is_warned_of(tmp_path: Path, installation: Path) -> None:
    """/dev/mem, or else the console, belongs to root and no group of ours; everybody may open /dev/null."""
    closed = next(node for node in ("/dev/mem", "/dev/console") if Path(node).exists())
    for node, said in (
        ("/dev/ttyUSB77", "There is no /dev/ttyUSB77 on this machine now."),
        (closed, f"The service's groups may not open {closed}."),
        ("/dev/null", None),
    ):
        more(installation, RELAY.format(node=node).replace('"relay"', f'"{node}"'))
        room, _ = read_room(installation / "room.toml")
        assert room is not None
        whats = [one.what for one in device_findings(room)]
        assert said is None or said in whats
        assert not any("/dev/null" in what for what in whats)


def test_a_machine_without_the_groups_of_devices_is_no_trouble(
    installation: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As in a container: then nobody but its owner may open what is not open to all."""
    monkeypatch.setattr("grp.getgrnam", {}.__getitem__)
    closed = next(node for node in ("/dev/mem", "/dev/console") if Path(node).exists())
    more(installation, RELAY.format(node=closed))
    room, _ = read_room(installation / "room.toml")
    assert room is not None
    assert [one.what for one in device_findings(room)] == [f"The service's groups may not open {closed}."]


def test_check_names_devices_of_notices_too(installation: Path) -> None:
    more(installation, '\n[[notice]]\nkind = "command"\nname = "modem"\nrun = ["send", "/dev/no-modem"]\n')
    room, _ = read_room(installation / "room.toml")
    assert room is not None
    [told] = device_findings(room)
    assert (told.where, told.what) == ("room.toml: notice[1]", "There is no /dev/no-modem on this machine now.")
