import pytest

from tests.season.simulation import Season


@pytest.mark.parametrize("seed", range(3))
def test_days_of_faults_ends_in_order_each_time(seed: int) -> None:
    """A seed that fails here fails again: python -m tests.season.simulation --days 4 --seed SEED."""
    season = Season(seed, faults_a_day=20)
    season.run(days=4)
    assert season.counts.total() > 30
    assert season.served_s / season.open_s > 0.95


def test_a_season_without_faults_is_served_but_for_the_moment_of_opening() -> None:
    season = Season(seed=0, faults_a_day=0)
    season.run(days=8)
    assert season.served_s / season.open_s > 0.9995
