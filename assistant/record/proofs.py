"""Proof tests of a record: which entries they are, and their figures, drawn in black and white as SVG."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from html import escape
from typing import Any

from assistant.figures.units import convert, digits, same_dimension, unit_symbol
from assistant.procedure.inputs import constant
from assistant.record.blocks import Figure

PROOFS = ("leak", "bubbles", "flow", "curve", "drift")
"""Kinds of figures that prove a machine; the stages they are worked out in are its proof tests."""
FALLS = ("leak", "drift")
"""Those worked out from a pressure that falls."""

_FONT = 'font-family="Libertinus Serif, Georgia, Liberation Serif, serif" font-size="10"'


@dataclass(frozen=True)
class Result:
    """One value, measured or worked out, against its limits."""

    name: str
    value: float
    unit: str
    at_least: float | None
    at_most: float | None
    limit_unit: str
    verdict: str

    @property
    def measured(self) -> float:
        """The value in the unit of its limits."""
        if not same_dimension(self.unit, self.limit_unit):
            return self.value
        return float(convert(Decimal(str(self.value)), self.unit, self.limit_unit))


def proof_stages(record: dict[str, Any]) -> set[str]:
    return {figure["stage"] for figure in record["computed"] if figure.get("kind") in PROOFS}


def figures(record: dict[str, Any], steps: Sequence[dict[str, Any]]) -> list[Figure]:
    """What can be drawn of the proof tests in these steps: falls of pressure, flow curves, every value against its limits."""
    standing = [value for step in record["steps"] for value in step["values"] if not value["corrected_by"]]
    drawn: list[Figure] = []
    for step in steps:
        for figure in step["computed"]:
            if figure.get("kind") in FALLS:
                drawn += _fall(figure, standing)
            elif figure.get("kind") == "curve":
                drawn += _curve(figure, standing)
    strip = limits(results(steps))
    return drawn + ([strip] if strip else [])


def results(steps: Sequence[dict[str, Any]]) -> list[Result]:
    """The newest of each value and figure of these steps, in order."""
    found: list[Result] = []
    for step in steps:
        place = f" ({step['instance']})" if step["instance"] else ""
        newest = {value["check"]: value for value in step["values"] if value["quantity"] != "torque"}
        found += [Result(", ".join(filter(None, (value["quantity"], check_words(value)))) + place, value["value"], value["unit"], value["at_least"], value["at_most"], value["limit_unit"], value["verdict"]) for value in newest.values()]
        found += [Result(figure["quantity"] + place, figure["value"], figure["unit"], figure["at_least"], figure["at_most"], figure["unit"], figure["verdict"]) for figure in step["computed"]]
    return found


def check_words(value: dict[str, Any]) -> str:
    """What the procedure calls a check, where that says more than the quantity does."""
    words = value["check"].replace("-", " ")
    return "" if words == value["quantity"] else words


def limits(shown: Sequence[Result]) -> Figure | None:
    """Each result as a dot on a scale of its own, with its limits as posts; None where nothing has limits."""
    rows = [result for result in shown if result.at_least is not None or result.at_most is not None]
    if not rows:
        return None
    left, right, high = 175.0, 420.0, 19.0
    parts = []
    for number, result in enumerate(rows):
        y = 14 + number * high
        place = _scale(result, left, right)
        parts.append(_text(0, y + 3.5, result.name))
        parts.append(f'<line x1="{left}" y1="{y}" x2="{right}" y2="{y}" stroke="#000" stroke-width="0.5" stroke-dasharray="1 2"/>')
        low = place(result.at_least) if result.at_least is not None else left
        top = place(result.at_most) if result.at_most is not None else right
        parts.append(f'<rect x="{low:.1f}" y="{y - 2}" width="{max(top - low, 0.6):.1f}" height="4" fill="#d9d9d9" stroke="none"/>')
        for edge in (place(limit) for limit in (result.at_least, result.at_most) if limit is not None):
            parts.append(f'<line x1="{edge:.1f}" y1="{y - 6}" x2="{edge:.1f}" y2="{y + 6}" stroke="#000" stroke-width="1.2"/>')
        parts.append(_mark(place(result.measured), y, result.verdict in ("out", "too close")))
        parts.append(_text(right + 12, y + 3.5, f"{_said(result.value, result.unit)}{'' if result.verdict == 'within' else ', ' + _verdict(result.verdict)}", bold=result.verdict != "within"))
    says = "; ".join(f"{result.name} {_said(result.value, result.unit)}, {_bounds(result)}: {_verdict(result.verdict)}" for result in rows)
    return Figure(_svg(580, 14 + len(rows) * high, parts), says, "Each result on a scale of its own. The posts are its limits, the band between them is accepted; a dot is within, a cross is not.")


def _scale(result: Result, left: float, right: float) -> Callable[[float], float]:
    ends = [limit for limit in (result.at_least, result.at_most) if limit is not None]
    # A single limit is drawn against zero, so that the eye has something to measure by.
    base = ends if len(ends) == 2 else [0.0, *ends]
    low, high = min([*base, result.measured]), max([*base, result.measured])
    room = (high - low) * 0.12 or abs(high) * 0.1 or 1.0
    low, high = low - room, high + room
    return lambda value: left + (value - low) / (high - low) * (right - left)


def _fall(figure: dict[str, Any], standing: Sequence[dict[str, Any]]) -> list[Figure]:
    names = figure["from"]
    start, end = (_input(figure, standing, names.get(name, "")) for name in ("start", "end"))
    length = constant(names.get("time", ""))
    if start is None or end is None or length is None:
        return []
    unit = end["limit_unit"]
    first, last = _as(start, unit), _as(end, unit)
    seconds = float(convert(length[0], length[1], "s"))
    edges = [limit for limit in (end["at_least"], end["at_most"]) if limit is not None]
    axes = _Axes(0, seconds, [first, last, *edges])
    parts = axes.frame(f"{digits(length[0])} {unit_symbol(length[1])}", f"pressure, {unit_symbol(unit)}")
    for name, limit in (("at least", end["at_least"]), ("at most", end["at_most"])):
        if limit is not None:
            y = axes.y(limit)
            parts.append(f'<line x1="{axes.left}" y1="{y:.1f}" x2="{axes.right}" y2="{y:.1f}" stroke="#000" stroke-width="0.8" stroke-dasharray="5 3"/>')
            parts.append(_text(axes.right + 6, y + 3.5, f"{name} {_said(limit, unit)} at the end"))
    parts.append(f'<line x1="{axes.x(0):.1f}" y1="{axes.y(first):.1f}" x2="{axes.x(seconds):.1f}" y2="{axes.y(last):.1f}" stroke="#000" stroke-width="1.6"/>')
    for x, y, value in ((axes.x(0), axes.y(first), start), (axes.x(seconds), axes.y(last), end)):
        parts.append(_mark(x, y, False))
        parts.append(_text(x + (7 if value is start else -7), y - 7, _said(value["value"], value["unit"]), anchor="start" if value is start else "end", bold=True))
    result = Result(figure["quantity"], figure["value"], figure["unit"], figure["at_least"], figure["at_most"], figure["unit"], figure["verdict"])
    words = f"{figure['quantity'].capitalize()} {_said(figure['value'], figure['unit'])}, {_bounds(result)}: {_verdict(figure['verdict'])}."
    says = f"Pressure fell from {_said(start['value'], start['unit'])} to {_said(end['value'], end['unit'])} in {digits(length[0])} {unit_symbol(length[1])}. {words}"
    return [Figure(_svg(580, axes.height, parts), says, f"{figure['stage']}: pressure at the start and at the end of the hold. {words}")]


def _curve(figure: dict[str, Any], standing: Sequence[dict[str, Any]]) -> list[Figure]:
    curve = figure["curve"]
    measured = _input(figure, standing, figure["from"].get("measured", ""))
    at = _input(figure, standing, curve["at"])
    if measured is None:
        return []
    if at is not None:
        place = _as(at, curve["at_unit"])
    elif (fixed := constant(curve["at"])) is not None:
        place = float(convert(fixed[0], fixed[1], curve["at_unit"]))
    else:
        return []
    points, unit, value = curve["points"], measured["unit"], float(measured["value"])
    share = figure["at_least"]
    least = [[x, y * share / 100] for x, y in points] if share is not None else []
    axes = _Axes(min(place, points[0][0]), max(place, points[-1][0]), [0.0, value, *(y for _, y in points)], named=True)
    parts = axes.frame("", f"{measured['quantity']}, {unit_symbol(unit)}")
    for x, _ in points:
        parts.append(f'<line x1="{axes.x(x):.1f}" y1="{axes.bottom}" x2="{axes.x(x):.1f}" y2="{axes.bottom + 4}" stroke="#000" stroke-width="0.8"/>')
        parts.append(_text(axes.x(x), axes.bottom + 14, digits(x), anchor="middle"))
    parts.append(_text((axes.left + axes.right) / 2, axes.bottom + 27, f"pressure, {unit_symbol(curve['at_unit'])}", anchor="middle"))
    # Two curves that end side by side would have their names in one place.
    apart = 6 if least and abs(axes.y(points[-1][1]) - axes.y(least[-1][1])) < 12 else 0
    for line, style, name in ((points, "", "the curve"), (least, ' stroke-dasharray="5 3"', f"{digits(share) if share is not None else ''} % of it, the least accepted")):
        if line:
            parts.append(f'<polyline points="{" ".join(f"{axes.x(x):.1f},{axes.y(y):.1f}" for x, y in line)}" fill="none" stroke="#000" stroke-width="1.2"{style}/>')
            parts.append(_text(axes.right + 6, axes.y(line[-1][1]) + 3.5 + (apart if style else -apart), name))
    x, y = axes.x(place), axes.y(value)
    parts.append(_mark(x, y, figure["verdict"] == "out"))
    parts.append(_text(x + 8, y + 13, f"measured {_said(value, unit)}", bold=True, halo=True))
    words = f"Measured {_said(value, unit)} at {_said(place, curve['at_unit'])}: {_said(figure['value'], '%')} of the curve, {'at least ' + _said(share, '%') if share is not None else 'no limits'}: {_verdict(figure['verdict'])}."
    points_said = ", ".join(f"{_said(y, unit)} at {_said(x, curve['at_unit'])}" for x, y in points)
    return [Figure(_svg(580, axes.height, parts), f"Curve: {points_said}. {words}", f"{figure['stage']}: {measured['quantity']} against the curve of the procedure. {words}")]


class _Axes:
    """A plain pair of axes: left and bottom, with round marks on the left."""

    left, right, top = 60.0, 400.0, 12.0

    def __init__(self, low_x: float, high_x: float, values: Sequence[float], named: bool = False):
        self.bottom = 118.0
        self.height = self.bottom + (32 if named else 18)
        low, high = min(values), max(values)
        room = (high - low) * 0.15 or abs(high) * 0.1 or 1.0
        self.low = low if low == 0 else low - room
        self.high = high + room
        self.low_x, self.high_x = low_x, high_x if high_x > low_x else low_x + 1

    def x(self, value: float) -> float:
        return self.left + (value - self.low_x) / (self.high_x - self.low_x) * (self.right - self.left)

    def y(self, value: float) -> float:
        return self.bottom - (value - self.low) / (self.high - self.low) * (self.bottom - self.top)

    def frame(self, end: str, name: str) -> list[str]:
        parts = [f'<path d="M {self.left} {self.top - 6} V {self.bottom} H {self.right}" fill="none" stroke="#000" stroke-width="0.8"/>']
        parts.append(f'<text x="10" y="{(self.top + self.bottom) / 2:.1f}" text-anchor="middle" transform="rotate(-90 10 {(self.top + self.bottom) / 2:.1f})" {_FONT}>{escape(name)}</text>')
        for mark in _round_marks(self.low, self.high):
            y = self.y(mark)
            parts.append(f'<line x1="{self.left - 4}" y1="{y:.1f}" x2="{self.left}" y2="{y:.1f}" stroke="#000" stroke-width="0.8"/>')
            parts.append(_text(self.left - 7, y + 3.5, f"{mark:g}", anchor="end"))
        if end:
            parts += [_text(self.left, self.bottom + 14, "start", anchor="middle"), _text(self.right, self.bottom + 14, f"after {end}", anchor="middle")]
        return parts


def _round_marks(low: float, high: float) -> list[float]:
    """At most six round numbers between two."""
    step = 10.0 ** math.floor(math.log10((high - low) / 10))
    while True:
        for width in (step, 2 * step, 5 * step):
            first, last = math.ceil(low / width), math.floor(high / width)
            if last - first < 6:
                return [round(number * width, 9) for number in range(first, last + 1)]
        step *= 10


def _input(figure: dict[str, Any], standing: Sequence[dict[str, Any]], check: str) -> dict[str, Any] | None:
    """The newest value of a check: of the figure's own step, else of any."""
    found = [value for value in standing if value["check"] == check]
    return next((value for value in reversed(found) if value["step"] == figure["step"]), found[-1] if found else None)


