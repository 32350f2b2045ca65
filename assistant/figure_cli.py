"""The commands below `gloveside figure`: one figure of the bench each, with its working line by line, ending in digits and in words.

Whatever is wrong with what was given ends as one sentence and exit code 2. Heavy libraries are imported where they are used: the
help has to come at once.
"""

import re
from collections.abc import Iterable
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal
from typing import Any, NamedTuple

import click

from assistant.cli_help import example
from assistant.figures.thread import FigureError
from assistant.figures.units import PINT_UNITS, convert, digits, same_dimension, unit_symbol

_AMOUNT = re.compile(r"(?P<number>[+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*(?P<unit>[^\d\s.].*)?")
LARGEST = 10**12
"""No figure of a bench comes near it, and arithmetic stays clear of infinity."""


class Refusal(click.ClickException):
    """Wrong arguments: shown as the one sentence it holds."""

    exit_code = 2

    def show(self, file: Any = None) -> None:
        click.echo(self.message, err=True)


class FigureCommand(click.Command):
    """A command whose every refusal is one sentence."""

    def make_context(self, info_name: str | None, args: list[str], parent: click.Context | None = None, **extra: Any) -> click.Context:
        try:
            return super().make_context(info_name, args, parent, **extra)
        except click.UsageError as error:
            raise Refusal(_one_sentence(error, f"gloveside figure {info_name}")) from None

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except FigureError as error:
            raise Refusal(str(error)) from None


class FigureGroup(click.Group):
    """The figures, all with those refusals."""

    command_class = FigureCommand

    def resolve_command(self, ctx: click.Context, args: list[str]) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            raise Refusal(_one_sentence(error, "gloveside figure")) from None


def _one_sentence(error: click.UsageError, command: str) -> str:
    said = " ".join(error.format_message().split()).rstrip(".")
    # A value that was refused already says what to write instead.
    return f"{said}." if isinstance(error, click.BadParameter) and not isinstance(error, click.MissingParameter) else f"{said}; see {command} --help."


class Amount(NamedTuple):
    """A number and its unit, as given."""

    number: Decimal
    unit: str

    def to(self, unit: str) -> Decimal:
        """The number in another unit of the same kind."""
        return convert(self.number, self.unit, unit)

    def gap_to(self, unit: str) -> Decimal:
        """The number in another unit where it is a difference: 9 degF between two temperatures are 5 degC."""
        return self.to(unit) - convert(Decimal(0), self.unit, unit)


def unit_key(text: str, like: str | None = None) -> str:
    """The unit key that `text` spells, of the same kind as `like`, or of any kind. Raises FigureError with those that can be used."""
    kind = [key for key in PINT_UNITS if like is None or same_dimension(key, like)]
    for key in kind:
        if _spelling(text) in (_spelling(key), _spelling(unit_symbol(key))):
            return key
    raise FigureError(f'"{text}" is no unit that can be used here; use one of {", ".join(kind)}.')


def read_amount(text: str, like: str | None, bare: bool = False) -> Amount:
    """Read "42 N.m" or "30 lbf.ft": a number and a unit of the kind of `like`, or of any kind. With `bare` a number alone is in `like`.

    Raises FigureError with the units that can be used.
    """
    example_unit = like or "mm"
    found = _AMOUNT.fullmatch(text.strip())
    if found is None:
        raise FigureError(f'"{text}" is no number with a unit; write it like 42 {example_unit}.')
    number = Decimal(found["number"])
    if abs(number) >= LARGEST:
        raise FigureError(f'"{text}" is too large to be meant; check its digits.')
    if found["unit"] is not None:
        return Amount(number, unit_key(found["unit"], like))
    if bare and like is not None:
        return Amount(number, like)
    kind = ", ".join(key for key in PINT_UNITS if like is None or same_dimension(key, like))
    raise FigureError(f'"{text}" has no unit; write it like {found["number"]} {example_unit}, with one of {kind}.')


def _spelling(unit: str) -> str:
    """N.m, N·m, Nm and n m are one spelling."""
    return re.sub(r"[\s.·*-]", "", unit.replace("µ", "u").replace("μ", "u")).casefold()


