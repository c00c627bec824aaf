"""Sources that an interrupted run has stored, so that the next run can continue."""

from __future__ import annotations

import shutil
from collections.abc import Collection, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType

import msgspec

from residue.archive.beside import file_beside, onto_disk
from residue.archive.ingest.keeping import StoredSource, keep
from residue.archive.ingest.source import IngestSource
from residue.archive.performance import Channel
from residue.records import SpoiltRecordError, encode_record, read_record


class _Done(msgspec.Struct, frozen=True):
    """A source that is kept already, and its state at that time."""

    size: int
    changed_ns: int
    asked: dict[str, Channel]
    keep_private: bool
    notes: list[str]
    lost: str
    kept: dict[str, Channel]
    sentences: list[str]


class SourceStore:
    """Keeps sources in a folder of work; it skips sources that are already there and unchanged.

    The disk writes one source while the next is processed. A source counts as kept only when it is on the disk;
    otherwise a power cut could leave a record of a missing file. The end of the `with` block waits for the disk, and
    raises OSError where writing failed.
    """

    def __init__(self, work: Path) -> None:
        self.payload = work / "data"
        self._record = work / "done.json"
        self._known = _read(self._record)
        self._disk = ThreadPoolExecutor(1)
        self._written: list[Future[None]] = []
        self.payload.mkdir(parents=True, exist_ok=True)

    def __enter__(self) -> SourceStore:
        """Gives itself."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """Waits until everything is on the disk, also after an error."""
        self._disk.shutdown()
        if error is None:
            for written in self._written:
                written.result()

    def keep(
        self, source: IngestSource, asked: Mapping[str, Channel], *, keep_private: bool, notes: Collection[str] = ()
    ) -> StoredSource:
        """Stores a source, with only these of its notes, and returns its channels. Raises OSError or ProblemError."""
        name, stat = source.path.name, source.path.stat()
        seen = (stat.st_size, stat.st_mtime_ns, dict(asked), keep_private, sorted(notes), source.lost)
        before = self._known.get(name)
        if before and msgspec.structs.astuple(before)[: len(seen)] == seen:
            return StoredSource(before.kept, tuple(before.sentences))
        kept = keep(source, asked, self.payload, keep_private=keep_private, notes=notes)
        done = _Done(*seen, dict(kept.channels), list(kept.done))
        self._written.append(self._disk.submit(self._write_out, name, done))
        return kept

    def _write_out(self, name: str, done: _Done) -> None:
        for file in {channel.file for channel in done.kept.values()}:
            onto_disk(self.payload / file)
        self._known[name] = done
        with file_beside(self._record) as making:
            making.write_bytes(encode_record(self._known))


def _read(record: Path) -> dict[str, _Done]:
    try:
        return read_record(record, dict[str, _Done])
    except (OSError, SpoiltRecordError):
        shutil.rmtree(record.parent, ignore_errors=True)  # from another version, or half written: begin again
        return {}
