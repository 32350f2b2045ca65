"""The service record of a job done by phrase: fasteners, parts, kits, times and learning, each counted by hand beside its check."""

import csv
import io
import json
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest

from assistant.record.accounts import step_minutes, times
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.record.report import as_csv, as_html, as_json
from assistant.record.service_record import service_record
from assistant.record.kept import read_events
from tests.engine.test_figures_at_the_bench import JOB
from tests.support import EN, Dialogue, plan_of

PLAN = plan_of(JOB)
START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
# (phrase, minutes that pass before it)
WHOLE = [
    ("begin the job", 0), ("next step", 1), ("eight hundred hours", 0), ("affirm", 0),
    ("next step", 6), ("three long bolts", 0), ("count again", 0), ("four long bolts", 0),
    ("say again", 1), ("next step", 1), ("nineteen point nine six", 0), ("affirm", 0), ("nineteen point nine five", 0), ("affirm", 0), ("nineteen point nine six", 0), ("affirm", 0),
    ("four short bolts", 0), ("four long bolts", 1), ("pass is done", 1), ("pass is done", 1), ("pass is done", 1), ("thirteen", 0), ("affirm", 0),
    ("pause the job", 0), ("taking a break", 0), ("resume work", 10), ("next step", 0),
    ("start the timer", 0), ("next step", 5), ("three bar", 0), ("affirm", 0), ("two point nine seven bar", 0), ("affirm", 0),
    ("ninety strokes per minute", 1), ("affirm", 0), ("forty litres per minute", 0), ("affirm", 0), ("four bar", 0), ("affirm", 0),
    ("next step", 0), ("finish the job", 0),
]  # fmt: skip


def keep(folder: Path, phrases, detail: str = "plain", plan=PLAN) -> dict:
    """Do a job by phrase with a clock set by hand, and read its record."""
    clock = SimulatedClock(START)
    job = Dialogue(plan, detail)
    with Journal.create(folder, clock) as journal:
        written = 0

        def write() -> None:
            nonlocal written
            for event in job.events[written:]:
                journal.append(event.kind, event.body())
            written = len(job.events)

        write()
        for phrase, minutes in phrases:
            clock.advance(60 * minutes)
            if minutes:
                job.wait(60 * minutes)
                write()
            job.say(phrase)
            write()
    return service_record(folder, plan, EN)


@pytest.fixture(scope="module")
def record(tmp_path_factory) -> dict:
    return keep(tmp_path_factory.mktemp("record") / "job", WHOLE)


def test_the_job_is_closed_with_every_step_done(record):
    assert record["status"] == "closed" and [step["status"] for step in record["steps"]] == ["done"] * 6


def test_fasteners_balance_by_place(record):
    assert record["fasteners"] == [
        {"fastener": "long bolt", "thread": "M8", "length_mm": 60.0, "kept": "the left tray", "out": 4, "in": 4, "still_out": 0, "counted_out": 4, "counted_in": 4}
    ]


def test_counts_corrections_and_look_alikes_stay_in_the_record(record):
    out, back = record["steps"][1], record["steps"][3]
    assert [(count["counted"], count["verdict"], bool(count["corrected_by"])) for count in out["counts"]] == [(3, "differs", True), (4, "agrees", False)]
    assert [(refused["fastener"], refused["counted"]) for refused in back["refused_counts"]] == [("short bolt", 4)]
    assert not any("Count differs" in point for point in record["open_points"])


def test_parts_and_kits(record):
    assert record["parts"] == [
        {"part": "ball", "count": 2, "from": "ball kit", "finding": None, "places": ["Work"]},
        {"part": "cover", "count": 1, "from": "the same machine", "finding": None, "places": ["Work"]},
    ]
    assert record["kits"] == [{"kit": "ball kit", "part": "ball", "held": 2, "used": 2, "left": 0, "over": 0}]


def test_each_pass_is_kept(record):
    assert [(one["number"], one["torque"], one["unit"]) for one in record["steps"][3]["passes"]] == [(1, 3.9, "N.m"), (2, 13.0, "N.m"), (3, 13.0, "N.m")]


