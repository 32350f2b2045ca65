"""Flow, air use and suction lift of an air-operated double-diaphragm pump. A guide beside the maker's curve, never in its place."""

from collections.abc import Sequence
from dataclasses import dataclass

from assistant.figures.checks import finite, not_negative
from assistant.figures.gas import ATMOSPHERE_BAR, PA_PER_BAR, Reference, kelvin
from assistant.figures.leak import GRAVITY
from assistant.figures.thread import FigureError
from assistant.figures.working import Result, require_positive

STROKES_PER = {"stroke": 1, "cycle": 2}
"""What is counted -> strokes in it: a cycle is one stroke to each side (common practice, no source)."""


def stroke_rate(count: float, seconds: float, counted: str) -> Result:
    """Strokes per minute from a count over a time in s; `counted` is "stroke" or "cycle". Raises FigureError."""
    not_negative(count=count)
    require_positive(time=seconds)
    rate = count * _strokes(counted) * 60 / seconds
    return Result(rate, "strokes/min", (f"{count:g} {counted}s in {seconds:g} s, {_strokes(counted)} to the {counted}: {rate:.4g} strokes/min",))


def pump_flow(strokes_per_min: float, displacement_l: float, per: str, efficiency: float = 1) -> Result:
    """Flow in L/min: strokes x displacement x volumetric efficiency.

    `displacement_l` is what one `per` ("stroke" or "cycle") pushes out, L: taking one for the other halves or doubles the flow, so it
    must be said. `efficiency` from over 0 to 1; 1 for no slip. Raises FigureError. Common practice, no source.
    """
    not_negative(strokes_per_minute=strokes_per_min)
    require_positive(displacement=displacement_l, efficiency=efficiency)
    if efficiency > 1:
        raise FigureError(f"A volumetric efficiency of {efficiency:g} is over 1; give it as a share, 0.9 for 90 %.")
    each = displacement_l / _strokes(per)
    flow = strokes_per_min * each * efficiency
    lines = [
        f"Displacement {displacement_l:g} L per {per} = {each:g} L per stroke",
        f"Flow = {strokes_per_min:g} strokes/min x {each:g} L x {efficiency:g} = {flow:.4g} L/min (common practice, no source)",
    ]
    return Result(flow, "L/min", tuple(lines))


def volumetric_efficiency(flow_l_min: float, strokes_per_min: float, displacement_l: float, per: str) -> Result:
    """Measured flow as a share of what the strokes would push without slip, %. Raises FigureError.

    Low at a full stroke count points to balls and seats. Over 100 % the displacement, the count or the flow is wrong.
    """
    not_negative(flow=flow_l_min)
    require_positive(strokes_per_minute=strokes_per_min)
    ideal = pump_flow(strokes_per_min, displacement_l, per)
    percent = 100 * flow_l_min / ideal.value
    return Result(percent, "%", (*ideal.lines, f"{flow_l_min:g} L/min / {ideal.value:.4g} L/min = {percent:.4g} %"))


@dataclass(frozen=True)
class Curve:
    """Flow against discharge pressure at one air pressure. Raises FigureError where the points make no curve."""

    air_bar: float
    """Air pressure at the pump, bar gauge."""
    points: tuple[tuple[float, float], ...]
    """(discharge pressure, bar gauge; flow, L/min), lowest pressure first."""

    def __post_init__(self) -> None:
        require_positive(air_pressure=self.air_bar)
        _must_be_a_curve(self.points, f"the curve at {self.air_bar:g} bar air", "bar")
        for pressure, flow in self.points:
            not_negative(pressure_on_the_curve=pressure, flow_on_the_curve=flow)

    def flow_at(self, pressure_bar: float) -> Result:
        """Flow in L/min, as `on_curve` finds it. Raises FigureError outside the curve."""
        return on_curve(self.points, pressure_bar, "bar", "L/min", f"the curve at {self.air_bar:g} bar air")


