"""The commands for proof runs and lives: what they print, that they end in digits and in words, and one clear sentence for bad input."""

import shlex
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import click
import pytest
from click.testing import CliRunner

from assistant.cli import Commands
from assistant.engine import events as e
from assistant.figure_proof_cli import COMMANDS, read_events
from assistant.figures.life import PartEvent
from assistant.figures.thread import FigureError
from assistant.record.clock import SimulatedClock
from assistant.record.store import Store
from assistant.session import new_journal
from tests.support import ROOT

GROUP = Commands("gloveside", commands={"figure": click.Group("figure", commands={command.name: command for command in COMMANDS})})
LEAK = ["leak", "--volume", "5 L", "--start", "6 bar", "--end", "5.97 bar", "--time", "300 s", "--pressure", "gauge"]
CURVES = ["curve", "--curve", "4: 0/60 2/40 3.5/10", "--curve", "6: 0/80 2/65 5.5/12"]
CSV = """asset,place,hours,replaced,failed
P104,left,0,yes,
P104,right,0,yes,
P104,left,2100,yes,
P104,right,2100,yes,no
P104,left,3900,yes,
P104,right,4700,yes,
P104,left,5200,no,
P104,right,5200,no,
"""


@pytest.fixture
def run():
    return lambda *arguments, **how: CliRunner().invoke(GROUP, ["figure", *arguments], **how)


def ending(done) -> list[str]:
    assert done.exit_code == 0, done.output
    return done.stdout.splitlines()[-2:]


def refused(done, code: int = 2) -> str:
    assert done.exit_code == code, done.output
    sentence = done.stderr.strip()
    assert "\n" not in sentence and sentence.endswith(".") and not done.stdout.startswith("Result"), done.output
    return sentence


# The figures themselves are checked in tests/published; here the ending of each command, worked out there.
@pytest.mark.parametrize(
    ("arguments", "result", "said"),
    [
        (LEAK, "27.6 standard mL/min", "twenty seven point six standard millilitres per minute"),
        ([*LEAK, "--unit", "mbar.L/s"], "0.5 mbar.L/s", "zero point five millibar litres per second"),
        ([*LEAK, "--unit", "Pa.m3/s"], "0.05 Pa.m3/s", "zero point zero five pascal cubic metres per second"),
        ([*LEAK, "--start-temperature", "23 degC", "--end-temperature", "22 degC"], "5.77 standard mL/min", "five point seven seven standard millilitres per minute"),
        ([*LEAK, "--limit", "20"], "fail, 27.6 standard mL/min", "fail, twenty seven point six standard millilitres per minute"),
        ([*LEAK, "--limit", "28", "--step", "1 mbar"], "cannot tell, 27.6 standard mL/min", "cannot tell, twenty seven point six standard millilitres per minute"),
        (["bubbles", "12", "--diameter", "3 mm", "--temperature", "0 degC"], "0.17 standard mL/min", "zero point one seven standard millilitres per minute"),
        (["bubbles", "30 bubbles/min", "--diameter", "6.59 mm", "--limit", "5"], "pass, 4.19 standard mL/min", "pass, four point one nine standard millilitres per minute"),
        (["flow", "--count", "80", "--time", "1 min", "--counted", "cycle", "--displacement", "500 mL", "--per", "cycle", "--efficiency", "90"], "flow 36 L/min", "flow thirty six litres per minute"),
        (["flow", "--strokes", "160", "--displacement", "0.5 L", "--per", "cycle", "--measured", "36 L/min"], "volumetric efficiency 90 %", "volumetric efficiency ninety percent"),
        ([*CURVES, "--air", "5 bar", "--pressure", "2 bar", "--measured", "48 L/min"], "91.4 %", "ninety one point four percent"),
        (["lift", "--vapour", "23.39 mbar", "--density", "998.2"], "at most 10.1 m", "at most ten point one metres"),
        (["lift", "--altitude", "800 m", "--vapour", "23.4 mbar", "--density", "998", "--loss", "0.1 bar", "--needed", "2 m"], "at most 6.14 m", "at most six point one four metres"),
    ],
)
def test_a_command_ends_in_digits_and_in_words(run, arguments, result, said):
    assert ending(run(*arguments)) == [f"Result: {result}", f"Say: {said}"]


