"""Jobs that are ended with SIGKILL at random points, again and again, until they are done; and what must be true after each.

A child process runs the job; it writes a line to a pipe for every prompt that it says, after what the prompt tells of was recorded. The
parent is already loaded with everything, so a child begins at once.
"""

import contextlib
import json
import os
import random
import shutil
import signal
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from assistant.bench import Bench
from assistant.engine import events as e
from assistant.engine.decide import reopen
from assistant.engine.state import State, evolve, fold
from assistant.engine.expect import general_vocabulary
from assistant.figures.units import warm_up
from assistant.language.grammar import Grammar
from assistant.language.vocabulary import Vocabulary
from assistant.language.wording import sentence
from assistant.record.clips import read_clip
from assistant.record.clock import SimulatedClock
from assistant.record.journal import DATABASE, Journal
from assistant.record.kept import PROCEDURE_COPY
from assistant.record.seal import named_clips, seal_job
from assistant.record.verify import verify_job
from assistant.rehearsal import Technician
from assistant.session import new_journal
from assistant.speech.listen import EndOfInput
from assistant.speech.recognise import Heard
from tests.support import EN, FLANGE, ROOT

SOURCE = (ROOT / "procedures" / "bolted-flange.yaml").read_bytes()
SCRIPT: dict[str, Any] = {
    "asset": "F7",
    "technician": "Kim",
    "steps": {
        "make-safe/isolate": {"answers": {"locked": "both locked"}},
        "make-safe/drain": {"measured": {"gauge": {"say": "zero bar", "value": 0, "unit": "bar"}}},
        "open/take-out": {"findings": [{"part": "gasket", "condition": "cut", "disposition": "replace", "remark": "torn on the inner edge"}]},
        "open/faces": {"answers": {"face-state": "faces are clean"}},
        "open/gap": {"measured": {"gap": {"say": "point four millimetres", "value": 0.4, "unit": "mm"}}},
        "close/tighten": {"torque": {"say": "one hundred and thirty eight newton metres", "value": 138, "unit": "N.m"}},
        "prove/pressure": {"answers": {"weep": "joint is dry"}},
    },
}
"""What the technician finds, by the keys of the plan."""


@dataclass
class Kills:
    """What came of it."""

    kills: int = 0
    jobs: int = 0
    """Jobs brought to their end."""
    acknowledged: int = 0
    """Events that had been told when a kill came, over all kills."""
    at: Counter[str] = field(default_factory=Counter)
    """Kind of the last event on the disk -> kills."""
    clips: int = 0
    """Clips looked at after a kill, over all kills."""


class Played:
    """A listener: the technician's words, typed, or as sound that the recogniser is not asked about, or through a recogniser."""

    def __init__(self, technician: Technician, state: Callable[[], State], clock: SimulatedClock, hear: Callable[[str, Grammar], Heard]):
        self._technician, self._state, self._clock, self._hear = technician, state, clock, hear
        self._before: State | None = None

    def listen(self, grammar: Grammar, timeout_s: float) -> Heard | None:
        state = self._state()
        if self._before is not None:
            self._technician.took(self._before, state)
        self._before = state
        words = self._technician.words(state)
        if words is None:
            self._clock.advance(601)
            return None
        return self._hear(words, grammar)

    def deaf(self, yes: bool) -> None: ...

    def notices(self) -> list[str]:
        return []

    def close(self) -> None: ...


class Pipe:
    """A speaker that tells the parent: everything recorded so far, and what is said."""

    def __init__(self, end: int, bench: Callable[[], Bench]):
        self._end, self._bench = end, bench

    def say(self, text: str) -> None:
        state = self._bench().state
        os.write(self._end, (json.dumps([state.sequence, state.step, text]) + "\n").encode())

    def busy(self) -> bool:
        return False

    def wait(self, timeout_s: float) -> bool:
        return True

    def stop(self) -> None: ...

    def notices(self) -> list[str]:
        return []

    def close(self) -> None: ...


class NoDisplay:
    def said(self, text: str) -> None: ...

    def heard(self, heard: Heard) -> None: ...

    def recorded(self, event: e.Event) -> None: ...

    def stands(self, plan: Any, state: State, now_s: float) -> None: ...


