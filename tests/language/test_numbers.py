"""Numbers in words. The styles are common practice at a bench, no source; read-back digit by digit follows ICAO Annex 10 vol II 5.2.1.4.3."""

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.language.numbers import number_words, parse_number, say_value
from assistant.language.pack import load_pack

EN, KO = load_pack("en"), load_pack("ko")
HUNDREDTHS = st.integers(0, 999_999).map(lambda n: Decimal(n) / 100)


@pytest.mark.parametrize(
    "words, value",
    [
        ("forty two point five", "42.5"),
        ("one hundred and twenty", "120"),
        ("one hundred twenty", "120"),
        ("a hundred", "100"),
        ("twelve hundred", "1200"),
        ("one thousand two hundred and six point oh five", "1206.05"),
        ("nine thousand nine hundred and ninety nine point nine nine", "9999.99"),
        ("twelve thousand four hundred and five", "12405"),
        ("one two four oh five", "12405"),
        ("fifteen", "15"),
        ("three eighths", "0.375"),
        ("one eighth", "0.125"),
        ("a half", "0.5"),
        ("two and a half", "2.5"),
        ("one and three eighths", "1.375"),
        ("twenty one sixty fourths", "0.328125"),
        ("point oh four", "0.04"),
        ("oh point five", "0.5"),
        ("nought point five", "0.5"),
        ("point twenty five", "0.25"),
        ("minus two", "-2"),
        ("minus point five", "-0.5"),
        ("one two point five", "12.5"),
        ("one two zero", "120"),
        ("four two", "42"),
        ("zero", "0"),
    ],
)
def test_numbers_as_people_say_them(words, value):
    assert parse_number(words.split(), EN) == Decimal(value)


@pytest.mark.parametrize("words", ["", "point", "forty twenty", "two point", "five hundred thousand", "one point two point three", "three halves and", "hundred", "minus", "twenty eleven", "one two three four five six", "and two", "nine eighths", "bar"])
def test_what_is_no_number_is_never_guessed(words):
    assert parse_number(words.split(), EN) is None


@settings(max_examples=400)
@given(HUNDREDTHS)
def test_every_number_to_9999_99_comes_back_from_its_words(value):
    for pack in (EN, KO):
        assert parse_number(number_words(value, pack).split(), pack) == value
        assert parse_number(number_words(value, pack, "digits").split(), pack) == value


def test_every_whole_number_comes_back():
    for pack in (EN, KO):
        for value in (*range(10_000), *range(10_000, 100_000, 7)):
            assert parse_number(number_words(value, pack).split(), pack) == value


@given(HUNDREDTHS)
def test_minus_comes_back(value):
    assert parse_number(number_words(-value, EN).split(), EN) == -value


@given(st.lists(st.sampled_from(sorted({*EN.numbers.digits, *EN.numbers.teens, *EN.numbers.tens, "hundred", "thousand", "and", "point", "minus", "a", "oh", "half", "eighths", "quarter"})), max_size=8))
def test_any_row_of_number_words_is_one_number_or_none(words):
    value = parse_number(words, EN)
    assert value is None or abs(value) < 100_000


@pytest.mark.parametrize("words, value", [("사 십 이", "42"), ("백 이 십", "120"), ("삼 점 오", "3.5"), ("천 이 백 육 점 영 오", "1206.05"), ("십", "10"), ("마이너스 이", "-2"), ("공", "0")])
def test_korean_numbers(words, value):
    assert parse_number(words.split(), KO) == Decimal(value)


@pytest.mark.parametrize(
    "value, unit, said",
    [
        ("42.5", "N.m", "forty two point five newton metres"),
        ("1", "N.m", "one newton metre"),
        ("120", "lbf.in", "one hundred and twenty inch pounds"),
        ("0.04", "mm", "zero point zero four millimetres"),
        ("5.0", "bar", "five bar"),
        ("12500", "rpm", "twelve thousand five hundred revs per minute"),
        ("-2", "degC", "minus two degrees celsius"),
        ("15", "thou", "fifteen thou"),
    ],
)
def test_a_value_is_said_with_its_unit_in_words(value, unit, said):
    assert say_value(Decimal(value), unit, EN) == said
