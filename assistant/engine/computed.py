"""Figures worked out from what was recorded: as soon as the last input is in, and again when an input is corrected."""

from collections.abc import Callable
from decimal import Decimal

from assistant.engine import events as e
from assistant.engine.state import State
from assistant.engine.turn import Amount, Turn
from assistant.figures.flow import on_curve, pump_flow, suction_lift
from assistant.figures.gas import ATMOSPHERE_BAR, gauge
from assistant.figures.leak import bubble_leak, drift_per_minute, pressure_decay
from assistant.figures.thread import FigureError
from assistant.figures.tolerance import remaining_life
from assistant.figures.units import convert, digits, same_dimension
from assistant.figures.working import Result
from assistant.procedure.inputs import constant
from assistant.procedure.model import Compute
from assistant.procedure.plan import Plan, PlannedStep

Inputs = dict[str, tuple[Decimal, str]]

def work_out(turn: Turn, planned: PlannedStep, item: str, replaced: bool = False) -> None:
    """Everything that a newly recorded value completes or changes, and what it says about wear.

    `replaced`: the part was changed for another one in this job, so that the machine's hours say nothing about it.
    """
    for place in _places(turn, planned, item):
        for compute in place.step.compute:
            names = _names(compute)
            if item in names or place is planned:
                _work_out(turn, place, compute, item in names)
    if not replaced:
        _say_wear(turn, planned, item)


def _places(turn: Turn, planned: PlannedStep, item: str) -> list[PlannedStep]:
    """The step itself, and those whose figures were worked out from this item before."""
    others = [turn.plan.by_key[key] for key in sorted({key for key, _ in turn.state.computed} - {planned.key})]
    return [planned, *(place for place in others if any(item in _names(compute) for compute in place.step.compute))]


def _names(compute: Compute) -> list[str]:
    return [*compute.inputs.values(), *([compute.curve.at] if compute.curve else [])]


def _work_out(turn: Turn, planned: PlannedStep, compute: Compute, changed: bool) -> None:
    if not changed and (planned.key, compute.id) in turn.state.computed:
        return
    found = {name: _input(turn.plan, turn.state, planned, text) for name, text in compute.inputs.items()}
    place = _input(turn.plan, turn.state, planned, compute.curve.at) if compute.curve else None
    if any(value is None for value in found.values()) or (compute.curve and place is None):
        return
    inputs = {name: value for name, value in found.items() if value is not None}
    try:
        result = _KINDS[compute.kind](compute, inputs, place)
    except FigureError:
        turn.say("figure_refused", quantity=compute.quantity)
        return
    value = convert(Decimal(digits(float(f"{result.value:.4g}"))), result.unit, compute.unit) if result.unit != compute.unit else Decimal(digits(float(f"{result.value:.4g}")))
    least = compute.curve.at_least_percent if compute.curve else compute.at_least
    low, high = least is not None and value < least, compute.at_most is not None and value > compute.at_most
    verdict = "out" if low or high else "no limits" if least is None and compute.at_most is None else "within"
    turn.record(e.ValueComputed(planned.key, compute.id, compute.quantity, value, compute.unit, least, compute.at_most, verdict, tuple(result.lines)))
    turn.say("computed", quantity=compute.quantity, amount=Amount(value, compute.unit))
    if low and least is not None:
        turn.say("outside_low", low=Amount(least, compute.unit))
    elif high and compute.at_most is not None:
        turn.say("outside_high", high=Amount(compute.at_most, compute.unit))


def _input(plan: Plan, state: State, planned: PlannedStep, text: str) -> tuple[Decimal, str] | None:
    """A constant, or the newest value recorded at that check: of this step, else of the same place, else of any."""
    if (fixed := constant(text)) is not None:
        return fixed
    standing = [(key, recorded) for (key, item), recorded in state.recorded.items() if item == text and recorded.value is not None]
    if not standing:
        return None

    def nearness(entry: tuple[str, object]) -> tuple[bool, bool]:
        return entry[0] == planned.key, plan.by_key[entry[0]].instance == planned.instance

    _, best = max(standing, key=lambda entry: (*nearness(entry), entry[1].sequence))
    return (best.value, best.unit) if best.value is not None else None


def _in(inputs: Inputs, name: str, unit: str, default: float | None = None) -> float:
    if name not in inputs and default is not None:
        return default
    value, own = inputs[name]
    return float(value if own == unit else convert(value, own, unit))


