"""A recogniser that asks a second one where the first is unsure, and for every value.

The second one (Whisper, see `second`) is not held to the grammar. It writes down what it hears; that, what the first heard, phrases that
look like either, and numbers that are easily confused with either are then weighed against each other on the sound. What the first
did not take is taken only where the free words also look like it: talk may begin like a phrase, but it goes on otherwise.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

import numpy as np
from rapidfuzz import fuzz

from assistant.engine.intents import Intent
from assistant.language.grammar import Grammar, number_vocabulary
from assistant.language.numbers import number_words, parse_number
from assistant.language.pack import Pack
from assistant.speech.recognise import Heard, Recogniser
from assistant.speech.second import Opinion, SecondOpinion, repeats
from assistant.speech.sound import speech_in

SURE = 0.95
"""Confidence of the first from which a phrase that is no value is taken without a second opinion. From 0.85 on, 2 of 39 were wrong on
trial; the second hears every phrase anyhow, so that asking it costs little time."""
MOST_PHRASES, BESIDE_VALUES = 80, 40
"""Closed phrases weighed, of however many: those most like what either heard; fewer where a value was heard, which brings its own. Most
steps have about 100. With only the 18 most like, the right one was often not among them in noise. Each takes some 4 ms."""
MOST_VALUES = 26
TUNED_VOICES = ("flite:rms", "flite:slt", "flite:kal16", "espeak:en-us+klatt", "espeak:en-gb+f2", "espeak:en-us+m3")
TUNED_NOISES = ("compressor", "impact-wrench", "air-hiss", "room")
"""What the weights below were fitted on, besides en-us and en-gb+m1 of espeak-ng: 394 stretches of sound, clean and at 20, 10 and 5 dB, 71
of them talk or bare noise."""
RANK = (0.367, 1.023, 1.808, 2.102, 1.691, 5.01, -2.272)
"""Weights of a candidate: summed log probability, tokens (a sum alone favours the short), whether the first heard it, the first's confidence
in it, whether the free words mean it, its likeness to the free words, and whether it is a value. Conditional logit."""
ACCEPT = (0.962, 0.579, 0.843, 1.954, 1.167, 0.374, -0.036, 0.627, 3.496, -2.864, -0.527, 0.026)
"""Constant, and weights of the features in `Evidence.probability`. Logistic regression."""
LEAST_TAKEN, LEAST_CHANGED, LEAST_VALUE = 0.8, 0.7, 0.8
"""Least probability of what the first heard too, of another phrase, and of another value. With these, 231 phrases of those that the weights
were fitted on were taken rightly and 3 wrongly, 91 and 1 of other voices and noises, and no talk out of 94. At 0.5, 0.6, 0.65 it was 244
and 11, 97 and 4, and talk twice. They were chosen with both in view, so figures to quote come from scripts/bench_hearing."""
LEAST_LIKENESS = 0.4
"""Least likeness to the free words of what the first did not hear, 0 to 1: "never mind the paint" is not "never mind"."""
MOST_MARGIN = 8.0
NOBODY = 0.6
"""Probability of no speech above which what the first rejected stays rejected: it was above that on all of 80 noises made for
trial, and on 6 of 464 clips of speech."""
ALIKE_UNITS = 60.0
"""Likeness (0 to 100) from which two units are weighed against each other where a grammar has many."""


@dataclass(frozen=True)
class Candidate:
    """One thing that may have been said."""

    text: str
    """As the grammar spells it."""
    intent: Intent
    forms: tuple[str, ...]
    """As Whisper may write it: words, figures."""


@dataclass(frozen=True)
class Evidence:
    """What speaks for the best candidate. Logarithms are natural."""

    best: Candidate
    margin: float
    """By how much its rank, see RANK, stands above that of the next candidate of another meaning; at most MOST_MARGIN."""
    mean: float
    """Its mean log probability a token."""
    likeness: float
    """Of its letters to those of the free words, 0 to 1. Talk that begins like a phrase goes on otherwise."""
    no_speech: float
    """Probability that nobody speaks, 0 to 1."""
    first: bool
    """Whether the first recogniser heard the same, taken or not."""
    free: bool
    """Whether the free words, read as a phrase, mean the same."""
    free_other: bool
    """Whether the free words, read as a phrase, mean something else."""
    tokens: int
    """Tokens of it: the more, the less likely that it fits by chance."""

    def probability(self, heard: Heard) -> float:
        """Probability that it was said, as fitted: see ACCEPT."""
        features = (
            1.0,
            self.margin,
            max(self.mean, -8.0),
            self.likeness,
            self.first,
            self.first * heard.confidence,
            (not self.first) * heard.confidence,
            self.free,
            self.free_other,
            self.best.intent.kind == "value",
            self.no_speech,
            min(self.tokens, 8),
        )
        return 1.0 / (1.0 + math.exp(-sum(weight * feature for weight, feature in zip(ACCEPT, features, strict=True))))


class SecondHearing:
    """A recogniser with a second opinion. `confidence` is that of the first, or as `judge` says where the second was asked.

    The second hears every phrase while the first does: where it is then asked, the longer part of its work is done.
    """

    def __init__(self, first: Recogniser, second: SecondOpinion):
        self._first, self._second = first, second
        self.name, self.model = f"{first.name}+whisper", f"{first.model}; Whisper {second.version}"
        # All that the second is asked goes through here, as it takes one request at a time.
        self._aside = ThreadPoolExecutor(1, thread_name_prefix="second opinion")

    def hear(self, samples: np.ndarray, grammar: Grammar) -> Heard:
        """As the protocol says. Where the second gives no answer in time, what the first heard."""
        begun = time.perf_counter()
        free = self._aside.submit(self._second.weigh, samples, []) if _offers_choice(grammar) and len(speech_in(samples)) else None
        heard = self._first.hear(samples, grammar)
        if free is None or not worth_asking(heard, grammar):
            return heard
        evidence = self.consider(samples, heard, grammar, free)
        if evidence is None:
            return heard
        judged = judge(heard, evidence)
        return replace(judged, seconds_compute=time.perf_counter() - begun, engine=self.name)

    def consider(self, samples: np.ndarray, heard: Heard, grammar: Grammar, asked: Future[Opinion | None] | None = None) -> Evidence | None:
        """Weigh what may have been said; None when the second has no answer, or none that is of use. `asked` is its free words on the
        way, if it was asked for them already."""
        free = (asked or self._aside.submit(self._second.weigh, samples, [])).result()
        if free is None or repeats(free.text) or (heard.rejected and free.no_speech > NOBODY):
            return None
        guess = spoken(free.text, grammar)
        # What is less likely is only good for more candidates: in noise the right value is often the second or third guess.
        candidates = list(candidates_for([heard.text, guess, *(spoken(other, grammar) for other in free.others)], grammar))
        forms = [form for candidate in candidates for form in candidate.forms]
        opinion = self._aside.submit(self._second.weigh, samples, forms, free=False).result()
        return None if opinion is None else evidence_of(candidates, opinion, free, guess, heard, grammar)

    def missing_words(self, words: Iterable[str]) -> list[str]:
        """Words the first cannot hear: the second spells any word."""
        return self._first.missing_words(words)

    def ready(self, timeout_s: float) -> bool:
        """Wait until the second is ready; False where it is not in time."""
        return self._aside.submit(self._second.ready, timeout_s).result()

    def close(self) -> None:
        """End the second's process. Closing twice is harmless."""
        # Killed first: whoever waits for its answer then has none.
        self._second.close()
        self._aside.shutdown(wait=False, cancel_futures=True)

    def __getattr__(self, name: str) -> object:
        # Further members of the first, such as its pronunciations.
        if name.startswith("_"):
            raise AttributeError(name)
        return getattr(self._first, name)


