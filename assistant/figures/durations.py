"""Time spent on a job: planned against actual by step and stage, waiting, and labour hours. Exact: every time is a timedelta."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from assistant.figures.thread import FigureError

NOTHING = timedelta(0)
_Stretch = tuple[datetime, datetime]


@dataclass(frozen=True)
class Span:
    """A stretch of time: a pause, or a timer that ran."""

    start: datetime
    """When it began."""
    end: datetime | None
    """When it ended; None while it lasts, up to the end of the job."""


@dataclass(frozen=True)
class Visit:
    """One stay at a step."""

    step: str
    """Key of the step."""
    start: datetime
    """When it was entered."""
    end: datetime
    """When it was left."""


@dataclass(frozen=True)
class PlannedTime:
    """A step of the procedure with its planned time."""

    step: str
    """Key of the step."""
    stage: str
    """Title of its stage."""
    planned: timedelta | None = None
    """Working time it should take; None where the procedure names none."""


@dataclass(frozen=True)
class Spent:
    """Time spent. elapsed = paused + labour; waiting is the part of labour during which a timer ran."""

    elapsed: timedelta
    """By the clock."""
    paused: timedelta
    """With the job paused."""
    waiting: timedelta
    """With a timer running and the job not paused."""

    @property
    def labour(self) -> timedelta:
        """Elapsed less pauses."""
        return self.elapsed - self.paused

    @property
    def hands_on(self) -> timedelta:
        """Labour less waiting for timers."""
        return self.labour - self.waiting

    @property
    def waited(self) -> timedelta:
        """Pauses and timers together: the time in which the job did not move."""
        return self.paused + self.waiting


@dataclass(frozen=True)
class StepTime:
    """One step, planned and actual, over all visits."""

    step: str
    """Key of the step."""
    stage: str
    """Title of its stage."""
    planned: timedelta | None
    """None where the procedure names none."""
    spent: Spent
    """What it took; nothing for a step not visited."""
    visits: int
    """How often it was entered."""

    @property
    def over(self) -> timedelta | None:
        """Labour less planned: above nothing it took longer. None without a plan."""
        return None if self.planned is None else self.spent.labour - self.planned


@dataclass(frozen=True)
class StageTime:
    """All steps of one stage."""

    stage: str
    """Its title."""
    planned: timedelta | None
    """Sum over the steps with a plan; None where no step has one."""
    labour_with_a_plan: timedelta
    """Labour at the steps with a plan: only that compares with `planned`."""
    spent: Spent
    """Sum over its steps."""

    @property
    def over(self) -> timedelta | None:
        """Labour with a plan less planned; None without a plan."""
        return None if self.planned is None else self.labour_with_a_plan - self.planned


@dataclass(frozen=True)
class JobTime:
    """A whole job. Steps and `between` add up to `total`, and stages to the sum of their steps: exactly."""

    steps: tuple[StepTime, ...]
    """In the order of the plan."""
    stages: tuple[StageTime, ...]
    """In the order of the plan."""
    between: Spent
    """At no step: before the first, between two, after the last."""
    total: Spent
    """From the start of the job to its end."""

    @property
    def labour_hours(self) -> float:
        """Elapsed less pauses, hours."""
        return self.total.labour / timedelta(hours=1)


def job_time(
    started: datetime,
    finished: datetime,
    plan: Sequence[PlannedTime],
    visits: Iterable[Visit],
    pauses: Iterable[Span] = (),
    timers: Iterable[Span] = (),
) -> JobTime:
    """Share the time from `started` to `finished` out to steps, stages, pauses and timers.

    Pauses and timers may overlap and may reach beyond the job: overlap counts once, what is beyond does not count. All times with a zone,
    or all without. Raises FigureError where the times contradict each other, or a visited step is not in the plan.
    """
    if finished < started:
        raise FigureError(f"The job ends at {finished} before it starts at {started}; check the clock.")
    stays = sorted(visits, key=lambda visit: visit.start)
    _must_fit(started, finished, plan, stays)
    paused = _joined(pauses, started, finished)
    waiting = _without(_joined(timers, started, finished), paused)

    def spent(stretches: Sequence[_Stretch]) -> Spent:
        return Spent(_length(stretches), _length(_common(stretches, paused)), _length(_common(stretches, waiting)))

    by_step: dict[str, list[_Stretch]] = {item.step: [] for item in plan}
    for visit in stays:
        by_step[visit.step].append((visit.start, visit.end))
    steps = tuple(StepTime(item.step, item.stage, item.planned, spent(by_step[item.step]), len(by_step[item.step])) for item in plan)
    total = spent([(started, finished)])
    return JobTime(steps, _stages(steps), _less(total, [step.spent for step in steps]), total)


def _must_fit(started: datetime, finished: datetime, plan: Sequence[PlannedTime], stays: Sequence[Visit]) -> None:
    known = {item.step for item in plan}
    if len(known) != len(plan):
        raise FigureError("A step stands twice in the plan; give each step one planned time.")
    for visit in stays:
        if visit.step not in known:
            raise FigureError(f"The step {visit.step} was visited but is not in the plan; use the plan of this job.")
        if not started <= visit.start <= visit.end <= finished:
            raise FigureError(f"The visit to {visit.step} from {visit.start} to {visit.end} does not lie within the job; check the clock.")
    for visit, following in zip(stays, stays[1:], strict=False):
        if following.start < visit.end:
            raise FigureError(f"The visits to {visit.step} and {following.step} overlap at {following.start}; a job is at one step at a time.")


def _stages(steps: Sequence[StepTime]) -> tuple[StageTime, ...]:
    rows: dict[str, list[StepTime]] = {}
    for step in steps:
        rows.setdefault(step.stage, []).append(step)
    return tuple(
        StageTime(
            stage,
            sum((step.planned for step in within if step.planned is not None), NOTHING) if any(step.planned is not None for step in within) else None,
            sum((step.spent.labour for step in within if step.planned is not None), NOTHING),
            _sum(step.spent for step in within),
        )
        for stage, within in rows.items()
    )


def _sum(rows: Iterable[Spent]) -> Spent:
    elapsed = paused = waiting = NOTHING
    for row in rows:
        elapsed, paused, waiting = elapsed + row.elapsed, paused + row.paused, waiting + row.waiting
    return Spent(elapsed, paused, waiting)


def _less(total: Spent, rows: Iterable[Spent]) -> Spent:
    taken = _sum(rows)
    return Spent(total.elapsed - taken.elapsed, total.paused - taken.paused, total.waiting - taken.waiting)


def _joined(spans: Iterable[Span], low: datetime, high: datetime) -> list[_Stretch]:
    """Cut to the job, sorted, overlaps made one."""
    joined: list[_Stretch] = []
    for span in sorted(spans, key=lambda span: span.start):
        # A stretch that lasts may have begun after the job ended; it is then cut away below.
        end = max(high, span.start) if span.end is None else span.end
        if end < span.start:
            raise FigureError(f"A pause or timer ends at {end} before it starts at {span.start}; check the clock.")
        start, end = max(span.start, low), min(end, high)
        if start >= end:
            continue
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return joined


def _common(first: Sequence[_Stretch], second: Sequence[_Stretch]) -> list[_Stretch]:
    return [(max(a, c), min(b, d)) for a, b in first for c, d in second if max(a, c) < min(b, d)]


def _without(stretches: Sequence[_Stretch], taken: Sequence[_Stretch]) -> list[_Stretch]:
    """What is left of `stretches` outside `taken`, both sorted and without overlap."""
    left: list[_Stretch] = []
    for start, end in stretches:
        for low, high in _common([(start, end)], taken):
            if start < low:
                left.append((start, low))
            start = high
        if start < end:
            left.append((start, end))
    return left


def _length(stretches: Iterable[_Stretch]) -> timedelta:
    return sum((end - start for start, end in stretches), NOTHING)
