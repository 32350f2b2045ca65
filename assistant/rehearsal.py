"""A synthetic technician: speaks a whole job aloud with its own voice, so that the real chain can be tried without a person.

It reads the state of the dialogue as a person hears the prompts, says what its plan holds for that step, listens to the read-back and
says no where it is wrong. It never tells the engine anything but by sound.
"""

import subprocess
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from assistant.engine import events as e
from assistant.engine.counts import moves_of
from assistant.engine.missing import missing
from assistant.engine.state import State
from assistant.errors import GlovesideError
from assistant.language.grammar import Grammar
from assistant.language.numbers import number_words
from assistant.language.pack import Pack
from assistant.language.wording import spelled_out
from assistant.procedure.plan import Plan
from assistant.record.clock import SimulatedClock
from assistant.speech.listen import MicrophoneListener
from assistant.speech.recognise import Heard, Recogniser
from assistant.speech.sound import read_sound

PACES = (1.0, 1.15, 1.3, 0.95, 1.05)
"""Stretch of the speech on the first, second ... try."""
TRIES = 8
"""A phrase not understood so often ends the rehearsal: a person would walk away, too."""


@dataclass
class Voice:
    """Flite, from Debian: a different voice from the assistant's, made ahead of time in the background."""

    name: str = "rms"
    _made: dict[tuple[str, float], "Future[Path]"] = field(default_factory=dict)
    _workers: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))
    _folder: "tempfile.TemporaryDirectory[str]" = field(default_factory=lambda: tempfile.TemporaryDirectory(prefix="gloveside-voice-"))

    def prepare(self, words: str, stretch: float = 1.0) -> "Future[Path]":
        key = (words, stretch)
        if key not in self._made:
            self._made[key] = self._workers.submit(self._speak, words, stretch, len(self._made))
        return self._made[key]

    def path(self, words: str, stretch: float = 1.0) -> Path:
        """A WAV file of the words. Raises GlovesideError where flite is missing."""
        return self.prepare(words, stretch).result()

    def _speak(self, words: str, stretch: float, number: int) -> Path:
        path = Path(self._folder.name) / f"{number:04d}.wav"
        try:
            subprocess.run(["flite", "-voice", self.name, "--setf", f"duration_stretch={stretch}", "-t", words, "-o", str(path)], check=True, capture_output=True, timeout=60)
        except FileNotFoundError:
            raise GlovesideError("The synthetic technician has no voice; install Debian's package flite.") from None
        return path

    def close(self) -> None:
        self._workers.shutdown(wait=True, cancel_futures=True)
        self._folder.cleanup()