def worth_asking(heard: Heard, grammar: Grammar) -> bool:
    """Whether a second opinion may change anything: something was said, and it is doubtful or a value."""
    if heard.audio is None or not len(speech_in(heard.audio)):
        return False
    intent = grammar.match(heard.text)
    if intent is not None and intent.kind == "spelled":
        return False  # the spelling alphabet was made to be told apart, and Whisper writes words, not letters
    if not _offers_choice(grammar):
        return False  # asleep: with nothing to choose from, all the second could do is wake the assistant wrongly
    return heard.rejected or heard.confidence < SURE or intent is None or intent.value is not None


def _offers_choice(grammar: Grammar) -> bool:
    return bool(grammar.values) or len({phrase.intent for phrase in grammar.phrases}) > 1


def evidence_of(candidates: list[Candidate], opinion: Opinion, free: Opinion, guess: str, heard: Heard, grammar: Grammar) -> Evidence:
    """The evidence for the best of the candidates. `opinion` has a score for each form of each candidate; `guess` is the free words in
    the spelling of the grammar."""
    first, guessed = grammar.match(heard.text), grammar.match(guess)
    scores = iter(zip(opinion.scores, opinion.tokens, strict=True))
    ranked = []
    for candidate in candidates:
        mean, tokens = max(next(scores) for _ in candidate.forms)
        same, free_same, likeness = candidate.intent == first, candidate.intent == guessed, fuzz.ratio(guess, candidate.text) / 100
        features = (mean * tokens, tokens, same, same * heard.confidence, free_same, likeness, candidate.intent.kind == "value")
        ranked.append((sum(weight * feature for weight, feature in zip(RANK, features, strict=True)), mean, tokens, likeness, candidate))
    ranked.sort(key=lambda item: -item[0])
    rank, mean, tokens, likeness, best = ranked[0]
    other = next((other for other, *_, candidate in ranked if candidate.intent != best.intent), -math.inf)
    return Evidence(best, min(rank - other, MOST_MARGIN), mean, likeness, free.no_speech, best.intent == first, best.intent == guessed, guessed is not None and best.intent != guessed, tokens)


