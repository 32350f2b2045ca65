"""Units of the bench, converted by pint. Unit keys are those of procedures and language packs."""

from decimal import Decimal
from functools import lru_cache
from typing import Any

PINT_UNITS: dict[str, str] = {
    "N.m": "newton * meter", "lbf.in": "force_pound * inch", "lbf.ft": "force_pound * foot", "mm": "millimeter", "um": "micrometer", "inch": "inch", "thou": "thou",
    "bar": "bar", "mbar": "millibar", "psi": "force_pound / inch ** 2", "kPa": "kilopascal", "MPa": "megapascal", "L/min": "liter / minute", "gal/min": "gallon / minute",
    "L": "liter", "mL": "milliliter", "s": "second", "min": "minute", "h": "hour", "degC": "degree_Celsius", "degF": "degree_Fahrenheit", "deg": "degree", "%": "percent",
    "strokes/min": "stroke / minute", "rpm": "revolution / minute", "bubbles/min": "bubble / minute", "kg": "kilogram", "g": "gram", "N": "newton",
    "m": "meter", "A": "ampere", "mm/s": "millimeter / second", "kPa/min": "kilopascal / minute", "smL/min": "milliliter / minute",
}  # fmt: skip
"""Unit key -> pint expression."""

SI_UNITS: tuple[str, ...] = ("N.m", "m", "Pa", "m3/s", "m3", "s", "K", "rad", "1", "strokes/s", "rad/s", "bubbles/s", "kg", "N", "A", "m/s", "Pa/s", "standard m3/s")
_SI_PINT = {"N.m": "newton * meter", "m": "meter", "Pa": "pascal", "m3/s": "meter ** 3 / second", "m3": "meter ** 3", "s": "second", "K": "kelvin", "rad": "radian", "1": "dimensionless", "strokes/s": "stroke / second", "rad/s": "radian / second", "bubbles/s": "bubble / second", "kg": "kilogram", "N": "newton", "A": "ampere", "m/s": "meter / second", "Pa/s": "pascal / second", "standard m3/s": "meter ** 3 / second"}
_SI_OF = {
    "N.m": "N.m", "lbf.in": "N.m", "lbf.ft": "N.m", "mm": "m", "um": "m", "inch": "m", "thou": "m", "bar": "Pa", "mbar": "Pa", "psi": "Pa", "kPa": "Pa", "MPa": "Pa", "L/min": "m3/s",
    "gal/min": "m3/s", "L": "m3", "mL": "m3", "s": "s", "min": "s", "h": "s", "degC": "K", "degF": "K", "deg": "rad", "%": "1", "strokes/min": "strokes/s", "rpm": "rad/s",
    "bubbles/min": "bubbles/s", "kg": "kg", "g": "kg", "N": "N",
    "m": "m", "A": "A", "mm/s": "m/s", "kPa/min": "Pa/s", "smL/min": "standard m3/s",
}  # fmt: skip
_PLACES = Decimal("1e-12")


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint  # takes a third of a second, and a typed command may never need it

    registry = pint.UnitRegistry(non_int_type=Decimal)
    # Counted things: strokes of a pump are no bubbles of a leak.
    registry.define("stroke = [stroke]")
    registry.define("bubble = [bubble]")
    return registry


def warm_up() -> None:
    """Load the unit library while nobody waits: the first measurement would be answered a fifth of a second late."""
    _registry()


_SYMBOLS = {"N.m": "N·m", "lbf.in": "lbf·in", "lbf.ft": "lbf·ft", "um": "µm", "inch": "in", "degC": "°C", "degF": "°F", "deg": "°", "smL/min": "standard mL/min"}


def unit_symbol(unit: str) -> str:
    """A unit key as it is written for people."""
    return _SYMBOLS.get(unit, unit)


def digits(value: Decimal | float) -> str:
    """Every digit of a number, without exponent and without rounding."""
    return f"{Decimal(str(value)).normalize():f}"


def same_dimension(first: str, second: str) -> bool:
    """Whether two unit keys measure the same kind of thing. Torque and energy share a dimension but not a key here."""
    return first in _SI_OF and _SI_OF[first] == _SI_OF.get(second)


def convert(value: Decimal, source: str, target: str) -> Decimal:
    """A value in another unit, to 12 significant places. Raises ValueError for kinds that differ."""
    if not same_dimension(source, target):
        raise ValueError(f"{source} cannot be converted to {target}")
    return value if source == target else _converted(value, PINT_UNITS[source], PINT_UNITS[target])


def to_si(value: Decimal, unit: str) -> tuple[Decimal, str]:
    """(value, SI unit)."""
    si = _SI_OF[unit]
    return (value if unit == si else _converted(value, PINT_UNITS[unit], _SI_PINT[si])), si


@lru_cache(maxsize=1024)
def _converted(value: Decimal, source: str, target: str) -> Decimal:
    registry = _registry()
    magnitude = registry.Quantity(value, source).to(target).magnitude
    return Decimal(f"{magnitude:.12g}")
