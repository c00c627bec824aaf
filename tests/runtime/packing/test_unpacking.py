"""A package that came from another house."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import tomllib
import zipfile
from datetime import date
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner, Result

from residue.archive.beside import PREFIX
from residue.archive.one_file import write_in_one_file
from residue.cli import main
from residue.cli.unpack import _cautions as cautions_of
from residue.installation.load import load
from residue.problems import ProblemError
from residue.runtime.offline.fingerprint import read
from residue.runtime.packing.unpacking import Unpacked, unpack
from tests.runtime import kitchen
from tests.runtime.packing.house import house, packed

DAY = date(2026, 3, 3)


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("house")
    out = folder / "dough.zip"
    packed(house(folder), out)
    return out


def run(cache: Path, *words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], env={"XDG_CACHE_HOME": str(cache)})


def resealed(package: Path, out: Path, **changed: bytes | None) -> Path:
    """The package with other files in it, and all checksums right, as a stranger would make it."""
    with zipfile.ZipFile(package) as archive:
        payload = {name.partition("/data/")[2]: archive.read(name) for name in archive.namelist() if "/data/" in name}
    for name, content in changed.items():
        payload.pop(name, None)
        if content is not None:
            payload[name] = content
    write_in_one_file(out, "dough", payload, {}, DAY)
    return out


def test_what_is_rendered_in_the_opened_house_is_the_same_to_the_bit(package: Path, tmp_path: Path) -> None:
    """Before anything is answered, by a render of its own."""
    unpack(package, tmp_path / "hall", DAY)
    kept = tmp_path / "hall" / "handed-on" / "fingerprints" / "second-batch.toml"
    shown = run(tmp_path / "cache", "verify", "--fingerprint", kept, tmp_path / "hall")
    assert (shown.exit_code, shown.stdout) == (0, "The same to the bit: Short Dough, second-batch, 2 outputs, 3.0 s.\n")
    words = ("--performance", "second-batch", "--before-cap", "--fingerprint", tmp_path / "again.toml")
    assert run(tmp_path / "cache", "render", tmp_path / "hall", *words).exit_code == 0
    assert read(tmp_path / "again.toml").output == read(kept).output


def test_nothing_of_the_other_room_is_in_force_but_what_protects(package: Path, tmp_path: Path) -> None:
    unpack(package, tmp_path / "hall", DAY)
    room = tomllib.loads((tmp_path / "hall" / "room.toml").read_text(encoding="utf-8"))
    assert room == {
        "output": {
            "left": {"transducer": "speaker", "ceiling_dbtp": -6.0},
            "right": {"transducer": "shaker", "long_term_dbfs": -9.0, "long_term_s": 60.0},
        }
    }
    hours = tomllib.loads((tmp_path / "hall" / "hours.toml").read_text(encoding="utf-8"))
    assert hours == {"programme": {"performances": ["first-batch", "second-batch"], "rest_s": 5}}


def test_the_check_asks_for_what_differs_and_for_nothing_else(package: Path, tmp_path: Path) -> None:
    unpack(package, tmp_path / "hall", DAY)
    told = json.loads(run(tmp_path / "cache", "check", tmp_path / "hall", "--json").stdout)
    stopping = [finding["where"] for finding in told["findings"] if finding["severity"] == "stops"]
    assert stopping == [
        *("room.toml: place", "room.toml: device"),
        *("room.toml: output.left.device_channel", "room.toml: output.right.device_channel", "room.toml: cap"),
        "hours.toml: time_zone",
    ]


def test_answers_that_are_those_of_the_house_before_still_lack_a_calibration(package: Path, tmp_path: Path) -> None:
    """Whoever takes each # away has what was there, but for what was measured there."""
    hall = tmp_path / "hall"
    unpack(package, hall, DAY)
    for name in ("room.toml", "hours.toml"):
        lines = (hall / name).read_text(encoding="utf-8").splitlines()
        answered = [line.removeprefix("# ") if is_an_answer(line) else line for line in lines]
        (hall / name).write_text("\n".join(answered), encoding="utf-8")
    with pytest.raises(ProblemError) as caught:
        load(hall)
    missing = [finding.where for finding in caught.value.findings]
    assert missing == ["room.toml: cap[1]", "room.toml: cap[2]", "room.toml: output.left.calibration"]
    room = hall / "room.toml"
    caps = '\nlevels_at_the_ear = "unknown"\n' + room.read_text(encoding="utf-8").partition("[[cap]]")[0]
    cap = '[[cap]]\nquantity = "LZeq"\nwindow_s = 60\nlimit_dbfs = -30.0\n'
    room.write_text(caps + cap, encoding="utf-8")
    answered_room = load(hall).room
    assert answered_room.output["left"].device_channel == 3
    assert answered_room.output["left"].trim_db == -2.0
    assert answered_room.output["left"].calibration is None


