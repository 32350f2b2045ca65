"""A recogniser that asks a second one where the first is unsure.

The first finds the likeliest phrase by its phones (see `phone_recogniser`). Where that is doubtful, the phrases of the step that fit the
phones nearly as well, and numbers that are easily taken for the one found, are weighed by Whisper (see `second`) on the same sound; what
both make of it decides, or the phrase is asked again.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

import numpy as np

from assistant.engine.intents import Intent
from assistant.language.grammar import Grammar, number_vocabulary
from assistant.language.numbers import parse_number
from assistant.language.pack import Pack
from assistant.speech.front import FrontEnd
from assistant.speech.phone_recogniser import SURE_AT_A_GLANCE, Fit, PhoneRecogniser, Understood
from assistant.speech.recognise import Heard
from assistant.speech.second import Opinion, SecondOpinion

SURE = 0.9
"""Confidence of the first from which a phrase is taken without a second opinion. On 444 utterances, before the model went back towards
Whisper's (353 of them phrases, in quiet and at 20 to 0 dB, half in natural voices), 326 were then taken rightly, 4 wrongly and no talk, and the
second was asked about 38; from 0.95 on, and for values 0.97, it was asked about 140, and took 317 rightly and 6 wrongly."""
MOST_CANDIDATES = 20
"""Weighed by the second; each takes some 4 ms."""
NEAR = 14.0
"""How much less likely than the best by its phones a candidate may be, natural logarithm."""
TUNED_VOICES = ("flite:rms", "flite:slt", "flite:kal16", "espeak:en-us+klatt", "espeak:en-gb+f2", "espeak:en-us+m3")
TUNED_NOISES = ("compressor", "impact-wrench", "air-hiss", "room", "babble")
"""What the phone model or the weights were fitted on, of the voices and noises of scripts/bench_hearing."""
RANK = (0.463, 0.114, 2.074, -2.997)
"""Weights of a candidate: its score by phones, its summed log probability by Whisper, tokens (a sum alone favours the short), and whether
it is a value. Conditional logit."""
ACCEPT = (1.043, 0.382, 0.255, 0.52, -0.98, -0.446)
"""Constant, and weights of the features in `Evidence.probability`. Logistic regression."""
LEAST_PHRASE, LEAST_VALUE = 0.8, 0.7
"""Least probability with which a phrase, and a value, is taken; a value is read back. At 0.8 414 of the utterances of
phone_recogniser.FIT_WEIGHTS were taken rightly, 5 wrongly and no talk; of other voices and noises 149, 2 and 1."""
LEAST_MEAN, LEAST_MEAN_CHANGED = -6.0, -3.0
"""Least mean log probability a token, by Whisper, of what the first found, and of something else, for that to be taken. One phrase may stand
far above all others and yet be none: on talk and knocks it did, at -9 and -4. Of the 196 one was below -6, and one of 2 changed rightly below -3."""
MOST_MARGIN = 10.0


@dataclass(frozen=True)
class Candidate:
    """One thing that may have been said."""

    text: str
    """As the grammar spells it."""
    intent: Intent
    phones: float
    """Its score by the phones, natural logarithm."""
    forms: tuple[str, ...]
    """As Whisper may write it: words, figures."""


@dataclass(frozen=True)
class Evidence:
    """What speaks for the best candidate. Logarithms are natural."""

    best: Candidate
    margin: float
    """By how much its rank, see RANK, stands above that of the next candidate of another meaning; at most MOST_MARGIN."""
    mean: float
    """Its mean log probability a token, by Whisper."""
    tokens: int
    first: bool
    """Whether it is what the first recogniser found."""
    fit: Fit
    """Of what the first found."""
    confidence: float
    """Of the first in what it found."""

    def probability(self) -> float:
        """Probability that it was said, as fitted: see ACCEPT."""
        return 1.0 / (1.0 + math.exp(-sum(weight * feature for weight, feature in zip(ACCEPT, self.features(), strict=True))))

    def features(self) -> tuple[float, ...]:
        """What ACCEPT weighs."""
        sure = min(max(self.confidence, 1e-4), 1 - 1e-4)
        return (1.0, self.margin, max(self.mean, -6.0), math.log(sure / (1 - sure)), float(self.first), float(self.best.intent.kind == "value"))


class SecondHearing:
    """A recogniser with a second opinion. `confidence` is that of the first, or as `judge` says where the second was asked."""

    def __init__(self, first: PhoneRecogniser, second: SecondOpinion, front: FrontEnd | None = None):
        self._first, self._second, self._front = first, second, front or FrontEnd()
        self.name, self.model = f"{first.name}+whisper", f"{first.model}; Whisper {second.version}"
        self.missing_words, self.known_words, self.pronounce = first.missing_words, first.known_words, first.pronounce

    def hear(self, samples: np.ndarray, grammar: Grammar, before: np.ndarray | None = None) -> Heard:
        """As the protocol says. Where the second gives no answer in time, what the first heard."""
        begun = time.perf_counter()
        return self._weighed(samples, self._first.understand(samples, grammar), grammar, before, begun)

    def glance(self, samples: np.ndarray, grammar: Grammar) -> Heard | None:
        """As `PhoneRecogniser.glance`."""
        begun = time.perf_counter()
        understood = self._first.glimpse(samples, grammar)
        if understood is None or understood.heard.confidence >= SURE_AT_A_GLANCE:
            return understood and understood.heard
        return self._weighed(samples, understood, grammar, None, begun)

    def _weighed(self, samples: np.ndarray, understood: Understood, grammar: Grammar, before: np.ndarray | None, begun: float) -> Heard:
        """What the first understood, or where that is doubtful what both make of it."""
        if not worth_asking(understood, grammar):
            return understood.heard
        # In noise Whisper writes the right words more often where it is cleaned.
        evidence = self.consider(samples if before is None else self._front.clean(samples, before), understood, grammar)
        if evidence is None:
            return understood.heard
        return replace(judge(understood.heard, evidence), seconds_compute=time.perf_counter() - begun, engine=self.name)

    def consider(self, samples: np.ndarray, understood: Understood, grammar: Grammar) -> Evidence | None:
        """Weigh what may have been said; None when the second has no answer."""
        candidates = likely(understood, self._first, grammar)
        opinion = self._second.weigh(samples, [form for candidate in candidates for form in candidate.forms], free=False) if candidates else None
        return None if opinion is None else evidence_of(candidates, opinion, understood)

    def ready(self, timeout_s: float) -> bool:
        """Wait until the second is ready; False where it is not in time."""
        return self._second.ready(timeout_s)

    def close(self) -> None:
        """End the second's process. Closing twice is harmless."""
        self._second.close()


