"""The bench: one loop from phrase to event to prompt. An event is on disk before its prompt is said."""

from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from typing import Protocol

import numpy as np

from assistant.engine import events as e
from assistant.engine.choices import MISSES_BEFORE_NUMBERS
from assistant.engine.decide import decide, reopen, start
from assistant.engine.expect import Expected, expected
from assistant.engine.intents import Intent
from assistant.engine.remarks import AUDIO_ONLY, SOUND_NOT_KEPT, unwritten
from assistant.engine.readout import spoken_time
from assistant.engine.state import State, evolve, fold
from assistant.engine.turn import Decision, Prompt
from assistant.errors import JournalError
from assistant.language.pack import Pack
from assistant.language.vocabulary import Vocabulary
from assistant.language.wording import sentence
from assistant.procedure.plan import Plan
from assistant.record.clips import delete_clips, kept_clips, read_clip, save_clip
from assistant.record.clock import Clock, SteadyTime
from assistant.record.clock_moves import clock_moves
from assistant.record.journal import Journal
from assistant.speech.listen import EndOfInput, Listener
from assistant.speech.recognise import Heard
from assistant.speech.speak import Speaker
from assistant.speech.transcribe import Transcriber, Transcript

KEEPS_SOUND = frozenset({"value", "confirm_value", "part", "condition", "disposition", "remark", "confirm_finding", "skip_reason", "confirm_skip", "hold", "spelled", "confirm_spelled", "count"})
"""Questions whose answers are kept as sound: findings, measurements, reasons and a second person's word. Nothing else is."""

LISTEN_S = 0.3
"""How long one look for a phrase takes; a timer that runs out is said within this time."""
TALK_ANSWERED_EVERY_S = 60.0
"""Where nothing is asked, speech like no phrase is answered once in this time, s: more would be a word in every talk with a colleague."""

LAST_WORDS_S = 20.0
"""How long the end of a job waits for the words of the last remarks; what is late stays sound only."""


class Display(Protocol):
    """What shows a running job."""

    def said(self, text: str) -> None: ...

    def heard(self, heard: Heard) -> None: ...

    def recorded(self, event: e.Event) -> None: ...

    def stands(self, plan: Plan, state: State, now_s: float) -> None: ...


