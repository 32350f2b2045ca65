"""PocketSphinx with the English model of its own package: the embedded recogniser, no download needed.

A grammar search takes any sound for one of its phrases, and its own confidence means nothing. Two things stand against that. A loop of
single phones stands beside the phrases at a low weight: what fits it better than any phrase is garbage. And PocketSphinx scores each
frame against the best sound the model has for it, so how far the words fall short of that says how well they fit: see `fit_of`.
"""

import math
import os
import re
import time
from collections import OrderedDict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from pocketsphinx import Decoder, get_model_path

from assistant.errors import SoundError
from assistant.language.grammar import Grammar
from assistant.language.pack import Pack
from assistant.speech.front import FrontEnd
from assistant.speech.lexicon import dictionary
from assistant.speech.recognise import RATE, Heard
from assistant.speech.sound import condition, speech_in

PHONES = "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z".split()
GARBAGE_WEIGHT = 1e-10
"""Weight of the phone loop against all phrases together."""
DITHER = 30.0
"""Standard deviation of added noise, in int16 counts: digital silence upsets the model's noise removal. Found by trial."""
PAD_S = 0.2
FRAMES_A_SECOND = 100
KEPT_GRAMMARS = 32
SETTINGS: dict[str, object] = {"beam": 1e-60, "wbeam": 1e-40, "pbeam": 1e-60, "lw": 6.5, "wip": 0.02, "bestpath": False}
"""Decoder settings, found by trial on flite and espeak-ng voices."""


LEAST_CONFIDENCE = 0.65
"""Below this a phrase is asked again. Of 209 utterances about which see FIT_WEIGHTS 52 were then taken rightly and 6 wrongly, one of them
talk; with the weights and the bound used before (0.4) it was 47 and 5."""
FIT_WEIGHTS = (7.142, 1.257, -0.063, 0.359)
"""Constant, and weights of mean, worst word and worst silence in `Fit`. A logistic regression on 93 decodings of 10 voices (flite rms,
slt, kal16; espeak-ng) at 3 speeds, as the endpointer cuts them out and `front` cleans them: clean, and with compressor, impact wrench,
hiss and room at 20, 10 and 5 dB, talk and bare noise among them. Drawn towards the weights found before on 600 decodings of uncleaned
sound, because it is few. Other voices (flite awb, three of espeak-ng) and noises (grinder, babble) were held out."""
WORST_SILENCE = -4.5
LONG_SILENCE_S = 0.4
SPEECH_DB = 5.0
"""A long silence within this of the words' own level is no silence: something was said there that was left out."""


@dataclass(frozen=True)
class Fit:
    """How far a decoding falls short of the best the model has for each frame, in thousandths of a natural log unit a frame."""

    mean: float
    """Over all words."""
    worst_word: float
    worst_silence: float
    left_out: bool
    """Whether a stretch as loud as the words was taken for silence."""

    def confidence(self) -> float:
        """Probability that the words are right, as fitted: see FIT_WEIGHTS."""
        constant, mean, worst, silence = FIT_WEIGHTS
        return 1.0 / (1.0 + math.exp(-(constant + mean * self.mean + worst * self.worst_word + silence * self.worst_silence)))

    def good(self) -> bool:
        return not self.left_out and self.worst_silence > WORST_SILENCE and self.confidence() >= LEAST_CONFIDENCE


NO_FIT = Fit(-20.0, -20.0, 0.0, False)