def typed(words: str, grammar: Grammar) -> Heard:
    return Heard(words, 1.0, False, 0.0, 0.0, "typed")


def sounding(words: str, grammar: Grammar) -> Heard:
    """As after a recogniser: with sound of its own for each phrase, which is kept where findings and measurements are."""
    sound = np.random.default_rng(len(words)).integers(-2000, 2000, 4000 + 100 * len(words)).astype(np.int16)
    return Heard(words, 1.0, False, len(sound) / 16_000, 0.0, "made", sound)


@contextlib.contextmanager
def spoken(script: dict[str, Any]) -> Iterator[Callable[[str, Grammar], Heard]]:
    """Through sound files, by a synthetic voice, and the embedded recogniser; both are made ready when first asked for."""
    from assistant.rehearsal import Voice
    from assistant.speech.phone_model import PhoneModel
    from assistant.speech.phone_recogniser import PhoneRecogniser
    from assistant.speech.sound import read_sound

    with contextlib.ExitStack() as stack:
        ready: list[Any] = []
        sounds: dict[str, np.ndarray] = {}

        def get_ready() -> None:
            # One thread: others would not come along into the children.
            recogniser = PhoneRecogniser(EN, PhoneModel(threads=1))
            voice = Voice()
            stack.callback(voice.close)
            for words in spoken_words(script):
                sounds[words] = np.pad(read_sound(voice.path(words)), (3200, 4800))
            recogniser.hear(sounds["next step"], Vocabulary(EN).grammar(general_vocabulary()))
            ready.append(recogniser)

        def hear(words: str, grammar: Grammar) -> Heard:
            return ready[0].hear(sounds[words], grammar)

        hear.get_ready = get_ready  # type: ignore[attr-defined]
        yield hear


def spoken_words(script: dict[str, Any]) -> list[str]:
    """Whatever may be said in the job, so that every sound file is made before a child needs it."""
    slots = [phrases[0] for group in ("conditions", "dispositions") for phrases in EN.group(group).values()]
    remarks = [str(finding["remark"]) for lines in script["steps"].values() for finding in lines.get("findings", ())]
    return [*Technician(script, FLANGE, EN).phrases(), "gasket", *slots, *remarks]


def technician_for(events: list[e.Event]) -> Technician:
    """One who remembers what was recorded before a kill, as a person does."""
    one = Technician(SCRIPT, FLANGE, EN)
    before = State()
    for event in events:
        after = evolve(before, event)
        one.took(before, after)
        before = after
    return one


def run_child(directory: Path, end: int, hear: Callable[[str, Grammar], Heard], key: Any) -> None:
    """Begin the job or carry on with it, to its end; in a process of its own."""
    clock = SimulatedClock(datetime.now(UTC))
    new = not (directory / DATABASE).exists()
    journal = new_journal(directory, SOURCE, clock) if new else Journal.open(directory, clock)
    events = [e.read_event(item.kind, item.body) for item in journal.events()]
    box: list[Bench] = []
    listener = Played(technician_for(events), lambda: box[0].state, clock, hear)
    box.append(Bench(FLANGE, EN, journal, listener, Pipe(end, lambda: box[0]), NoDisplay(), clock))
    bench = box[0]
    if not events:
        if not (directory / PROCEDURE_COPY).exists():
            (directory / PROCEDURE_COPY).write_bytes(SOURCE)
        bench.start(e.JobStarted(directory.name, FLANGE.procedure.procedure, FLANGE.procedure.title, FLANGE.procedure.revision, "0" * 64, "F7", "Kim", "plain", "", "simulated"))
    elif not bench.state.finished:
        bench.reopen("Kim")
    try:
        bench.run()
    except EndOfInput:
        pass
    seal_job(directory, key, clock)
    journal.close()
    os.write(end, b"done\n")


