"""Vector base amplitude panning over outputs at any positions around a listener.

Source: Pulkki, Virtual sound source positioning using vector base amplitude panning, J Audio Eng Soc 45 (1997)
456-466. The triplets are the faces of the convex hull of the outputs. Where the outputs leave a wide gap (below a dome,
around a flat ring, behind a pair) the hull is closed by imaginary outputs, whose power goes to their real neighbours.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cmp_to_key
from itertools import combinations, pairwise
from typing import NamedTuple

import numpy as np

from residue.dsp.exact import Floats, cosine, phases, sine, total

_FLAT = 1e-9
"""Points nearer to a plane than this count as in it."""
_NEAREST_FACE = 0.2
"""A face nearer to the listener than this covers a gap of more than 78 degrees to each side. Our choice."""
_MOST_IMAGINARY = 12

Vector = tuple[float, float, float]
Triplet = tuple[int, int, int]


class Face(NamedTuple):
    """A side of the hull: its points in their order around it, its outward normal, and its distance to the centre."""

    points: Sequence[int]
    normal: Vector
    distance: float


def directions(azimuth_degrees: Floats, elevation_degrees: Floats) -> Floats:
    """Unit vectors (3, n): the axes point to the front, to the left and up.

    Azimuth turns from the front to the left.
    """
    around, up = phases(azimuth_degrees / 360.0), phases(elevation_degrees / 360.0)
    level = cosine(up)
    return np.stack((level * cosine(around), level * sine(around), sine(up)))


class VectorPanning:
    """Gains of outputs for any direction; their squares add up to 1.

    azimuth_degrees, elevation_degrees: of each output, two or more, no two of them alike.
    """

    def __init__(self, azimuth_degrees: Floats, elevation_degrees: Floats) -> None:
        placed = directions(azimuth_degrees, elevation_degrees)
        points = [(float(x), float(y), float(z)) for x, y, z in placed.T]
        self._outputs = len(points)
        self._points = _closed(points)
        self.triplets = [triplet for face in _hull(self._points) for triplet in _fan(face.points)]
        self._inverse = np.array([_inverse([self._points[n] for n in triplet]) for triplet in self.triplets])
        self._members = np.array(self.triplets)
        self._shares = self._shared()

    def _shared(self) -> Floats:
        """(outputs, points): the share of each point's power that each output takes."""
        shares = np.zeros((self._outputs, len(self._points)))
        for point in range(len(self._points)):
            beside = {n for triplet in self.triplets if point in triplet for n in triplet if n < self._outputs}
            takers = [point] if point < self._outputs else sorted(beside) or list(range(self._outputs))
            shares[takers, point] = 1.0 / len(takers)
        return shares

    def __call__(self, azimuth_degrees: Floats, elevation_degrees: Floats) -> Floats:
        """The gains, (outputs, n), for n directions."""
        towards = directions(azimuth_degrees, elevation_degrees)
        # (triplets, 3, n): the one triplet without a negative gain holds the direction.
        within = total(self._inverse[:, :, axis, None] * towards[axis] for axis in range(3))
        least = np.minimum(np.minimum(within[:, 0], within[:, 1]), within[:, 2])
        best = np.argmax(least, axis=0)
        gains = np.maximum(within[best, :, np.arange(towards.shape[1])], 0.0).T
        powers = gains * gains
        powers = powers / total(powers)
        out = np.zeros((self._outputs, towards.shape[1]))
        for corner in range(3):
            out += self._shares[:, self._members[best, corner]] * powers[corner]
        return np.sqrt(out)


def _closed(points: list[Vector]) -> list[Vector]:
    """The points, and imaginary ones in every wide gap, until the hull lies around the listener."""
    closed = list(points)
    while len(closed) < len(points) + _MOST_IMAGINARY:
        nearest = min(_hull(closed), key=lambda face: face.distance, default=None)
        if nearest is not None and nearest.distance > _NEAREST_FACE:
            break
        closed.append(_opposite(closed) if nearest is None else nearest.normal)
    return closed


def _opposite(points: Sequence[Vector]) -> Vector:
    """A direction away from one point or two; at a right angle where two are opposite each other."""
    x, y, z = np.add.accumulate(np.array(points))[-1].tolist()
    if _dot((x, y, z), (x, y, z)) > _FLAT:
        return _unit((-x, -y, -z))
    beside = min(((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)), key=lambda axis: abs(_dot(axis, points[0])))
    return _unit(_cross(points[0], beside))


def _hull(points: Sequence[Vector]) -> list[Face]:
    """The faces of the convex hull of points on a sphere; points in one plane give two faces."""
    faces: dict[tuple[bool, frozenset[int]], Face] = {}
    for i, j, k in combinations(range(len(points)), 3):
        normal = _unit(_cross(_less(points[j], points[i]), _less(points[k], points[i])))
        heights = [_dot(normal, _less(point, points[i])) for point in points]
        inside = [n for n, height in enumerate(heights) if abs(height) <= _FLAT]
        for sign in (1.0, -1.0):
            if all(sign * height <= _FLAT for height in heights):
                outward = (sign * normal[0], sign * normal[1], sign * normal[2])
                key = (sign > 0.0, frozenset(inside)) if len(inside) == len(points) else (True, frozenset(inside))
                if key not in faces:
                    around = _around(points, inside, outward)
                    faces[key] = Face(around, outward, _dot(outward, points[i]))
    return list(faces.values())


def _around(points: Sequence[Vector], inside: Sequence[int], normal: Vector) -> list[int]:
    """The points of a face in their order around it."""
    first, *others = inside
    turned = {n: _less(points[n], points[first]) for n in others}

    def turns(one: int, other: int) -> int:
        return -1 if _dot(normal, _cross(turned[one], turned[other])) > 0.0 else 1

    return [first, *sorted(others, key=cmp_to_key(turns))]


def _fan(points: Sequence[int]) -> Iterator[Triplet]:
    """The triangles of a face, all of which meet in its first point."""
    for second, third in pairwise(points[1:]):
        yield points[0], second, third


def _inverse(triplet: Sequence[Vector]) -> Sequence[Vector]:
    """The rows by which a direction is multiplied to give the gains of a triplet."""
    a, b, c = triplet
    volume = _dot(a, _cross(b, c))
    rows = (_cross(b, c), _cross(c, a), _cross(a, b))
    return [(x / volume, y / volume, z / volume) for x, y, z in rows]


def _less(a: Vector, b: Vector) -> Vector:
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


def _dot(a: Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _cross(a: Vector, b: Vector) -> Vector:
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


def _unit(a: Vector) -> Vector:
    length = float(np.sqrt(_dot(a, a)))
    return a[0] / length, a[1] / length, a[2] / length
