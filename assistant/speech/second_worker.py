"""Whisper in a process that can be killed: `python -m assistant.speech.second_worker DIRECTORY...`.

First comes one JSON line, {"ready": true} or {"error": sentence}. Then for each request on stdin, one JSON line {"samples": how many,
"candidates": [text, ...], "free": whether free words are wanted} followed by that many little-endian int16 samples (mono, 16 kHz), one
JSON line {"scores": [[sum, tokens], ...], "text": ..., "mean": ..., "no_speech": ...}: see `Whisper`.

The model comes from a directory on this machine and nothing else is ever asked for: the tokeniser and the spectrogram are worked out
here, because the usual libraries for them bring a client for downloads.
"""

from __future__ import annotations

import json
import math
import os
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from assistant.speech.recognise import RATE
from assistant.speech.spectrogram import spectrogram

FRAMES_A_SECOND = 50
"""Frames of the encoder's view."""
LEAST_S = 16.0
"""Shortest window the encoder is given, s. It was trained on 30 s and takes less, but then repeats what it heard. On 66 clips of three
voices, half of them in noise at 10 dB, the share of words wrong was 19 % at 30 s and at 16 s, 21 % at 13 s, 40 % at 10 s, 47 % at 8 s
and all of them at 6 s; the encoder took 0.26, 0.09, 0.08, 0.05, 0.03 and 0.02 s on two cores."""
AFTER_S = 1.0
"""Silence added after the sound, s: without it the end of the last word is often lost."""
LONGEST_S = 30.0
"""All the encoder can take, s. Later sound is left out."""
MOST_TOKENS_A_SECOND = 8
"""Of sound; speech holds 3 to 5. A model that invents writes on and on, and is cut short."""
BEAM = 5
BATCH = 64
"""Candidates a decoder pass."""


class Tokens:
    """Byte-level pair encoding as in tokenizer.json of the model; enough of it for sentences, not for special tokens."""

    _PIECES = re.compile(r"'(?:s|t|re|ve|m|ll|d)| ?[^\W\d_]+| ?\d+| ?[^\s\w]+|\s+(?!\S)|\s+")

    def __init__(self, file: Path):
        data = json.loads(file.read_text(encoding="utf-8"))
        self._ids: dict[str, int] = data["model"]["vocab"]
        merges = (tuple(merge.split(" ")) if isinstance(merge, str) else tuple(merge) for merge in data["model"]["merges"])
        self._rank = {pair: rank for rank, pair in enumerate(merges)}
        plain = [*range(33, 127), *range(161, 173), *range(174, 256)]
        other = [byte for byte in range(256) if byte not in plain]
        # The alphabet of GPT-2: printable bytes stand for themselves, the rest are moved to 256 and up.
        self._letter = {byte: chr(byte) for byte in plain} | {byte: chr(256 + number) for number, byte in enumerate(other)}
        self._byte = {letter: byte for byte, letter in self._letter.items()}
        self._word = {number: word for word, number in self._ids.items()}
        self.encode = lru_cache(maxsize=8192)(self._encode)

    def _encode(self, text: str) -> tuple[int, ...]:
        return tuple(self._ids[part] for piece in self._PIECES.findall(text) for part in self._merged(piece))

    def _merged(self, piece: str) -> list[str]:
        parts = [self._letter[byte] for byte in piece.encode("utf-8")]
        while len(parts) > 1:
            rank, at = min((self._rank.get((parts[at], parts[at + 1]), math.inf), at) for at in range(len(parts) - 1))
            if rank == math.inf:
                break
            parts[at : at + 2] = [parts[at] + parts[at + 1]]
        return parts

    def decode(self, ids: list[int]) -> str:
        """The text of ordinary tokens; special ones are left out."""
        letters = "".join(self._word.get(number, "") for number in ids)
        return bytes(self._byte[letter] for letter in letters if letter in self._byte).decode("utf-8", "replace")


@dataclass(frozen=True)
class Sound:
    """What the encoder made of a stretch of sound."""

    view: Any
    """CTranslate2's array, 1 x frames x width."""
    frames: int
    """Frames that hold the sound and a second after it; the rest is padding."""


