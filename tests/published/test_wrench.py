"""Settings of a torque wrench with an adapter against published examples, a moment balance and pint."""

import math

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.figures.thread import FigureError
from assistant.figures.wrench import in_range, torque_at_bolt, wrench_setting


@pytest.mark.parametrize(
    ("torque", "length", "offset", "angle", "setting", "tolerance"),
    [
        # A worked example on a calculator page, prints 71.1 N.m in line (lengths 40 cm and 5 cm).
        (80, 400, 50, 0, 71.1, 0.05),
        # The same page at 90 degrees, and two others: nothing changes. One page states the opposite and is wrong.
        (80, 400, 50, 90, 80.0, 0),
        # The formula of those pages, numbers chosen for this test and computed apart.
        (100, 400, 50, 0, 88.8888889, 1e-6),
        (100, 400, 50, 45, 91.8789697, 1e-6),
        (100, 400, 50, 90, 100.0, 0),
        # Folded back over the handle: T L / (L - E), a published reduced-arm equation.
        (100, 400, 50, 180, 114.285714, 1e-6),
    ],
)
def test_published_settings(torque, length, offset, angle, setting, tolerance):
    assert wrench_setting(torque, length, offset, angle).value == pytest.approx(setting, abs=tolerance)


# Source: a metrology page, M2 = M1 L2 / L1, prints 130 N.m for 100 N.m, 500 mm and 650 mm in all.
def test_published_torque_at_the_bolt():
    assert torque_at_bolt(100, 500, 150, 0).value == pytest.approx(130)


# Source: a table on a calculator page, over or under the torque wanted with E/L = 0.25 and the setting left as it was; printed to 0.1 %.
@pytest.mark.parametrize(("angle", "percent"), [(75, 6.5), (80, 4.3), (85, 2.2), (90, 0.0), (95, -2.2), (100, -4.3)])
def test_published_drift_from_ninety_degrees(angle, percent):
    assert torque_at_bolt(100, 400, 100, angle).value - 100 == pytest.approx(percent, abs=0.06)


# Reference: moments of one hand force about the drive and about the bolt, from vectors; the formula itself is not used.
@given(st.floats(1, 500), st.floats(100, 1000), st.floats(0, 90), st.floats(-180, 180))
def test_moment_balance(torque, length, offset, angle):
    turn = math.radians(angle)
    hand, bolt, force = np.array([-length, 0.0]), offset * np.array([math.cos(turn), math.sin(turn)]), np.array([0.0, -1.0])
    about_drive, about_bolt = (float(np.linalg.det(np.column_stack([hand - centre, force]))) for centre in (np.zeros(2), bolt))
    assert wrench_setting(torque, length, offset, angle).value == pytest.approx(torque * about_drive / about_bolt, rel=1e-9)


# Reference: pint, inch units throughout; 60 lbf.ft, 16 in and 2 in give 53.333 lbf.ft by hand.
def test_inch_units_by_pint():
    units = pint.UnitRegistry()
    torque, length, offset = 60 * units.force_pound * units.foot, 16 * units.inch, 2 * units.inch
    expected = torque * length / (length + offset)
    found = wrench_setting(torque.to("newton*meter").magnitude, length.to("mm").magnitude, offset.to("mm").magnitude, 0).value
    assert found == pytest.approx(expected.to("newton*meter").magnitude, rel=1e-12)
    assert expected.to("force_pound*foot").magnitude == pytest.approx(53.3333, abs=1e-4)


@given(st.floats(1, 500), st.floats(200, 1000), st.floats(0, 150), st.floats(0, 180))
def test_setting_and_torque_undo_each_other(torque, length, offset, angle):
    setting = wrench_setting(torque, length, offset, angle).value
    assert torque_at_bolt(setting, length, offset, angle).value == pytest.approx(torque, rel=1e-12)


@given(st.floats(1, 500), st.floats(200, 1000), st.floats(1, 150), st.floats(0, 179), st.floats(0.5, 1))
def test_the_setting_grows_with_torque_and_with_the_angle(torque, length, offset, angle, more):
    setting = wrench_setting(torque, length, offset, angle).value
    assert wrench_setting(torque + more, length, offset, angle).value > setting
    assert wrench_setting(torque, length, offset, angle + more).value > setting
    longer = wrench_setting(torque, length, offset + more, angle).value
    assert longer < setting if angle < 89 else True
    assert longer > setting if angle > 91 else True


def test_working_reads_line_by_line():
    assert wrench_setting(80, 400, 50, 0).lines == (
        "Arm of the wrench L = 400 mm, from the middle of the grip to the drive",
        "Adapter E = 50 mm at 0 deg (0 straight ahead, 90 across, 180 folded back): E cos a = 50 mm",
        "Arm at the bolt L + E cos a = 450 mm",
        "Setting = T L / (L + E cos a) = 80 x 400 / 450 = 71.11 N.m (published worked examples)",
        "This holds for a hand at the middle of the grip; a hand elsewhere is another L",
    )


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((80, 100, 100, 180), "leaves no arm"),
        ((80, 100, 200, 120), "leaves no arm"),
        ((80, 100, 300, 180), "leaves no arm"),
        ((0, 100, 10, 0), "torque must be a number over 0"),
        ((math.nan, 100, 10, 0), "torque must be a number over 0"),
        ((80, 0, 10, 0), "wrench length must be a number over 0"),
        ((80, 100, math.inf, 0), "check"),
        ((80, 100, 10, math.nan), "check"),
    ],
)
def test_refused(arguments, says):
    for figure in (wrench_setting, torque_at_bolt):
        with pytest.raises(FigureError, match=says.replace("torque must", "(torque|setting) must")):
            figure(*arguments)


# Common practice, no source: nothing under 20 % of full scale; 7 of 35 is exactly 20 %.
@pytest.mark.parametrize(
    ("setting", "least", "most", "inside", "says"),
    [
        (20, None, 100, True, "from 20 to 100"),
        (7, None, 35, True, "from 7 to 35"),
        (19.9, None, 100, False, "20 % of full scale; take a smaller wrench"),
        (24, 25, 100, False, "least it is marked for"),
        (25, 25, 100, True, "from 25 to 100"),
        (19, 10, 100, False, "20 % of full scale"),
        (100, 10, 100, True, "on the scale"),
        (100.1, 10, 100, False, "take a larger wrench"),
    ],
)
def test_range(setting, least, most, inside, says):
    verdict = in_range(setting, least, most)
    assert verdict.inside is inside
    assert says in verdict.words and verdict.words.endswith(".")


@given(st.floats(0.1, 500), st.none() | st.floats(0, 100), st.floats(100, 500))
def test_nothing_inside_is_under_a_fifth_or_over_full_scale(setting, least, most):
    if in_range(setting, least, most).inside:
        assert most / 5 <= setting <= most and setting >= (least or 0)


@pytest.mark.parametrize(("arguments", "says"), [((10, 120, 100), "not between 0 and full scale"), ((10, -1, 100), "not between"), ((0, 1, 100), "setting"), ((1, 1, 0), "full scale")])
def test_scales_refused(arguments, says):
    with pytest.raises(FigureError, match=says):
        in_range(*arguments)