def on_curve(points: Sequence[tuple[float, float]], at: float, at_unit: str, unit: str, name: str = "the curve") -> Result:
    """The value, in `unit`, on the straight line between the two nearest of (place, value) `points`, at the place `at` in `at_unit`.

    `name` is what the curve is called in the working. Raises FigureError outside the curve (never a guess beyond its ends), and where
    the points make no curve.
    """
    _must_be_a_curve(points, name, at_unit)
    finite(place_on_the_curve=at)
    low, high = points[0][0], points[-1][0]
    if not low <= at <= high:
        raise FigureError(f"{at:g} {at_unit} lies outside {name}, which runs from {low:g} to {high:g} {at_unit}; bring it in between and measure again.")
    for (p1, q1), (p2, q2) in zip(points, points[1:], strict=False):
        if at <= p2:
            break
    share = (at - p1) / (p2 - p1)
    # Weights rather than q1 + share (q2 - q1): a point of the curve comes back exactly.
    value = q1 * (1 - share) + q2 * share
    return Result(value, unit, (f"On {name} between ({p1:g} {at_unit}, {q1:g} {unit}) and ({p2:g} {at_unit}, {q2:g} {unit}), at {at:g} {at_unit}: {value:.4g} {unit}",))


def _must_be_a_curve(points: Sequence[tuple[float, float]], name: str, at_unit: str) -> None:
    for place, value in points:
        finite(place_on_the_curve=place, value_on_the_curve=value)
    if len(points) < 2:
        raise FigureError(f"For {name} there are {len(points)} points, and a curve needs two or more; add the missing ones.")
    for (one, _), (next_one, _) in zip(points, points[1:], strict=False):
        if next_one <= one:
            raise FigureError(f"In {name} {next_one:g} {at_unit} comes after {one:g} {at_unit}; put its points in rising order.")


def expected_flow(curves: Sequence[Curve], air_bar: float, pressure_bar: float) -> Result:
    """Flow in L/min that the curves give; between two air pressures on the straight line between their flows at that pressure.

    `air_bar` and `pressure_bar` in bar gauge. Raises FigureError outside the curves, or where one of the two does not reach the pressure.
    """
    finite(air_pressure=air_bar)
    if not curves:
        raise FigureError("The procedure has no curve to compare with; give its points.")
    ordered = sorted(curves, key=lambda curve: curve.air_bar)
    for one, other in zip(ordered, ordered[1:], strict=False):
        if one.air_bar == other.air_bar:
            raise FigureError(f"There are two curves at {one.air_bar:g} bar air; keep one of them.")
    if not ordered[0].air_bar <= air_bar <= ordered[-1].air_bar:
        there = f"the only curve is at {ordered[0].air_bar:g} bar" if len(ordered) == 1 else f"the curves run from {ordered[0].air_bar:g} to {ordered[-1].air_bar:g} bar"
        raise FigureError(f"There is no curve for {air_bar:g} bar air, {there}; set the air to that.")
    above = next(curve for curve in ordered if curve.air_bar >= air_bar)
    if above.air_bar == air_bar:
        return above.flow_at(pressure_bar)
    below = ordered[ordered.index(above) - 1]
    low, high = below.flow_at(pressure_bar), above.flow_at(pressure_bar)
    share = (air_bar - below.air_bar) / (above.air_bar - below.air_bar)
    flow = low.value * (1 - share) + high.value * share
    return Result(flow, "L/min", (*low.lines, *high.lines, f"At {air_bar:g} bar air, {share:.3g} of the way from one to the other: {flow:.4g} L/min"))


@dataclass(frozen=True)
class FlowComparison(Result):
    """A measured flow against the curve; `value` in per cent of the expected flow."""

    expected_l_min: float
    """L/min."""
    within: bool | None
    """Whether it reaches the least share asked for; None without one."""


def compare_with_curve(curves: Sequence[Curve], air_bar: float, pressure_bar: float, measured_l_min: float, at_least_percent: float | None = None) -> FlowComparison:
    """A measured flow, L/min, in per cent of `expected_flow`. Raises FigureError, also where the curve expects no flow at all."""
    not_negative(measured_flow=measured_l_min)
    expected = expected_flow(curves, air_bar, pressure_bar)
    if expected.value == 0:
        raise FigureError(f"The curve expects no flow at {pressure_bar:g} bar, and nothing can be compared with that; measure at a lower pressure.")
    percent = 100 * measured_l_min / expected.value
    lines = [*expected.lines, f"Measured {measured_l_min:g} L/min / expected {expected.value:.4g} L/min = {percent:.4g} %"]
    within = None if at_least_percent is None else percent >= at_least_percent
    if within is not None:
        lines.append(f"At least {at_least_percent:g} % asked for: {'reached' if within else 'not reached'}")
    return FlowComparison(percent, "%", tuple(lines), expected.value, within)


