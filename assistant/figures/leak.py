"""Leak rates: from a pressure that falls, from bubbles counted, and the drift of a pump held against a closed valve."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from assistant.figures.checks import finite, not_negative
from assistant.figures.gas import ATMOSPHERE_BAR, NORMAL, PA_PER_BAR, PA_PER_MBAR, GasReading, Reference, kelvin
from assistant.figures.thread import FigureError
from assistant.figures.working import Result, require_positive

GRAVITY = 9.80665
"""Standard gravity, m/s2; exact by definition."""
LEAK_UNITS = ("Pa.m3/s", "mbar.L/s", "smL/min")
"""Units of a leak rate; smL/min (cm3/min) is a volume at a stated condition."""
_CM3_PER_MIN = 60e6
"""cm3/min in 1 m3/s."""


@dataclass(frozen=True)
class LeakRate(Result):
    """A leak rate in the three units used for it; `value` is in Pa.m3/s. Over 0: gas is lost."""

    mbar_l_s: float
    """mbar.L/s."""
    standard_cm3_min: float
    """Volume of the lost gas at `reference`, cm3/min."""
    reference: Reference
    """The condition of that volume."""
    gas_temperature_k: float
    """Temperature at which pressure times volume is stated, K."""

    def in_unit(self, unit: str) -> float:
        """The rate in one of LEAK_UNITS. Raises FigureError."""
        _known(unit)
        return {"Pa.m3/s": self.value, "mbar.L/s": self.mbar_l_s, "smL/min": self.standard_cm3_min}[unit]


@dataclass(frozen=True)
class PressureDecay(LeakRate):
    """A leak rate from a fall of pressure."""

    uncorrected: float
    """Pa.m3/s, had the temperature been left out."""
    thermal_pa: float
    """Change of pressure that the change of temperature alone explains, Pa; below 0 when the gas cooled."""


def leak_in(value: float, source: str, target: str, gas_c: float, reference: Reference = NORMAL) -> float:
    """A leak rate in another of LEAK_UNITS; gas at `gas_c` degC, smL/min at `reference`. Raises FigureError.

    1 Pa.m3/s = 10 mbar.L/s exactly; a volume needs the gas temperature: p V / T is what stays the same.
    """
    _known(source)
    _known(target)
    finite(leak_rate=value)
    per_cm3 = reference.pressure_pa * kelvin(gas_c) / reference.temperature_k / _CM3_PER_MIN
    in_pa = {"Pa.m3/s": 1.0, "mbar.L/s": 0.1, "smL/min": per_cm3}
    # The same unit must come back unchanged, whatever the rounding of the factor.
    return value if source == target else value * in_pa[source] / in_pa[target]


def pressure_decay(volume_l: float, start: GasReading, end: GasReading, seconds: float, reference: Reference = NORMAL) -> PressureDecay:
    """Leak rate of a closed volume, Q = V (p1 T0/T1 - p2 T0/T2) / t, with T0 the temperature at the start; ideal gas.

    `volume_l` in L with hoses and fittings, the readings from `gas.gauge` or `gas.absolute`, `seconds` between them. Below 0: gas came
    in, as in a vacuum test. Raises FigureError unless volume and time are over 0.
    """
    require_positive(volume=volume_l, time=seconds)
    volume = volume_l / 1000
    corrected = end.pressure_pa * (start.temperature_k / end.temperature_k)
    rate = volume * (start.pressure_pa - corrected) / seconds
    uncorrected = volume * (start.pressure_pa - end.pressure_pa) / seconds
    thermal = start.pressure_pa * (end.temperature_k / start.temperature_k - 1)
    lines = [
        f"Start: {start.words}",
        f"End: {end.words}",
        f"V = {volume_l:g} L = {volume:g} m3, t = {seconds:g} s",
        f"Change read: {end.pressure_pa - start.pressure_pa:.1f} Pa; the change of temperature alone gives {thermal:.1f} Pa",
        f"End pressure at the first temperature: p2 T1/T2 = {corrected:.1f} Pa",
        f"Q = V (p1 - p2 T1/T2) / t = {volume:g} m3 x {start.pressure_pa - corrected:.1f} Pa / {seconds:g} s = {rate:.4g} Pa.m3/s (ideal gas)",
    ]
    if start.temperature_k != end.temperature_k:
        lines.append(f"Without the temperatures it would be {uncorrected:.4g} Pa.m3/s")
    return PressureDecay(**_rate(rate, start.temperature_k, reference, lines), uncorrected=uncorrected, thermal_pa=thermal)


def bubble_leak(
    per_minute: float,
    diameter_mm: float,
    gas_c: float = 20,
    barometer_bar: float = ATMOSPHERE_BAR,
    depth_mm: float = 0,
    reference: Reference = NORMAL,
) -> LeakRate:
    """Leak rate of bubbles counted under water: volume of a sphere, pi/6 d^3, times count, at the pressure where they leave.

    `per_minute` bubbles, `diameter_mm` of one, gas in degC, barometer in bar, water over the hole in mm. Pressure of the water surface
    in the bubble left out (0.1 % at 3 mm). Raises FigureError.
    """
    not_negative(bubbles_per_minute=per_minute, depth=depth_mm)
    require_positive(bubble_diameter=diameter_mm, barometer=barometer_bar)
    each_mm3 = math.pi / 6 * diameter_mm**3
    pressure = barometer_bar * PA_PER_BAR + 1000 * GRAVITY * depth_mm / 1000
    rate = pressure * per_minute / 60 * each_mm3 * 1e-9
    lines = [
        f"One bubble: pi/6 d^3 = pi/6 x ({diameter_mm:g} mm)^3 = {each_mm3:.4g} mm3 (a sphere)",
        f"{per_minute:g} bubbles/min x {each_mm3:.4g} mm3 = {per_minute * each_mm3 / 1000:.4g} cm3/min as counted",
        f"Pressure there: {barometer_bar:.6g} bar barometer + {depth_mm:g} mm of water = {pressure / PA_PER_BAR:.6g} bar absolute",
        f"Q = p x volume / time = {rate:.4g} Pa.m3/s",
    ]
    return LeakRate(**_rate(rate, kelvin(gas_c), reference, lines))


def smallest_leak(volume_l: float, step_mbar: float, seconds: float, pressure_bar: float = 0, temperature_step_k: float = 0, gas_c: float = 20) -> Result:
    """The smallest leak that shows in that time, Pa.m3/s: Q = V (r + p rT/T) / t.

    `step_mbar` is the smallest step the gauge shows: two readings, each good to half a step, leave a whole one unknown.
    `temperature_step_k` does the same for the thermometer, at `pressure_bar` absolute. Raises FigureError.
    """
    require_positive(volume=volume_l, gauge_step=step_mbar, time=seconds)
    unknown, lines = _unknown_pa(step_mbar, pressure_bar, temperature_step_k, gas_c)
    rate = volume_l / 1000 * unknown / seconds
    return Result(rate, "Pa.m3/s", (*lines, f"Smallest leak that shows: {volume_l / 1000:g} m3 x {unknown:.4g} Pa / {seconds:g} s = {rate:.4g} Pa.m3/s"))


def seconds_to_show(limit: float, volume_l: float, step_mbar: float, pressure_bar: float = 0, temperature_step_k: float = 0, gas_c: float = 20) -> Result:
    """How long to wait, s, until a leak of `limit` Pa.m3/s moves the readings by all that is unknown in them; see `smallest_leak`.

    Raises FigureError.
    """
    require_positive(limit=limit, volume=volume_l, gauge_step=step_mbar)
    unknown, lines = _unknown_pa(step_mbar, pressure_bar, temperature_step_k, gas_c)
    seconds = volume_l / 1000 * unknown / limit
    return Result(seconds, "s", (*lines, f"Time: {volume_l / 1000:g} m3 x {unknown:.4g} Pa / {limit:.4g} Pa.m3/s = {seconds:.4g} s"))


@dataclass(frozen=True)
class LeakVerdict:
    """Whether a leak rate keeps its limit."""

    verdict: Literal["pass", "fail", "cannot tell"]
    """"cannot tell" where the limit lies within what the readings leave unknown, or the gas seems to have grown."""
    lines: tuple[str, ...]
    """The comparison."""


def judge_leak(rate: float, limit: float, smallest: float = 0) -> LeakVerdict:
    """Compare a rate with its greatest allowed value; all three in the same unit, `smallest` from `smallest_leak`.

    Passes only where the rate and all that is unknown in it stay within the limit, fails only where it is over by more (the rule of
    ISO 14253-1, from memory, with the step of the gauge for the uncertainty). Raises FigureError unless the limit is over 0.
    """
    finite(leak_rate=rate)
    require_positive(limit=limit)
    not_negative(smallest_leak=smallest)
    if rate < -smallest:
        return LeakVerdict("cannot tell", (f"The corrected pressure rose ({rate:.4g}): wait until the temperature is even, and test again",))
    if rate + smallest <= limit:
        return LeakVerdict("pass", (f"{rate:.4g} + {smallest:.4g} unknown is within the limit of {limit:.4g}: pass",))
    if rate - smallest > limit:
        return LeakVerdict("fail", (f"{rate:.4g} - {smallest:.4g} unknown is over the limit of {limit:.4g}: fail",))
    return LeakVerdict("cannot tell", (f"{rate:.4g} +/- {smallest:.4g} unknown lies on both sides of the limit of {limit:.4g}: wait longer",))


@dataclass(frozen=True)
class Drift(Result):
    """How fast a held pressure falls; `value` per minute, over 0 when it falls."""

    percent_per_min: float
    """Of the first reading."""
    steepest_per_min: float
    """The fastest fall between two readings that follow each other."""
    within: bool | None
    """Against the limit; None without one."""


def drift_per_minute(readings: Sequence[tuple[float, float]], unit: str, at_most: float | None = None) -> Drift:
    """Fall of a dead-headed pump's pressure per minute: the straight line through (seconds, pressure) readings by least squares.

    Pressures in `unit`, gauge or absolute; `at_most` in `unit` per minute. Not corrected for temperature: a liquid is held, and the wait
    is short. A fall that is quick first and then stops is settling: compare `steepest_per_min`. Raises FigureError.
    """
    if len(readings) < 2:
        raise FigureError(f"A drift needs two readings or more, not {len(readings)}; read the pressure again after a minute.")
    for seconds, pressure in readings:
        finite(time=seconds, pressure=pressure)
    gaps = [(later[0] - earlier[0], earlier[1] - later[1]) for earlier, later in zip(readings, readings[1:], strict=False)]
    if any(gap <= 0 for gap, _ in gaps):
        raise FigureError("The readings are not in the order of time, or two have the same time; check their times.")
    if readings[0][1] == 0:
        raise FigureError("The first pressure is 0, and nothing can drift from it; read it with the valve closed.")
    mean_s, mean_p = (math.fsum(column) / len(readings) for column in zip(*readings, strict=True))
    spread = math.fsum((seconds - mean_s) ** 2 for seconds, _ in readings)
    slope = math.fsum((seconds - mean_s) * (pressure - mean_p) for seconds, pressure in readings) / spread
    fall = -slope * 60
    percent = 100 * fall / abs(readings[0][1])
    steepest = max(60 * drop / gap for gap, drop in gaps)
    (t1, p1), (t2, p2) = readings[0], readings[-1]
    how = f"({p1:g} - {p2:g}) {unit} x 60 / {t2 - t1:g} s" if len(readings) == 2 else f"least squares through {len(readings)} readings"
    lines = [f"From {p1:g} to {p2:g} {unit} in {t2 - t1:g} s", f"Fall per minute: {how} = {fall:.4g} {unit}/min", f"That is {percent:.3g} % of the first reading a minute"]
    within = None if at_most is None else fall <= at_most
    if within is not None:
        lines.append(f"Limit {at_most:g} {unit}/min: {'within' if within else 'over'}")
    return Drift(fall, f"{unit}/min", tuple(lines), percent, steepest, within)


def _unknown_pa(step_mbar: float, pressure_bar: float, temperature_step_k: float, gas_c: float) -> tuple[float, list[str]]:
    not_negative(absolute_pressure=pressure_bar, thermometer_step=temperature_step_k)
    if temperature_step_k and not pressure_bar:
        raise FigureError("The step of the thermometer matters by the absolute pressure, which is missing; give the pressure too.")
    step = step_mbar * PA_PER_MBAR
    warmth = pressure_bar * PA_PER_BAR * temperature_step_k / kelvin(gas_c)
    lines = [f"One step of the gauge: {step_mbar:g} mbar = {step:g} Pa"]
    if temperature_step_k:
        lines.append(f"One step of the thermometer, {temperature_step_k:g} K: p rT/T = {warmth:.4g} Pa")
    return step + warmth, lines


def _rate(rate: float, gas_k: float, reference: Reference, lines: list[str]) -> dict[str, Any]:
    cm3 = rate / reference.pressure_pa * reference.temperature_k / gas_k * _CM3_PER_MIN
    shown = (*lines, f"= {rate * 10:.4g} mbar.L/s", f"= {cm3:.4g} cm3/min at {reference.words} ({reference.source})")
    return {"value": rate, "unit": "Pa.m3/s", "lines": shown, "mbar_l_s": rate * 10, "standard_cm3_min": cm3, "reference": reference, "gas_temperature_k": gas_k}


def _known(unit: str) -> None:
    if unit not in LEAK_UNITS:
        raise FigureError(f"{unit!r} is no unit of a leak rate here; use one of {', '.join(LEAK_UNITS)}.")
