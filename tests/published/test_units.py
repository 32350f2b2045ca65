"""Unit conversions against NIST SP 811 (2008), Appendix B.8 and B.9. The page itself was not opened: its printed digits are from memory,
and agree with what follows from the exact definitions (1 lb = 0.45359237 kg, 1 in = 25.4 mm, g = 9.80665 m/s2)."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.figures.units import PINT_UNITS, SI_UNITS, convert, digits, same_dimension, to_si, unit_symbol
from tests.support import EN


@pytest.mark.parametrize(
    ("value", "source", "target", "expected"),
    [
        ("1", "lbf.ft", "N.m", 1.35581795), ("1", "lbf.in", "N.m", 0.112984829), ("1", "psi", "kPa", 6.89475729), ("1", "bar", "kPa", 100.0),
        ("1", "inch", "mm", 25.4), ("1", "gal/min", "L/min", 3.78541178), ("10", "lbf.ft", "N.m", 13.5581795), ("50", "lbf.ft", "N.m", 67.7908974),
        ("120", "lbf.in", "N.m", 13.5581795), ("100", "psi", "kPa", 689.475729), ("5", "thou", "mm", 0.127),
        # Exact by definition.
        ("212", "degF", "degC", 100.0), ("-40", "degF", "degC", -40.0), ("1", "h", "s", 3600.0), ("1", "mbar", "kPa", 0.1), ("1000", "um", "mm", 1.0),
    ],
)  # fmt: skip
def test_factors(value, source, target, expected):
    assert float(convert(Decimal(value), source, target)) == pytest.approx(expected, rel=1e-8)


# SI brochure, 9th edition: coherent units; 1 L = 1e-3 m3 and 1 bar = 1e5 Pa are exact.
@pytest.mark.parametrize(
    ("value", "unit", "expected", "si"),
    [("60", "L/min", 1e-3, "m3/s"), ("7", "bar", 7e5, "Pa"), ("0.2", "mm", 2e-4, "m"), ("20", "degC", 293.15, "K"), ("180", "deg", 3.14159265359, "rad"), ("90", "strokes/min", 1.5, "strokes/s"), ("50", "%", 0.5, "1"), ("60", "rpm", 6.28318530718, "rad/s")],
)
def test_si_values(value, unit, expected, si):
    found, found_unit = to_si(Decimal(value), unit)
    assert found_unit == si and float(found) == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("unit", sorted(PINT_UNITS))
def test_every_unit_has_an_si_value_a_symbol_and_words(unit):
    assert to_si(Decimal(1), unit)[1] in SI_UNITS
    assert unit_symbol(unit)
    assert unit in EN.units


@given(st.decimals(min_value="-9999.99", max_value="9999.99", places=2), st.sampled_from(sorted(PINT_UNITS)), st.sampled_from(sorted(PINT_UNITS)))
def test_there_and_back(value, first, second):
    if same_dimension(first, second):
        assert float(convert(convert(value, first, second), second, first)) == pytest.approx(float(value), rel=1e-9, abs=1e-9)
    else:
        with pytest.raises(ValueError, match="cannot be converted"):
            convert(value, first, second)


def test_torque_is_no_energy_and_strokes_are_no_bubbles():
    assert not same_dimension("strokes/min", "bubbles/min")
    assert not same_dimension("N.m", "N")


@given(st.decimals(min_value="-99999999", max_value="99999999", places=6))
def test_written_numbers_lose_nothing(value):
    assert Decimal(digits(value)) == value and "E" not in digits(value)
