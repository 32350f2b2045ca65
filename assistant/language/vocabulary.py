"""Turns what the engine expects into a grammar of the language pack: a phrase for each intent, and the values in play."""

from decimal import Decimal
from functools import lru_cache

from assistant.engine.expect import Expected
from assistant.engine.intents import Intent
from assistant.figures.units import same_dimension
from assistant.language.grammar import Grammar, Phrase
from assistant.language.numbers import number_words
from assistant.language.pack import Pack


MOST_COUNTED = 32
"""Fasteners of one kind that can be counted in one step."""


def spoken_form(text: str) -> str:
    """Words as a recogniser knows them: lower case, hyphens and punctuation gone."""
    return " ".join("".join(letter if letter.isalnum() or letter == "'" else " " for letter in text.lower()).split())


class Vocabulary:
    """Grammars of one language pack, made once for each set of expected phrases."""

    def __init__(self, pack: Pack):
        self.pack = pack
        self.grammar = lru_cache(maxsize=512)(self._grammar)

    def _grammar(self, expected: Expected) -> Grammar:
        pack = self.pack
        phrases: list[Phrase] = []
        for command in sorted(expected.commands - {"stage"}):
            phrases += [Phrase(text, Intent(command)) for text in pack.commands[command]]
        for lead in pack.commands["stage"] if expected.stages else ():
            phrases += [Phrase(f"{lead} {spoken_form(title)}", Intent("stage", choice=run)) for run, title in expected.stages]
        if expected.confirm:
            phrases += [Phrase(text, Intent("confirm", choice=choice)) for choice, texts in pack.confirm.items() for text in texts]
        phrases += [Phrase(spoken_form(answer), Intent("answer", choice=answer)) for answer in expected.answers]
        if expected.numbered:
            chosen = [*expected.answers, *(choice for group in expected.groups for choice in pack.group(group))]
            phrases += [Phrase(f"{lead} {number_words(number, pack)}", Intent("answer", choice=choice)) for number, choice in enumerate(chosen, 1) for lead in pack.number_lead]
        for fastener, single, several in expected.counts:
            for count in range(MOST_COUNTED + 1):
                name = spoken_form(single if count == 1 else several)
                phrases.append(Phrase(f"{number_words(count, pack)} {name}", Intent("count", choice=fastener, value=Decimal(count))))
        for group in expected.groups:
            phrases += [Phrase(text, Intent("answer", choice=choice)) for choice, texts in pack.group(group).items() for text in texts]
        if expected.any_value:
            return Grammar(_unique(phrases), True, tuple(pack.units), tuple(pack.quantities), pack)
        wanted = {unit for _, unit in expected.values}
        units = tuple(key for key in pack.units if any(same_dimension(key, unit) for unit in wanted))
        quantities = tuple(dict.fromkeys(spoken_form(quantity) for quantity, _ in expected.values))
        denials = tuple(pack.confirm.get("no", ())) if expected.denied else ()
        return Grammar(_unique(phrases), bool(expected.values), units, quantities, pack, denials, expected.spelled and bool(pack.alphabet), expected.words)


def _unique(phrases: list[Phrase]) -> tuple[Phrase, ...]:
    # The first meaning wins: a general command keeps its phrase even where a procedure uses the same words.
    return tuple({phrase.text: phrase for phrase in reversed(phrases)}.values())[::-1]
