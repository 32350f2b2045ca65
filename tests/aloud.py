"""A bench that is spoken to without a microphone: phrases come with sound of their own, and what it says is kept as text."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from assistant.bench import Bench
from assistant.engine.events import JobStarted
from assistant.procedure.plan import Plan
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.record.kept import PROCEDURE_COPY
from assistant.speech.listen import EndOfInput
from assistant.speech.recognise import RATE, Heard
from assistant.speech.speak import SilentSpeaker
from assistant.speech.transcribe import Transcript
from tests.support import EN

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def sound(text: str) -> np.ndarray:
    """A fifth of a second that is different for every text."""
    return np.random.default_rng(abs(hash(text)) % 2**32).integers(-3000, 3000, RATE // 5).astype(np.int16)


class Aloud:
    """A listener that hears one phrase after another; what is no phrase of the moment is rejected, as a recogniser does. None is silence."""

    def __init__(self, phrases, typed: bool = False):
        self.phrases, self.typed = list(phrases), typed

    def listen(self, grammar, timeout_s):
        if not self.phrases:
            raise EndOfInput
        text = self.phrases.pop(0)
        if text is None:
            return None
        if self.typed:
            return Heard(text, 1.0, False, 0.0, 0.0, "typed", None)
        known = grammar.match(text) is not None
        return Heard(text if known else "", 0.9, not known, 0.2, 0.0, "vosk", sound(text))

    def deaf(self, yes): ...

    def notices(self):
        return []

    def close(self): ...


class Shown:
    """A display that keeps what was said."""

    def __init__(self):
        self.lines: list[str] = []

    def said(self, text):
        self.lines.append(text)

    def heard(self, heard):
        self.lines.append(f"> {heard.text}")

    def recorded(self, event): ...

    def stands(self, plan, state, now_s): ...


class Writes:
    """A transcriber that knows what was said: `words` maps a spoken text to what it writes down; nothing where it is not in there."""

    def __init__(self, words: dict[str, str]):
        self.words = {sound(spoken).tobytes(): written for spoken, written in words.items()}
        self.done: list[Transcript] = []

    def take(self, entry, samples):
        if (text := self.words.get(samples.tobytes())) is not None:
            self.done.append(Transcript(entry, text, "whisper", "tiny.en", 0.8))

    def ready(self):
        done, self.done = self.done, []
        return done

    def finish(self, timeout_s):
        return self.ready()


def bench_at(folder: Path, plan: Plan, source: str, phrases, typed: bool = False, transcriber=None, clock=None) -> Bench:
    """A bench with a new journal in a folder; not begun yet."""
    clock = clock or SimulatedClock(START)
    journal = Journal.create(folder, clock) if not (folder / "journal.sqlite").exists() else Journal.open(folder, clock)
    (folder / PROCEDURE_COPY).write_text(source)
    return Bench(plan, EN, journal, Aloud(phrases, typed), SilentSpeaker(), Shown(), clock, transcriber)


def started(bench: Bench, technician: str = "Kim") -> JobStarted:
    procedure = bench.plan.procedure
    return JobStarted(bench.journal.directory.name, procedure.procedure, procedure.title, procedure.revision, "0" * 64, "P1", technician, "plain")
