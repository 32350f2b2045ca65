"""What is made of the two recognisers together; the second is a stand-in here, and so are the phones of the first."""

import math
from decimal import Decimal

import numpy as np
import pytest

from assistant.engine.expect import Expected, general_vocabulary
from assistant.engine.intents import Intent
from assistant.language.pack import load_pack
from assistant.language.vocabulary import Vocabulary
from assistant.speech.opinion import MOST_CANDIDATES, MOST_MARGIN, Candidate, Evidence, SecondHearing, evidence_of, forms_of, judge, likely, neighbours, worth_asking
from assistant.speech.phone_recogniser import Fit, Understood
from assistant.speech.recognise import Heard
from assistant.speech.second import Opinion

EN = load_pack("en")
GRAMMAR = Vocabulary(EN).grammar(general_vocabulary())
CONFIRM = Vocabulary(EN).grammar(Expected(confirm=True, values=(("diameter", "mm"),), denied=True))
SOUND = np.full(16_000, 700, np.int16)
FIT = Fit(8, 0.5, 1.0, 0.5, 0.3)


def understood(text: str, confidence: float = 0.5, grammar=GRAMMAR) -> Understood:
    heard = Heard(text, confidence, confidence < 0.5, 1.0, 0.0, "phones", SOUND)
    return Understood(heard, np.zeros((4, 40), np.float32), None, FIT if text else None, grammar.match(text) if text else None)


class First:
    """Stands in for the first: hears what it is told to; the texts named have scores, all others a low one."""

    name, model = "phones", "none"

    def __init__(self, text: str, confidence: float, **scores: float):
        self._text, self._confidence, self._scores = text, confidence, {name.replace("_", " "): score for name, score in scores.items()}

    def understand(self, samples, grammar) -> Understood:
        return understood(self._text, self._confidence, grammar)

    def glimpse(self, samples, grammar) -> Understood | None:
        return understood(self._text, self._confidence, grammar) if self._text else None

    def scores(self, phones, texts) -> np.ndarray:
        return np.array([self._scores.get(text, -1000.0) for text in texts])

    def missing_words(self, words) -> list[str]:
        return []

    known_words = pronounce = missing_words


class Second:
    """Stands in for the second: one form is far likelier than the others; None answers nothing."""

    version = "none"

    def __init__(self, likeliest: str | None):
        self._likeliest, self.asked, self.closed = likeliest, [], 0

    def weigh(self, samples, candidates, free=True) -> Opinion | None:
        self.asked.append((samples, list(candidates), free))
        if self._likeliest is None:
            return None
        return Opinion(tuple(-0.05 if form == self._likeliest else -6.0 for form in candidates), (5,) * len(candidates), "", 0.0, 0.0)

    def close(self) -> None:
        self.closed += 1


# Candidates --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text, near",
    [
        ("fifteen thou", "fifty thou"),
        ("thirty bar", "thirteen bar"),
        ("forty five bar", "forty nine bar"),
        ("forty five bar", "forty bar"),
        ("forty bar", "forty five bar"),
        ("six bar", "six millibar"),
        ("six bar", "six"),
        ("one two five", "one two"),
        ("one two", "one two five"),
        ("one point five bar", "one point five five bar"),
        ("four two five bar", "four two point five bar"),
        ("torque forty newton metres", "torque fifty newton metres"),
    ],
)
def test_values_easily_taken_for_each_other(text, near):
    assert near in set(neighbours(text, GRAMMAR)) and GRAMMAR.match(near) is not None


def test_a_denial_stays_before_its_neighbours():
    assert "no forty nine millimetres" in set(neighbours("no forty three millimetres", CONFIRM))


def test_only_the_near_are_likely_and_the_likeliest_comes_first():
    first = First("next step", 0.5, next_step=-20.0, next_bolt=-22.0, say_again=-300.0)
    found = likely(understood("next step"), first, GRAMMAR)
    assert [(one.text, one.phones) for one in found] == [("next step", -20.0), ("next bolt", -22.0)]
    assert found[0].intent == Intent("next") and "Next step." in found[0].forms


