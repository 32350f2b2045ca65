"""The terminal view: stage, step n of m, time in the step, torque, what is needed; the newest of the dialogue always on the screen."""

import io

import pytest
from rich.console import Console

from assistant.display import LiveDisplay, PlainDisplay, _block, heard_line, standing
from assistant.engine import events as e
from assistant.speech.recognise import Heard
from tests.engine.test_everywhere import STATES
from tests.support import PUMP

HEARD = Heard("next step", 0.9, False, 1.0, 0.1, "pocketsphinx")


def shown(renderable, width: int = 100) -> str:
    console = Console(width=width, file=io.StringIO(), record=True)
    console.print(renderable)
    return console.export_text()


def letters(text: str) -> list[str]:
    return _block(text).plain.splitlines()


def stands_in(block: list[str], text: str) -> bool:
    """Whether the rows of a block stand one under another, none moved to the side."""
    lines = text.splitlines()
    return any(all(lines[at + row][column:].startswith(part) for row, part in enumerate(block)) for at in range(len(lines) - len(block)) for column in range(len(lines[at])))


@pytest.mark.parametrize("width", [80, 100, 160])
@pytest.mark.parametrize("number", [0, 20, 40, 66])
def test_step_and_time_stand_in_block_letters(number, width):
    key = PUMP.steps[number].key
    state = next(state for state in STATES if state.step == key)
    text = shown(standing(PUMP, state, 97), width)
    for wanted in (f"{number + 1}/{len(PUMP.steps)}", "1", "37"):
        assert stands_in(letters(wanted), text), text


def test_torque_and_what_is_needed_are_shown():
    there = [state for state in STATES if state.step == "chambers-on@left/chamber-on" and state.question is None]
    text = shown(standing(PUMP, there[0], 5))
    assert "PASS 1 OF 4, N·m (FULL TORQUE 13)" in text and stands_in(letters("3.9"), text)
    assert "count of the long" in text and "torque in N·m" in text
    text = shown(standing(PUMP, there[-1], 5))
    assert "TORQUE, N·m" in text and stands_in(letters("13"), text) and "needed: nothing more" in text


def test_no_state_of_a_whole_job_fails_to_draw():
    for state in STATES:
        assert shown(standing(PUMP, state, 5)).strip()


@pytest.mark.parametrize(("width", "height"), [(100, 34), (80, 24), (60, 20), (200, 60)])
def test_the_newest_line_is_always_on_the_screen(width, height):
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=width, height=height, color_system=None)
    state = next(state for state in STATES if state.step == "receive/outside")
    with LiveDisplay(console, lambda: "next st") as display:
        display.stands(PUMP, state, 0.0)
        for number in range(40):
            display.said(f"Line number {number} of a long dialogue.")
        last = out.getvalue().rsplit("dialogue ─", 1)[1]
        assert "Line number 39" in last and "next st_" in last
        assert "Line number 0 " not in last


def test_plain_lines():
    out = io.StringIO()
    with PlainDisplay(Console(file=out, width=40)) as display:
        display.said("Say: begin the job.")
        display.heard(HEARD)
        display.recorded(e.StepCompleted("make-safe/lock"))
        display.recorded(e.StepEntered("make-safe/lock", None))
    assert out.getvalue().splitlines() == ["      says  Say: begin the job.", '     heard  "next step"  0.90', "  recorded  done: make-safe/lock"]


def test_what_was_not_understood_is_shown_as_such():
    assert heard_line(Heard("two five", 0.1, True, 1.0, 0.1, "pocketsphinx")) == "(not understood, two five)"
