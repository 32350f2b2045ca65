"""`gloveside figure` as its users meet it: the working, the result in digits and in words, one sentence for bad input."""

import shlex
import subprocess
import sys
from decimal import Decimal

import click
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from assistant.cli_help import example
from assistant.figure_cli import figure, read_amount, shown, unit_key
from assistant.figures.thread import FigureError
from assistant.figures.units import PINT_UNITS, digits, unit_symbol


def run(line: str):
    return CliRunner().invoke(figure, shlex.split(line), prog_name="gloveside figure")


@pytest.mark.parametrize(
    ("line", "working", "result", "said"),
    [
        ("torque M10 8.8 oiled", "Preload F = 75 % x 580.0 MPa", "37.8 N·m", "thirty seven point eight newton metres"),
        ("torque M10 8.8 oiled --percent 60", "Preload F = 60 %", "30.3 N·m", "thirty point three newton metres"),
        ("torque '3/8-16 UNC' 'SAE 5' dry --unit lbf.ft", "= 30.9 lbf.ft", "30.9 lbf·ft", "thirty point nine foot pounds"),
        ("torque M8 8.8 dry --check '42 N.m'", "to 124 percent of its proof load", "25.5 N·m", "twenty five point five newton metres"),
        ("torque M8 8.8 dry --check '10 N.m' --engaged '12 mm' --material aluminium", "No warning", "25.5 N·m", "twenty five point five newton metres"),
        ("torque M8 8.8 dry --check '20 N.m' --engaged '0.5 inch' --material aluminium", "Warning: 20 N.m is over the", "25.5 N·m", "twenty five point five newton metres"),
        (
            "vdi M12x1.25 --yield '640 MPa' --thread-friction 0.12 --face-friction 0.12 --face '16.63 mm' --hole '13.5 mm'",
            "(VDI 2230)", "90.4 N·m", "ninety point four newton metres",
        ),
        ("wrench '80 N.m' --length '400 mm' --offset '50 mm' --angle 0", "80 x 400 / 450 = 71.11 N.m", "71.1 N·m", "seventy one point one newton metres"),
        ("wrench '42 N.m' --length '400 mm' --offset '50 mm' --angle '90 deg'", "E cos a = 0 mm", "42 N·m", "forty two newton metres"),
        ("wrench '60 lbf.ft' --length '16 inch' --offset '2 inch' --angle 0 --full-scale '40 lbf.ft'", "take a larger wrench", "53.3 lbf·ft", "fifty three point three foot pounds"),
        ("hole M8 --engaged '12 mm' --material aluminium --lubrication oiled", "The hole strips at 202.8 mm2 x 90 MPa = 18.25 kN", "at most 14.6 N·m", "at most fourteen point six newton metres"),
        ("hole M8 --engaged '12 mm' --material aluminium --lubrication oiled --check '12 lbf.ft'", "Warning: 12 lbf·ft is over that", "at most 10.7 lbf·ft", "at most ten point seven foot pounds"),
        ("order --bolts 4", "clockwise", "1, 3, 2, 4", "one, three, two, four"),
        ("order --bolts 8 --torque '42 N.m'", "Pass second: 21 to 29.4 N·m, in the order below", "1, 5, 3, 7, 2, 6, 4, 8", "one, five, three, seven, two, six, four, eight"),
        ("order --bolts 8 --torque '42 N.m'", "Say: second pass, twenty one to twenty nine point four newton metres", "1, 5, 3, 7, 2, 6, 4, 8", "one, five, three, seven, two, six, four, eight"),
        ("order --grid 2x3", "top left", "2, 5, 1, 6, 3, 4", "two, five, one, six, three, four"),
        ("order --grid '3 x 3' --perimeter", "round the edge", "2, 6, 4, 8, 1, 5, 3, 7", "two, six, four, eight, one, five, three, seven"),
        ("order --two-row 2", "left row first", "1, 4, 2, 3", "one, four, two, three"),
        ("decide '25.01 mm' --uncertainty '6 um' --at-least '24.98 mm' --at-most '25.02 mm'", "Proven within: 24.986 to 25.014 mm", "within, 25.01 mm", "within, twenty five point zero one millimetres"),
        ("decide '25.017 mm' --uncertainty '0.006 mm' --at-least '24.98 mm' --at-most '25.02 mm'", "measure again", "too close to call, 25.017 mm", "too close to call, twenty five point zero one seven millimetres"),
        ("decide '0.4 mm' --uncertainty '0.02 mm' --at-most '0.35 mm'", "Proven out: over 0.37 mm", "out, 0.4 mm", "out, zero point four millimetres"),
        # An uncertainty is a difference: 0.9 degF are 0.5 degC.
        ("decide '-3 degC' --uncertainty '0.9 degF' --at-most '0 degC'", "U = 0.5 °C", "within, -3 °C", "within, minus three degrees celsius"),
        ("readings 10.02 10.03 10.01 10.02 10.31 --unit mm", "Reading 5, 10.31 mm, stands apart", "mean 10.078 mm", "mean ten point zero seven eight millimetres"),
        ("readings -2 -3 '-0.004 m' --unit mm", "Range = -2 - -4 = 2 mm", "mean -3 mm", "mean minus three millimetres"),
        ("wear --new '6 mm' --now '5.4 mm' --limit '4.5 mm' --hours 1200", "if wear goes on evenly", "1800 h", "one thousand eight hundred hours"),
        ("wear --new '4 thou' --now '7 thou' --limit '0.012 inch' --hours '900 h'", "Opened by 3 thou", "1500 h", "one thousand five hundred hours"),
        ("wear --new '6 mm' --now '4 mm' --limit '4.5 mm' --hours 1200", "already passed", "0 h", "zero hours"),
    ],
)  # fmt: skip
def test_working_digits_and_words(line, working, result, said):
    done = run(line)
    assert done.exit_code == 0, done.output
    assert working in done.stdout
    assert done.stdout.splitlines()[-2:] == [f"Result: {result}", f"Say: {said}"]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("torque M8", "STRENGTH"),
        ("torque M8 8.8 honey", "use one of dry"),
        ("torque X8 8.8 dry", "not a thread"),
        ("torque M8 'SAE 5' dry", "do not go together"),
        ("torque M8 8.8 dry --percent 120", "0 to 90 %"),
        ("torque M8 8.8 dry --check 42", '"42" has no unit; write it like 42 N.m, with one of N.m, lbf.in, lbf.ft'),
        ("torque M8 8.8 dry --check '42 mm'", "use one of N.m, lbf.in, lbf.ft"),
        ("torque M8 8.8 dry --check nan", "no number with a unit"),
        ("torque M8 8.8 dry --unit mm", "use one of N.m"),
        ("torque M8 8.8 dry --engaged '12 mm' --material brass", "add --check"),
        ("torque M8 8.8 dry --check '9 N.m' --engaged '12 mm'", "both the engaged length and the material"),
        ("torque M8 8.8 dry --foo 3", "--foo"),
        ("vdi 3/8-16 --yield '640 MPa' --thread-friction 0.12 --face-friction 0.12 --face '16 mm' --hole '13 mm'", "metric threads"),
        ("vdi M12 --yield '640 MPa' --thread-friction 2 --face-friction 0.12 --face '16 mm' --hole '13 mm'", "from 0 to 1"),
        ("vdi M12 --yield '640 MPa' --thread-friction inf --face-friction 0.12 --face '16 mm' --hole '13 mm'", "from 0 to 1"),
        ("wrench '80 N.m' --length '400 mm' --offset '400 mm' --angle 180", "no arm"),
        ("wrench '80 N.m' --length '400 mm' --offset '50 mm' --angle 0 --least '20 N.m'", "add --full-scale"),
        ("wrench '80 N.m' --length '400 mm' --offset '50 mm' --angle 0 --least '99 N.m' --full-scale '90 N.m'", "between 0 and full scale"),
        ("wrench '9999999999999 N.m' --length '400 mm' --offset '50 mm' --angle 0", "too large"),
        ("wrench '80 N.m' --offset '50 mm' --angle 0", "--length"),
        ("hole M8 --engaged '12 mm' --material cheese --lubrication dry", "use one of aluminium"),
        ("hole M8 --engaged '1 mm' --material brass --lubrication dry", "less than one turn"),
        ("order", "give one of --bolts, --grid or --two-row"),
        ("order --bolts 4 --grid 2x2", "give one of --bolts, --grid or --two-row"),
        ("order --bolts 1", "whole number from 2 to 1000"),
        ("order --bolts four", "whole number from 2 to 1000"),
        ("order --bolts 4 --perimeter", "add --grid"),
        ("order --grid 3", "such as 3x4"),
        ("order --grid 1x1", "has no order"),
        ("order --bolts 4 --torque '0 N.m'", "over 0"),
        ("decide 25.01 --uncertainty '6 um' --at-most '25.02 mm'", "has no unit"),
        ("decide '25.01 mm' --uncertainty '6 bar' --at-most '25.02 mm'", "use one of mm"),
        ("decide '25.01 mm' --uncertainty '6 um'", "no limit to decide by"),
        ("readings 10 --unit mm", "at least two"),
        ("readings 10 x --unit mm", '"x" is no number'),
        ("readings 10 11 --unit furlong", '"furlong" is no unit'),
        ("wear --new '6 mm' --now '6.1 mm' --limit '4.5 mm' --hours 1200", "grown"),
        ("wear --new '6 mm' --now '5 mm' --limit '4.5 mm' --hours 0", "no rate of wear"),
        ("nosuch", "nosuch"),
    ],
)
def test_bad_input_is_one_sentence_and_exit_code_two(line, says):
    done = run(line)
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    said = done.stderr.strip()
    assert says in said
    assert "\n" not in said and said.endswith(".") and not said.endswith("..")


