"""Commands for proof runs and part lives, to hang below `gloveside figure`: each with its working, ending in digits and in words."""

import csv
import io
from decimal import ROUND_DOWN, ROUND_UP, Decimal
from pathlib import Path
from typing import Any

import click

from assistant.cli_help import example
from assistant.figure_cli import Amount, AmountType, FigureCommand, end_with, show, shown
from assistant.figures.gas import ATMOSPHERE_BAR, REFERENCES
from assistant.figures.leak import LEAK_UNITS
from assistant.figures.thread import FigureError
from assistant.figures.units import digits

PRESSURE, VOLUME, TIME, TEMPERATURE, LENGTH, FLOW = (AmountType(unit) for unit in ("bar", "L", "s", "degC", "mm", "L/min"))
STROKES, BUBBLES, PERCENT = (AmountType(unit, bare=True) for unit in ("strokes/min", "bubbles/min", "%"))
COUNTED = click.Choice(["stroke", "cycle"])
_WORDS = {"Pa.m3/s": "pascal cubic metres per second", "mbar.L/s": "millibar litres per second"}
"""Leak units that no technician says, and no language pack holds."""
_COLUMNS = ("asset", "place", "hours", "replaced")
_YES, _NO = ("yes", "y", "true", "1"), ("no", "n", "false", "0", "")

barometer_option = click.option("--barometer", type=PRESSURE, help="Barometer, absolute; 1013.25 mbar where it is not given.")
reference_option = click.option("--reference", type=click.Choice(list(REFERENCES)), default="normal", show_default=True, help="Condition of the standard volume: normal (0 degC, 1013.25 mbar), 15 or 20 (degC, 1013.25 mbar), anr (20 degC, 1000 mbar).")
leak_unit_option = click.option("--unit", type=click.Choice(LEAK_UNITS), default="smL/min", show_default=True, help="Unit of the result and of the limit; smL/min is standard cm3/min.")
limit_option = click.option("--limit", type=float, help="Greatest leak allowed, a number in --unit: say whether it is kept.")


@click.command(cls=FigureCommand, epilog=example("gloveside figure leak --volume '5 L' --start '6 bar' --end '5.97 bar' --time '300 s' --pressure gauge", "gloveside figure leak --volume '5 L' --start '6 bar' --end '5.97 bar' --time '5 min' --pressure gauge --start-temperature '23 degC' --end-temperature '22 degC' --limit 20 --step '1 mbar'"))
@click.option("--volume", type=VOLUME, required=True, help="Volume under pressure, hoses and fittings included.")
@click.option("--start", type=PRESSURE, required=True, help="Pressure at the start.")
@click.option("--end", type=PRESSURE, required=True, help="Pressure at the end.")
@click.option("--time", "duration", type=TIME, required=True, help="Time between the two.")
@click.option("--pressure", type=click.Choice(["gauge", "absolute"]), required=True, help="What the instrument shows in open air: gauge 0, absolute the barometer.")
@click.option("--start-temperature", type=TEMPERATURE, help="Gas temperature at the start.")
@click.option("--end-temperature", type=TEMPERATURE, help="Gas temperature at the end.")
@click.option("--step", type=PRESSURE, help="Smallest step the gauge shows: say the smallest leak that can be seen.")
@click.option("--temperature-step", type=TEMPERATURE, help="With --step: smallest step of the thermometer.")
@barometer_option
@reference_option
@limit_option
@leak_unit_option
def leak(volume: Amount, start: Amount, end: Amount, duration: Amount, pressure: str, start_temperature: Amount | None, end_temperature: Amount | None, step: Amount | None, temperature_step: Amount | None, barometer: Amount | None, reference: str, limit: float | None, unit: str) -> None:
    """Leak rate from a pressure that falls, corrected for temperature."""
    from assistant.figures.gas import absolute, gauge
    from assistant.figures.leak import leak_in, pressure_decay, seconds_to_show, smallest_leak

    if (start_temperature is None) != (end_temperature is None):
        raise FigureError("A temperature corrects nothing alone; give --start-temperature and --end-temperature, or neither.")
    if pressure == "absolute" and barometer is not None:
        raise FigureError("An absolute pressure needs no barometer; leave --barometer out, or say --pressure gauge.")
    if temperature_step is not None and step is None:
        raise FigureError("The step of the thermometer goes with that of the gauge; add --step.")
    warm = [20.0 if each is None else float(each.to("degC")) for each in (start_temperature, end_temperature)]
    read = [float(each.to("bar")) for each in (start, end)]
    first, last = (absolute(bar, celsius) if pressure == "absolute" else gauge(bar, celsius, _bar(barometer)) for bar, celsius in zip(read, warm, strict=True))
    seconds, litres = float(duration.to("s")), float(volume.to("L"))
    rate = pressure_decay(litres, first, last, seconds, REFERENCES[reference])
    if start_temperature is None:
        click.echo("Temperature not given: 20 degC at both ends, so that any cooling counts as a leak")
    if pressure == "gauge" and barometer is None:
        click.echo("Barometer not given: 1013.25 mbar")
    show(rate.lines)
    smallest = 0.0
    if step is not None:
        mbar, bar = float(step.to("mbar")), first.pressure_pa / 1e5
        thermometer = 0.0 if temperature_step is None else float(temperature_step.gap_to("degC"))
        seen = smallest_leak(litres, mbar, seconds, bar, thermometer, warm[0])
        show(seen.lines)
        smallest = leak_in(float(seen.value), "Pa.m3/s", unit, warm[0], REFERENCES[reference])
        apart = abs(limit - rate.in_unit(unit)) if limit is not None else 0.0
        if 0 < apart < smallest:
            wait = seconds_to_show(leak_in(apart, unit, "Pa.m3/s", warm[0], REFERENCES[reference]), litres, mbar, bar, thermometer, warm[0])
            click.echo(f"To tell this leak from the limit, wait {digits(shown(wait.value, ROUND_UP))} s")
    _end_leak(rate.in_unit(unit), unit, limit, smallest)


