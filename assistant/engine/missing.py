"""What a step still needs before it can be passed, and the limits its values are held against."""

from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from assistant.engine.state import State
from assistant.figures.torque import tightening_torque
from assistant.figures.units import convert
from assistant.procedure.model import Check, Fastener, Step, Tightening, Torque
from assistant.procedure.plan import Plan, PlannedStep


@dataclass(frozen=True)
class Missing:
    """One thing a step still needs."""

    what: str
    """caution, timer, count, pass, value, answer, spelled, hold or quiz."""
    item: str = ""
    """A check's id, "torque", a caution's number, or a fastener count ("out:bolt")."""


@dataclass(frozen=True)
class Limits:
    """What a value is held against; limits are in `unit`."""

    quantity: str
    unit: str
    at_least: Decimal | None
    at_most: Decimal | None
    specified: Decimal | None = None
    """For a torque."""
    goes_to: str | None = None
    uncertainty: Decimal | None = None
    """Of the instrument, in `unit`."""
    readings: int = 1
    plausible_from: Decimal | None = None
    plausible_to: Decimal | None = None
    """Outside these a value was more likely misheard."""


def missing(plan: Plan, state: State, key: str = "") -> list[Missing]:
    """What the step (the current one unless named) still needs, in the order it is asked for."""
    planned = plan.by_key[key or state.step]
    step, key = planned.step, planned.key
    found = [
        Missing("caution", str(number))
        for number, caution in enumerate(step.cautions)
        if caution.must_acknowledge and (key, number) not in state.acknowledged
    ]
    timer = state.timers.get(key)
    if step.timer and step.timer.required and not (timer and timer.done):
        found.append(Missing("timer"))
    for direction, moves in (("out", step.fasteners_out), ("in", step.fasteners_in)):
        found += [Missing("count", f"{direction}:{move.fastener}") for move in moves if move.count_aloud and _open(state, key, f"{direction}:{move.fastener}")]
    if step.torque and step.tightening and 1 < len(all_passes(step.tightening)) > state.passes.get(key, 0):
        found.append(Missing("pass"))
    if step.torque and _open(state, key, "torque"):
        found.append(Missing("value", "torque"))
    for check in step.checks:
        if check.required and _open(state, key, check.id):
            found.append(Missing("value" if check.measure else "spelled" if check.spelled else "answer", check.id))
    if step.hold and key not in state.released:
        found.append(Missing("hold"))
    if step.quiz and state.full_detail and key not in state.quizzed:
        found.append(Missing("quiz"))
    return found


def all_passes(tightening: Tightening) -> list[int]:
    """Percent of the torque in each pass; a last round in sequence is one more."""
    return [*tightening.passes_percent, *([100] if tightening.last_round else [])]


def pass_amount(torque: Decimal, percent: int) -> Decimal:
    """Torque of a pass, in steps that a wrench can be set to and a person can keep in mind."""
    exact = torque * percent / 100
    step = Decimal("0.5") if exact >= 5 else Decimal("0.1") if exact >= 1 else Decimal("0.01")
    return exact if percent == 100 else (exact / step).quantize(Decimal(1)) * step


def _open(state: State, key: str, item: str) -> bool:
    recorded = state.recorded.get((key, item))
    return recorded is None or recorded.again


def check_of(step: Step, item: str) -> Check:
    """The check with that id. Raises KeyError."""
    for check in step.checks:
        if check.id == item:
            return check
    raise KeyError(item)


def limits_of(plan: Plan, planned: PlannedStep, item: str) -> Limits:
    """Limits of a measurement, or of the applied torque: the specified torque, plus or minus its tolerance."""
    if item == "torque":
        assert planned.step.torque is not None
        value, unit = specified_torque(plan, planned.step.torque)
        band = value * planned.step.torque.tolerance_percent / 100
        return Limits("torque", unit, value - band, value + band, value, plausible_from=planned.step.torque.plausible_from, plausible_to=planned.step.torque.plausible_to)
    measure = check_of(planned.step, item).measure
    assert measure is not None
    tool = plan.procedure.tool(measure.instrument or "")
    uncertainty = convert(tool.uncertainty, tool.unit, measure.unit) if tool and tool.uncertainty is not None else None
    return Limits(measure.quantity, measure.unit, measure.at_least, measure.at_most, None, measure.out_of_limits_go_to, uncertainty, measure.readings, measure.plausible_from, measure.plausible_to)


def specified_torque(plan: Plan, torque: Torque) -> tuple[Decimal, str]:
    """(value, unit): as written, or computed from fastener and lubrication and rounded to half a newton metre."""
    if torque.value is not None:
        return torque.value, torque.unit
    fastener = plan.procedure.fastener(torque.fastener or "")
    assert fastener is not None  # `gloveside check` and `run` refuse a procedure where it is not
    return _computed(fastener, torque.lubrication, torque.percent_of_proof), "N.m"


@lru_cache(maxsize=256)
def _computed(fastener: Fastener, lubrication: str, percent: Decimal) -> Decimal:
    exact = tightening_torque(fastener.thread, fastener.strength, lubrication, percent_of_proof=float(percent)).value
    return (Decimal(str(exact)) * 2).quantize(Decimal(1)) / 2
