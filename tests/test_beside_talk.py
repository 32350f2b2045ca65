"""Talk that is not for the bench: answered while an answer is awaited, and then only so far."""

import pytest

from assistant.bench import TALK_ANSWERED_EVERY_S
from assistant.record.clock import SimulatedClock
from assistant.speech.recognise import Heard
from tests.aloud import START, bench_at, sound, started
from tests.support import plan_of

PLAN = plan_of("""
procedure: rig
title: Rig
revision: 1
date: 2026-03-01
asset_class: rig
parts: [{id: ring, name: ring, count: 1}]
stages:
- id: work
  title: Work
  steps:
  - {id: look, instruction: Look at the ring., parts: [ring], checks: [{id: ring, ask: How is the ring?, answers: [{say: no scratches, result: pass}, {say: scratched, result: fail}]}]}
  - {id: wipe, instruction: Wipe the seat.}
""")


@pytest.fixture
def bench(tmp_path):
    one = bench_at(tmp_path / "J1", PLAN, "", [], clock=SimulatedClock(START))
    one.start(started(one))
    return one


def say(bench, text: str) -> None:
    bench.take(Heard(text, 0.99, False, 1.0, 0.0, "phones", sound(text)))


def ask(bench) -> None:
    """To the question of the first step."""
    if not bench.state.begun:
        say(bench, "begin the job")
    say(bench, "next step")


def talk(bench, unlike: bool = True) -> str:
    """Talk with a colleague, or a phrase half heard; what it was answered with."""
    before = len(bench.display.lines)
    bench.take(Heard("next step", 0.05 if unlike else 0.6, True, 2.0, 0.0, "phones", sound("talk"), unlike=unlike))
    return " ".join(line for line in bench.display.lines[before:] if not line.startswith(">"))


def written(bench) -> int:
    return sum(event.kind == "heard" for event in bench.journal.events())


def test_where_nothing_is_asked_talk_is_answered_once_in_a_while(bench):
    say(bench, "begin the job")
    kept = written(bench)
    assert talk(bench) == "Not understood."
    for _ in range(5):
        bench.clock.advance(TALK_ANSWERED_EVERY_S / 6)
        assert talk(bench) == ""
    assert written(bench) == kept + 1
    bench.clock.advance(TALK_ANSWERED_EVERY_S)
    assert talk(bench) != ""


def test_an_answer_that_is_awaited_is_asked_for_until_the_way_out_is_named(bench):
    ask(bench)
    assert talk(bench).startswith("Not understood. How is the ring?")
    assert "number one for no scratches" in talk(bench)
    assert "pause the job" in talk(bench)
    kept = written(bench)
    assert [talk(bench) for _ in range(4)] == [""] * 4 and written(bench) == kept
    say(bench, "number one")
    assert [event.body["said"] for event in bench.journal.events() if event.kind == "answer"] == ["no scratches"]
    ask(bench)
    assert talk(bench).startswith("Not understood.")


def test_a_phrase_half_heard_is_always_answered(bench):
    ask(bench)
    for _ in range(6):
        assert talk(bench, unlike=False) != ""


def test_talk_does_not_break_off_a_prompt(bench):
    say(bench, "begin the job")

    class Speaking:
        stops = 0

        def busy(self):
            return True

        def stop(self):
            Speaking.stops += 1

        def say(self, text): ...

    bench.speaker, bench.talk_over = Speaking(), True
    talk(bench)
    talk(bench)
    assert Speaking.stops == 1, "the first is answered, the second is not"
    say(bench, "next step")
    assert Speaking.stops == 2


def test_a_remark_takes_in_whatever_is_said(bench):
    ask(bench)
    for text in ("record a finding", "ring", "worn", "use again"):
        say(bench, text)
    assert bench.state.question.about == "remark"
    assert "remark" in talk(bench)
    assert bench.state.question.about == "confirm_finding"
