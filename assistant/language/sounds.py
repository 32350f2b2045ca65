"""Phrases that sound alike, and words no recogniser knows: found before a technician stands at the bench with them."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from difflib import get_close_matches

from rapidfuzz.distance import Levenshtein

Pronounce = Callable[[str], Sequence[str] | None]
"""ARPABET phones of one word, or None where the dictionary lacks it."""

ALIKE_BELOW = 0.25
"""Phone edit distance over the longer phrase's phones. "go back one" and "go back on" stand at 0.13. Chosen by trial, no source."""

_KIN = [set("IY IH EY EH AE".split()), set("AA AO AH OW AW".split()), set("UW UH OW".split()), set("P B T D K G".split()), set("F TH S SH CH".split()), set("V DH Z ZH JH".split()), set("M N NG".split()), set("L R ER W".split())]


def phones(phrase: str, pronounce: Pronounce) -> list[str] | None:
    """The phones of a phrase; None where a word has none."""
    found: list[str] = []
    for word in phrase.split():
        said = pronounce(word)
        if said is None:
            return None
        found += said
    return found


def distance(first: Sequence[str], second: Sequence[str]) -> float:
    """Weighted phone edit distance, 0 (same) to 1: a phone taken for one of its kin counts half."""
    plain = Levenshtein.distance(first, second)
    kin = Levenshtein.distance([_family(phone) for phone in first], [_family(phone) for phone in second])
    return (plain + kin) / 2 / max(len(first), len(second), 1)


def _family(phone: str) -> str:
    return next((f"kin{number}" for number, family in enumerate(_KIN) if phone in family), phone)


def alike(phrases: Iterable[tuple[str, object]], pronounce: Pronounce) -> Iterator[tuple[str, str, float]]:
    """Pairs of phrases with different meanings that sound alike."""
    known = [(text, meaning, said) for text, meaning in phrases if (said := phones(text, pronounce))]
    for number, (first, meaning, said) in enumerate(known):
        for second, other, heard in known[number + 1 :]:
            longest = max(len(said), len(heard))
            if meaning == other or abs(len(said) - len(heard)) / longest > 2 * ALIKE_BELOW:
                continue
            apart = distance(said, heard)
            if apart < ALIKE_BELOW:
                yield first, second, apart


def suggest(word: str, words: Iterable[str], pronounce: Pronounce) -> str | None:
    """A pronunciation for an unknown word: that of two known words it is made of, or of the nearest known word."""
    known = set(words)
    if word.endswith("s") and (said := pronounce(word[:-1])):
        return " ".join([*said, "S" if said[-1] in ("P", "T", "K", "F", "TH") else "Z"])
    for cut in range(len(word) - 3, 2, -1):
        if word[:cut] in known and word[cut:] in known:
            return " ".join([*(pronounce(word[:cut]) or ()), *(pronounce(word[cut:]) or ())])
    near = get_close_matches(word, [item for item in known if item[:2] == word[:2] and abs(len(item) - len(word)) < 3], n=1, cutoff=0.6)
    said = pronounce(near[0]) if near else None
    return " ".join(said) if said else None