@click.command(cls=FigureCommand, epilog=example("gloveside figure bubbles 12 --diameter '3 mm'", "gloveside figure bubbles '30 bubbles/min' --diameter '4 mm' --depth '50 mm' --limit 2"))
@click.argument("count", type=BUBBLES)
@click.option("--diameter", type=LENGTH, required=True, help="Diameter of one bubble.")
@click.option("--depth", type=LENGTH, default="0 mm", help="Water over the hole; none where it is not given.")
@click.option("--temperature", type=TEMPERATURE, default="20 degC", show_default=True, help="Gas temperature.")
@barometer_option
@reference_option
@limit_option
@leak_unit_option
def bubbles(count: Amount, diameter: Amount, depth: Amount, temperature: Amount, barometer: Amount | None, reference: str, limit: float | None, unit: str) -> None:
    """Leak rate of COUNT bubbles a minute under water."""
    from assistant.figures.leak import bubble_leak

    rate = bubble_leak(float(count.number), float(diameter.to("mm")), float(temperature.to("degC")), _bar(barometer), float(depth.to("mm")), REFERENCES[reference])
    show(rate.lines)
    _end_leak(rate.in_unit(unit), unit, limit, 0.0)


@click.command(cls=FigureCommand, epilog=example("gloveside figure flow --count 80 --time '60 s' --counted cycle --displacement '0.5 L' --per cycle --efficiency 90", "gloveside figure flow --strokes 160 --displacement '0.5 L' --per cycle --measured '36 L/min'", "gloveside figure flow --strokes 160 --displacement '0.5 L' --per cycle --air '5 bar' --reference anr"))
@click.option("--strokes", type=STROKES, help="Strokes a minute.")
@click.option("--count", type=int, help="Instead of --strokes: how many were counted, in --time.")
@click.option("--time", "duration", type=TIME, help="With --count: the time it took.")
@click.option("--counted", type=COUNTED, help="With --count: a stroke to one side, or a cycle of two strokes.")
@click.option("--displacement", type=VOLUME, required=True, help="What one stroke or one cycle pushes out.")
@click.option("--per", type=COUNTED, required=True, help="What the displacement is given for.")
@click.option("--efficiency", type=PERCENT, help="Volumetric efficiency; 100 % where it is not given.")
@click.option("--measured", type=FLOW, help="Measured flow: say how much of the strokes' volume arrives, instead of --efficiency.")
@click.option("--air", type=PRESSURE, help="Air pressure, gauge: say the air used too.")
@click.option("--air-volume", type=VOLUME, help="With --air: air filled in, for the same --per; as the displacement where it is not given.")
@click.option("--reference", type=click.Choice(list(REFERENCES)), help="With --air: condition of the standard volume; free air at 20 degC and 1013.25 mbar where it is not given.")
def flow(strokes: Amount | None, count: int | None, duration: Amount | None, counted: str | None, displacement: Amount, per: str, efficiency: Amount | None, measured: Amount | None, air: Amount | None, air_volume: Amount | None, reference: str | None) -> None:
    """Flow of a diaphragm pump from its strokes, its volumetric efficiency, and the air it uses."""
    from assistant.figures.flow import air_use, pump_flow, stroke_rate, volumetric_efficiency

    if (strokes is None) == (count is None) or (count is None) != (duration is None) or (count is None) != (counted is None):
        raise FigureError("Say how fast it strokes: give --strokes, or --count with --time and --counted.")
    if efficiency is not None and measured is not None:
        raise FigureError("The efficiency is either given or measured; leave out --efficiency or --measured.")
    if air is None and (air_volume is not None or reference is not None):
        raise FigureError("The air used needs the air pressure; add --air.")
    if strokes is not None:
        rate = float(strokes.number)
    else:
        assert count is not None and duration is not None and counted is not None  # made sure of above
        counting = stroke_rate(count, float(duration.to("s")), counted)
        show(counting.lines)
        rate = float(counting.value)
    litres = float(displacement.to("L"))
    share = 1.0 if efficiency is None else float(efficiency.number) / 100
    result = pump_flow(rate, litres, per, share) if measured is None else volumetric_efficiency(float(measured.to("L/min")), rate, litres, per)
    show(result.lines)
    if air is not None:
        filled = litres if air_volume is None else float(air_volume.to("L"))
        used = air_use(rate, filled, per, float(air.to("bar")), reference=REFERENCES.get(reference or ""))
        show(used.lines)
        end_with(shown(used.value), "L/min", "air used ")
    end_with(shown(result.value), result.unit, "flow " if measured is None else "volumetric efficiency ")


