"""The engine: `decide(plan, state, intent, now) -> Decision`. Pure: no clock, no disk, no sound."""

from collections.abc import Callable

from assistant.engine import events as e
from assistant.engine.choices import MISSES_BEFORE_NUMBERS, offer_by_number
from assistant.engine.dialogue import advance, after_count, answer_question, ask_for, carry_on, complete, drop, enter, say_question, take_value, undone_before
from assistant.engine.intents import Intent
from assistant.engine.last_entry import say_last_entry
from assistant.engine.missing import Limits, Missing, check_of, limits_of, missing
from assistant.engine.counts import moves_of, say_outstanding, still_out, take_count
from assistant.engine.joint import call_bolt, pass_done, say_torque, say_wrench
from assistant.engine.readout import present, say_cautions, say_detail, say_first_missing, say_parts, say_time_left, say_tools, say_where, spoken_time
from assistant.engine.trainee import say_summary
from assistant.engine.state import State
from assistant.engine.turn import Decision, Turn
from assistant.figures.units import same_dimension
from assistant.procedure.plan import Plan



def start(plan: Plan, job: e.JobStarted) -> Decision:
    """The first turn of a new job."""
    turn = Turn(plan, State(), 0.0)
    turn.record(job)
    turn.say("welcome", title=plan.procedure.title, asset=f"#spelled:{job.asset}")
    if plan.procedure.protective_equipment:
        turn.say("protective_equipment", items=tuple(plan.procedure.protective_equipment))
    turn.say("defer_to", text=plan.procedure.defer_to)
    turn.say("begin_when_ready")
    return turn.decision()


def reopen(plan: Plan, state: State, technician: str, now_s: float) -> Decision:
    """The first turn after the program was started again on a job: where it stands, and the open question."""
    turn = Turn(plan, state, now_s)
    turn.record(e.JobReopened(technician))
    turn.say("reopened")
    say_last_entry(turn)
    if state.paused:
        turn.say("still_paused")
    elif not state.begun:
        turn.say("begin_when_ready")
    elif state.question:
        say_where(turn, asked=True)
        say_question(turn)
    else:
        say_where(turn)
    return turn.decision()


def decide(plan: Plan, state: State, intent: Intent, now_s: float) -> Decision:
    """What to record and say on an intent.

    `now_s` is the clock's time in seconds since 1970 UTC; only timers use it.
    """
    turn = Turn(plan, state, now_s)
    if intent.kind == "tick":
        _tick(turn)
    elif state.finished:
        turn.say("already_finished")
    elif state.asleep:
        # Whatever else is said is not for the bench, and is not answered.
        if intent.kind == "wake":
            turn.record(e.ListeningStarted())
            turn.say("awake")
            say_question(turn)
    elif intent.kind == "unheard":
        _unheard(turn)
    elif state.paused:
        _while_paused(turn, intent)
    elif not answer_question(turn, intent):
        handler = _COMMANDS.get(intent.kind)
        if handler is None:
            _unheard(turn)
        elif not state.begun and intent.kind not in ("begin", "help", "repeat", "pause"):
            turn.say("begin_when_ready")
        else:
            handler(turn, intent)
    return turn.decision()


