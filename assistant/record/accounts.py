"""Accounts of a job for its record: fasteners and parts out and in, kits, time planned and spent, a trainee's learning."""

from collections import Counter
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from assistant.engine import events as e
from assistant.engine.counts import moves_of
from assistant.figures.durations import JobTime, PlannedTime, Span, Visit, job_time
from assistant.figures.ledger import FastenerMove, Fitted, KitUse, fastener_ledger, kit_ledger, parts_ledger
from assistant.figures.thread import FigureError
from assistant.procedure.plan import Plan, PlannedStep, stage_title
from assistant.record.clock_moves import steady_times
from assistant.record.journal import Event

Events = Sequence[tuple[Event, e.Event]]


def done_steps(plan: Plan, events: Events) -> list[tuple[PlannedStep, int]]:
    """Every step done, with how often: an extra step may be done more than once at one place."""
    times = Counter(event.step for _, event in events if isinstance(event, e.StepCompleted))
    return [(planned, times[planned.key] if planned.step.on_demand else 1) for planned in plan.steps + plan.on_demand if times[planned.key]]


def fasteners(plan: Plan, events: Events) -> list[dict[str, Any]]:
    """Out, in and still out, for each fastener at each place it is kept."""
    counted = {(event.step, event.item) for _, event in events if isinstance(event, e.CountRecorded) and event.verdict == "agrees"}
    moves = []
    for planned, times in done_steps(plan, events):
        for item, move in moves_of(planned).items():
            way = "out" if item.startswith("out:") else "in"
            place = _kept(plan, move.fastener)
            moves.append(FastenerMove(way, move.fastener, move.count * times, place, (planned.key, item) in counted))
    rows = []
    for line in fastener_ledger(moves).by_place:
        known = plan.procedure.fastener(line.fastener)
        rows.append(
            {
                "fastener": known.name if known else line.fastener, "thread": known.thread if known else "", "length_mm": float(known.length_mm) if known and known.length_mm is not None else None, "kept": line.place,
                "out": line.out, "in": line.back_in, "still_out": line.still_out, "counted_out": line.counted_out, "counted_in": line.counted_in,
            }  # fmt: skip
        )
    return rows


def _kept(plan: Plan, fastener: str) -> str:
    known = plan.procedure.fastener(fastener)
    return known.kept if known else ""


def parts(plan: Plan, events: Events, findings: Sequence[e.FindingRecorded]) -> list[dict[str, Any]]:
    """Parts fitted: new ones with their kit, old ones with the finding that let them go back."""
    good = {finding.part: f"{finding.condition}, {finding.disposition}" for finding in findings if finding.disposition in ("reuse", "repair")}
    done = done_steps(plan, events)
    # What an extra step changed for new goes in later with the old ones: it is not fitted twice.
    swapped = Counter({move.part: 0 for planned, _ in done for move in planned.step.parts_in})
    for planned, times in done:
        if planned.step.on_demand:
            swapped.update({move.part: move.count * times for move in planned.step.parts_in if move.source})
    fitted = []
    for planned, times in done:
        for move in planned.step.parts_in:
            name, count = _part(plan, move.part), move.count * times
            if not move.source:
                new = min(swapped[move.part], count)
                swapped[move.part] -= new
                count -= new
            kit = plan.procedure.kit(move.source) if move.source else None
            if count:
                fitted.append(Fitted(name, count, planned.instance or stage_title(planned), kit.name if kit else "", "" if kit else good.get(name, "")))
    ledger = parts_ledger(fitted)
    return [
        {"part": line.part, "count": line.count, "from": line.source or "the same machine", "finding": line.finding or None, "places": list(line.places)}
        for line in (*ledger.replaced, *ledger.reused, *ledger.reused_unseen)
    ]


def kits(plan: Plan, events: Events) -> list[dict[str, Any]]:
    """What each kit held, what was used, what is left or was taken beyond it."""
    contents = {kit.id: {item.part: item.count for item in kit.contents} for kit in plan.procedure.kits}
    uses = [KitUse(move.source, move.part, move.count * times) for planned, times in done_steps(plan, events) for move in planned.step.parts_in if move.source]
    rows = []
    for line in kit_ledger(contents, uses):
        kit = plan.procedure.kit(line.kit)
        rows.append({"kit": kit.name if kit else line.kit, "part": _part(plan, line.part), "held": line.held, "used": line.used, "left": line.left, "over": line.over})
    return rows


def _part(plan: Plan, part: str) -> str:
    known = plan.procedure.part(part)
    return known.name if known else part


