"""Questions and their answers: checks, values with read-back, findings, reasons. Nothing is recorded without a spoken yes,
except a closed answer, which is said back and can be changed."""

import re
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal

from assistant.engine import events as e
from assistant.engine.intents import Intent
from assistant.engine.choices import NO_REMARKS, step_part_names
from assistant.engine.computed import work_out
from assistant.engine.counts import moves_of, still_out, take_count
from assistant.engine.joint import say_pass_due
from assistant.engine.missing import Limits, Missing, check_of, limits_of, missing
from assistant.engine.readout import present, say_caution, spoken_time
from assistant.engine.remarks import AUDIO_ONLY, SOUND_NOT_KEPT
from assistant.engine.trainee import say_quiz, say_summary, take_quiz
from assistant.engine.turn import Amount, Turn
from assistant.figures.tolerance import decide as judged
from assistant.figures.tolerance import summary
from assistant.figures.units import convert, same_dimension, to_si
from assistant.procedure.plan import PlannedStep, stage_title

FAR = 5
"""Times a limit, or a fifth of it, past which a value is asked for again before it is read back. Common practice, no source."""


_REMARK_KINDS = {"none": "none", SOUND_NOT_KEPT: "not_kept"}
"""Source of a remark -> how its read-back calls it."""


def ask_for(turn: Turn, need: Missing, leaving: bool = False, corrects: int | None = None, key: str = "") -> None:
    """Open the question that fills one need of a step (the current one unless named)."""
    planned = turn.plan.by_key[key] if key else turn.here
    if need.what == "caution":
        say_caution(turn, int(need.item))
        turn.ask(e.Question("caution", planned.key, need.item, leaving=leaving))
        turn.say("acknowledge")
    elif need.what == "answer":
        turn.ask(e.Question("answer", planned.key, need.item, leaving=leaving, corrects=corrects))
        say_question(turn)
    elif need.what == "value":
        turn.ask(e.Question("value", planned.key, need.item, leaving=leaving, corrects=corrects))
        say_question(turn)
    elif need.what == "spelled":
        turn.ask(e.Question("spelled", planned.key, need.item, leaving=leaving, corrects=corrects))
        say_question(turn)
    elif need.what == "count":
        turn.ask(e.Question("count", planned.key, need.item, leaving=leaving, corrects=corrects))
        say_question(turn)
    elif need.what == "pass":
        say_pass_due(turn)
        turn.say("say_pass_done")
    elif need.what == "quiz" and planned.step.quiz:
        turn.ask(e.Question("quiz", planned.key, leaving=leaving))
        say_question(turn)
    elif need.what == "hold" and planned.step.hold:
        turn.ask(e.Question("hold", planned.key, leaving=leaving))
        say_question(turn)
    elif need.what == "timer" and planned.step.timer:
        _say_timer(turn, planned)


def _say_timer(turn: Turn, planned: PlannedStep) -> None:
    timer = planned.step.timer
    countdown = turn.state.timers.get(planned.key)
    if timer is None:
        return
    if countdown is None or countdown.started_s is None:
        turn.say("timer_needed", purpose=timer.purpose, length=spoken_time(timer.seconds))
    else:
        turn.say("timer_left", purpose=timer.purpose, left=spoken_time(countdown.started_s + countdown.seconds - turn.now_s))


