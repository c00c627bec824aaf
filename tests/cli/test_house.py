"""Wishes to a running house, against a stand-in that speaks OSC through python-osc alone."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from residue.cli import main

ROOM = """
place = "North hall"
device = "silent"
levels_at_the_ear = "unknown"

[output.left]
device_channel = 1

[[cap]]
quantity = "LZeq"
window_s = 60
limit_dbfs = -20

[control]
port = {port}
key = "rye and water"
"""


@contextmanager
def listening(answer: str, *arguments: str, plays: Path | None = None) -> Iterator[tuple[int, list[OscMessage]]]:
    """A house that gives every command the same answer: its port, and the commands that came. plays: its folder."""
    came: list[OscMessage] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as house:
        house.bind(("127.0.0.1", 0))

        def serve() -> None:
            with suppress(OSError):  # closed where no command comes
                message, sender = received()
                while message.address == "/house/status":
                    send("/house/status", json.dumps({} if plays is None else {"installation": str(plays)}), to=sender)
                    message, sender = received()
                came.append(message)
                send(answer, *arguments, to=sender)

        def received() -> tuple[OscMessage, tuple[str, int]]:
            datagram, sender = house.recvfrom(8192)
            return OscMessage(datagram), sender

        def send(address: str, *told: str, to: tuple[str, int]) -> None:
            built = OscMessageBuilder(address)
            for argument in told:
                built.add_arg(argument)
            house.sendto(built.build().dgram, to)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield house.getsockname()[1], came
        thread.join(10.0 if came else 0.0)


def residue(*words: str) -> Result:
    return CliRunner().invoke(main, words)


@pytest.mark.parametrize(
    ("words", "path", "arguments"),
    [
        (["hold"], "/house/hold", []),
        (["hold", "--for-s", "1200"], "/house/hold/for", [1200.0]),
        (["release"], "/house/release", []),
        (["trim", "-6"], "/house/trim", [-6.0]),
        (["next"], "/house/next", []),
    ],
)
def test_a_wish_reaches_the_house(words: list[str], path: str, arguments: list[float]) -> None:
    with listening("/house/done", path, "The house does as asked.") as (port, came):
        done = residue(*words, "--at", f"127.0.0.1:{port}")
    assert done.exit_code == 0, done.output
    assert done.output.startswith("The house does as asked.\n")
    assert [(message.address, message.params) for message in came] == [(path, arguments)]


def test_a_house_that_says_nothing_more_has_done_it() -> None:
    with listening("/house/done", "/house/next") as (port, _):
        assert residue("next", "--at", f"127.0.0.1:{port}").output == "Done.\n"


def test_port_and_key_are_read_from_room_toml(tmp_path: Path) -> None:
    with listening("/house/done", "/house/hold") as (port, came):
        (tmp_path / "room.toml").write_text(ROOM.format(port=port), encoding="utf-8")
        done = residue("hold", str(tmp_path))
    assert done.exit_code == 0, done.output
    assert [message.params for message in came] == [["rye and water"]]


def test_a_link_to_the_folder_that_plays_is_that_folder(tmp_path: Path) -> None:
    hall, link = tmp_path / "hall", tmp_path / "link"
    hall.mkdir()
    link.symlink_to(hall)
    with listening("/house/done", "/house/hold", plays=hall) as (port, came):
        (hall / "room.toml").write_text(ROOM.format(port=port), encoding="utf-8")
        assert residue("hold", str(link)).exit_code == 0
    assert len(came) == 1


@pytest.mark.parametrize("words", [["hold"], ["trim", "-6"], ["status"], ["status", "--json"], ["ready"]])
def test_another_house_at_that_port_is_not_asked_in_the_place_of_this_one(tmp_path: Path, words: list[str]) -> None:
    """The service plays /srv/residue, and a person asks for the folder in which the next piece is being made."""
    with listening("/house/done", "/house/hold", plays=Path("/srv/residue")) as (port, came):
        (tmp_path / "room.toml").write_text(ROOM.format(port=port), encoding="utf-8")
        told = residue(*words, str(tmp_path))
    assert told.exit_code == 1
    assert came == []
    assert f"127.0.0.1:{port}: The house that listens there plays /srv/residue, not {tmp_path}." in told.output
    assert f"add --at 127.0.0.1:{port}" in told.output


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ('place = "North hall"', 'plaice = "North hall"'),
        ("window_s = 60", "window_s = -60"),
        ("[control]", '[control]\nalow = ["127.0.0.1/32"]'),
        ("[control]", '[control]\nallow = ["everybody"]'),
    ],
)
def test_a_slip_in_room_toml_keeps_nobody_from_the_house(tmp_path: Path, right: str, wrong: str) -> None:
    with listening("/house/done", "/house/hold") as (port, came):
        text = ROOM.format(port=port)
        assert right in text
        (tmp_path / "room.toml").write_text(text.replace(right, wrong), encoding="utf-8")
        assert residue("hold", str(tmp_path)).exit_code == 0
    assert [message.params for message in came] == [["rye and water"]]


def test_a_file_that_is_no_toml_is_told_and_passed_over_where_the_house_is_named(tmp_path: Path) -> None:
    (tmp_path / "room.toml").write_text('place = "North hall', encoding="utf-8")
    told = residue("hold", str(tmp_path))
    assert told.exit_code == 1
    assert "room.toml: The file ends too early." in told.output
    assert "Mend that, or add --at 127.0.0.1:47300" in told.output
    with listening("/house/done", "/house/hold") as (port, came):
        assert residue("hold", str(tmp_path), "--at", f"127.0.0.1:{port}").exit_code == 0
    assert len(came) == 1


def test_a_refusal_is_shown_with_the_mend() -> None:
    with listening("/house/error", "/house/hold: It needs the key of room.toml as its last argument.") as (port, _):
        refused = residue("hold", "--at", f"127.0.0.1:{port}")
    assert refused.exit_code == 1
    assert "It needs the key of room.toml" in refused.output
    assert "name the installation" in refused.output


def test_a_house_that_does_not_run_is_named_with_the_mend() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    alone = residue("release", "--at", f"127.0.0.1:{port}")
    assert alone.exit_code == 1
    assert "Nobody listens there. Start it with `residue run`" in alone.output


@pytest.mark.parametrize("db", ["3", "-41", "nan"])
def test_a_trim_only_lowers(db: str) -> None:
    assert residue("trim", db, "--at", "127.0.0.1:1024").exit_code == 2
