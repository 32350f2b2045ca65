"""Order and passes for tightening the bolts of a round flange or cover."""

from dataclasses import dataclass


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