def _leak(compute: Compute, inputs: Inputs, place: object) -> Result:
    barometer = _in(inputs, "barometer", "bar", ATMOSPHERE_BAR)
    first = _in(inputs, "start_temperature", "degC", 20.0)
    last = _in(inputs, "end_temperature", "degC", first)
    start, end = gauge(_in(inputs, "start", "bar"), first, barometer), gauge(_in(inputs, "end", "bar"), last, barometer)
    rate = pressure_decay(_in(inputs, "volume", "L"), start, end, _in(inputs, "time", "s"))
    return Result(rate.standard_cm3_min, "smL/min", rate.lines)


def _bubbles(compute: Compute, inputs: Inputs, place: object) -> Result:
    rate = bubble_leak(_in(inputs, "count", "bubbles/min"), _in(inputs, "diameter", "mm"))
    return Result(rate.standard_cm3_min, "smL/min", rate.lines)


def _flow(compute: Compute, inputs: Inputs, place: object) -> Result:
    return pump_flow(_in(inputs, "strokes", "strokes/min"), _in(inputs, "displacement", "L"), "stroke", _in(inputs, "efficiency", "%", 100.0) / 100)


def _curve(compute: Compute, inputs: Inputs, place: tuple[Decimal, str] | None) -> Result:
    assert compute.curve is not None and place is not None
    value, unit = inputs["measured"]
    points = [(float(first), float(second)) for first, second in compute.curve.points]
    expected = on_curve(points, float(convert(place[0], place[1], compute.curve.at_unit)), compute.curve.at_unit, unit)
    if expected.value == 0:
        raise FigureError("The curve expects nothing there, and nothing can be compared with that; measure elsewhere on it.")
    percent = 100 * float(value) / expected.value
    return Result(percent, "%", (*expected.lines, f"Measured {value} {unit} / expected {expected.value:.4g} {unit} = {percent:.4g} %"))


def _drift(compute: Compute, inputs: Inputs, place: object) -> Result:
    fall = drift_per_minute([(0.0, _in(inputs, "start", "kPa")), (_in(inputs, "time", "s"), _in(inputs, "end", "kPa"))], "kPa")
    return Result(fall.value, "kPa/min", fall.lines)


def _lift(compute: Compute, inputs: Inputs, place: object) -> Result:
    density, _ = inputs["density"]
    return suction_lift(_in(inputs, "barometer", "bar"), _in(inputs, "vapour", "bar"), float(density), _in(inputs, "loss", "bar", 0.0))


def _difference(compute: Compute, inputs: Inputs, place: object) -> Result:
    (first, unit), (second, other) = inputs["first"], inputs["second"]
    if not same_dimension(unit, other):
        raise FigureError(f"{unit} and {other} cannot be taken from each other; measure both in the same unit.")
    difference = convert(first, unit, compute.unit) - convert(second, other, compute.unit)
    return Result(float(difference), compute.unit, (f"{first} {unit} - {second} {other} = {difference} {compute.unit}",))


_KINDS: dict[str, Callable[[Compute, Inputs, tuple[Decimal, str] | None], Result]] = {
    "leak": _leak, "bubbles": _bubbles, "flow": _flow, "curve": _curve, "drift": _drift, "lift": _lift, "difference": _difference,
}  # fmt: skip


def _say_wear(turn: Turn, planned: PlannedStep, item: str) -> None:
    """Wear and remaining life of a measured part, with the assumption it rests on."""
    check = next((check for check in planned.step.checks if check.id == item and check.measure and check.measure.wear), None)
    if check is None or check.measure is None or check.measure.wear is None:
        return
    measure, wear = check.measure, check.measure.wear
    hours = _input(turn.plan, turn.state, planned, wear.hours)
    recorded = turn.state.recorded[planned.key, item]
    limit = measure.at_least if measure.at_least is not None and measure.at_least < wear.new else measure.at_most
    if hours is None or recorded.value is None or limit is None:
        return
    now = convert(recorded.value, recorded.unit, measure.unit)
    try:
        life = remaining_life(wear.new, now, limit, convert(hours[0], hours[1], "h"), measure.unit)
    except FigureError:
        turn.say("no_wear")
        return
    left = Decimal(digits(float(f"{life.value:.2g}")))
    turn.record(e.ValueComputed(planned.key, f"{item}-life", f"{measure.quantity} life", left, "h", None, None, "no limits", tuple(life.lines)))
    turn.say("wear", worn=Amount(abs(wear.new - now), measure.unit), left=Amount(left, "h"))
