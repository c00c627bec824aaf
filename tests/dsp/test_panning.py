"""Vector base amplitude panning against its published formulas, numpy's inverse and scipy's convex hull."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from residue.dsp.panning import VectorPanning, directions

Floats = NDArray[np.float64]
SEED = 20_261_129


def vectors(places: Floats) -> Floats:
    """Unit vectors of (azimuth, elevation) in degrees, by numpy's trigonometry."""
    around, up = np.radians(places).T
    return np.stack((np.cos(up) * np.cos(around), np.cos(up) * np.sin(around), np.sin(up)), axis=1)


def anywhere(count: int) -> Floats:
    """Directions that are alike in all parts of the sphere."""
    drawn = np.random.default_rng([SEED, count])
    return np.stack((drawn.uniform(-720.0, 720.0, count), np.degrees(np.arcsin(drawn.uniform(-1, 1, count)))), axis=1)


def evenly(count: int) -> Floats:
    """Directions as evenly apart as seeds in a sunflower are (Vogel's spiral, on a sphere)."""
    number = np.arange(count)
    return np.stack(
        (360.0 * (number * (5**0.5 - 1) / 2 % 1), np.degrees(np.arcsin(1 - (2 * number + 1) / count))), axis=1
    )


def gains(places: Floats, towards: Floats) -> Floats:
    """(directions, outputs)."""
    return VectorPanning(*places.T)(*towards.T).T


def flat(*around: float) -> Floats:
    return np.array([(one, 0.0) for one in around])


CUBE = np.array([(45.0 + 90.0 * n, up) for n in range(4) for up in (-35.264, 35.264)])
DOME = np.array([*((30.0 + 60.0 * n, 0.0) for n in range(6)), *((120.0 * n, 45.0) for n in range(3)), (0.0, 90.0)])
LAYOUTS = {
    "a pair": flat(30.0, -30.0),
    "a ring": flat(0.0, 45.0, 100.0, 180.0, -80.0, -40.0),
    "three in front": flat(45.0, 0.0, -45.0),
    "a wall": np.array([(20.0, -15.0), (-20.0, -15.0), (20.0, 25.0), (-20.0, 25.0)]),
    "opposite each other": flat(90.0, -90.0),
    "a cube": CUBE,
    "a dome": DOME,
    "above": np.array([(120.0 * n, 60.0) for n in range(3)]),
    "thirty-two": anywhere(32),
}
every_layout = pytest.mark.parametrize("places", LAYOUTS.values(), ids=LAYOUTS)


def test_directions_are_those_of_trigonometry() -> None:
    places = anywhere(1_000)
    assert np.abs(directions(*places.T).T - vectors(places)).max() < 3e-11


@pytest.mark.parametrize("degrees", [0.0, 7.0, -15.0, 29.0, 30.0, -30.0])
def test_between_a_pair_the_law_of_tangents_holds(degrees: float) -> None:
    """Pulkki 1997, equation 4: tan(phi) / tan(phi_0) = (g1 - g2) / (g1 + g2)."""
    ((left, right),) = gains(flat(30.0, -30.0), flat(degrees))
    assert (left - right) / (left + right) == pytest.approx(
        np.tan(np.radians(degrees)) / np.tan(np.radians(30.0)), abs=1e-9
    )


def test_in_the_middle_of_three_all_have_the_same_gain() -> None:
    """Three at right angles, and their middle at 45 degrees round and 35.264 up: 1 / sqrt(3) each."""
    places = np.array([(0.0, 0.0), (90.0, 0.0), (0.0, 90.0), (180.0, 0.0), (270.0, 0.0), (0.0, -90.0)])
    ((*three, behind, right, below),) = gains(places, np.array([(45.0, 35.264389682754654)]))
    assert three == pytest.approx([3**-0.5] * 3, abs=1e-9)
    assert max(behind, right, below) < 1e-5  # the sine of a right angle lacks 7e-12


def reference(places: Floats, towards: Floats) -> Floats:
    """By scipy's hull and numpy's inverse: the one triplet whose gains have no negative among them."""
    points = vectors(places)
    found = np.zeros((len(towards), len(places)))
    for row, direction in zip(found, vectors(towards), strict=True):
        for triplet in ConvexHull(points).simplices:
            three = direction @ np.linalg.inv(points[triplet])
            if three.min() >= -1e-12:
                row[triplet] = np.maximum(three, 0.0) / np.linalg.norm(three)
                break
    return found


@pytest.mark.parametrize("count", [12, 20, 32])
def test_outputs_all_around_have_the_gains_of_the_reference(count: int) -> None:
    places, towards = evenly(count), anywhere(200)
    hull = ConvexHull(vectors(places))
    assert (hull.equations[:, 3] < -0.2).all()  # no gap, so that nothing imaginary is added
    assert len(VectorPanning(*places.T).triplets) == 2 * count - 4  # Euler's formula, for triangles
    assert np.abs(gains(places, towards) - reference(places, towards)).max() < 1e-5


@every_layout
def test_the_power_is_1_in_every_direction(places: Floats) -> None:
    found = gains(places, anywhere(2_000))
    assert np.abs(np.sum(found**2, axis=1) - 1.0).max() < 1e-12
    assert found.min() >= 0.0


@every_layout
def test_a_sound_at_an_output_comes_from_that_output_alone(places: Floats) -> None:
    assert np.abs(gains(places, places) - np.eye(len(places))).max() < 1e-4


def largest_change(places: Floats, step_degrees: float) -> float:
    """Of any output's power between directions so far apart, on a way round, up and down, and on one over the poles."""
    at = np.arange(0.0, 360.0, step_degrees)
    round_about = np.stack((at, 80.0 * np.sin(np.radians(at))), axis=1)
    over = np.stack((0.0 * at + 11.0, at - 180.0), axis=1)
    return max(float(np.abs(np.diff(gains(places, way) ** 2, axis=0)).max()) for way in (round_about, over))


@every_layout
def test_a_way_without_a_jump_has_powers_without_a_jump(places: Floats) -> None:
    """Steps a quarter as long bring changes a quarter as large; a jump would stay as large as it is."""
    assert largest_change(places, 0.02) < 0.3 * largest_change(places, 0.08)


def test_on_a_flat_ring_only_the_two_neighbours_sound() -> None:
    places = LAYOUTS["a ring"]
    for degrees in np.arange(0.5, 360.0, 7.0):
        (found,) = gains(places, flat(degrees))
        around = [float(one) % 360.0 for one in places[:, 0]]
        between = sorted(range(6), key=lambda n: around[n])
        pairs = itertools.pairwise([*between, between[0]])
        (pair,) = [(a, b) for a, b in pairs if (degrees - around[a]) % 360.0 <= (around[b] - around[a]) % 360.0]
        assert sorted(np.flatnonzero(found > 1e-4).tolist()) == sorted(pair)


def test_below_a_dome_the_sound_stays_on_its_rim_and_spreads_over_it_at_the_bottom() -> None:
    ((*rim, a, b, c, top), (*bottom, _, _, _, _)) = gains(DOME, np.array([(30.0, -20.0), (0.0, -90.0)]))
    assert max(a, b, c, top) < 1e-4
    assert np.argmax(rim) == 0
    assert bottom == pytest.approx([6**-0.5] * 6, abs=1e-4)


def test_behind_a_pair_both_sound_alike() -> None:
    assert gains(flat(30.0, -30.0), flat(180.0))[0] == pytest.approx([0.5**0.5] * 2, abs=1e-6)