def run_until(directory: Path, delay_s: float | None, hear: Callable[[str, Grammar], Heard], key: Any) -> tuple[list[list[Any]], bool]:
    """Run the job in a child, and kill it after a time where one is given; returns (what it told, whether it came to its end first)."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.close(read_end)
            run_child(directory, write_end, hear, key)
            code = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    os.close(write_end)
    with os.fdopen(read_end, "rb") as pipe:
        if delay_s is not None:
            time.sleep(delay_s)
            os.kill(child, signal.SIGKILL)
        told = pipe.read().split(b"\n")[:-1]
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, "the child failed by itself"
    return [json.loads(line) for line in told if line != b"done"], bool(told) and told[-1] == b"done"


def check_after(directory: Path, told: list[list[Any]], before: list[str], count: Kills) -> list[str]:
    """What must be true after a kill. Returns the hashes on the disk. Raises AssertionError."""
    if not (directory / DATABASE).exists():
        assert not told and not before
        return []
    with Journal.open(directory) as journal:
        journal.verify()
        stored = journal.events()
    hashes = [event.hash for event in stored]
    assert hashes[: len(before)] == before, "an event of an earlier run is gone or changed"
    acknowledged = told[-1][0] if told else 0
    assert len(hashes) >= acknowledged, f"{acknowledged} events were told, {len(hashes)} are kept"
    count.acknowledged += acknowledged
    count.at[stored[-1].kind if stored else "nothing"] += 1
    events = [e.read_event(event.kind, event.body) for event in stored]
    # The same fold up to what was told gives the step that was told: resume goes on there, or further on.
    if told:
        assert fold(events[:acknowledged]).step == told[-1][1]
    for clip in named_clips(stored):
        if not any(isinstance(event, e.ClipRemoved) and event.clip == clip for event in events):
            assert len(read_clip(directory, clip)) > 0
            count.clips += 1
    state = fold(events)
    if state.last_entry and not state.finished:
        said = [sentence(prompt, EN) for prompt in reopen(FLANGE, state, "Kim", 0.0).prompts]
        place = FLANGE.by_key[state.last_entry[1].step]
        assert any(place.text(place.step.instruction) in line for line in said) and any(line.startswith("It says: ") for line in said)
    return hashes


def many_kills(folder: Path, kills: int, seed: int, hear: Callable[[str, Grammar], Heard], key: Any) -> Kills:
    """Jobs, each killed at random points until it ends; a fresh one then begins, until there were so many kills. Raises AssertionError."""
    warm_up()  # here, so that no child spends its time on it
    if hasattr(hear, "get_ready"):
        hear.get_ready()
    chance = random.Random(seed)
    count = Kills()
    begun = time.monotonic()
    assert run_until(folder / "whole", None, hear, key)[1]
    whole_s = time.monotonic() - begun
    number = 0
    while count.kills < kills:
        number += 1
        directory = folder / f"job-{number:04d}"
        hashes: list[str] = []
        done = False
        while not done:
            # Mostly short: many kills in one job. Now and then long enough to come to the end.
            told, done = run_until(directory, chance.uniform(0, whole_s * chance.choice((0.1, 0.3, 1.5))), hear, key)
            hashes = check_after(directory, told, hashes, count)
            count.kills += not done
        count.jobs += 1
        verdict = verify_job(directory, key.public_key().public_bytes_raw())
        assert verdict.ok and verdict.known_key and not verdict.unsealed_events, verdict
        # A kill between two acts may have one of them done twice, never not.
        missed = [entry for entry in entries(folder / "whole") if entry not in entries(directory)]
        assert missed == [], missed
        shutil.rmtree(directory)
    return count


def entries(directory: Path) -> list[tuple[Any, ...]]:
    """What a job's entries say, without clips and numbers."""
    with Journal.read(directory) as journal:
        events = [e.read_event(item.kind, item.body) for item in journal.events()]
    found: list[tuple[Any, ...]] = []
    for event in events:
        if isinstance(event, e.ValueRecorded):
            found.append((event.step, event.item, event.value, event.unit))
        elif isinstance(event, e.AnswerRecorded):
            found.append((event.step, event.item, event.said))
        elif isinstance(event, e.FindingRecorded):
            found.append((event.step, event.part, event.condition, event.disposition))
        elif isinstance(event, (e.StepCompleted, e.PassDone)):
            found.append((event.kind, event.step, getattr(event, "number", 0)))
    return found

