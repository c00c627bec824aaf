"""The unit of a machine, as systemd would put it together. Source: systemd.unit(5), systemd.syntax(7)."""

from __future__ import annotations

from pathlib import Path

from residue.installation.unit_needs import UnitSetting
from residue.runtime.system.unit_files import DROP_IN, installed_unit

SHIPPED = "usr/lib/systemd/system"
OWN = "etc/systemd/system"


def written(root: Path, path: str, text: str) -> None:
    (root / path).parent.mkdir(parents=True, exist_ok=True)
    (root / path).write_text(text, encoding="utf-8")


def test_a_machine_without_a_unit_has_none(tmp_path: Path) -> None:
    assert installed_unit(tmp_path) is None


def test_a_unit_of_the_administrator_stands_in_place_of_the_one_that_was_shipped(tmp_path: Path) -> None:
    written(tmp_path, f"{SHIPPED}/residue.service", "[Service]\nIPAddressAllow=192.0.2.1\n")
    written(tmp_path, f"{OWN}/residue.service", "[Service]\nIPAddressAllow=192.0.2.2\n")
    unit = installed_unit(tmp_path)
    assert unit is not None
    assert unit.values["IPAddressAllow"] == ["192.0.2.2"]


def test_drop_ins_add_in_the_order_of_their_names_and_an_empty_value_begins_anew(tmp_path: Path) -> None:
    written(tmp_path, f"{SHIPPED}/residue.service", "[Service]\nIPAddressAllow=localhost\nPrivateDevices=yes\n")
    written(tmp_path, f"{SHIPPED}/residue.service.d/20.conf", "[Service]\nIPAddressAllow=192.0.2.20\n")
    written(
        tmp_path, f"{OWN}/residue.service.d/10.conf", "[Service]\nIPAddressAllow=\n; no\nIPAddressAllow=192.0.2.10\n"
    )
    written(tmp_path, f"{OWN}/residue.service.d/30.conf", "[Service]\n# no\nPrivateDevices = no\nOther=a \\\n b\n")
    unit = installed_unit(tmp_path)
    assert unit is not None
    assert unit.values["IPAddressAllow"] == ["192.0.2.10", "192.0.2.20"]
    assert unit.values["PrivateDevices"] == ["no"]
    assert unit.values["Other"] == ["a   b"]
    assert unit.room == frozenset()


def test_a_drop_in_of_the_administrator_hides_one_of_its_name(tmp_path: Path) -> None:
    written(tmp_path, f"{SHIPPED}/residue.service", "")
    written(tmp_path, f"{SHIPPED}/residue.service.d/10.conf", "[Service]\nIPAddressAllow=192.0.2.1\n")
    written(tmp_path, f"{OWN}/residue.service.d/10.conf", "[Service]\nIPAddressAllow=192.0.2.2\n")
    unit = installed_unit(tmp_path)
    assert unit is not None
    assert unit.values["IPAddressAllow"] == ["192.0.2.2"]


def test_the_drop_in_for_the_room_is_known_apart(tmp_path: Path) -> None:
    written(tmp_path, f"{OWN}/residue.service", "[Service]\nExecStart=/x/python -m residue run /srv/residue\n")
    written(tmp_path, str(DROP_IN).removeprefix("/"), "[Service]\nIPAddressAllow=192.0.2.7\n")
    unit = installed_unit(tmp_path)
    assert unit is not None
    assert unit.room == {UnitSetting("IPAddressAllow", "192.0.2.7")}
    assert (unit.runs(Path("/srv/residue/")), unit.runs(Path("/srv/other"))) == (True, False)