class AmountType(click.ParamType):
    """An argument or option that `read_amount` reads."""

    def __init__(self, unit: str, bare: bool = False) -> None:
        self.name = f"NUMBER [{unit}]" if bare else "NUMBER UNIT"
        self.unit, self.bare = unit, bare

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Amount:
        if isinstance(value, Amount):
            return value
        try:
            return read_amount(str(value), self.unit, self.bare)
        except FigureError as error:
            self.fail(str(error), param, ctx)


class ShareType(click.ParamType):
    """A plain number from 0 to 1, such as a coefficient of friction."""

    name = "NUMBER"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        found = _AMOUNT.fullmatch(str(value).strip())
        if found is None or found["unit"] or not 0 <= Decimal(found["number"]) <= 1:
            self.fail(f'"{value}" is no number from 0 to 1; write it like 0.12', param, ctx)
        return float(found["number"])


TORQUE, LENGTH, STRESS, HOURS = AmountType("N.m"), AmountType("mm"), AmountType("MPa"), AmountType("h", bare=True)
DEGREES, PERCENT, SHARE = AmountType("deg", bare=True), AmountType("%", bare=True), ShareType()
LUBRICATION_HELP = "State of the threads: dry, oiled, anti-seize or 'ptfe tape'."


def show(lines: Iterable[str]) -> None:
    """Print a working, one step a line."""
    for line in lines:
        click.echo(line)


def shown(value: float | Decimal, rounding: str = ROUND_HALF_UP) -> Decimal:
    """A computed value as it is set on a tool: three digits, or all those before the point."""
    exact = Decimal(repr(value)) if isinstance(value, float) else value
    return exact if exact == 0 else exact.quantize(Decimal(1).scaleb(min(0, exact.adjusted() - 2)), rounding)


def end_with(value: Decimal, unit: str, before: str = "") -> None:
    """Print a result in digits with its unit, and in words; `before` is put before both, such as "at most "."""
    from assistant.language.numbers import say_value
    from assistant.language.pack import load_pack

    click.echo(f"Result: {before}{digits(value)} {unit_symbol(unit)}")
    click.echo(f"Say: {before}{say_value(value, unit, load_pack('en'))}")


@click.group(
    name="figure",
    cls=FigureGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=example("gloveside figure torque M10 8.8 oiled", "gloveside figure order --bolts 8 --torque '42 N.m'", "gloveside figure wear --new '6 mm' --now '5.4 mm' --limit '4.5 mm' --hours 1200"),
)
def figure() -> None:
    """Work out a figure of the bench, with its working and its sources, in digits and in words."""


@figure.command(epilog=example("gloveside figure torque M10 8.8 oiled", "gloveside figure torque '3/8-16 UNC' 'SAE 5' dry --unit lbf.ft", "gloveside figure torque M8 8.8 dry --check '42 N.m' --engaged '12 mm' --material aluminium"))
@click.argument("thread")
@click.argument("strength")
@click.argument("lubrication")
@click.option("--percent", type=PERCENT, default="75", show_default=True, help="Share of the proof load to pull with.")
@click.option("--unit", default="N.m", show_default=True, help="Unit of the result: N.m, lbf.ft or lbf.in.")
@click.option("--check", "checked", type=TORQUE, help="Torque that is specified: say whether bolt and hole stand it.")
@click.option("--engaged", type=LENGTH, help="With --check: length of thread in a tapped hole.")
@click.option("--material", help="With --check: aluminium, cast iron, brass or plastic.")
def torque(thread: str, strength: str, lubrication: str, percent: Amount, unit: str, checked: Amount | None, engaged: Amount | None, material: str | None) -> None:
    """Tightening torque of a bolt: THREAD as M10 or '3/8-16 UNC', STRENGTH as 8.8, A2-70 or 'SAE 5', LUBRICATION dry, oiled, anti-seize or 'ptfe tape'."""
    from assistant.figures.torque import tightening_torque
    from assistant.figures.torque_limits import percent_of_proof, torque_warnings

    if checked is None and (engaged is not None or material is not None):
        raise FigureError("A hole is looked at together with a specified torque; add --check, or use gloveside figure hole.")
    key = unit_key(unit, "N.m")
    working = tightening_torque(thread, strength, lubrication, float(percent.number))
    lines = list(working.lines)
    if checked is not None:
        given = float(checked.to("N.m"))
        warnings = torque_warnings(given, thread, strength, lubrication, None if engaged is None else float(engaged.to("mm")), material)
        share = percent_of_proof(given, thread, strength, lubrication)
        lines += [f"Check of {digits(checked.number)} {unit_symbol(checked.unit)}:", *share.lines[-2:], *(f"Warning: {warning}" for warning in warnings)]
        if not warnings:
            lines.append("No warning: it is under the limits computed here")
    show(lines)
    end_with(shown(Amount(Decimal(repr(working.value)), "N.m").to(key)), key)


