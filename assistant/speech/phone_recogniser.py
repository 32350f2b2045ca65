"""The embedded recogniser for loud shops: a phone model and a search over the grammar of the step."""

from __future__ import annotations

import math
import time
from collections import OrderedDict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from assistant.engine.intents import Intent
from assistant.errors import SoundError
from assistant.language.grammar import Grammar
from assistant.language.pack import Pack
from assistant.speech.lexicon import Lexicon
from assistant.speech.phone_model import FRAMES_A_SECOND, PhoneModel
from assistant.speech.phone_search import NONE, Found, Network, scores
from assistant.speech.recognise import RATE, Heard

KEPT_GRAMMARS = 32
FIT_WEIGHTS = (2.281, -0.799, -0.478, -1.05, -0.483, 1.117, -2.328)
"""Constant, and weights of the features in `Fit.confidence`. A logistic regression on 657 utterances of voices that the model was mostly not
fitted to (12 of espeak-ng, 4 MBROLA voices, flite rms, slt, kal16), in quiet and at 20 to 0 dB of the noises in opinion.TUNED_NOISES, a
quarter of them talk, phrases of other steps, or bare noise. It was fitted on an earlier model, as were the weights in `opinion`; new weights,
fitted on 253 utterances of one close to the present one, took 145 rightly of 160 other ones where these took 143, and 4 wrongly where these took 2, and
were left."""
LEAST_CONFIDENCE = 0.8
"""Below this a phrase is asked again. Of those utterances 419 were then taken rightly, 10 wrongly and 1 that was talk; of 263 of other voices
and noises 144, 4 and 0."""
HOPELESS = 0.2
"""Below this the sound is like no phrase. Of 444 utterances of synthetic voices 1 of 332 whose words were found was below it, and 90 of 91 of
talk, of phrases of other steps and of noise; of people, with the present model, 8 of 858 and 197 of 203."""
SURE_AT_A_GLANCE = 0.93
"""A phrase under way needs more: it is looked at many times. 0 of 250 utterances of talk were above 0.9."""
OVER_S, GO_ON_S = 0.3, 0.75
"""Silence after a phrase that ends it at a glance, s; the longer one where more may follow, such as a unit after a number."""
LATE_S = 0.5
"""How much longer nobody near may have spoken before a phrase counts as over that is less than sure, s: beside talk no pause ends it."""


@dataclass(frozen=True)
class Fit:
    """How well the likeliest phrase fits the sound. Shortfalls are as in `phone_search`, and natural logarithms."""

    phones: int
    """In the phrase."""
    short: float
    """Shortfall of the whole, a phone."""
    worst_word: float
    """Shortfall of the worst word, a phone of it."""
    outside: float
    """Shortfall of the pauses, not divided: one word left out is enough to be wrong."""
    doubt: float
    """Mean of minus the log probability of the likeliest phones, over the frames in which there is one: doubt of the model itself."""

    def confidence(self, value: bool) -> float:
        """Probability that the phrase, a value or another one, is what was said, as fitted: see FIT_WEIGHTS."""
        features = (1.0, self.short, self.worst_word, self.outside, self.doubt, math.log(self.phones), value)
        weighed = sum(weight * feature for weight, feature in zip(FIT_WEIGHTS, features, strict=True))
        return 1.0 / (1.0 + math.exp(min(-weighed, 700.0)))  # beyond that the exponential overflows: long talk falls short by thousands


@dataclass(frozen=True)
class Understood:
    """One utterance, as the phone model and the search have it."""

    heard: Heard
    phones: np.ndarray
    """Log probabilities, frames x phones."""
    found: Found | None
    """None where no phrase fits."""
    fit: Fit | None
    intent: Intent | None
    """What it means; None where it is not in the grammar or has two meanings."""


