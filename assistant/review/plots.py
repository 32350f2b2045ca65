"""A measured value drawn against its limits and against earlier jobs: places on a line, for a small drawing."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Protocol

from assistant.figures.units import convert, digits, same_dimension, unit_symbol

WIDTH, MARGIN = 300.0, 34.0
"""Of the drawing, user units."""
MOST_EARLIER = 12
"""Earlier values drawn; older ones are left out."""


class EarlierValue(Protocol):
    """One value of an earlier job."""

    value: Any
    unit: str
    job: str


@dataclass(frozen=True)
class Plot:
    """One value on a line; all places are user units from the left."""

    at: float
    low: float | None
    """Where the least allowed value stands."""
    high: float | None
    earlier: tuple[float, ...]
    """Newest last."""
    low_text: str
    high_text: str
    words: str
    """The drawing in words."""


def plot_of(value: dict[str, Any], earlier: Sequence[EarlierValue] = ()) -> Plot | None:
    """The drawing of a value of a service record; None where there is nothing to hold it against."""
    unit = value["limit_unit"] or value["unit"]
    if not same_dimension(value["unit"], unit):
        return None
    here = _in(value["value"], value["unit"], unit)
    before = [(_in(old.value, old.unit, unit), old.job) for old in earlier if same_dimension(old.unit, unit)][-MOST_EARLIER:]
    limits = [limit for limit in (value["at_least"], value["at_most"]) if limit is not None]
    if not limits and not before:
        return None
    points = [here, *limits, *(number for number, _ in before)]
    least, most = min(points), max(points)
    spread = (most - least) or abs(most) or 1.0
    # With one limit only, the allowed side must show as a stretch, not as the edge of the drawing.
    least -= spread * (0.35 if value["at_least"] is None and limits else 0.08)
    most += spread * (0.35 if value["at_most"] is None and limits else 0.08)

    def place(number: float) -> float:
        return round(MARGIN + (WIDTH - 2 * MARGIN) * (number - least) / (most - least), 1)

    low, high = value["at_least"], value["at_most"]
    return Plot(
        place(here), None if low is None else place(low), None if high is None else place(high), tuple(place(number) for number, _ in before),
        "" if low is None else digits(low), "" if high is None else digits(high), _words(value, unit, before),
    )  # fmt: skip


def _in(value: Any, source: str, target: str) -> float:
    return float(convert(Decimal(str(value)), source, target))


def _words(value: dict[str, Any], unit: str, before: list[tuple[float, str]]) -> str:
    low, high = value["at_least"], value["at_most"]
    symbol = unit_symbol(unit)
    limits = f"allowed {digits(low)} to {digits(high)} {symbol}" if low is not None and high is not None else f"at least {digits(low)} {symbol}" if low is not None else f"at most {digits(high)} {symbol}" if high is not None else "no limits"
    words = f"{value['quantity']} {digits(value['value'])} {unit_symbol(value['unit'])}, {limits}, {value['verdict']}."
    if before:
        words += f" Earlier jobs, oldest first: {', '.join(f'{number:.4g}' for number, _ in before)} {symbol}."
    return words
