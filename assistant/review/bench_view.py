"""What the bench display shows of a running job: a fold of its journal, in words that read from three metres."""

from dataclasses import dataclass
from datetime import datetime

from assistant.display import needed, recorded_line
from assistant.engine import events as e
from assistant.engine.missing import missing, pass_amount, specified_torque
from assistant.engine.state import State, evolve
from assistant.figures.units import digits, unit_symbol
from assistant.procedure.plan import Plan, PlannedStep, stage_title
from assistant.record.journal import Event
from assistant.review.pattern import Pattern, pattern_of

SURE, FAIRLY_SURE = 0.8, 0.5
"""Confidence, 0 to 1, from which a phrase counts as heard surely, or fairly surely. Chosen by trial, no source."""


@dataclass(frozen=True)
class HeardPhrase:
    """The newest phrase."""

    text: str
    percent: int
    """How sure the recogniser was, 0 to 100."""
    words: str
    """The same in words."""


@dataclass(frozen=True)
class TimerView:
    """A timer that runs, or has run out."""

    purpose: str
    left_s: int
    """Seconds left when the view was made; the page counts on."""
    seconds: int
    done: bool


@dataclass(frozen=True)
class TorqueView:
    """What the wrench is to be set to now."""

    amount: str
    unit: str
    label: str
    """Which pass, or the lubrication."""


@dataclass(frozen=True)
class BenchView:
    """One state of the display."""

    job: str
    asset: str
    title: str
    technician: str
    language: str
    status: str
    """running, paused, not listening, closed or not begun."""
    stage: str = ""
    step: int | None = None
    """From 1; None for a step aside from the main order."""
    steps: int = 0
    settled: int = 0
    """Steps done or skipped."""
    instruction: str = ""
    cautions: tuple[tuple[str, str], ...] = ()
    """(signal word, sentence) of the cautions not yet understood."""
    torque: TorqueView | None = None
    pattern: Pattern | None = None
    needed: str = ""
    next: str = ""
    heard: HeardPhrase | None = None
    kept: str = ""
    """What was recorded last."""
    timers: tuple[TimerView, ...] = ()


class Follower:
    """Folds a job's events one by one, and says how the job stands."""

    def __init__(self, plan: Plan, job: str):
        self._plan, self._job = plan, job
        self._state = State()
        self._started: e.JobStarted | None = None
        self._technician = ""
        self._heard: HeardPhrase | None = None
        self._kept = ""
        self._newest: Event | None = None

    @property
    def seen(self) -> int:
        """Number of the newest event taken."""
        return self._newest.seq if self._newest else 0

    def take(self, item: Event) -> None:
        """The next event of the journal."""
        event = e.read_event(item.kind, item.body)
        self._state, self._newest = evolve(self._state, event), item
        if isinstance(event, e.JobStarted):
            self._started, self._technician = event, event.technician
        elif isinstance(event, e.JobReopened):
            self._technician = event.technician or self._technician
        elif isinstance(event, e.PhraseHeard):
            self._heard = heard_phrase(event)
        elif not isinstance(event, (e.StepCompleted, e.StepEntered)) and (line := recorded_line(event)):
            self._kept = line

    def view(self, now_s: float) -> BenchView:
        """How the job stands at a Unix time."""
        plan, state, started = self._plan, self._state, self._started
        base = BenchView(self._job, started.asset if started else "", plan.procedure.title, self._technician, plan.procedure.language, self._status(), steps=len(plan.steps), settled=len(state.settled & plan.position.keys()), heard=self._heard, kept=self._kept)
        if not state.step:
            return base
        here = plan.by_key[state.step]
        position = plan.position.get(here.key)
        waits = "" if state.finished or state.paused else "; ".join(needed(plan, here, need) for need in missing(plan, state))
        return BenchView(
            base.job, base.asset, base.title, base.technician, base.language, base.status, stage_title(here), None if position is None else position + 1, base.steps, base.settled,
            here.text(here.step.instruction), self._cautions(here), self._torque(here), pattern_of(plan, state, here), waits, self._next(here), base.heard, base.kept, self._timers(now_s),
        )  # fmt: skip

    def _status(self) -> str:
        state = self._state
        if state.finished:
            return "closed"
        if state.paused:
            return "paused"
        return "not listening" if state.asleep else "running" if state.begun else "not begun"

    def _cautions(self, here: PlannedStep) -> tuple[tuple[str, str], ...]:
        return tuple((caution.signal, f"{here.text(caution.hazard)} {here.text(caution.avoidance)}") for number, caution in enumerate(here.step.cautions) if (here.key, number) not in self._state.acknowledged)

    def _torque(self, here: PlannedStep) -> TorqueView | None:
        torque, pattern = here.step.torque, pattern_of(self._plan, self._state, here)
        if torque is None:
            return None
        value, unit = specified_torque(self._plan, torque)
        lubrication = f"threads {torque.lubrication}" if torque.lubrication else ""
        due = next((item for item in pattern.passes if item.state == "now"), None) if pattern and len(pattern.passes) > 1 else None
        if due is None or pattern is None:
            return TorqueView(digits(value), unit_symbol(unit), lubrication)
        label = f"pass {due.number} of {len(pattern.passes)}, full torque {digits(value)}" + (f", {lubrication}" if lubrication else "")
        return TorqueView(digits(pass_amount(value, due.percent)), unit_symbol(unit), label)

    def _next(self, here: PlannedStep) -> str:
        if self._state.detours:
            planned = self._plan.by_key[self._state.detours[-1]]
            return planned.text(planned.step.instruction)
        position = self._plan.position.get(here.key)
        if position is None or position + 1 >= len(self._plan.steps):
            return ""
        planned = self._plan.steps[position + 1]
        return planned.text(planned.step.instruction)

    def _timers(self, now_s: float) -> tuple[TimerView, ...]:
        if self._started is not None and self._started.clock != "system" and self._newest is not None:
            now_s = datetime.fromisoformat(self._newest.at_utc).timestamp()  # a demonstration's clock is set on: ours says nothing
        views = []
        for key, countdown in self._state.timers.items():
            if countdown.started_s is None or (countdown.done and key != self._state.step):
                continue
            timer = self._plan.by_key[key].step.timer
            left = 0 if countdown.done else max(0, round(countdown.started_s + countdown.seconds - now_s))
            views.append(TimerView(timer.purpose if timer else "", left, countdown.seconds, countdown.done))
        return tuple(views)


def heard_phrase(event: e.PhraseHeard) -> HeardPhrase:
    """A phrase, and how surely it was heard, in words."""
    percent = round(100 * min(max(event.confidence, 0.0), 1.0))
    if event.rejected:
        return HeardPhrase(event.text, percent, "not understood: say it again")
    if event.engine == "typed":
        return HeardPhrase(event.text, 100, "typed")
    if not event.text:
        return HeardPhrase("(a remark, kept as sound)", percent, "kept as sound")
    return HeardPhrase(event.text, percent, "heard surely" if event.confidence >= SURE else "heard fairly surely" if event.confidence >= FAIRLY_SURE else "heard doubtfully")
