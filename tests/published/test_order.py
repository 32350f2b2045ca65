"""Bolt orders and passes against published tables."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.figures.order import PASSES, crossing_order

# Source of every row: ASME PCC-1 table 4, legacy cross pattern, from memory.
# The 12-bolt order was also seen on a secondary page.
TABLE = [
    [1, 3, 2, 4],
    [1, 5, 3, 7, 2, 6, 4, 8],
    [1, 7, 4, 10, 2, 8, 5, 11, 3, 9, 6, 12],
    [1, 9, 5, 13, 3, 11, 7, 15, 2, 10, 6, 14, 4, 12, 8, 16],
    [1, 11, 6, 16, 3, 13, 8, 18, 5, 15, 10, 20, 2, 12, 7, 17, 4, 14, 9, 19],
]


@pytest.mark.parametrize("order", TABLE, ids=lambda order: f"{len(order)} bolts")
def test_the_tabled_orders(order):
    assert crossing_order(len(order)) == order


@given(st.integers(2, 200))
def test_every_bolt_comes_once(bolts):
    assert sorted(crossing_order(bolts)) == list(range(1, bolts + 1))


@given(st.integers(1, 100).map(lambda half: 2 * half))
def test_each_even_pair_is_opposite(bolts):
    order = crossing_order(bolts)
    assert all(abs(a - b) == bolts // 2 for a, b in zip(order[::2], order[1::2], strict=True))


@given(st.integers(2, 60).map(lambda half: 2 * half + 1))
def test_odd_neighbours_in_the_order_are_nearly_opposite(bolts):
    order = crossing_order(bolts)
    for a, b in zip(order, order[1:], strict=False):
        assert min((a - b) % bolts, (b - a) % bolts) == bolts // 2


@pytest.mark.parametrize("bolts", [1, 0, -4])
def test_too_few_bolts(bolts):
    with pytest.raises(ValueError, match="at least two"):
        crossing_order(bolts)


# Source: ASME PCC-1 table 2 (2013 and 2019), from memory; practice pages with 30, 60 and 100 % and a circular round fit inside it.
def test_the_passes():
    assert [(each.low_percent, each.high_percent, each.pattern) for each in PASSES] == [
        (0, 20, "cross"),
        (20, 30, "cross"),
        (50, 70, "cross"),
        (100, 100, "cross"),
        (100, 100, "circular"),
        (100, 100, "circular"),
    ]
