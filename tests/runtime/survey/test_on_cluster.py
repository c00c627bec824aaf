"""A survey on a cluster of this machine, with workers that are ended under way."""

from __future__ import annotations

import importlib
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest

from residue.problems import ProblemError
from residue.runtime.offline.fingerprint import versions
from residue.runtime.survey import on_cluster
from residue.runtime.survey.columns import columns
from residue.runtime.survey.examining import commissioned
from residue.runtime.survey.on_cluster import unlike_workers
from residue.runtime.survey.so_far import RowsSoFar
from residue.runtime.survey.surveying import jobs_in, survey
from residue.runtime.survey.tables import csv_table, parquet_table
from tests.notices.servers import free_tcp_port
from tests.runtime.survey.collection import collection, piece


def distributed() -> Any:
    """Loaded by those tests alone that need it; parts of it have no types."""
    return importlib.import_module("distributed")


@pytest.fixture
def cluster(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    with distributed().LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, local_directory=str(tmp_path / "dask")
    ) as running:
        yield running


@pytest.mark.long
def test_the_table_is_the_same_to_the_bit_where_a_worker_is_ended_midway(cluster: Any, tmp_path: Path) -> None:
    piece(tmp_path / "piece")
    collection(tmp_path / "evenings", 8, duration_s=4.0)
    installation, commission = commissioned(tmp_path / "piece")
    jobs = jobs_in(tmp_path / "evenings")
    alone = survey(commission, jobs, RowsSoFar(tmp_path / "alone", commission), processes=1)
    with distributed().Client(cluster) as client:
        first, second = client.run(os.getpid).values()
        assert first != second
        ended = list[int]()

        def told(name: str, done: int) -> None:
            if done == 2:
                os.kill(first, signal.SIGKILL)
                ended.append(first)

        far = RowsSoFar(tmp_path / "far", commission)
        together = survey(commission, jobs, far, scheduler=cluster.scheduler_address, told=told)
    assert ended == [first]
    columned = columns(installation.graph)
    assert csv_table(columned, together) == csv_table(columned, alone)
    assert parquet_table(columned, together, {}) == parquet_table(columned, alone, {})
    assert [row.playable for row in together] == [True] * 8


@pytest.mark.long
def test_a_scheduler_that_is_lost_is_told_and_what_is_done_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    piece(tmp_path / "piece")
    collection(tmp_path / "evenings", 8, duration_s=4.0)
    _, commission = commissioned(tmp_path / "piece")
    jobs, far = jobs_in(tmp_path / "evenings"), RowsSoFar(tmp_path / "far", commission)
    address = f"tcp://127.0.0.1:{free_tcp_port()}"
    with (
        started("scheduler", "--port", address.rpartition(":")[2], "--no-dashboard", "--no-show") as scheduler,
        started("worker", address, "--nthreads", "1", "--no-dashboard", "--local-directory", str(tmp_path)),
    ):

        def told(name: str, done: int) -> None:
            if done == 1:
                scheduler.kill()

        wait_for_a_worker(address)
        with pytest.raises(ProblemError, match="can no longer be reached"):
            survey(commission, jobs, far, scheduler=address, told=told)
    assert any(far.find(job) for job in jobs)
    assert "Traceback" not in capfd.readouterr().err


@contextmanager
def started(*words: str) -> Iterator[subprocess.Popen[bytes]]:
    """A part of a cluster, as its own command starts it."""
    command = [sys.executable, "-m", "distributed.cli.dask_" + words[0], *words[1:]]
    with subprocess.Popen(command, stderr=subprocess.DEVNULL) as process:
        try:
            yield process
        finally:
            process.terminate()


def wait_for_a_worker(address: str) -> None:
    with distributed().Client(address) as client:
        client.wait_for_workers(1)


def test_a_worker_with_other_versions_is_named() -> None:
    own = versions()
    found = {"tcp://192.0.2.11:9": msgspec.structs.replace(own, numpy="9.9", python="9.8"), "tcp://192.0.2.10:9": own}
    assert unlike_workers(found, own) == (
        f"The worker tcp://192.0.2.11:9 has numpy 9.9 instead of {own.numpy}, python 9.8 instead of {own.python}"
    )
    assert unlike_workers({"tcp://192.0.2.10:9": own}, own) == ""


def test_a_connection_that_fails_without_a_word_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object, **__: object) -> None:
        raise TimeoutError

    monkeypatch.setattr(on_cluster, "_distributed", lambda: SimpleNamespace(Client=refused))
    with pytest.raises(ProblemError, match=r"No scheduler answers there: TimeoutError\."):
        list(on_cluster.on_cluster(str, ["evening"], str, "tcp://192.0.2.10:8786"))


def test_a_scheduler_that_does_not_answer_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(on_cluster, "_ANSWERS_WITHIN_S", 1)
    piece(tmp_path / "piece")
    collection(tmp_path / "evenings", 1, duration_s=3.0)
    _, commission = commissioned(tmp_path / "piece")
    jobs, far = jobs_in(tmp_path / "evenings"), RowsSoFar(tmp_path / "far", commission)
    with pytest.raises(ProblemError, match="No scheduler answers there"):
        survey(commission, jobs, far, scheduler="tcp://127.0.0.1:9")
