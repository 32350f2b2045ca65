"""The dialogue, phrase by phrase, on a small procedure. Read-back before storing follows radiotelephony practice (ICAO Annex 10 vol II 5.2.1.9, from memory)."""

from dataclasses import replace
from decimal import Decimal

import pytest

from assistant.engine import events as e
from assistant.engine.decide import reopen
from assistant.engine.expect import expected
from assistant.engine.missing import limits_of
from assistant.engine.state import fold
from tests.support import FLANGE, PUMP, Dialogue, plan_of

SMALL = """
procedure: small
title: Small job
revision: 1
date: "2026-01-05"
asset_class: pump
parts:
  - {id: ball, name: ball, count: 2}
  - {id: seat, name: seat, count: 2}
fasteners:
  - {id: bolt, name: bolt, count: 4, thread: M10, strength: A2-70, kept: tray}
tools: [{id: pick, name: pick}]
stages:
  - id: safe
    title: Make safe
    make_safe: true
    steps:
      - id: lock
        instruction: Lock the air.
        detail: Only your own key protects you.
        cautions:
          - {signal: danger, hazard: Air can start it., consequence: It can kill., avoidance: Lock it.}
          - {signal: notice, hazard: Paint chips., consequence: It looks bad., avoidance: Go slowly.}
  - id: work
    title: Work
    instances: [left, right]
    steps:
      - id: look
        instruction: Look at the {instance} ball.
        tools: [pick]
        parts: [ball, seat]
        checks:
          - id: light
            ask: Is light seen at the {instance} ball?
            answers: [{say: no light}, {say: light shows, result: fail, go_to: swap}]
          - id: size
            ask: How big is it?
            measure: {quantity: diameter, unit: mm, at_least: 31, at_most: 32}
      - {id: swap, instruction: Swap the ball., on_demand: true}
  - id: end
    title: Finish up
    steps:
      - id: bolts
        instruction: Tighten the bolts.
        torque: {value: 20, unit: N.m, tolerance_percent: 10}
        tightening: {order: crossing, count: 4}
      - id: wait
        instruction: Let it stand.
        timer: {purpose: settling, seconds: 60}
      - id: sign
        instruction: Call the supervisor.
        hold: {who: supervisor, reason: A second person looks.}
"""
PLAN = plan_of(SMALL)
TIGHTENED = ["pass is done"] * 3 + ["twenty", "affirm", "next step"]


@pytest.fixture
def job() -> Dialogue:
    return Dialogue(PLAN)


def at_look(job: Dialogue) -> Dialogue:
    job.say("begin the job", "understood", "next step")
    assert job.state.step == "work@left/look"
    return job


def at_bolts(job: Dialogue) -> Dialogue:
    at_look(job)
    job.say(*["next step", "no light", "thirty one point five", "affirm"] * 2)
    assert job.state.step == "end/bolts"
    return job


def test_a_danger_is_said_and_acknowledged_before_the_instruction(job):
    assert "Danger. Air can start it." in job.say("begin the job")
    assert "Lock the air." not in " ".join(job.said)
    answer = job.say("understood")
    assert answer.index("Notice. Paint chips.") < answer.index("Lock the air.")


def test_nothing_but_begin_is_taken_before_the_beginning(job):
    assert "Not understood" in job.say("next step")
    assert job.state.step == ""


def test_a_step_is_not_passed_with_a_check_open(job):
    assert "Is light seen at the left ball?" in at_look(job).say("next step")
    assert job.state.step == "work@left/look"
    assert job.say("no light").startswith("Recorded: no light. How big is it? In millimetres.")
    assert "Yes or no?" in job.say("thirty one point five")
    assert "Look at the right ball." in job.say("affirm")


def test_a_value_is_stored_only_on_a_yes(job):
    at_look(job).say("take a reading", "thirty one point five")
    assert not any(isinstance(event, e.ValueRecorded) for event in job.events)
    job.say("negative")
    assert not any(isinstance(event, e.ValueRecorded) for event in job.events)
    job.say("thirty one point seven five millimetres", "affirm")
    stored = job.last(e.ValueRecorded)
    assert (stored.value, stored.unit, stored.unit_spoken, stored.verdict) == (Decimal("31.75"), "mm", True, "within")
    assert (stored.si_value, stored.si_unit) == (Decimal("0.03175"), "m")


