"""The search for the likeliest phrase, against every phrase and every alignment tried out.

The scores are those of connectionist temporal classification (Graves, Fernández, Gomez and Schmidhuber 2006): an alignment gives each
frame a phone or "none"; phones that follow each other are one, and then "none" is left out. Only the best alignment counts here, not the
sum over all.
"""

from decimal import Decimal
from itertools import groupby, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.engine.expect import Expected, step_vocabulary
from assistant.language.numbers import number_words
from assistant.language.vocabulary import Vocabulary
from assistant.speech.lexicon import NUMBER, PHONES, Lexicon
from assistant.speech.phone_search import GRAMMAR_WEIGHT, NEVER, NONE, Network, scores
from tests.support import EN, PUMP

LEXICON = Lexicon(EN)


def random_rows(frames: int, columns: int, seed: int, sharp: float = 1.0) -> np.ndarray:
    """Log probabilities (frames x columns); the larger `sharp`, the surer."""
    logits = np.random.default_rng(seed).normal(0, sharp, (frames, columns))
    return (logits - np.log(np.exp(logits).sum(axis=1, keepdims=True))).astype(np.float32)


def rows_of(columns: list[int], sure: float = 0.9) -> np.ndarray:
    """Log probabilities (frames x phones) of a model that is sure of one column a frame."""
    rows = np.full((len(columns), len(PHONES) + 1), (1 - sure) / len(PHONES))
    rows[np.arange(len(columns)), columns] = sure
    return np.log(rows).astype(np.float32)


def spoken(words: list[tuple[int, ...]], rng: np.random.Generator) -> list[int]:
    """Columns of words said in a row: each phone for one to three frames, "none" between like ones, and pauses now and then."""
    columns = [NONE] * int(rng.integers(0, 6))
    for word in words:
        for phone in word:
            if columns and columns[-1] == phone or rng.random() < 0.2:
                columns.append(NONE)
            columns += [phone] * int(rng.integers(1, 4))
        columns += [NONE] * int(rng.integers(0, 3))
    return columns + [NONE] * int(rng.integers(0, 6))


# Scores ------------------------------------------------------------------------------------------------------------


def collapsed(alignment: tuple[int, ...]) -> tuple[int, ...]:
    """The phones that an alignment stands for: B of Graves et al. 2006, section 3.1."""
    return tuple(phone for phone, _ in groupby(alignment) if phone != NONE)


def tried_out(rows: np.ndarray, sequence: tuple[int, ...]) -> float:
    """Score of the best of all alignments."""
    fits = (alignment for alignment in product(range(rows.shape[1]), repeat=len(rows)) if collapsed(alignment) == sequence)
    return max((float(sum(rows[frame, column] for frame, column in enumerate(alignment))) for alignment in fits), default=float(NEVER))


@given(seed=st.integers(0, 10**6), frames=st.integers(1, 6), sequences=st.lists(st.lists(st.integers(1, 2), max_size=4).map(tuple), min_size=1, max_size=5))
@settings(max_examples=60, deadline=None)
def test_scores_are_those_of_the_best_of_all_alignments(seed, frames, sequences):
    rows = random_rows(frames, 3, seed)
    found = scores(rows, sequences)
    for score, sequence in zip(found, sequences, strict=True):
        best = tried_out(rows, sequence)
        assert score <= NEVER / 2 if best == NEVER else score == pytest.approx(best, abs=1e-4)


@pytest.mark.parametrize(
    "sequence, frames, fits",
    [((1, 2), 2, True), ((1, 2), 1, False), ((1, 1), 2, False), ((1, 1), 3, True), ((1, 2, 2, 1), 4, False), ((1, 2, 2, 1), 5, True), ((), 3, True)],
)
def test_a_sequence_needs_a_frame_for_each_phone_and_one_between_like_ones(sequence, frames, fits):
    assert (scores(random_rows(frames, 3, 1), [sequence])[0] > NEVER / 2) == fits


