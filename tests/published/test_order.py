"""Bolt orders and passes against published tables."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.figures.order import NUMBERING, PASSES, crossing_order, pass_torques, rectangle_order, two_row_order
from assistant.figures.thread import FigureError

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


# PCC-1 table 2 at a final torque of 138 N.m, worked by hand.
def test_the_torque_of_each_pass():
    assert [(each.name, round(low, 1), round(high, 1)) for each, low, high in pass_torques(138)] == [
        ("hand", 0, 27.6), ("first", 27.6, 41.4), ("second", 69, 96.6), ("third", 138, 138), ("round", 138, 138), ("last round", 138, 138),
    ]  # fmt: skip
    for wrong in (0, -1, math.nan, math.inf):
        with pytest.raises(FigureError, match="final torque"):
            pass_torques(wrong)


# --- rectangles and manifolds: common practice, no source; drawn and numbered by hand for this test ---


@pytest.mark.parametrize(
    ("rows", "columns", "perimeter", "order"),
    [
        # 1 2 / 3 4: crosswise.
        (2, 2, False, [1, 4, 2, 3]),
        # 1 2 3 / 4 5 6: the middle pair, then the corners crosswise.
        (2, 3, False, [2, 5, 1, 6, 3, 4]),
        # 1 2 3 4 / 5 6 7 8: the four in the middle crosswise, then the corners.
        (2, 4, False, [2, 7, 3, 6, 1, 8, 4, 5]),
        # Nine: the centre, the cross, the corners.
        (3, 3, False, [5, 2, 8, 6, 4, 1, 9, 3, 7]),
        # The same without its centre, clockwise 1 2 3 / 8 4 / 7 6 5.
        (3, 3, True, [2, 6, 4, 8, 1, 5, 3, 7]),
        (1, 5, False, [3, 2, 4, 1, 5]),
        (1, 5, True, [3, 2, 4, 1, 5]),
        (4, 1, False, [2, 3, 1, 4]),
    ],
)
def test_rectangles(rows, columns, perimeter, order):
    assert rectangle_order(rows, columns, perimeter) == order


sides = st.integers(1, 12)


@given(sides, sides, st.booleans())
def test_a_rectangle_has_every_bolt_once(rows, columns, perimeter):
    if rows * columns < 2:
        return
    order = rectangle_order(rows, columns, perimeter)
    inside = max(rows - 2, 0) * max(columns - 2, 0) if perimeter else 0
    assert sorted(order) == list(range(1, rows * columns - inside + 1))


@given(sides, sides)
def test_a_rectangle_goes_outwards_with_opposite_bolts_in_turn(rows, columns):
    if rows * columns < 2:
        return
    places = [divmod(bolt - 1, columns) for bolt in rectangle_order(rows, columns)]
    far = [(2 * row - rows + 1) ** 2 + (2 * column - columns + 1) ** 2 for row, column in places]
    assert far == sorted(far)
    pairs = places[1:] if far[0] == 0 else places
    assert all(a[0] + b[0] == rows - 1 and a[1] + b[1] == columns - 1 for a, b in zip(pairs[::2], pairs[1::2], strict=True))


@pytest.mark.parametrize(
    ("bolts", "order"),
    [
        (1, [1, 2]),
        (2, [1, 4, 2, 3]),
        # Left 1 2 3, right 4 5 6, both from the top: the middle pair, then crosswise.
        (3, [2, 5, 1, 6, 3, 4]),
        (4, [2, 7, 3, 6, 1, 8, 4, 5]),
    ],
)
def test_two_rows(bolts, order):
    assert two_row_order(bolts) == order


@given(st.integers(1, 60))
def test_two_rows_have_every_bolt_once_left_and_right_in_turn(bolts):
    order = two_row_order(bolts)
    assert sorted(order) == list(range(1, 2 * bolts + 1))
    assert all(left <= bolts < right for left, right in zip(order[::2], order[1::2], strict=True))
    # Never nearer to the middle than the bolt before.
    away = [abs(2 * ((bolt - 1) % bolts) - bolts + 1) for bolt in order]
    assert away == sorted(away)


@pytest.mark.parametrize("call", [lambda: rectangle_order(1, 1), lambda: rectangle_order(0, 5), lambda: rectangle_order(-2, -2), lambda: two_row_order(0)])
def test_patterns_refused(call):
    with pytest.raises(FigureError, match="has no order"):
        call()


def test_each_pattern_says_where_the_numbering_starts():
    assert set(NUMBERING) == {"circle", "grid", "perimeter", "two rows"}
    assert all("number 1" in words and words.endswith(".") for words in NUMBERING.values())