def examples():
    for name, command in sorted(figure.commands.items()):
        for line in (command.epilog or "").splitlines():
            if line.strip().startswith("gloveside figure"):
                yield pytest.param(line.strip(), id=f"{name}: {line.strip()[-30:]}")


@pytest.mark.parametrize("line", [*examples(), *(line.strip() for line in figure.epilog.splitlines() if line.strip().startswith("gloveside"))])
def test_every_example_in_the_help_works(line):
    done = run(line.removeprefix("gloveside figure"))
    assert done.exit_code == 0, done.output
    assert done.stdout.splitlines()[-1].startswith("Say: ")


@pytest.mark.parametrize("name", ["torque", "vdi", "wrench", "hole", "order", "decide", "readings", "wear"])
def test_every_command_has_help_with_examples(name):
    shown_help = run(f"{name} --help")
    assert shown_help.exit_code == 0
    assert f"gloveside figure {name}" in shown_help.stdout.split("Examples:")[1]
    assert all(option.help for option in figure.commands[name].params if isinstance(option, click.Option))


def test_the_group_can_hang_below_another_one():
    @click.group()
    def main() -> None:
        """All commands."""

    main.add_command(figure)
    done = CliRunner().invoke(main, ["figure", "torque", "M8", "8.8", "honey"], prog_name="gloveside")
    assert done.exit_code == 2 and done.stderr.strip().startswith("The lubrication 'honey'")
    assert CliRunner().invoke(main, ["figure", "order", "--bolts", "4"]).exit_code == 0