def worth_asking(understood: Understood, grammar: Grammar) -> bool:
    """Whether a second opinion may change anything: something was said, and it is doubtful."""
    heard, intent = understood.heard, understood.intent
    if intent is None or understood.fit is None or intent.kind == "spelled":
        return False  # the spelling alphabet was made to be told apart, and Whisper writes words, not letters
    if not grammar.values and len({phrase.intent for phrase in grammar.phrases}) < 2:
        return False  # asleep: with nothing to choose from, all the second could do is wake the assistant wrongly
    return not heard.unlike and heard.confidence < SURE


def evidence_of(candidates: list[Candidate], opinion: Opinion, understood: Understood) -> Evidence:
    """The evidence for the best of the candidates. `opinion` has a score for each form of each candidate."""
    scores = iter(zip(opinion.scores, opinion.tokens, strict=True))
    ranked = []
    for candidate in candidates:
        mean, tokens = max(next(scores) for _ in candidate.forms)
        features = (candidate.phones, mean * tokens, tokens, candidate.intent.kind == "value")
        ranked.append((sum(weight * feature for weight, feature in zip(RANK, features, strict=True)), mean, tokens, candidate))
    ranked.sort(key=lambda item: -item[0])
    rank, mean, tokens, best = ranked[0]
    other = next((other for other, *_, candidate in ranked if candidate.intent != best.intent), -math.inf)
    assert understood.fit is not None  # worth asking
    return Evidence(best, min(rank - other, MOST_MARGIN), mean, tokens, best.intent == understood.intent, understood.fit, understood.heard.confidence)


def judge(heard: Heard, evidence: Evidence) -> Heard:
    """Take the best candidate, or reject; the confidence is the probability that it was said."""
    probability = evidence.probability()
    likely_enough = evidence.mean >= (LEAST_MEAN if evidence.first else LEAST_MEAN_CHANGED)
    if not likely_enough or probability < (LEAST_VALUE if evidence.best.intent.kind == "value" else LEAST_PHRASE):
        return replace(heard, confidence=min(heard.confidence, probability), rejected=True)
    return replace(heard, text=evidence.best.text, confidence=probability, rejected=False)