class Whisper:
    """The model, loaded once. All scores are natural logarithms of probabilities."""

    def __init__(self, folders: Sequence[Path], threads: int = 2):
        """`folders` together hold the model as CTranslate2 has it, model.bin whole or in parts (model.bin.part1 and so on)."""
        import ctranslate2

        self._storage = ctranslate2.StorageView
        self._last: tuple[bytes, Sound] | None = None
        files = {file.name: file for folder in folders for file in sorted(folder.iterdir()) if file.is_file()}
        # Newer conversions have a list in JSON, older ones a line for each token.
        vocabulary = next(name for name in ("vocabulary.json", "vocabulary.txt") if name in files)
        text = files[vocabulary].read_text(encoding="utf-8")
        words: list[str] = json.loads(text) if vocabulary.endswith(".json") else text.split("\n")
        # Parts are joined in memory, so that nothing is written.
        parts = [files["model.bin"]] if "model.bin" in files else [files[name] for name in sorted(files) if name.startswith("model.bin.part")]
        held = {name: files[name].read_bytes() for name in ("config.json", vocabulary)} | {"model.bin": b"".join(part.read_bytes() for part in parts)}
        self._model = ctranslate2.models.Whisper("whisper", device="cpu", compute_type="int8", intra_threads=threads, files=held)
        self._tokens = Tokens(files["tokenizer.json"])
        # A model of many languages is told which one, and that it is to write down and not to translate.
        flags = ("<|en|>", "<|transcribe|>") if self._model.is_multilingual else ()
        self._start = [words.index(token) for token in ("<|startoftranscript|>", *flags)]
        self._plain = words.index("<|notimestamps|>")

    def encode(self, samples: np.ndarray) -> Sound:
        """The encoder's view of int16 sound, in a window as short as it will bear: see LEAST_S. That of the last sound is kept."""
        key = samples.tobytes()
        if self._last is None or key != self._last[0]:
            self._last = key, self._encode(samples)
        return self._last[1]

    def _encode(self, samples: np.ndarray) -> Sound:
        samples = samples[: int((LONGEST_S - AFTER_S) * RATE)]
        length = max(len(samples) + int(AFTER_S * RATE), int(LEAST_S * RATE))
        padded = np.pad(samples, (0, length - len(samples)))
        view = self._model.encode(self._storage.from_array(np.ascontiguousarray(spectrogram(padded)[None])), to_cpu=True)
        return Sound(view, math.ceil((len(samples) / RATE + AFTER_S) * FRAMES_A_SECOND))

    def score(self, sound: Sound, texts: list[str]) -> list[tuple[float, int]]:
        """For each text (the summed log probability of its tokens among all text tokens, how many they are). The library leaves the
        end of text out of that sum; a full stop stands in for it."""
        # Candidates are weighed on the frames of the sound alone: that took a third of the time on 16 clips, with the same winners.
        memory = np.asarray(sound.view)[:, : sound.frames]
        found: list[tuple[float, int]] = []
        for first in range(0, len(texts), BATCH):
            batch = [list(self._tokens.encode(" " + text)) for text in texts[first : first + BATCH]]
            view = self._storage.from_array(np.ascontiguousarray(np.repeat(memory, len(batch), axis=0)))
            # Forced decoding: the alignment itself is not wanted, only the probabilities it is made with. Eight frames keep it cheap.
            results = self._model.align(view, self._start, batch, [8] * len(batch), median_filter_width=1)
            for result, tokens in zip(results, batch, strict=True):
                found.append((float(np.sum(np.log(np.maximum(result.text_token_probs, 1e-12)))), len(tokens)))
        return found

    def free(self, sound: Sound) -> tuple[str, float, float]:
        """(text, mean log probability a token, probability that nobody speaks): what a beam of BEAM ends with."""
        # The library lets a text have half of max_length, start and flags counted.
        limit = 10 + int(MOST_TOKENS_A_SECOND * sound.frames / FRAMES_A_SECOND)
        prompt = [*self._start, self._plain]
        result = self._model.generate(sound.view, [prompt], beam_size=BEAM, max_length=2 * limit, return_scores=True, return_no_speech_prob=True)[0]
        # The library divides the sum by the number of tokens without the end of text.
        return self._tokens.decode(result.sequences_ids[0]).strip(), result.scores[0], result.no_speech_prob


def main() -> None:
    """Serve requests until stdin closes."""
    source = os.fdopen(0, "rb")
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # anything a library prints must not land among the replies

    def reply(body: dict[str, Any]) -> None:
        out.write(json.dumps(body) + "\n")
        out.flush()

    try:
        whisper = Whisper([Path(folder) for folder in sys.argv[1:]])
        whisper.free(whisper.encode(np.zeros(RATE, np.int16)))  # the first pass is slow; it is done before anybody waits
    except Exception as error:  # whatever the library raises, nobody can use the model
        reply({"error": f"The second recogniser cannot be loaded ({error})."})
        return
    reply({"ready": True})
    while line := source.readline():
        request = json.loads(line)
        samples = np.frombuffer(source.read(2 * request["samples"]), dtype="<i2")
        try:
            reply(answer(whisper, samples, request["candidates"], request["free"]))
        except Exception as error:
            reply({"error": f"The second recogniser failed ({error})."})


def answer(whisper: Whisper, samples: np.ndarray, candidates: list[str], free: bool) -> dict[str, Any]:
    """The body of one reply."""
    sound = whisper.encode(samples)
    body: dict[str, Any] = {"scores": whisper.score(sound, candidates)}
    if free:
        body["text"], body["mean"], body["no_speech"] = whisper.free(sound)
    return body


if __name__ == "__main__":
    main()
