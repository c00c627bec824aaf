"""A whole session in real time: a piece is heard, edited, spoilt and corrected, on a file and on a sound server."""

from __future__ import annotations

import logging
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from residue.installation import drafts
from residue.installation.load import Installation
from residue.mapping.playback import Played
from residue.problems import ProblemError
from residue.runtime.journal.log import FILE_NAME
from residue.runtime.listening import laying, listening
from residue.runtime.listening.edited import Edited
from residue.runtime.listening.listening import Wish, listen
from residue.runtime.listening.trail import Trail
from tests.runtime import kitchen
from tests.runtime.asking import wait_until
from tests.runtime.listening.desk import NAME, PIECE, SHARPER, build, write
from tests.runtime.running import AS_AT_A_TERMINAL, free_port
from tests.sound_server import sound_server

pytestmark = pytest.mark.real_time

IN_STONE = (
    '[node.dull_out]\nkind = "output"\ninput = "hall"',
    '[node.stone]\nkind = "recorded_space"\ninput = "hall"\nrecording = "stone.wav"\nchannels = 1\n\n'
    '[node.dull_out]\nkind = "output"\ninput = "stone"',
)
BROKEN = ("cutoff_hz = 120", "cutoff_hz = much")


class Session(threading.Thread):
    """Somebody at the desk, who edits the piece once something is told and so much was heard, and ends with Ctrl-C.

    edits: what is told, the seconds in the WAV, and the edit, None for the end.
    """

    def __init__(
        self,
        installation: Path,
        wav: Path,
        caplog: pytest.LogCaptureFixture,
        *edits: tuple[str, int, tuple[str, str] | None],
    ) -> None:
        super().__init__(daemon=True)
        self._installation, self._wav, self._caplog, self._edits = installation, wav, caplog, edits
        self._over = False
        caplog.set_level(logging.INFO)

    def listens(self, tmp_path: Path, *, from_s: float = 20.0, trim_db: float = 0.0) -> None:
        """Begins at the desk, and comes back once the session is over."""
        wish = Wish(
            folder=self._installation, performance=NAME, from_s=from_s, device=f"file:{self._wav}", trim_db=trim_db
        )
        self.start()
        try:
            listen(wish, tmp_path / "state", tmp_path / "cache")
        finally:
            self._over = True
        self.join()

    def run(self) -> None:
        try:
            self._edit()
        finally:
            if not self._over:
                os.kill(os.getpid(), signal.SIGINT)

    def _edit(self) -> None:
        for told, heard_s, edit in self._edits:
            self._until(told, heard_s)
            if edit is not None:
                write(self._installation, edit)

    def _until(self, words: str, heard_s: int = 1, times: int = 1) -> None:
        """Waits until words were told so many times, and so much is in the WAV."""
        wait_until(
            lambda: (
                self._wav.exists()
                and self._wav.stat().st_size > heard_s * 48_000 * 2 * 4
                and self._caplog.text.count(words) >= times
            )
        )


