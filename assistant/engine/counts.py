"""Fasteners counted aloud, and what is still out of the machine."""

from collections import Counter

from assistant.engine import events as e
from assistant.engine.intents import Intent
from assistant.engine.state import State
from assistant.engine.turn import Turn
from assistant.procedure.model import Fastener, FastenerMove
from assistant.procedure.plan import Plan, PlannedStep


def moves_of(planned: PlannedStep) -> dict[str, FastenerMove]:
    """Item ("out:bolt") -> move, for each move of fasteners in a step."""
    step = planned.step
    return {f"{direction}:{move.fastener}": move for direction, moves in (("out", step.fasteners_out), ("in", step.fasteners_in)) for move in moves}


def counted_words(fastener: Fastener | None, fastener_id: str, count: int) -> str:
    """Reference to "eight long bolts", for the wording."""
    return f"#counted:{count}:{fastener.called(count) if fastener else fastener_id}"


def due_words(plan: Plan, planned: PlannedStep) -> tuple[str, ...]:
    return tuple(counted_words(plan.procedure.fastener(move.fastener), move.fastener, move.count) for move in moves_of(planned).values())


def take_count(turn: Turn, intent: Intent, corrects: int | None = None, clips: tuple[str, ...] = ()) -> e.CountRecorded | None:
    """Record a count that belongs to this step; None where its fastener does not."""
    fastener, counted = intent.choice or "", int(intent.value or 0)
    moves = moves_of(turn.here)
    items = [item for item, move in moves.items() if move.fastener == fastener]
    if not items:
        turn.record(e.CountRefused(turn.here.key, fastener, counted))
        known = turn.plan.procedure.fastener(fastener)
        turn.say("count_not_here", said=counted_words(known, fastener, counted), due=due_words(turn.plan, turn.here), place=known.kept if known else "")
        return None
    # A fastener that goes out and in again in one step is counted out first.
    item = next((item for item in items if (turn.here.key, item) not in turn.state.recorded), items[-1])
    expected = moves[item].count
    entry = e.CountRecorded(turn.here.key, item, clips, corrects, fastener, item.partition(":")[0], counted, expected, "agrees" if counted == expected else "differs")
    turn.record(entry)
    known = turn.plan.procedure.fastener(fastener)
    if entry.verdict == "agrees":
        turn.say("count_agrees", said=counted_words(known, fastener, counted))
    else:
        turn.say("count_differs", said=counted_words(known, fastener, counted), due=counted_words(known, fastener, expected))
    return entry


def still_out(plan: Plan, state: State) -> tuple[str, ...]:
    """Fasteners and parts that steps done so far took out and none has put back, in words for the wording."""
    fasteners: Counter[str] = Counter()
    parts: Counter[str] = Counter()
    for planned in plan.steps + plan.on_demand:
        if planned.key in state.completed:
            for item, move in moves_of(planned).items():
                fasteners[move.fastener] += move.count if item.startswith("out:") else -move.count
            for part in planned.step.parts_out:
                parts[part.part] += 0 if part.discard else part.count
            for part in planned.step.parts_in:
                parts[part.part] -= 0 if part.source else part.count
    words = [counted_words(plan.procedure.fastener(name), name, count) for name, count in fasteners.items() if count > 0]
    for name, count in parts.items():
        if count > 0:
            known = plan.procedure.part(name)
            words.append(f"#count:{count}:{known.name if known else name}")
    return tuple(words)


def say_outstanding(turn: Turn) -> None:
    lines = still_out(turn.plan, turn.state)
    if lines:
        turn.say("still_out", lines=lines)
    else:
        turn.say("nothing_out")