@figure.command(epilog=example("gloveside figure vdi M12x1.25 --yield '640 MPa' --thread-friction 0.12 --face-friction 0.12 --face '16.63 mm' --hole '13.5 mm'"))
@click.argument("thread")
@click.option("--yield", "yield_stress", type=STRESS, required=True, help="0.2 % yield of the bolt, 640 MPa for class 8.8 up to M16.")
@click.option("--thread-friction", type=SHARE, required=True, help="Coefficient of friction in the thread.")
@click.option("--face-friction", type=SHARE, required=True, help="Coefficient of friction under the head.")
@click.option("--face", type=LENGTH, required=True, help="Outer diameter of the bearing face under the head.")
@click.option("--hole", type=LENGTH, required=True, help="Diameter of the hole under the head.")
@click.option("--utilisation", type=SHARE, default="0.9", show_default=True, help="Share of yield, 0 to 1.")
def vdi(thread: str, yield_stress: Amount, thread_friction: float, face_friction: float, face: Amount, hole: Amount, utilisation: float) -> None:
    """Tightening torque by the long form of VDI 2230, from measured friction; THREAD as M12x1.25."""
    from assistant.figures.torque import vdi_torque

    working = vdi_torque(thread, float(yield_stress.to("MPa")), thread_friction, face_friction, float(face.to("mm")), float(hole.to("mm")), utilisation)
    show(working.lines)
    end_with(shown(working.value), "N.m")


@figure.command(epilog=example("gloveside figure wrench '80 N.m' --length '400 mm' --offset '50 mm' --angle 45", "gloveside figure wrench '60 lbf.ft' --length '16 inch' --offset '2 inch' --angle 0 --full-scale '80 lbf.ft'"))
@click.argument("at_bolt", metavar="TORQUE", type=TORQUE)
@click.option("--length", type=LENGTH, required=True, help="From the middle of the grip to the square drive.")
@click.option("--offset", type=LENGTH, required=True, help="From the square drive to the bolt.")
@click.option("--angle", type=DEGREES, required=True, help="0 straight ahead, 90 across, 180 folded back.")
@click.option("--full-scale", type=TORQUE, help="Greatest setting of the wrench: say whether it can be used.")
@click.option("--least", type=TORQUE, help="With --full-scale: least setting marked on the wrench.")
def wrench(at_bolt: Amount, length: Amount, offset: Amount, angle: Amount, full_scale: Amount | None, least: Amount | None) -> None:
    """Setting of a torque wrench with a crowfoot or an extension that puts TORQUE on the bolt."""
    from assistant.figures.wrench import in_range, wrench_setting

    if least is not None and full_scale is None:
        raise FigureError("The least setting is judged together with full scale; add --full-scale.")
    result = wrench_setting(float(at_bolt.to("N.m")), float(length.to("mm")), float(offset.to("mm")), float(angle.to("deg")))
    setting = Amount(Decimal(repr(result.value)), "N.m").to(at_bolt.unit)
    lines = list(result.lines)
    if full_scale is not None:
        bottom = None if least is None else float(least.to(at_bolt.unit))
        lines.append(in_range(float(setting), bottom, float(full_scale.to(at_bolt.unit)), at_bolt.unit).words)
    show(lines)
    end_with(shown(setting), at_bolt.unit)