def test_readings_uncertainty_and_wear(record):
    value = record["steps"][2]["values"][0]
    assert (value["value"], value["readings"], value["uncertainty"], value["verdict"]) == (19.957, [19.96, 19.95, 19.96], 0.01, "within")
    figures = {figure["figure"]: figure for figure in record["computed"]}
    # 0.043 mm worn of 0.1 mm in 800 h: 0.057 / 0.043 x 800 = 1060 h, rounded to two digits.
    assert (figures["rod-life"]["value"], figures["rod-life"]["unit"]) == (1100, "h")
    assert any("if wear goes on evenly" in line for line in figures["rod-life"]["working"])


def test_worked_out_figures_with_their_working(record):
    figures = {figure["figure"]: figure for figure in record["computed"]}
    assert figures["leak"]["value"] == pytest.approx(11.03, abs=0.02) and figures["leak"]["verdict"] == "within"
    assert (figures["by-strokes"]["value"], figures["by-strokes"]["unit"]) == (45, "L/min")
    # 40 of 50 L/min expected is 80 %, under the 90 % asked for.
    assert (figures["share"]["value"], figures["share"]["verdict"]) == (80, "out")
    assert any(point.startswith("Outside its limits: share of the curve 80 %") for point in record["open_points"])


def test_time_adds_up_by_hand(record):
    # Minutes between the phrases: 1+6+1+1+1+1+1+1+10+5+1 = 29, of which 10 paused and 5 waiting for the timer.
    time = record["time"]
    assert time["labour_hours"] == round(19 / 60, 2) and time["paused_minutes"] == 10 and time["waiting_minutes"] == 5
    work = next(stage for stage in time["stages"] if stage["stage"] == "Work")
    assert (work["planned_minutes"], work["minutes"]) == (5, 13)
    assert time["stages"][1]["waiting_minutes"] == 5
    assert [(step["planned_minutes"], round(step["seconds"] / 60)) for step in record["steps"][:2]] == [(2, 1), (3, 6)]


def test_three_forms_hold_the_same_entries(record):
    page = as_html(record)
    for words in ("Counted out: 4 long bolt", "Pass 1: 3.9 N·m", "mean of 19.96, 19.95, 19.96", "instrument ±0.01 mm", "11.03 standard mL/min" if "11.03" in page else "11.04 standard mL/min", "Labour 0.32 h"):
        assert words in page, words
    rows = list(csv.DictReader(io.StringIO(as_csv(record))))
    assert Counter(row["kind"] for row in rows) == {"value": 8, "count": 3, "pass": 3, "figure": 4}
    assert json.loads(as_json(record)) == record


def test_a_trainee_is_held_against_earlier_jobs(tmp_path):
    asked = [(phrase, minutes) for phrase, minutes in WHOLE]
    at = asked.index(("four short bolts", 0))
    asked.insert(at, ("it gets stronger", 0))
    first = keep(tmp_path / "first", asked, "full")
    assert first["training"]["right"] == 0 and first["training"]["questions"][0]["said"] == "it gets stronger"
    assert [line["times"] for line in first["training"]["said_again"]] == [1]
    # Planned 3 minutes for taking the cover off; 6 were taken, which is slow against the plan but not against an earlier 6.
    assert [line["step"] for line in first["training"]["slow"]] == ["work/out"]
    earlier = [step_minutes(times(PLAN, read_events(tmp_path / "first")))]
    again = service_record(tmp_path / "first", PLAN, EN, earlier)
    assert again["training"]["slow"] == []
    assert "Training" in as_html(first) and "Missed: What does a thin rod do?" in as_html(first)


def test_closing_early_leaves_open_points(tmp_path):
    record = keep(tmp_path / "job", [*WHOLE[:9], ("finish the job", 1), ("affirm", 0)])
    assert any(point == "Still out: long bolt, 4 (the left tray)" for point in record["open_points"])
    assert sum(point.startswith("Not done:") for point in record["open_points"]) == 4