class PhoneRecogniser:
    """`confidence` is that of `Fit`."""

    name = "phones"
    model = "phones.onnx, of this package"

    def __init__(self, pack: Pack, model: PhoneModel | None = None):
        if pack.language != "en":
            raise SoundError(f'The phone model knows English only, not "{pack.language}"; put a Vosk model into models.')
        self.lexicon = Lexicon(pack)
        self._model = model or PhoneModel()
        self._networks: OrderedDict[int, tuple[Network, Grammar]] = OrderedDict()

    def hear(self, samples: np.ndarray, grammar: Grammar, before: np.ndarray | None = None) -> Heard:
        """As the protocol says. The model was trained on sound in noise: it wants none of it taken out."""
        return self.understand(samples, grammar).heard

    def understand(self, samples: np.ndarray, grammar: Grammar) -> Understood:
        """What was heard, and what it was found by."""
        begun = time.perf_counter()
        return self._understood(self._model.phones(samples), samples, grammar, begun)

    def glance(self, samples: np.ndarray, grammar: Grammar) -> Heard | None:
        """What was heard, where it is a phrase that is over, though `samples` are of an utterance that may go on; else None."""
        understood = self.glimpse(samples, grammar)
        return None if understood is None else understood.heard

    def glimpse(self, samples: np.ndarray, grammar: Grammar) -> Understood | None:
        """As `glance`, with what it was found by. A phrase that is less than sure may be a rejected one."""
        begun = time.perf_counter()
        if grammar.free:
            return None
        self.network(grammar)  # made while the phrase is still being said
        phones = self._model.phones(samples)
        voiced = np.flatnonzero(phones.argmax(axis=1) != NONE) if len(phones) else ()
        if not len(voiced) or (len(phones) - 1 - voiced[-1]) < OVER_S * FRAMES_A_SECOND:
            return None
        understood = self._understood(phones, samples, grammar, begun)
        heard = understood.heard
        if heard.unlike or understood.found is None or (understood.intent is not None and understood.intent.kind == "spelled"):
            return None  # of letters nobody knows how many there will be
        pause = GO_ON_S if may_go_on(heard.text, grammar) else OVER_S
        if heard.rejected or heard.confidence < SURE_AT_A_GLANCE:
            pause += LATE_S
        return understood if len(phones) - understood.found.words[-1].end >= pause * FRAMES_A_SECOND else None

    def scores(self, phones: np.ndarray, texts: Sequence[str]) -> np.ndarray:
        """Score of each text by its phones, of the ways in `_ways` the best. Raises KeyError for a word that is not known."""
        ways = [self._ways(text.split()) for text in texts]
        each = scores(phones, [way for one in ways for way in one])
        return np.maximum.reduceat(each, np.cumsum([0, *map(len, ways)])[:-1]) if texts else each

    def _ways(self, words: Sequence[str]) -> list[list[int]]:
        """A phrase as each word is mostly said, and with one word at a time said otherwise: all ways of all words would be hundreds."""
        said = [self.lexicon.phones(word) for word in words]
        usual = [ways[0] for ways in said]
        chosen = [usual, *([*usual[:at], other, *usual[at + 1 :]] for at, ways in enumerate(said) for other in ways[1:])]
        return [[phone for word in way for phone in word] for way in chosen]

    def _understood(self, phones: np.ndarray, samples: np.ndarray, grammar: Grammar, begun: float) -> Understood:
        found = self.network(grammar).search(phones) if len(phones) else None
        if found is None or not found.words:
            return Understood(Heard("", 0.0, True, len(samples) / RATE, time.perf_counter() - begun, self.name, samples, unlike=True), phones, None, None, None)
        fit, intent = fit_of(found, phones, self.lexicon), grammar.match(found.text)
        confidence = fit.confidence(intent.kind == "value") if intent else 0.0
        heard = Heard(found.text, confidence, confidence < LEAST_CONFIDENCE, len(samples) / RATE, time.perf_counter() - begun, self.name, samples, unlike=confidence < HOPELESS)
        return Understood(heard, phones, found, fit, intent)

    def network(self, grammar: Grammar) -> Network:
        """The grammar ready for the search. Raises SoundError for a word that is not known."""
        key = id(grammar)
        if key not in self._networks:
            missing = self.missing_words(grammar.words())
            if missing:
                raise SoundError(f"The recogniser has no pronunciation for {', '.join(missing)}; add it to the language pack, or use other words.")
            # The grammar is kept with its network, so that its id is not given to another one.
            self._networks[key] = (Network(grammar, self.lexicon), grammar)
            if len(self._networks) > KEPT_GRAMMARS:
                self._networks.popitem(last=False)
        self._networks.move_to_end(key)
        return self._networks[key][0]

    def missing_words(self, words: Iterable[str]) -> list[str]:
        return self.lexicon.missing(words)

    def known_words(self) -> Iterator[str]:
        return self.lexicon.words()

    def pronounce(self, word: str) -> Sequence[str] | None:
        return self.lexicon.pronounce(word)


def fit_of(found: Found, phones: np.ndarray, lexicon: Lexicon) -> Fit:
    """How well `found` fits `phones` (frames x phones, log probabilities)."""
    counts = [min(map(len, lexicon.phones(word.text))) for word in found.words]
    best = phones.max(axis=1)
    voiced = phones.argmax(axis=1) != NONE
    doubt = float(-best[voiced].mean()) if voiced.any() else math.log(phones.shape[1])  # no likeliest phone is doubted more
    short = [word.short for word in found.words]
    return Fit(sum(counts), sum(short) / sum(counts), max(one / count for one, count in zip(short, counts, strict=True)), found.outside, doubt)


def may_go_on(text: str, grammar: Grammar) -> bool:
    """Whether another phrase of the grammar begins with `text`."""
    if any(phrase.text.startswith(f"{text} ") for phrase in grammar.phrases):
        return True
    if not grammar.values or text in grammar.denials:
        return grammar.values
    intent = grammar.match(text)
    if intent is None or intent.kind != "value":
        return False
    units = grammar.unit_phrases()
    unit = max((unit for unit in units if text.endswith(f" {unit}")), key=len, default="")
    return intent.unit is None or any(other.startswith(f"{unit} ") for other in units)  # "newton", and "newton metres"