@pytest.mark.parametrize(
    "said, value, unit, verdict",
    [
        ("thirty one", "31", "mm", "within"),  # a limit itself is within
        ("thirty two", "32", "mm", "within"),
        ("thirty two point oh one", "32.01", "mm", "out"),
        ("one and one quarter inches", "1.25", "inch", "within"),  # 31.75 mm exactly, 1 in = 25.4 mm (NIST SP 811)
        ("one thousand two hundred and fifty thou", "1250", "thou", "within"),
        ("one and a half inches", "1.5", "inch", "out"),
    ],
)
def test_verdicts_in_any_unit_of_the_kind(job, said, value, unit, verdict):
    at_look(job).say("take a reading", said, "affirm")
    stored = job.last(e.ValueRecorded)
    assert (stored.value, stored.unit, stored.verdict) == (Decimal(value), unit, verdict)


def test_another_kind_of_unit_is_not_taken(job):
    assert "Not understood" in at_look(job).say("take a reading", "five bar")
    assert job.state.question.about == "value"


def test_out_of_limits_is_kept_and_asks_what_to_do(job):
    assert "Outside the limits of thirty one millimetres to thirty two millimetres." in at_look(job).say("next step", "no light", "forty", "affirm")
    assert "How big is it?" in job.say("measure again")
    job.say("thirty one point five", "affirm")
    old, new = (event for event in job.events if isinstance(event, e.ValueRecorded))
    assert (old.verdict, new.verdict) == ("out", "within")
    assert new.corrects == 1 + job.events.index(old)
    assert job.state.step == "work@right/look"


def test_out_of_limits_can_be_left_open(job):
    at_look(job).say("next step", "no light", "forty", "affirm", "leave it open")
    assert job.last(e.LeftOpen).item == "size"
    assert job.state.step == "work@right/look"


def test_a_failed_check_leads_to_a_repair_and_is_asked_again(job):
    assert "Swap the ball." in at_look(job).say("next step", "light shows")
    assert job.state.step == "work@left/swap"
    assert "Back to the step before." in job.say("next step")
    assert "Is light seen at the left ball?" in job.say("next step")
    job.say("no light", "thirty one point five", "affirm")
    assert job.state.step == "work@right/look"
    assert [event.said for event in job.events if isinstance(event, e.AnswerRecorded)] == ["light shows", "no light"]


def test_a_correction_is_a_new_entry_that_names_the_old(job):
    at_look(job).say("next step", "no light", "change last entry")
    assert "Is light seen" in " ".join(job.said)
    job.say("light shows")
    old, new = (event for event in job.events if isinstance(event, e.AnswerRecorded))
    assert new.corrects == 1 + job.events.index(old)
    assert old.said == "no light"


def test_a_finding_from_closed_lists_then_free_words(job):
    assert "Which part: ball or seat?" in at_look(job).say("record a finding")
    job.say("ball", "worn", "replace", "Flat on one side, see photo")
    assert job.said == ["Ball, worn, replace, remark kept. Yes or no?"]
    job.say("affirm")
    found = job.last(e.FindingRecorded)
    assert (found.part, found.condition, found.disposition, found.remark, found.remark_source) == ("ball", "worn", "replace", "Flat on one side, see photo", "typed")


def test_a_finding_denied_starts_again_and_stores_nothing(job):
    at_look(job).say("record a finding", "ball", "worn", "replace", "no remarks", "negative")
    assert not any(isinstance(event, e.FindingRecorded) for event in job.events)
    assert job.state.question.about == "part"


def test_a_finding_between_question_and_answer_comes_back_to_the_question(job):
    at_look(job).say("next step", "record a finding", "seat", "scored", "reuse")
    assert job.state.question.about == "disposition"  # "reuse" is no phrase of the pack
    job.say("use again", "no remarks", "affirm")
    assert job.state.question.about == "answer"


def test_torque_is_read_with_order_and_passes_and_recorded(job):
    at_bolts(job)
    said = job.say("what torque")
    assert said == (
        "Torque: twenty newton metres. In passes of six newton metres, fourteen newton metres, and twenty newton metres. "
        "Crossing order, numbered clockwise: one, three, two, four."
    )
    assert "Pass one of three: six newton metres" in job.say("next step")
    job.say("pass is done", "pass is done")
    assert "What torque did you apply?" in job.say("pass is done")
    job.say("one hundred and seventy inch pounds", "affirm")
    stored = job.last(e.ValueRecorded)
    # 1 lbf.in = 0.112984829 N.m (NIST SP 811): 170 lbf.in = 19.2074 N.m, within 18 to 22.
    assert (stored.item, stored.unit, stored.verdict, stored.specified) == ("torque", "lbf.in", "within", Decimal(20))
    assert float(stored.si_value) == pytest.approx(170 * 0.112984829, rel=1e-8)