def say_question(turn: Turn) -> None:
    """Say the open question, or say it again."""
    question = turn.state.question
    if question is None:
        return
    planned = turn.plan.by_key.get(question.step)
    match question.about:
        case "caution" if planned:
            say_caution(turn, int(question.item))
            turn.say("acknowledge")
        case "answer" if planned:
            check = check_of(planned.step, question.item)
            turn.say("ask_answer", ask=planned.text(check.ask), choices=tuple(answer.say for answer in check.answers))
        case "value" if planned:
            limits = limits_of(turn.plan, planned, question.item)
            if question.item == "torque":
                turn.say("ask_torque", unit=f"#units:{limits.unit}")
            else:
                turn.say("ask_value", ask=planned.text(check_of(planned.step, question.item).ask), unit=f"#units:{limits.unit}")
        case "spelled" if planned:
            turn.say("ask_spelled", ask=planned.text(check_of(planned.step, question.item).ask))
        case "confirm_spelled":
            turn.say("read_back_spelled", letters=f"#phonetic:{question.remark}")
        case "count" if planned:
            move = moves_of(planned)[question.item]
            known = turn.plan.procedure.fastener(move.fastener)
            turn.say(f"ask_count_{question.item.partition(':')[0]}", name=known.called(2) if known else move.fastener)
        case "quiz" if planned and planned.step.quiz:
            say_quiz(turn, planned.step.quiz)
        case "confirm_value" if planned and question.value is not None:
            turn.say("read_back", quantity=limits_of(turn.plan, planned, question.item).quantity, amount=Amount(question.value, question.unit))
        case "part":
            turn.say("ask_part", choices=part_names(turn))
        case "confirm_finding":
            turn.say("read_back_finding", part=question.part, condition=f"#conditions:{question.condition}", disposition=f"#dispositions:{question.disposition}", remark=f"#remark_kinds:{_REMARK_KINDS.get(question.remark_source, 'kept')}")
        case "confirm_skip":
            turn.say("read_back_skip", reason=f"#skip_reasons:{question.reason}")
        case "hold" if planned and planned.step.hold:
            turn.say("ask_hold", who=planned.step.hold.who, reason=planned.step.hold.reason)
        case "confirm_stage":
            turn.say("confirm_stage", count=undone_before(turn, question.item), title=dict(turn.plan.stage_runs)[question.item])
        case "out_of_limits" if ":" in question.item:
            turn.say("ask_count_again")
        case "confirm_finish":
            lines = still_out(turn.plan, turn.state)
            if lines:
                turn.say("still_out", lines=lines)
            turn.say("confirm_finish", count=len(turn.plan.steps) - len(turn.state.settled & turn.plan.position.keys()))
        case about:
            turn.say(f"ask_{about}")


def undone_before(turn: Turn, stage_run: str) -> int:
    """Steps neither done nor skipped that stand before a stage."""
    count = 0
    for planned in turn.plan.steps:
        if planned.stage_run == stage_run:
            break
        count += planned.key not in turn.state.settled
    return count


def part_names(turn: Turn) -> tuple[str, ...]:
    """Names of the parts a finding may be about in the current step; every part of the machine where it names none."""
    return step_part_names(turn.plan, turn.here)


def answer_question(turn: Turn, intent: Intent) -> bool:
    """Let the open question have the intent. False where it is not for it."""
    question = turn.state.question
    handler = _ANSWERS.get((question.about, intent.kind)) if question else None
    if question is None or handler is None:
        return False
    handler(turn, question, intent)
    return True


def _clips(question: e.Question, intent: Intent) -> tuple[str, ...]:
    return question.clips + ((intent.clip,) if intent.clip else ())


def _acknowledge(turn: Turn, question: e.Question, intent: Intent) -> None:
    number = int(question.item)
    caution = turn.plan.by_key[question.step].step.cautions[number]
    turn.record(e.CautionAcknowledged(question.step, number, caution.signal))
    present(turn, number + 1, question.leaving)


def _answer(turn: Turn, question: e.Question, intent: Intent) -> None:
    planned = turn.plan.by_key[question.step]
    check = check_of(planned.step, question.item)
    answer = next((item for item in check.answers if item.say == intent.choice), None)
    if answer is None:
        say_question(turn)
        return
    turn.record(e.AnswerRecorded(question.step, check.id, _clips(question, intent), question.corrects, planned.text(check.ask), answer.say, answer.result, answer.go_to))
    turn.say("answer_recorded", said=answer.say)
    if answer.go_to:
        go_to(turn, answer.go_to, planned)
    elif answer.result == "fail":
        turn.say("answer_failed")
    else:
        carry_on(turn, question.leaving)


def take_value(turn: Turn, question: e.Question, intent: Intent) -> None:
    """A value heard for an item: refuse a wrong kind of unit, else read it back."""
    planned = turn.plan.by_key[question.step]
    limits = limits_of(turn.plan, planned, question.item)
    unit = intent.unit or limits.unit
    if intent.value is None or (intent.quantity is not None and intent.quantity != limits.quantity) or not same_dimension(unit, limits.unit):
        turn.say("wrong_unit", quantity=limits.quantity, unit=f"#units:{limits.unit}")
        turn.ask(question)
        return
    if question.doubted != intent.value and _far_outside(convert(intent.value, unit, limits.unit), limits):
        turn.say("far_outside", quantity=limits.quantity, amount=Amount(intent.value, unit))
        turn.ask(replace(question, about="value", value=None, unit="", reason="", doubted=intent.value, clips=_clips(question, intent)))
        turn.say("say_once_more")
        return
    turn.ask(replace(question, about="confirm_value", value=intent.value, unit=unit, reason="spoken" if intent.unit else "bare", doubted=None, clips=_clips(question, intent)))
    say_question(turn)


