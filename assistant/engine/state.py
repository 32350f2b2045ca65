"""Where a job stands: a fold over its events. The same fold serves a running job, a resumed one and a replay."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import singledispatch
from types import MappingProxyType

from assistant.engine import events as e

Frozen = MappingProxyType
_EMPTY: Mapping = MappingProxyType({})


@dataclass(frozen=True)
class Recorded:
    """The entry that stands for one item of a step, newest first in force."""

    sequence: int
    again: bool
    """True where its answer sent the job elsewhere: the item is to be done again after that."""
    value: Decimal | None = None
    """Of a measurement."""
    unit: str = ""


@dataclass(frozen=True)
class Countdown:
    """A timer of a step."""

    started_s: float | None
    """Clock time of its start; None once stopped early."""
    seconds: int
    done: bool = False
    called_s: int = 0
    """Seconds that were left when it was last called out; 0 before that."""


@dataclass(frozen=True)
class Training:
    """What a trainee was asked and asked for."""

    right: int = 0
    wrong: int = 0
    repeats: int = 0
    misses: int = 0


@dataclass(frozen=True)
class State:
    """Everything `decide` needs to know; never changed, only replaced."""

    sequence: int = 0
    """Events so far: the newest event's number in the journal."""
    begun: bool = False
    full_detail: bool = False
    step: str = ""
    """Key of the step being done; empty before the first."""
    stage_said: str = ""
    detours: tuple[str, ...] = ()
    """Steps to come back to, innermost last."""
    question: e.Question | None = None
    acknowledged: frozenset[tuple[str, int]] = frozenset()
    recorded: Mapping[tuple[str, str], Recorded] = field(default_factory=lambda: _EMPTY)
    """(step, item) -> the entry in force."""
    last_entry: tuple[int, e.Entry] | None = None
    released: frozenset[str] = frozenset()
    timers: Mapping[str, Countdown] = field(default_factory=lambda: _EMPTY)
    completed: frozenset[str] = frozenset()
    skipped: frozenset[str] = frozenset()
    paused: bool = False
    asleep: bool = False
    """Nothing but the wake phrase is heard."""
    finished: bool = False
    misses: int = 0
    """Phrases not understood in a row."""
    readings: Mapping[tuple[str, str], tuple[e.ReadingTaken, ...]] = field(default_factory=lambda: _EMPTY)
    """Readings taken towards a value that is not recorded yet."""
    passes: Mapping[str, int] = field(default_factory=lambda: _EMPTY)
    """Step -> tightening passes done."""
    bolts: Mapping[str, int] = field(default_factory=lambda: _EMPTY)
    """Step -> bolts called out in the pass under way."""
    computed: Mapping[tuple[str, str], tuple[Decimal, str]] = field(default_factory=lambda: _EMPTY)
    """(step, item) -> (value, unit) last worked out."""
    quizzed: frozenset[str] = frozenset()
    training: Training = Training()

    @property
    def settled(self) -> frozenset[str]:
        """Steps done or skipped."""
        return self.completed | self.skipped


def evolve(state: State, event: e.Event) -> State:
    """The state after one event."""
    return replace(_apply(event, state), sequence=state.sequence + 1)


def fold(events: Iterable[e.Event], state: State | None = None) -> State:
    """The state after many."""
    state = state or State()
    for event in events:
        state = evolve(state, event)
    return state


@singledispatch
def _apply(event: e.Event, state: State) -> State:
    raise TypeError(f"no rule for {type(event).__name__}")


@_apply.register
def _(event: e.Aside, state: State) -> State:
    return state


@_apply.register
def _(event: e.JobStarted, state: State) -> State:
    return replace(state, full_detail=event.detail == "full")


@_apply.register
def _(event: e.JobReopened, state: State) -> State:
    return replace(state, misses=0, stage_said="")


@_apply.register
def _(event: e.PhraseHeard, state: State) -> State:
    training = replace(state.training, misses=state.training.misses + event.rejected, repeats=state.training.repeats + (event.intent == "repeat"))
    return replace(state, misses=state.misses + 1 if event.rejected else 0, training=training)


@_apply.register
def _(event: e.Question, state: State) -> State:
    return replace(state, question=event)


@_apply.register
def _(event: e.QuestionDropped, state: State) -> State:
    return replace(state, question=None, misses=0)


