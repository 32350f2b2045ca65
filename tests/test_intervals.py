"""The intervals of the benchmarks' tables, against published tables."""

import re

import pytest

from scripts.intervals import exact, garwood, share, upper, wilson


@pytest.mark.parametrize(("hits", "of", "low", "high"), [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)])
def test_wilson_as_published(hits, of, low, high):
    """Newcombe, Two-sided confidence intervals for the single proportion, Statistics in Medicine 17, 1998, table I, method 3 (from memory)."""
    assert wilson(hits, of) == (pytest.approx(low, abs=6e-5), pytest.approx(high, abs=6e-5))


@pytest.mark.parametrize(("hits", "of", "low", "high"), [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (1, 29, 0.0009, 0.1776)])
def test_exact_as_published(hits, of, low, high):
    """The same table, method 5 (from memory)."""
    assert upper(hits, of) == pytest.approx(high, abs=6e-5)
    assert [float(one) for one in re.findall(r"[\d.]+", exact(hits, of))] == pytest.approx([100 * low, 100 * high], abs=0.006)


def test_none_of_many_has_a_one_sided_bound():
    """The rule of three: 0 of n is under 3/n, for 95 %."""
    (bound,) = re.findall(r"under ([\d.]+) %", exact(0, 300))
    assert float(bound) == pytest.approx(100 * 3 / 300, rel=0.02)


@pytest.mark.parametrize(("count", "low", "high"), [(0, 0.0, 3.7), (1, 0.0, 5.6), (5, 1.6, 11.7), (10, 4.8, 18.4)])
def test_counts_as_published(count, low, high):
    """Garwood, Fiducial limits for the Poisson distribution, Biometrika 28, 1936 (from memory)."""
    assert garwood(count, 1.0) == f"{count:.1f} an hour ({low}-{high})"


def test_nothing_counted_is_said_so():
    assert wilson(0, 0) == (0.0, 1.0) and upper(0, 0) == 1.0 and exact(0, 0) == "-" and share(0, 0).strip() == "-"
