"""A job at a virtual bench (PulseAudio) at which everything breaks in turn: sound server, capture process, recogniser. It goes on."""

import os
import shutil
import signal
import subprocess
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from rich.console import Console

from assistant.bench import Bench
from assistant.display import PlainDisplay
from assistant.engine.events import JobStarted
from assistant.engine.expect import expected
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.session import make_listener
from assistant.speech.engines import close_recogniser
from assistant.speech.listen import CUT_OFF
from assistant.speech.microphone import BACK, GONE
from assistant.speech.recogniser_process import STOPPED
from assistant.speech.speak import SilentSpeaker
from assistant.virtual_bench import missing_tools, virtual_bench
from tests.support import EN, FLANGE, ROOT

pytestmark = [
    pytest.mark.microphone,
    pytest.mark.skipif(bool(missing_tools()), reason=f"not installed: {missing_tools()}"),
    pytest.mark.skipif(shutil.which("flite") is None, reason="flite is not installed"),
]


class Shown(PlainDisplay):
    def __init__(self) -> None:
        super().__init__(Console(quiet=True))
        self.texts: list[str] = []

    def said(self, text: str) -> None:
        self.texts.append(text)


class Job:
    """A bench that is driven by hand, a look at a time."""

    def __init__(self, folder: Path, journal: Journal, listener):
        self.folder, self.journal, self.listener, self.shown = folder, journal, listener, Shown()
        self.bench = Bench(FLANGE, EN, journal, listener, SilentSpeaker(), self.shown, SimulatedClock(datetime(2026, 3, 2, 8, tzinfo=UTC)))
        self.bench.start(JobStarted("J1", FLANGE.procedure.procedure, "t", "1", "0" * 64, "F1", "Kim", "plain", "", "simulated"))

    def voice(self, words: str) -> Path:
        path = self.folder / f"{words.replace(' ', '_')}.wav"
        if not path.exists():
            subprocess.run(["flite", "-voice", "rms", "-t", words, "-o", str(path)], check=True, timeout=30)
        return path

    def look(self, until, timeout_s: float = 30.0) -> None:
        """As `Bench.run` does, until something is so."""
        deadline = time.monotonic() + timeout_s
        while not until() and time.monotonic() < deadline:
            self.bench._notices()
            heard = self.listener.listen(self.bench._vocabulary.grammar(expected(FLANGE, self.bench.state)), 0.3)
            if heard is not None:
                self.bench.take(heard)
        assert until(), self.shown.texts[-5:]

    def heard(self) -> list[str]:
        """Texts of what was understood."""
        return [event.body["text"] for event in self.journal.events() if event.kind == "heard" and not event.body["rejected"]]


def in_mid_phrase(listener, strike) -> None:
    """Strike once, as soon as a phrase has begun."""
    microphone, read = listener._microphone, listener._microphone.read

    def reads(timeout_s: float):
        if listener._endpointer.speaking:
            microphone.read = read
            strike()
        return read(timeout_s)

    microphone.read = reads


def test_a_job_goes_on_whatever_breaks(tmp_path):
    with virtual_bench() as bench, Journal.create(tmp_path / "J1") as journal:
        recogniser, listener = make_listener("phones", EN, ROOT / "models", None, True)
        try:
            job = Job(tmp_path, journal, listener)
            job.voice("say again")
            bench.play_aside(job.voice("begin the job"))
            job.look(lambda: job.heard() == ["begin the job"])

            # The sound server dies while somebody speaks: half a phrase is none.
            entries = len(journal.events())
            in_mid_phrase(listener, bench.kill)
            bench.play_aside(job.voice("say again"))
            job.look(lambda: GONE in job.shown.texts)
            bench.start()
            job.look(lambda: BACK in job.shown.texts)
            job.look(lambda: CUT_OFF in job.shown.texts)
            assert len(journal.events()) == entries

            # The capture process is killed while nobody speaks.
            os.killpg(listener._microphone._process.pid, signal.SIGKILL)
            job.look(lambda: job.shown.texts.count(BACK) == 2)
            assert job.shown.texts.count(CUT_OFF) == 1

            # The recogniser hangs and is killed while it has a look at a phrase under way; the next one understands it.
            hung = recogniser.process_id
            os.kill(hung, signal.SIGSTOP)
            recogniser._patience_s = 0.5
            bench.play_aside(job.voice("say again"))
            job.look(lambda: job.heard() == ["begin the job", "say again"])
            assert recogniser.process_id != hung and STOPPED not in job.shown.texts

            # It hangs over a whole phrase: that one is lost, and understood when it is said again.
            listener._glance = None
            os.kill(recogniser.process_id, signal.SIGSTOP)
            bench.play_aside(job.voice("say again"))
            job.look(lambda: STOPPED in job.shown.texts)
            recogniser._patience_s = 8.0
            assert job.heard() == ["begin the job", "say again"]
            bench.play_aside(job.voice("say again"))
            job.look(lambda: job.heard() == ["begin the job", "say again", "say again"])
            assert {event.kind for event in journal.events()[entries:]} <= {"heard"}
        finally:
            listener.close()
            close_recogniser(recogniser)