def judge(heard: Heard, evidence: Evidence) -> Heard:
    """Take the best candidate, or reject; the confidence is the probability that it was said."""
    probability = evidence.probability(heard)
    value = evidence.best.intent.kind == "value"
    least = LEAST_TAKEN if evidence.first else LEAST_VALUE if value else LEAST_CHANGED
    taken = probability >= least and (evidence.first or evidence.likeness >= LEAST_LIKENESS)
    if not taken:
        return replace(heard, confidence=min(heard.confidence, probability), rejected=True)
    return replace(heard, text=evidence.best.text, confidence=probability, rejected=False)


def candidates_for(texts: Iterable[str], grammar: Grammar) -> Iterator[Candidate]:
    """What may have been said, given what was heard: the texts themselves, numbers confused with them, phrases that look like them."""
    texts = [text for text in dict.fromkeys(texts) if text]
    found = {text: grammar.match(text) for text in texts}
    values = [text for text, intent in found.items() if intent is not None and intent.kind == "value"]
    every = [text for text, intent in found.items() if intent is not None]
    every += [mixed for one in values[:3] for other in values[:3] if one != other for mixed in _mixed(one, other, grammar)]
    every += [near for text in values for near in neighbours(text, grammar)]
    phrases = sorted((phrase.text for phrase in grammar.phrases), key=lambda phrase: -max((fuzz.ratio(phrase, text) for text in texts), default=0.0))
    every += phrases[: BESIDE_VALUES if values else MOST_PHRASES]
    seen: set[tuple[object, ...]] = set()
    counted = 0
    for text in every:
        intent = grammar.match(text)
        if intent is None or intent.kind == "spelled":
            continue
        value = intent.kind == "value"
        # One text for each value; a closed phrase has texts that sound different, so each of them.
        key = (intent.kind, intent.choice, intent.value, intent.unit, intent.quantity) if value else (text,)
        if key in seen or (value and counted >= MOST_VALUES):
            continue
        seen.add(key)
        counted += value
        yield Candidate(text, intent, forms_of(text, grammar))


def neighbours(text: str, grammar: Grammar) -> Iterator[str]:
    """Values easily taken for this one: fifteen and fifty, five and nine, a figure lost or doubled, another unit."""
    pack = grammar.pack
    number, unit = _split(text, grammar)
    words = number.split()
    swaps = _swaps(pack)
    figures = number_vocabulary(pack.numbers)
    for at, word in enumerate(words):
        for other in swaps.get(word, ()):
            yield _joined([*words[:at], other, *words[at + 1 :]], unit)
    for other in _other_units(unit, grammar):
        yield _joined(words, other)
    for at, word in enumerate(words):
        if word in figures and len(words) > 1:
            yield _joined([*words[:at], *words[at + 1 :]], unit)
        if word in pack.numbers.digits or word in pack.numbers.zero:
            yield _joined([*words[:at], word, *words[at:]], unit)