def test_a_value_brings_its_neighbours_each_once():
    class Alike(First):
        def scores(self, phones, texts):
            return np.array([-10.0 - 0.01 * number for number in range(len(texts))])

    found = likely(understood("fifteen bar"), Alike("", 0), GRAMMAR)
    assert len(found) == MOST_CANDIDATES and found[0].text == "fifteen bar"
    values = [one.intent for one in found if one.intent.kind == "value"]
    assert len(values) > 3 and len(set(values)) == len(values)
    # Another command brings none.
    assert {one.intent.kind for one in likely(understood("next step"), Alike("", 0), GRAMMAR)}.isdisjoint({"value"})


@pytest.mark.parametrize(
    "text, forms",
    [
        ("next step", {"Next step."}),
        ("go back one", {"Go back one."}),
        ("forty two point five newton metres", {"42.5 newton meters.", "Forty two point five newton metres."}),
        ("three eighths", {"3/8.", "Three eighths."}),
        ("minus two", {"-2.", "Minus two."}),
        ("torque one two point five newton metres", {"Torque 12.5 newton meters."}),
        ("no forty three millimetres", {"No 43 millimeters."}),
    ],
)
def test_forms_that_the_second_may_write(text, forms):
    found = forms_of(text, GRAMMAR)
    assert forms <= set(found) and len(set(found)) == len(found) <= 2


# Weighing ----------------------------------------------------------------------------------------------------------


def candidate(text: str, phones: float = -10.0) -> Candidate:
    return Candidate(text, GRAMMAR.match(text), phones, forms_of(text, GRAMMAR))


def opinion_of(candidates: list[Candidate], means: dict[str, float]) -> Opinion:
    forms = [form for one in candidates for form in one.forms]
    return Opinion(tuple(means.get(form, -6.0) for form in forms), (4,) * len(forms), "", 0.0, 0.0)


def test_the_best_form_of_a_candidate_counts():
    candidates = [candidate("fifteen bar"), candidate("fifty bar")]
    evidence = evidence_of(candidates, opinion_of(candidates, {"50 bar.": -0.1, "Fifteen bar.": -2.0}), understood("fifteen bar", 0.6))
    assert (evidence.best.text, evidence.mean, evidence.tokens) == ("fifty bar", -0.1, 4)
    assert not evidence.first and evidence.confidence == 0.6 and evidence.fit == FIT
    assert 0 < evidence.margin <= MOST_MARGIN


def test_the_margin_is_to_the_next_of_another_meaning():
    same = [candidate("yes"), candidate("affirm")]
    assert same[0].intent == same[1].intent
    assert evidence_of(same, opinion_of(same, {}), understood("yes")).margin == MOST_MARGIN
    three = [*same, candidate("no")]
    assert evidence_of(three, opinion_of(three, {}), understood("yes")).margin == pytest.approx(0.0)


def test_as_likely_by_phones_the_second_decides_and_the_other_way_round():
    pair = [candidate("next step", -10.0), candidate("next bolt", -10.0)]
    assert evidence_of(pair, opinion_of(pair, {"Next bolt.": -0.1}), understood("next step")).best.text == "next bolt"
    pair = [candidate("next step", -10.0), candidate("next bolt", -60.0)]
    assert evidence_of(pair, opinion_of(pair, {"Next step.": -1.0, "Next bolt.": -1.0}), understood("next step")).best.text == "next step"


