"""The likeliest phrase of a grammar, given how likely each phone is at each moment: a Viterbi search over the grammar's words.

The phone model is trained by connectionist temporal classification (Graves et al. 2006): at each frame it gives a probability to each
phone and to "none", and a phone that lasts, or comes twice, is told apart by a "none" between. The grammar is compiled to a network of
words by PocketSphinx; each word becomes the chain of its phones. Scores are natural logarithms.
"""

from __future__ import annotations

import tempfile
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pocketsphinx import Jsgf, LogMath

from assistant.language.grammar import Grammar
from assistant.speech.lexicon import Lexicon

NONE = 0
"""Column of "no phone" in the phone model's scores."""
NEVER = np.float32(-1e9)
GRAMMAR_WEIGHT = 0.3
"""How much the probabilities of the grammar count beside those of the sound (no unit): weighed in full they would favour short phrases
over numbers, each figure of which is one of a dozen."""


@dataclass(frozen=True)
class Word:
    """One word of the likeliest phrase."""

    text: str
    start: int
    """Frame."""
    end: int
    """Frame after the last."""
    short: float
    """By how much its phones fall short of the likeliest ones of the same frames, summed, 0 or more."""


@dataclass(frozen=True)
class Found:
    """The likeliest phrase."""

    words: tuple[Word, ...]
    score: float
    """Of the sound alone."""
    outside: float
    """By how much the frames between the words and around them fall short of the likeliest phones there, summed, 0 or more."""

    @property
    def text(self) -> str:
        return " ".join(word.text for word in self.words)


