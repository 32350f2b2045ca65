"""What a computed figure takes in: names, units, and constants written with their unit."""

import re
from decimal import Decimal, InvalidOperation

from assistant.figures.units import PINT_UNITS

INPUTS: dict[str, tuple[dict[str, str], dict[str, str]]] = {
    "leak": ({"start": "bar", "end": "bar", "volume": "L", "time": "s"}, {"start_temperature": "degC", "end_temperature": "degC", "barometer": "bar"}),
    "bubbles": ({"count": "bubbles/min", "diameter": "mm"}, {}),
    "flow": ({"strokes": "strokes/min", "displacement": "L"}, {"efficiency": "%"}),
    "curve": ({"measured": ""}, {}),
    "drift": ({"start": "kPa", "end": "kPa", "time": "s"}, {}),
    "lift": ({"barometer": "bar", "vapour": "bar", "density": "kg/m3"}, {"loss": "bar"}),
    "difference": ({"first": "", "second": ""}, {}),
}
"""Kind -> (inputs it needs, inputs it may have), each with the unit it is worked out in; "" for any."""
UNITS = {"leak": "smL/min", "bubbles": "smL/min", "flow": "L/min", "curve": "%", "drift": "kPa/min", "lift": "m"}
"""Kind -> unit of its result."""
_CONSTANT = re.compile(r"\s*([-+]?[0-9.]+)\s*(\S+)\s*")


def constant(text: str) -> tuple[Decimal, str] | None:
    """(value, unit) of an input such as "1.8 L"; None where it is the name of a check."""
    found = _CONSTANT.fullmatch(text)
    if not found or (found[2] not in PINT_UNITS and found[2] != "kg/m3"):
        return None
    try:
        return Decimal(found[1]), found[2]
    except InvalidOperation:
        return None