def is_an_answer(line: str) -> bool:
    return line.startswith("# [") or (line.startswith("# ") and " = " in line and not line.startswith(("# ?", "# For")))


def test_a_flipped_bit_is_told_and_nothing_is_made(package: Path, tmp_path: Path) -> None:
    content = bytearray(package.read_bytes())
    content[content.index(b"fLaC") + 1_000] ^= 1
    (tmp_path / "dough.zip").write_bytes(content)
    shown = run(tmp_path / "cache", "unpack", tmp_path / "dough.zip", "--into", tmp_path / "hall")
    assert shown.exit_code == 1
    assert "Copy the file again from its source." in shown.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["dough.zip"]


def test_bytes_that_were_changed_together_with_their_check_sum_in_the_archive_are_told(
    package: Path, tmp_path: Path
) -> None:
    """The ZIP archive finds nothing wrong; the bag does."""
    changed = tmp_path / "dough.zip"
    with zipfile.ZipFile(package) as archive, zipfile.ZipFile(changed, "w") as other:
        for name in archive.namelist():
            content = archive.read(name)
            other.writestr(name, content.replace(b"Short Dough", b"Short Rolls") if "piece.toml" in name else content)
    with pytest.raises(ProblemError, match=r"dough\.zip: data/installation/piece\.toml has changed"):
        unpack(changed, tmp_path / "hall", DAY)
    assert not (tmp_path / "hall").exists()


@pytest.mark.parametrize(
    "name",
    [
        "installation/room.toml",
        "installation/hours.ics",
        "installation/in-force/room.toml",
        "installation/start.sh",
        "channels/arm.npy",
        "checkpoints/state.checkpoint",
        "fingerprints/deeper/one.toml",
        "readme.html",
        "installation/piece-toml",
    ],
)
def test_a_file_that_no_package_has_makes_nothing(package: Path, tmp_path: Path, name: str) -> None:
    file = resealed(package, tmp_path / "dough.zip", **{name: b"x"})
    with pytest.raises(ProblemError, match=r"It holds \S+, which no package has"):
        unpack(file, tmp_path / "hall", DAY)
    assert not (tmp_path / "hall").exists()


def facts_changed(package: Path, before: str, after: str) -> bytes:
    with zipfile.ZipFile(package) as archive:
        text = archive.read("dough/data/package.toml").decode()
    assert before in text
    return text.replace(before, after).encode()


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("format = 1", "format = 2", "Install a newer residue"),
        ("files = []", 'files = ["../escaped"]', "is none that a piece may bring"),
        ("files = []", 'files = ["room.toml"]', "is none that a piece may bring"),
        ("files = []", 'files = ["performances/x"]', "is none that a piece may bring"),
        ("packed = ", "pakked = ", "Did you mean packed"),
    ],
)
def test_facts_that_no_package_states_make_nothing(
    package: Path, tmp_path: Path, before: str, after: str, told: str
) -> None:
    facts = facts_changed(package, before, after)
    file = resealed(package, tmp_path / "dough.zip", **{"package.toml": facts})
    with pytest.raises(ProblemError, match=told):
        unpack(file, tmp_path / "hall", DAY)
    assert not (tmp_path / "hall").exists()


@pytest.mark.parametrize(
    "missing",
    [
        *("package.toml", "cautions.txt", "before/room.toml", "before/hours.toml", "installation/piece.toml"),
        *("fingerprints/first-batch.toml", "installation/performances/second-batch/bagit.txt"),
    ],
)
def test_a_package_that_lacks_a_part_makes_nothing(package: Path, tmp_path: Path, missing: str) -> None:
    file = resealed(package, tmp_path / "dough.zip", **{missing: None})
    with pytest.raises(ProblemError, match=missing.rpartition("/")[2]) as caught:
        unpack(file, tmp_path / "hall", DAY)
    assert len(caught.value.findings) == 1
    assert not (tmp_path / "hall").exists()


