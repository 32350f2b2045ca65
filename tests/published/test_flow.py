"""Flow, curve, air use and suction lift against worked examples, numpy, scipy and fluids. The source stands beside each check."""

import math

import numpy as np
import pint
import pytest
from fluids import ATMOSPHERE_1976, head_from_P
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants
from scipy.interpolate import RegularGridInterpolator, interp1d

from assistant.figures.flow import Curve, air_use, barometer_at, compare_with_curve, expected_flow, on_curve, pump_flow, stroke_rate, suction_lift, volumetric_efficiency
from assistant.figures.gas import NORMAL, PNEUMATIC
from assistant.figures.thread import FigureError

UNITS = pint.UnitRegistry()
FOUR = Curve(4, ((0, 60), (2, 40), (3.5, 10)))
SIX = Curve(6, ((0, 80), (2, 65), (5.5, 12)))
BOTH = [SIX, FOUR]

# --- strokes ---


# Source: common practice, no source; numbers chosen here: 0.5 L a cycle at 80 cycles a minute is 40 L/min, 36 at 90 %. Exact.
def test_flow():
    strokes = stroke_rate(80, 60, "cycle").value
    assert strokes == 160
    assert pump_flow(strokes, 0.5, "cycle").value == 40
    assert pump_flow(strokes, 0.5, "cycle", 0.9).value == pytest.approx(36)
    # A displacement per stroke taken for one per cycle doubles the flow.
    assert pump_flow(strokes, 0.5, "stroke").value == 80


# Worked by hand: 27 strokes in 20 s are 81 a minute; x 0.118 gal = 9.558 gal/min; pint makes 36.18 L/min of it.
def test_flow_in_gallons_by_pint():
    litres = UNITS.Quantity(0.118, "gallon").to("liter").magnitude
    flow = pump_flow(stroke_rate(27, 20, "stroke").value, litres, "stroke")
    assert flow.value == pytest.approx(UNITS.Quantity(9.558, "gallon / minute").to("liter / minute").magnitude, rel=1e-9)
    assert flow.value == pytest.approx(36.18, abs=0.005)


@given(st.floats(1, 500), st.floats(0.01, 20), st.sampled_from(["stroke", "cycle"]), st.floats(0.01, 1))
def test_the_efficiency_is_found_again(strokes, litres, per, share):
    flow = pump_flow(strokes, litres, per, share).value
    assert volumetric_efficiency(flow, strokes, litres, per).value == pytest.approx(100 * share)


@given(st.floats(0, 500), st.floats(0.01, 20), st.floats(0.01, 1))
def test_a_cycle_is_two_strokes(strokes, litres, share):
    assert pump_flow(strokes, 2 * litres, "cycle", share).value == pytest.approx(pump_flow(strokes, litres, "stroke", share).value)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: pump_flow(-1, 0.5, "cycle"), "below 0"),
        (lambda: pump_flow(80, 0, "cycle"), "displacement must be"),
        (lambda: pump_flow(80, 0.5, "turn"), "stroke .* or cycle"),
        (lambda: pump_flow(80, 0.5, "cycle", 90), "0.9 for 90 %"),
        (lambda: pump_flow(80, 0.5, "cycle", 0), "efficiency must be"),
        (lambda: stroke_rate(10, 0, "stroke"), "time must be"),
        (lambda: volumetric_efficiency(10, 0, 0.5, "cycle"), "strokes per minute must be"),
        (lambda: pump_flow(math.nan, 0.5, "cycle"), "no number"),
    ],
)
def test_strokes_refused(make, says):
    with pytest.raises(FigureError, match=says):
        make()


# --- curves ---


# Worked by hand on curves made up here: half way from (0, 60) to (2, 40) is 50; from (2, 40) to (3.5, 10) at 3 bar it is
# 40 - 30 x 1/1.5 = 20; between 4 and 6 bar air at 2 bar it is the mean of 40 and 65, 52.5.
@pytest.mark.parametrize(("air", "pressure", "flow"), [(4, 1, 50), (4, 3, 20), (4, 0, 60), (4, 3.5, 10), (6, 2, 65), (5, 2, 52.5), (4.5, 0, 65)])
def test_expected_flow_by_hand(air, pressure, flow):
    assert expected_flow(BOTH, air, pressure).value == pytest.approx(flow)