def test_a_timer_must_run_out_before_the_step_is_passed(job):
    at_bolts(job).say(*TIGHTENED)
    assert "Settling takes one minute. Say: start the timer." in job.say("next step")
    job.say("start the timer")
    job.wait(20)
    assert "forty seconds left" in job.say("next step")
    assert job.state.step == "end/wait"
    assert "Time is up: settling." in job.wait(41)
    job.say("next step")
    assert job.state.step == "end/sign"


def test_a_timer_can_be_stopped_and_starts_anew(job):
    at_bolts(job).say(*TIGHTENED, "start the timer")
    job.wait(30)
    assert "thirty seconds" in job.say("end the countdown")
    job.wait(100)
    assert "settling" in job.say("next step").lower()
    job.say("start the timer")
    job.wait(61)
    job.say("next step")
    assert job.state.step == "end/sign"


def test_a_hold_needs_the_second_persons_word(job):
    at_bolts(job).say(*TIGHTENED, "start the timer")
    job.wait(61)
    job.say("next step")
    assert "I release this hold" in job.say("next step")
    assert "last step" in job.say("i release this hold")
    assert "The job is closed." in job.say("finish the job")
    assert job.last(e.JobFinished).undone == ()


def test_a_skip_needs_a_reason_and_a_yes(job):
    at_look(job).say("skip this step", "part not available", "negative")
    assert not job.state.skipped
    job.say("skip this step", "already done", "affirm")
    assert job.last(e.StepSkipped).reason == "done_before"
    assert job.state.step == "work@right/look"


def test_make_safe_cannot_be_skipped_or_jumped_over(job):
    job.say("begin the job", "understood")
    assert "cannot be skipped" in job.say("skip this step")
    assert "not made safe" in job.say("go to stage finish up")
    assert "not made safe" in job.say("finish the job")
    assert job.state.step == "safe/lock"


def test_a_stage_ahead_is_reached_only_with_a_yes(job):
    assert "Steps not done before Finish up: two." in at_look(job).say("go to stage finish up")
    job.say("negative")
    assert job.state.step == "work@left/look"
    job.say("go to stage finish up", "affirm")
    assert job.state.step == "end/bolts"


def test_closing_with_steps_undone_names_how_many_and_lists_them(job):
    at_look(job)
    assert "Steps not done: five." in job.say("finish the job")
    job.say("affirm")
    assert len(job.last(e.JobFinished).undone) == 5


def test_a_pause_takes_nothing_but_resume(job):
    at_look(job).say("pause the job", "waiting for parts")
    assert job.state.paused
    assert "Not understood" in job.say("next step")
    job.say("resume work")
    assert not job.state.paused and job.state.step == "work@left/look"


def test_back_and_say_again(job):
    at_look(job)
    assert "Lock the air." in job.say("go back one")
    assert "There is no step before" in job.say("go back one")
    assert "Lock the air." in job.say("say again")


def test_read_outs(job):
    at_look(job)
    assert job.say("which tools") == "Tools: pick."
    assert job.say("which parts") == "No parts move in this step."
    assert "Stage Work, left. Step two of six." in job.say("where are we")
    assert "Not answered: Is light seen at the left ball?" in " ".join(job.said)
    assert "Say: next step" in job.say("what can i say")


def test_full_detail_says_why(job):
    assert "Only your own key protects you." in Dialogue(PLAN, "full").say("begin the job", "understood")
    assert "Only your own key protects you." not in job.say("begin the job", "understood")
    assert "Only your own key protects you." in job.say("tell me more")


def test_doubt_is_asked_again_then_offered_by_number_then_a_way_out(job):
    at_look(job).say("record a finding", "ball")
    assert job.say("mumble").startswith("Not understood. What condition?")
    assert "number one for sound, number two for worn" in job.say("mumble")
    said = job.say("mumble")
    assert "number twelve for missing" in said and "never mind, or pause the job" in said
    assert job.say("number two").startswith("What is to be done")
    job.say("replace", "no remarks", "affirm")
    assert job.last(e.FindingRecorded).condition == "worn"


def test_the_way_out_is_named_once():
    held = SMALL[: SMALL.index("stages:")] + "stages: [{id: end, title: End, steps: [{id: sign, instruction: Call her., hold: {who: supervisor, reason: She looks.}}]}]"
    job = Dialogue(plan_of(held))
    job.say("begin the job", "next step", "mumble", "mumble")
    said = job.say("mumble")
    assert "She looks." in said and said.count("never mind") == 1


def test_answers_by_number_only_after_two_failures(job):
    at_look(job).say("next step")
    assert "Not understood" in job.say("number two")
    assert "Say: number one for no light or number two for light shows." in job.say("mumble")
    job.say("number one")
    assert job.last(e.AnswerRecorded).said == "no light"


