"""How many examples a property tries: few and always the same in a quick run, many, by a seed, with `--all`.

And contents with spoilt bytes, which many properties try.
"""

from __future__ import annotations

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

QUICK, MANY = "quick", "many"

_COMMON = settings(
    deadline=None,  # no test depends on how busy the machine is
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
settings.register_profile(QUICK, _COMMON, max_examples=15, derandomize=True, database=None)
settings.register_profile(MANY, _COMMON, max_examples=200, print_blob=True)


def tries(*, quick: int = 15, many: int) -> settings:
    """Settings of a property that needs other numbers than its profile has, as where one example takes long."""
    return settings(max_examples=quick if settings().derandomize else many)


def spoilt(data: st.DataObject, content: bytes, *, most: int, within: int | None = None) -> bytes:
    """A content with one to `most` of its bytes replaced; within: only among so many at its beginning."""
    changed = bytearray(content)
    last = min(len(changed), within or len(changed)) - 1
    for _ in range(data.draw(st.integers(1, most))):
        changed[data.draw(st.integers(0, last))] = data.draw(st.integers(0, 255))
    return bytes(changed)
