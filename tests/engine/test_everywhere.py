"""Every command at every turn of a whole job: always an answer in words, nothing recorded that was not confirmed, nothing lost."""

import re

import pytest
import yaml

from assistant.engine import events as e
from assistant.engine.decide import decide, reopen
from assistant.engine.intents import GENERAL, Intent
from assistant.engine.state import State, evolve
from assistant.language.wording import sentence
from assistant.rehearsal import Technician
from tests.support import EN, PUMP, ROOT, Dialogue, plan_of

SCRIPT = yaml.safe_load((ROOT / "scripts" / "demo_job.yaml").read_text())
ENTRIES = (e.AnswerRecorded, e.ValueRecorded, e.FindingRecorded)
AFTER_A_YES = (e.ValueRecorded, e.FindingRecorded, e.StepSkipped)


def walk(plan=PUMP) -> list[State]:
    """The state before each turn of a whole job, as the technician of the demonstration does it."""
    job, technician, states = Dialogue(plan), Technician(SCRIPT, plan, EN), []
    while not job.state.finished:
        states.append(job.state)
        said, before = technician.words(job.state), job.state
        job.wait(3600) if said is None else job.say(said)
        technician.took(before, job.state)
    return [*states, job.state]


STATES = walk()


def test_the_walk_does_every_step():
    assert {state.step for state in STATES} >= set(PUMP.position)
    assert STATES[-1].finished


@pytest.mark.parametrize("kind", [*GENERAL, "unheard", "tick"])
def test_every_command_is_answered_in_every_state(kind):
    for state in STATES:
        decision = decide(PUMP, state, Intent(kind, choice="make-safe" if kind == "stage" else None), 2e9)
        said = [sentence(prompt, EN) for prompt in decision.prompts]
        assert said or kind == "tick", (kind, state.step, state.question)
        for text in said:
            assert not re.search(r"[{}#]|\bNone\b", text), text
        after = state
        for event in decision.events:
            after = evolve(after, event)
        # A bare command records no entry: those come from answers and from a yes.
        assert not any(isinstance(event, ENTRIES) for event in decision.events)
        assert after.recorded == state.recorded and after.skipped == state.skipped and after.acknowledged >= state.acknowledged


def test_values_findings_and_skips_need_a_spoken_yes():
    for state in STATES:
        for intent in (Intent("confirm", choice="no"), Intent("words", text="yes please"), Intent("unheard"), Intent("next")):
            assert not any(isinstance(event, AFTER_A_YES) for event in decide(PUMP, state, intent, 2e9).events)


def test_a_job_can_be_opened_again_in_every_state():
    for state in STATES[:-1]:
        decision = reopen(PUMP, state, "Kim", 2e9)
        assert [event.kind for event in decision.events] == ["job_reopened"]
        said = " ".join(sentence(prompt, EN) for prompt in decision.prompts)
        assert "All that was recorded is kept" in said


def test_no_spoken_line_holds_a_figure_or_a_bare_number():
    """Figures are spoken as words with a unit: a voice must not be left to read "42 N.m"."""
    for state in STATES:
        for kind in ("torque", "where", "repeat", "parts", "tools", "cautions", "help", "details"):
            for prompt in decide(PUMP, state, Intent(kind), 2e9).prompts:
                assert not re.search(r"\d", sentence(prompt, EN)), sentence(prompt, EN)


TIMED = plan_of("""
procedure: timed
title: Timed job
revision: 1
date: "2026-01-05"
asset_class: pump
stages:
  - id: work
    title: Work
    steps:
      - {id: wait, instruction: Let it stand., timer: {purpose: settling, seconds: 605}}
      - {id: end, instruction: Look at it.}
""")


def test_times_are_said_in_minutes_and_seconds():
    job = Dialogue(TIMED)
    assert "ten minutes and five seconds" in job.say("begin the job")
    job.say("start the timer")
    job.wait(500)
    assert "one minute and forty five seconds left" in job.say("start the timer")
    assert "after eight minutes and twenty seconds" in job.say("end the countdown").lower()
    assert "ten minutes and five seconds" in job.say("next step")


@pytest.mark.parametrize(
    ("said", "answer"),
    [
        ("what torque", "No torque is given"), ("which tools", "No tools"), ("which parts", "No parts"), ("read the caution", "no caution of its own"),
        ("tell me more", "no more detail"), ("take a reading", "asks for no such value"), ("answer the question", "No question is open"),
        ("change last entry", "Nothing has been recorded"), ("end the countdown", "No timer is running"), ("never mind", "No question is open"),
        ("understood", "nothing to acknowledge"), ("i release this hold", "No hold"), ("go back one", "no step before"), ("what can i say", "next step"),
        ("begin the job", "has begun"), ("resume work", "not paused"),
    ],
)  # fmt: skip
def test_what_a_step_does_not_have_is_said_so(said, answer):
    job = Dialogue(TIMED)
    job.say("begin the job")
    kinds = {phrase: kind for kind, phrases in EN.commands.items() for phrase in phrases}
    prompts = decide(TIMED, job.state, Intent(kinds[said]), 2e9).prompts
    assert answer in " ".join(sentence(prompt, EN) for prompt in prompts)