def _tick(turn: Turn) -> None:
    if turn.state.finished:
        return
    for key, countdown in turn.state.timers.items():
        timer = turn.plan.by_key[key].step.timer
        if countdown.started_s is not None and not countdown.done and turn.now_s >= countdown.started_s + countdown.seconds:
            turn.record(e.TimerDone(key))
            turn.say("timer_done", purpose=timer.purpose if timer else "")
        elif countdown.started_s is not None and not countdown.done and timer and timer.call_every:
            left = countdown.started_s + countdown.seconds - turn.now_s
            # The whole interval that has come up; the full time itself was said at the start.
            due = int(left // timer.call_every + 1) * timer.call_every if left % timer.call_every else int(left)
            if due < countdown.seconds and due < (countdown.called_s or countdown.seconds):
                turn.record(e.TimerCalled(key, due))
                turn.say("timer_left", purpose=timer.purpose, left=spoken_time(due))


def _unheard(turn: Turn) -> None:
    """A doubtful phrase is asked again; the second time the choices are offered by number; the third time, a way out."""
    misses = turn.state.misses
    if misses < MISSES_BEFORE_NUMBERS:
        turn.say("not_understood")
        if turn.state.question:
            say_question(turn)
        return
    turn.say("not_understood_choices")
    last = misses > MISSES_BEFORE_NUMBERS
    if not offer_by_number(turn):
        if last and turn.state.question:
            say_question(turn)  # the way out says what the help for a question would
        else:
            _help(turn)
    if last:
        turn.say("way_out")


def _while_paused(turn: Turn, intent: Intent) -> None:
    if intent.kind == "resume":
        turn.record(e.Resumed())
        turn.say("resumed")
        say_where(turn)
    else:
        turn.say("still_paused")


def _begin(turn: Turn, intent: Intent) -> None:
    if turn.state.begun:
        turn.say("already_begun")
        say_where(turn)
    else:
        enter(turn, turn.plan.steps[0])


def _next(turn: Turn, intent: Intent) -> None:
    if turn.state.step in turn.state.settled and not missing(turn.plan, turn.state):
        advance(turn)
        return
    needs = missing(turn.plan, turn.state)
    if needs:
        turn.say("not_yet")
        ask_for(turn, needs[0], leaving=True)
    else:
        complete(turn)


def _back(turn: Turn, intent: Intent) -> None:
    position = turn.plan.position.get(turn.state.step)
    if position is None and turn.state.detours:
        enter(turn, turn.plan.by_key[turn.state.detours[-1]])
    elif not position:
        turn.say("no_step_before")
    else:
        enter(turn, turn.plan.steps[position - 1])


def _repeat(turn: Turn, intent: Intent) -> None:
    if turn.state.question:
        say_question(turn)
    elif not turn.state.begun:
        turn.say("begin_when_ready")
    else:
        present(turn)


def _finding(turn: Turn, intent: Intent) -> None:
    leaving = turn.state.question.leaving if turn.state.question else False
    turn.ask(e.Question("part", turn.state.step, "finding", leaving=leaving))
    say_question(turn)


def _value_items(turn: Turn) -> list[str]:
    step = turn.here.step
    return (["torque"] if step.torque else []) + [check.id for check in step.checks if check.measure]


def _count(turn: Turn, intent: Intent) -> None:
    """A count said without being asked for."""
    if not moves_of(turn.here):
        turn.say("nothing_to_count")
        return
    entry = take_count(turn, intent, clips=(intent.clip,) if intent.clip else ())
    if entry is not None:
        after_count(turn, entry, False)


def _pass_done(turn: Turn, intent: Intent) -> None:
    if pass_done(turn) and not any(need.what == "pass" for need in missing(turn.plan, turn.state)):
        carry_on(turn, False)


def _outstanding(turn: Turn, intent: Intent) -> None:
    say_first_missing(turn)
    say_outstanding(turn)


def _pending(turn: Turn) -> list[str]:
    return [need.item for need in missing(turn.plan, turn.state) if need.what == "value"]


def _measure(turn: Turn, intent: Intent) -> None:
    items = _value_items(turn)
    if not items:
        turn.say("nothing_to_measure")
        return
    item = (_pending(turn) or items)[0]
    standing = turn.state.recorded.get((turn.here.key, item))
    ask_for(turn, Missing("value", item), corrects=standing.sequence if standing and not standing.again else None)


def _value(turn: Turn, intent: Intent) -> None:
    """A value said without being asked for: it is for the item of that quantity or kind of unit, or for the only one open."""
    items = [item for item in _pending(turn) or _value_items(turn) if _may_be(limits_of(turn.plan, turn.here, item), intent)]
    if not items:
        turn.say("nothing_to_measure")
        return
    if len(items) > 1:
        turn.say("which_value", choices=tuple(limits_of(turn.plan, turn.here, item).quantity for item in items))
        return
    standing = turn.state.recorded.get((turn.here.key, items[0]))
    corrects = standing.sequence if standing and not standing.again else None
    take_value(turn, e.Question("value", turn.here.key, items[0], corrects=corrects), intent)


def _may_be(limits: Limits, intent: Intent) -> bool:
    """Whether a value can be meant for this: its quantity, if one was named, and a unit of its kind, if one was said."""
    return intent.quantity in (None, limits.quantity) and (intent.unit is None or same_dimension(intent.unit, limits.unit))


def _check(turn: Turn, intent: Intent) -> None:
    needs = [need for need in missing(turn.plan, turn.state) if need.what in ("answer", "spelled")]
    if needs:
        ask_for(turn, needs[0])
    else:
        turn.say("no_check_open")


def _correct(turn: Turn, intent: Intent) -> None:
    if turn.state.last_entry is None:
        turn.say("nothing_to_correct")
        return
    sequence, entry = turn.state.last_entry
    leaving = turn.state.question.leaving if turn.state.question else False
    turn.say("correcting")
    if isinstance(entry, e.FindingRecorded):
        turn.ask(e.Question("part", entry.step, "finding", corrects=sequence, leaving=leaving))
        say_question(turn)
    else:
        spelled = isinstance(entry, e.AnswerRecorded) and check_of(turn.plan.by_key[entry.step].step, entry.item).spelled
        what = "spelled" if spelled else "answer" if isinstance(entry, e.AnswerRecorded) else "count" if isinstance(entry, e.CountRecorded) else "value"
        ask_for(turn, Missing(what, entry.item), leaving, sequence, entry.step)


def _skip(turn: Turn, intent: Intent) -> None:
    if turn.here.stage.make_safe or not turn.here.step.skippable:
        turn.say("cannot_skip")
        return
    turn.ask(e.Question("skip_reason", turn.state.step))
    say_question(turn)


def _pause(turn: Turn, intent: Intent) -> None:
    turn.ask(e.Question("pause_reason", turn.state.step))
    say_question(turn)


def _sleep(turn: Turn, intent: Intent) -> None:
    turn.record(e.ListeningStopped())
    turn.say("asleep")


def _resume(turn: Turn, intent: Intent) -> None:
    turn.say("not_paused")


def _stage(turn: Turn, intent: Intent) -> None:
    run = intent.choice or ""
    unsafe = [planned for planned in turn.plan.steps if planned.stage.make_safe and planned.key not in turn.state.settled]
    target = next((planned for planned in turn.plan.steps if planned.stage_run == run), None)
    if target is None:
        turn.say("not_understood")
    elif unsafe and turn.plan.position[target.key] > turn.plan.position[unsafe[0].key]:
        turn.say("make_safe_first")
    elif undone_before(turn, run):
        turn.ask(e.Question("confirm_stage", turn.state.step, run))
        say_question(turn)
    else:
        enter(turn, target)


def _timer_start(turn: Turn, intent: Intent) -> None:
    timer = turn.here.step.timer
    if timer is None:
        turn.say("no_timer")
        return
    running = turn.state.timers.get(turn.here.key)
    if running and running.started_s is not None and not running.done:
        turn.say("timer_left", purpose=timer.purpose, left=spoken_time(running.started_s + running.seconds - turn.now_s))
        return
    turn.record(e.TimerStarted(turn.here.key, timer.seconds, turn.now_s))
    turn.say("timer_started", purpose=timer.purpose, length=spoken_time(timer.seconds))


def _timer_stop(turn: Turn, intent: Intent) -> None:
    running = turn.state.timers.get(turn.state.step)
    if running is None or running.started_s is None or running.done:
        turn.say("no_timer_running")
        return
    ran = round(turn.now_s - running.started_s, 3)
    turn.record(e.TimerStopped(turn.state.step, ran))
    turn.say("timer_stopped", ran=spoken_time(ran))


def _help(turn: Turn, intent: Intent | None = None) -> None:
    question = turn.state.question
    if question is None:
        turn.say("help" if turn.state.begun else "begin_when_ready")
        if turn.state.begun:
            say_first_missing(turn)
    else:
        say_question(turn)
        if question.about in ("condition", "disposition", "skip_reason", "pause_reason"):
            turn.say("choices", group=f"#all:{question.about}")
        turn.say("help_question")


def _cancel(turn: Turn, intent: Intent) -> None:
    if turn.state.question:
        drop(turn)
    else:
        turn.say("nothing_to_drop")


def _understood(turn: Turn, intent: Intent) -> None:
    needs = missing(turn.plan, turn.state)
    if needs and needs[0].what == "caution":
        ask_for(turn, needs[0])
    else:
        turn.say("nothing_to_acknowledge")


def _release(turn: Turn, intent: Intent) -> None:
    needs = [need for need in missing(turn.plan, turn.state) if need.what == "hold"]
    if needs:
        ask_for(turn, needs[0])
    else:
        turn.say("no_hold")


def _finish(turn: Turn, intent: Intent) -> None:
    undone = [planned for planned in turn.plan.steps if planned.key not in turn.state.settled]
    unsafe = [planned for planned in undone if planned.stage.make_safe]
    if unsafe:
        turn.say("make_safe_first")
    elif undone or still_out(turn.plan, turn.state):
        turn.ask(e.Question("confirm_finish", turn.state.step))
        say_question(turn)
    else:
        turn.record(e.JobFinished(()))
        say_summary(turn)
        turn.say("finished")


_COMMANDS: dict[str, Callable[[Turn, Intent], None]] = {
    "begin": _begin,
    "next": _next,
    "back": _back,
    "repeat": _repeat,
    "details": lambda turn, intent: say_detail(turn),
    "cautions": lambda turn, intent: say_cautions(turn),
    "torque": lambda turn, intent: say_torque(turn),
    "pass_done": _pass_done,
    "bolts": call_bolt,
    "next_bolt": call_bolt,
    "wrench": lambda turn, intent: say_wrench(turn),
    "count": _count,
    "outstanding": _outstanding,
    "time_left": lambda turn, intent: say_time_left(turn),
    "tools": lambda turn, intent: say_tools(turn),
    "parts": lambda turn, intent: say_parts(turn),
    "where": lambda turn, intent: say_where(turn),
    "understood": _understood,
    "finding": _finding,
    "measure": _measure,
    "value": _value,
    "check": _check,
    "correct": _correct,
    "skip": _skip,
    "pause": _pause,
    "resume": _resume,
    "sleep": _sleep,
    "wake": lambda turn, intent: turn.say("listening"),
    "stage": _stage,
    "timer_start": _timer_start,
    "timer_stop": _timer_stop,
    "help": _help,
    "cancel": _cancel,
    "release": _release,
    "finish": _finish,
}
