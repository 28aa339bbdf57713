"""Student's t against a printed table, another library and its own limits."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from polewright.core.axis.student import student_cdf, student_half_width


@pytest.mark.parametrize(
    ("degrees", "expected"),
    [(1, 12.706), (2, 4.303), (3, 3.182), (5, 2.571), (10, 2.228), (30, 2.042), (100, 1.984)],
)
def test_half_widths_of_95_percent_are_those_of_the_table(degrees, expected):
    """NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, column 0.975."""
    assert student_half_width(0.95, degrees) == pytest.approx(expected, abs=5e-4)


@given(st.floats(-40, 40), st.integers(1, 60))
def test_the_distribution_is_another_librarys(t, degrees):
    assert student_cdf(t, degrees) == pytest.approx(stats.t.cdf(t, degrees), abs=1e-12)


@given(st.floats(0.01, 0.995), st.integers(1, 60))
def test_half_widths_are_another_librarys(probability, degrees):
    expected = stats.t.ppf(0.5 + 0.5 * probability, degrees)
    assert student_half_width(probability, degrees) == pytest.approx(expected, rel=1e-9)


def test_with_many_degrees_it_is_the_normal_distribution():
    assert student_half_width(math.erf(math.sqrt(0.5)), 5000) == pytest.approx(1.0, abs=2e-4)


@pytest.mark.parametrize("wrong", [(0.0, 3), (1.0, 3), (0.5, 0)])
def test_a_width_that_does_not_exist_is_refused(wrong):
    with pytest.raises(ValueError, match="no such width"):
        student_half_width(*wrong)
