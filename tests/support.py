"""What many tests share: the shipped procedures, and a typed bench without sound."""

from pathlib import Path

from assistant.engine.decide import decide, start
from assistant.engine.events import Event, JobStarted, PhraseHeard
from assistant.engine.expect import expected
from assistant.engine.intents import Intent
from assistant.engine.state import State, evolve
from assistant.language.pack import load_pack
from assistant.language.vocabulary import Vocabulary
from assistant.language.wording import sentence
from assistant.procedure.plan import Plan, make_plan
from assistant.procedure.reader import parse_procedure, read_procedure

ROOT = Path(__file__).resolve().parent.parent
PUMP = make_plan(read_procedure(ROOT / "procedures" / "diaphragm-pump-one-inch.yaml").procedure)
FLANGE = make_plan(read_procedure(ROOT / "procedures" / "bolted-flange.yaml").procedure)
EN = load_pack("en")


def plan_of(text: str) -> Plan:
    """A plan from YAML text."""
    return make_plan(parse_procedure(text.encode(), Path("test.yaml")).procedure)


class Dialogue:
    """A job at which phrases are typed: keeps events, state and what was said."""

    def __init__(self, plan: Plan, detail: str = "plain"):
        self.plan, self.state, self.now_s = plan, State(), 1_000_000.0
        self.events: list[Event] = []
        self.said: list[str] = []
        self._vocabulary = Vocabulary(EN)
        self._take(start(plan, JobStarted("test-01", plan.procedure.procedure, "t", "1", "0" * 64, "P1", "Kim", detail)))

    def say(self, *phrases: str) -> str:
        """Say phrases; returns what the last was answered with."""
        for text in phrases:
            wanted = expected(self.plan, self.state)
            intent = self._vocabulary.grammar(wanted).match(text)
            if intent is None and wanted.words:
                intent = Intent("words", text=text, source="typed")
            self._record(PhraseHeard(text, intent is None, 1.0, "typed", intent.kind if intent else ""))
            self._take(decide(self.plan, self.state, intent or Intent("unheard"), self.now_s))
        return " ".join(self.said)

    def wait(self, seconds: float) -> str:
        self.now_s += seconds
        self._take(decide(self.plan, self.state, Intent("tick"), self.now_s))
        return " ".join(self.said)

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events if event.kind not in ("heard", "asked", "step_entered")]

    def last(self, kind: type[Event]) -> Event:
        return next(event for event in reversed(self.events) if isinstance(event, kind))

    def _take(self, decision) -> None:
        for event in decision.events:
            self._record(event)
        self.said = [sentence(prompt, EN) for prompt in decision.prompts]

    def _record(self, event: Event) -> None:
        self.events.append(event)
        self.state = evolve(self.state, event)


