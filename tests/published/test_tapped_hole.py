"""Stripping of tapped holes and limits of torque. No paid standard was opened: see the source beside each check."""

import math

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.figures.tapped_hole import HOLE_MATERIALS, shear_area_per_mm, tapped_hole_torque_limit, worst_diameters
from assistant.figures.thread import MM_PER_INCH, FigureError, read_thread
from assistant.figures.torque import LUBRICATION, METRIC_STRENGTHS, tightening_torque
from assistant.figures.torque_limits import percent_of_proof, torque_warnings


# Source: a fastener handbook's worked example, seen in a search excerpt: M10x1.5 of 10.9 in aluminium of 130 MPa shear strength, 69 600 N,
# with the diameters 9.968 mm and 9.206 mm as printed there, needs 21.6 mm engaged.
def test_handbook_example():
    assert 69_600 / (130 * shear_area_per_mm(9.968, 9.206, 1.5)) == pytest.approx(21.6, abs=0.06)


# Source: a worked example on a calculator page, basic dimensions, tau = 0.6 x 310 MPa, M10 with 10 mm engaged; prints 51 130 N.
def test_calculator_example():
    basic = read_thread("M10")
    area = shear_area_per_mm(basic.diameter_mm, basic.pitch_diameter_mm, basic.pitch_mm) * 10
    assert area * 0.6 * 310 == pytest.approx(51_130, abs=10)
    # The short rule for basic dimensions, 7/8 pi d for each mm; the formula worked by hand.
    assert area == pytest.approx(0.875 * math.pi * 10 * 10, rel=1e-4)


# Reference: the share of the cylinder at the bolt's major diameter that lies in the hole's tooth, counted along one pitch of a sharp
# 60 degree profile, which is half a pitch wide at the pitch diameter.
@pytest.mark.parametrize("name", ["M6", "M8", "M10x1.25", "M16", "3/8-16 UNC", "1/2 UNF"])
def test_against_the_profile_itself(name):
    thread = read_thread(name)
    major, pitch_diameter = worst_diameters(thread)
    height = thread.pitch_mm * math.sqrt(3) / 2
    along = np.linspace(-thread.pitch_mm / 2, thread.pitch_mm / 2, 200_001)
    tooth_begins_at = pitch_diameter / 2 - height / 2 + np.abs(along) * math.sqrt(3)
    share = np.mean(tooth_begins_at <= major / 2)
    assert shear_area_per_mm(major, pitch_diameter, thread.pitch_mm) == pytest.approx(math.pi * major * share, rel=1e-4)


# Source: limits of size of ISO 965-2 (6g, 6H), mm, from memory, En of M10 also printed in the handbook example; within 0.01 mm, since the
# standard rounds its tolerances.
@pytest.mark.parametrize(("name", "major", "pitch_diameter"), [("M6", 5.794, 5.500), ("M8", 7.760, 7.348), ("M10", 9.732, 9.206), ("M12", 11.701, 11.063), ("M16", 15.682, 14.913)])
def test_metric_limits_of_size(name, major, pitch_diameter):
    assert worst_diameters(read_thread(name)) == pytest.approx((major, pitch_diameter), abs=0.01)


# Source: limits of size of ASME B1.1 (2A, 2B), in, from memory; within 0.0002 in.
@pytest.mark.parametrize(("name", "major", "pitch_diameter"), [("1/4-20 UNC", 0.2408, 0.2224), ("3/8-16 UNC", 0.3643, 0.3401), ("1/2-13 UNC", 0.4876, 0.4565)])
def test_unified_limits_of_size(name, major, pitch_diameter):
    found = [each / MM_PER_INCH for each in worst_diameters(read_thread(name))]
    assert found == pytest.approx((major, pitch_diameter), abs=0.0002)


