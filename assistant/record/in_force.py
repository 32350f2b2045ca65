"""What an entry says once its amendments are counted in. The entry itself stays as it was written."""

import re
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from assistant.engine import events as e
from assistant.engine.choices import step_part_names
from assistant.engine.computed import work_out
from assistant.engine.dialogue import judge
from assistant.engine.missing import Limits, check_of
from assistant.engine.state import fold
from assistant.engine.turn import Turn
from assistant.errors import CannotAmend
from assistant.figures.units import same_dimension, to_si, unit_symbol
from assistant.language.pack import Pack
from assistant.procedure.plan import Plan
from assistant.record.journal import Event

Events = Sequence[tuple[Event, e.Event]]

FIELDS: dict[type[e.Event], tuple[str, ...]] = {
    e.FindingRecorded: ("remark", "condition", "disposition", "part"),
    e.AnswerRecorded: ("said",),
    e.ValueRecorded: ("value", "unit"),
    e.CountRecorded: ("value",),
}
"""What can be amended, by kind of entry."""

LISTS = {"condition": "conditions", "disposition": "dispositions"}
"""Field -> closed list of the language pack."""

NOT_KNOWN = "not known"
"""Verdict of a figure that cannot be worked out from the amended values."""

LONGEST = 2000
"""Characters of a remark."""

_NUMBER = re.compile(r"-?\d{1,9}(\.\d{1,9})?")


def said_in(event: e.Event, field: str) -> str:
    """What a field of an entry says, as text; "" for a remark without words."""
    if isinstance(event, e.CountRecorded):
        return str(event.counted)
    return str(getattr(event, field) or "") if field != "value" else str(getattr(event, field))


def proper(plan: Plan, pack: Pack, event: e.Event, field: str, new: str) -> str:
    """`new` as it is kept: a key of a closed list, a plain number, words. Raises CannotAmend where it does not fit the entry."""
    allowed = next((fields for kind, fields in FIELDS.items() if isinstance(event, kind)), ())
    if field not in allowed:
        raise CannotAmend(f'"{field}" cannot be amended in this entry; ' + (f"it has {', '.join(allowed)}." if allowed else "only answers, values, counts and findings can be amended."))
    new = " ".join("".join(letter if letter.isprintable() or letter.isspace() else " " for letter in new).split())
    if not new or len(new) > LONGEST:
        raise CannotAmend(f"The new {field} has 1 to {LONGEST} characters; write it so.")
    match field:
        case "condition" | "disposition":
            return _listed(pack, field, new)
        case "part" if isinstance(event, e.FindingRecorded):
            return _chosen("part", new, step_part_names(plan, plan.by_key[event.step]))
        case "said" if isinstance(event, e.AnswerRecorded):
            return _answer(plan, event, new)
        case "value":
            if not _NUMBER.fullmatch(new) or (isinstance(event, e.CountRecorded) and not new.isdecimal()):
                raise CannotAmend(f'"{new}" is not a {"whole number" if isinstance(event, e.CountRecorded) else "number in digits, such as 12.9"}; write it so.')
        case "unit" if isinstance(event, e.ValueRecorded):
            return _unit(pack, event, new)
    return new


def _listed(pack: Pack, field: str, new: str) -> str:
    choices = pack.group(LISTS[field])
    found = next((key for key, phrases in choices.items() if new.casefold() in (key.casefold(), *(phrase.casefold() for phrase in phrases))), None)
    if found is None:
        raise CannotAmend(f'"{new}" is no {field}; choose from {", ".join(phrases[0] for phrases in choices.values())}.')
    return found


def _chosen(what: str, new: str, choices: Sequence[str]) -> str:
    found = next((choice for choice in choices if choice.casefold() == new.casefold()), None)
    if found is None:
        raise CannotAmend(f'"{new}" is no {what} of this step; choose from {", ".join(choices)}.')
    return found


def _answer(plan: Plan, event: e.AnswerRecorded, new: str) -> str:
    check = check_of(plan.by_key[event.step].step, event.item)
    if check.spelled is None:
        return _chosen("answer", new, [answer.say for answer in check.answers])
    letters = new.upper()
    if not re.fullmatch(check.spelled.pattern, letters):
        raise CannotAmend(f'"{letters}" does not look like what is asked for here ({check.spelled.pattern}); check its letters.')
    return letters