@click.command(cls=FigureCommand, epilog=example("gloveside figure curve --curve '4: 0/60 2/40 3.5/10' --curve '6: 0/80 2/65 5.5/12' --air '5 bar' --pressure '2 bar' --measured '48 L/min' --at-least 90"))
@click.option("--curve", "curves", multiple=True, required=True, metavar="'AIR: P/Q P/Q ...'", help="Air pressure in bar, then points of discharge pressure in bar and flow in L/min; once for each air pressure.")
@click.option("--air", type=PRESSURE, required=True, help="Air pressure, gauge.")
@click.option("--pressure", type=PRESSURE, required=True, help="Discharge pressure, gauge.")
@click.option("--measured", type=FLOW, required=True, help="Measured flow.")
@click.option("--at-least", type=PERCENT, help="Least share of the curve's flow: say whether it is reached.")
def curve(curves: tuple[str, ...], air: Amount, pressure: Amount, measured: Amount, at_least: Amount | None) -> None:
    """Measured flow in per cent of what a curve expects."""
    from assistant.figures.flow import compare_with_curve

    least = None if at_least is None else float(at_least.number)
    found = compare_with_curve([_curve(text) for text in curves], float(air.to("bar")), float(pressure.to("bar")), float(measured.to("L/min")), least)
    show(found.lines)
    end_with(shown(found.value), "%")