def test_a_denied_value_may_be_followed_by_the_right_one(job):
    at_look(job).say("next step", "no light", "thirty one point five")
    assert "Diameter, thirty one point six millimetres. Yes or no?" in job.say("no thirty one point six millimetres")
    job.say("yes")
    assert job.last(e.ValueRecorded).value == Decimal("31.6")


def test_a_bare_value_at_a_read_back_is_not_taken(job):
    at_look(job).say("next step", "no light", "thirty one point five")
    assert "Not understood" in job.say("thirty one point six")
    assert not any(isinstance(event, e.ValueRecorded) for event in job.events)


def test_a_value_far_outside_is_asked_for_again_and_taken_when_said_twice(job):
    at_look(job).say("next step", "no light")
    said = job.say("three hundred and fifteen")
    assert "Diameter, three hundred and fifteen millimetres: that is far outside. Say it once more." in said
    assert job.say("thirty one point five").startswith("Diameter, thirty one point five millimetres. Yes or no?")
    job.say("no", "three", "three")
    assert "Diameter, three millimetres. Yes or no?" in " ".join(job.said)
    job.say("yes")
    assert (job.last(e.ValueRecorded).value, job.last(e.ValueRecorded).verdict) == (Decimal(3), "out")


@pytest.mark.parametrize(
    ("said", "value", "doubted"),
    [
        ("thirty nine", "39", False),
        ("thirty nine point one", "39.1", True),
        ("ten", "10", False),
        ("nine", "9", True),
        ("zero", "0", True),
        ("two inches", "2", True),
        ("one inch", "1", False),
    ],
)
def test_a_value_outside_its_plausible_range_is_asked_for_again_and_taken_when_said_twice(said, value, doubted):
    # The limits are 31 to 32 mm: five times or a fifth of them is far from all of these. An inch is 25.4 mm.
    bench = at_look(Dialogue(plan_of(SMALL.replace("unit: mm,", "unit: mm, plausible_from: 10, plausible_to: 39,", 1))))
    bench.say("next step", "no light")
    answer = bench.say(said)
    assert ("that is far outside" in answer) == doubted
    assert not any(isinstance(event, e.ValueRecorded) for event in bench.events)
    if doubted:
        assert bench.last(e.Question).doubted == Decimal(value)
        answer = bench.say(said)
    assert "Yes or no?" in answer
    bench.say("yes")
    assert bench.last(e.ValueRecorded).value == Decimal(value)


def test_a_plausible_torque_is_named_in_its_own_unit():
    plan = plan_of(SMALL)
    planned = next(item for item in plan.steps if item.step.torque)
    torque = planned.step.torque.model_copy(update={"plausible_from": Decimal(1), "plausible_to": Decimal(2)})
    held = limits_of(plan, replace(planned, step=planned.step.model_copy(update={"torque": torque})), "torque")
    assert (held.plausible_from, held.plausible_to) == (1, 2)


def test_asleep_it_hears_nothing_but_the_wake_phrase(job):
    at_look(job).say("next step")
    assert "Not listening" in job.say("stop listening")
    before = len([event for event in job.events if event.kind != "heard"])
    for phrase in ("no light", "next step", "did you see the game", "pause the job"):
        assert job.say(phrase) == ""
    assert len([event for event in job.events if event.kind != "heard"]) == before
    assert job.say("hello bench").startswith("Listening. Is light seen at the left ball?")
    job.say("no light")
    assert job.last(e.AnswerRecorded).said == "no light"


def test_words_outside_the_open_question_are_not_taken(job):
    at_look(job).say("next step")
    before = len(job.kinds())
    job.say("affirm", "replace", "worn", "ball")
    assert len(job.kinds()) == before


@pytest.mark.parametrize("plan", [PLAN, PUMP, FLANGE], ids=["small", "pump", "flange"])
def test_every_event_survives_the_journal_form(plan):
    job = Dialogue(plan)
    job.say("begin the job", "understood", "next step")
    assert [e.read_event(event.kind, event.body()) for event in job.events] == job.events


def test_a_question_left_open_is_put_again_on_resuming_and_nothing_else_is_asked_for(job):
    at_look(job).say("next step", "no light", "forty", "affirm")
    said = [prompt.key for prompt in reopen(PLAN, job.state, "Kim", 0.0).prompts]
    assert said[-1] == "ask_out_of_limits" and "nothing_missing" not in said


def test_resuming_is_the_same_fold(job):
    at_look(job).say("next step", "no light", "thirty one")
    again = fold(e.read_event(event.kind, event.body()) for event in job.events)
    assert again == job.state
    assert expected(PLAN, again) == expected(PLAN, job.state)
