"""Where the bolts of a joint stand in a drawing, and how far the tightening has come."""

import math
from dataclasses import dataclass

from assistant.engine.joint import bolt_order
from assistant.engine.missing import all_passes, pass_amount, specified_torque
from assistant.engine.state import State
from assistant.figures.units import digits, unit_symbol
from assistant.procedure.model import Tightening
from assistant.procedure.plan import Plan, PlannedStep

RING = 74.0
"""Radius of the bolt circle, user units: the middle of the drawing is 0, 0."""
CLEAR = 11.0
"""Room round the bolt of the moment, for its second ring, user units."""


@dataclass(frozen=True)
class Bolt:
    """One bolt in the drawing."""

    number: int
    """As it is called out."""
    x: float
    """User units right of the middle."""
    y: float
    """User units below the middle."""
    radius: float
    """User units."""
    place: int
    """When its turn comes in this pass: 1 is first."""
    state: str
    """done, now or waiting, in this pass."""


@dataclass(frozen=True)
class Pass:
    """One round over all the bolts."""

    number: int
    percent: int
    """Of the full torque."""
    amount: str
    """Torque with its unit."""
    state: str
    """done, now or waiting."""


@dataclass(frozen=True)
class Pattern:
    """The joint of a step."""

    kind: str
    """circle, grid or two rows."""
    bolts: tuple[Bolt, ...]
    passes: tuple[Pass, ...]
    words: str
    """The drawing in words, for who cannot see it."""

    @property
    def path(self) -> tuple[Bolt, ...]:
        """The bolts in the order of their turns."""
        return tuple(sorted(self.bolts, key=lambda bolt: bolt.place))


    @property
    def toward(self) -> tuple[float, float, float, float] | None:
        """Ends of an arrow from the bolt of the moment to the one after it, clear of both; None where there are none."""
        path = self.path
        now = next((bolt for bolt in path if bolt.state == "now"), None)
        if now is None or now.place >= len(path):
            return None
        after = path[now.place]
        length = math.dist((now.x, now.y), (after.x, after.y))
        across, down = (after.x - now.x) / length, (after.y - now.y) / length
        start, end = now.radius + CLEAR, length - after.radius - CLEAR / 2
        if end - start < CLEAR:
            return None  # neighbours: the numbers say it
        return round(now.x + across * start, 1), round(now.y + down * start, 1), round(now.x + across * end, 1), round(now.y + down * end, 1)


def pattern_of(plan: Plan, state: State, here: PlannedStep) -> Pattern | None:
    """The joint of a step as it stands; None where the step has no order of bolts."""
    tightening = here.step.tightening
    if tightening is None:
        return None
    percents = all_passes(tightening)
    done = state.passes.get(here.key, 0)
    if len(percents) == 1 and (here.key, "torque") in state.recorded:
        done = 1  # a single pass is not recorded by itself: it is done when its torque is
    order = bolt_order(tightening, min(done + 1, len(percents)))
    called = state.bolts.get(here.key, 0)
    whole = done >= len(percents)
    spots = _spots(tightening)
    radius = min(19.0, 0.36 * min(math.dist(one, other) for index, one in enumerate(spots) for other in spots[:index])) if len(spots) > 1 else 19.0
    bolts = tuple(Bolt(number, *spots[number - 1], radius, place, "done" if whole or place < called else "now" if place == called else "waiting") for place, number in enumerate(order, start=1))
    passes = ()
    if here.step.torque:
        value, unit = specified_torque(plan, here.step.torque)
        passes = tuple(Pass(number, percent, f"{digits(pass_amount(value, percent))} {unit_symbol(unit)}", "done" if number <= done else "now" if number == done + 1 else "waiting") for number, percent in enumerate(percents, start=1))
    return Pattern(_kind(tightening), bolts, passes, _words(bolts, order, done, len(percents)))


def _kind(tightening: Tightening) -> str:
    if tightening.order == "rectangle" and tightening.rows:
        return "grid"
    return "two rows" if tightening.order == "two-rows" else "circle"


def _spots(tightening: Tightening) -> list[tuple[float, float]]:
    """Places of bolts 1 to n, numbered as the assistant numbers them (`assistant.figures.order.NUMBERING`)."""
    count = tightening.count
    kind = _kind(tightening)
    if kind == "grid":
        rows = tightening.rows or 1
        columns = max(count // rows, 1)
        return [(_along(number % columns, columns), _along(number // columns, rows)) for number in range(count)]
    if kind == "two rows":
        each = max(count // 2, 1)
        return [(-48.0 if number < each else 48.0, _along(number % each, each)) for number in range(count)]
    return [(round(RING * math.sin(2 * math.pi * number / count), 2), round(-RING * math.cos(2 * math.pi * number / count), 2)) for number in range(count)]


def _along(index: int, count: int) -> float:
    return 0.0 if count == 1 else round(-RING + 2 * RING * index / (count - 1), 2)


def _words(bolts: tuple[Bolt, ...], order: list[int], done: int, passes: int) -> str:
    if done >= passes:
        return f"{len(bolts)} bolts, all passes done."
    now = next((bolt.number for bolt in bolts if bolt.state == "now"), None)
    tightened = [str(bolt.number) for bolt in sorted(bolts, key=lambda bolt: bolt.place) if bolt.state == "done"]
    words = f"{len(bolts)} bolts, pass {done + 1} of {passes}, in the order {', '.join(map(str, order))}."
    if tightened:
        words += f" Done: {', '.join(tightened)}."
    return words + (f" Now: bolt {now}." if now else "")