def _unit(pack: Pack, event: e.ValueRecorded, new: str) -> str:
    family = [key for key in pack.units if same_dimension(key, event.limit_unit)]
    found = next((key for key in family if new.casefold() in (key.casefold(), unit_symbol(key).casefold(), *(name.casefold() for name in (*pack.units[key].spoken, *pack.units[key].written)))), None)
    if found is None:
        raise CannotAmend(f'"{new}" is no unit of {event.quantity}; choose from {", ".join(family)}.')
    return found


def amended(plan: Plan, event: e.Event, field: str, new: str) -> e.Event:
    """The entry with one field put right: its verdict follows. `new` is as `proper` gave it."""
    if isinstance(event, e.FindingRecorded):
        return replace(event, **{field: new})
    if isinstance(event, e.AnswerRecorded):
        answers = check_of(plan.by_key[event.step].step, event.item).answers
        return replace(event, said=new, result=next((answer.result for answer in answers if answer.say == new), event.result))
    if isinstance(event, e.CountRecorded):
        return replace(event, counted=int(new), verdict="agrees" if int(new) == event.expected else "differs")
    if isinstance(event, e.ValueRecorded):
        value, unit = (Decimal(new), event.unit) if field == "value" else (event.value, new)
        si_value, si_unit = to_si(value, unit)
        limits = Limits(event.quantity, event.limit_unit, event.at_least, event.at_most, event.specified, None, event.uncertainty)
        return replace(event, value=value, unit=unit, unit_spoken=True, si_value=si_value, si_unit=si_unit, verdict=judge(value, unit, limits))
    return event


def in_force(plan: Plan, events: Events) -> list[tuple[Event, e.Event]]:
    """All events, each entry as its amendments have left it, and figures worked out again from amended values."""
    amendments = [event for _, event in events if isinstance(event, e.Amended)]
    if not amendments:
        return list(events)
    now = dict((item.seq, event) for item, event in events)
    touched: list[e.ValueRecorded] = []
    for amendment in amendments:
        before = now.get(amendment.entry)
        # `proper` let it in; a journal from elsewhere may hold anything, and must still be readable.
        if before is not None and _fits(before, amendment.field, amendment.new):
            now[amendment.entry] = after = amended(plan, before, amendment.field, amendment.new)
            if isinstance(after, e.ValueRecorded):
                touched.append(after)
    changed = [(item, now[item.seq]) for item, _ in events]
    return _figures_again(plan, changed, touched) if touched else changed


def _fits(event: e.Event, field: str, new: str) -> bool:
    if field not in next((fields for kind, fields in FIELDS.items() if isinstance(event, kind)), ()):
        return False
    if isinstance(event, e.CountRecorded):
        return new.isdecimal()
    if isinstance(event, e.ValueRecorded):
        return bool(_NUMBER.fullmatch(new)) if field == "value" else same_dimension(new, event.limit_unit)
    return True


def _figures_again(plan: Plan, events: list[tuple[Event, e.Event]], touched: Sequence[e.ValueRecorded]) -> list[tuple[Event, e.Event]]:
    turn = Turn(plan, fold(event for _, event in events), 0.0)
    for entry in touched:
        work_out(turn, plan.by_key[entry.step], entry.item)
        for planned in plan.steps + plan.on_demand:
            for check in planned.step.checks:
                # Wear is worked out with the running hours, which are another step's.
                if check.measure and check.measure.wear and check.measure.wear.hours == entry.item and (planned.key, check.id) in turn.state.recorded:
                    work_out(turn, planned, check.id)
    found = {(event.step, event.item): event for event in turn.decision().events if isinstance(event, e.ValueComputed)}
    last = {(event.step, event.item): item.seq for item, event in events if isinstance(event, e.ValueComputed)}
    rests = _rests_on(plan, {entry.item for entry in touched})
    rows: list[tuple[Event, e.Event]] = []
    for item, event in events:
        if isinstance(event, e.ValueComputed) and last[event.step, event.item] == item.seq:
            key = (event.step, event.item)
            if key in found:
                event = found[key]
            elif key in rests:
                event = replace(event, verdict=NOT_KNOWN, working=("The amended values give no figure.",))
        rows.append((item, event))
    return rows


def _rests_on(plan: Plan, items: set[str]) -> set[tuple[str, str]]:
    """(step, figure) of every figure that has one of these checks among its inputs."""
    return {
        (planned.key, compute.id)
        for planned in plan.steps + plan.on_demand
        for compute in planned.step.compute
        if items & {*compute.inputs.values(), *([compute.curve.at] if compute.curve else [])}
    }

