"""PocketSphinx with the English model of its own package: the embedded recogniser, no download needed.

A grammar search takes any sound for one of its phrases, and its confidence means nothing. A loop of single phones therefore stands
beside the phrases at a low weight: what fits it better than any phrase is garbage, and rejected.
"""

import math
import os
import re
import time
from collections import OrderedDict
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np
from pocketsphinx import Decoder, get_model_path

from assistant.errors import SoundError
from assistant.language.grammar import Grammar
from assistant.language.pack import Pack
from assistant.speech.recognise import RATE, Heard
from assistant.speech.sound import condition, trim_silence

PHONES = "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z".split()
GARBAGE_WEIGHT = 1e-10
"""Weight of the phone loop against all phrases together."""
DITHER = 30.0
"""Standard deviation of added noise, in int16 counts: digital silence upsets the model's noise removal. Found by trial."""
PAD_S = 0.2
KEPT_GRAMMARS = 32
SETTINGS: dict[str, object] = {"beam": 1e-60, "wbeam": 1e-40, "pbeam": 1e-60, "lw": 6.5, "wip": 0.02, "bestpath": False}
"""Decoder settings, found by trial on flite and espeak-ng voices."""


class SphinxRecogniser:
    """One decoder, one grammar search for each grammar in use. `confidence` is the share of the score per frame, mapped to 0..1 by a
    logistic curve found by trial; it ranks, no more."""

    name = "pocketsphinx"

    def __init__(self, pack: Pack):
        if pack.language != "en":
            raise SoundError(f'PocketSphinx brings a model for English only, not for "{pack.language}"; put a Vosk model into models.')
        model = get_model_path()
        self._dictionary = Path(model) / "en-us" / "cmudict-en-us.dict"
        try:
            self._decoder = Decoder(hmm=os.path.join(model, "en-us", "en-us"), dict=str(self._dictionary), lm=None, loglevel="FATAL", **SETTINGS)
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

    def hear(self, samples: np.ndarray, grammar: Grammar) -> Heard:
        begun = time.perf_counter()
        text, score = "", -math.inf
        loud = trim_silence(samples)
        if len(loud):
            self._activate(grammar)
            text, score = self._decode(self._prepared(loud))
        rejected = not text or "garbage" in text or grammar.match(text) is None
        if "garbage" in text:
            text = " ".join(word for word in text.split() if not word.startswith("garbage"))
        return Heard(text, 0.0 if rejected else _confidence(score), rejected, len(samples) / RATE, time.perf_counter() - begun, self.name, samples)

    def _prepared(self, samples: np.ndarray) -> bytes:
        wave = np.pad(condition(samples).astype(np.float64), int(PAD_S * RATE))
        wave += np.resize(self._noise, len(wave))
        return np.clip(np.round(wave), -32768, 32767).astype("<i2").tobytes()

    def _decode(self, sound: bytes) -> tuple[str, float]:
        self._decoder.start_utt()
        self._decoder.process_raw(sound, False, True)
        self._decoder.end_utt()
        best = self._decoder.hyp()
        if best is None:
            return "", -math.inf
        words = [re.sub(r"\(\d+\)$", "", word) for word in best.hypstr.split()]
        frames = max(self._decoder.n_frames(), 1)
        return " ".join(words), best.score / frames

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
        with self._dictionary.open(encoding="utf-8") as lines:
            for line in lines:
                word = line.split(None, 1)[0]
                if "(" not in word:
                    yield word

    def pronounce(self, word: str) -> Sequence[str] | None:
        """ARPABET phones of a word, or None."""
        said = self._decoder.lookup_word(word)
        return said.split() if said else None

    def transcribe(self, samples: np.ndarray) -> str | None:
        """None: the language model of this package misreads half the words of shop talk, and invented words are worse than none."""
        return None


def _with_garbage(grammar: Grammar) -> str:
    loop = " | ".join(f"garbage{phone.lower()}" for phone in PHONES)
    text = grammar.jsgf("phrases").replace("public <phrases>", "<phrases>")
    return f"{text}<garbage> = ({loop})+;\npublic <top> = /1/ <phrases> | /{GARBAGE_WEIGHT:.16f}/ <garbage>;\n"


def _confidence(score_a_frame: float) -> float:
    return 1.0 / (1.0 + math.exp(-(score_a_frame + 60.0) / 15.0))
