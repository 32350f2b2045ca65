"""Tightening a joint: passes recorded one by one, bolts called out in their order, the wrench's setting."""

from decimal import Decimal

from assistant.engine import events as e
from assistant.engine.intents import Intent
from assistant.engine.missing import all_passes, pass_amount, specified_torque
from assistant.engine.turn import Amount, Turn
from assistant.figures.order import crossing_order, rectangle_order, two_row_order
from assistant.figures.units import convert
from assistant.figures.wrench import in_range, wrench_setting
from assistant.procedure.model import Tightening, Torque


def say_torque(turn: Turn, quiet: bool = False) -> None:
    """Torque with its unit, then passes and order; `quiet` says nothing where the step has none."""
    step = turn.here.step
    if step.torque:
        value, unit = specified_torque(turn.plan, step.torque)
        turn.say("torque", amount=Amount(value, unit))
        if step.torque.lubrication:
            turn.say("lubrication", lubrication=step.torque.lubrication)
        if step.torque.adapter:
            say_wrench(turn)
        if step.tightening and len(step.tightening.passes_percent) > 1:
            turn.say("passes", passes=tuple(Amount(pass_amount(value, percent), unit) for percent in step.tightening.passes_percent))
    elif not quiet:
        turn.say("no_torque")
    if step.tightening:
        _say_order(turn, step.tightening)


def _say_order(turn: Turn, tightening: Tightening) -> None:
    turn.say(f"order_{tightening.order.replace('-', '_')}", order=_numbers(bolt_order(tightening)))
    if tightening.last_round:
        turn.say("last_round")
    if tightening.note and len(all_passes(tightening)) == 1:
        turn.say("note", text=tightening.note)


def bolt_order(tightening: Tightening, number: int = 1) -> list[int]:
    """Bolts in the order of one pass; the last round goes in sequence."""
    if tightening.last_round and number == len(all_passes(tightening)):
        return list(range(1, tightening.count + 1))
    if tightening.order == "rectangle" and tightening.rows:
        return rectangle_order(tightening.rows, tightening.count // tightening.rows)
    if tightening.order == "two-rows":
        return two_row_order(tightening.count // 2)
    return crossing_order(tightening.count) if tightening.order == "crossing" and tightening.count > 1 else list(range(1, tightening.count + 1))


def _numbers(bolts: list[int]) -> tuple[Amount, ...]:
    return tuple(Amount(Decimal(bolt), "") for bolt in bolts)


def say_pass_due(turn: Turn) -> None:
    """Which pass comes now, and at what torque."""
    step = turn.here.step
    if step.tightening is None or step.torque is None:
        return
    percents = all_passes(step.tightening)
    done = turn.state.passes.get(turn.here.key, 0)
    value, unit = specified_torque(turn.plan, step.torque)
    due = pass_amount(value, percents[done])
    turn.say("pass_due", number=done + 1, total=len(percents), amount=Amount(due, unit))
    if step.torque.adapter and (setting := _setting(turn, step.torque, due, unit)) is not None:
        _say_setting(turn, step.torque, setting, unit)


def pass_done(turn: Turn) -> bool:
    """Record that one more pass is done. False where no pass is due."""
    step, key = turn.here.step, turn.here.key
    percents = all_passes(step.tightening) if step.tightening and step.torque else []
    done = turn.state.passes.get(key, 0)
    if step.torque is None or len(percents) < 2 or done >= len(percents):
        turn.say("no_pass_due")
        return False
    value, unit = specified_torque(turn.plan, step.torque)
    turn.record(e.PassDone(key, done + 1, pass_amount(value, percents[done]), unit))
    turn.say("pass_recorded", number=done + 1)
    if done + 1 < len(percents):
        say_pass_due(turn)
    elif step.tightening and step.tightening.note:
        turn.say("note", text=step.tightening.note)
    return True


def call_bolt(turn: Turn, intent: Intent) -> None:
    """"bolt by bolt" calls the first bolt of the pass, "next bolt" the one after."""
    tightening, key = turn.here.step.tightening, turn.here.key
    if tightening is None:
        turn.say("no_order")
        return
    order = bolt_order(tightening, turn.state.passes.get(key, 0) + 1)
    place = 0 if intent.kind == "bolts" else turn.state.bolts.get(key, 0)
    if place >= len(order):
        turn.say("bolts_called")
        return
    turn.record(e.BoltCalled(key, place + 1))
    turn.say("bolt", bolt=Amount(Decimal(order[place]), ""))


def say_wrench(turn: Turn) -> None:
    """What to set the wrench to, with its adapter, and whether that lies on its scale."""
    torque = turn.here.step.torque
    if torque is None:
        turn.say("no_torque")
        return
    value, unit = specified_torque(turn.plan, torque)
    setting = _setting(turn, torque, value, unit)
    if setting is None:
        turn.say("no_wrench_length")
    else:
        _say_setting(turn, torque, setting, unit)


def _setting(turn: Turn, torque: Torque, amount: Decimal, unit: str) -> Decimal | None:
    """Setting that puts `amount` on the bolt; None where the wrench's length is not known."""
    if torque.adapter is None:
        return amount
    wrench = turn.plan.procedure.tool(torque.wrench or "")
    if wrench is None or wrench.length_mm is None:
        return None
    set_to = wrench_setting(float(convert(amount, unit, "N.m")), float(wrench.length_mm), float(torque.adapter.offset_mm), float(torque.adapter.angle_deg)).value
    return convert(Decimal(f"{set_to:.6g}"), "N.m", unit).quantize(Decimal("0.1"))


def _say_setting(turn: Turn, torque: Torque, setting: Decimal, unit: str) -> None:
    wrench = turn.plan.procedure.tool(torque.wrench or "")
    turn.say("wrench_setting", amount=Amount(setting, unit), wrench=wrench.name if wrench else _wrench_name(turn))
    if wrench and wrench.most is not None and not in_range(float(convert(setting, unit, wrench.unit)), float(wrench.least or 0), float(wrench.most), wrench.unit).inside:
        turn.say("wrench_out_of_range", wrench=wrench.name)


def _wrench_name(turn: Turn) -> str:
    """The wrench's name where the torque names none."""
    named = [tool.name for tool in turn.plan.procedure.tools if tool.id in turn.here.step.tools and tool.most is not None]
    return named[0] if named else "wrench"