@figure.command(epilog=example("gloveside figure hole M8 --engaged '12 mm' --material aluminium --lubrication oiled", "gloveside figure hole '1/4-20 UNC' --engaged '0.5 inch' --material 'cast iron' --lubrication dry --check '8 lbf.ft'"))
@click.argument("thread")
@click.option("--engaged", type=LENGTH, required=True, help="Length of full thread that bears.")
@click.option("--material", required=True, help="What the hole is tapped in: aluminium, cast iron, brass or plastic.")
@click.option("--lubrication", required=True, help=LUBRICATION_HELP)
@click.option("--check", "checked", type=TORQUE, help="Torque that is specified: say whether the hole stands it.")
def hole(thread: str, engaged: Amount, material: str, lubrication: str, checked: Amount | None) -> None:
    """Highest torque for a bolt in a tapped hole, so that the hole does not strip; THREAD as M8 or '1/4-20 UNC'."""
    from assistant.figures.tapped_hole import tapped_hole_torque_limit

    result = tapped_hole_torque_limit(thread, float(engaged.to("mm")), material, lubrication)
    show(result.lines)
    limit = Amount(Decimal(repr(result.value)), "N.m")
    if checked is not None:
        limit = Amount(limit.to(checked.unit), checked.unit)
        over = checked.number > limit.number
        click.echo(f"{'Warning: ' if over else ''}{digits(checked.number)} {unit_symbol(checked.unit)} is {'over' if over else 'not over'} that")
    # Rounded down, since it is a limit.
    end_with(shown(limit.number, ROUND_DOWN), limit.unit, "at most ")


@figure.command(epilog=example("gloveside figure order --bolts 8 --torque '42 N.m'", "gloveside figure order --grid 3x4", "gloveside figure order --grid 4x6 --perimeter --torque '30 lbf.ft'", "gloveside figure order --two-row 4"))
@click.option("--bolts", metavar="N", help="A round flange of N bolts.")
@click.option("--grid", metavar="RxC", help="A rectangle of R rows and C columns, such as 3x4.")
@click.option("--perimeter", is_flag=True, help="With --grid: bolts stand only along the edge.")
@click.option("--two-row", metavar="N", help="A manifold with two rows of N bolts each.")
@click.option("--torque", "final", type=TORQUE, help="Final torque: give the torque of each pass too.")
def order(bolts: str | None, grid: str | None, perimeter: bool, two_row: str | None, final: Amount | None) -> None:
    """Order in which to tighten the bolts of a flange, a cover or a manifold, and the passes."""
    from assistant.figures.order import NUMBERING, crossing_order, rectangle_order, two_row_order
    from assistant.language.numbers import number_words
    from assistant.language.pack import load_pack

    if sum(each is not None for each in (bolts, grid, two_row)) != 1:
        raise FigureError("Say what is tightened: give one of --bolts, --grid or --two-row.")
    if perimeter and grid is None:
        raise FigureError("--perimeter is for a rectangle; add --grid, such as --grid 3x4.")
    if bolts is not None:
        pattern, row = "circle", crossing_order(_count(bolts, "--bolts", 2))
    elif two_row is not None:
        pattern, row = "two rows", two_row_order(_count(two_row, "--two-row", 1))
    else:
        found = re.fullmatch(r"\s*(\d+)\s*[x×*]\s*(\d+)\s*", grid or "", re.IGNORECASE)
        if found is None:
            raise FigureError(f'"{grid}" is no rectangle; write rows x columns, such as 3x4.')
        sides = [_count(side, "--grid", 1) for side in found.groups()]
        pattern, row = ("perimeter" if perimeter else "grid"), rectangle_order(*sides, perimeter)
    passes = [] if final is None else _pass_lines(final)
    sources = {"circle": "cross pattern of ASME PCC-1 table 4, from memory; carried on to counts it does not list"}
    show([NUMBERING[pattern], f"Order: {sources.get(pattern, 'from the middle outwards, opposite bolts in turn; common practice, no source')}", *passes])
    pack = load_pack("en")
    click.echo(f"Result: {', '.join(map(str, row))}")
    click.echo(f"Say: {', '.join(number_words(bolt, pack) for bolt in row)}")


def _count(text: str, option: str, least: int) -> int:
    # More than a thousand bolts is a slip of the finger, and would fill the screen.
    if not text.strip().isdecimal() or not least <= int(text) <= 1000:
        raise FigureError(f'"{text}" is no number of bolts; give {option} a whole number from {least} to 1000.')
    return int(text)