def _far_outside(value: Decimal, limits: Limits) -> bool:
    """Whether a value was more likely misheard than measured: outside the plausible range, or, on a side where the procedure
    names none, so far from the limit as thirteen is from one hundred and thirty."""
    low, high = limits.at_least, limits.at_most
    if limits.plausible_to is not None:
        above = value > limits.plausible_to
    else:
        above = high is not None and high > 0 and value > high * FAR
    if limits.plausible_from is not None:
        below = value < limits.plausible_from
    else:
        below = low is not None and low > 0 and value < low / FAR
    return above or below


def _confirm_value(turn: Turn, question: e.Question, intent: Intent) -> None:
    if intent.choice != "yes":
        turn.ask(replace(question, about="value", value=None, unit="", reason="", clips=_clips(question, intent)))
        turn.say("value_again")
        say_question(turn)
        return
    assert question.value is not None
    planned = turn.plan.by_key[question.step]
    limits = limits_of(turn.plan, planned, question.item)
    if limits.readings > 1:
        _take_reading(turn, question, limits)
    else:
        _record_value(turn, question, limits, question.value, _clips(question, intent))


def _take_reading(turn: Turn, question: e.Question, limits: Limits) -> None:
    """One of several readings; with the last, their mean is recorded and judged."""
    key = (question.step, question.item)
    assert question.value is not None
    turn.record(e.ReadingTaken(question.step, question.item, question.value, question.unit, question.reason == "spoken", question.clips))
    taken = turn.state.readings[key]
    if len(taken) < limits.readings:
        turn.say("reading_taken", number=len(taken), total=limits.readings)
        turn.ask(e.Question("value", question.step, question.item, leaving=question.leaving, corrects=question.corrects))
        say_question(turn)
        return
    unit = taken[0].unit
    values = tuple(convert(reading.value, reading.unit, unit) for reading in taken)
    summed = summary(values)
    # One digit more than was read: a mean is finer than its readings, but not by fifty places.
    mean = summed.mean.quantize(Decimal(1).scaleb(min(int(value.as_tuple().exponent) for value in values) - 1))
    turn.say("readings_summed", total=len(values), mean=Amount(mean, unit), range=Amount(summed.span, unit))
    for place in summed.outliers:
        turn.say("reading_odd", number=place, amount=Amount(values[place - 1], unit))
    clips = tuple(clip for reading in taken for clip in reading.clips)
    _record_value(turn, replace(question, unit=unit, reason="spoken" if taken[0].unit_spoken else "bare"), limits, mean, clips, values)


def _record_value(turn: Turn, question: e.Question, limits: Limits, value: Decimal, clips: tuple[str, ...], readings: tuple[Decimal, ...] = ()) -> None:
    planned = turn.plan.by_key[question.step]
    verdict = judge(value, question.unit, limits)
    si_value, si_unit = to_si(value, question.unit)
    goes_to = limits.goes_to if verdict == "out" else None
    before = turn.state.recorded.get((question.step, question.item))
    turn.record(
        e.ValueRecorded(
            question.step, question.item, clips, question.corrects, limits.quantity, value, question.unit, question.reason == "spoken", si_value, si_unit,
            limits.at_least, limits.at_most, limits.unit, verdict, limits.specified, goes_to, limits.uncertainty, readings,
        )  # fmt: skip
    )
    turn.say("value_recorded")
    if verdict == "too close":
        turn.say("too_close")
    if verdict == "out":
        _say_limits(turn, limits)
    if goes_to:
        go_to(turn, goes_to, planned)
        return
    work_out(turn, planned, question.item, before is not None and before.again)
    if verdict in ("out", "too close"):
        turn.ask(e.Question("out_of_limits", question.step, question.item, leaving=question.leaving))
        turn.say("ask_out_of_limits")
    else:
        carry_on(turn, question.leaving)


def judge(value: Decimal, unit: str, limits: Limits) -> str:
    """within, out, "too close", or "no limits"; the value is converted to the unit of the limits, and a limit itself is within
    where the instrument's uncertainty is not known."""
    if limits.at_least is None and limits.at_most is None:
        return "no limits"
    held = convert(value, unit, limits.unit)
    decision = judged(held, limits.uncertainty or Decimal(0), limits.at_least, limits.at_most).verdict
    return "too close" if decision == "too close to call" else decision


