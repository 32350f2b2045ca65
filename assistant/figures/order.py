"""Order and passes for tightening the bolts of a round flange, a rectangular cover or a manifold with two rows."""

import math
from collections import defaultdict
from dataclasses import dataclass

from assistant.figures.thread import FigureError
from assistant.figures.working import require_positive


@dataclass(frozen=True)
class Pass:
    """One round over all the bolts."""

    name: str
    """What it is called."""
    low_percent: int
    """Least share of the final torque, per cent; 0 for the hand round."""
    high_percent: int
    """Greatest share of the final torque, per cent."""
    pattern: str
    """"cross" (see `crossing_order`) or "circular" (1, 2, 3 ... n)."""
    note: str = ""
    """When the round ends or is left out."""


PASSES = (
    Pass("hand", 0, 20, "cross", "by hand, then snug to 15 to 30 N.m, but not over 20 % of the final torque"),
    Pass("first", 20, 30, "cross"),
    Pass("second", 50, 70, "cross"),
    Pass("third", 100, 100, "cross"),
    Pass("round", 100, 100, "circular", "until no nut turns any further"),
    Pass("last round", 100, 100, "circular", "after at least four hours, if time permits"),
)
"""Rounds of the legacy cross pattern, ASME PCC-1 table 2 (2013 and 2019), from memory."""


NUMBERING: dict[str, str] = {
    "circle": "Bolts are numbered 1 to n clockwise; number 1 is the one nearest the top as you face the joint.",
    "grid": "Bolts are numbered like words on a page: number 1 is top left as you face the joint, row by row, each from left to right.",
    "perimeter": "Bolts are numbered clockwise round the edge; number 1 is top left as you face the joint.",
    "two rows": "Bolts are numbered down the left row first, number 1 at the top as you face the joint, then down the right row.",
}
"""Pattern -> where the numbering starts and how it goes on."""


def pass_torques(torque: float) -> list[tuple[Pass, float, float]]:
    """(round, least, most) for each of PASSES, in the unit of the final `torque`. Raises FigureError unless `torque` is over 0."""
    require_positive(final_torque=torque)
    return [(each, torque * each.low_percent / 100, torque * each.high_percent / 100) for each in PASSES]


def crossing_order(bolts: int) -> list[int]:
    """Order in which to tighten `bolts` bolts numbered 1 to n clockwise; each comes once, opposite sides in turn.

    Legacy cross pattern of ASME PCC-1 table 4 (from memory) for 4, 8, 12, 16 and 20 bolts. For other numbers the same idea carried
    on (common practice, no source). Raises ValueError for fewer than two bolts.
    """
    if bolts < 2:
        raise ValueError(f"a crossing order needs at least two bolts, not {bolts}")
    if bolts % 4 == 0:
        quarter = bolts // 4
        # Up to three crosses the tables walk on bolt by bolt; from four on they take every second cross first.
        firsts = range(1, quarter + 1) if quarter <= 3 else [*range(1, quarter + 1, 2), *range(2, quarter + 1, 2)]
        return [first + turn * quarter for first in firsts for turn in (0, 2, 1, 3)]
    if bolts % 2 == 0:
        half = bolts // 2
        return [bolt for first in _strides(half) for bolt in (first, first + half)]
    return _strides(bolts)


def _strides(places: int) -> list[int]:
    """1 to n, n odd, each nearly half way round from the one before."""
    # (n - 1) / 2 and n have no common factor, so every place comes once.
    stride = (places - 1) // 2
    return [turn * stride % places + 1 for turn in range(places)]


def rectangle_order(rows: int, columns: int, perimeter: bool = False) -> list[int]:
    """Order in which to tighten the bolts of a rectangle, from the middle outwards, each followed by the one opposite.

    Numbered as in NUMBERING, "grid", or with `perimeter` (only the bolts along the edge) "perimeter". Distance from the middle is
    counted in bolts, as if they stood equally far apart both ways. Common practice, no source. Raises FigureError.
    """
    if rows < 1 or columns < 1 or rows * columns < 2:
        raise FigureError(f"A rectangle of {rows} x {columns} bolts has no order; give rows and columns of at least two bolts in all.")
    places = _edge(rows, columns) if perimeter else [(row, column) for row in range(rows) for column in range(columns)]
    # Twice the way from the middle, to stay with whole numbers.
    out = [(2 * column - columns + 1, 2 * row - rows + 1) for row, column in places]
    rings: dict[int, list[int]] = defaultdict(list)
    for number, (x, y) in enumerate(out, start=1):
        rings[x * x + y * y].append(number)
    order: list[int] = []
    for _, ring in sorted(rings.items()):
        # Round the middle, starting with the lowest number: a ring is a small circle, and is crossed like one.
        turn = sorted(ring, key=lambda number: math.atan2(out[number - 1][1], out[number - 1][0]))
        start = turn.index(ring[0])
        turn = turn[start:] + turn[:start]
        order += [turn[at - 1] for at in crossing_order(len(turn))] if len(turn) > 1 else turn
    return order


def _edge(rows: int, columns: int) -> list[tuple[int, int]]:
    if rows == 1 or columns == 1:
        return [(row, column) for row in range(rows) for column in range(columns)]
    last_row, last_column = rows - 1, columns - 1
    top = [(0, column) for column in range(last_column)]
    right = [(row, last_column) for row in range(last_row)]
    bottom = [(last_row, column) for column in range(last_column, 0, -1)]
    left = [(row, 0) for row in range(last_row, 0, -1)]
    return top + right + bottom + left


def two_row_order(bolts_in_row: int) -> list[int]:
    """Order for a manifold with two rows of `bolts_in_row` bolts: from the middle outwards, left and right in turn, crossing.

    Numbered as in NUMBERING, "two rows". Common practice, no source. Raises FigureError for less than one bolt a row.
    """
    if bolts_in_row < 1:
        raise FigureError(f"A row of {bolts_in_row} bolts has no order; give at least one bolt a row.")
    # Nearest the middle first; of two as near, the upper one.
    left = sorted(range(1, bolts_in_row + 1), key=lambda bolt: (abs(2 * bolt - bolts_in_row - 1), bolt))
    # The bolt across the middle from left bolt k is the one as far from the other end of the right row.
    return [bolt for number in left for bolt in (number, 2 * bolts_in_row + 1 - number)]
