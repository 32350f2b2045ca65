"""Words and phrases that were measured to be taken for each other: for the check of a procedure's phrases, beside distance in phones.

The counts are written by `scripts/bench_hearing --confusions FILE`; `confusions.yaml` in this folder, where there is one, is such a file. A word of
a new phrase is as easily confused as it was in the phrases measured, so the counts of words serve phrases that were never said.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import yaml

from assistant.errors import LanguageError

SHIPPED = Path(__file__).parent / "confusions.yaml"
WARN_SHARE = 0.05
"""Share of trials taken for the other from which a pair is warned of. Chosen: one wrong in twenty is noticed at a bench, no source."""
WARN_COUNT = 2
"""Least number of times it happened: once is chance."""


@dataclass(frozen=True)
class Confusion:
    """One thing said that was taken for another."""

    said: str
    heard: str
    count: int
    """How often it was taken for the other."""
    trials: int
    """How often it was said."""

    @property
    def share(self) -> float:
        return self.count / self.trials


@dataclass(frozen=True)
class Measured:
    """What one run of the benchmark found."""

    source: str
    """Recogniser, voices, noises and number of trials, in words."""
    phrases: tuple[Confusion, ...] = ()
    words: tuple[Confusion, ...] = ()

    def between(self, first: str, second: str) -> Confusion | None:
        """The worst confusion of two phrases, in either direction, that is to be warned of: measured on the phrases themselves, else on the
        words in which they differ."""
        direct = [one for one in self.phrases if {one.said, one.heard} == {first, second}]
        if direct:
            return _worst(direct)
        differing = word_swaps(first, second)
        # Two words that differ tell two phrases apart unless both are misheard at once.
        return _worst(one for one in self.words if len(differing) == 1 and {one.said, one.heard} == set(differing[0]))


def _worst(found: Iterable[Confusion]) -> Confusion | None:
    return max((one for one in found if one.count >= WARN_COUNT and one.share > WARN_SHARE), key=lambda one: one.share, default=None)


def word_swaps(said: str, heard: str) -> list[tuple[str, str]]:
    """(word said, word heard) where two phrases of as many words differ; empty where the lengths differ, as no word then stands for another."""
    first, second = said.split(), heard.split()
    return [pair for pair in zip(first, second, strict=True) if pair[0] != pair[1]] if len(first) == len(second) else []


def counted(trials: Iterable[tuple[str, str]]) -> tuple[tuple[Confusion, ...], tuple[Confusion, ...]]:
    """(phrases, words) out of (said, heard) pairs; heard is "" where nothing was taken, which counts as a trial only."""
    said: dict[str, int] = {}
    word_said: dict[str, int] = {}
    taken: dict[tuple[str, str], int] = {}
    word_taken: dict[tuple[str, str], int] = {}
    for phrase, other in trials:
        said[phrase] = said.get(phrase, 0) + 1
        for word in phrase.split():
            word_said[word] = word_said.get(word, 0) + 1
        if other and other != phrase:
            taken[phrase, other] = taken.get((phrase, other), 0) + 1
            for pair in word_swaps(phrase, other):
                word_taken[pair] = word_taken.get(pair, 0) + 1
    return _sorted(taken, said), _sorted(word_taken, word_said)


def _sorted(taken: Mapping[tuple[str, str], int], said: Mapping[str, int]) -> tuple[Confusion, ...]:
    found = (Confusion(first, second, count, said[first]) for (first, second), count in taken.items())
    return tuple(sorted(found, key=lambda one: (-one.count, -one.share, one.said, one.heard)))


def written(measured: Measured) -> str:
    """As a YAML file."""
    data = {"source": measured.source} | {name: [[one.said, one.heard, one.count, one.trials] for one in getattr(measured, name)] for name in ("phrases", "words")}
    head = "# Made by scripts/bench_hearing --confusions. Each line: said, taken for, how often, of how many times said.\n"
    return head + yaml.safe_dump(data, sort_keys=False, allow_unicode=True, width=4096, default_flow_style=None)


@lru_cache(maxsize=4)
def load(path: Path = SHIPPED) -> Measured:
    """The counts in a file; none where there is no file. Raises LanguageError where it is not such a file."""
    try:
        data: Any = yaml.load(path.read_bytes(), Loader=yaml.CSafeLoader)
        return Measured(str(data["source"]), *(tuple(_rows(data[name])) for name in ("phrases", "words")))
    except FileNotFoundError:
        return Measured("none")
    except OSError as error:
        raise LanguageError(f"The confusions {path} cannot be read ({error.strerror}); check the file.") from None
    except (yaml.YAMLError, KeyError, TypeError, ValueError) as error:
        raise LanguageError(f"The confusions {path} are no such file ({' '.join(str(error).split())}); write them with scripts/bench_hearing --confusions.") from None


def _rows(rows: Iterable[Any]) -> Iterator[Confusion]:
    for said, heard, count, trials in rows:
        if not 0 < int(count) <= int(trials):
            raise ValueError(f'"{said}" taken {count} times of {trials}')
        yield Confusion(str(said), str(heard), int(count), int(trials))