class Network:
    """A grammar as chains of phones, ready to be searched. Raises KeyError for a word the lexicon does not have."""

    def __init__(self, grammar: Grammar, lexicon: Lexicon):
        start, final, moves = _compiled(grammar)
        words = [(source, target, weight, word) for source, target, weight, word in moves if word]
        silent: dict[int, list[tuple[int, float]]] = defaultdict(list)
        for source, target, weight, word in moves:
            if not word:
                silent[source].append((target, weight))
        reached = {state: _closure(state, silent) for state in {start} | {target for _, target, _, _ in words}}
        said = [(source, target, weight, word, phones) for source, target, weight, word in words for phones in lexicon.phones(word)]
        clashing, clashed = _clashes(reached, said)
        # A state is parted by the phone before or after it where the same phone may follow across it.
        ended = [(target, phones[-1] if phones[-1] in clashing[target] else NONE) for _, target, _, _, phones in said]
        begun = [(source, phones[0] if phones[0] in clashed[source] else NONE) for source, _, _, _, phones in said]
        ends = {key: number for number, key in enumerate(sorted({(start, NONE), *ended}))}
        begins = {key: number for number, key in enumerate(sorted(set(begun)))}
        entries: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for (state, phone), number in begins.items():
            entries[state].append((phone, number))
        links, finals = [], []
        for (state, last), number in ends.items():
            for other, weight in reached[state].items():
                links += [(begin, number, weight, last == first != NONE) for first, begin in entries[other]]
                if other == final:
                    finals.append((number, weight))
        links.sort()
        self._to, self._from, self._link, self._apart = _columns(links, (np.int64, np.int64, np.float32, np.bool_))
        self._ends, self._begins, self._start = len(ends), len(begins), ends[start, NONE]
        self._final, self._final_weight = _columns(finals, (np.int64, np.float32))
        # Chains, sorted by the state they end in, so that what is best in each state is one pass.
        chains = sorted((ends[end], begins[begin], weight, word, phones) for end, begin, (_, _, weight, word, phones) in zip(ended, begun, said, strict=True))
        self._words = [word for *_, word, _ in chains]
        lengths = np.array([len(chain[4]) for chain in chains], dtype=np.int64)
        self._last = np.cumsum(lengths) - 1
        self._first = self._last - lengths + 1
        self._phone = np.array([phone for chain in chains for phone in chain[4]], dtype=np.int64)
        self._chain = np.repeat(np.arange(len(chains)), lengths)
        self._begin = np.array([chain[1] for chain in chains], dtype=np.int64)
        self._weight = np.array([chain[2] for chain in chains], dtype=np.float32)
        self._end = np.array([chain[0] for chain in chains], dtype=np.int64)
        self._groups = np.flatnonzero(np.diff(self._end, prepend=-1))
        self._link_groups = np.flatnonzero(np.diff(self._to, prepend=-1))
        # Twice the same phone needs "none" between.
        self._repeat = np.zeros(len(self._phone), dtype=bool)
        self._repeat[1:] = self._phone[1:] == self._phone[:-1]

    def search(self, phones: np.ndarray) -> Found | None:
        """The likeliest phrase in `phones` (frames x phones, log probabilities), or None where none fits into so few frames."""
        on, off, ended, paused = self._forward(phones)
        last = np.maximum(ended[-1], paused[-1])[self._final] + self._final_weight
        if not len(last) or last.max() <= NEVER / 2:
            return None
        return self._traced(phones, on, off, ended, paused, int(self._final[int(np.argmax(last))]))

    def _forward(self, phones: np.ndarray) -> tuple[np.ndarray, ...]:
        """For each frame the best score in each phone of each chain, in the "none" after it, in each state after a word, and in the
        "none" after that."""
        frames, count = len(phones), len(self._phone)
        on, off = np.full((frames + 1, count), NEVER, np.float32), np.full((frames + 1, count), NEVER, np.float32)
        ended, paused = np.full((frames + 1, self._ends), NEVER, np.float32), np.full((frames + 1, self._ends), NEVER, np.float32)
        paused[0, self._start] = 0.0
        before = np.empty(count, np.float32)
        for frame in range(frames):
            now = phones[frame]
            before[1:] = np.maximum(np.where(self._repeat[1:], NEVER, on[frame, :-1]), off[frame, :-1])
            before[self._first] = self._entered(frame, ended, paused)[self._begin] + self._weight
            on[frame + 1] = now[self._phone] + np.maximum(on[frame], before)
            off[frame + 1] = now[NONE] + np.maximum(off[frame], on[frame])
            ended[frame + 1, self._end[self._groups]] = np.maximum.reduceat(on[frame + 1, self._last], self._groups)
            paused[frame + 1] = now[NONE] + np.maximum(paused[frame], ended[frame])
        return on, off, ended, paused

    def _entered(self, frame: int, ended: np.ndarray, paused: np.ndarray) -> np.ndarray:
        """Score with which each state that begins words is reached."""
        entered = np.full(self._begins, NEVER, np.float32)
        entered[self._to[self._link_groups]] = np.maximum.reduceat(self._linked(frame, ended, paused), self._link_groups)
        return entered

    def _linked(self, frame: int, ended: np.ndarray, paused: np.ndarray, span: slice = slice(None)) -> np.ndarray:
        """Score with which each link, those of `span`, is gone through."""
        source, apart = self._from[span], self._apart[span]
        reached = np.maximum(ended[frame], paused[frame])[source] + self._link[span]
        reached[apart] = paused[frame, source[apart]] + self._link[span][apart]
        return np.asarray(reached)

    def _traced(self, phones: np.ndarray, on: np.ndarray, off: np.ndarray, ended: np.ndarray, paused: np.ndarray, state: int) -> Found:
        """Follow the best path back from `state` at the last frame."""
        best = phones.max(axis=1)
        short_none = best - phones[:, NONE]
        words: list[Word] = []
        frame, outside, score = len(phones), 0.0, 0.0
        pause = bool(paused[frame, state] >= ended[frame, state])
        while True:
            # Between words: back over the pause to the frame at which a word ended here, or to the beginning.
            while frame > 0 and pause:
                frame -= 1
                outside += float(short_none[frame])
                score += float(phones[frame, NONE])
                pause = bool(paused[frame, state] >= ended[frame, state])
            if frame == 0:
                break
            span = self._span(self._end, state)
            node = int(self._last[span][int(np.argmax(on[frame, self._last[span]]))])
            chain, stop, short, silent = int(self._chain[node]), frame, 0.0, False
            while True:
                frame -= 1
                column = NONE if silent else int(self._phone[node])
                short += float(best[frame] - phones[frame, column])
                score += float(phones[frame, column])
                if silent:
                    silent = off[frame, node] >= on[frame, node]
                    continue
                if node == self._first[chain]:
                    entry = self._entered(frame, ended, paused)[self._begin[chain]] + self._weight[chain]
                    if entry >= on[frame, node]:
                        break
                    continue
                came = NEVER if self._repeat[node] else on[frame, node - 1]
                if on[frame, node] >= max(came, off[frame, node - 1]):
                    continue
                silent = off[frame, node - 1] > came
                node -= 1
            words.append(Word(self._words[chain], frame, stop, short))
            span = self._span(self._to, int(self._begin[chain]))
            link = span.start + int(np.argmax(self._linked(frame, ended, paused, span)))
            state = int(self._from[link])
            pause = bool(self._apart[link] or paused[frame, state] >= ended[frame, state])
        return Found(tuple(reversed(words)), score, outside)

    @staticmethod
    def _span(ordered: np.ndarray, value: int) -> slice:
        return slice(int(np.searchsorted(ordered, value)), int(np.searchsorted(ordered, value, side="right")))


