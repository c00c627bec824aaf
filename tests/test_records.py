"""No file that the program wrote for itself, however spoilt, is believed or ends the program."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from residue.archive.prepared_fixity import SUMS, Sum, _known
from residue.archive.swap.places import Request, When, read_request
from residue.records import SpoiltRecordError, decode_record, encode_record
from residue.runtime.house.memory import Memory, remembered
from residue.runtime.house.restarts import Restarts
from residue.runtime.planning.planning import Outcome
from residue.runtime.system.clock import SystemClock
from residue.runtime.system.folders import MEMORY_BEFORE_FILE, MEMORY_FILE

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
MEMORY = Memory(index=3, under_way=True, place_s=81.5, held_by="the front desk", trim_db=-3.0, last_known=NOON)
RECORDS: list[tuple[Any, Any]] = [
    (MEMORY, Memory),
    ({"engine stalls": [NOON, NOON]}, dict[str, list[datetime]]),
    (date(2026, 3, 2), date),
    ({"forearm.f32": Sum(size=12, mtime_ns=34, sha256="5f")}, dict[str, Sum]),
    (Request(when=When.NOW, bag="fourth-batch", asked=NOON), Request),
    (Outcome(gain_db={"first-batch": -1.2}, words={}, duration_s={}, unplayable={}, lowering={}), Outcome),
]
KINDS = ["memory", "restarts", "nights", "sums", "request", "plan"]


def spoilt(content: bytes) -> Iterator[bytes]:
    """Every bit flipped by itself, every length to which the file can be cut, and nothing at all."""
    for at in range(len(content)):
        for bit in range(8):
            yield content[:at] + bytes([content[at] ^ 1 << bit]) + content[at + 1 :]
    yield from (content[:length] for length in range(len(content)))


@pytest.mark.parametrize(("value", "kind"), RECORDS, ids=KINDS)
def test_a_spoilt_record_is_refused_or_means_the_same(value: Any, kind: Any) -> None:
    content = encode_record(value)
    assert decode_record(content, kind) == value
    for wrong in spoilt(content):
        try:
            assert decode_record(wrong, kind) == value
        except SpoiltRecordError:
            continue


@pytest.mark.parametrize(
    "content", [b"", b"\xff", b"[" * 100_000, b"1e999", b'"\\ud800"', b"null", b'{"index": 1e400}', b"\x00" * 64]
)
def test_what_was_never_a_record_is_refused(content: bytes) -> None:
    with pytest.raises(SpoiltRecordError):
        decode_record(content, Memory)


def test_a_record_of_an_earlier_version_without_a_sum_is_read() -> None:
    assert decode_record(b'{"index": 4}', Memory) == Memory(index=4)


@pytest.mark.parametrize("before", [MEMORY, None], ids=["with the one before", "alone"])
def test_a_spoilt_memory_is_told_and_the_one_before_counts(tmp_path: Path, before: Memory | None) -> None:
    """A flipped bit must not end a hold."""
    content = encode_record(MEMORY)
    if before is not None:
        (tmp_path / MEMORY_BEFORE_FILE).write_bytes(content)
    for wrong in [b"", content[:40], content.replace(b"front", b"frnot"), content.replace(b"desk", b"d\xe5sk")]:
        (tmp_path / MEMORY_FILE).write_bytes(wrong)
        found, lost = remembered(tmp_path)
        assert lost[0].startswith(f"{MEMORY_FILE} cannot be read: ")
        assert found == (before or Memory())
        assert (before is None) == ("hold" in lost[-1])


def test_a_house_without_a_memory_has_lost_none(tmp_path: Path) -> None:
    assert remembered(tmp_path) == (Memory(), [])


READERS: list[tuple[str, Any, Callable[[Path], Any], Any]] = [
    (SUMS, RECORDS[3][0], lambda path: _known(path.parent), {}),
    (".first-batch.swap", RECORDS[4][0], read_request, None),
    ("restarts.json", RECORDS[1][0], lambda path: Restarts(path, SystemClock(), lambda *_: None)._known(), {}),
]


@pytest.mark.parametrize(("name", "value", "read", "nothing"), READERS, ids=[reader[0] for reader in READERS])
def test_each_reader_takes_a_spoilt_file_for_none(
    tmp_path: Path, name: str, value: Any, read: Callable[[Path], Any], nothing: Any
) -> None:
    path, content = tmp_path / name, encode_record(value)
    path.write_bytes(content)
    assert read(path) == value
    for wrong in list(spoilt(content))[::17]:
        path.write_bytes(wrong)
        assert read(path) in (value, nothing)
    path.unlink()
    assert read(path) == nothing
