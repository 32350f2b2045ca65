"""How English words are said: the dictionary of the pocketsphinx package, and the language pack's own words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from pathlib import Path

from pocketsphinx import get_model_path

from assistant.errors import SoundError
from assistant.language.pack import Pack

PHONES = "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH".split()
"""ARPABET without stress."""
NUMBER = {phone: number for number, phone in enumerate(PHONES, start=1)}
"""Column of each phone in what the phone model gives; column 0 is "no phone"."""


class Lexicon:
    """Words and the ways to say them. Raises SoundError for a phone in the pack that there is not."""

    def __init__(self, pack: Pack):
        self._said = {word: list(ways) for word, ways in dictionary().items() if word not in pack.pronunciations}
        for word, ways in pack.pronunciations.items():
            own = [tuple(way.split()) for way in ways]
            strange = sorted({phone for way in own for phone in way} - set(PHONES))
            if strange:
                raise SoundError(f'The language pack says "{word}" with {", ".join(strange)}, which is no phone of ARPABET; write it with {", ".join(PHONES[:3])} and so on, without stress.')
            self._said[word] = [*dictionary().get(word, ()), *(way for way in own if way not in dictionary().get(word, ()))]

    def __contains__(self, word: str) -> bool:
        return word in self._said

    def phones(self, word: str) -> list[tuple[int, ...]]:
        """Each way to say a word, as columns of the phone model. Raises KeyError for a word that is not known."""
        return [tuple(NUMBER[phone] for phone in way) for way in self._said[word]]

    def pronounce(self, word: str) -> Sequence[str] | None:
        """ARPABET phones of a word as it is mostly said, or None."""
        ways = self._said.get(word)
        return None if ways is None else ways[0]

    def missing(self, words: Iterable[str]) -> list[str]:
        """Those of `words` that are not known, sorted."""
        return sorted(word for word in words if word not in self._said)

    def words(self) -> Iterator[str]:
        """Every word."""
        return iter(self._said)


@lru_cache(maxsize=1)
def dictionary() -> dict[str, list[tuple[str, ...]]]:
    """Each word of the pocketsphinx package's dictionary with the ways to say it, in ARPABET; the usual way first."""
    found: dict[str, list[tuple[str, ...]]] = {}
    with (Path(get_model_path()) / "en-us" / "cmudict-en-us.dict").open(encoding="utf-8") as lines:
        for line in lines:
            word, *phones = line.split()
            found.setdefault(re.sub(r"\(\d+\)$", "", word), []).append(tuple(phones))
    return found