def _clashes(reached: dict[int, dict[int, float]], said: Sequence[tuple[int, int, float, str, tuple[int, ...]]]) -> tuple[dict[int, set[int]], dict[int, set[int]]]:
    """For each state after words, and each before words, the phones that may stand on both sides of it."""
    lasts, firsts = defaultdict(set), defaultdict(set)
    for source, target, _, _, phones in said:
        firsts[source].add(phones[0])
        lasts[target].add(phones[-1])
    after: dict[int, set[int]] = defaultdict(set)
    before: dict[int, set[int]] = defaultdict(set)
    for state, others in reached.items():
        for other in others:
            both = lasts[state] & firsts[other]
            after[state] |= both
            before[other] |= both
    return after, before


def scores(phones: np.ndarray, sequences: Sequence[Sequence[int]]) -> np.ndarray:
    """Score of the best alignment of each sequence of phones with all frames of `phones` (frames x phones, log probabilities);
    NEVER or less where there are too few frames."""
    if not sequences:
        return np.zeros(0, np.float32)
    longest = max(map(len, sequences))
    # Columns: none, first phone, none, second phone, ... none.
    labels = np.zeros((len(sequences), 2 * longest + 1), dtype=np.int64)
    for row, sequence in enumerate(sequences):
        labels[row, 1 : 2 * len(sequence) : 2] = sequence
    skip = np.zeros(labels.shape, dtype=bool)
    skip[:, 3::2] = labels[:, 3::2] != labels[:, 1:-2:2]
    best = np.full(labels.shape, NEVER, np.float32)
    best[:, 0] = 0.0
    for now in phones:
        moved = best.copy()
        moved[:, 1:] = np.maximum(moved[:, 1:], best[:, :-1])
        moved[:, 2:] = np.maximum(moved[:, 2:], np.where(skip[:, 2:], best[:, :-2], NEVER))
        best = moved + now[labels]
    rows, ends = np.arange(len(sequences)), 2 * np.array([len(sequence) for sequence in sequences])
    return np.maximum(best[rows, ends], best[rows, np.maximum(ends - 1, 0)])


def _compiled(grammar: Grammar) -> tuple[int, int, list[tuple[int, int, float, str]]]:
    """(start, final, moves) of the grammar's network; a move is (state, state, weighed log probability, word or "")."""
    with tempfile.TemporaryDirectory() as folder:
        written, compiled = Path(folder) / "phrases.jsgf", Path(folder) / "phrases.fsg"
        written.write_text(grammar.jsgf("phrases"), encoding="utf-8")
        rules = Jsgf(str(written))
        rules.build_fsg(rules.get_rule("phrases.phrases"), LogMath(), 1.0).writefile(str(compiled))
        lines = [line.split() for line in compiled.read_text(encoding="utf-8").splitlines()]
    named = {line[0]: int(line[1]) for line in lines if line and line[0] in ("START_STATE", "FINAL_STATE")}
    moves = [(int(line[1]), int(line[2]), GRAMMAR_WEIGHT * float(np.log(max(float(line[3]), 1e-30))), line[4] if len(line) > 4 else "") for line in lines if line and line[0] == "TRANSITION"]
    return named["START_STATE"], named["FINAL_STATE"], moves


def _closure(state: int, silent: dict[int, list[tuple[int, float]]]) -> dict[int, float]:
    """The states reached from `state` without a word, with the best score of the way there."""
    found, waiting = {state: 0.0}, [state]
    while waiting:
        here = waiting.pop()
        for target, weight in silent.get(here, ()):
            if found.get(target, -np.inf) < found[here] + weight:
                found[target] = found[here] + weight
                waiting.append(target)
    return found


def _columns(rows: list[tuple[float, ...]], kinds: Sequence[type]) -> tuple[np.ndarray, ...]:
    return tuple(np.array([row[column] for row in rows], dtype=kind) for column, kind in enumerate(kinds))
