"""A slice of the fault campaign and of the soak; the whole: ``./run faults --seeds 500``."""

import shutil

import pytest

from tests.faults.campaign import run_campaign
from tests.faults.soak import Sample, block_means, run_soak, slope
from tests.system.indi_servers import needs_indiserver

pytestmark = [pytest.mark.indi, pytest.mark.broker, pytest.mark.slow]
needs_mosquitto = pytest.mark.skipif(
    shutil.which("mosquitto", path="/usr/sbin:/usr/bin") is None, reason="mosquitto is missing"
)

# A full disk, a frozen broker; a killed server, a bumped tripod; a killed service, a lost driver.
SEEDS = (16, 27, 88)


@needs_indiserver
@needs_mosquitto
@pytest.mark.timeout(600)
def test_some_seeds_violate_nothing() -> None:
    results = run_campaign(SEEDS, jobs=1)
    assert {one.seed: one.violations for one in results if one.violations} == {}
    assert len(results) == len(SEEDS)
    assert sum(one.corrections for one in results) > 0
    assert sum(one.surveys for one in results) > 0


@needs_indiserver
@needs_mosquitto
@pytest.mark.timeout(300)
def test_a_short_soak_grows_by_nothing() -> None:
    figures = run_soak(0.1)
    assert figures["wrong"] == []
    assert figures["surveys"] >= 1


def test_the_slope_of_a_line_and_its_error() -> None:
    """Anscombe's first set: slope 0.5001, standard error 0.1179.

    F. J. Anscombe, Graphs in Statistical Analysis, The American Statistician 27 (1973) 17.
    """
    x = (10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0)
    y = (8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68)
    found, error = slope(list(zip(x, y, strict=True)))
    assert found == pytest.approx(0.5001, abs=5e-5)
    assert error == pytest.approx(0.1179, abs=5e-5)


def test_a_leak_would_be_seen() -> None:
    samples = [
        Sample(h=i / 100, memory_mb=100.0 + 3.0 * i / 100 + i % 7, descriptors=20, threads=9)
        for i in range(800)
    ]
    found, error = slope(block_means(samples, lambda one: one.memory_mb, 0.2))
    assert found == pytest.approx(3.0, abs=4.0 * error)
    assert found - 2.0 * error > 1.0