class SphinxRecogniser:
    """One decoder, one grammar search for each grammar in use. `confidence` is that of `Fit`."""

    name = "pocketsphinx"
    model = "en-us, of the pocketsphinx package"

    def __init__(self, pack: Pack, front: FrontEnd | None = None):
        self._front = front or FrontEnd()
        if pack.language != "en":
            raise SoundError(f'PocketSphinx brings a model for English only, not for "{pack.language}"; put a Vosk model into models.')
        model = get_model_path()
        try:
            self._decoder = Decoder(hmm=os.path.join(model, "en-us", "en-us"), dict=os.path.join(model, "en-us", "cmudict-en-us.dict"), lm=None, loglevel="FATAL", **SETTINGS)
        except (RuntimeError, ValueError) as error:
            raise SoundError(f"The model inside the pocketsphinx package cannot be loaded ({error}); install that package again.") from None
        self._add_words(pack)
        self._searches: OrderedDict[int, tuple[str, Grammar]] = OrderedDict()
        self._count = 0
        self._noise = np.random.default_rng(20).normal(0.0, DITHER, RATE * 4)

    def _add_words(self, pack: Pack) -> None:
        for word, said in pack.pronunciations.items():
            for number, phones in enumerate(said):
                known = self._decoder.lookup_word(word) is not None
                spare = next(number for number in range(2, 20) if self._decoder.lookup_word(f"{word}({number})") is None)
                self._decoder.add_word(f"{word}({spare})" if known else word, phones, False)
        for phone in PHONES:
            self._decoder.add_word(f"garbage{phone.lower()}", phone, phone == PHONES[-1])

    def hear(self, samples: np.ndarray, grammar: Grammar, before: np.ndarray | None = None) -> Heard:
        begun = time.perf_counter()
        text, fit = "", NO_FIT
        self._activate(grammar)
        loud = speech_in(samples if before is None else self._front.clean(samples, before))
        if len(loud):
            text, fit = self._decode(self._prepared(loud))
        rejected = not text or "garbage" in text or not fit.good() or grammar.match(text) is None
        if "garbage" in text:
            text = " ".join(word for word in text.split() if not word.startswith("garbage"))
        return Heard(text, fit.confidence() if text else 0.0, rejected, len(samples) / RATE, time.perf_counter() - begun, self.name, samples)

    def _prepared(self, samples: np.ndarray) -> np.ndarray:
        wave = np.pad(condition(samples).astype(np.float64), int(PAD_S * RATE))
        wave += np.resize(self._noise, len(wave))
        return np.clip(np.round(wave), -32768, 32767).astype("<i2")

    def _decode(self, sound: np.ndarray) -> tuple[str, Fit]:
        self._decoder.start_utt()
        self._decoder.process_raw(sound.tobytes(), False, True)
        self._decoder.end_utt()
        segments = [Segment(re.sub(r"\(\d+\)$", "", item.word), item.start_frame, item.end_frame + 1, math.log(item.ascore)) for item in self._decoder.seg() or () if item.ascore > 0 and item.word != "(NULL)"]
        words = [segment for segment in segments if segment.is_word]
        if not words:
            return "", NO_FIT
        return " ".join(segment.word for segment in words), fit_of(words, [segment for segment in segments if not segment.is_word], sound)

    def _activate(self, grammar: Grammar) -> None:
        key = id(grammar)
        if key in self._searches:
            self._searches.move_to_end(key)
        else:
            missing = self.missing_words(grammar.words())
            if missing:
                raise SoundError(f"The recogniser has no pronunciation for {', '.join(missing)}; add it to the language pack, or use other words.")
            self._count += 1
            name = f"g{self._count}"
            self._decoder.add_jsgf_string(name, _with_garbage(grammar))
            # The grammar is kept with its search, so that its id is not given to another one.
            self._searches[key] = (name, grammar)
            if len(self._searches) > KEPT_GRAMMARS:
                _, (old, _) = self._searches.popitem(last=False)
                self._decoder.remove_search(old)
        self._decoder.activate_search(self._searches[key][0])

    def missing_words(self, words: Iterable[str]) -> list[str]:
        return sorted(word for word in words if self._decoder.lookup_word(word) is None)

    def known_words(self) -> Iterator[str]:
        """Every word of the dictionary."""
        return iter(dictionary())

    def pronounce(self, word: str) -> Sequence[str] | None:
        """ARPABET phones of a word, or None."""
        said = self._decoder.lookup_word(word)
        return said.split() if said else None


def _with_garbage(grammar: Grammar) -> str:
    loop = " | ".join(f"garbage{phone.lower()}" for phone in PHONES)
    text = grammar.jsgf("phrases").replace("public <phrases>", "<phrases>")
    return f"{text}<garbage> = ({loop})+;\npublic <top> = /1/ <phrases> | /{GARBAGE_WEIGHT:.16f}/ <garbage>;\n"


@dataclass(frozen=True)
class Segment:
    """One word or silence of a decoding."""

    word: str
    start: int
    """Frame."""
    end: int
    """Frame after the last."""
    score: float
    """Acoustic score, natural log."""

    @property
    def is_word(self) -> bool:
        return self.word[0] not in "<["

    @property
    def frames(self) -> int:
        return self.end - self.start


def fit_of(words: list[Segment], silences: list[Segment], sound: np.ndarray) -> Fit:
    """How well a decoding fits its sound (int16, mono, 16 kHz)."""
    mean = 1000 * sum(word.score for word in words) / sum(word.frames for word in words)
    worst_word = 1000 * min(word.score / word.frames for word in words)
    # A silence of a few frames between words says little, whatever its score.
    worst_silence = 1000 * min((silence.score / max(silence.frames, 8) for silence in silences), default=0.0)
    level = _level_db(sound, words)
    long = [silence for silence in silences if silence.frames > LONG_SILENCE_S * FRAMES_A_SECOND]
    return Fit(mean, max(worst_word, -20.0), max(worst_silence, -20.0), any(_level_db(sound, [silence]) > level - SPEECH_DB for silence in long))


def _level_db(sound: np.ndarray, segments: list[Segment]) -> float:
    hop = RATE // FRAMES_A_SECOND
    wave = np.concatenate([sound[segment.start * hop : segment.end * hop] for segment in segments]).astype(np.float64)
    return 10 * math.log10(np.mean(wave**2) + 1.0) if len(wave) else 0.0