def air_use(
    strokes_per_min: float,
    air_volume_l: float,
    per: str,
    air_bar: float,
    air_c: float = 20,
    barometer_bar: float = ATMOSPHERE_BAR,
    reference: Reference | None = None,
) -> Result:
    """Air used, L/min of standard volume: the swept volume at supply pressure, brought to `reference`; ideal gas.

    `air_volume_l` filled with air per `per` ("stroke" or "cycle"), L; `air_bar` gauge; without a reference, free air at the barometer and
    the same temperature. A lower bound: clearance volume, pilot air and the exhaust of the air valve come on top. Raises FigureError.
    """
    not_negative(strokes_per_minute=strokes_per_min, air_pressure=air_bar)
    require_positive(air_volume=air_volume_l, barometer=barometer_bar)
    each = air_volume_l / _strokes(per)
    pressure = air_bar + barometer_bar
    to_bar, to_k = (barometer_bar, kelvin(air_c)) if reference is None else (reference.pressure_pa / PA_PER_BAR, reference.temperature_k)
    used = strokes_per_min * each * pressure / to_bar * to_k / kelvin(air_c)
    stated = f"free air at {barometer_bar:g} bar and {air_c:g} degC" if reference is None else f"{reference.words}, {reference.source}"
    lines = [
        f"Swept: {strokes_per_min:g} strokes/min x {each:g} L = {strokes_per_min * each:.4g} L/min at {air_bar:g} bar gauge = {pressure:.6g} bar absolute",
        f"x {pressure:.6g} / {to_bar:.6g} x {to_k:g} K / {kelvin(air_c):g} K = {used:.4g} L/min ({stated})",
        "A lower bound: clearance volume, pilot air and losses come on top (common practice, no source)",
    ]
    return Result(used, "L/min", tuple(lines))


def barometer_at(altitude_m: float) -> Result:
    """Mean barometric pressure in bar at a height in m, p = 1.01325 (1 - 2.25577e-5 h)^5.2559, to 11 km; ISO 2533, from a secondary copy.

    Weather moves it by 0.03 bar either way: read a barometer where that matters. Raises FigureError.
    """
    finite(altitude=altitude_m)
    if not -500 <= altitude_m <= 11_000:
        raise FigureError(f"An altitude of {altitude_m:g} m is outside -500 to 11 000 m; check it, in metres.")
    pressure = ATMOSPHERE_BAR * (1 - 2.25577e-5 * altitude_m) ** 5.2559
    return Result(pressure, "bar", (f"Barometer at {altitude_m:g} m: 1.01325 (1 - 2.25577e-5 h)^5.2559 = {pressure:.5g} bar (ISO 2533, mean of all weathers)",))


def suction_lift(barometer_bar: float, vapour_bar: float, density_kg_m3: float, line_loss_bar: float = 0, needed_m: float = 0) -> Result:
    """Greatest suction lift in m: (barometer - vapour pressure - line loss) / (density x g) - what the pump itself needs.

    Pressures in bar absolute, the loss in bar, density in kg/m3, `needed_m` the net positive suction head of the pump with its margin, in
    m of the liquid. What the air side can draw dry, and the jerk of each stroke, come off this too. Raises FigureError where the liquid
    boils or no lift is left.
    """
    require_positive(barometer=barometer_bar, density=density_kg_m3)
    not_negative(vapour_pressure=vapour_bar, line_loss=line_loss_bar, suction_head_needed=needed_m)
    if vapour_bar >= barometer_bar:
        raise FigureError(f"With a vapour pressure of {vapour_bar:g} bar the liquid boils at {barometer_bar:g} bar; it cannot be lifted, let it flow in from above.")
    per_m = density_kg_m3 * GRAVITY / PA_PER_BAR
    pressure = barometer_bar - vapour_bar - line_loss_bar
    lift = pressure / per_m - needed_m
    if lift <= 0:
        raise FigureError(f"No suction lift is left ({lift:.2f} m): set the pump {-lift:.2f} m or more below the liquid, or shorten the suction line.")
    lines = (
        f"Pressure to lift with: {barometer_bar:.5g} - {vapour_bar:.5g} vapour - {line_loss_bar:g} line loss = {pressure:.5g} bar",
        f"One metre of this liquid: {density_kg_m3:g} kg/m3 x {GRAVITY} m/s2 x 1 m = {per_m:.5g} bar",
        f"Lift = {pressure:.5g} / {per_m:.5g} - {needed_m:g} m needed by the pump = {lift:.4g} m",
    )
    return Result(lift, "m", lines)


def _strokes(counted: str) -> int:
    try:
        return STROKES_PER[counted]
    except KeyError:
        raise FigureError(f"{counted!r} is not what is counted here; say stroke (to one side) or cycle (there and back).") from None
