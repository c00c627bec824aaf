"""In every order that the hours can give, the governor has nothing to do."""

from __future__ import annotations

from datetime import date

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.loudness.caps.caps import Cap, CapEntry, expand
from residue.loudness.caps.ears import ears
from residue.loudness.meters.hops import HOP_FRAMES
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.order import Order, Pool, Round, Stretch
from residue.loudness.plan.plan import plan_order
from residue.loudness.plan.profile import LevelProfile
from residue.loudness.stage.budget import terms
from residue.runtime.planning.foreseen import foreseen
from residue.runtime.rehearsal.planned_sounds import cap_sound_of, sound_of
from residue.runtime.rehearsal.rehearsal import rehearse
from residue.runtime.rehearsal.rehearsed_caps import CapResult
from residue.schedule.hours import Hours, calendar
from residue.schedule.spans import WEEKDAYS
from residue.schedule.special_days import terms_of
from tests.loudness.plan.level_profiles import of_energy
from tests.properties import tries

OUTPUTS = {"left": Output(device_channel=1)}
FIRST, LAST = date(2027, 3, 1), date(2027, 3, 7)
CAPS = expand(
    [
        CapEntry(quantity="LAeq", window_s=60.0, limit_dbfs=-30.0),
        CapEntry(quantity="LAeq", window_s=600.0, limit_dbfs=-32.0),
        CapEntry(quantity="LCeq", window_s=7_200.0, limit_dbfs=-34.0),
    ]
)
LISTENED = ears(OUTPUTS, CAPS)


def profile_of(levels_db: list[float], each_s: float = 60.0) -> LevelProfile:
    """A performance that stays at each of these levels for so long."""
    energy = np.repeat(10 ** (np.array(levels_db) / 10) * HOP_FRAMES, round(each_s * 10))
    return of_energy(LISTENED, np.tile(energy, (len(LISTENED), 1)))


def kept_of(hours: Hours, profiles: dict[str, LevelProfile]) -> list[CapResult]:
    """A week as it comes, at the gains that are planned."""
    openings, longest_s = calendar(hours), max(cap.window_s for cap in CAPS)
    runs_on_s = max(one.duration_s for one in profiles.values()) if hours.programme.at_closing == "finish" else 0.0
    views = [*(view.terms for view in hours.private_view), *terms_of(hours.exception)]
    order = foreseen(hours.programme, openings, views, longest_s, runs_on_s)
    found = plan_order(profiles, order, CAPS, OUTPUTS)
    power = {name: 10 ** (found.gain_db(name) / 10) for name in profiles}
    sounds = {name: sound_of(profile, power[name]) for name, profile in profiles.items()}
    heard = [cap_sound_of(cap, profiles, power, OUTPUTS) for cap in CAPS]
    return rehearse(openings, hours.programme, sounds, FIRST, LAST, None, heard).caps


LEVELS = st.lists(st.sampled_from([-60.0, -40.0, -30.0, -20.0]), min_size=1, max_size=4)
NAMES = ("first-batch", "second-batch", "third-batch", "fourth-batch")
WEEK = {
    "mon": ["10:00-12:00", "12:00-14:30"],
    "tue": ["20:00-24:00"],
    "wed": ["00:00-02:30"],
    "thu": ["10:00-10:07", "10:09-10:31", "11:00-12:30"],
    "fri": ["23:00-01:00"],
}
VIEW = {"date": "2027-03-01", "open": ["12:00-12:40"], "trim_db": -6, "performances": ["fourth-batch"]}
CHOICES = st.fixed_dictionaries(
    {
        "rest_s": st.sampled_from([0, 7, 90]),
        "starts": st.sampled_from(["any time", "full hour", ["10:10", "10:30", "22:00"]]),
        "at_closing": st.sampled_from(["fade", "finish", "whole"]),
        "weekday": st.sampled_from([{}, {"wed": ["third-batch"]}, {"tue": ["second-batch", "first-batch"]}]),
    }
)
EXCEPTIONS = st.sampled_from(
    [
        [],
        [{"weekday": ["mon", "tue"], "trim_db": -3}, {"date": "2027-03-01", "performances": ["third-batch"]}],
        [{"weekday": "thu", "silent": ["11:30-11:45"], "trim_db": -6, "performances": ["second-batch"]}],
    ]
)
VIEWS = st.sampled_from([[], [VIEW, VIEW | {"date": "2027-03-02", "open": ["21:00-21:20"], "performances": []}]])
ORDERS = st.sampled_from([{}, {"order": "shuffled"}, {"share": {"second-batch": 3}}])


