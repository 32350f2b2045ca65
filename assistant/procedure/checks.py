"""Checks of a procedure's sense: counts that balance, cautions before acts, torques with units, names that exist.

Each check yields Remarks with the line and column of what is wrong. What needs a language or a recogniser
(phrases that sound alike, words without pronunciation) is in `assistant.language.sounds`.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterator

from assistant.figures.units import PINT_UNITS
from assistant.procedure.figure_checks import at, computed, input_names, instruments, known_or_near, plausible, steps_of, torques
from assistant.procedure.nodes import Remark
from assistant.procedure.plan import PlannedStep, make_plan
from assistant.procedure.reader import Source

LONGEST_INSTRUCTION = 20
"""Words. More cannot be kept in mind while both hands work."""


def check_procedure(source: Source) -> list[Remark]:
    """Every remark on one procedure, in the order of its lines."""
    remarks = [remark for check in _CHECKS for remark in check(source)]
    # A wrong name makes plan and balances meaningless: those run only on a file whose names are right.
    if not any(remark.severity == "error" for remark in remarks):
        remarks += [remark for check in _PLAN_CHECKS for remark in check(source)]
    return sorted(remarks)


def _names(source: Source) -> Iterator[Remark]:
    procedure = source.procedure
    known = {
        "tool": [tool.id for tool in procedure.tools],
        "part": [part.id for part in procedure.parts],
        "kit": [kit.id for kit in procedure.kits],
        "fastener": [fastener.id for fastener in procedure.fasteners],
        "step": [step.id for _, step in steps_of(source)],
    }
    uses: list[tuple[tuple[str | int, ...], str, str]] = []
    for number, kit in enumerate(procedure.kits):
        uses += [(("kits", number, "contents", line, "part"), "part", item.part) for line, item in enumerate(kit.contents)]
    for where, step in steps_of(source):
        uses += [((*where, "tools", number), "tool", tool) for number, tool in enumerate(step.tools)]
        uses += [((*where, "parts", number), "part", part) for number, part in enumerate(step.parts)]
        for side, moves in (("parts_out", step.parts_out), ("parts_in", step.parts_in)):
            uses += [((*where, side, number, "part"), "part", move.part) for number, move in enumerate(moves)]
            uses += [((*where, side, number, "from"), "kit", move.source) for number, move in enumerate(moves) if move.source]
        for side, fasteners in (("fasteners_out", step.fasteners_out), ("fasteners_in", step.fasteners_in)):
            uses += [((*where, side, number, "fastener"), "fastener", move.fastener) for number, move in enumerate(fasteners)]
        if step.torque and step.torque.fastener:
            uses.append(((*where, "torque", "fastener"), "fastener", step.torque.fastener))
        if step.torque and step.torque.wrench:
            uses.append(((*where, "torque", "wrench"), "tool", step.torque.wrench))
        for number, check in enumerate(step.checks):
            place = (*where, "checks", number)
            uses += [((*place, "answers", line, "go_to"), "step", answer.go_to) for line, answer in enumerate(check.answers) if answer.go_to]
            if check.measure and check.measure.out_of_limits_go_to:
                uses.append(((*place, "measure", "out_of_limits_go_to"), "step", check.measure.out_of_limits_go_to))
            if check.measure and check.measure.instrument:
                uses.append(((*place, "measure", "instrument"), "tool", check.measure.instrument))
    for where, what, name in uses:
        if text := known_or_near(name, known[what], what):
            yield at(source, where, text)


def _repeated(source: Source) -> Iterator[Remark]:
    procedure = source.procedure
    groups: list[tuple[str, list[tuple[tuple[str | int, ...], str]]]] = [
        ("tool", [(("tools", number, "id"), item.id) for number, item in enumerate(procedure.tools)]),
        ("part", [(("parts", number, "id"), item.id) for number, item in enumerate(procedure.parts)]),
        ("kit", [(("kits", number, "id"), item.id) for number, item in enumerate(procedure.kits)]),
        ("fastener", [(("fasteners", number, "id"), item.id) for number, item in enumerate(procedure.fasteners)]),
        ("stage", [(("stages", number, "id"), item.id) for number, item in enumerate(procedure.stages)]),
        ("step", [((*where, "id"), step.id) for where, step in steps_of(source)]),
    ]
    for where, step in steps_of(source):
        groups.append(("check", [((*where, "checks", number, "id"), check.id) for number, check in enumerate(step.checks)]))
    for what, items in groups:
        counted = Counter(name for _, name in items)
        for where, name in items:
            if counted[name] > 1:
                counted[name] = -1  # one remark a name is enough
                yield at(source, where, f'the {what} id "{name}" is used more than once; give each its own')


def _questions(source: Source) -> Iterator[Remark]:
    taken_on = {name for _, step in steps_of(source) for name in input_names(step)}
    for where, step in steps_of(source):
        for number, check in enumerate(step.checks):
            place = (*where, "checks", number)
            if sum(map(bool, (check.answers, check.measure, check.spelled))) != 1:
                yield at(source, place, f'the check "{check.id}" needs either answers, measure or spelled; write one of them')
            elif check.spelled and not _is_pattern(check.spelled.pattern):
                yield at(source, (*place, "spelled", "pattern"), "this is no regular expression; write one such as [A-Z]{2}[0-9]{4}")
            elif len(check.answers) == 1:
                yield at(source, place, f'the check "{check.id}" has one answer only; write at least two')
            if check.id in ("torque", "finding"):
                yield at(source, (*place, "id"), f'"{check.id}" names something of the step already; give the check another id')
            if measure := check.measure:
                if text := known_or_near(measure.unit, PINT_UNITS, "unit"):
                    yield at(source, (*place, "measure", "unit"), text)
                if measure.at_least is not None and measure.at_most is not None and measure.at_least > measure.at_most:
                    yield at(source, (*place, "measure"), f"at_least {measure.at_least} is over at_most {measure.at_most}; exchange them")
                if measure.at_least is None and measure.at_most is None and check.id not in taken_on:
                    yield at(source, (*place, "measure"), "this measurement has no limits; write at_least, at_most or both", "warning")


def _is_pattern(text: str) -> bool:
    try:
        re.compile(text)
    except re.error:
        return False
    return True


def _instructions(source: Source) -> Iterator[Remark]:
    for where, step in steps_of(source):
        words = len(step.instruction.split())
        if words > LONGEST_INSTRUCTION:
            yield at(source, (*where, "instruction"), f"this instruction has {words} words; {LONGEST_INSTRUCTION} can be kept in mind: move the rest to detail", "warning")
        first = step.instruction.split()[0].strip(":.,!").lower()
        if first in ("danger", "warning", "caution", "notice"):
            yield at(source, (*where, "instruction"), f'this is a {first}, not an act; write it under cautions, so that it is said first')
        if step.tightening and step.fasteners_in and step.tightening.count not in {move.count for move in step.fasteners_in} | {sum(move.count for move in step.fasteners_in)}:
            yield at(source, (*where, "tightening"), f"tightening counts {step.tightening.count} but the fasteners put in here do not; make them agree", "warning")


def _part_balance(source: Source) -> Iterator[Remark]:
    plan = make_plan(source.procedure)
    out: Counter[str] = Counter()
    back: Counter[str] = Counter()
    first: dict[str, tuple[str | int, ...]] = {}
    places = dict((id(step), where) for where, step in steps_of(source))
    for planned in plan.steps:
        for move in planned.step.parts_out:
            first.setdefault(move.part, places[id(planned.step)])
            out[move.part] += move.count
        for move in planned.step.parts_out:
            if move.discard:
                back[move.part] += move.count  # accounted for: it goes no further
        for move in planned.step.parts_in:
            if not move.source:
                back[move.part] += move.count
    for part, count in out.items():
        if count != back[part]:
            yield at(source, (*first[part], "parts_out"), f'"{part}": {count} taken out, {back[part]} put back or discarded; account for the difference')
    for part, count in back.items():
        if part not in out:
            yield at(source, ("parts",), f'"{part}": {count} put back but never taken out; add parts_out, or from: with its kit')


def _fastener_balance(source: Source) -> Iterator[Remark]:
    plan = make_plan(source.procedure)
    out, back = Counter[str](), Counter[str]()
    for planned in plan.steps:
        for move in planned.step.fasteners_out:
            out[move.fastener] += move.count
        for move in planned.step.fasteners_in:
            back[move.fastener] += move.count
    for number, fastener in enumerate(source.procedure.fasteners):
        where = ("fasteners", number)
        if out[fastener.id] != back[fastener.id]:
            yield at(source, where, f'"{fastener.id}": {out[fastener.id]} come out and {back[fastener.id]} go back; make the counts agree')
        elif out[fastener.id] and out[fastener.id] != fastener.count:
            yield at(source, where, f'"{fastener.id}": the machine holds {fastener.count} but {out[fastener.id]} come out; make the counts agree')


def _kit_use(source: Source) -> Iterator[Remark]:
    used: Counter[tuple[str, str]] = Counter()
    plan = make_plan(source.procedure)
    for planned in plan.steps + plan.on_demand:
        for move in planned.step.parts_in:
            if move.source:
                used[move.source, move.part] += move.count
    for number, kit in enumerate(source.procedure.kits):
        for line, item in enumerate(kit.contents):
            count = used.pop((kit.id, item.part), 0)
            where = ("kits", number, "contents", line)
            if not count:
                yield at(source, where, f'the kit part "{item.part}" is never used; add a step that fits it, or take it off the list')
            elif count > item.count:
                yield at(source, where, f'"{item.part}": {count} used, the kit holds {item.count}; make the counts agree')
    for (kit_id, part), _count in used.items():
        yield at(source, ("kits",), f'the kit "{kit_id}" holds no "{part}", but a step takes it from there; add it to contents')


def _caution_order(source: Source) -> Iterator[Remark]:
    places = {id(step): where for where, step in steps_of(source)}
    plan = make_plan(source.procedure)
    order: list[PlannedStep] = list(plan.steps)
    # An on-demand step stands alone: its caution is only held against itself.
    for group in [order, *([planned] for planned in plan.on_demand)]:
        seen: set[tuple[int, int]] = set()
        for position, planned in enumerate(group):
            for number, caution in enumerate(planned.step.cautions):
                if not caution.act or (id(planned.step), number) in seen:
                    continue
                seen.add((id(planned.step), number))
                act = caution.act.lower()
                where = (*places[id(planned.step)], "cautions", number)
                acts = [at for at, other in enumerate(group) if act in other.text(other.step.instruction).lower()]
                if not acts:
                    yield at(source, (*where, "act"), f'no instruction holds the words "{caution.act}"; write the words of the act as they stand there')
                elif acts[0] < position:
                    yield at(source, where, f'this caution comes after the act it warns of, "{caution.act}" in step "{group[acts[0]].step.id}"; move it to that step')


_CHECKS: tuple[Callable[[Source], Iterator[Remark]], ...] = (_names, _repeated, _questions, torques, plausible, computed, instruments, _instructions)
_PLAN_CHECKS: tuple[Callable[[Source], Iterator[Remark]], ...] = (_part_balance, _fastener_balance, _kit_use, _caution_order)