def likely(understood: Understood, first: PhoneRecogniser, grammar: Grammar) -> list[Candidate]:
    """What may have been said, by its phones, the likeliest first: phrases of the grammar, and values like the one found."""
    found: dict[str, Intent] = {}
    seen: set[Intent] = set()
    value = understood.intent if understood.intent is not None and understood.intent.kind == "value" else None
    for text in (understood.heard.text, *(neighbours(understood.heard.text, grammar) if value else ()), *(phrase.text for phrase in grammar.phrases)):
        intent = grammar.match(text)
        if intent is None or intent.kind == "spelled":
            continue
        # One text for each value; a closed phrase has texts that sound different, so each of them.
        if text not in found and (intent.kind != "value" or intent not in seen):
            found[text] = intent
            seen.add(intent)
    texts = list(found)
    scores = first.scores(understood.phones, texts)
    best = max(scores, default=0.0)
    order = sorted(range(len(texts)), key=lambda number: -scores[number])[:MOST_CANDIDATES]
    return [Candidate(texts[number], found[texts[number]], float(scores[number]), forms_of(texts[number], grammar)) for number in order if scores[number] >= best - NEAR]


def neighbours(text: str, grammar: Grammar) -> Iterator[str]:
    """Values that may be taken for this one: another figure or ten in each place, a figure lost or put in, another unit."""
    words, unit = _split(text, grammar)
    numbers = grammar.pack.numbers
    figures = [*numbers.digits, *numbers.zero]
    kinds = [figures, [*numbers.teens, *numbers.tens]]
    for at, word in enumerate(words):
        for kind in kinds:
            if word in kind:
                yield from (_joined([*words[:at], other, *words[at + 1 :]], unit) for other in kind if other != word)
        if word in kinds[1]:
            yield from (_joined([*words[:at], word, other, *words[at + 1 :]], unit) for other in numbers.digits)
        if word in number_vocabulary(numbers) and len(words) > 1:
            yield _joined([*words[:at], *words[at + 1 :]], unit)
        yield from (_joined([*words[:at], other, *words[at:]], unit) for other in (*figures, *numbers.point))
    yield from (_joined([*words, other], unit) for other in figures)
    yield from (_joined(words, other) for other in ["", *(grammar.pack.units[key].spoken[0] for key in grammar.units)] if other != unit)


def _joined(words: list[str], unit: str) -> str:
    return " ".join([*words, unit]).strip()


def _split(text: str, grammar: Grammar) -> tuple[list[str], str]:
    """(words of quantity and number, unit) of a value; the unit is the longest that the text ends with."""
    units = sorted((spoken for key in grammar.units for spoken in (*grammar.pack.units[key].spoken, *grammar.pack.units[key].written)), key=len)
    unit = next((unit for unit in reversed(units) if text.endswith(f" {unit}")), "")
    return text[: len(text) - len(unit)].split(), unit


def forms_of(text: str, grammar: Grammar) -> tuple[str, ...]:
    """How Whisper may write a phrase: as a sentence in words, and with its number in figures; units in both spellings."""
    # Each form costs time: figures go with the spelling Whisper mostly has, words with the other.
    texts = (_american(_figures(text, grammar.pack), grammar.pack), text)
    return tuple(dict.fromkeys(f"{form[0].upper()}{form[1:]}." for form in texts))


def _figures(text: str, pack: Pack) -> str:
    """The text with its longest number in figures."""
    words = text.split()
    known = number_vocabulary(pack.numbers)
    runs = [(start, end) for start in range(len(words)) for end in range(start + 1, len(words) + 1) if all(word in known for word in words[start:end])]
    for start, end in sorted(runs, key=lambda run: run[0] - run[1]):
        value = parse_number(words[start:end], pack)
        if value is not None:
            return " ".join([*words[:start], _written(value, words[start:end], pack), *words[end:]])
    return text


def _written(value: Decimal, words: list[str], pack: Pack) -> str:
    if set(words) & {word for name in pack.numbers.fractions for word in name.split()} and value % 1:
        part = Fraction(abs(value) % 1).limit_denominator(64)
        whole = f"{int(abs(value))} " if abs(value) >= 1 else ""
        return f"{'-' if value < 0 else ''}{whole}{part.numerator}/{part.denominator}"
    return format(value, "f")


def _american(text: str, pack: Pack) -> str:
    american = {british: written for written, british in _british(pack).items()}
    text = " ".join(american.get(word, word) for word in text.split())
    return re.sub(r" percent$", "%", re.sub(r" p s i$", " PSI", re.sub(r" r p m$", " RPM", text)))


def _british(pack: Pack) -> dict[str, str]:
    """Words of units in the spelling that is heard, by the other one: metres by meters."""
    pairs = [pair for unit in pack.units.values() for pair in zip(unit.spoken, unit.written, strict=False)]
    return {american: british for one, other in pairs for british, american in zip(one.split(), other.split(), strict=False) if british != american}