# Worked by hand from the tabled limits of size: Ds 9.732, En 9.206: pi 9.732 (0.5 + 0.57735 x 0.526/1.5) = 21.476 mm2/mm; 15 mm are
# 322.1 mm2, x 90 MPa = 28.99 kN; two thirds 19.33 kN; x 0.15 x 10 mm = 28.99 N.m. 0.5 % for the rounding of tolerances.
def test_worked_by_hand():
    limit = tapped_hole_torque_limit("M10", 15, "aluminium", "oiled")
    assert limit.shear_area_mm2 == pytest.approx(322.1, rel=0.005)
    assert limit.stripping_n == pytest.approx(28_990, rel=0.005)
    assert limit.value == pytest.approx(28.99, rel=0.005)
    assert limit.unit == "N.m"


# Reference: pint, inch sizes, no conversion made by hand.
def test_inch_hole_by_pint():
    units = pint.UnitRegistry()
    major, pitch_diameter, pitch = 0.3643 * units.inch, 0.3401 * units.inch, units.inch / 16
    area = math.pi * major * (0.5 + (major - pitch_diameter) / pitch / math.sqrt(3)) * 0.75 * units.inch
    torque = 0.18 * (2 / 3) * area * 150 * units.megapascal * 0.375 * units.inch
    found = tapped_hole_torque_limit("3/8-16 UNC", 0.75 * 25.4, "cast iron", "dry").value
    assert found == pytest.approx(torque.to("newton*meter").magnitude, rel=0.005)


# Common practice, no source: in aluminium two diameters, in iron one and a quarter, carry an 8.8 bolt at 75 % of proof. Within 20 %.
@pytest.mark.parametrize(("material", "diameters"), [("aluminium", 2), ("cast iron", 1.25)])
@pytest.mark.parametrize("size", [6, 8, 10, 12, 16])
def test_the_rule_of_thumb_for_engagement(material, diameters, size):
    hole = tapped_hole_torque_limit(f"M{size}", diameters * size, material, "oiled").value
    assert hole == pytest.approx(tightening_torque(f"M{size}", "8.8", "oiled").value, rel=0.20)


# Sources: published tables, secondary copies: die-cast aluminium 19 000 psi in shear at the least, brass 37 000, the weakest grey iron
# 26 000. Ours are to lie below.
@pytest.mark.parametrize(("material", "psi"), [("aluminium", 19_000), ("brass", 37_000), ("cast iron", 26_000)])
def test_strengths_are_conservative(material, psi):
    assert HOLE_MATERIALS[material].shear_mpa < psi * 0.006894757


@given(st.sampled_from(["M5", "M8", "M10", "M16", "1/4-20 UNC", "3/8 UNF"]), st.floats(2, 60), st.floats(0.1, 20), st.sampled_from(sorted(HOLE_MATERIALS)), st.sampled_from(sorted(LUBRICATION)))
def test_a_longer_thread_never_holds_less(thread, engaged, more, material, lubrication):
    short, long = (tapped_hole_torque_limit(thread, length, material, lubrication) for length in (engaged, engaged + more))
    assert long.value >= short.value > 0
    # Even with the least K met, the pull stays a third below stripping.
    assert short.value / (LUBRICATION[lubrication].low * read_thread(thread).diameter_mm / 1000) <= short.stripping_n * 2 / 3 * (1 + 1e-9)


def test_turns_far_in_do_not_count():
    assert tapped_hole_torque_limit("M8", 40, "brass", "dry").value == tapped_hole_torque_limit("M8", 20, "brass", "dry").value
    assert "only 2.5 diameters count" in tapped_hole_torque_limit("M8", 40, "brass", "dry").lines[1]


def test_plastic_is_warned_of():
    assert "creeps" in tapped_hole_torque_limit("M6", 12, "plastic", "dry").lines[-1]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("M8", 12, "steel", "dry"), "use one of aluminium"),
        (("M8", 12, "brass", "honey"), "use one of dry"),
        (("M8", 1, "brass", "dry"), "less than one turn"),
        (("M8", 0, "brass", "dry"), "engaged length must be a number over 0"),
        (("M8", math.inf, "brass", "dry"), "engaged length must be a number over 0"),
        (("X8", 12, "brass", "dry"), "not a thread"),
    ],
)
def test_holes_refused(arguments, says):
    with pytest.raises(FigureError, match=says):
        tapped_hole_torque_limit(*arguments)


