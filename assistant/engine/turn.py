"""One turn of the dialogue being put together: events recorded so far, the state after them, and what to say."""

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from assistant.engine.events import Event, Question
from assistant.engine.state import State, evolve
from assistant.procedure.plan import Plan, PlannedStep


@dataclass(frozen=True)
class Amount:
    """A value with its unit, to be put into words."""

    value: Decimal
    unit: str


@dataclass(frozen=True)
class Prompt:
    """Something to say: the key of a sentence in the language pack, and what goes into it."""

    key: str
    args: dict[str, Any] = field(default_factory=dict)
    """Texts, whole numbers, Amounts, or tuples of texts to be listed. A text in "#group:key" form is looked up in the pack."""


@dataclass(frozen=True)
class Decision:
    """What a turn comes to: events to record first, prompts to say after."""

    events: tuple[Event, ...]
    prompts: tuple[Prompt, ...]


class Turn:
    """Collects one decision. The state it holds is the state after the events collected."""

    def __init__(self, plan: Plan, state: State, now_s: float):
        self.plan, self.state, self.now_s = plan, state, now_s
        self._events: list[Event] = []
        self._prompts: list[Prompt] = []

    @property
    def here(self) -> PlannedStep:
        """The step being done."""
        return self.plan.by_key[self.state.step]

    def record(self, event: Event) -> None:
        self._events.append(event)
        self.state = evolve(self.state, event)

    def ask(self, question: Question) -> None:
        """Record a question, unless the very same one is already open."""
        if question != self.state.question:
            self.record(question)

    def say(self, key: str, **args: Any) -> None:
        self._prompts.append(Prompt(key, args))

    def decision(self) -> Decision:
        return Decision(tuple(self._events), tuple(self._prompts))