# Independent: numpy.interp and scipy's interp1d on one curve, scipy's RegularGridInterpolator (linear) over two; tolerance is rounding.
@given(st.floats(0, 3.5), st.floats(4, 6))
def test_expected_flow_by_numpy_and_scipy(pressure, air):
    places, flows = zip(*FOUR.points, strict=True)
    assert FOUR.flow_at(pressure).value == pytest.approx(np.interp(pressure, places, flows))
    assert FOUR.flow_at(pressure).value == pytest.approx(float(interp1d(places, flows)(pressure)))
    grid = [0, 2, 3.5]
    table = [[float(curve.flow_at(at).value) for at in grid] for curve in (FOUR, SIX)]
    plane = RegularGridInterpolator(([4, 6], grid), table, method="linear")
    assert expected_flow(BOTH, air, pressure).value == pytest.approx(float(plane([[air, pressure]])[0]))


@given(st.lists(st.tuples(st.floats(0.1, 5), st.floats(0, 100)), min_size=2, max_size=8), st.floats(0, 1))
def test_a_curve_stays_between_its_points_and_meets_them(steps, share):
    places = np.cumsum([gap for gap, _ in steps])
    curve = Curve(5, tuple((float(place), flow) for place, (_, flow) in zip(places, steps, strict=True)))
    for place, flow in curve.points:
        assert curve.flow_at(place).value == pytest.approx(flow, rel=1e-12, abs=1e-12)
    within = curve.points[0][0] * (1 - share) + curve.points[-1][0] * share
    flows = [flow for _, flow in curve.points]
    assert min(flows) - 1e-9 <= curve.flow_at(min(within, curve.points[-1][0])).value <= max(flows) + 1e-9


# Worked by hand: 48 of 52.5 L/min is 91.43 %.
def test_comparison():
    found = compare_with_curve(BOTH, 5, 2, 48, at_least_percent=90)
    assert (found.value, found.expected_l_min, found.within) == (pytest.approx(91.4286, abs=1e-4), pytest.approx(52.5), True)
    assert compare_with_curve(BOTH, 5, 2, 47, at_least_percent=90).within is False
    assert compare_with_curve(BOTH, 5, 2, 47).within is None


def test_any_curve_by_its_points():
    # Worked by hand: 14 Hz is 0.4 of the way from 10 to 20 Hz, and 4.1 + 0.4 x 0.3 = 4.22 A.
    assert on_curve([(10, 4.1), (20, 4.4)], 14, "Hz", "A").value == pytest.approx(4.22)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: expected_flow(BOTH, 4, 3.6), "outside the curve at 4 bar air, which runs from 0 to 3.5"),
        (lambda: expected_flow(BOTH, 5, 4), "outside the curve at 4 bar"),  # only one of the two reaches it
        (lambda: expected_flow(BOTH, 4, -0.1), "outside"),
        (lambda: expected_flow(BOTH, 3.9, 1), "no curve for 3.9 bar air, the curves run from 4 to 6"),
        (lambda: expected_flow(BOTH, 6.1, 1), "no curve for 6.1"),
        (lambda: expected_flow([FOUR], 5, 1), "the only curve is at 4 bar"),
        (lambda: expected_flow([], 5, 1), "no curve to compare with"),
        (lambda: expected_flow([FOUR, FOUR], 4, 1), "two curves at 4 bar"),
        (lambda: expected_flow(BOTH, math.nan, 1), "no number"),
        (lambda: Curve(4, ((0, 60),)), "needs two or more"),
        (lambda: Curve(4, ((2, 40), (0, 60))), "rising order"),
        (lambda: Curve(4, ((0, 60), (0, 40))), "rising order"),
        (lambda: Curve(4, ((0, 60), (2, -1))), "below 0"),
        (lambda: Curve(0, ((0, 60), (2, 40))), "air pressure must be"),
        (lambda: compare_with_curve([Curve(4, ((0, 60), (4, 0)))], 4, 4, 1), "expects no flow"),
        (lambda: compare_with_curve(BOTH, 4, 1, -1), "below 0"),
    ],
)
def test_curves_refused(make, says):
    with pytest.raises(FigureError, match=says):
        make()


# --- air ---


