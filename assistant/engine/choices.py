"""The closed choices of an open question, offered by number when they are not understood."""

from assistant.engine.missing import check_of
from assistant.engine.state import State
from assistant.engine.trainee import choices as quiz_choices
from assistant.engine.turn import Turn
from assistant.procedure.plan import Plan, PlannedStep

MISSES_BEFORE_NUMBERS = 2
"""Phrases not understood in a row, from which the choices are numbered."""

NO_REMARKS = "no_remarks"
GROUPS = {
    "condition": "conditions",
    "disposition": "dispositions",
    "skip_reason": "skip_reasons",
    "pause_reason": "pause_reasons",
    "out_of_limits": "out_of_limits",
}
"""What is asked about -> closed list of the language pack."""


def step_part_names(plan: Plan, planned: PlannedStep) -> tuple[str, ...]:
    """Names of the parts a finding may be about in a step; every part of the machine where it names none."""
    step, procedure = planned.step, plan.procedure
    ids = dict.fromkeys([*step.parts, *(move.part for move in (*step.parts_out, *step.parts_in))])
    names = [part.name for part in procedure.parts if part.id in ids] or [part.name for part in procedure.parts]
    return tuple(dict.fromkeys(names))


def listed(plan: Plan, state: State) -> tuple[str, ...]:
    """Choices of the open question that are written in the procedure; empty where it has none of these."""
    question = state.question
    planned = plan.by_key.get(question.step) if question else None
    if question is None or planned is None:
        return ()
    match question.about:
        case "answer":
            return tuple(answer.say for answer in check_of(planned.step, question.item).answers)
        case "quiz" if planned.step.quiz:
            return quiz_choices(planned.step.quiz)
        case "part":
            return step_part_names(plan, plan.by_key[state.step])
    return ()


def offer_by_number(turn: Turn) -> bool:
    """Offer the choices of the open question by number. False where it has none."""
    choices = listed(turn.plan, turn.state)
    about = turn.state.question.about if turn.state.question else ""
    if choices:
        turn.say("numbered", choices=tuple(f"#number:{number}:{choice}" for number, choice in enumerate(choices, 1)))
    elif about in GROUPS:
        turn.say("numbered", choices=f"#numbers:{GROUPS[about]}")
    return bool(choices) or about in GROUPS