class Bench:
    """One job at one bench."""

    def __init__(self, plan: Plan, pack: Pack, journal: Journal, listener: Listener, speaker: Speaker, display: Display, clock: Clock, transcriber: Transcriber | None = None, talk_over: bool = False):
        self.plan, self.pack, self.journal = plan, pack, journal
        self.listener, self.speaker, self.display, self.clock = listener, speaker, display, clock
        self.transcriber, self.talk_over = transcriber, talk_over
        self._remark: np.ndarray | None = None
        """Sound of the remark that is being read back."""
        events = [(event, e.read_event(event.kind, event.body)) for event in journal.events()]
        self.state = fold(event for _, event in events)
        behind_s = datetime.fromisoformat(events[-1][0].at_utc).timestamp() - clock.utc().timestamp() if events else 0.0
        self._behind_s = behind_s if behind_s >= SteadyTime.LEAST_S else 0.0
        """By how much the clock stands before the last entry of an earlier run, s."""
        self._time = SteadyTime(clock, sum(move["seconds"] for move in clock_moves(events)) - self._behind_s)
        self.keeps_sound = True
        """False where the technician does not agree to their voice being kept."""
        self._vocabulary = Vocabulary(pack)
        self._talk_answered_s = -TALK_ANSWERED_EVERY_S

    def start(self, job: e.JobStarted, first: Callable[[], None] = lambda: None) -> None:
        """Open a new job; `first` is done once it is on the disk, before anything is said."""
        decision = start(self.plan, job)
        for event in decision.events:
            self.record(event)
        first()
        self._carry_out(Decision((), decision.prompts))

    def reopen(self, technician: str) -> None:
        """Carry on with a job that was interrupted."""
        if self.transcriber is not None:
            for entry, clip in unwritten(e.read_event(event.kind, event.body) for event in self.journal.events()):
                with suppress(JournalError):  # a clip that is gone costs its words, not the job
                    self.transcriber.take(entry, read_clip(self.journal.directory, clip))
        self._carry_out(reopen(self.plan, self.state, technician, self._now()))
        if self._behind_s:
            self.prompt(Prompt("clock_behind", {"by": spoken_time(self._behind_s)}))

    def run(self) -> bool:
        """Until the job is closed (True) or no more input comes (False). Raises JournalError when nothing can be recorded."""
        try:
            while not self.state.finished:
                self._notices()
                self._watch_clock()
                self._write_down(self.transcriber.ready() if self.transcriber else ())
                self.listener.deaf(self.speaker.busy() and not self.talk_over)
                try:
                    heard = self.listener.listen(self._vocabulary.grammar(expected(self.plan, self.state)), LISTEN_S)
                except EndOfInput:
                    self._write_down(self.transcriber.finish(LAST_WORDS_S) if self.transcriber else ())
                    return False
                if heard is not None:
                    self.take(heard)
                if self.state.timers:
                    self._carry_out(decide(self.plan, self.state, Intent("tick"), self._now()))
                self.display.stands(self.plan, self.state, self._now())
            self._write_down(self.transcriber.finish(LAST_WORDS_S) if self.transcriber else ())
            self._tidy()
            return True
        except JournalError:
            # The technician's hands are busy: they must hear that nothing more is being kept.
            self.stopped("recording_stopped")
            raise

    def stopped(self, key: str) -> None:
        """Say to the end, as a last word, why there is no going on; the screen says the rest."""
        self.prompt(Prompt(key))
        self.speaker.wait(10)

    def _watch_clock(self) -> None:
        """An entry of its own shows when the clock was set: the entries around it may lie hours apart."""
        moved = self._time.moved()
        if moved is not None:
            self.record(e.ClockMoved(round(moved, 1)))
            self.prompt(Prompt("clock_forward" if moved > 0 else "clock_back", {"by": spoken_time(abs(moved))}))

    def take(self, heard: Heard) -> None:
        """One phrase: understand, decide, record, say."""
        if self._own_words(heard):
            return
        wanted = expected(self.plan, self.state)
        grammar = self._vocabulary.grammar(wanted)
        matched = None if heard.rejected else grammar.match(heard.text)
        if matched is not None and matched.kind == "understood" and self._talked_over(heard):
            return  # a caution is read to its end before its hearing counts
        if matched is None and (self.state.asleep or (heard.unlike and not wanted.words and not self._answers_talk())):
            return  # talk with somebody else: neither shown nor written down
        self._fall_silent(heard)
        text, source = heard.text, heard.engine
        if matched is None and wanted.words:
            text = heard.text if heard.audio is None else ""
            self._remark = heard.audio
            matched = Intent("words", text=text or None, source=source)
            heard = replace(heard, text=text or ("(a remark, kept as sound)" if self.keeps_sound else "(a remark, its sound not kept)"), rejected=False)
        self.display.heard(heard)
        self.record(e.PhraseHeard(text, matched is None, round(heard.confidence, 4), source, matched.kind if matched else ""))
        if matched is not None:
            matched = self._with_clip(matched, heard)
        self._carry_out(decide(self.plan, self.state, matched or Intent("unheard"), self._now()))

    def _answers_talk(self) -> bool:
        """Whether speech like no phrase is answered: while an answer is awaited, until a way out has been named; else now and then."""
        if self.state.misses > MISSES_BEFORE_NUMBERS:
            return False
        if self.state.question is None or self.state.paused:
            now = self._now()
            if now - self._talk_answered_s < TALK_ANSWERED_EVERY_S:
                return False
            self._talk_answered_s = now
        return True

    def _write_down(self, transcripts: Iterable[Transcript]) -> None:
        for found in transcripts:
            if found.entry < 1:
                continue  # came too late for the talk before the job
            self.record(e.Transcribed(found.entry, found.text, found.engine, found.version, found.confidence))

    def _tidy(self) -> None:
        """Take out the sound of what came to no entry: denied, or dropped. The record keeps findings and measurements, not talk."""
        events = [e.read_event(event.kind, event.body) for event in self.journal.events()]
        kept = {clip for event in events if not isinstance(event, e.Question) for clip in getattr(event, "clips", ())}
        gone = {event.clip for event in events if isinstance(event, e.ClipRemoved)}
        stray = [clip for clip in kept_clips(self.journal.directory) if clip not in kept | gone]
        for clip in stray:
            self.record(e.ClipRemoved(clip, "Gloveside", "it came to no entry"))
        delete_clips(self.journal.directory, stray)

    def _with_clip(self, intent: Intent, heard: Heard) -> Intent:
        question = self.state.question
        wanted = intent.kind == "value" or (question is not None and question.about in KEEPS_SOUND and intent.kind in ("answer", "confirm", "words", "release", "spelled", "count"))
        if not wanted or heard.audio is None or not self.keeps_sound:
            return intent
        clip = save_clip(self.journal.directory, heard.audio)
        return Intent(intent.kind, intent.choice, intent.value, intent.unit, intent.quantity, intent.text, intent.source, clip["sha256"])

    def _carry_out(self, decision: Decision) -> None:
        for event in decision.events:
            self.record(event)
        for prompt in decision.prompts:
            self.prompt(prompt)

    def hear(self, wanted: Expected) -> tuple[Heard, Intent | None]:
        """The next phrase of a talk beside the job; it is not written down. Raises EndOfInput."""
        while True:
            self._notices()
            self.listener.deaf(self.speaker.busy() and not self.talk_over)
            grammar = self._vocabulary.grammar(wanted)
            heard = self.listener.listen(grammar, LISTEN_S)
            if heard is not None and not self._own_words(heard):
                self._fall_silent(heard)
                self.display.heard(heard)
                return heard, None if heard.rejected else grammar.match(heard.text)
            self.display.stands(self.plan, self.state, self._now())

    def record(self, event: e.Event) -> None:
        """Put one event on the disk, then count it in."""
        self.journal.append(event.kind, event.body())
        self.state = evolve(self.state, event)
        self.display.recorded(event)
        if isinstance(event, e.FindingRecorded) and event.remark_source in (AUDIO_ONLY, SOUND_NOT_KEPT) and self.transcriber is not None and self._remark is not None:
            self.transcriber.take(self.state.sequence, self._remark)
            self._remark = None

    def prompt(self, prompt: Prompt) -> None:
        """Say something of the language pack."""
        self._say(sentence(prompt, self.pack))

    def _own_words(self, heard: Heard) -> bool:
        """Whether a phrase may be our own voice: heard as we said the same."""
        return heard.over_prompt is not None and f" {heard.text} " in f" {heard.over_prompt} "

    def _talked_over(self, heard: Heard) -> bool:
        return (self.talk_over or heard.over_prompt is not None) and self.speaker.busy()

    def _fall_silent(self, heard: Heard) -> None:
        """Break off a prompt that somebody talks over."""
        if self._talked_over(heard):
            self.speaker.stop()

    def _say(self, text: str) -> None:
        self.display.said(text)
        self.speaker.say(text)

    def _notices(self) -> None:
        for text in (*self.listener.notices(), *self.speaker.notices()):
            self._say(text)

    def _now(self) -> float:
        return self._time.now()
