"""How words are said: the dictionary, and the words that the language pack says otherwise."""

import pytest

from assistant.engine.expect import general_vocabulary, step_vocabulary
from assistant.language.vocabulary import Vocabulary
from assistant.speech.lexicon import NUMBER, PHONES, Lexicon
from tests.support import EN, FLANGE, PUMP

LEXICON = Lexicon(EN)


def test_the_columns_are_those_of_arpabet_behind_none():
    assert len(PHONES) == 39 and PHONES == sorted(PHONES)  # the number of phones as the CMU pronouncing dictionary has it
    assert NUMBER["AA"] == 1 and NUMBER["ZH"] == 39 and 0 not in NUMBER.values()


@pytest.mark.parametrize(
    "word, way",
    [
        # As the CMU pronouncing dictionary has them.
        ("bus", "B AH S"),
        ("stop", "S T AA P"),
        ("measure", "M EH ZH ER"),
        # As the pack has them; the dictionary's way stays beside it, and first.
        ("eight", "EY T"),
        ("eight", "EY D"),
        ("impeller", "IH M P EH L ER"),
        ("metres", "M IY T AH Z"),
    ],
)
def test_ways_to_say_a_word(word, way):
    assert word in LEXICON
    assert tuple(NUMBER[phone] for phone in way.split()) in LEXICON.phones(word)


def test_a_word_is_mostly_said_as_the_dictionary_has_it():
    assert list(LEXICON.pronounce("eight")) == ["EY", "T"]
    assert LEXICON.pronounce("zorbflange") is None


def test_no_way_is_there_twice():
    pack = EN.model_copy(update={"pronunciations": {"bus": ["B AH S", "B UH S"]}})
    assert Lexicon(pack).phones("bus") == [tuple(NUMBER[phone] for phone in way) for way in (["B", "AH", "S"], ["B", "UH", "S"])]
    # One lexicon leaves no trace in the next: the dictionary is read once for all.
    assert len(Lexicon(EN.model_copy(update={"pronunciations": {}})).phones("bus")) == 1


def test_what_is_not_known_is_named():
    assert LEXICON.missing(["zorbflange", "valve", "aardwolfish"]) == ["aardwolfish", "zorbflange"]
    assert "zorbflange" not in LEXICON
    with pytest.raises(KeyError):
        LEXICON.phones("zorbflange")


def test_every_word_has_phones_and_no_number_in_brackets():
    words = list(LEXICON.words())
    assert len(words) > 100_000 and not [word for word in words if "(" in word]
    assert all(LEXICON.phones(word) and all(LEXICON.phones(word)) for word in words)


@pytest.mark.parametrize("plan", [PUMP, FLANGE], ids=["pump", "flange"])
def test_every_word_of_the_shipped_steps_is_known(plan):
    vocabulary = Vocabulary(EN)
    wanted = [general_vocabulary(), *(step_vocabulary(plan, planned) for planned in plan.by_key.values())]
    assert [LEXICON.missing(vocabulary.grammar(one).words()) for one in wanted] == [[]] * len(wanted)
