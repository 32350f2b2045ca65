"""A recogniser in a process that can be killed: `python -m assistant.speech.recogniser_worker`.

Both ways go pickles, since both ends are the same program. First comes a `Start`, answered by a `Ready` or a `Failed`; then each `Hear`
is answered by a `Result` or a `Failed`, and each `Ask` by an `Answer`. The process ends with its stdin. What it raises but a SoundError
ends it, too: a decoder that stumbled once is not trusted again.
"""

from __future__ import annotations

import os
import pickle
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from assistant.errors import SoundError
from assistant.language.grammar import Grammar
from assistant.language.pack import Pack
from assistant.speech.engines import close_recogniser, make_recogniser
from assistant.speech.recognise import Heard, Recogniser

FURTHER = ("glance", "known_words", "pronounce", "ready")
"""Members that only some recognisers have."""


@dataclass(frozen=True)
class Start:
    """Which recogniser to make."""

    kind: str
    """As `make_recogniser` takes it."""
    pack: Pack
    models: Path
    """Folder of the models."""


@dataclass(frozen=True)
class Ready:
    """The recogniser is made."""

    name: str
    model: str
    offers: tuple[str, ...]
    """Those of FURTHER that it has."""
    memory_mb: float
    """What this process holds in memory, MB."""


@dataclass(frozen=True)
class Hear:
    """One utterance."""

    number: int
    """Of the grammar."""
    grammar: Grammar | None
    """Where it is new here; without its pack, which is large and always the same."""
    forget: tuple[int, ...]
    """Numbers of grammars that will not be asked for again."""
    samples: np.ndarray
    """int16, mono, 16 kHz."""
    before: np.ndarray | None
    """Sound before them."""
    under_way: bool = False
    """Whether the utterance may go on: only a glance at it is wanted."""


@dataclass(frozen=True)
class Result:
    """What was heard."""

    heard: Heard | None
    """Without its sound, which the other end has; None where a glance found nothing that is over."""
    memory_mb: float
    """What this process holds in memory, MB."""


@dataclass(frozen=True)
class Ask:
    """A call of a member of the recogniser."""

    member: str
    arguments: tuple[Any, ...]


@dataclass(frozen=True)
class Answer:
    """What the member returned; an iterator as a list."""

    value: Any


@dataclass(frozen=True)
class Failed:
    """A SoundError."""

    sentence: str


def main() -> None:
    """Serve requests until stdin closes."""
    source = os.fdopen(0, "rb")
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # anything a library prints must not land among the replies

    def reply(message: object) -> None:
        pickle.dump(message, out, pickle.HIGHEST_PROTOCOL)
        out.flush()

    start: Start = pickle.load(source)
    try:
        recogniser = make_recogniser(start.kind, start.pack, start.models)
    except SoundError as error:
        reply(Failed(str(error)))
        return
    reply(Ready(recogniser.name, recogniser.model, tuple(member for member in FURTHER if hasattr(recogniser, member)), _memory_mb()))
    grammars: dict[int, Grammar] = {}
    try:
        while True:
            request = pickle.load(source)
            try:
                reply(_heard(request, recogniser, grammars, start.pack) if isinstance(request, Hear) else _answer(request, recogniser))
            except SoundError as error:
                reply(Failed(str(error)))
    except (EOFError, BrokenPipeError):
        pass  # the other end is done, or gone
    finally:
        close_recogniser(recogniser)


def _heard(request: Hear, recogniser: Recogniser, grammars: dict[int, Grammar], pack: Pack) -> Result:
    for number in request.forget:
        grammars.pop(number, None)
    if request.grammar is not None:
        grammars[request.number] = replace(request.grammar, pack=pack)
    grammar = grammars[request.number]
    if request.under_way:
        heard = recogniser.glance(request.samples, grammar)  # type: ignore[attr-defined]  # asked only of one that offers it
    else:
        heard = recogniser.hear(request.samples, grammar, request.before)
    return Result(heard and replace(heard, audio=None), _memory_mb())


def _answer(request: Ask, recogniser: Recogniser) -> Answer:
    value = getattr(recogniser, request.member)(*request.arguments)
    return Answer(list(value) if isinstance(value, Iterable) and not isinstance(value, str) else value)


def _memory_mb() -> float:
    """Memory of this process that is in use now, MB; 0 where the system does not say."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
    except (OSError, ValueError, IndexError):
        return 0.0


if __name__ == "__main__":
    # As a module of its own name: pickles name classes by module, and the other end knows no __main__ of ours.
    from assistant.speech.recogniser_worker import main as serve

    serve()