def test_the_working_of_a_leak_names_what_was_assumed(run):
    lines = run(*LEAK).stdout.splitlines()
    assert lines[0] == "Temperature not given: 20 degC at both ends, so that any cooling counts as a leak"
    assert lines[1] == "Barometer not given: 1013.25 mbar"
    assert "6 bar gauge + 1.01325 bar barometer = 7.01325 bar absolute" in lines[2]
    assert lines[-3] == "= 27.59 cm3/min at 0 degC and 1013.25 mbar (DIN 1343, from a secondary copy)"
    given = run(*LEAK, "--barometer", "990 mbar", "--start-temperature", "20 degC", "--end-temperature", "20 degC", "--reference", "anr").stdout
    assert "not given" not in given and "0.99 bar barometer" in given and "ISO 8778" in given


def test_a_leak_too_near_its_limit_says_how_long_to_wait(run):
    done = run(*LEAK, "--limit", "28", "--step", "1 mbar")
    wait = next(line for line in done.stdout.splitlines() if "wait" in line and line.startswith("To tell"))
    seconds = float(wait.split()[-2])
    # Waiting that long, with the pressure falling on at the same rate, settles it.
    again = run("leak", "--volume", "5 L", "--start", "6 bar", "--end", f"{6 - 0.03 * seconds / 300} bar", "--time", f"{seconds} s", "--pressure", "gauge", "--limit", "28", "--step", "1 mbar")
    assert ending(again)[0].startswith("Result: pass")


def test_the_step_of_a_thermometer_may_be_in_fahrenheit(run):
    first = run(*LEAK, "--step", "1 mbar", "--temperature-step", "0.1 degC").stdout
    second = run(*LEAK, "--step", "1 mbar", "--temperature-step", "0.18 degF").stdout
    assert first.splitlines()[-3] == second.splitlines()[-3]


def test_air_used_comes_before_the_flow(run):
    done = run("flow", "--strokes", "160", "--displacement", "0.5 L", "--per", "cycle", "--air", "5 bar")
    assert "Result: air used 237 L/min" in done.stdout and "free air at 1.01325 bar and 20 degC" in done.stdout
    assert ending(done)[0] == "Result: flow 40 L/min"
    other = run("flow", "--strokes", "160", "--displacement", "0.5 L", "--per", "cycle", "--air", "5 bar", "--air-volume", "0.6 L", "--reference", "anr")
    assert "ISO 8778" in other.stdout


# --- life ---


def test_life_from_a_file(run, tmp_path):
    path, picture = tmp_path / "diaphragms.csv", tmp_path / "diaphragms.png"
    path.write_text(CSV, encoding="utf-8-sig")
    done = run("life", str(path), "--plot", str(picture))
    assert "P104, right: 2100 h, had not failed" in done.stdout
    assert "6 lives: 3 failed, 3 suspended; 10400 h in all" in done.stdout
    result, said = ending(done)
    assert result.startswith("Result: B10 life 1") and result.endswith(" h") and said.startswith("Say: B10 life one thousand") and said.endswith("hours")
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert run("life", "-", input=CSV).stdout.splitlines()[:6] == done.stdout.splitlines()[:6]
    assert run("life", str(path), "--plot", str(tmp_path / "d.svg")).exit_code == 0 and "<svg" in (tmp_path / "d.svg").read_text()


def test_few_failures_end_with_the_mean_and_say_why(run, tmp_path):
    path = tmp_path / "few.csv"
    path.write_text("asset,place,hours,replaced\nP1,,0,yes\nP1,,900,yes\nP1,,1500,no\n")
    done = run("life", str(path))
    assert "No Weibull fit: it needs 3 failures or more, and here is 1" in done.stdout
    assert ending(done) == ["Result: mean life 1500 h", "Say: mean life one thousand five hundred hours"]
    assert "1 failure among 2 lives" in refused(run("life", str(path), "--plot", str(tmp_path / "few.png")))


