"""Vosk with a grammar made at run time: preferred where `models/` holds a model of the language.

Vosk drops grammar words its model lacks and does not hold to the order of words: unknown words are reported, and what was heard is
matched with the grammar again. Confidence is the mean of the words' own.
"""

import json
import time
from collections import OrderedDict
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import vosk

from assistant.errors import SoundError
from assistant.language.grammar import Grammar, number_vocabulary
from assistant.language.pack import Pack
from assistant.speech.front import FrontEnd
from assistant.speech.recognise import RATE, Heard
from assistant.speech.sound import condition, speech_in

UNKNOWN = "[unk]"
KEPT_GRAMMARS = 32
LEAST_CONFIDENCE = 0.6
"""Below this a phrase is asked again. Found by trial on synthetic voices."""
PAD_S = 0.3


class VoskRecogniser:
    """One model, one recogniser for each grammar in use."""

    name = "vosk"

    def __init__(self, model: Path, pack: Pack, front: FrontEnd | None = None):
        self._front = front or FrontEnd()
        vosk.SetLogLevel(-1)
        check_model(model)
        try:
            self._model = vosk.Model(str(model))
        except Exception as error:  # the binding raises nothing narrower
            raise SoundError(f"The Vosk model in {model} cannot be loaded ({error}); fetch it again.") from None
        self._pack, self.model = pack, model.name
        self._recognisers: OrderedDict[int, tuple[vosk.KaldiRecognizer, Grammar]] = OrderedDict()
        self._free: vosk.KaldiRecognizer | None = None

    def hear(self, samples: np.ndarray, grammar: Grammar, before: np.ndarray | None = None) -> Heard:
        begun = time.perf_counter()
        recogniser = self._recogniser(grammar)
        loud = speech_in(samples if before is None else self._front.clean(samples, before))
        text, confidence = "", 0.0
        if len(loud):
            text, confidence = _decode(recogniser, loud)
        rejected = confidence < LEAST_CONFIDENCE or UNKNOWN in text or grammar.match(text) is None
        text = " ".join(word for word in text.split() if word != UNKNOWN)
        return Heard(text, confidence, rejected, len(samples) / RATE, time.perf_counter() - begun, self.name, samples, unlike=not text)

    def _recogniser(self, grammar: Grammar) -> vosk.KaldiRecognizer:
        key = id(grammar)
        if key in self._recognisers:
            self._recognisers.move_to_end(key)
        else:
            missing = self.missing_words(grammar.words())
            if missing:
                raise SoundError(f"The Vosk model does not know {', '.join(missing)}; use other words in the language pack or the procedure.")
            made = vosk.KaldiRecognizer(self._model, RATE, json.dumps(self._phrases(grammar), ensure_ascii=False))
            made.SetWords(True)
            # The grammar is kept with its recogniser, so that its id is not given to another one.
            self._recognisers[key] = (made, grammar)
            if len(self._recognisers) > KEPT_GRAMMARS:
                self._recognisers.popitem(last=False)
        return self._recognisers[key][0]

    def _phrases(self, grammar: Grammar) -> list[str]:
        phrases = [phrase.text for phrase in grammar.phrases]
        if grammar.values:
            phrases += sorted(number_vocabulary(grammar.pack.numbers))
            phrases += grammar.unit_phrases()
            phrases += grammar.quantities
        # Some models, the small Korean one among them, know no "unknown": there any sound is forced onto a phrase.
        return phrases + ([UNKNOWN] if self._knows(UNKNOWN) else [])

    def _knows(self, word: str) -> bool:
        return self._model.vosk_model_find_word(word) >= 0

    def missing_words(self, words: Iterable[str]) -> list[str]:
        return sorted(word for word in words if not self._knows(word))

    def free_words(self, samples: np.ndarray) -> tuple[str, float] | None:
        """(free words, mean confidence of a word, 0 to 1) of int16 sound, mono, 16 kHz; None where nothing was said."""
        if self._free is None:
            self._free = vosk.KaldiRecognizer(self._model, RATE)
            self._free.SetWords(True)
        text, sure = _decode(self._free, samples)
        return (text, sure) if text else None


def _decode(recogniser: vosk.KaldiRecognizer, samples: np.ndarray) -> tuple[str, float]:
    recogniser.Reset()
    recogniser.AcceptWaveform(np.pad(condition(samples), int(PAD_S * RATE)).astype("<i2").tobytes())
    result = json.loads(recogniser.FinalResult())
    sure = [word["conf"] for word in result.get("result", ())]
    return result.get("text", ""), float(np.mean(sure)) if sure else 0.0


def check_model(model: Path) -> None:
    """Raises SoundError unless the folder holds a Vosk model that takes a grammar at run time."""
    if not (model / "am" / "final.mdl").is_file() and not (model / "final.mdl").is_file():
        raise SoundError(f"{model} holds no Vosk model (am/final.mdl is missing); run scripts/fetch_model.py.")
    graphs = [folder for folder in (model / "graph", model) if (folder / "HCLr.fst").is_file() and (folder / "Gr.fst").is_file()]
    if not graphs:
        raise SoundError(f"The Vosk model in {model} takes no grammar at run time (graph/HCLr.fst and graph/Gr.fst are missing); use a small model, not a static one.")


def find_model(language: str, models: Path) -> Path | None:
    """The model of a language in the models folder: a folder whose name has the language as one of its parts."""
    if not models.is_dir():
        return None
    for folder in sorted(models.iterdir()):
        if folder.is_dir() and language in folder.name.split("-"):
            return folder
    return None