def test_the_help_comes_without_heavy_libraries():
    code = "import sys, assistant.figure_cli; print(sorted({'pint', 'pydantic', 'yaml', 'numpy', 'scipy', 'rich'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip() == "[]"


def test_example_keeps_its_lines():
    assert example("one --x", "two") == "\b\nExamples:\n  one --x\n  two"


# --- amounts ---


@pytest.mark.parametrize(
    ("text", "like", "number", "unit"),
    [
        ("42 N.m", "N.m", "42", "N.m"), ("42Nm", "N.m", "42", "N.m"), ("42 N·m", "N.m", "42", "N.m"), (" -3.5 degC", "degC", "-3.5", "degC"),
        ("30 lbf ft", "N.m", "30", "lbf.ft"), (".5 in", "mm", "0.5", "inch"), ("6 µm", "mm", "6", "um"), ("45°", "deg", "45", "deg"), ("7 BAR", None, "7", "bar"),
    ],
)  # fmt: skip
def test_amounts(text, like, number, unit):
    assert read_amount(text, like) == (Decimal(number), unit)


@pytest.mark.parametrize("key", sorted(PINT_UNITS))
def test_every_unit_is_read_by_its_key_and_by_its_symbol(key):
    assert unit_key(key) == unit_key(unit_symbol(key)) == key


@given(st.decimals(-99999, 99999, places=4), st.sampled_from(sorted(PINT_UNITS)))
def test_what_is_written_is_read_back(number, unit):
    assert read_amount(f"{digits(number)} {unit_symbol(unit)}", None) == (number, unit)


@given(st.text(max_size=20))
def test_anything_else_is_refused_in_one_sentence(text):
    try:
        read_amount(text, "mm")
    except FigureError as error:
        assert str(error).endswith(".")


@given(st.floats(1e-6, 1e6))
def test_shown_keeps_three_digits(value):
    assert float(shown(value)) == pytest.approx(value, rel=0.0051)