@pytest.mark.parametrize("margin", [0.0, MOST_MARGIN])
@pytest.mark.parametrize("mean", [0.0, -6.0, -1e6])
@pytest.mark.parametrize("confidence", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("text", ["next step", "fifteen bar"])
def test_every_evidence_has_a_probability(margin, mean, confidence, text):
    evidence = Evidence(candidate(text), margin, mean, 4, True, FIT, confidence)
    assert all(math.isfinite(feature) for feature in evidence.features()) and 0.0 <= evidence.probability() <= 1.0


def test_what_is_clear_is_taken_and_what_is_not_is_rejected():
    heard = understood("next step", 0.4).heard
    taken = judge(heard, Evidence(candidate("next bolt"), MOST_MARGIN, -0.01, 4, True, FIT, 0.95))
    assert (taken.text, taken.rejected, taken.audio is SOUND) == ("next bolt", False, True) and 0 < taken.confidence <= 1
    asked = judge(heard, Evidence(candidate("next bolt"), 0.0, -6.0, 4, False, FIT, 0.05))
    assert (asked.text, asked.rejected) == ("next step", True) and asked.confidence <= heard.confidence


# Asking ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text, confidence, grammar, asked",
    [
        ("next step", 0.3, GRAMMAR, True),
        ("fifteen bar", 0.3, GRAMMAR, True),
        ("next step", 1.0, GRAMMAR, False),
        ("fifteen bar", 1.0, GRAMMAR, False),
        ("", 0.0, GRAMMAR, False),
        ("no such phrase", 0.3, GRAMMAR, False),
        ("hello bench", 0.3, Vocabulary(EN).grammar(Expected(frozenset({"wake"}))), False),
        ("alfa bravo", 0.3, Vocabulary(EN).grammar(Expected(frozenset({"next"}), spelled=True)), False),
    ],
)
def test_the_second_is_asked_where_it_may_change_something(text, confidence, grammar, asked):
    assert worth_asking(understood(text, confidence, grammar), grammar) == asked


def test_a_sure_first_stands_alone():
    second = Second("Next bolt.")
    heard = SecondHearing(First("next step", 1.0), second).hear(SOUND, GRAMMAR)
    assert (heard.text, heard.engine, second.asked) == ("next step", "phones", [])


def test_a_doubtful_first_is_put_right_or_asked_again():
    second = Second("50 bar.")
    heard = SecondHearing(First("fifteen bar", 0.5, fifteen_bar=-20.0, fifty_bar=-20.5), second).hear(SOUND, GRAMMAR)
    assert heard.engine == "phones+whisper" and (heard.rejected or GRAMMAR.match(heard.text).value == Decimal(50))
    (_, forms, free), = second.asked
    assert {"50 bar.", "15 bar."} <= set(forms) and not free


@pytest.mark.parametrize("rejected", [0.3, 0.6])
def test_without_an_answer_the_first_stands(rejected):
    first = First("fifteen bar", rejected, fifteen_bar=-20.0)
    heard = SecondHearing(first, Second(None)).hear(SOUND, GRAMMAR)
    assert (heard.text, heard.rejected, heard.engine) == ("fifteen bar", rejected < 0.5, "phones")


@pytest.mark.parametrize("text, confidence, asked", [("next step", 0.96, 0), ("next step", 0.5, 1), ("", 0.0, 0)], ids=["sure", "doubtful, and over", "not over"])
def test_at_a_glance_the_second_is_asked_only_about_what_is_over_and_doubtful(text, confidence, asked):
    second = Second("Next step.")
    heard = SecondHearing(First(text, confidence, next_step=-20.0), second).glance(SOUND, GRAMMAR)
    assert len(second.asked) == asked
    assert heard is None if not text else (heard.text, heard.rejected, heard.engine) == ("next step", False, "phones+whisper" if asked else "phones")


def test_the_second_is_given_cleaned_sound_where_the_noise_is_known():
    noise = np.random.default_rng(1).normal(0, 300, 16_000).astype(np.int16)
    second = Second("Next step.")
    hearing = SecondHearing(First("next step", 0.5, next_step=-20.0), second)
    hearing.hear(noise, GRAMMAR)
    hearing.hear(noise, GRAMMAR, noise)
    plain, cleaned = (samples for samples, *_ in second.asked)
    assert np.array_equal(plain, noise) and np.abs(cleaned.astype(int)).mean() < np.abs(noise.astype(int)).mean()
    hearing.close()
    assert second.closed == 1