class Technician:
    """Decides what to say next from what it was asked."""

    def __init__(self, script: dict[str, Any], plan: Plan, pack: Pack):
        self.asset, self.name = str(script["asset"]), str(script["technician"])
        self._steps: dict[str, dict[str, Any]] = script.get("steps") or {}
        self._plan, self._pack = plan, pack
        self._used: dict[tuple[str, str], int] = {}
        self._findings: dict[str, int] = {}
        self._asides: set[str] = set()
        self._misheard = False
        self._attempts: dict[tuple[str, str, int], int] = {}
        self._state = State()
        self.slower = 0
        """How often what is said now has been denied already."""

    def phrases(self) -> list[str]:
        """Everything in the script, so that a voice can be made ahead."""
        general = [phrases[0] for name, phrases in self._pack.commands.items() if name != "stage"]
        found = [*general, self._pack.confirm["yes"][0], self._pack.confirm["no"][0]]
        for lines in self._steps.values():
            for answer in (lines.get("answers") or {}).values():
                found += answer if isinstance(answer, list) else [answer]
            for values in ([*(lines.get("measured") or {}).values()] + ([lines["torque"]] if "torque" in lines else [])):
                found += [value["say"] for value in _listed(values)]
        return list(dict.fromkeys(found))

    def words(self, state: State) -> str | None:
        """What to say now; None to wait for a timer."""
        question, self.slower, self._state = state.question, 0, state
        if question is not None:
            return self._reply(question)
        if not state.begun:
            return self._command("begin")
        key = state.step
        lines = self._steps.get(key, {})
        if (undo := self._wrong_answer()) is not None:
            return undo
        if "skip" in lines and key not in state.skipped:
            return self._command("skip")
        if key not in self._asides:
            self._asides.add(key)
            if lines.get("aside"):
                return self._command(lines["aside"])
        if self._findings.get(key, 0) < len(lines.get("findings") or ()):
            return self._command("finding")
        needs = missing(self._plan, state)
        if needs and needs[0].what == "timer":
            countdown = state.timers.get(key)
            return None if countdown and countdown.started_s is not None else self._command("timer_start")
        if needs and needs[0].what == "pass":
            return self._command("pass_done")
        if len(state.settled & self._plan.position.keys()) == len(self._plan.steps):
            return self._command("finish")
        return self._command("next")

    def _wrong_answer(self) -> str | None:
        """A misheard answer is changed at once, as a person does who hears it said back."""
        return self._command("correct") if self._misheard else None

    def took(self, before: State, after: State) -> None:
        """Notice what came into the record, and go on to the next line of the script for it."""
        if after.last_entry is None or after.last_entry == before.last_entry:
            return
        entry = after.last_entry[1]
        if isinstance(entry, e.FindingRecorded):
            self._findings[entry.step] = self._findings.get(entry.step, 0) + 1
            return
        if isinstance(entry, e.AnswerRecorded):
            self._misheard = self._current(entry.step, entry.item, "answers") != entry.said
            if self._misheard:
                return
        # A question asked again, after a repair, is answered from the next line of the script.
        self._used[entry.step, entry.item] = self._used.get((entry.step, entry.item), 0) + 1

    def _command(self, name: str) -> str:
        return self._pack.commands[name][0]

    def _reply(self, question: e.Question) -> str:
        lines = self._steps.get(question.step, {})
        match question.about:
            case "caution":
                return self._command("understood")
            case "answer":
                answer = self._current(question.step, question.item, "answers")
                if answer is None:
                    raise GlovesideError(f"The technician's script has no answer for {question.step}, {question.item}; add it under answers.")
                return str(answer)
            case "spelled":
                letters = str(self._current(question.step, question.item, "answers"))
                return spelled_out(letters, self._pack)
            case "confirm_spelled":
                same = question.remark == str(self._current(question.step, question.item, "answers"))
                return self._pack.confirm["yes" if same else "no"][0]
            case "value":
                return self._worded(question.step, question.item)
            case "confirm_value":
                wanted = self._value(question.step, question.item)
                same = question.value == Decimal(str(wanted["value"])) and question.unit == wanted["unit"]
                return self._pack.confirm["yes" if same else "no"][0]
            case "count":
                move = moves_of(self._plan.by_key[question.step])[question.item]
                fastener = self._plan.procedure.fastener(move.fastener)
                return f"{number_words(move.count, self._pack)} {fastener.called(move.count) if fastener else move.fastener}"
            case "quiz":
                quiz = self._plan.by_key[question.step].step.quiz
                return quiz.right if quiz else self._command("cancel")
            case "out_of_limits":
                return self._pack.group("out_of_limits")[lines.get("out_of_limits", "leave")][0]
            case "part" | "condition" | "disposition":
                return self._slot(question.step, question.about)
            case "remark":
                return str(self._finding(question.step).get("remark") or self._pack.group("no_remarks")["no_remarks"][0])
            case "confirm_finding":
                wanted = self._finding(question.step)
                same = (question.part, question.condition, question.disposition) == (wanted["part"], wanted["condition"], wanted["disposition"])
                same &= (question.remark_source != "none") == bool(wanted.get("remark"))
                return self._pack.confirm["yes" if same else "no"][0]
            case "confirm_finish" | "confirm_stage":
                return self._pack.confirm["yes"][0]
            case "skip_reason":
                return self._pack.group("skip_reasons")[lines["skip"]][0]
            case "confirm_skip":
                return self._pack.confirm["yes" if question.reason == lines["skip"] else "no"][0]
            case "hold":
                return self._command("release")
            case _:
                return self._command("cancel")

    def _worded(self, step: str, item: str) -> str:
        """A value as the script words it; where that was misheard, as a person words it the second and third time."""
        wanted = self._value(step, item)
        turn = (step, item, self._used.get((step, item), 0) * 100 + len(self._state.readings.get((step, item), ())))
        self._attempts[turn] = self._attempts.get(turn, 0) + 1
        self.slower = self._attempts[turn] - 1
        if self._attempts[turn] > 2 * TRIES:
            raise GlovesideError(f'The recogniser did not understand "{wanted["say"]}" in {2 * TRIES} tries; the rehearsal ends here.')
        value, unit = Decimal(str(wanted["value"])), self._pack.units[wanted["unit"]].say
        wordings = (wanted["say"], f"{number_words(value, self._pack)} {unit}", f"{number_words(value, self._pack, 'digits')} {unit}")
        return str(wordings[(self._attempts[turn] - 1) % 3])

    def _slot(self, step: str, slot: str) -> str:
        wanted = str(self._finding(step)[slot])
        if slot == "part":
            return wanted
        return self._pack.group(f"{slot}s")[wanted][0]

    def _finding(self, step: str) -> dict[str, Any]:
        findings = self._steps.get(step, {}).get("findings") or []
        number = self._findings.get(step, 0)
        # One asked for by mishearing is answered too, then denied at its read-back.
        return findings[min(number, len(findings) - 1)] if findings else {"part": "", "condition": "sound", "disposition": "reuse"}

    def _current(self, step: str, item: str, group: str) -> Any:
        lines = (self._steps.get(step, {}).get(group) or {}).get(item)
        if lines is None:
            return None
        options = _listed(lines)
        return options[min(self._used.get((step, item), 0), len(options) - 1)]

    def _value(self, step: str, item: str) -> dict[str, Any]:
        lines = self._steps.get(step, {})
        values = lines.get("torque") if item == "torque" else (lines.get("measured") or {}).get(item)
        if values is None:
            raise GlovesideError(f"The technician's script has no value for {step}, {item}; add it under measured.")
        options = _listed(values)
        check = next((check for check in self._plan.by_key[step].step.checks if check.id == item), None)
        each = check.measure.readings if check and check.measure else 1
        turn = self._used.get((step, item), 0) * each + len(self._state.readings.get((step, item), ()))
        return options[min(turn, len(options) - 1)]