@tries(quick=5, many=20)
@given(st.lists(LEVELS, min_size=4, max_size=4), CHOICES, ORDERS, VIEWS, EXCEPTIONS)
def test_in_any_programme_of_any_week_the_governor_has_nothing_to_do(
    levels_db: list[list[float]],
    choices: dict[str, object],
    order: dict[str, object],
    views: list[dict[str, object]],
    exceptions: list[dict[str, object]],
) -> None:
    programme = {"performances": NAMES[:3], **choices, **order}
    raw = {"time_zone": "Europe/Berlin", "weekly": WEEK, "programme": programme, "private_view": views}
    hours = msgspec.convert(raw | {"exception": exceptions}, Hours)
    played = {*hours.programme.names, *(["fourth-batch"] if views else [])}
    profiles = {name: profile_of(levels) for name, levels in zip(NAMES, levels_db, strict=True) if name in played}
    assert [cap.governor_s for cap in kept_of(hours, profiles)] == [0.0] * len(CAPS)


def bounded(order: Order, profiles: dict[str, LevelProfile], cap: Cap) -> float:
    """How far the loudest sequence of openings that this order allows stays below the cap, by drawing many, in dB."""
    found = plan_order(profiles, order, [cap], OUTPUTS)
    chance, bounds, most = np.random.default_rng(5), terms(cap), 0.0
    for _ in range(300):
        energy = np.zeros(0)
        [stretches] = order.neighbours
        for one in reversed(stretches):
            turns = one.pool.rounds[chance.integers(len(one.pool.rounds))]
            played = [
                hop
                for name in turns.names
                for hop in (10 ** ((found.gain_db(name) + one.pool.trim_db) / 10) * profiles[name].energy[0])
            ]
            length = int(chance.integers(1, round(one.lasts_s * 10) + 1))
            silence = np.zeros(round(one.silence_s * 10))
            energy = np.concatenate((energy, silence, np.resize(played, length)))
        sums = np.concatenate((np.zeros(1), np.cumsum(energy)))
        for hop, now in enumerate(energy):
            most = max(most, sums[hop] - sums[max(0, hop - bounds.hops)] + bounds.knee * now)
    return float(10 * np.log10(most / bounds.energy(bounds.total)))


@pytest.mark.parametrize("silence_s", [0.0, 5.0])
def test_what_may_be_heard_over_a_closing_keeps_the_cap_and_little_is_given_away(silence_s: float) -> None:
    """One that ends loud, cut by closing, and then one that begins loud."""
    [cap] = expand([CapEntry(quantity="LAeq", window_s=20.0, limit_dbfs=-30.0)])
    profiles = {"ends-loud": profile_of([-40, -22], 10.0), "begins-loud": profile_of([-22, -40], 10.0)}
    first, second = (Pool((Round((name,)),)) for name in profiles)
    order = Order((first, second), ((Stretch(second, 30.0, silence_s), Stretch(first, 30.0, 0.0)),))
    headroom_db = bounded(order, profiles, cap)
    assert -0.5 < headroom_db <= 0.0
    apart = Order((first, second))
    assert plan_order(profiles, apart, [cap], OUTPUTS).gain_db("ends-loud") > plan_order(
        profiles, order, [cap], OUTPUTS
    ).gain_db("ends-loud")


def test_every_shuffle_is_planned_for_and_a_private_view_at_its_own_trim() -> None:
    raw = {"performances": NAMES[:3], "order": "shuffled", "weekday": {"sun": ["third-batch"]}}
    hours = msgspec.convert({"time_zone": "Europe/Berlin", "programme": raw, "private_view": [VIEW]}, Hours)
    order = foreseen(hours.programme, calendar(hours), [view.terms for view in hours.private_view], 900.0, 0.0)
    assert [(len(one.rounds), one.trim_db, one.from_anywhere) for one in order.pools] == [
        (2, 0.0, True),
        (1, 0.0, True),
        (1, -6.0, True),
    ]
    assert order.neighbours == ()
    assert order.only({"third-batch"}).pools == (Pool((Round(("third-batch",)),), from_anywhere=True),)