def test_no_sequences_have_no_scores():
    assert len(scores(random_rows(4, 3, 1), [])) == 0


# Search ------------------------------------------------------------------------------------------------------------


class Words:
    """Stands in for a lexicon of a language with three phones, so that many words are alike."""

    said = {"oh": [(1,)], "bus": [(3, 1, 2)], "stop": [(2, 3, 1), (2, 1)], "us": [(1, 2)], "so": [(2, 1)], "sis": [(2, 1, 2), (2, 2)]}

    def phones(self, word: str) -> list[tuple[int, ...]]:
        return self.said[word]


class Choice:
    """Stands in for a grammar."""

    def __init__(self, choice: str):
        self._choice = choice

    def jsgf(self, name: str) -> str:
        return f"#JSGF V1.0;\ngrammar {name};\npublic <{name}> = {self._choice};\n"


CHOICES = [
    ("bus stop | us | so", {"bus stop": 1 / 3, "us": 1 / 3, "so": 1 / 3}),
    ("/9/ us | /1/ so", {"us": 0.9, "so": 0.1}),
    ("oh | oh oh | oh oh oh", {"oh": 1 / 3, "oh oh": 1 / 3, "oh oh oh": 1 / 3}),
    ("[us] so (stop | sis)", {"us so stop": 1 / 4, "us so sis": 1 / 4, "so stop": 1 / 4, "so sis": 1 / 4}),
    ("(bus | us | sis) (stop | so | us)", {f"{one} {other}": 1 / 9 for one in ("bus", "us", "sis") for other in ("stop", "so", "us")}),
    ("us [stop [so]] | sis", {"us": 1 / 4, "us stop": 1 / 8, "us stop so": 1 / 8, "sis": 1 / 2}),
]


@pytest.mark.parametrize("choice, texts", CHOICES, ids=[choice for choice, _ in CHOICES])
@given(seed=st.integers(0, 10**6), frames=st.integers(1, 14), sharp=st.sampled_from([0.5, 2.0, 5.0]))
@settings(max_examples=40, deadline=None)
def test_the_search_finds_the_best_of_all_phrases(choice, texts, seed, frames, sharp):
    rows = random_rows(frames, 4, seed, sharp)
    sound = {}
    for text in texts:
        ways = [[phone for word in way for phone in word] for way in product(*(Words.said[word] for word in text.split()))]
        sound[text] = float(scores(rows, ways).max())
    weighed = {text: sound[text] + GRAMMAR_WEIGHT * np.log(share) for text, share in texts.items()}
    found = Network(Choice(choice), Words()).search(rows)
    if found is None:
        assert max(sound.values()) <= NEVER / 2
        return
    # Like ones may be found either way: the compiled grammar has its shares rounded.
    assert weighed[found.text] == pytest.approx(max(weighed.values()), abs=2e-3)
    assert found.score == pytest.approx(sound[found.text], abs=1e-3)
    assert found.score == pytest.approx(rows.max(axis=1).sum() - found.outside - sum(word.short for word in found.words), abs=1e-3)
    assert all(one.end <= other.start for one, other in zip(found.words, found.words[1:], strict=False))


@pytest.mark.parametrize(
    "columns, text",
    [
        ([1], "oh"),
        ([0, 1, 1, 1, 1, 1, 0], "oh"),
        ([1, 0, 1], "oh oh"),
        ([0, 1, 1, 0, 0, 1, 1, 1, 0, 1, 0], "oh oh oh"),
    ],
)
def test_a_phone_that_lasts_is_one_and_one_that_comes_again_is_two(columns, text):
    found = Network(Choice("oh | oh oh | oh oh oh"), Words()).search(rows_of(columns)[:, :4])
    assert found.text == text and found.outside == 0 and not any(word.short for word in found.words)