def times(plan: Plan, events: Events) -> JobTime | None:
    """Planned and spent; None where a clock that was set back makes the times contradict each other."""
    visits: list[Visit] = []
    pauses: list[Span] = []
    timers: list[Span] = []
    running: dict[str, datetime] = {}
    current: tuple[str, datetime] | None = None
    # By the seconds the program ran: a clock that is set must not make a step longer or shorter.
    steady = steady_times(events)
    for item, event in events:
        at = steady[item.seq]
        if isinstance(event, e.StepEntered):
            if current:
                visits.append(Visit(*current, at))
            current = (event.step, at)
        elif current and isinstance(event, (e.StepCompleted, e.StepSkipped, e.JobFinished)):
            visits.append(Visit(*current, at))
            current = None
        if isinstance(event, e.Paused):
            pauses.append(Span(at, None))
        elif isinstance(event, e.Resumed) and pauses:
            pauses[-1] = Span(pauses[-1].start, at)
        elif isinstance(event, e.TimerStarted):
            running[event.step] = at
        elif isinstance(event, (e.TimerDone, e.TimerStopped)) and event.step in running:
            timers.append(Span(running.pop(event.step), at))
    closed = next((item for item, event in events if isinstance(event, e.JobFinished)), events[-1][0])
    started, ended = steady[events[0][0].seq], steady[closed.seq]
    if current:
        visits.append(Visit(*current, ended))
    timers += [Span(at, None) for at in running.values()]
    planned = [
        PlannedTime(item.key, stage_title(item), timedelta(minutes=float(item.step.planned_minutes)) if item.step.planned_minutes is not None else None)
        for item in plan.steps + plan.on_demand
    ]
    try:
        return job_time(started, ended, planned, visits, pauses, timers)
    except FigureError:
        return None


def time_rows(spent: JobTime | None) -> dict[str, Any]:
    """The same for the record: minutes."""
    if spent is None:
        return {"labour_hours": None, "waiting_minutes": None, "paused_minutes": None, "stages": []}
    return {
        "labour_hours": round(spent.labour_hours, 2),
        "waiting_minutes": _minutes(spent.total.waiting),
        "paused_minutes": _minutes(spent.total.paused),
        "stages": [
            {"stage": row.stage, "planned_minutes": _minutes(row.planned), "minutes": _minutes(row.spent.labour), "waiting_minutes": _minutes(row.spent.waiting), "over_minutes": _minutes(row.over)}
            for row in spent.stages
            if row.spent.elapsed or row.planned
        ],
    }


SLOW = 1.5
"""Times the planned time, or the mean of earlier jobs, from which a step counts as slow. Common practice, no source."""


def training(plan: Plan, events: Events, spent: JobTime | None, earlier: Sequence[dict[str, float]] = ()) -> dict[str, Any]:
    """What a trainee missed, asked again for, or was slow at; `earlier`: minutes by step of earlier jobs."""
    repeats: Counter[str] = Counter()
    misses: Counter[str] = Counter()
    step = ""
    for _, event in events:
        if isinstance(event, e.StepEntered):
            step = event.step
        elif isinstance(event, e.PhraseHeard) and step:
            repeats[step] += event.intent == "repeat"
            misses[step] += event.rejected
    quizzes = [{"step": event.step, "asked": event.asked, "said": event.said, "right": event.right} for _, event in events if isinstance(event, e.QuizAnswered)]
    return {
        "questions": quizzes,
        "right": sum(quiz["right"] for quiz in quizzes),
        "said_again": _named(plan, repeats),
        "not_understood": _named(plan, misses),
        "slow": _slow(plan, spent, earlier),
    }


def _named(plan: Plan, counts: Counter[str]) -> list[dict[str, Any]]:
    return [{"step": key, "instruction": plan.by_key[key].text(plan.by_key[key].step.instruction), "times": times} for key, times in counts.items() if times]


def _slow(plan: Plan, spent: JobTime | None, earlier: Sequence[dict[str, float]]) -> list[dict[str, Any]]:
    rows = []
    for row in spent.steps if spent else ():
        taken = row.spent.hands_on / timedelta(minutes=1)
        before = [job[row.step] for job in earlier if row.step in job]
        usual = sum(before) / len(before) if before else None
        planned = _minutes(row.planned)
        against = usual if usual is not None else planned
        if against and taken > SLOW * against:
            instruction = plan.by_key[row.step].text(plan.by_key[row.step].step.instruction)
            rows.append({"step": row.step, "instruction": instruction, "minutes": round(taken, 1), "planned_minutes": planned, "earlier_minutes": None if usual is None else round(usual, 1)})
    return rows


def step_minutes(spent: JobTime | None) -> dict[str, float]:
    """Hands-on minutes by step, for comparison with later jobs."""
    return {row.step: row.spent.hands_on / timedelta(minutes=1) for row in spent.steps if row.visits} if spent else {}


def _minutes(length: timedelta | None) -> float | None:
    return None if length is None else round(length / timedelta(minutes=1), 1)