def differences(script: dict[str, Any], record: dict[str, Any], pack: Pack) -> list[str]:
    """Every way in which a service record differs from what the script says; empty where they agree field by field."""
    wanted, found = _wanted(script, pack), _found(record)
    return [f"said but not recorded: {item}" for item in _without(wanted, found)] + [f"recorded but not said: {item}" for item in _without(found, wanted)]


def _without(first: list[tuple[Any, ...]], second: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    rest = list(second)
    return [item for item in first if not (item in rest and (rest.remove(item) or True))]


def _wanted(script: dict[str, Any], pack: Pack) -> list[tuple[Any, ...]]:
    rows: list[tuple[Any, ...]] = []
    for key, lines in script["steps"].items():
        for item, answers in (lines.get("answers") or {}).items():
            rows += [("answer", key, item, answer) for answer in _listed(answers)]
        values = dict(lines.get("measured") or {}) | ({"torque": lines["torque"]} if "torque" in lines else {})
        for item, options in values.items():
            rows += [("value", key, item, float(option["value"]), option["unit"]) for option in _listed(options)]
        for finding in lines.get("findings") or ():
            condition, disposition = (pack.group(f"{slot}s")[finding[slot]][0] for slot in ("condition", "disposition"))
            rows.append(("finding", key, finding["part"], condition, disposition, bool(finding.get("remark"))))
        if "skip" in lines:
            rows.append(("skip", key, pack.group("skip_reasons")[lines["skip"]][0]))
    return rows


def _found(record: dict[str, Any]) -> list[tuple[Any, ...]]:
    rows: list[tuple[Any, ...]] = []
    for step in record["steps"]:
        rows += [("answer", step["key"], answer["check"], answer["said"]) for answer in step["answers"] if not answer["corrected_by"]]
        rows += [("value", step["key"], value["check"], one, value["unit"]) for value in step["values"] if not value["corrected_by"] for one in value["readings"] or [value["value"]]]
    rows += [("finding", finding["step"], finding["part"], finding["condition"], finding["disposition"], finding["remark_source"] != "none") for finding in record["findings"] if not finding["corrected_by"]]
    return rows + [("skip", skip["step"], skip["reason"]) for skip in record["skipped"]]


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


def read_script(path: Path) -> dict[str, Any]:
    """The script of a synthetic technician. Raises GlovesideError."""
    try:
        script = yaml.load(path.read_bytes(), Loader=yaml.CSafeLoader)
    except (OSError, yaml.YAMLError) as error:
        raise GlovesideError(f"The technician's script {path} cannot be read ({error}); check the file.") from None
    if not isinstance(script, dict) or not {"asset", "technician", "steps"} <= script.keys():
        raise GlovesideError(f"The technician's script {path} needs asset, technician and steps; add them.")
    return script


class RehearsalListener:
    """Gives the technician's speech to the recogniser, straight or through a loudspeaker and a microphone."""

    def __init__(self, technician: Technician, voice: Voice, recogniser: Recogniser, clock: SimulatedClock, state: Callable[[], State], microphone: MicrophoneListener | None = None, play: Callable[[Path], None] | None = None):
        self._technician, self._voice, self._recogniser, self._clock = technician, voice, recogniser, clock
        self._state, self._microphone, self._play = state, microphone, play
        self._before: State | None = None
        self._tries = 0
        self._is_deaf = False

    def listen(self, grammar: Grammar, timeout_s: float) -> Heard | None:
        state = self._state()
        if self._before is not None:
            self._technician.took(self._before, state)
            self._tries = self._tries + 1 if state.misses > self._before.misses else 0
        self._before = state
        if self._is_deaf:
            time.sleep(min(timeout_s, 0.05))
            return None
        words = self._technician.words(state)
        if words is None:
            self._wait(state)
            return None
        if self._tries >= TRIES:
            raise GlovesideError(f'The recogniser did not understand "{words}" in {TRIES} tries; the rehearsal ends here.')
        # Said again, a person says it at another pace.
        path = self._voice.path(words, PACES[max(self._tries, self._technician.slower) % len(PACES)])
        if self._microphone and self._play:
            self._play(path)
            return self._microphone.listen(grammar, 4.0)
        return self._recogniser.hear(np.pad(read_sound(path), (3200, 4800)), grammar)

    def _wait(self, state: State) -> None:
        running = [countdown for countdown in state.timers.values() if countdown.started_s is not None and not countdown.done]
        left = max(countdown.started_s + countdown.seconds - self._clock.utc().timestamp() for countdown in running if countdown.started_s is not None)
        self._clock.advance(max(left, 0.0) + 0.1)

    def deaf(self, yes: bool) -> None:
        self._is_deaf = yes
        if self._microphone:
            self._microphone.deaf(yes)

    def notices(self) -> list[str]:
        return self._microphone.notices() if self._microphone else []

    def close(self) -> None:
        if self._microphone:
            self._microphone.close()
        self._voice.close()