@click.command(cls=FigureCommand, epilog=example("gloveside figure lift --vapour '23.4 mbar' --density 998", "gloveside figure lift --altitude '800 m' --vapour '23.4 mbar' --density 998 --loss '0.1 bar' --needed '2 m'"))
@click.option("--vapour", type=PRESSURE, required=True, help="Vapour pressure of the liquid at its temperature, absolute.")
@click.option("--density", type=float, required=True, help="Density of the liquid, kg/m3.")
@click.option("--loss", type=PRESSURE, default="0 bar", help="Pressure lost in the suction line; none where it is not given.")
@click.option("--needed", type=AmountType("m"), default="0 m", help="Suction head the pump itself needs, with its margin; none where it is not given.")
@click.option("--altitude", type=AmountType("m"), help="Instead of --barometer: height of the shop over the sea.")
@barometer_option
def lift(vapour: Amount, density: float, loss: Amount, needed: Amount, altitude: Amount | None, barometer: Amount | None) -> None:
    """Greatest suction lift of a liquid."""
    from assistant.figures.flow import barometer_at, suction_lift

    if altitude is not None and barometer is not None:
        raise FigureError("The barometer is either read or worked out; leave out --altitude or --barometer.")
    bar = _bar(barometer)
    if altitude is not None:
        mean = barometer_at(float(altitude.to("m")))
        show(mean.lines)
        bar = float(mean.value)
    elif barometer is None:
        click.echo("Barometer not given: 1013.25 mbar")
    result = suction_lift(bar, float(vapour.to("bar")), density, float(loss.to("bar")), float(needed.to("m")))
    show(result.lines)
    # Rounded down, since it is a limit.
    end_with(shown(result.value, ROUND_DOWN), "m", "at most ")


@click.command(cls=FigureCommand, epilog=example("gloveside figure life diaphragms.csv --plot diaphragms.png", "gloveside figure life --store /srv/jobs --part 'front diaphragm' --found-failed --confidence 95"))
@click.argument("file", type=click.Path(dir_okay=False, allow_dash=True, path_type=Path), required=False)
@click.option("--store", type=click.Path(file_okay=False, path_type=Path), help="Instead of FILE: the folder that holds the jobs.")
@click.option("--part", help="With --store: name of the part, as a service record has it.")
@click.option("--found-failed", is_flag=True, help="With --store: count only parts that a finding calls other than sound as failed.")
@click.option("--confidence", type=PERCENT, default="90", show_default=True, help="Confidence of the bounds.")
@click.option("--plot", type=click.Path(dir_okay=False, path_type=Path), help="PNG or SVG file to draw the Weibull fit into.")
def life(file: Path | None, store: Path | None, part: str | None, found_failed: bool, confidence: Amount, plot: Path | None) -> None:
    """Life of a part: mean, Weibull fit and B10, from FILE or from closed jobs.

    FILE is CSV with the columns asset, place, hours, replaced and, if wanted, failed; its rows in the order of time, one for each time a
    part was replaced (yes) or seen in place (no). A part that was replaced though sound has no under failed. Hours nobody read stay
    empty. A dash reads standard input.
    """
    from assistant.figures.life import LEAST_FAILURES, lives_of, mean_life, weibull_fit, weibull_picture

    if (file is None) == (store is None) or (store is None) != (part is None) or (found_failed and store is None):
        raise FigureError("Say where the lives are: give a CSV file, or --store with --part.")
    form = None if plot is None else plot.suffix.lower().lstrip(".")
    if form not in (None, "png", "svg"):
        raise FigureError(f"{plot} ends in neither .png nor .svg; name the picture with one of these.")
    if file is not None:
        lives = lives_of(read_events(_text(file), "standard input" if str(file) == "-" else str(file)))
    else:
        assert store is not None and part is not None  # made sure of above
        lives = _lives_in(store, part, found_failed)
    share = float(confidence.number) / 100
    mean = mean_life(lives, share)
    show([f"{each.asset}{', ' + each.place if each.place else ''}: {each.hours:g} h, {'failed' if each.failed else 'had not failed'}" for each in lives])
    show(mean.lines)
    if mean.failures < LEAST_FAILURES and plot is None:
        click.echo(f"No Weibull fit: it needs {LEAST_FAILURES} failures or more, and here {'is' if mean.failures == 1 else 'are'} {mean.failures}")
        end_with(shown(mean.value), "h", "mean life ")
        return
    fit = weibull_fit(lives, share)
    show(fit.lines[1:])
    if plot is not None and form is not None:
        _write(plot, weibull_picture(lives, fit, part or file.stem if file else part or "", form))
        click.echo(f"Picture: {plot}")
    end_with(shown(fit.b10.value), "h", "B10 life ")


COMMANDS = [leak, bubbles, flow, curve, lift, life]
"""All of them, for the group they hang below."""


