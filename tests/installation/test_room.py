"""What a room.toml may not say, although each key of it alone is right."""

from __future__ import annotations

from pathlib import Path

import pytest

from residue.installation.load import read_piece, read_room

ROOM = """\
{first}
place = "Kitchen"
device = "silent"
levels_at_the_ear = "unknown"
[output.left]
device_channel = 1
[output.{name}]
device_channel = {channel}
{cap}
"""
CAP = '[[cap]]\nquantity = "LAeq"\nwindow_s = 60\nlimit_dbfs = -20.0\n'
LAMP = '[[equipment]]\nname = "{name}"\nkind = "wake-on-lan"\nmac = "02:00:5e:10:00:01"\n'


def room(
    tmp_path: Path, *, name: str = "right", channel: int = 2, cap: str = CAP, first: str = "", more: str = ""
) -> list[str]:
    path = tmp_path / "room.toml"
    path.write_text(ROOM.format(first=first, name=name, channel=channel, cap=cap) + more, encoding="utf-8")
    found, findings = read_room(path)
    assert (found is None) == bool(findings)
    return [str(finding) for finding in findings]


def test_a_room_that_is_right_is_read(tmp_path: Path) -> None:
    assert room(tmp_path, more=LAMP.format(name="lamp") + LAMP.format(name="projector")) == []


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        pytest.param({"cap": "", "first": "cap = []"}, "The room has no cap.", id="no cap"),
        pytest.param({"channel": 1}, "output.left and output.right both use device_channel = 1.", id="one channel"),
        pytest.param({"name": "place"}, 'An output is called "place"', id="an output that reads as the place"),
        pytest.param(
            {"more": LAMP.format(name="lamp") * 2}, 'Two pieces of equipment are called "lamp".', id="one name"
        ),
    ],
)
def test_what_cannot_be_meant_is_told(tmp_path: Path, wrong: dict[str, object], said: str) -> None:
    [told] = room(tmp_path, **wrong)  # type: ignore[arg-type]
    assert said in told


@pytest.mark.parametrize("kind", ["[]", "{}", "3", "2026-03-02", "true"])
def test_a_kind_that_is_no_word_is_told_with_those_that_there_are(tmp_path: Path, kind: str) -> None:
    [told] = room(tmp_path, more=LAMP.format(name="lamp").replace('"wake-on-lan"', kind))
    assert "room.toml: equipment[1].kind" in told
    assert "wake-on-lan" in told
    (tmp_path / "piece.toml").write_text(f'title = "x"\noutputs = ["left"]\n[node.arm]\nkind = {kind}\n')
    graph, findings = read_piece(tmp_path / "piece.toml")
    assert graph is None
    assert findings[0].where == "piece.toml: node.arm.kind"