def _say_limits(turn: Turn, limits: Limits) -> None:
    low = Amount(limits.at_least, limits.unit) if limits.at_least is not None else None
    high = Amount(limits.at_most, limits.unit) if limits.at_most is not None else None
    if low and high:
        turn.say("outside_both", low=low, high=high)
    elif low:
        turn.say("outside_low", low=low)
    elif high:
        turn.say("outside_high", high=high)


def _out_of_limits(turn: Turn, question: e.Question, intent: Intent) -> None:
    if intent.choice == "again":
        corrects = turn.state.recorded[(question.step, question.item)].sequence
        what = "count" if ":" in question.item else "value"
        ask_for(turn, Missing(what, question.item), question.leaving, corrects, question.step)
    else:
        turn.record(e.LeftOpen(question.step, question.item))
        turn.say("left_open")
        carry_on(turn, question.leaving)


def _spelled(turn: Turn, question: e.Question, intent: Intent) -> None:
    """Letters are held against their pattern, then read back by the spelling alphabet."""
    check = check_of(turn.plan.by_key[question.step].step, question.item)
    letters = intent.text or ""
    if check.spelled is None or not re.fullmatch(check.spelled.pattern, letters):
        turn.say("spelled_wrong", letters=f"#phonetic:{letters}")
        say_question(turn)
        return
    turn.ask(replace(question, about="confirm_spelled", remark=letters, clips=_clips(question, intent)))
    say_question(turn)


def _confirm_spelled(turn: Turn, question: e.Question, intent: Intent) -> None:
    planned = turn.plan.by_key[question.step]
    if intent.choice != "yes":
        turn.ask(e.Question("spelled", question.step, question.item, leaving=question.leaving, corrects=question.corrects))
        turn.say("value_again")
        say_question(turn)
        return
    check = check_of(planned.step, question.item)
    turn.record(e.AnswerRecorded(question.step, check.id, _clips(question, intent), question.corrects, planned.text(check.ask), question.remark or "", "pass"))
    turn.say("value_recorded")
    carry_on(turn, question.leaving)


def _count(turn: Turn, question: e.Question, intent: Intent) -> None:
    entry = take_count(turn, intent, question.corrects, _clips(question, intent))
    if entry is None:
        say_question(turn)
    else:
        after_count(turn, entry, question.leaving)


def after_count(turn: Turn, entry: e.CountRecorded, leaving: bool) -> None:
    """A count that differs is counted again or left open; one that agrees is done with."""
    if entry.verdict == "differs":
        turn.ask(e.Question("out_of_limits", entry.step, entry.item, leaving=leaving))
        say_question(turn)
    else:
        carry_on(turn, leaving)


def _quiz(turn: Turn, question: e.Question, intent: Intent) -> None:
    take_quiz(turn, question, intent)
    carry_on(turn, question.leaving)


def _finding_slot(slot: str, following: str) -> Callable[[Turn, e.Question, Intent], None]:
    def fill(turn: Turn, question: e.Question, intent: Intent) -> None:
        turn.ask(replace(question, about=following, **{slot: intent.choice or ""}, clips=_clips(question, intent)))
        say_question(turn)

    return fill


def _remark(turn: Turn, question: e.Question, intent: Intent) -> None:
    if intent.choice == NO_REMARKS:
        turn.ask(replace(question, about="confirm_finding", remark=None, remark_source="none", clips=_clips(question, intent)))
    else:
        # Never invented text: without words the sound alone stands for the remark.
        source = intent.source if intent.text else AUDIO_ONLY if intent.clip else SOUND_NOT_KEPT
        turn.ask(replace(question, about="confirm_finding", remark=intent.text, remark_source=source, clips=_clips(question, intent)))
    say_question(turn)


def _confirm_finding(turn: Turn, question: e.Question, intent: Intent) -> None:
    if intent.choice != "yes":
        turn.ask(e.Question("part", question.step, "finding", corrects=question.corrects, leaving=question.leaving))
        turn.say("finding_again")
        say_question(turn)
        return
    turn.record(e.FindingRecorded(question.step, "finding", _clips(question, intent), question.corrects, question.part, question.condition, question.disposition, question.remark, question.remark_source))
    turn.say("finding_recorded")
    carry_on(turn, question.leaving)


def _skip_reason(turn: Turn, question: e.Question, intent: Intent) -> None:
    turn.ask(replace(question, about="confirm_skip", reason=intent.choice or "", clips=_clips(question, intent)))
    say_question(turn)


