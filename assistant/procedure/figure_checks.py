"""Checks of a procedure's figures: torques against bolt, hole and wrench; computed figures and instruments against what they need."""

from collections.abc import Iterable, Iterator
from decimal import Decimal
from difflib import get_close_matches

from assistant.figures.thread import FigureError
from assistant.figures.torque import tightening_torque
from assistant.figures.torque_limits import torque_warnings
from assistant.figures.units import PINT_UNITS, convert, same_dimension
from assistant.figures.wrench import in_range, wrench_setting
from assistant.procedure.inputs import INPUTS, UNITS, constant
from assistant.procedure.model import Check, Compute, Fastener, Step, Torque
from assistant.procedure.nodes import Remark
from assistant.procedure.reader import Source

Steps = Iterator[tuple[tuple[str | int, ...], Step]]


def steps_of(source: Source) -> Steps:
    for stage_number, stage in enumerate(source.procedure.stages):
        for number, step in enumerate(stage.steps):
            yield ("stages", stage_number, "steps", number), step


def at(source: Source, where: tuple[str | int, ...], text: str, severity: str = "error") -> Remark:
    return source.remark(where, text, severity)


def known_or_near(name: str, known: Iterable[str], what: str) -> str | None:
    known = list(known)
    if name in known:
        return None
    near = get_close_matches(name, known, n=1, cutoff=0.4)
    return f'there is no {what} "{name}"; ' + (f'did you mean "{near[0]}"?' if near else f"write one that is listed: {', '.join(known) or 'none is listed yet'}")


def torques(source: Source) -> Iterator[Remark]:
    for where, step in steps_of(source):
        torque = step.torque
        if torque is None:
            continue
        place = (*where, "torque")
        if torque.value is not None and not torque.unit:
            yield at(source, place, f"the torque {torque.value} has no unit; write unit: N.m, lbf.ft or lbf.in")
        elif torque.value is not None and (torque.unit not in PINT_UNITS or not same_dimension(torque.unit, "N.m")):
            yield at(source, (*place, "unit"), f'"{torque.unit}" is no unit of torque; write N.m, lbf.ft or lbf.in')
        elif torque.value is None and not (torque.fastener and torque.lubrication):
            yield at(source, place, "a torque needs value and unit, or fastener and lubrication to compute it; add them")
        else:
            yield from _limits(source, place, step, torque)
            yield from _wrench(source, place, torque)
        if step.tightening and step.tightening.order == "rectangle" and (not step.tightening.rows or step.tightening.count % step.tightening.rows):
            yield at(source, (*where, "tightening"), "a rectangle needs rows that divide its count; write rows")
        if step.tightening and step.tightening.order == "two-rows" and step.tightening.count % 2:
            yield at(source, (*where, "tightening"), "two rows hold an even count; mend the count")


def plausible(source: Source) -> Iterator[Remark]:
    """Plausible ranges that would have good values asked for again: they must hold the limits."""
    for where, step in steps_of(source):
        for number, check in enumerate(step.checks):
            if measure := check.measure:
                yield from _around(source, (*where, "checks", number, "measure"), measure.plausible_from, measure.plausible_to, measure.at_least, measure.at_most)
        if (torque := step.torque) and torque.value is not None:
            band = torque.value * torque.tolerance_percent / 100
            yield from _around(source, (*where, "torque"), torque.plausible_from, torque.plausible_to, torque.value - band, torque.value + band)


def _around(source: Source, place: tuple[str | int, ...], low: Decimal | None, high: Decimal | None, least: Decimal | None, most: Decimal | None) -> Iterator[Remark]:
    if low is not None and high is not None and low >= high:
        yield at(source, place, f"plausible_from {low} is not below plausible_to {high}; exchange or mend them")
        return
    limits = [limit for limit in (least, most) if limit is not None]
    if low is not None and limits and low > min(limits):
        yield at(source, (*place, "plausible_from"), f"plausible_from {low} is over the limit {min(limits).normalize():f}: good values would be asked for twice; write less")
    if high is not None and limits and high < max(limits):
        yield at(source, (*place, "plausible_to"), f"plausible_to {high} is under the limit {max(limits).normalize():f}: good values would be asked for twice; write more")


def _newton_metres(source: Source, torque: Torque) -> Decimal | None:
    """The torque as written, or as it is computed."""
    if torque.value is not None:
        return convert(torque.value, torque.unit, "N.m")
    fastener = source.procedure.fastener(torque.fastener or "")
    if fastener is None or not fastener.strength:
        return None
    try:
        exact = tightening_torque(fastener.thread, fastener.strength, torque.lubrication, percent_of_proof=float(torque.percent_of_proof)).value
    except FigureError:
        return None
    return Decimal(str(exact))


def _limits(source: Source, place: tuple[str | int, ...], step: Step, torque: Torque) -> Iterator[Remark]:
    names = [torque.fastener] if torque.fastener else [move.fastener for move in step.fasteners_in]
    for fastener in filter(None, (source.procedure.fastener(name) for name in names)):
        if not fastener.strength:
            if torque.value is None:
                yield at(source, place, f'the torque cannot be computed: the fastener "{fastener.id}" has no strength; add its property class')
            continue
        try:
            for text in _warnings(source, fastener, torque):
                yield at(source, place, text.rstrip("."), "warning")
        except FigureError as error:
            yield at(source, place, f'the torque cannot be computed for "{fastener.id}": {str(error).rstrip(".")}')