@_apply.register
def _(event: e.StepEntered, state: State) -> State:
    detours = state.detours
    if event.return_to:
        detours += (event.return_to,)
    elif detours and detours[-1] == event.step:
        detours = detours[:-1]
    return replace(state, begun=True, step=event.step, detours=detours, question=None, stage_said=event.step.rpartition("/")[0])


@_apply.register
def _(event: e.CautionAcknowledged, state: State) -> State:
    return replace(state, acknowledged=state.acknowledged | {(event.step, event.number)}, question=None)


@_apply.register
def _(event: e.Entry, state: State) -> State:
    again = getattr(event, "goes_to", None) is not None
    recorded = state.recorded
    if not isinstance(event, e.FindingRecorded):
        recorded = Frozen({**recorded, (event.step, event.item): Recorded(state.sequence + 1, again, getattr(event, "value", None), getattr(event, "unit", ""))})
    readings = state.readings
    if (event.step, event.item) in readings:
        readings = Frozen({key: taken for key, taken in readings.items() if key != (event.step, event.item)})
    return replace(state, recorded=recorded, last_entry=(state.sequence + 1, event), question=None, readings=readings)


@_apply.register
def _(event: e.ReadingTaken, state: State) -> State:
    key = (event.step, event.item)
    return replace(state, readings=Frozen({**state.readings, key: (*state.readings.get(key, ()), event)}), question=None)


@_apply.register
def _(event: e.CountRefused, state: State) -> State:
    return state


@_apply.register
def _(event: e.PassDone, state: State) -> State:
    return replace(state, passes=Frozen({**state.passes, event.step: event.number}), bolts=Frozen({**state.bolts, event.step: 0}))


@_apply.register
def _(event: e.BoltCalled, state: State) -> State:
    return replace(state, bolts=Frozen({**state.bolts, event.step: event.place}))


@_apply.register
def _(event: e.ValueComputed, state: State) -> State:
    return replace(state, computed=Frozen({**state.computed, (event.step, event.item): (event.value, event.unit)}))


@_apply.register
def _(event: e.QuizAnswered, state: State) -> State:
    training = replace(state.training, right=state.training.right + event.right, wrong=state.training.wrong + (not event.right))
    return replace(state, quizzed=state.quizzed | {event.step}, training=training, question=None)


@_apply.register
def _(event: e.TimerCalled, state: State) -> State:
    return replace(state, timers=Frozen({**state.timers, event.step: replace(state.timers[event.step], called_s=event.left_s)}))


@_apply.register
def _(event: e.LeftOpen, state: State) -> State:
    return replace(state, question=None)


@_apply.register
def _(event: e.StepSkipped, state: State) -> State:
    return replace(state, skipped=state.skipped | {event.step}, completed=state.completed - {event.step}, question=None)


@_apply.register
def _(event: e.HoldReleased, state: State) -> State:
    return replace(state, released=state.released | {event.step}, question=None)


@_apply.register
def _(event: e.TimerStarted, state: State) -> State:
    return replace(state, timers=Frozen({**state.timers, event.step: Countdown(event.at_s, event.seconds)}))


@_apply.register
def _(event: e.TimerStopped, state: State) -> State:
    return replace(state, timers=Frozen({**state.timers, event.step: Countdown(None, state.timers[event.step].seconds)}))


@_apply.register
def _(event: e.TimerDone, state: State) -> State:
    return replace(state, timers=Frozen({**state.timers, event.step: replace(state.timers[event.step], done=True)}))


@_apply.register
def _(event: e.StepCompleted, state: State) -> State:
    return replace(state, completed=state.completed | {event.step}, skipped=state.skipped - {event.step}, question=None)


@_apply.register
def _(event: e.Paused, state: State) -> State:
    return replace(state, paused=True, question=None)


@_apply.register
def _(event: e.Resumed, state: State) -> State:
    return replace(state, paused=False)


@_apply.register
def _(event: e.ListeningStopped, state: State) -> State:
    return replace(state, asleep=True)


@_apply.register
def _(event: e.ListeningStarted, state: State) -> State:
    return replace(state, asleep=False, misses=0)


@_apply.register
def _(event: e.JobFinished, state: State) -> State:
    return replace(state, finished=True, question=None)