def levels_db(sound: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of each tenth of a second."""
    parts = sound[: len(sound) // 4_800 * 4_800].reshape(-1, 4_800, sound.shape[1])
    found: NDArray[np.float64] = 10.0 * np.log10((parts * parts).mean(axis=1) + 1e-20)
    return found


def test_each_edit_is_heard_and_a_fault_leaves_the_sound_as_it_was(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    installation, wav = build(tmp_path, 100.0), tmp_path / "heard.wav"
    session = Session(
        installation,
        wav,
        caplog,
        ("Heard from 0:20 on.", 4, SHARPER),
        ("Changed: dull.", 5, BROKEN),
        ("The piece as it was plays on.", 6, ('to = ["left"]', 'to = ["left", "right"]')),
        ("Changed: dull, dull_out.", 8, None),
    )
    session.listens(tmp_path, trim_db=-6.0)
    assert "node.dull.cutoff_hz" in caplog.text or "piece.toml: line" in caplog.text
    sound, _ = soundfile.read(wav)
    levels = levels_db(sound)
    loud = levels[40:-10]  # without the rise and the last fade
    assert loud.max() < -20.0
    assert loud.min() > np.median(loud) - 10.0, "nothing but the murmur's own unrest: there is no gap"


def test_an_edit_is_heard_though_the_version_before_fails_while_it_waits(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Failing(Edited):
        def offer(self, trail: Trail) -> None:
            def broken(frames: int) -> Played:
                raise ArithmeticError("The dough is gone")

            monkeypatch.setattr(self.now, "step", broken)
            wait_until(lambda: self.failed)
            super().offer(trail)

    monkeypatch.setattr(listening, "Edited", Failing)
    installation, wav = build(tmp_path, 100.0), tmp_path / "heard.wav"
    session = Session(installation, wav, caplog, ("Heard from 0:20 on.", 2, SHARPER), ("The dough is gone", 9, None))
    session.listens(tmp_path)
    sound, _ = soundfile.read(wav)
    assert levels_db(sound)[-25:-10].min() > -70.0


class Bringing(Session):
    """Somebody who names the recording of a room in the piece, and brings another recording under the same name."""

    def _edit(self) -> None:
        self._until("Heard from 0:20 on.")
        self._bring(0.1)
        write(self._installation, IN_STONE)
        self._until("Saved, and heard from")
        self._bring(0.2)
        self._until("Saved, and heard from", times=2)

    def _bring(self, level: float) -> None:
        soundfile.write(self._installation / "stone.wav", np.full(400, level), 48_000)


class Naming(Session):
    """Somebody who names a recording before it is there."""

    def _edit(self) -> None:
        self._until("Heard from 0:20 on.")
        write(self._installation, IN_STONE)
        self._until("The piece as it was plays on.")
        soundfile.write(self._installation / "stone.wav", np.full(400, 0.1), 48_000)
        self._until("Changed: stone, dull_out.")


def test_a_piece_that_lacked_a_file_is_read_again_when_the_file_arrives(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    installation, wav = build(tmp_path, 100.0), tmp_path / "heard.wav"
    session = Naming(installation, wav, caplog)
    session.listens(tmp_path)
    assert "stone.wav" in caplog.text


def test_any_error_in_an_edited_piece_leaves_the_sound_as_it_was(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = drafts.draft

    def draft(folder: Path, performance: str, *, gallery: bool) -> Installation:
        if SHARPER[1] in (folder / "piece.toml").read_text(encoding="utf-8"):
            raise ZeroDivisionError("no dough is left")
        return there(folder, performance, gallery=gallery)

    monkeypatch.setattr(listening, "draft", draft)
    installation, wav = build(tmp_path, 100.0), tmp_path / "heard.wav"
    session = Session(
        installation, wav, caplog, ("Heard from 0:20 on.", 1, SHARPER), ("The piece as it was plays on.", 2, None)
    )
    session.listens(tmp_path)
    assert "no dough is left" in caplog.text


def test_another_recording_in_a_file_that_an_edit_named_is_heard(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    installation, wav = build(tmp_path, 100.0), tmp_path / "heard.wav"
    session = Bringing(installation, wav, caplog)
    session.listens(tmp_path)
    assert "nothing that sounds now" not in caplog.text


def test_what_has_no_memory_at_first_gets_all_of_it_while_it_is_heard(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(laying, "AFTER_S", 0.0)
    installation, wav = build(tmp_path, 400.0), tmp_path / "heard.wav"
    session = Session(installation, wav, caplog, ("with all of its memory, as in a render.", 1, None))
    session.listens(tmp_path, from_s=100.0)
    assert "Every node remembers only what came after 1:10, 30 s before" in caplog.text
    assert "The section is a guess" in caplog.text


def test_on_a_sound_server_it_is_heard_below_the_cap(tmp_path: Path) -> None:
    installation = build(tmp_path, 30.0)
    command = [sys.executable, "-m", "residue", "listen", str(installation), "--device", "pulse", "--trim-db", "0"]
    with sound_server(tmp_path) as server:
        with server.recording() as path:
            done = subprocess.run(
                [*AS_AT_A_TERMINAL, *command, "--for-s", "6"],
                env={**server.environment, "XDG_CACHE_HOME": str(tmp_path / "cache")},
                capture_output=True,
                text=True,
                timeout=200,
            )
        captured = server.captured(path)
    assert done.returncode == 0, done.stderr
    assert "Headphones are not calibrated" in done.stderr
    assert "Traceback" not in done.stderr
    levels = levels_db(captured.T.astype(np.float64))
    assert -45.0 < levels.max() < -19.0


def in_its_room(installation: Path, tmp_path: Path) -> Callable[[], None]:
    wish = Wish(folder=installation, performance=NAME, room=True, device="silent", for_s=2.5)
    return lambda: listen(wish, tmp_path / "state", tmp_path / "cache")


def test_in_the_room_what_was_sent_is_logged(tmp_path: Path) -> None:
    installation, port = build(tmp_path, 30.0), free_port()
    (installation / "room.toml").write_text(kitchen.ROOM.format(port=port), encoding="utf-8")
    in_its_room(installation, tmp_path)()
    with closing(sqlite3.connect(tmp_path / "state" / FILE_NAME)) as log:
        told = [text for (text,) in log.execute("SELECT text FROM event ORDER BY rowid")]
        seconds = log.execute("SELECT count(*) FROM second").fetchone()[0]
    assert [text for text in told if NAME in text] == [f"Listening to {NAME}.", f"Listened to {NAME}."]
    assert seconds >= 1


def test_a_room_in_which_a_house_runs_is_left_alone(tmp_path: Path) -> None:
    installation, port = build(tmp_path, 3.0), free_port()
    (installation / "room.toml").write_text(kitchen.ROOM.format(port=port), encoding="utf-8")
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as house:
        house.bind(("127.0.0.1", port))
        with pytest.raises(ProblemError, match="A house holds the room"):
            in_its_room(installation, tmp_path)()


def test_a_room_that_lacks_an_output_is_not_played_into(tmp_path: Path) -> None:
    installation = build(tmp_path, 3.0)
    room = kitchen.ROOM.format(port=free_port()).replace("[output.right]", "[output.rear]")
    (installation / "room.toml").write_text(room, encoding="utf-8")
    with pytest.raises(ProblemError, match='The piece sounds through an output "right"'):
        in_its_room(installation, tmp_path)()


@pytest.mark.parametrize(
    ("wish", "said"),
    [
        pytest.param({"performance": "third-batch"}, 'There is no performance "third-batch"', id="a performance"),
        pytest.param({"from_s": 90.0}, "The performance ends after 3.0 s", id="a place after the end"),
        pytest.param({"device": "no such device"}, "no such device", id="a device"),
    ],
)
def test_what_cannot_be_heard_is_told(tmp_path: Path, wish: dict[str, object], said: str) -> None:
    installation = build(tmp_path, 3.0)
    with pytest.raises(ProblemError, match=said):
        listen(
            Wish(**{"folder": installation, "device": "silent", **wish}),  # type: ignore[arg-type]
            tmp_path / "state",
            tmp_path / "cache",
        )


def test_it_ends_with_the_performance(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    installation = build(tmp_path, 3.0)
    assert "room.toml" not in [path.name for path in installation.iterdir()]
    listen(Wish(folder=installation, device="silent"), tmp_path / "state", tmp_path / "cache")
    assert "Traceback" not in caplog.text
    assert (installation / "piece.toml").read_text(encoding="utf-8") == PIECE