def test_reading_events():
    text = " Asset ,hours,place,replaced,failed,note\nP1, 10 ,left,Yes,no,x\nP1,,left,1,,\n\nP1,20,,no\n"
    assert read_events(text, "x.csv") == [PartEvent("P1", "left", 10, True, False), PartEvent("P1", "left", None, True), PartEvent("P1", "", 20, False)]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "has no column asset and no column place"),
        ("asset,hours,replaced\n", "no column place; its first line must be asset,place,hours,replaced"),
        ("asset,place,hours,replaced\n,left,1,yes\n", "no asset in line 2 of x.csv"),
        ("asset,place,hours,replaced\nP1,left,many,yes\n", '"many" in line 2'),
        ("asset,place,hours,replaced\nP1,left,1,yes\nP1,left,2,perhaps\n", '"perhaps" under replaced in line 3'),
        ("asset,place,hours,replaced,failed\nP1,left,1,yes,perhaps\n", '"perhaps" under failed'),
        ("asset,place,hours,replaced\nP1,left,1,yes\0\n", "x.csv"),
    ],
)
def test_events_refused(text, says):
    with pytest.raises(FigureError, match=says):
        read_events(text, "x.csv")


QUICK = """procedure: quick
title: Quick job
revision: 1
date: 2026-03-02
language: en
shop: Tarn Valley Pump Shop
asset_class: pump
defer_to: the maker's manual
references: [{title: Pump maker's manual}]
protective_equipment: [gloves]
parts: [{id: ring, name: sealing ring, count: 1}]
kits: [{id: wet-kit, name: wet kit, contents: [{part: ring, count: 1}]}]
stages:
  - id: fit
    title: Fit
    steps:
      - id: hours
        instruction: Read the hour meter.
        checks: [{id: meter, ask: How many running hours does it show?, measure: {quantity: running hours, unit: h}}]
      - {id: out, instruction: Take out the ring., parts_out: [{part: ring, discard: true}]}
      - {id: in, instruction: Put in a new ring., parts_in: [{part: ring, from: wet-kit}]}
"""


def closed_jobs(store, *readings):
    """Jobs on P104, a day apart, that each put in a new ring at these hours and were closed."""
    day = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    for number, hours in enumerate(readings):
        clock = SimulatedClock(day + timedelta(days=number))
        job, directory = Store(store).new_job("P104", clock)
        with new_journal(directory, QUICK.encode(), clock) as journal:
            for event in (
                e.JobStarted(job, "quick", "Quick job", "1", "0" * 64, "P104", "Kim", "plain"),
                e.ValueRecorded("fit/hours", "meter", (), None, "running hours", Decimal(hours), "h", True, Decimal(3600 * hours), "s", None, None, "h", "no limits"),
                e.StepCompleted("fit/in"),
                e.JobFinished(()),
            ):
                journal.append(event.kind, event.body())


def test_life_from_closed_jobs(run, tmp_path):
    closed_jobs(tmp_path, 100, 1100, 3100, 4600)
    done = run("life", "--store", str(tmp_path), "--part", "Sealing ring")
    assert done.stdout.splitlines()[:3] == ["P104: 1000 h, failed", "P104: 2000 h, failed", "P104: 1500 h, failed"]
    assert ending(done)[0].startswith("Result: B10 life ")
    assert "No part has failed in 4500 h" in refused(run("life", "--store", str(tmp_path), "--part", "sealing ring", "--found-failed"))
    assert "the records name sealing ring" in refused(run("life", "--store", str(tmp_path), "--part", "ball"))


def test_a_damaged_job_keeps_its_own_exit_code(run, tmp_path):
    closed_jobs(tmp_path, 100, 1100)
    (next(tmp_path.iterdir()) / "journal.sqlite").write_bytes(b"no journal")
    refused(run("life", "--store", str(tmp_path), "--part", "sealing ring"), code=5)


def test_life_from_a_store_without_jobs(run, tmp_path):
    assert "no job in" in refused(run("life", "--store", str(tmp_path), "--part", "sealing ring"))


