"""Texts that the phone model learns to hear: what is said at the bench, above all values, and other English beside it."""

import re
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path

import numpy as np

from assistant.engine.expect import Expected, general_vocabulary, step_vocabulary
from assistant.language.numbers import number_words
from assistant.language.pack import Pack
from assistant.language.vocabulary import Vocabulary
from assistant.procedure.plan import make_plan
from assistant.procedure.reader import read_procedure
from assistant.speech.lexicon import Lexicon

DENOMINATORS = (2, 4, 8, 16, 32, 64)
NUMBERS = """zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen
twenty thirty forty fifty sixty seventy eighty ninety hundred point and oh a half quarter eighths sixteenths thirds""".split()
"""Said in any order, so that no phone is learned from its neighbours alone."""
ANYTIME = Expected(frozenset({"repeat", "help", "cancel", "pause", "sleep"}), confirm=True, values=(("diameter", "mm"),), denied=True)
"""What may be said when something is to be confirmed."""


class Texts:
    """All that may be drawn; every word is in the lexicon, so that its phones are known."""

    def __init__(self, pack: Pack, lexicon: Lexicon, root: Path):
        """`root` is the project: its procedures give phrases, their prose and that of its documents give sentences."""
        self._pack, self._lexicon = pack, lexicon
        vocabulary = Vocabulary(pack)
        grammars = [vocabulary.grammar(general_vocabulary())]
        prose: list[str] = [(root / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md")]
        for path in sorted((root / "procedures").glob("*.yaml")):
            plan = make_plan(read_procedure(path).procedure)
            grammars += [vocabulary.grammar(step_vocabulary(plan, planned)) for planned in plan.steps + plan.on_demand]
            prose.append(path.read_text(encoding="utf-8"))
        confirming = vocabulary.grammar(ANYTIME)
        letters = {word for words in pack.alphabet.values() for word in words if len(word) > 1}
        self._phrases = self._known({phrase.text for grammar in grammars for phrase in grammar.phrases})
        self._confirm = self._known({phrase.text for phrase in confirming.phrases})
        self._words = self._known({word for grammar in (*grammars, confirming) for word in grammar.words()} | letters)
        self._letters = self._known(letters)
        self._english = sorted(word for word in lexicon.words() if 2 < len(word) < 10 and word.isalpha())
        written = (re.sub(r"[^a-z' ]", " ", piece.lower()).split() for text in prose for piece in re.findall(r"[A-Za-z][A-Za-z ,']{15,90}", text))
        self._sentences = self._known({" ".join(words) for words in written if 3 <= len(words) <= 14})

    def draw(self, rng: np.random.Generator) -> str:
        """One text: about three in ten values, three in ten phrases, a tenth sentences, the rest words in any order."""
        while True:
            text = self._any(rng)
            if all(word in self._lexicon for word in text.split()):
                return text

    def _any(self, rng: np.random.Generator) -> str:
        kind = rng.random()
        if kind < 0.22:
            return _one(self._phrases, rng)
        if kind < 0.28:
            return _one(self._confirm, rng)
        if kind < 0.58:
            return self._value(rng)
        if kind < 0.62:
            return _several(NUMBERS, rng)
        if kind < 0.77:
            return _several(self._words, rng)
        if kind < 0.79:
            return _several(self._letters, rng)
        if kind < 0.89:
            return _several(self._english, rng)
        return _one(self._sentences, rng)

    def _value(self, rng: np.random.Generator) -> str:
        text = self._fraction(rng) if rng.random() < 0.12 else self._number(rng)
        if rng.random() < 0.1:
            text = text.replace(" and ", " ")
        if rng.random() < 0.05:
            text = f"minus {text}"
        if rng.random() < 0.15:
            text = f"{_one(self._pack.quantities, rng)} {text}"
        if rng.random() < 0.65:
            text += f" {_one(self._pack.units[_one(list(self._pack.units), rng)].spoken, rng)}"
        return f"no {text}" if rng.random() < 0.05 else text

    def _number(self, rng: np.random.Generator) -> str:
        places = int(rng.choice([0, 0, 0, 1, 1, 2, 3]))
        size = int(rng.choice([10, 100, 1000, 10000], p=[0.3, 0.42, 0.25, 0.03]))
        value = Decimal(int(rng.integers(1, size * 10**places))).scaleb(-places)
        return number_words(value, self._pack, "plain" if rng.random() < 0.6 else "digits")

    def _fraction(self, rng: np.random.Generator) -> str:
        parts, below = int(rng.integers(1, 16)), DENOMINATORS[int(rng.integers(len(DENOMINATORS)))]
        names = [name for name, value in self._pack.numbers.fractions.items() if value == below]
        above = max(1, parts % below)
        text = f"{number_words(Decimal(above), self._pack)} {names[0] if above == 1 else names[-1]}"
        return f"{number_words(Decimal(int(rng.integers(1, 12))), self._pack)} and {text}" if rng.random() < 0.4 else text

    def _known(self, texts: set[str]) -> list[str]:
        return sorted(text for text in texts if text and all(word in self._lexicon for word in text.split()))


def _one(pool: Sequence[str], rng: np.random.Generator) -> str:
    return pool[int(rng.integers(len(pool)))]


def _several(pool: Sequence[str], rng: np.random.Generator) -> str:
    return " ".join(_one(pool, rng) for _ in range(int(rng.integers(1, 6))))