@pytest.mark.parametrize("name", ["Cast-Iron", " ALUMINUM ", "cast  iron"])
def test_spellings_of_materials(name):
    assert tapped_hole_torque_limit("M8", 12, name, "dry").value > 0


# --- the bolt's own share ---


# Source: published torque tables for SAE J429 bolts at 75 % of proof, secondary copies, rounded to 1 lbf.ft, hence 2 points.
@pytest.mark.parametrize(("thread", "grade", "lubrication", "lbf_ft"), [("3/8-16 UNC", "SAE 5", "dry", 31), ("1/2-13 UNC", "SAE 5", "oiled", 57), ("3/4-10 UNC", "SAE 8", "dry", 376)])
def test_tabled_torques_are_three_quarters_of_proof(thread, grade, lubrication, lbf_ft):
    assert percent_of_proof(lbf_ft * 1.3558179483314, thread, grade, lubrication).value == pytest.approx(75, abs=2)


# Source: proof loads of ISO 898-1 for class 8.8, secondary copies: M10 33 700 N, M16 91 000 N; computed back with K = 0.2 by pint.
@pytest.mark.parametrize(("thread", "diameter", "proof_n"), [("M10", 10, 33_700), ("M16", 16, 91_000)])
def test_full_proof_by_pint(thread, diameter, proof_n):
    units = pint.UnitRegistry()
    torque = 0.20 * proof_n * units.newton * diameter * units.millimeter
    assert percent_of_proof(torque.to("newton*meter").magnitude, thread, "8.8", "dry").value == pytest.approx(100, abs=0.4)


@given(st.sampled_from(["M5", "M8", "M12", "M20"]), st.sampled_from(sorted(METRIC_STRENGTHS)), st.sampled_from(sorted(LUBRICATION)), st.floats(1, 90))
def test_torque_and_percent_undo_each_other(thread, strength, lubrication, percent):
    torque = tightening_torque(thread, strength, lubrication, percent).value
    assert percent_of_proof(torque, thread, strength, lubrication).value == pytest.approx(percent, rel=1e-9)


def test_warnings_name_the_percent_and_both_limits():
    bolt, hole = torque_warnings(42, "M8", "8.8", "oiled", 12, "aluminium")
    assert bolt == "42 N.m takes the bolt M8x1.25 of 8.8, oiled, to 165 percent of its proof load; 90 percent is the most, at 22.9 N.m."
    assert "over the 14.6 N.m that 12 mm of M8x1.25 thread in aluminium" in hole and hole.endswith(".")
    assert torque_warnings(14, "M8", "8.8", "oiled", 12, "aluminium") == []
    assert torque_warnings(20, "M8", "8.8", "oiled") == []
    assert len(torque_warnings(20, "M8", "8.8", "oiled", most_percent=75)) == 1
    assert "0.2 percent proof stress" in torque_warnings(42, "M8", "A2-70", "dry")[0]


@given(st.floats(0.5, 200), st.sampled_from(["M6", "M8", "M12"]), st.sampled_from(sorted(LUBRICATION)), st.floats(6, 40), st.sampled_from(sorted(HOLE_MATERIALS)))
def test_a_warning_for_each_limit_passed_and_none_else(torque, thread, lubrication, engaged, material):
    over_bolt = percent_of_proof(torque, thread, "8.8", lubrication).value > 90
    over_hole = torque > tapped_hole_torque_limit(thread, engaged, material, lubrication).value
    assert len(torque_warnings(torque, thread, "8.8", lubrication, engaged, material)) == over_bolt + over_hole


@pytest.mark.parametrize(("extra", "says"), [({"engaged_mm": 12}, "both"), ({"material": "brass"}, "both")])
def test_half_a_hole_is_refused(extra, says):
    with pytest.raises(FigureError, match=says):
        torque_warnings(10, "M8", "8.8", "dry", **extra)
    with pytest.raises(FigureError, match="torque must be a number over 0"):
        percent_of_proof(-1, "M8", "8.8", "dry")
