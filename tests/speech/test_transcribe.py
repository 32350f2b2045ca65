"""Words of remarks, written down while the job goes on."""

import threading
from datetime import UTC, datetime

import numpy as np
import pytest

from assistant.bench import Bench
from assistant.display import PlainDisplay
from assistant.engine import events as e
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.speech.listen import EndOfInput
from assistant.speech.recognise import Heard
from assistant.speech.second import SecondOpinion
from assistant.speech.speak import SilentSpeaker
from assistant.speech.transcribe import Transcriber, make_transcriber
from rich.console import Console

from tests.speech.test_second import said
from tests.support import EN, ROOT, plan_of

SOUND = (np.sin(np.arange(16_000) / 8) * 9000).astype(np.int16)


class Words:
    """Writes after it is let go, so that a test decides when."""

    engine, version = "by hand", "1"

    def __init__(self, *found):
        self.found, self.go, self.closed = list(found), threading.Event(), False

    def write(self, samples):
        self.go.wait(5)
        found = self.found.pop(0)
        if isinstance(found, Exception):
            raise found
        return found

    def close(self):
        self.closed = True
        self.go.set()


def test_words_come_later_in_order_and_doubtful_ones_not_at_all():
    words = Words(("flat on one side", 0.9), None, RuntimeError("library"), ("scored", 0.71234))
    transcriber = Transcriber(words)
    for entry in (4, 9, 12, 20):
        transcriber.take(entry, SOUND)
    assert transcriber.ready() == []
    words.go.set()
    found = transcriber.finish(5)
    assert [(one.entry, one.text, one.engine, one.version, one.confidence) for one in found] == [(4, "flat on one side", "by hand", "1", 0.9), (20, "scored", "by hand", "1", 0.712)]
    assert transcriber.finish(0) == []
    transcriber.close()
    assert words.closed


def test_a_model_that_hangs_keeps_nobody_waiting_beyond_the_given_time():
    transcriber = Transcriber(Words(("late", 1.0)))
    transcriber.take(1, SOUND)
    assert transcriber.finish(0.05) == []
    transcriber.close()


class Script:
    """A listener that says each phrase with sound, as a microphone would."""

    def __init__(self, *phrases, before_last=lambda: None):
        self.phrases, self.before_last = list(phrases), before_last

    def listen(self, grammar, timeout_s):
        if not self.phrases:
            self.before_last()
            raise EndOfInput
        text = self.phrases.pop(0)
        return Heard(text, 1.0, grammar.match(text) is None, 1.0, 0.0, "script", SOUND + len(self.phrases))

    def deaf(self, yes): ...

    def notices(self):
        return []

    def close(self): ...


PLAN = plan_of("""
procedure: transcribe-test
title: Bolts
revision: "1"
shop: Tarn Valley Pump Shop
asset_class: test joint
date: 2026-03-02
defer_to: The maker's manual comes first.
parts: [{id: bolt, name: bolt, count: 1}]
stages:
  - id: work
    title: Work
    steps:
      - {id: look, instruction: Look at the bolt., parts: [bolt]}
""")
FINDING = ("begin the job", "record a finding", "bolt", "worn", "replace", "the shank is bent a little", "affirm")


def bench_of(journal, listener, transcriber):
    return Bench(PLAN, EN, journal, listener, SilentSpeaker(), PlainDisplay(Console(quiet=True)), SimulatedClock(datetime(2026, 3, 2, 8, tzinfo=UTC)), transcriber)


def start(bench):
    bench.start(e.JobStarted("j", PLAN.procedure.procedure, "t", "1", "0" * 64, "F7", "Kim", "plain"))


def entries(journal, kind):
    return [(item.seq, e.read_event(item.kind, item.body)) for item in journal.events() if item.kind == kind]


def test_a_remark_is_kept_at_once_and_its_words_follow(tmp_path):
    words = Words(("the shank is bent a little", 0.83))
    transcriber = Transcriber(words)
    with Journal.create(tmp_path) as journal:
        bench = bench_of(journal, Script(*FINDING, before_last=words.go.set), transcriber)
        start(bench)
        bench.run()
        ((seq, finding),) = entries(journal, "finding")
        assert (finding.remark, finding.remark_source) == (None, "audio only")
        ((_, written),) = entries(journal, "transcribed")
        assert written == e.Transcribed(seq, "the shank is bent a little", "by hand", "1", 0.83)
    transcriber.close()


def test_words_that_a_power_cut_left_unwritten_are_written_after_it(tmp_path):
    with Journal.create(tmp_path) as journal:
        bench = bench_of(journal, Script(*FINDING), None)
        start(bench)
        bench.run()
        ((seq, _),) = entries(journal, "finding")
    words = Words(("bent", 0.9))
    words.go.set()
    transcriber = Transcriber(words)
    with Journal.open(tmp_path) as journal:
        bench = bench_of(journal, Script(), transcriber)
        bench.reopen("Kim")
        bench.run()
        assert [event.entry for _, event in entries(journal, "transcribed")] == [seq]
        assert not bench.state.question and not bench.state.finished
    transcriber.close()


@pytest.mark.skipif(not SecondOpinion().installed, reason="the extra `second` is not installed")
def test_whisper_writes_a_remark_with_its_name_version_and_confidence(tmp_path):
    transcriber = make_transcriber(EN, ROOT / "models")
    transcriber.take(7, said("the shaft bearing feels rough when turned", tmp_path, "slt"))
    (found,) = transcriber.finish(60)
    assert found.entry == 7 and found.engine == "whisper" and "ctranslate2" in found.version
    assert "bearing feels rough" in found.text.lower() and 0.5 < found.confidence <= 1
    transcriber.close()
