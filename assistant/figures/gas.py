"""Air as an ideal gas: absolute pressures, kelvins, and the conditions a "standard" volume is stated at.

At bench pressures the ideal gas is within half a per cent of real air (compressibility 0.998 at 7 bar absolute and 23 degC).
"""

from dataclasses import dataclass

from assistant.figures.checks import finite
from assistant.figures.thread import FigureError
from assistant.figures.working import require_positive

PA_PER_BAR = 100_000.0
PA_PER_MBAR = 100.0
KELVIN_AT_0_C = 273.15
ATMOSPHERE_BAR = 1.01325
"""Standard atmosphere, bar; taken for the barometer only where nobody has read one."""
GAS_CONSTANT = 8.314462618
"""J/(mol.K); exact in the SI since 2019 (8.31446261815324), cut to ten digits."""


@dataclass(frozen=True)
class Reference:
    """The condition at which a volume of gas is stated. A "standard" volume without it means nothing: these differ by 9 per cent."""

    temperature_k: float
    """K."""
    pressure_pa: float
    """Absolute, Pa."""
    words: str
    """For a line of working."""
    source: str
    """Where the condition comes from."""


NORMAL = Reference(273.15, 101_325, "0 degC and 1013.25 mbar", "DIN 1343, from a secondary copy")
STANDARD_15 = Reference(288.15, 101_325, "15 degC and 1013.25 mbar", "ISO 2533 and ISO 13443, from memory")
PNEUMATIC = Reference(293.15, 100_000, "20 degC and 1000 mbar", "ISO 8778 (ANR), from memory")
ROOM = Reference(293.15, 101_325, "20 degC and 1013.25 mbar", "common practice, no source")

REFERENCES: dict[str, Reference] = {"normal": NORMAL, "15": STANDARD_15, "anr": PNEUMATIC, "20": ROOM}
"""Short name -> condition."""


def kelvin(celsius: float) -> float:
    """A temperature in K. Raises FigureError at or below absolute zero."""
    finite(temperature=celsius)
    if celsius <= -KELVIN_AT_0_C:
        raise FigureError(f"{celsius:g} degC is at or below absolute zero; check the temperature.")
    return celsius + KELVIN_AT_0_C


@dataclass(frozen=True)
class GasReading:
    """Pressure and temperature of the gas at one moment. Make one with `gauge` or `absolute`, so that nobody takes one for the other."""

    pressure_pa: float
    """Absolute, Pa."""
    temperature_k: float
    """K."""
    words: str
    """How it was given."""


def gauge(bar: float, celsius: float, barometer_bar: float) -> GasReading:
    """A reading from a gauge that shows 0 in open air: bar, degC, and the barometer in bar. Raises FigureError.

    The barometer is asked for every time: a gas law fed with gauge pressure is the classic error of a leak test.
    """
    finite(gauge_pressure=bar)
    require_positive(barometer=barometer_bar)
    pressure = bar + barometer_bar
    if pressure <= 0:
        raise FigureError(f"{bar:g} bar gauge with a barometer of {barometer_bar:g} bar is below a perfect vacuum; check both.")
    words = f"{bar:.6g} bar gauge + {barometer_bar:.6g} bar barometer = {pressure:.6g} bar absolute, {celsius:g} degC = {kelvin(celsius):g} K"
    return GasReading(pressure * PA_PER_BAR, kelvin(celsius), words)


def absolute(bar: float, celsius: float) -> GasReading:
    """A reading from a gauge that shows 0 in a perfect vacuum: bar, degC. Raises FigureError."""
    require_positive(absolute_pressure=bar)
    return GasReading(bar * PA_PER_BAR, kelvin(celsius), f"{bar:.6g} bar absolute, {celsius:g} degC = {kelvin(celsius):g} K")