def read_events(text: str, name: str) -> list[Any]:
    """Events of a part from CSV text; `name` is the file's, for what is wrong in it. Raises FigureError with the line."""
    from assistant.figures.life import PartEvent

    rows = csv.DictReader(io.StringIO(text), skipinitialspace=True)
    columns = [(column or "").strip().lower() for column in rows.fieldnames or ()]
    missing = [column for column in _COLUMNS if column not in columns]
    if missing:
        raise FigureError(f"{name} has no column {' and no column '.join(missing)}; its first line must be {','.join(_COLUMNS)}.")
    rows.fieldnames = columns
    events = []
    try:
        for row in rows:
            cells = {column: (row.get(column) or "").strip() for column in (*_COLUMNS, "failed")}
            where = f"line {rows.line_num} of {name}"
            if not cells["asset"]:
                raise FigureError(f"There is no asset in {where}; write the tag of the machine.")
            failed = _yes_or_no(cells["failed"], "failed", where) if cells["failed"] else True
            events.append(PartEvent(cells["asset"], cells["place"], _hours(cells["hours"], where), _yes_or_no(cells["replaced"], "replaced", where), failed))
    except csv.Error as error:
        raise FigureError(f"{name} cannot be read as CSV near line {rows.line_num} ({error}); save it again as plain CSV.") from None
    return events


def _hours(cell: str, where: str) -> float | None:
    if not cell:
        return None
    try:
        return float(cell)
    except ValueError:
        raise FigureError(f'"{cell}" in {where} is no number of hours; write it like 1250.') from None


def _yes_or_no(cell: str, column: str, where: str) -> bool:
    if cell.lower() in _YES:
        return True
    if cell.lower() in _NO:
        return False
    raise FigureError(f'"{cell}" under {column} in {where} is neither yes nor no; write one of them.')


def _text(path: Path) -> str:
    try:
        with click.open_file(str(path), encoding="utf-8-sig") as stream:
            return stream.read()
    except OSError as error:
        raise FigureError(f"{path} cannot be read ({error.strerror}); check its name.") from None
    except UnicodeDecodeError:
        raise FigureError(f"{path} is no text in UTF-8; save it as CSV in UTF-8.") from None


def _write(path: Path, page: bytes) -> None:
    try:
        path.write_bytes(page)
    except OSError as error:
        raise FigureError(f"The picture cannot be written to {path} ({error.strerror}); choose another file.") from None


def _lives_in(store: Path, part: str, found_failed: bool) -> list[Any]:
    from assistant.figures.life import lives_from_records
    from assistant.record.store import Store
    from assistant.session import job_record

    jobs = [job for job, _ in Store(store).jobs()]
    if not jobs:
        raise FigureError(f"There is no job in {store}; name the folder that holds the jobs.")
    return lives_from_records([job_record(store, job)[0] for job in jobs], part, found_failed)


def _curve(text: str) -> Any:
    from assistant.figures.flow import Curve

    air, colon, rest = text.partition(":")
    try:
        points = tuple((float(pressure), float(quantity)) for pressure, _, quantity in (point.partition("/") for point in rest.split()))
        if not colon:
            raise ValueError
        return Curve(float(air), points)
    except ValueError:
        raise FigureError(f'"{text}" is no curve; write air pressure, colon, and points of pressure/flow, like \'4: 0/60 2/40\'.') from None


def _bar(barometer: Amount | None) -> float:
    return ATMOSPHERE_BAR if barometer is None else float(barometer.to("bar"))


def _end_leak(rate: float, unit: str, limit: float | None, smallest: float) -> None:
    from assistant.figures.leak import judge_leak
    from assistant.language.numbers import number_words
    from assistant.language.pack import load_pack

    verdict = ""
    if limit is not None:
        judged = judge_leak(rate, limit, smallest)
        click.echo(f"Limit, in {unit}: {judged.lines[0]}")
        verdict = f"{judged.verdict}, "
    value = shown(rate)
    if unit not in _WORDS:
        end_with(value, unit, verdict)
        return
    click.echo(f"Result: {verdict}{digits(value)} {unit}")
    click.echo(f"Say: {verdict}{number_words(Decimal(value), load_pack('en'))} {_WORDS[unit]}")
