"""Slips in a procedure's figures, each found at its line."""

from pathlib import Path

import pytest

from assistant.procedure.checks import check_procedure
from assistant.procedure.reader import parse_procedure
from tests.engine.test_figures_at_the_bench import JOB


def remarks(text: str) -> list[str]:
    return [remark.at(Path("p.yaml")) for remark in check_procedure(parse_procedure(text.encode(), Path("p.yaml")))]


def line_of(text: str, words: str) -> int:
    return next(number for number, line in enumerate(text.splitlines(), 1) if words in line)


def test_the_job_itself_is_in_order():
    assert [line for line in remarks(JOB) if "error" in line] == []


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("wrench: wrench, adapter", "wrench: wrenchh, adapter", 'there is no tool "wrenchh"; did you mean "wrench"?'),
        ("instrument: mic", "instrument: mick", 'there is no tool "mick"; did you mean "mic"?'),
        ("uncertainty: 0.01, unit: mm", "uncertainty: 0.01, unit: bar", 'the tool "mic" reads bar, which is not what is measured here (mm); name another tool'),
        ("uncertainty: 0.01, unit: mm", "uncertainty: 0.01", 'the figures of "mic" have no unit that is known; write unit'),
        ("name: micrometer, uncertainty: 0.01, unit: mm", "name: micrometer", 'the tool "mic" has no uncertainty; add it, or leave instrument out'),
        (", length_mm: 300", "", 'the tool "wrench" has no length_mm, so the setting with its adapter cannot be worked out; add it'),
        ("least: 4, most: 20, unit: N.m, length", "length", 'the tool "wrench" has no range; write least, most and unit'),
        ("most: 20, unit", "most: 100, unit", "under 20 N.m, 20 % of full scale; take a smaller wrench"),
        ("start: p-start", "start: p-strat", 'there is no measurement "p-strat"; did you mean "p-start"?'),
        ("start: p-start, ", "", 'the figure "leak" needs "start" under from; add a check or a constant'),
        ("volume: 2 L", "volume: 2 mm", '"2 mm" is in mm; this takes a figure that can be given in L'),
        ("volume: 2 L", "volumes: 2 L", 'there is no input of leak "volumes"; did you mean "volume"?'),
        ("unit: smL/min", "unit: L/min", "leak is worked out in smL/min; write that unit"),
        ("at: air, at_unit", "at: flow, at_unit", '"flow" is in L/min; this takes a figure that can be given in bar'),
        ("[[2, 30], [6, 70]]", "[[6, 70], [2, 30]]", "the points of a curve rise from one to the next; put them in order"),
        ("hours: hours}", "hours: rod}", '"rod" is in mm; this takes a figure that can be given in h'),
        ("value: 13, unit: N.m, wrench", "value: 60, unit: N.m, wrench", "takes the bolt M8x1.25 of 8.8, dry, to"),
        ("length_mm: 60, strength: \"8.8\"", "length_mm: 60, strength: \"8.8\", tapped_into: plastic, engaged_mm: 8", "thread in plastic is sure to hold"),
        ("{order: crossing, count: 4", "{order: rectangle, count: 4", "a rectangle needs rows that divide its count; write rows"),
        ("{order: crossing, count: 4", "{order: two-rows, count: 5", "two rows hold an even count; mend the count"),
    ],
)
def test_each_slip_is_found_at_its_line(old, new, expected):
    assert old in JOB
    text = JOB.replace(old, new, 1)
    found = [line for line in remarks(text) if expected in line]
    assert found, remarks(text)


def test_the_line_is_that_of_the_slip():
    text = JOB.replace("volume: 2 L", "volume: 2 mm")
    assert any(line.startswith(f"p.yaml:{line_of(text, 'volume: 2 mm')}:") for line in remarks(text))


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ("plausible_from: 1, plausible_to: 8", None),
        ("plausible_from: 2, plausible_to: 3", None),
        ("plausible_from: -1", None),
        ("plausible_from: 2.5", "plausible_from 2.5 is over the limit 2: good values would be asked for twice; write less"),
        ("plausible_to: 2.9", "plausible_to 2.9 is under the limit 3: good values would be asked for twice; write more"),
        ("plausible_from: 5, plausible_to: 1", "plausible_from 5 is not below plausible_to 1; exchange or mend them"),
    ],
)
@pytest.mark.parametrize("what", ["measure: {quantity: pressure, unit: bar, at_least: 2, at_most: 3", "torque: {value: 2.5, unit: N.m, tolerance_percent: 20"])
def test_a_plausible_range_holds_the_limits(what, keys, expected):
    kind = "checks: [{id: one, ask: How much?, " + what + ", " + keys + "}}]" if what.startswith("measure") else what + ", " + keys + "}"
    text = "procedure: small\ntitle: Small\nrevision: 1\ndate: 2026-01-05\nasset_class: pump\nstages: [{id: work, title: Work, steps: [{id: look, instruction: Look., " + kind + "}]}]\n"
    found = [line for line in remarks(text) if "plausible" in line]
    assert [line.split("error: ")[-1] for line in found] == ([expected] if expected else []), found