def test_a_room_of_a_later_residue_is_refused_with_what_to_install(package: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(package) as archive:
        room = archive.read("dough/data/before/room.toml").replace(b"ceiling_dbtp", b"roof_dbtp")
    versions = tomllib.loads(facts_changed(package, "format", "format").decode())["versions"]
    facts = facts_changed(package, f'residue = "{versions["residue"]}"', 'residue = "99.0.0"')
    changed = {"before/room.toml": room, "package.toml": facts}
    with pytest.raises(ProblemError) as caught:
        unpack(resealed(package, tmp_path / "dough.zip", **changed), tmp_path / "hall", DAY)
    unknown, hint = map(str, caught.value.findings)
    assert unknown.startswith("dough.zip: room.toml: output.left.roof_dbtp: This key is not known here.")
    assert "It was packed with residue 99.0.0" in hint


def test_other_versions_and_packages_of_others_are_told(package: Path, tmp_path: Path) -> None:
    facts = facts_changed(package, "other_packages = []", 'other_packages = ["bakery-nodes 1.0"]').decode()
    numpy = tomllib.loads(facts)["versions"]["numpy"]
    text = facts.replace(f'numpy = "{numpy}"', 'numpy = "0.9"')
    found = unpack(resealed(package, tmp_path / "dough.zip", **{"package.toml": text.encode()}), tmp_path / "hall", DAY)
    assert [finding.what for finding in found.findings] == [
        f"numpy was 0.9, and is {numpy} here.",
        "The piece has nodes of bakery-nodes 1.0.",
    ]


def test_a_folder_that_is_there_stays_as_it_is(package: Path, tmp_path: Path) -> None:
    (tmp_path / "hall").mkdir()
    with pytest.raises(ProblemError, match="Something exists there already"):
        unpack(package, tmp_path / "hall", DAY)
    assert list((tmp_path / "hall").iterdir()) == []


def test_cautions_and_what_is_left_to_do_are_shown(package: Path, tmp_path: Path) -> None:
    shown = run(tmp_path / "cache", "unpack", package, "--into", tmp_path / "hall")
    assert shown.exit_code == 0
    assert "Hearing: this can be loud" in shown.stdout
    assert f"residue check {tmp_path / 'hall'}" in shown.stdout
    assert f"residue verify --fingerprint {tmp_path / 'hall'}/handed-on/fingerprints/first-batch.toml" in shown.stdout


@pytest.mark.parametrize(
    ("piece", "told"),
    [
        (kitchen.PIECE, False),
        (kitchen.PIECE + kitchen.LAMP, True),
        (kitchen.PIECE.replace("bandpass", "of_another_house"), True),
    ],
    ids=["no lamps", "lamps", "not known before its nodes are here"],
)
def test_a_piece_with_lamps_brings_their_caution_whatever_room_it_stood_in(
    tmp_path: Path, piece: str, *, told: bool
) -> None:
    (tmp_path / "piece.toml").write_text(piece, encoding="utf-8")
    assert any("provoke seizures" in one for one in cautions_of(tmp_path)) is told


_KILLED = """
import os, signal, sys
from datetime import date
from pathlib import Path
from residue.runtime.packing.unpacking import unpack

seen = []

def progress(what, done, total):
    seen.append(what)
    if len(seen) == int(sys.argv[3]):
        os.kill(os.getpid(), signal.SIGKILL)

unpack(Path(sys.argv[1]), Path(sys.argv[2]), date(2026, 3, 3), progress)
"""


@pytest.mark.parametrize("step", [3, 12, 30])
def test_one_that_is_killed_in_the_middle_leaves_nothing_half(package: Path, tmp_path: Path, step: int) -> None:
    words = [sys.executable, "-c", _KILLED, str(package), str(tmp_path / "hall"), str(step)]
    assert subprocess.run(words, check=False).returncode == -signal.SIGKILL
    assert [path.name.startswith(PREFIX) for path in tmp_path.iterdir()] == [True], "and this name is no installation"
    assert isinstance(unpack(package, tmp_path / "hall", DAY), Unpacked), "so it can be done again"


def test_facts_are_read_as_they_were_written(package: Path, tmp_path: Path) -> None:
    found = unpack(package, tmp_path / "hall", DAY)
    told = tomllib.loads((tmp_path / "hall" / "handed-on" / "package.toml").read_text(encoding="utf-8"))
    assert msgspec.to_builtins(found.facts, builtin_types=(date,)) == told
    assert found.facts.performances == ["first-batch", "second-batch"]
