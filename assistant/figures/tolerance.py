"""Measurements judged with their uncertainty, readings taken together, and how long a worn part will last. Exact: values are Decimal."""

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Context, Decimal, DecimalException, Inexact, InvalidOperation, localcontext

from assistant.figures.thread import FigureError
from assistant.figures.units import digits

WITHIN, OUT, TOO_CLOSE = "within", "out", "too close to call"
"""The three verdicts of `decide`."""

STANDS_APART = Decimal("3.5")
"""Modified z-score above which a reading stands apart; Iglewicz and Hoaglin (1993), also NIST/SEMATECH e-Handbook 1.3.5.17, from memory."""

Number = Decimal | int | str | float
"""What is taken for a value; a float counts as the digits it prints."""


@dataclass(frozen=True)
class Decision:
    """A verdict on one measured value."""

    verdict: str
    """"within", "out" or "too close to call"."""
    accept_from: Decimal | None
    """Least value proven within, in the unit of the value; None without a lower limit."""
    accept_to: Decimal | None
    """Greatest value proven within; None without an upper limit."""
    lines: tuple[str, ...]
    """The working, one step a line, each with its source."""


def decide(value: Number, uncertainty: Number, at_least: Number | None, at_most: Number | None, unit: str = "") -> Decision:
    """Whether `value` is proven within its limits, proven out, or too close to call; all in one unit, `unit` only for the words.

    `uncertainty` is the expanded one, U with k = 2, as on a calibration certificate. Guard band of the width U: ISO 14253-1 and
    ILAC-G8:09/2019, 4.2.3 (both from secondary copies). The 2017 edition's own default is narrower, 1.65 u (from memory).
    A value on the edge of a guard band counts as within. Raises FigureError.
    """
    y, u = _exact("value", value), _exact("uncertainty", uncertainty)
    low = None if at_least is None else _exact("lower limit", at_least)
    high = None if at_most is None else _exact("upper limit", at_most)
    if u < 0:
        raise FigureError(f"An uncertainty of {digits(u)} is under 0; give the width from the value to its edge.")
    if low is None and high is None:
        raise FigureError("There is no limit to decide by; give the least, the most, or both.")
    if low is not None and high is not None and low > high:
        raise FigureError(f"The lower limit {digits(low)} is over the upper limit {digits(high)}; change them round.")
    try:
        # Nothing may be rounded: a value may lie on the very limit.
        with localcontext(Context(prec=100, traps=[Inexact, InvalidOperation])):
            accept_from, accept_to = (None if low is None else low + u), (None if high is None else high - u)
            out_under, out_over = (None if low is None else low - u), (None if high is None else high + u)
    except DecimalException:
        raise FigureError("These figures have too many digits to be compared exactly; shorten them to what the instrument shows.") from None
    if (accept_from is None or y >= accept_from) and (accept_to is None or y <= accept_to):
        verdict = WITHIN
    elif (out_under is not None and y < out_under) or (out_over is not None and y > out_over):
        verdict = OUT
    else:
        verdict = TOO_CLOSE
    tail = f" {unit}" if unit else ""
    lines = [
        f"Value {digits(y)}{tail}, expanded uncertainty U = {digits(u)}{tail}; limits: {_band(low, high, tail)}",
        f"Proven within: {_band(accept_from, accept_to, tail)} (limits drawn in by U; ISO 14253-1, ILAC-G8:09/2019 4.2.3)",
        f"Proven out: {' or '.join(word for word in (_side('under', out_under, tail), _side('over', out_over, tail)) if word)} (limits moved out by U)",
    ]
    if accept_from is not None and accept_to is not None and accept_from > accept_to:
        lines[1] = "Proven within: no value, U is more than half of the tolerance; use a finer instrument (ISO 14253-1, ILAC-G8:09/2019 4.2.3)"
    lines.append(f"{digits(y)}{tail} is {verdict}" + ("; measure again with a finer instrument, or ask the supervisor" if verdict == TOO_CLOSE else ""))
    return Decision(verdict, accept_from, accept_to, tuple(lines))


def _band(low: Decimal | None, high: Decimal | None, tail: str) -> str:
    if low is not None and high is not None:
        return f"{digits(low)} to {digits(high)}{tail}"
    return f"{digits(low)}{tail} or more" if low is not None else f"{digits(high)}{tail} or less"


def _side(word: str, edge: Decimal | None, tail: str) -> str:
    return "" if edge is None else f"{word} {digits(edge)}{tail}"


@dataclass(frozen=True)
class Summary:
    """Repeated readings of one thing, taken together. All in the unit of the readings."""

    mean: Decimal
    """Of all readings, those that stand apart too."""
    span: Decimal
    """Greatest less least: the range."""
    standard_deviation: Decimal
    """Of the sample, over n - 1."""
    uncertainty_of_mean: Decimal
    """Standard uncertainty of the mean, s / sqrt n; JCGM 100, 4.2.3."""
    outliers: tuple[int, ...]
    """Places of the readings that stand apart, from 1; they are flagged, never dropped."""
    lines: tuple[str, ...]
    """The working, one step a line, each with its source."""