def _pass_lines(final: Amount) -> list[str]:
    """Two lines for each pass: as it is written, and as it is said."""
    from assistant.figures.order import pass_torques
    from assistant.language.numbers import number_words, say_value
    from assistant.language.pack import load_pack

    pack, symbol = load_pack("en"), unit_symbol(final.unit)
    lines = ["Passes: ASME PCC-1 table 2, from memory"]
    for each, low, high in pass_torques(float(final.number)):
        least, most = shown(low), shown(high)
        lead, spoken = "", ""
        if least != most:
            lead, spoken = (f"{digits(least)} to ", f"{number_words(least, pack)} to ") if least else ("at most ", "at most ")
        way = "in the order below" if each.pattern == "cross" else "once round, bolt by bolt"
        lines.append(f"Pass {each.name}: {lead}{digits(most)} {symbol}, {way}" + (f"; {each.note}" if each.note else ""))
        lines.append(f"Say: {each.name} pass, {spoken}{say_value(most, final.unit, pack)}")
    return lines


# A measured value may be negative: "-3 degC" is no option, so -h must not be taken for one either.
_MAY_BE_NEGATIVE = {"ignore_unknown_options": True, "help_option_names": ["--help"]}


@figure.command(context_settings=_MAY_BE_NEGATIVE, epilog=example("gloveside figure decide '25.017 mm' --uncertainty '6 um' --at-least '24.98 mm' --at-most '25.02 mm'", "gloveside figure decide '0.31 mm' --uncertainty '0.02 mm' --at-most '0.35 mm'"))
@click.argument("value")
@click.option("--uncertainty", required=True, help="Expanded uncertainty (k = 2) of the value.")
@click.option("--at-least", help="Lower limit.")
@click.option("--at-most", help="Upper limit.")
def decide(value: str, uncertainty: str, at_least: str | None, at_most: str | None) -> None:
    """Whether VALUE is proven within its limits, out of them, or too close to call, by its uncertainty."""
    from assistant.figures.tolerance import decide as decided

    measured = read_amount(value, None)
    unit = measured.unit
    low, high = (None if limit is None else read_amount(limit, unit).to(unit) for limit in (at_least, at_most))
    decision = decided(measured.number, read_amount(uncertainty, unit).gap_to(unit), low, high, unit_symbol(unit))
    show(decision.lines)
    end_with(measured.number, unit, f"{decision.verdict}, ")


@figure.command(context_settings=_MAY_BE_NEGATIVE, epilog=example("gloveside figure readings 10.02 10.03 10.01 10.02 10.31 --unit mm"))
@click.argument("numbers", nargs=-1, required=True)
@click.option("--unit", required=True, help="Unit of the readings.")
def readings(numbers: tuple[str, ...], unit: str) -> None:
    """Mean, range, scatter and readings that stand apart, of two or more readings (NUMBERS) of one thing."""
    from assistant.figures.tolerance import summary

    key = unit_key(unit)
    values = [read_amount(number, key, bare=True).to(key) for number in numbers]
    result = summary(values, unit_symbol(key))
    show(result.lines)
    # The mean of a few readings is worth one digit more than they have.
    places = max(len(digits(value).partition(".")[2]) for value in values) + 1
    end_with(result.mean.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP), key, "mean ")


@figure.command(epilog=example("gloveside figure wear --new '6 mm' --now '5.4 mm' --limit '4.5 mm' --hours 1200", "gloveside figure wear --new '4 thou' --now '7 thou' --limit '12 thou' --hours '900 h'"))
@click.option("--new", type=LENGTH, required=True, help="Size when it was new.")
@click.option("--now", type=LENGTH, required=True, help="Size as measured.")
@click.option("--limit", type=LENGTH, required=True, help="Size at which it is replaced.")
@click.option("--hours", type=HOURS, required=True, help="Hours run since it was new.")
def wear(new: Amount, now: Amount, limit: Amount, hours: Amount) -> None:
    """Hours left until a part is worn to its limit, if wear goes on evenly."""
    from assistant.figures.tolerance import remaining_life

    unit = now.unit
    life = remaining_life(new.to(unit), now.number, limit.to(unit), hours.to("h"), unit_symbol(unit))
    show(life.lines)
    end_with(shown(life.value, ROUND_DOWN), "h")