@pytest.mark.parametrize("choice, frames, fits", [("bus stop", 5, False), ("bus stop", 6, True), ("stop | us", 1, False), ("stop | us", 2, True), ("sis us", 4, False), ("sis us", 5, True), ("oh oh", 2, False), ("oh oh", 3, True), ("oh", 0, False)])
def test_too_few_frames_hold_no_phrase(choice, frames, fits):
    """The shortest way of "bus stop" has five phones, and "none" between the two that are alike."""
    found = Network(Choice(choice), Words()).search(random_rows(frames, 4, 3))
    assert (found is not None) == fits


def test_words_have_their_times():
    bus, stop = LEXICON.phones("bus")[0], LEXICON.phones("stop")[0]
    columns = [NONE] * 4
    columns += [bus[0], bus[0], bus[1], NONE, bus[2], bus[2]]
    columns += [NONE] * 3
    columns += [stop[0], stop[1], stop[2], stop[2], stop[2], stop[3]]
    columns += [NONE] * 5
    found = Network(Choice("bus stop | stop bus"), LEXICON).search(rows_of(columns))
    assert [(word.text, word.start, word.end) for word in found.words] == [("bus", 4, 10), ("stop", 13, 19)]
    assert (found.outside, [word.short for word in found.words]) == (0.0, [0.0, 0.0])
    assert found.score == pytest.approx(len(columns) * np.log(0.9), rel=1e-4)


def test_what_falls_short_is_put_down_to_its_word_or_to_the_pauses():
    """One frame in "stop" is another phone, and two in the pause before it are."""
    bus, stop = LEXICON.phones("bus")[0], LEXICON.phones("stop")[0]
    columns = [*bus, NONE, NUMBER["OY"], NUMBER["OY"], NONE, *(phone for phone in stop for _ in range(2)), NONE]
    columns[len(bus) + 4 + 5] = NUMBER["OY"]
    found = Network(Choice("bus stop"), LEXICON).search(rows_of(columns))
    fall = np.log(0.9) - np.log(0.1 / len(PHONES))
    assert [word.short for word in found.words] == pytest.approx([0.0, fall], abs=1e-3)
    assert found.outside == pytest.approx(2 * fall, abs=1e-3)


def test_a_word_without_phones_is_refused():
    with pytest.raises(KeyError):
        Network(Choice("bus zorbflange"), LEXICON)


def test_a_grammar_in_which_nothing_can_be_said_finds_no_words():
    found = Network(Vocabulary(EN).grammar(Expected()), LEXICON).search(rows_of([0, 1, 2, 0]))
    assert found is None or found.words == ()


# Whole grammars ----------------------------------------------------------------------------------------------------

STEPS = [key for key, planned in PUMP.by_key.items() if step_vocabulary(PUMP, planned).values]


@pytest.mark.parametrize("key", STEPS)
def test_what_is_said_clearly_at_a_step_comes_back_exactly(key):
    grammar, rng = Vocabulary(EN).grammar(step_vocabulary(PUMP, PUMP.by_key[key])), np.random.default_rng(STEPS.index(key))
    network = Network(grammar, LEXICON)
    texts = [grammar.phrases[number].text for number in rng.choice(len(grammar.phrases), 6, replace=False)]
    for _ in range(14):
        # Of every size that is measured, with the places that go with it.
        size = float(10 ** rng.uniform(-2, 3.9))
        number = number_words(Decimal(str(round(size, int(rng.integers(0, 4 if size < 10 else 2))))), EN)
        words = [rng.choice(grammar.quantities) if grammar.quantities and rng.random() < 0.3 else "", number, rng.choice(grammar.unit_phrases()) if rng.random() < 0.7 else ""]
        texts.append(" ".join(filter(None, words)))
    for text in texts:
        assert grammar.match(text) is not None, text
        # Mostly as it is mostly said: other ways may make two phrases one.
        columns = spoken([LEXICON.phones(word)[0] for word in text.split()], rng)
        found = network.search(rows_of(columns))
        assert grammar.match(found.text) == grammar.match(text), (text, found.text)
        assert found.score == pytest.approx(len(columns) * np.log(0.9), rel=1e-3)
        assert found.outside == pytest.approx(0.0, abs=1e-3)