def summary(readings: Sequence[Number], unit: str = "") -> Summary:
    """Mean, range, standard deviation, uncertainty of the mean and outliers of two or more readings in one unit.

    A reading stands apart by the median/MAD rule, 0.6745 |x - median| / MAD over 3.5 (Iglewicz and Hoaglin 1993); where over half of
    the readings are equal and MAD is 0, by |x - median| / (1.2533 mean deviation) over 3.5, as statistics packages do (common
    practice, no source). Three or more readings are needed for that. Raises FigureError.
    """
    values = [_exact(f"reading {place}", reading) for place, reading in enumerate(readings, start=1)]
    if len(values) < 2:
        raise FigureError(f"Readings are compared with each other, and there {'is one' if values else 'are none'}; give at least two.")
    with localcontext(Context(prec=50)):
        mean, span = statistics.mean(values), max(values) - min(values)
        deviation = statistics.stdev(values)
        of_mean = deviation / Decimal(len(values)).sqrt()
        apart, apart_lines = _apart(values, unit)
    tail = f" {unit}" if unit else ""
    lines = (
        f"{len(values)} readings; mean = {_short(mean)}{tail}",
        f"Range = {digits(max(values))} - {digits(min(values))} = {digits(span)}{tail}",
        f"Standard deviation s = {_short(deviation)}{tail} (over n - 1; JCGM 100, 4.2.2)",
        f"Standard uncertainty of the mean = s / sqrt n = {_short(of_mean)}{tail} (JCGM 100, 4.2.3)",
        *apart_lines,
    )
    return Summary(mean, span, deviation, of_mean, apart, lines)


def _apart(values: list[Decimal], unit: str) -> tuple[tuple[int, ...], tuple[str, ...]]:
    if len(values) < 3:
        return (), ("Two readings do not show which of them stands apart; take a third",)
    median = statistics.median(values)
    away = [abs(value - median) for value in values]
    middle, average = statistics.median(away), statistics.mean(away)
    if middle:
        scores, rule = [Decimal("0.6745") * each / middle for each in away], "0.6745 |x - median| / MAD, Iglewicz and Hoaglin 1993"
    elif average:
        scores, rule = [each / (Decimal("1.253314") * average) for each in away], "|x - median| / (1.2533 mean deviation), since most are equal; common practice, no source"
    else:
        return (), ("All readings are equal; the instrument may be too coarse to show a difference",)
    apart = tuple(place for place, score in enumerate(scores, start=1) if score > STANDS_APART)
    if not apart:
        return (), (f"No reading stands apart: greatest score {max(scores):.1f}, limit 3.5 ({rule})",)
    tail = f" {unit}" if unit else ""
    return apart, tuple(
        f"Reading {place}, {digits(values[place - 1])}{tail}, stands apart: score {scores[place - 1]:.1f}, limit 3.5 ({rule}); it is still counted, find out why"
        for place in apart
    )


@dataclass(frozen=True)
class RemainingLife:
    """Hours left until a part is worn to its limit."""

    value: Decimal
    """Hours, not rounded."""
    unit: str
    """Always h."""
    lines: tuple[str, ...]
    """The working, one step a line, each with its source."""
    wear_rate: Decimal
    """Wear for each hour, in the unit of the sizes."""


def remaining_life(new: Number, now: Number, limit: Number, hours_run: Number, unit: str = "mm") -> RemainingLife:
    """Hours left until a size that was `new` and is `now` reaches `limit`, if wear goes on evenly; sizes in `unit`, hours in h.

    A limit under the new size is for a part that gets thinner, one over it for a gap that opens. Rate and life as API 570 has them for
    the long-term loss of a pipe wall (from secondary copies). Past the limit 0 hours are left. Raises FigureError.
    """
    at_first, at_last, end = _exact("new size", new), _exact("size now", now), _exact("limit", limit)
    hours = _exact("hours run", hours_run)
    if hours <= 0:
        raise FigureError(f"{digits(hours)} hours run give no rate of wear; give the hours since it was new.")
    if end == at_first:
        raise FigureError(f"The limit and the new size are both {digits(end)} {unit}, so nothing may wear; check the limit.")
    thinner = end < at_first
    with localcontext(Context(prec=50)):
        worn = at_first - at_last if thinner else at_last - at_first
        spare = at_last - end if thinner else end - at_last
        if worn < 0:
            grown = "grown" if thinner else "closed up"
            raise FigureError(f"It has {grown} from {digits(at_first)} to {digits(at_last)} {unit} instead of wearing; measure again and check the new size.")
        if worn == 0:
            raise FigureError(f"No wear shows yet, it is still {digits(at_last)} {unit}; measure again after more hours.")
        rate, left = worn / hours, max(spare, Decimal(0)) * hours / worn
    lines = [
        f"{'Worn' if thinner else 'Opened'} by {digits(worn)} {unit}, from {digits(at_first)} to {digits(at_last)} {unit} in {digits(hours)} h",
        f"Rate = {digits(worn)} / {digits(hours)} = {_short(rate)} {unit}/h",
    ]
    if spare <= 0:
        lines.append(f"The limit of {digits(end)} {unit} is {'reached' if spare == 0 else 'already passed'}: 0 h left, replace it now")
    else:
        lines.append(f"{digits(spare)} {unit} to the limit of {digits(end)} {unit}: {digits(spare)} / {_short(rate)} = {_short(left)} h left")
    lines.append("This holds if wear goes on evenly, with the same liquid, pressure and speed (straight line, as in API 570)")
    return RemainingLife(left, "h", tuple(lines), rate)


def _exact(what: str, number: Number) -> Decimal:
    try:
        exact = number if isinstance(number, Decimal) else Decimal(str(number))
    except InvalidOperation:
        exact = Decimal("nan")
    if not exact.is_finite():
        raise FigureError(f"The {what} {str(number)!r} is not a number; write it in digits, such as 25.01.")
    return exact


def _short(value: Decimal) -> str:
    """Six digits, which is more than any gauge here shows."""
    return digits(Context(prec=6).plus(value))