def _warnings(source: Source, fastener: Fastener, torque: Torque) -> list[str]:
    lubrication = torque.lubrication or "dry"
    tightening_torque(fastener.thread, fastener.strength, lubrication, percent_of_proof=float(torque.percent_of_proof))  # refuses what cannot be computed
    value = _newton_metres(source, torque)
    if value is None:
        return []
    hole = (float(fastener.engaged_mm), fastener.tapped_into) if fastener.engaged_mm is not None and fastener.tapped_into else (None, None)
    return torque_warnings(float(value), fastener.thread, fastener.strength, lubrication, *hole, most_percent=float(max(torque.percent_of_proof, Decimal(75))))


def _wrench(source: Source, place: tuple[str | int, ...], torque: Torque) -> Iterator[Remark]:
    tool = source.procedure.tool(torque.wrench or "")
    value = _newton_metres(source, torque)
    if tool is None or value is None:
        return
    if torque.adapter and tool.length_mm is None:
        yield at(source, place, f'the tool "{tool.id}" has no length_mm, so the setting with its adapter cannot be worked out; add it')
        return
    if tool.most is None or not tool.unit:
        yield at(source, place, f'the tool "{tool.id}" has no range; write least, most and unit', "warning")
        return
    try:
        setting = float(value)
        if torque.adapter and tool.length_mm is not None:
            setting = wrench_setting(setting, float(tool.length_mm), float(torque.adapter.offset_mm), float(torque.adapter.angle_deg)).value
        verdict = in_range(float(convert(Decimal(str(setting)), "N.m", tool.unit)), float(tool.least or 0), float(tool.most), tool.unit)
    except (FigureError, ValueError) as error:
        yield at(source, place, str(error).rstrip("."))
        return
    if not verdict.inside:
        yield at(source, place, verdict.words.rstrip("."), "warning")


def input_names(step: Step) -> Iterator[str]:
    """Checks that a computed figure, or a wear, of this step takes its inputs from."""
    for compute in step.compute:
        yield from (text for text in compute.inputs.values() if constant(text) is None)
        if compute.curve and constant(compute.curve.at) is None:
            yield compute.curve.at
    for check in step.checks:
        if check.measure and check.measure.wear:
            yield check.measure.wear.hours


def computed(source: Source) -> Iterator[Remark]:
    checks = {check.id: check for _, step in steps_of(source) for check in step.checks if check.measure}
    for where, step in steps_of(source):
        for number, compute in enumerate(step.compute):
            place = (*where, "compute", number)
            needed, allowed = INPUTS[compute.kind]
            for name in needed:
                if name not in compute.inputs:
                    yield at(source, place, f'the figure "{compute.id}" needs "{name}" under from; add a check or a constant')
            for name, text in compute.inputs.items():
                if name not in needed and name not in allowed:
                    yield at(source, (*place, "from", name), known_or_near(name, [*needed, *allowed], f"input of {compute.kind}") or "")
                else:
                    yield from _input(source, (*place, "from", name), text, (needed | allowed)[name], checks)
            if compute.unit not in PINT_UNITS:
                yield at(source, (*place, "unit"), known_or_near(compute.unit, PINT_UNITS, "unit") or "")
            elif compute.kind in UNITS and not same_dimension(compute.unit, UNITS[compute.kind]):
                yield at(source, (*place, "unit"), f"{compute.kind} is worked out in {UNITS[compute.kind]}; write that unit")
            yield from _curve(source, place, compute, checks)
        for number, check in enumerate(step.checks):
            if check.measure and check.measure.wear:
                yield from _input(source, (*where, "checks", number, "measure", "wear", "hours"), check.measure.wear.hours, "h", checks)


def _curve(source: Source, place: tuple[str | int, ...], compute: Compute, checks: dict[str, Check]) -> Iterator[Remark]:
    if (compute.kind == "curve") != (compute.curve is not None):
        yield at(source, place, "a curve belongs to the kind curve, and to no other; write both or neither")
    elif compute.curve is not None:
        yield from _input(source, (*place, "curve", "at"), compute.curve.at, compute.curve.at_unit, checks)
        places = [point[0] for point in compute.curve.points]
        if places != sorted(set(places)):
            yield at(source, (*place, "curve", "points"), "the points of a curve rise from one to the next; put them in order")


def _input(source: Source, place: tuple[str | int, ...], text: str, unit: str, checks: dict[str, Check]) -> Iterator[Remark]:
    """One input: a constant of the right kind, or a measurement of the right kind."""
    fixed = constant(text)
    if fixed is None and text not in checks:
        yield at(source, place, known_or_near(text, checks, "measurement") or "")
        return
    measure = checks[text].measure if fixed is None else None
    own = fixed[1] if fixed else measure.unit if measure else ""
    if unit and own != unit and not same_dimension(own, unit):
        yield at(source, place, f'"{text}" is in {own}; this takes a figure that can be given in {unit}')


def instruments(source: Source) -> Iterator[Remark]:
    for number, tool in enumerate(source.procedure.tools):
        if (tool.most is not None or tool.uncertainty is not None or tool.least is not None) and tool.unit not in PINT_UNITS:
            yield at(source, ("tools", number), f'the figures of "{tool.id}" have no unit that is known; write unit')
    for where, step in steps_of(source):
        for number, check in enumerate(step.checks):
            tool = source.procedure.tool(check.measure.instrument or "") if check.measure else None
            if tool is None or check.measure is None:
                continue
            place = (*where, "checks", number, "measure", "instrument")
            if tool.uncertainty is None:
                yield at(source, place, f'the tool "{tool.id}" has no uncertainty; add it, or leave instrument out', "warning")
            elif not same_dimension(tool.unit, check.measure.unit):
                yield at(source, place, f'the tool "{tool.id}" reads {tool.unit}, which is not what is measured here ({check.measure.unit}); name another tool')
