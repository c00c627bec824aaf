"""What keeps one performance from being planned keeps no other from it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from residue.archive.prepared import PreparedPerformance
from residue.installation.load import Installation, load
from residue.mapping.playback import Playback, Played
from residue.problems import ProblemError
from residue.runtime.planning import preparation
from residue.runtime.planning.planning import Advance, Outcome, Teller, Work, make_ready, order_of_work
from residue.runtime.planning.preparation import PROFILES, playback_of
from tests.runtime import kitchen


@pytest.fixture
def installation(tmp_path: Path) -> Installation:
    return load(kitchen.build(tmp_path, port=47_397, duration_s=1.0))


def test_a_node_that_raises_on_one_evening_leaves_the_others_playable(
    installation: Installation, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = next(iter(installation.performances))

    def broken(_frames: int) -> Played:
        raise RuntimeError("no crumb is left")

    def opened(installation: Installation, performance: PreparedPerformance) -> Playback:
        playback = playback_of(installation, performance)
        if performance.digest == digests[first]:
            monkeypatch.setattr(playback, "step", broken)
        return playback

    digests = {name: preparation.open_performance(installation, name, tmp_path).digest for name in installation.played}
    monkeypatch.setattr(preparation, "playback_of", opened)
    outcome = make_ready(installation, tmp_path)
    assert outcome.unplayable.keys() == {first}
    assert "The graph failed at 0.0 s, or shortly before: no crumb is left." in outcome.unplayable[first]
    assert outcome.gain_db.keys() == digests.keys() - {first}


def test_a_level_profile_that_cannot_be_kept_keeps_nothing_from_being_played(
    installation: Installation, tmp_path: Path
) -> None:
    (tmp_path / PROFILES).write_text("a file where the folder should be")
    outcome = make_ready(installation, tmp_path)
    assert outcome.unplayable == {}
    assert outcome.gain_db.keys() == set(installation.played)


def test_what_is_due_first_is_made_ready_first_and_can_be_played_at_once(
    installation: Installation, tmp_path: Path
) -> None:
    first, second = installation.played
    told: list[Outcome] = []
    whole = make_ready(installation, tmp_path, due=[second], told=told.append)
    [early] = told
    assert (early.complete, [*early.gain_db], [*early.digest]) == (False, [second], [second])
    assert (whole.complete, sorted(whole.gain_db)) == (True, sorted([first, second]))


def test_the_order_of_work_names_every_performance_of_the_programme_once() -> None:
    played = ["first-batch", "second-batch", "last-batch"]
    assert order_of_work(played, ["last-batch", "no-longer-played", "last-batch"]) == [
        "last-batch",
        "first-batch",
        "second-batch",
    ]
    assert order_of_work(played, []) == played


def test_the_work_is_told_as_a_share_of_all_of_it_with_the_time_that_is_left() -> None:
    now_s = 100.0
    told: list[Advance] = []
    teller = Teller(2, told.append, lambda: now_s)
    teller.progress("first-batch", Work.FIXITY)("data/left.flac", 1, 5)
    now_s += 10.0
    teller.progress("first-batch", Work.LEVELS)("levels", 250, 1_000)
    now_s += 0.1
    teller.progress("first-batch", Work.LEVELS)("levels", 260, 1_000)  # too soon after the last to be told
    now_s += 20.0
    teller.progress("second-batch", Work.CHANNELS)("forearm", 0, 0)
    assert [(one.performance, one.number, one.count) for one in told] == [
        ("first-batch", 1, 2),
        ("first-batch", 1, 2),
        ("second-batch", 2, 2),
    ]
    assert [one.share for one in told] == pytest.approx([0.01, 0.40, 0.20])
    assert told[0].left_s is None
    assert told[1].left_s == pytest.approx(15.0)  # 40 % took 10 s
    assert told[2].left_s == pytest.approx(0.0), "this performance was only begun just now"


def test_the_steps_of_the_work_add_up_to_all_of_it() -> None:
    assert sum(step.value for step in Work) == pytest.approx(1.0)


@pytest.mark.long
def test_levels_made_on_all_cores_are_those_made_one_by_one(
    installation: Installation, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names, told = installation.played, list[str]()
    one_by_one = preparation.profiles_of(installation, names, tmp_path / "one")
    monkeypatch.setattr(preparation, "_WORTH_PROCESSES_FRAMES", 0)
    monkeypatch.setattr("os.sched_getaffinity", lambda _: {0, 1})
    side_by_side = preparation.profiles_of(
        installation, names, tmp_path / "several", lambda what, done, total: told.append(what)
    )
    assert f"levels of {len(names)} performances" in told
    assert "levels" not in told, "they were all in the cache"
    for name in names:
        np.testing.assert_array_equal(one_by_one[name].energy, side_by_side[name].energy)
        np.testing.assert_array_equal(one_by_one[name].ending_peak, side_by_side[name].ending_peak)


def test_a_performance_that_cannot_be_opened_keeps_no_others_from_being_made_side_by_side(
    installation: Installation, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = installation.played
    made: list[str] = []

    def asked(work: object, jobs: list[str], lost: object) -> list[None]:
        made.extend(jobs)
        return [None] * len(jobs)

    monkeypatch.setattr(preparation, "_WORTH_PROCESSES_FRAMES", 0)
    monkeypatch.setattr("os.sched_getaffinity", lambda _: {0, 1})
    monkeypatch.setattr(preparation, "on_cores", asked)
    with pytest.raises(ProblemError, match='There is no performance "no-batch"'):
        preparation.profiles_of(installation, [first, "no-batch", second], tmp_path)
    assert made == [first, second]
