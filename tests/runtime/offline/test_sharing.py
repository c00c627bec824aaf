"""The folder of the hours and its share, laid out in a folder that stands for the machine."""

from __future__ import annotations

import configparser
import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from residue.cli import main
from residue.installation.load import load
from residue.problems import ProblemError
from residue.runtime.offline.sharing import CURATOR, SHARE, definition, folder_findings, prepare, share, unshare
from residue.schedule.hours_folder import HoursFolder
from tests.runtime import kitchen

FOLDER = HoursFolder(path="/srv/residue-hours", share_with=("192.0.2.0/24",))
root_only = pytest.mark.skipif(os.geteuid() != 0, reason="only root may give a folder to the group audio")


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    """With Samba as Debian has it, in short."""
    (tmp_path / "etc/samba").mkdir(parents=True)
    (tmp_path / "etc/samba/smb.conf").write_text("[global]\n   workgroup = WORKGROUP\n\n[homes]\n   read only = yes\n")
    return tmp_path


def test_only_the_curator_may_open_the_share_and_only_encrypted() -> None:
    read = configparser.ConfigParser()
    read.read_string(definition(FOLDER))
    [section] = read.sections()
    assert section == SHARE
    told = dict(read[section])
    assert (told["path"], told["valid users"], told["guest ok"]) == ("/srv/residue-hours", CURATOR, "no")
    assert told["server smb encrypt"] == "required"
    assert (told["follow symlinks"], told["wide links"]) == ("no", "no")
    assert told["hosts allow"] == "127.0.0.1 ::1 192.0.2.0/24"
    assert "hosts allow" not in definition(HoursFolder(path="/srv/residue-hours"))


def test_samba_includes_the_share_once_and_keeps_what_was_there(machine: Path) -> None:
    for _ in range(2):
        share(FOLDER, machine)
    text = (machine / "etc/samba/smb.conf").read_text()
    assert text.startswith("[global]\n   workgroup = WORKGROUP\n")
    assert text.endswith("   read only = yes\ninclude = /etc/samba/residue-hours.conf\n")
    assert (machine / "etc/samba/residue-hours.conf").read_text() == definition(FOLDER)


def test_the_share_goes_again_and_leaves_what_samba_had(machine: Path) -> None:
    before = (machine / "etc/samba/smb.conf").read_text()
    share(FOLDER, machine)
    assert unshare(machine) == ["The folder of the hours is no longer shared. What lies in it stays."]
    assert (machine / "etc/samba/smb.conf").read_text() == before
    assert sorted(path.name for path in (machine / "etc/samba").iterdir()) == ["smb.conf"]
    assert unshare(machine) == [], "there is nothing left to remove"


def test_a_share_whose_samba_is_gone_is_removed_too(machine: Path) -> None:
    share(FOLDER, machine)
    (machine / "etc/samba/smb.conf").unlink()
    unshare(machine)
    assert list((machine / "etc/samba").iterdir()) == []


def test_without_samba_it_says_how_to_get_it(tmp_path: Path) -> None:
    with pytest.raises(ProblemError, match="sudo apt install samba"):
        share(FOLDER, tmp_path)


@root_only
def test_the_folder_gets_the_hours_once_and_the_group_may_write(tmp_path: Path) -> None:
    installation = kitchen.build(tmp_path, port=47_399, duration_s=0.1)
    prepare(installation, FOLDER, tmp_path)
    place = tmp_path / "srv/residue-hours"
    assert (place / "hours.toml").read_text() == (installation / "hours.toml").read_text()
    assert place.stat().st_mode & 0o7777 == 0o2770
    (place / "hours.toml").write_text("by the curator")
    assert prepare(installation, FOLDER, tmp_path) == []
    assert (place / "hours.toml").read_text() == "by the curator"


@root_only
def test_the_calendar_file_comes_with_the_hours_and_a_removed_one_does_not_come_back(tmp_path: Path) -> None:
    installation, place = kitchen.build(tmp_path, port=47_399, duration_s=0.1), tmp_path / "srv/residue-hours"
    (installation / "hours.ics").write_text("a calendar")
    assert len(prepare(installation, FOLDER, tmp_path)) == 3
    assert (place / "hours.ics").read_text() == "a calendar"
    assert (place / "hours.toml").read_text() == (installation / "hours.toml").read_text()
    (place / "hours.ics").unlink()
    assert prepare(installation, FOLDER, tmp_path) == []
    assert not (place / "hours.ics").exists()


@root_only
def test_a_link_in_the_folder_is_replaced_and_not_followed(tmp_path: Path) -> None:
    """Root copies, and the group may have put a link there beforehand."""
    installation, place = kitchen.build(tmp_path, port=47_399, duration_s=0.1), tmp_path / "srv/residue-hours"
    place.mkdir(parents=True)
    (place / "hours.toml").symlink_to(tmp_path / "elsewhere")
    prepare(installation, FOLDER, tmp_path)
    assert not (tmp_path / "elsewhere").exists()
    assert (place / "hours.toml").read_bytes() == (installation / "hours.toml").read_bytes()
    assert (place / "hours.toml").stat().st_gid == place.stat().st_gid
    assert (place / "hours.toml").stat().st_mode & 0o777 == 0o664


def test_a_folder_that_holds_the_installation_is_not_shared(tmp_path: Path) -> None:
    installation = kitchen.build(tmp_path, port=47_399, duration_s=0.1)
    with pytest.raises(ProblemError, match="who shares it could raise caps"):
        prepare(installation, HoursFolder(path=str(tmp_path)))


def with_folder(tmp_path: Path) -> tuple[Path, Path]:
    installation, place = kitchen.build(tmp_path, port=47_399, duration_s=0.1), tmp_path / "shared"
    place.mkdir()
    (place / "hours.toml").write_bytes((installation / "hours.toml").read_bytes())
    kitchen.name_hours_folder(installation, place)
    return installation, place


def test_the_command_prints_the_definition_and_changes_nothing(tmp_path: Path) -> None:
    installation, place = with_folder(tmp_path)
    printed = CliRunner().invoke(main, ["share", str(installation)])
    assert printed.exit_code == 0
    assert f"path = {place}" in printed.output
    assert list(place.iterdir()) == [place / "hours.toml"]
    without = CliRunner().invoke(main, ["share", str(kitchen.build(tmp_path / "other", port=47_398, duration_s=0.1))])
    assert without.exit_code == 1
    assert "Write a table [hours_folder]" in without.output


@root_only
@pytest.mark.parametrize(("option", "told"), [([], True), (["--before-start"], False)])
def test_who_starts_the_service_anyway_is_not_told_to(tmp_path: Path, option: list[str], *, told: bool) -> None:
    installation, _ = with_folder(tmp_path)
    done = CliRunner().invoke(main, ["share", str(installation), "--install", "--folder-only", *option])
    assert done.exit_code == 0, done.output
    assert ("systemctl restart residue" in done.output) is told


def test_check_points_out_a_folder_that_nobody_can_answer_in(tmp_path: Path) -> None:
    installation, place = with_folder(tmp_path)
    place.chmod(0o755)
    told = " ".join(map(str, folder_findings(load(installation))))
    assert "The service's group audio may not write to" in told
    assert f"sudo residue share {installation} --install" in told
    assert f"hours.toml in {installation} no longer count" in told
    assert "The unit hides" in told, "it lies in the folder for temporary files"
