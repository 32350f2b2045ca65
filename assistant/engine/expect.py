"""What may be said now: the closed vocabulary that the state allows. The language module turns it into a grammar."""

from dataclasses import dataclass, replace

from assistant.engine.choices import GROUPS, MISSES_BEFORE_NUMBERS, NO_REMARKS, step_part_names
from assistant.engine.intents import GENERAL
from assistant.engine.missing import check_of, limits_of, missing
from assistant.engine.state import State
from assistant.engine.trainee import choices
from assistant.procedure.plan import Plan, PlannedStep

_ANY = frozenset({"repeat", "help", "cancel", "pause", "sleep"})
_STEP = _ANY | {"details", "cautions", "torque", "pass_done", "bolts", "next_bolt", "wrench", "outstanding", "time_left", "tools", "parts", "where", "finding", "skip", "back", "correct", "next", "timer_start", "timer_stop"}
_COMMANDS = {"count": _STEP, "spelled": _STEP, "quiz": _STEP, "caution": _ANY | {"understood", "cautions", "next", "details", "where", "back"}, "answer": _STEP, "value": _STEP, "hold": _ANY | {"release", "finding", "where", "back"}}
_UNASKED = frozenset(GENERAL) - {"understood", "release", "cancel", "resume", "begin", "wake"}


@dataclass(frozen=True)
class Expected:
    """The phrases in play."""

    commands: frozenset[str] = frozenset()
    """General commands."""
    confirm: bool = False
    """Yes and no."""
    answers: tuple[str, ...] = ()
    """Phrases written in the procedure: answers of a check, names of parts."""
    groups: tuple[str, ...] = ()
    """Closed lists of the language pack, such as conditions."""
    values: tuple[tuple[str, str], ...] = ()
    """(quantity, unit) of the values that may be said."""
    any_value: bool = False
    """Any quantity in any unit."""
    stages: tuple[tuple[str, str], ...] = ()
    """(stage run, title)."""
    words: bool = False
    """Free words."""
    spelled: bool = False
    """Letters and digits by the spelling alphabet."""
    denied: bool = False
    """Values are only heard behind a no."""
    numbered: bool = False
    """The answers and closed lists may be said by number."""
    counts: tuple[tuple[str, str, str], ...] = ()
    """(fastener, its name, its plural) of fasteners that may be counted aloud."""


def expected(plan: Plan, state: State) -> Expected:
    """The vocabulary of a state."""
    if state.finished:
        return Expected()
    if state.asleep:
        return Expected(frozenset({"wake"}))
    if state.paused:
        return Expected(frozenset({"resume", "where", "help", "sleep"}))
    found = _expected(plan, state)
    return replace(found, numbered=state.question is not None and state.misses >= MISSES_BEFORE_NUMBERS)


def _expected(plan: Plan, state: State) -> Expected:
    question = state.question
    if question is None:
        if not state.begun:
            return Expected(frozenset({"begin", "help", "repeat", "pause", "sleep"}))
        items = [need.item for need in missing(plan, state) if need.what == "value"]
        here = plan.by_key[state.step]
        return Expected(_UNASKED, values=_values(plan, here, items), stages=plan.stage_runs, counts=_counts(plan, here))
    planned = plan.by_key.get(question.step)
    commands = _COMMANDS.get(question.about, _ANY)
    match question.about:
        case "answer" if planned:
            return Expected(commands, answers=tuple(answer.say for answer in check_of(planned.step, question.item).answers))
        case "value" if planned:
            return Expected(commands, values=_values(plan, planned, [question.item]))
        case "spelled":
            return Expected(commands, spelled=True)
        case "count" if planned:
            return Expected(commands, counts=_counts(plan, planned))
        case "quiz" if planned and planned.step.quiz:
            return Expected(commands, answers=choices(planned.step.quiz))
        case "part":
            return Expected(commands, answers=step_part_names(plan, plan.by_key[state.step]))
        case "remark":
            return Expected(commands - {"repeat", "help", "pause"}, groups=(NO_REMARKS,), words=True)
        case about if about in GROUPS:
            return Expected(commands, groups=(GROUPS[about],))
        case "confirm_value" if planned:
            # "no, forty three": the right value may follow at once.
            return Expected(commands, confirm=True, values=_values(plan, planned, [question.item]), denied=True)
        case about if about.startswith("confirm"):
            return Expected(commands, confirm=True)
    return Expected(commands)


def step_vocabulary(plan: Plan, planned: PlannedStep) -> Expected:
    """Everything that can be said at a step, whatever is being asked."""
    step = planned.step
    answers = [answer.say for check in step.checks for answer in check.answers] + list(choices(step.quiz) if step.quiz else ())
    items = (["torque"] if step.torque else []) + [check.id for check in step.checks if check.measure]
    return Expected(
        frozenset(GENERAL),
        True,
        tuple(dict.fromkeys([*answers, *step_part_names(plan, planned)])),
        (*GROUPS.values(), NO_REMARKS),
        _values(plan, planned, items),
        stages=plan.stage_runs,
        counts=_counts(plan, planned),
        spelled=any(check.spelled for check in step.checks),
    )


def general_vocabulary() -> Expected:
    """General commands and any measurement: what can be said when no step is known."""
    return Expected(frozenset(GENERAL), True, any_value=True)


def _values(plan: Plan, planned: PlannedStep, items: list[str]) -> tuple[tuple[str, str], ...]:
    limits = [limits_of(plan, planned, item) for item in items]
    return tuple((item.quantity, item.unit) for item in limits)


def _counts(plan: Plan, planned: PlannedStep) -> tuple[tuple[str, str, str], ...]:
    """Every fastener of the machine, where the step moves any: a look-alike from elsewhere must be heard as what it is."""
    if not (planned.step.fasteners_out or planned.step.fasteners_in):
        return ()
    return tuple((item.id, item.called(1), item.called(2)) for item in plan.procedure.fasteners)
