"""How many examples a property tries: few and always the same in a quick run, many, by a seed, with `--all`."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

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
