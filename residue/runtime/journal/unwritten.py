"""A note on another disk that the disk of the level log cannot be written."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from residue.records import SpoiltRecordError, encode_record, read_record
from residue.runtime.journal.telling import UNLOGGED_MOST_S
from residue.runtime.system.clock import Uptime
from residue.runtime.system.files import replace_file


class UnwrittenNote:
    """A file that exists while the disk cannot be written, and says since when. Any thread may use it.

    path: None where no note is kept.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path

    def stands(self) -> bool:
        """Whether a note says that the disk cannot be written; False where no note can be kept."""
        try:
            return self._path is not None and self._path.exists()
        except OSError:  # in the folder of another user, as XDG_RUNTIME_DIR is after su
            return False

    def write(self, since: Uptime) -> None:
        """Notes that the disk could not be written since then, unless a note stands."""
        if self._path is None or self.stands():
            return
        with suppress(OSError):  # there is no third place
            replace_file(self._path, encode_record((since.boot, since.seconds - UNLOGGED_MOST_S)))

    def unwritten_s(self, up: Uptime) -> float:
        """The time for which sound may have been sent but not written; 0 without a note."""
        if self._path is None or not self.stands():
            return 0.0
        try:
            boot, since_s = read_record(self._path, tuple[str, float])
        except (OSError, SpoiltRecordError):
            return up.seconds  # it has no time
        return float(up.seconds - since_s) if boot == up.boot else 0.0

    def remove(self) -> None:
        """Removes the note, where there is one."""
        if self._path is not None:
            with suppress(OSError):  # the rows are written, and a failed note must not cause a second write
                self._path.unlink(missing_ok=True)
