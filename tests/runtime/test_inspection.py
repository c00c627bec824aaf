"""What `residue check` finds."""

from __future__ import annotations

import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import msgspec

from residue.archive.bag import seal
from residue.archive.performance import FILE_NAME, Permission, read_performance, write_performance
from residue.problems import Severity
from residue.runtime.inspection import inspect
from tests.runtime import kitchen


class June:
    """The clock of a house that is looked at in June."""

    def now(self) -> datetime:
        return datetime(2026, 5, 31, 22, 30, tzinfo=UTC)  # the first of June in Berlin

    def monotonic_s(self) -> float:
        return 0.0


def test_a_performance_that_may_no_longer_be_shown_is_warned_of_and_does_not_stop_the_house(tmp_path: Path) -> None:
    installation = kitchen.build(tmp_path, 47_399, duration_s=0.2)
    recorded, bag = tmp_path / "recorded-first-batch", installation / "performances" / "first-batch"
    spring = Permission(consent="signed 2026-02-11, folder 3", shown_until=date(2026, 5, 31))
    facts = msgspec.structs.replace(read_performance(recorded / FILE_NAME), permission=spring)
    (recorded / FILE_NAME).write_text(write_performance(facts), encoding="utf-8")
    shutil.rmtree(bag)
    seal(recorded, bag, {}, date(2026, 3, 1))
    findings = inspect(installation, "silent", tmp_path / "cache", June())
    [warned] = [finding for finding in findings if "may be shown" in finding.what]
    assert warned.severity is Severity.WARNS
    assert warned.what == "It may be shown from any day to 2026-05-31; 2026-06-01 is outside."
    assert not any(finding.severity is Severity.STOPS for finding in findings)
