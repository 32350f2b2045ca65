"""What is read out about a step: cautions first, then the instruction, and on request torque, tools, parts, place."""

from decimal import Decimal

from assistant.engine.counts import counted_words, moves_of
from assistant.engine.events import Question
from assistant.engine.joint import say_pass_due, say_torque
from assistant.engine.missing import check_of, limits_of, missing
from assistant.engine.trainee import say_reasons
from assistant.engine.turn import Amount, Turn
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
    if turn.state.full_detail:
        say_reasons(turn)
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
    step = turn.here.step
    if step.detail:
        turn.say("detail", text=turn.here.text(step.detail))
    say_reasons(turn)
    if not (step.detail or step.why or step.good or step.bad):
        turn.say("no_detail")


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


def say_where(turn: Turn, asked: bool = False) -> None:
    """Stage, place and instruction; then what is missing, unless a question that is put again (`asked`) says so itself."""
    here = turn.here
    position = turn.plan.position.get(here.key)
    if position is None:
        origin = turn.plan.by_key[turn.state.detours[-1]]
        turn.say("where_detour", stage=stage_title(here), back=origin.text(origin.step.instruction))
    else:
        turn.say("where", stage=stage_title(here), number=position + 1, total=len(turn.plan.steps))
    turn.say("instruction", text=here.text(here.step.instruction))
    if not asked:
        say_first_missing(turn)


def say_first_missing(turn: Turn) -> None:
    """In words, without opening the question."""
    needs = missing(turn.plan, turn.state)
    if not needs:
        turn.say("nothing_missing")
    for need in needs:
        if need.what == "caution":
            turn.say("missing_caution")
        elif need.what in ("answer", "spelled"):
            turn.say("missing_answer", ask=turn.here.text(check_of(turn.here.step, need.item).ask))
        elif need.what == "value":
            turn.say("missing_value", quantity=limits_of(turn.plan, turn.here, need.item).quantity)
        elif need.what == "timer" and turn.here.step.timer:
            turn.say("missing_timer", purpose=turn.here.step.timer.purpose)
        elif need.what == "count":
            move = moves_of(turn.here)[need.item]
            turn.say("missing_count", lines=(counted_words(turn.plan.procedure.fastener(move.fastener), move.fastener, move.count),))
        elif need.what == "pass":
            say_pass_due(turn)
        elif need.what == "quiz":
            turn.say("missing_quiz")
        elif turn.here.step.hold:
            turn.say("missing_hold", who=turn.here.step.hold.who)


def spoken_time(seconds: float) -> tuple[Amount, ...]:
    """A duration as it is best said: seconds up to a minute, then minutes and what is left."""
    minutes, rest = divmod(max(0, round(seconds)), 60)
    return ((Amount(Decimal(minutes), "min"),) if minutes else ()) + ((Amount(Decimal(rest), "s"),) if rest or not minutes else ())


def say_time_left(turn: Turn) -> None:
    """What is left on each running timer, and of the planned time."""
    running = [(turn.plan.by_key[key].step.timer, countdown) for key, countdown in turn.state.timers.items() if countdown.started_s is not None and not countdown.done]
    for timer, countdown in running:
        if timer is not None and countdown.started_s is not None:
            turn.say("timer_left", purpose=timer.purpose, left=spoken_time(countdown.started_s + countdown.seconds - turn.now_s))
    planned = sum((item.step.planned_minutes or Decimal(0) for item in turn.plan.steps if item.key not in turn.state.settled), Decimal(0))
    if planned:
        turn.say("planned_left", amount=Amount(planned.quantize(Decimal(1)), "min"))
    elif not running:
        turn.say("no_time_known")