# Source: common practice, no source (isothermal, swept volume only); numbers chosen here and computed apart. Tolerance 1e-4.
def test_air_use():
    assert air_use(160, 0.5, "cycle", 5).value == pytest.approx(237.384653, rel=1e-4)


# Independent: moles by scipy's gas constant, stated at ISO 8778 (from memory) and at DIN 1343 (secondary copy).
@given(st.floats(0, 300), st.floats(0.01, 20), st.floats(0, 8), st.floats(-10, 50), st.floats(0.7, 1.1), st.sampled_from([NORMAL, PNEUMATIC]))
def test_air_use_counts_moles(strokes, litres, bar, celsius, barometer, reference):
    moles = strokes * litres / 1000 * (bar + barometer) * 1e5 / (constants.R * (celsius + 273.15))
    expected = moles * constants.R * reference.temperature_k / reference.pressure_pa * 1000
    assert air_use(strokes, litres, "stroke", bar, celsius, barometer, reference).value == pytest.approx(expected, rel=1e-9)


# A pump on no pressure uses just its swept volume of free air.
@given(st.floats(0, 300), st.floats(0.01, 20), st.floats(-10, 50), st.floats(0.7, 1.1))
def test_free_air_at_no_pressure_is_the_swept_volume(strokes, litres, celsius, barometer):
    assert air_use(strokes, litres, "stroke", 0, celsius, barometer).value == pytest.approx(strokes * litres)


# --- suction lift ---


# Source: a pump reference's worked example, on a page of best practice: water at 85 degF, 1000 ft, barometer 32.8 ft, vapour 1.38 ft, line loss
# 5 ft, head needed 16 ft; the answer was cut off there: 32.8 - 1.38 - 5 - 16 = 10.42 ft by hand. Feet of water, so the density drops out.
def test_suction_lift_of_a_worked_example():
    foot = 998 * 9.80665 * 0.3048 / 1e5
    lift = suction_lift(32.8 * foot, 1.38 * foot, 998, 5 * foot, 16 * 0.3048)
    assert lift.value / 0.3048 == pytest.approx(10.42, abs=0.005)


# Worked by hand: water at 20 degC, 23.39 mbar and 998.2 kg/m3 (steam tables, from memory), 1013.25 mbar:
# 98986 Pa / (998.2 x 9.80665) = 10.112 m; the same head by fluids' head_from_P.
def test_suction_lift_of_cold_water():
    lift = suction_lift(1.01325, 0.02339, 998.2).value
    assert lift == pytest.approx(10.112, abs=0.001)
    assert lift == pytest.approx(head_from_P(101_325 - 2339, 998.2), rel=1e-6)


# Independent: the 1976 standard atmosphere in fluids, which counts with geopotential height; within 0.1 % up to 3000 m. ISO 2533 gives 898.76
# mbar at 1000 m and 795.01 at 2000 m (from memory).
@pytest.mark.parametrize("altitude", [-300, 0, 300, 800, 1000, 2000, 3000])
def test_barometer(altitude):
    assert barometer_at(altitude).value * 1e5 == pytest.approx(ATMOSPHERE_1976(altitude).P, rel=1e-3)


def test_barometer_of_the_table():
    assert barometer_at(1000).value * 1000 == pytest.approx(898.76, abs=0.2)
    assert barometer_at(2000).value * 1000 == pytest.approx(795.01, abs=0.2)


@given(st.floats(0.7, 1.1), st.floats(0, 0.1), st.floats(600, 1400), st.floats(0, 0.2), st.floats(0, 2))
def test_lift_loss_and_need_use_up_the_pressure(barometer, vapour, density, loss, needed):
    lift = suction_lift(barometer, vapour, density, loss, needed).value
    metre = density * constants.g / 1e5
    assert (lift + needed) * metre + loss + vapour == pytest.approx(barometer)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [((1, 1, 998), "boils"), ((1, 0.02, 998, 1), "No suction lift is left"), ((1, 0.02, 998, 0, 11), "0.99 m or more below"), ((1, 0.02, 0), "density must be"), ((1, -0.1, 998), "below 0"), ((0, 0, 998), "barometer must be")],
)
def test_lift_refused(arguments, says):
    with pytest.raises(FigureError, match=says):
        suction_lift(*arguments)


def test_barometer_refused():
    with pytest.raises(FigureError, match="in metres"):
        barometer_at(30_000)