def test_openings_that_follow_each_other_soon_are_neighbours() -> None:
    weekly = {"mon": ["10:00-12:00", "12:10-14:00"], "tue": ["10:00-12:00"]}
    raw = {"time_zone": "Europe/Berlin", "weekly": weekly, "programme": {"performances": ["first-batch"]}}
    hours = msgspec.convert(raw, Hours)
    [met] = foreseen(hours.programme, calendar(hours), [], 900.0, 0.0).neighbours
    assert [(one.lasts_s, one.silence_s) for one in met] == [(6600.0, 600.0), (7200.0, 0.0)]
    assert foreseen(hours.programme, calendar(hours), [], 500.0, 0.0).neighbours == ()
    longer = foreseen(hours.programme, calendar(hours), [], 500.0, 300.0).neighbours
    assert [(one.lasts_s, one.silence_s) for one in longer[0]] == [(6900.0, 300.0), (7500.0, 0.0)]


@pytest.mark.parametrize("window_s", [900.0, 28_800.0])
def test_a_house_that_never_closes_plays_up_to_its_cap(window_s: float) -> None:
    """Beats 10 dB above the mean of what is played, in every one of three performances, day and night."""
    beats = [profile_of([-40.0, *([-20.0 + louder] * 2), -40.0] * 90, 0.1) for louder in (0.0, 1.0, 2.0)]
    profiles = dict(zip(NAMES, beats, strict=False))
    raw = {
        "time_zone": "Europe/Berlin",
        "weekly": {day: ["00:00-24:00"] for day in WEEKDAYS},
        "programme": {"performances": list(profiles), "rest_s": 180},
    }
    hours = msgspec.convert(raw, Hours)
    caps = expand([CapEntry(quantity="LAeq", window_s=window_s, limit_dbfs=-40.0)])
    found = plan_order(profiles, foreseen(hours.programme, calendar(hours), [], window_s, 0.0), caps, OUTPUTS)
    for planned in found.performances:
        assert planned.gain_db < -3.0
        assert 0.0 <= planned.nearest[0].headroom_db < 0.5


@pytest.mark.parametrize(("window_s", "rest_s"), [(900.0, 180), (900.0, 240), (1800.0, 60), (3600.0, 240)])
def test_midnight_costs_a_house_that_never_closes_nothing_of_its_cap(window_s: float, rest_s: int) -> None:
    """A piece that grows by 30 dB, three evenings of it: cut at its loudest and begun again it needs 1.9 dB more."""
    grows = np.linspace(-50.0, -20.0, 300)
    profiles = {name: profile_of(list(grows + louder), 1.0) for louder, name in enumerate(NAMES[:3])}
    raw = {
        "time_zone": "Europe/Berlin",
        "weekly": {day: ["00:00-24:00"] for day in WEEKDAYS},
        "programme": {"performances": list(profiles), "rest_s": rest_s},
    }
    hours = msgspec.convert(raw, Hours)
    caps = expand([CapEntry(quantity="LAeq", window_s=window_s, limit_dbfs=-40.0)])
    found = plan_order(profiles, foreseen(hours.programme, calendar(hours), [], window_s, 0.0), caps, OUTPUTS)
    assert all(0.0 <= planned.nearest[0].headroom_db < 0.5 for planned in found.performances)


def test_performances_at_listed_times_are_not_planned_as_if_they_followed_at_once() -> None:
    hourly = {"performances": ["first-batch"], "starts": "full hour"}
    gains_db = []
    for programme in (hourly, {"performances": ["first-batch"]}):
        raw = {"time_zone": "Europe/Berlin", "weekly": WEEK, "programme": programme}
        hours = msgspec.convert(raw, Hours)
        order = foreseen(hours.programme, calendar(hours), [], 0.0, 0.0)
        [cap] = expand([CapEntry(quantity="LAeq", window_s=600.0, limit_dbfs=-32.0)])
        gains_db.append(plan_order({"first-batch": profile_of([-20])}, order, [cap], OUTPUTS).gain_db("first-batch"))
    # One minute in ten instead of ten, each with the knee of 6 s.
    assert gains_db[0] - gains_db[1] == pytest.approx(10 * np.log10((600 + 6) / (60 + 6)), abs=0.02)