# --- refusals ---


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["leak", "--volume", "5"], '"5" has no unit'),
        (LEAK[:-2], "Missing option '--pressure'"),
        ([*LEAK, "--start-temperature", "20 degC"], "A temperature corrects nothing alone"),
        ([*LEAK, "--temperature-step", "0.1 degC"], "add --step"),
        ([*LEAK, "--time", "0 s"], "time must be a number over 0"),
        ([*LEAK, "--end", "-2 bar"], "below a perfect vacuum"),
        ([*LEAK, "--limit", "0"], "limit must be"),
        ([*LEAK, "--limit", "nan"], "limit must be"),
        ([*LEAK, "--start", "6 L"], "no unit that can be used here"),
        ([*LEAK, "--pressure", "absolute", "--barometer", "1 bar"], "needs no barometer"),
        (["bubbles", "-1", "--diameter", "3 mm"], "No such option"),
        (["bubbles", "12", "--diameter", "0 mm"], "bubble diameter must be"),
        (["flow", "--displacement", "1 L", "--per", "cycle"], "Say how fast it strokes"),
        (["flow", "--count", "20", "--displacement", "1 L", "--per", "cycle"], "Say how fast it strokes"),
        (["flow", "--strokes", "20", "--displacement", "1 L", "--per", "cycle", "--efficiency", "90", "--measured", "9 L/min"], "either given or measured"),
        (["flow", "--strokes", "20", "--displacement", "1 L", "--per", "cycle", "--reference", "anr"], "add --air"),
        (["flow", "--strokes", "20", "--displacement", "1 L", "--per", "cycle", "--efficiency", "120"], "is over 1"),
        ([*CURVES, "--air", "7 bar", "--pressure", "2 bar", "--measured", "48 L/min"], "no curve for 7 bar air"),
        ([*CURVES, "--air", "5 bar", "--pressure", "5 bar", "--measured", "48 L/min"], "lies outside the curve at 4 bar air"),
        (["curve", "--curve", "0/60 2/40", "--air", "4 bar", "--pressure", "2 bar", "--measured", "48 L/min"], "is no curve; write"),
        (["curve", "--curve", "4: 0-60", "--air", "4 bar", "--pressure", "2 bar", "--measured", "48 L/min"], "is no curve; write"),
        (["lift", "--vapour", "2 bar", "--density", "998"], "boils"),
        (["lift", "--vapour", "0.02 bar", "--density", "998", "--altitude", "9 m", "--barometer", "1 bar"], "either read or worked out"),
        (["life"], "Say where the lives are"),
        (["life", "x.csv", "--store", "jobs", "--part", "rod"], "Say where the lives are"),
        (["life", "--store", "jobs"], "Say where the lives are"),
        (["life", "no-such.csv"], "no-such.csv cannot be read"),
        (["life", "x.csv", "--plot", "x.gif"], "neither .png nor .svg"),
    ],
)
def test_refusals(run, arguments, says):
    assert says in refused(run(*arguments))


def test_no_failure_yet(run):
    assert "No part has failed in 900 h" in refused(run("life", "-", input="asset,place,hours,replaced\nP1,,0,yes\nP1,,900,no\n"))


def test_a_file_that_is_no_text(run, tmp_path):
    path = tmp_path / "picture.csv"
    path.write_bytes(b"\xff\xfe\x00P")
    assert "no text in UTF-8" in refused(run("life", str(path)))


def test_a_picture_that_cannot_be_written(run, tmp_path):
    assert "cannot be written" in refused(run("life", "-", "--plot", str(tmp_path / "none" / "x.png"), input=CSV))


# --- help ---


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.name)
def test_help_and_examples(run, command):
    shown = run(command.name, "--help")
    assert shown.exit_code == 0 and f"gloveside figure {command.name}" in shown.stdout.split("Examples:")[1]
    assert all(option.help for option in command.params if isinstance(option, click.Option))


# The examples of the help are run as they stand, but for those that need files.
@pytest.mark.parametrize("example", [line.strip() for command in COMMANDS for line in (command.epilog or "").splitlines() if "gloveside" in line and " life " not in line])
def test_the_examples_work(run, example):
    assert ending(run(*shlex.split(example)[2:]))[0].startswith("Result: ")


def test_importing_the_commands_is_fast():
    code = "import sys, assistant.figure_proof_cli; print(*[name for name in ('numpy', 'scipy', 'matplotlib', 'pint', 'pydantic', 'yaml') if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert (done.stdout.strip(), done.stderr) == ("", "")