def _confirm_skip(turn: Turn, question: e.Question, intent: Intent) -> None:
    if intent.choice != "yes":
        drop(turn)
        return
    turn.record(e.StepSkipped(question.step, question.reason, _clips(question, intent)))
    turn.say("skipped")
    advance(turn)


def _pause_reason(turn: Turn, question: e.Question, intent: Intent) -> None:
    turn.record(e.Paused(intent.choice or ""))
    turn.say("paused")


def _release(turn: Turn, question: e.Question, intent: Intent) -> None:
    hold = turn.plan.by_key[question.step].step.hold
    turn.record(e.HoldReleased(question.step, hold.who if hold else "", _clips(question, intent)))
    turn.say("released")
    carry_on(turn, question.leaving)


def _confirm_stage(turn: Turn, question: e.Question, intent: Intent) -> None:
    if intent.choice != "yes":
        drop(turn)
        return
    enter(turn, next(planned for planned in turn.plan.steps if planned.stage_run == question.item))


def _confirm_finish(turn: Turn, question: e.Question, intent: Intent) -> None:
    if intent.choice != "yes":
        drop(turn)
        return
    undone = tuple(planned.key for planned in turn.plan.steps if planned.key not in turn.state.settled)
    turn.record(e.JobFinished(undone))
    say_summary(turn)
    turn.say("finished")


def drop(turn: Turn) -> None:
    """Close the open question without an answer."""
    turn.record(e.QuestionDropped())
    turn.say("dropped")


def enter(turn: Turn, planned: PlannedStep, return_to: str | None = None) -> None:
    """Go to a step: name the stage where it is a new one, then say the step."""
    new_stage = planned.key.rpartition("/")[0] != turn.state.stage_said
    turn.record(e.StepEntered(planned.key, return_to))
    if new_stage:
        turn.say("stage", title=stage_title(planned))
    present(turn)


def go_to(turn: Turn, step_id: str, origin: PlannedStep) -> None:
    """Follow a jump rule; an on-demand step comes back to where it was called from."""
    target = turn.plan.target(step_id, origin)
    enter(turn, target, origin.key if target.step.on_demand else None)


def carry_on(turn: Turn, leaving: bool) -> None:
    """After something was recorded: ask for the next thing missing, or go on where the technician had asked to."""
    needs = missing(turn.plan, turn.state)
    if needs and (leaving or needs[0].what != "timer"):
        ask_for(turn, needs[0], leaving)
    elif leaving:
        complete(turn)
    else:
        turn.say("step_ready")


def complete(turn: Turn) -> None:
    """Nothing is missing: the step is done."""
    turn.record(e.StepCompleted(turn.state.step))
    advance(turn)


def advance(turn: Turn) -> None:
    """Go to the step after this one; from a detour, back to where it began."""
    if turn.state.step not in turn.plan.position:
        if turn.state.detours:
            turn.say("back_from_detour")
            enter(turn, turn.plan.by_key[turn.state.detours[-1]])
        return
    following = turn.plan.position[turn.state.step] + 1
    if following < len(turn.plan.steps):
        enter(turn, turn.plan.steps[following])
    else:
        turn.say("all_done")


_ANSWERS: dict[tuple[str, str], Callable[[Turn, e.Question, Intent], None]] = {
    ("caution", "understood"): _acknowledge,
    ("answer", "answer"): _answer,
    ("value", "value"): take_value,
    ("count", "count"): _count,
    ("spelled", "spelled"): _spelled,
    ("confirm_spelled", "confirm"): _confirm_spelled,
    ("quiz", "answer"): _quiz,
    ("confirm_value", "confirm"): _confirm_value,
    ("confirm_value", "value"): take_value,
    ("out_of_limits", "answer"): _out_of_limits,
    ("part", "answer"): _finding_slot("part", "condition"),
    ("condition", "answer"): _finding_slot("condition", "disposition"),
    ("disposition", "answer"): _finding_slot("disposition", "remark"),
    ("remark", "answer"): _remark,
    ("remark", "words"): _remark,
    ("confirm_finding", "confirm"): _confirm_finding,
    ("skip_reason", "answer"): _skip_reason,
    ("confirm_skip", "confirm"): _confirm_skip,
    ("pause_reason", "answer"): _pause_reason,
    ("hold", "release"): _release,
    ("confirm_stage", "confirm"): _confirm_stage,
    ("confirm_finish", "confirm"): _confirm_finish,
}
