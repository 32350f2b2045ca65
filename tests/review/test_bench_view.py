"""What the bench display shows: the fold of a running job, the drawing of the joint, and the level beside the journal."""

import json
import time
from datetime import UTC, datetime

import numpy as np
import pytest

from assistant.engine import events as e
from assistant.engine.state import State, evolve
from assistant.procedure.plan import PlannedStep
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.record.live import LIVE, SIZE, LiveFile, read_live
from assistant.review.bench_pages import level_of, newest_running
from assistant.review.bench_view import Follower, heard_phrase
from assistant.review.pattern import pattern_of
from assistant.speech.listen import MicrophoneListener
from tests.review.shop import FINDING, JOINT, TO_THE_FINDING, TO_THE_JOINT, Screen, bench_of, spoken_job
from tests.support import FLANGE, plan_of

START = datetime(2026, 3, 9, 8, 0, tzinfo=UTC)


def view_after(tmp_path, phrases, now_s=START.timestamp()):
    directory = spoken_job(tmp_path / "jobs", phrases=phrases)
    follower = Follower(FLANGE, directory.name)
    with Journal.read(directory) as journal:
        for item in journal.events():
            follower.take(item)
    return follower.view(now_s)


def test_before_the_first_step_it_says_so(tmp_path):
    view = view_after(tmp_path, [])
    assert (view.status, view.stage, view.step, view.steps, view.asset, view.technician) == ("not begun", "", None, 11, "F7", "Kim")


def test_a_step_with_its_caution_until_it_is_understood(tmp_path):
    view = view_after(tmp_path, ["begin the job"])
    assert (view.status, view.stage, view.step, view.instruction) == ("running", "Make safe", 1, "Close both valves, lock them, and hang your tag.")
    assert view.cautions[0][0] == "danger" and "fluid under pressure" in view.cautions[0][1]
    assert view.needed.startswith("the caution understood")
    assert view.next == "Open the drain and read the gauge."


def test_the_joint_pass_by_pass_and_bolt_by_bolt(tmp_path):
    before = [*TO_THE_FINDING, *FINDING, *TO_THE_JOINT]
    view = view_after(tmp_path, [*before, "pass is done", "bolt by bolt", "next bolt", "next bolt"])
    assert (view.torque.amount, view.torque.unit, view.torque.label) == ("107", "N·m", "pass 2 of 3, full torque 152.5, threads oiled")
    assert [each.state for each in view.pattern.passes] == ["done", "now", "waiting"]
    assert [(bolt.number, bolt.state) for bolt in view.pattern.path[:4]] == [(1, "done"), (5, "done"), (3, "now"), (7, "waiting")]
    assert view.pattern.words == "8 bolts, pass 2 of 3, in the order 1, 5, 3, 7, 2, 6, 4, 8. Done: 1, 5. Now: bolt 3."
    assert (view.heard.text, view.heard.percent, view.heard.words) == ("next bolt", 91, "heard surely")


def test_a_joint_that_is_done_has_no_bolt_of_the_moment(tmp_path):
    view = view_after(tmp_path, [*TO_THE_FINDING, *FINDING, *TO_THE_JOINT, *JOINT])
    assert {bolt.state for bolt in view.pattern.bolts} == {"done"} and view.pattern.toward is None
    assert view.torque.amount == "152.5" and view.kept == "torque 152 N·m, within"


def test_a_timer_counts_by_the_clock_and_a_pause_is_shown(tmp_path):
    phrases = [*TO_THE_FINDING, *FINDING, *TO_THE_JOINT, *JOINT, "next step", "next step", "i release this hold", "next step", "start the timer"]
    directory = spoken_job(tmp_path / "jobs", phrases=[*phrases, "pause the job", "waiting for parts"])
    follower = Follower(FLANGE, directory.name)
    with Journal.read(directory) as journal:
        events = journal.events()
    for item in events:
        follower.take(item)
    started = next(event.body["at_s"] for event in events if event.kind == "timer_started")
    view = follower.view(started + 100)
    assert view.status == "paused"
    assert [(timer.purpose, timer.left_s, timer.seconds, timer.done) for timer in view.timers] == [("pressure hold", 500, 600, False)]
    assert follower.view(started + 5000).timers[0].left_s == 0


@pytest.mark.parametrize(
    "confidence, rejected, engine, text, words",
    [(0.8, False, "vosk", "next step", "heard surely"), (0.79, False, "vosk", "next step", "heard fairly surely"), (0.49, False, "vosk", "next step", "heard doubtfully"), (0.3, True, "vosk", "", "not understood: say it again"), (1.0, False, "typed", "next step", "typed"), (0.6, False, "vosk", "", "kept as sound")],
)
def test_how_surely_a_phrase_was_heard_is_said_in_words(confidence, rejected, engine, text, words):
    assert heard_phrase(e.PhraseHeard(text, rejected, confidence, engine, "")).words == words


JOINT_YAML = """
procedure: one-joint
title: One joint
revision: 1
date: 2026-03-09
asset_class: joint
stages:
  - id: close
    title: Close
    steps:
      - id: tighten
        instruction: Tighten.
        torque: {value: 20, unit: N.m}
        tightening: {%s}
"""


