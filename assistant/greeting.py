"""What is said before a job: whether the technician's voice may be kept, and questions about their earlier jobs."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assistant.bench import Bench
from assistant.engine import events as e
from assistant.engine.expect import Expected
from assistant.engine.intents import Intent
from assistant.engine.turn import Prompt
from assistant.errors import GlovesideError
from assistant.language.wording import sentence
from assistant.record.clips import save_clip
from assistant.record.kept import read_events, typed
from assistant.record.people import People, folded
from assistant.record.questions import LONGEST, answered, open_questions
from assistant.speech.recognise import Heard

WORDS_S = 10.0
"""How long the words of an answer are waited for; without them it stays sound only."""

_YES_OR_NO = Expected(frozenset({"cancel", "repeat"}), confirm=True)
_BEGINS = Expected(frozenset({"cancel", "repeat", "begin", "resume"}), confirm=True)
_WORDS = Expected(frozenset({"cancel"}), words=True)


@dataclass
class Greeting:
    """The talk of one technician with the bench, before a job goes on."""

    bench: Bench
    technician: str
    store: Path
    key: Callable[[], Any]
    """Gives the key that seals; called only where an answer is sealed."""
    asks_consent: bool
    """Whether a voice is heard at all: nothing of a typed job can be kept as sound."""
    _reply: int = 0
    """Number of the last answer spoken, below zero: the transcriber tells it from the entries of the job by that."""

    def talk(self) -> Heard | None:
        """Consent first, then the open questions. Returns a phrase that was meant for the job and has still to be taken. Raises EndOfInput."""
        if self.asks_consent:
            self._consent()
        if self.technician:
            for _, directory, number, text in open_questions(self.store, self.technician):
                for_the_job = self._question(directory, number, text)
                if for_the_job is not None:
                    return for_the_job
        return None

    def _say(self, key: str, **args: str) -> None:
        self.bench.prompt(Prompt(key, args))

    def _consent(self) -> None:
        bench, people, text = self.bench, People(self.store, self.bench.clock), sentence(Prompt("consent"), self.bench.pack)
        said = [event for _, event in typed(bench.journal) if isinstance(event, e.Consent) and folded(event.technician) == folded(self.technician)]
        known = people.agreement(self.technician) if self.technician else None
        if said:
            bench.keeps_sound = said[-1].given
        elif known is not None and known.text == text:
            # Each job carries what was agreed, because it may be read without the others.
            bench.record(e.Consent(self.technician, f"{text} (Asked in job {known.job}, {known.at[:10]}.)", known.given))
            bench.keeps_sound = known.given
        else:
            bench.keeps_sound = self._ask("consent") == "yes"
            bench.record(e.Consent(self.technician, text, bench.keeps_sound))
            if self.technician:
                people.agree(self.technician, text, bench.keeps_sound, bench.journal.directory.name)
            self._say("consent_given" if bench.keeps_sound else "consent_refused")

    def _question(self, directory: Path, number: int, text: str) -> Heard | None:
        """Put one question; the phrase that goes on with the job, where the technician said that instead."""
        events = read_events(directory)
        asked = next(event for _, event in events if isinstance(event, e.ReviewQuestion) and event.number == number)
        asset, title = next(((event.asset, event.title) for _, event in events if isinstance(event, e.JobStarted)), ("", ""))
        # A text that begins with a hash sign would be looked up in the pack. A job's name, all digits and dashes, is not for the ear.
        waits = {"who": asked.who.lstrip("#"), "title": title.lstrip("#"), "asset": f"#spelled:{asset}", "text": text.lstrip("#")}
        said = self._ask("question_waits", _BEGINS, **waits)
        if isinstance(said, Heard):
            self._say("reply_left")
            return said
        while said == "yes":
            self._say("ask_reply")
            heard, intent = self.bench.hear(_WORDS)
            if intent is not None and intent.kind == "cancel":
                break
            if heard.audio is not None and self.bench.transcriber is not None:
                # While the technician is asked whether that was it.
                self._reply -= 1
                self.bench.transcriber.take(self._reply, heard.audio)
            right = self._ask("read_back_reply")
            if right == "yes":
                self._keep(directory, number, heard)
                return None
            said = "yes" if right == "no" else right
        self._say("reply_left")
        return None

    def _keep(self, directory: Path, number: int, heard: Heard) -> None:
        words = heard.text if heard.audio is None else self._words()
        try:
            sound = heard.audio if self.bench.keeps_sound else None
            if not words and sound is None:
                self._say("reply_lost")
                return
            if directory == self.bench.journal.directory:
                # The very job that goes on: it is held by this bench, and sealed when it is closed.
                clips = () if sound is None else (str(save_clip(directory, sound)["sha256"]),)
                self.bench.record(answered(directory, typed(self.bench.journal), self.technician, number, words, clips))
                People(self.store, self.bench.clock).drop_question(directory.name, number)
            else:
                from assistant.record.afterwards import answer  # brings in cryptography, which most jobs begin without

                answer(directory, self.technician, number, words, (), self.bench.clock, self.key(), sound)
        except GlovesideError:
            # The question stays open; a trouble with another job must not hold up this one.
            self._say("reply_lost")
        else:
            self._say("reply_kept")

    def _words(self) -> str:
        """The words of the answer just spoken, marked as a machine's; "" where there are none."""
        found = self.bench.transcriber.finish(WORDS_S) if self.bench.transcriber is not None else []
        return next((f"{words.text} (written down by {words.engine})" for words in found if words.entry == self._reply), "")[:LONGEST]

    def _ask(self, key: str, wanted: Expected = _YES_OR_NO, **args: str) -> str | Heard:
        """yes, no or cancel; or the phrase by which the technician goes on with the job."""
        self._say(key, **args)
        while True:
            heard, intent = self.bench.hear(wanted)
            match intent:
                case Intent(kind="confirm"):
                    return intent.choice
                case Intent(kind="cancel"):
                    return "cancel"
                case Intent(kind="begin" | "resume"):
                    return heard
                case Intent(kind="repeat"):
                    self._say(key, **args)
                case _:
                    self._say("not_understood")
                    self._say(key, **args)
