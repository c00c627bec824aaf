"""The places where a piece is heard while it is written."""

from __future__ import annotations

from pathlib import Path

from residue.installation.load import load
from residue.mapping.signals import frame_at
from residue.runtime.engine.snapshot import Snapshot
from residue.runtime.journal.log import FILE_NAME
from residue.runtime.listening.place import in_the_room, on_headphones
from residue.runtime.system.clock import SystemClock
from tests.runtime import kitchen
from tests.runtime.running import free_port
from tests.runtime.tallied import tally


def test_in_the_room_it_is_known_that_the_disk_takes_nothing(tmp_path: Path) -> None:
    """The engine then stays below the caps, since a later start counts no more than that."""
    loaded, state = load(kitchen.build(tmp_path, free_port(), 1.0)), tmp_path / "state"
    (state / FILE_NAME).mkdir(parents=True)  # no log can be written there
    with in_the_room(
        loaded.folder, loaded.graph, "first-batch", device="silent", state=state, clock=SystemClock()
    ) as place:
        for _ in range(5):
            place.sent(tally(1.0, 60.0), Snapshot())
        assert place.log_lags(frame_at(5.0))


def test_headphones_have_no_log() -> None:
    assert not on_headphones("silent").log_lags(frame_at(5.0))