@pytest.mark.parametrize(
    "tightening, kind, places",
    [
        # Numbering as assistant.figures.order.NUMBERING has it: bolt 1 at the top, clockwise; page by page; down the left row first.
        ("order: crossing, count: 4", "circle", {1: (0, -1), 2: (1, 0), 3: (0, 1), 4: (-1, 0)}),
        ("order: rectangle, count: 6, rows: 2", "grid", {1: (-1, -1), 2: (0, -1), 3: (1, -1), 4: (-1, 1), 6: (1, 1)}),
        ("order: two-rows, count: 6", "two rows", {1: (-1, -1), 3: (-1, 1), 4: (1, -1), 6: (1, 1)}),
        ("order: round, count: 1", "circle", {1: (0, -1)}),
    ],
)
def test_bolts_stand_where_their_numbers_are_called(tightening, kind, places):
    plan = plan_of(JOINT_YAML % tightening)
    here: PlannedStep = plan.steps[0]
    state = evolve(State(), e.StepEntered(here.key))
    pattern = pattern_of(plan, state, here)
    assert pattern.kind == kind
    for bolt in pattern.bolts:
        if bolt.number in places:
            assert (np.sign(round(bolt.x)), np.sign(round(bolt.y))) == places[bolt.number]
    for one in pattern.bolts:
        for other in pattern.bolts:
            assert one is other or np.hypot(one.x - other.x, one.y - other.y) > 2 * one.radius, "bolts must not overlap"


@pytest.mark.parametrize("count", [2, 8, 24, 40])
def test_many_bolts_still_fit_and_the_arrow_keeps_clear_of_them(count):
    plan = plan_of(JOINT_YAML % f"order: crossing, count: {count}")
    here = plan.steps[0]
    state = evolve(evolve(State(), e.StepEntered(here.key)), e.BoltCalled(here.key, 1))
    pattern = pattern_of(plan, state, here)
    x1, y1, x2, y2 = pattern.toward
    first, second = pattern.path[:2]
    assert first.state == "now" and np.hypot(x2 - second.x, y2 - second.y) >= second.radius


# --- the level beside the journal ---


def test_the_level_and_the_last_words_are_published_while_the_job_runs(tmp_path):
    shown = LiveFile(_Shown(), tmp_path, lambda: -31.5)
    with shown as display:
        display.said("Pass two of three.")
        display.recorded(None)
        until = time.monotonic() + 5
        while (live := read_live(tmp_path)) is None or not live.said:
            assert time.monotonic() < until, "nothing was published"
            time.sleep(0.05)
        assert (live.level_dbfs, live.said) == (-31.5, "Pass two of three.")
        assert (tmp_path / LIVE).stat().st_size == SIZE
    assert not (tmp_path / LIVE).exists() and read_live(tmp_path) is None
    assert shown._display.calls == ["said Pass two of three.", "recorded None"]


class _Shown(Screen):
    def __init__(self):
        self.calls = []

    def said(self, text):
        self.calls.append(f"said {text}")

    def recorded(self, event):
        self.calls.append(f"recorded {event}")


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"at": 5}', b'{"at": "x", "level_dbfs": 1, "said": ""}', b'{"at": 5, "level_dbfs": null, "said": ""}'])
def test_a_look_that_is_broken_or_old_is_none(tmp_path, content):
    (tmp_path / LIVE).write_bytes(content)
    assert read_live(tmp_path, now=1000.0) is None


def test_a_folder_that_cannot_be_written_does_not_stop_the_job(tmp_path):
    with LiveFile(_Shown(), tmp_path / "gone", lambda: None) as display:
        display.said("Still here.")
        time.sleep(0.1)
    assert not (tmp_path / "gone").exists()


@pytest.mark.parametrize("level, percent, words", [(None, 0, "none in use"), (-90.0, 0, "nearly silent"), (-38.0, 48, "good"), (-3.0, 100, "too loud")])
def test_the_level_in_words(tmp_path, level, percent, words):
    (tmp_path / LIVE).write_text(json.dumps({"at": time.time(), "level_dbfs": level, "said": ""}))
    assert level_of(read_live(tmp_path)) == {"percent": percent, "words": words}


class _Blocks:
    """A microphone that gives one loud block, then nothing."""

    def __init__(self):
        self._blocks = [np.full(1600, 3277, np.int16)]

    def read(self, timeout_s):
        return self._blocks.pop() if self._blocks else None

    def drain(self, seconds): ...


def test_a_listener_tells_the_level_also_while_it_is_deaf():
    listener = MicrophoneListener(_Blocks(), None)
    listener.deaf(True)
    assert listener.level_dbfs is None
    assert listener.listen(_Grammar(), 0.05) is None
    assert listener.level_dbfs == pytest.approx(-20.0, abs=0.01)


class _Grammar:
    values, spelling = False, False


def test_the_newest_running_job_is_the_one_whose_journal_is_held(tmp_path):
    store = tmp_path / "jobs"
    assert newest_running(store) is None
    spoken_job(store, "F1")
    assert newest_running(store) is None
    clock = SimulatedClock(START)
    with bench_of(store, "F2", "Kim", clock):
        assert newest_running(store).name.endswith("F2-01")
        with bench_of(store, "F0", "Lee", clock):
            assert newest_running(store).name.endswith("F0-01")
        assert newest_running(store).name.endswith("F2-01")
