"""What is read out about a step: cautions first, then the instruction, and on request torque, tools, parts, place."""

from decimal import Decimal

from assistant.engine.events import Question
from assistant.engine.missing import check_of, limits_of, missing, specified_torque
from assistant.engine.turn import Amount, Turn
from assistant.figures.order import crossing_order
from assistant.procedure.model import FastenerMove, PartMove
from assistant.procedure.plan import stage_title


def present(turn: Turn, first_caution: int = 0, leaving: bool = False) -> None:
    """Say the current step: its cautions, stopping at one to be acknowledged, then the instruction."""
    here = turn.here
    for number, caution in enumerate(here.step.cautions[first_caution:], first_caution):
        key = (here.key, number)
        if caution.must_acknowledge and key in turn.state.acknowledged:
            continue
        say_caution(turn, number)
        if caution.must_acknowledge:
            turn.ask(Question("caution", here.key, str(number), leaving=leaving))
            turn.say("acknowledge")
            return
    turn.say("instruction", text=here.text(here.step.instruction))
    if turn.state.full_detail and here.step.detail:
        turn.say("detail", text=here.text(here.step.detail))
    say_torque(turn, quiet=True)
    if here.step.timer:
        turn.say("timer_offer", purpose=here.step.timer.purpose, length=spoken_time(here.step.timer.seconds))


def say_caution(turn: Turn, number: int) -> None:
    caution = turn.here.step.cautions[number]
    text = turn.here.text
    turn.say("caution", signal=f"#signals:{caution.signal}", hazard=text(caution.hazard), consequence=text(caution.consequence), avoidance=text(caution.avoidance))


def say_cautions(turn: Turn) -> None:
    for number in range(len(turn.here.step.cautions)):
        say_caution(turn, number)
    if not turn.here.step.cautions:
        turn.say("no_cautions", defer_to=turn.plan.procedure.defer_to)


def say_detail(turn: Turn) -> None:
    if turn.here.step.detail:
        turn.say("detail", text=turn.here.text(turn.here.step.detail))
    else:
        turn.say("no_detail")


def say_torque(turn: Turn, quiet: bool = False) -> None:
    """Torque with its unit, then order and passes; `quiet` says nothing where the step has none."""
    step = turn.here.step
    if step.torque:
        value, unit = specified_torque(turn.plan, step.torque)
        turn.say("torque", amount=Amount(value, unit))
        if step.torque.lubrication:
            turn.say("lubrication", lubrication=step.torque.lubrication)
        if step.tightening and len(step.tightening.passes_percent) > 1:
            passes = tuple(Amount(_to_half(value * percent / 100), unit) for percent in step.tightening.passes_percent)
            turn.say("passes", passes=passes)
    elif not quiet:
        turn.say("no_torque")
    if step.tightening:
        tightening = step.tightening
        order = crossing_order(tightening.count) if tightening.order == "crossing" else range(1, tightening.count + 1)
        turn.say(f"order_{tightening.order}", order=tuple(Amount(Decimal(bolt), "") for bolt in order))
        if tightening.note:
            turn.say("note", text=tightening.note)


def say_tools(turn: Turn) -> None:
    tools = [turn.plan.procedure.tool(tool) for tool in turn.here.step.tools]
    if tools:
        turn.say("tools", tools=tuple(tool.name for tool in tools if tool))
    else:
        turn.say("no_tools")


def say_parts(turn: Turn) -> None:
    step = turn.here.step
    lists = {
        "parts_out": tuple(_part_line(turn, move) for move in step.parts_out),
        "parts_in": tuple(_part_line(turn, move) for move in step.parts_in),
        "fasteners_out": tuple(_fastener_line(turn, move) for move in step.fasteners_out),
        "fasteners_in": tuple(_fastener_line(turn, move) for move in step.fasteners_in),
    }
    for key, lines in lists.items():
        if lines:
            turn.say(key, lines=lines)
    if not any(lists.values()):
        turn.say("no_parts")


def _part_line(turn: Turn, move: PartMove) -> str:
    part = turn.plan.procedure.part(move.part)
    kit = turn.plan.procedure.kit(move.source) if move.source else None
    name = part.name if part else move.part
    return f"#count:{move.count}:{name}" + (f":{kit.name}" if kit else "")


def _fastener_line(turn: Turn, move: FastenerMove) -> str:
    fastener = turn.plan.procedure.fastener(move.fastener)
    return f"#count:{move.count}:{fastener.name}:{fastener.kept}" if fastener else f"#count:{move.count}:{move.fastener}"


def say_where(turn: Turn) -> None:
    here = turn.here
    position = turn.plan.position.get(here.key)
    if position is None:
        origin = turn.plan.by_key[turn.state.detours[-1]]
        turn.say("where_detour", stage=stage_title(here), back=origin.text(origin.step.instruction))
    else:
        turn.say("where", stage=stage_title(here), number=position + 1, total=len(turn.plan.steps))
    turn.say("instruction", text=here.text(here.step.instruction))
    say_first_missing(turn)


def say_first_missing(turn: Turn) -> None:
    """In words, without opening the question."""
    needs = missing(turn.plan, turn.state)
    if not needs:
        turn.say("nothing_missing")
    for need in needs:
        if need.what == "caution":
            turn.say("missing_caution")
        elif need.what == "answer":
            turn.say("missing_answer", ask=turn.here.text(check_of(turn.here.step, need.item).ask))
        elif need.what == "value":
            turn.say("missing_value", quantity=limits_of(turn.plan, turn.here, need.item).quantity)
        elif need.what == "timer" and turn.here.step.timer:
            turn.say("missing_timer", purpose=turn.here.step.timer.purpose)
        elif turn.here.step.hold:
            turn.say("missing_hold", who=turn.here.step.hold.who)


def spoken_time(seconds: float) -> tuple[Amount, ...]:
    """A duration as it is best said: seconds up to a minute, then minutes and what is left."""
    minutes, rest = divmod(max(0, round(seconds)), 60)
    return ((Amount(Decimal(minutes), "min"),) if minutes else ()) + ((Amount(Decimal(rest), "s"),) if rest or not minutes else ())


def _to_half(value: Decimal) -> Decimal:
    return (value * 2).quantize(Decimal(1)) / 2