def _as(value: dict[str, Any], unit: str) -> float:
    return float(convert(Decimal(str(value["value"])), value["unit"], unit))


def _said(value: float, unit: str) -> str:
    return f"{digits(value)} {unit_symbol(unit)}"


def _bounds(result: Result) -> str:
    return bounds(result.at_least, result.at_most, result.limit_unit) or "no limits"


def bounds(at_least: float | None, at_most: float | None, unit: str) -> str:
    """Limits in words; empty where there are none."""
    if at_least is not None and at_most is not None:
        return f"{digits(at_least)} to {_said(at_most, unit)}"
    if at_least is not None:
        return f"at least {_said(at_least, unit)}"
    return f"at most {_said(at_most, unit)}" if at_most is not None else ""


VERDICTS = {"out": "outside limits", "too close": "too close to tell", "differs": "differs"}


def _verdict(verdict: str) -> str:
    return VERDICTS.get(verdict, verdict)


def _mark(x: float, y: float, out: bool) -> str:
    if out:
        return f'<path d="M {x - 4:.1f} {y - 4:.1f} l 8 8 m 0 -8 l -8 8" stroke="#000" stroke-width="2" fill="none"/>'
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.4" fill="#000"/>'


def _text(x: float, y: float, words: str, anchor: str = "start", bold: bool = False, halo: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    under = _text(x, y, words, anchor, bold).replace("<text ", '<text stroke="#fff" stroke-width="4" ') if halo else ""
    return under + f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" {_FONT}{weight}>{escape(words)}</text>'


def _svg(width: float, height: float, parts: Sequence[str]) -> str:
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}">{"".join(parts)}</svg>'
