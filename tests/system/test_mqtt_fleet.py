"""A small slice of the fleet benchmark: many mounts on one broker, every correction arrives."""

import pytest

from tests.bench import fleet

pytestmark = [pytest.mark.broker, pytest.mark.slow]

# The benchmark's target holds on a quiet machine; this only shows that nothing queues up.
LONGEST_MEDIAN_MS = 200.0


async def test_thirty_mounts_on_one_broker_lose_nothing_and_do_not_queue_up() -> None:
    found = await fleet.measure("service", 30, 4.0)
    assert found["arrived_of_expected"] > 0.9
    assert found["p50_ms"] < LONGEST_MEDIAN_MS
    # Seven bare scalars go with each correction.
    assert found["scalars_per_s"] > 0.9 * 7 * 30 / fleet.PERIOD_S


def test_the_benchmark_says_where_its_target_is_missed() -> None:
    good = {"p99_ms": 99.0, "arrived_of_expected": 1.0}
    assert fleet.missed(good) == []
    assert "p99 101 ms" in fleet.missed(good | {"p99_ms": 101.0})[0]
    assert "98.0%" in fleet.missed(good | {"arrived_of_expected": 0.98})[0]