def _swaps(pack: Pack) -> dict[str, list[str]]:
    numbers = pack.numbers
    pairs = [(teen, ty) for teen, small in numbers.teens.items() for ty, large in numbers.tens.items() if small > 12 and (small - 10) * 10 == large]
    digits = {size: word for word, size in numbers.digits.items()}
    pairs += [(digits[5], digits[9])] if 5 in digits and 9 in digits else []
    # "forty" and "fourteen" are one pair above; "fifty" and "sixty" differ by little more than a breath of noise.
    tens = {size: word for word, size in numbers.tens.items()}
    pairs += [(tens[50], tens[60]), (tens[60], tens[70])] if {50, 60, 70} <= set(tens) else []
    found: dict[str, list[str]] = {}
    for one, other in pairs:
        found.setdefault(one, []).append(other)
        found.setdefault(other, []).append(one)
    return found


def _other_units(unit: str, grammar: Grammar) -> list[str]:
    said = [grammar.pack.units[key].spoken[0] for key in grammar.units]
    if len(said) > 8:
        said = [other for other in said if unit and (unit in other or other in unit or fuzz.ratio(unit, other) >= ALIKE_UNITS)]
    return [other for other in [*said, ""] if other != unit]


def _mixed(one: str, other: str, grammar: Grammar) -> Iterator[str]:
    yield _joined([_split(one, grammar)[0]], _split(other, grammar)[1])


def _joined(words: list[str], unit: str) -> str:
    return " ".join([*words, unit]).strip()


def _split(text: str, grammar: Grammar) -> tuple[str, str]:
    """(quantity and number, unit) of a value; the unit is the longest that the text ends with."""
    units = sorted((spoken for key in grammar.units for spoken in (*grammar.pack.units[key].spoken, *grammar.pack.units[key].written)), key=len)
    unit = next((unit for unit in reversed(units) if text.endswith(f" {unit}")), "")
    return text[: len(text) - len(unit)].strip(), unit


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


def spoken(text: str, grammar: Grammar) -> str:
    """Text as Whisper writes it, in the words of the grammar: "42.5 newton-meters." becomes "forty two point five newton metres"."""
    pack = grammar.pack
    text = re.sub(r"(?<=\d),(?=\d{3})", "", text.lower())
    text = re.sub(r"°\s*c\b", " degrees celsius", re.sub(r"°\s*f\b", " degrees fahrenheit", text)).replace("°", " degrees ").replace("%", " percent ")
    # "42. 5": the pause of a careful speaker.
    text = re.sub(r"(?<=\d)\.\s+(?=\d)", ".", text)
    text = re.sub(r"(\d)\s+(?=\d+/\d)", rf"\1 {pack.numbers.and_[0]} " if pack.numbers.and_ else r"\1 ", text)
    british = _british(pack)
    parts = re.findall(r"(?<![\w.])-(?=\.?\d)|\d+/\d+|\d*\.\d+|\d+|[^\W\d_]+(?:'[^\W\d_]+)*", text)
    return " ".join(british.get(part) or _said(part, pack) for part in parts)


def _said(part: str, pack: Pack) -> str:
    numbers = pack.numbers
    if part == "-":
        return numbers.minus[0]
    if "/" in part:
        over, under = (int(figure) for figure in part.split("/"))
        names = [name for name, parts in numbers.fractions.items() if parts == under]
        return f"{number_words(over, pack)} {(names[0] if over == 1 else names[-1])}" if names else part
    if part[0].isdigit() or part[0] == ".":
        whole = part.partition(".")[0]
        # "05" was said figure by figure; read as five it would lose one.
        style = "digits" if len(whole) > 1 and whole[0] == "0" else "plain"
        if style == "digits" and "." not in part:
            return " ".join(number_words(int(figure), pack) for figure in part)
        return number_words(Decimal(part), pack)
    return _symbols(pack).get(part, part)


def _symbols(pack: Pack) -> dict[str, str]:
    """Spoken units by their symbols, those of one letter left out: "a" is mostly a word."""
    found = {re.sub(r"[^a-z]", "", key.lower()): unit.spoken[0] for key, unit in pack.units.items()}
    return {symbol: name for symbol, name in found.items() if len(symbol) > 1 and symbol not in ("min", "deg", "bar", "inch", "thou")}
