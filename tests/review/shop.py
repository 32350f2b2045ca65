"""A shop with jobs that were spoken, people with passwords, and the pages over it in a thread of their own."""

import shutil
import socket
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
from argon2 import PasswordHasher

from assistant.bench import Bench
from assistant.engine import events as e
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.record.people import People
from assistant.record.store import Store
from assistant.review.app import Server, make_app
from assistant.review.site import Settings
from assistant.session import PROCEDURE_COPY
from assistant.speech.listen import EndOfInput
from assistant.speech.recognise import RATE, Heard
from assistant.speech.speak import SilentSpeaker
from tests.support import EN, FLANGE, ROOT

PASSWORD = "correct horse 7 battery"
WAIT = "(ten minutes later)"
TO_THE_FINDING = ["begin the job", "understood", "next step", "both locked", "next step", "zero bar", "affirm", "understood", "next step", "next step"]
FINDING = ["record a finding", "gasket", "cut or torn", "replace", "torn on the inner edge", "affirm"]
SECOND_FINDING = ["record a finding", "gasket", "hardened", "ask the supervisor", "look at the groove too", "affirm"]
TO_THE_JOINT = ["next step", "faces are clean", "next step", "point four millimetres", "affirm", "next step", "next step"]
JOINT = ["pass is done", "pass is done", "pass is done", "one hundred and fifty two newton metres", "affirm"]
TO_THE_END = ["next step", "next step", "i release this hold", "next step", "start the timer", WAIT, "next step", "joint is dry", "finish the job", "affirm"]
WHOLE = [*TO_THE_FINDING, *FINDING, *SECOND_FINDING, *TO_THE_JOINT, *JOINT, *TO_THE_END]


class Quiet:
    """A display that shows nothing."""

    def __getattr__(self, name: str):
        return lambda *_: None


class Screen(Quiet):
    """The same, to be opened and closed."""

    def __enter__(self):
        return self

    def __exit__(self, *_: object) -> None: ...


class Spoken:
    """Phrases that come with a sound, as from a microphone."""

    def __init__(self, phrases: Sequence[str], clock: SimulatedClock):
        self._phrases, self._clock = list(phrases), clock

    def listen(self, grammar, timeout_s: float) -> Heard | None:
        if not self._phrases:
            raise EndOfInput
        text = self._phrases.pop(0)
        if text == WAIT:
            self._clock.advance(601)
            return None
        self._clock.advance(7)
        return heard(text)

    def deaf(self, yes: bool) -> None: ...

    def notices(self) -> list[str]:
        return []

    def close(self) -> None: ...


def heard(text: str, confidence: float = 0.91) -> Heard:
    """A phrase with 0.6 s of a tone; a remark keeps its words, as if somebody had typed them."""
    tone = (6000 * np.sin(np.arange(int(0.6 * RATE)) * (2 * np.pi * (220 + 5 * len(text)) / RATE))).astype(np.int16)
    return Heard(text, confidence, False, 0.6, 0.1, "test ear", tone)


@contextmanager
def bench_of(store: Path, asset: str, technician: str, clock: SimulatedClock, phrases: Sequence[str] = ()) -> Iterator[Bench]:
    """A bench with a job that has just begun."""
    job, directory = Store(store).new_job(asset, clock)
    source = (ROOT / "procedures" / "bolted-flange.yaml").read_bytes()
    with Journal.create(directory, clock) as journal:
        (directory / PROCEDURE_COPY).write_bytes(source)
        bench = Bench(FLANGE, EN, journal, Spoken(phrases, clock), SilentSpeaker(), Quiet(), clock)
        bench.start(e.JobStarted(job, "bolted-flange", FLANGE.procedure.title, "3", "0" * 64, asset, technician, "plain", FLANGE.procedure.shop))
        yield bench


def spoken_job(store: Path, asset: str = "F7", technician: str = "Kim", phrases: Sequence[str] = WHOLE, start: datetime = datetime(2026, 3, 9, 8, 0, tzinfo=UTC)) -> Path:
    """The directory of a job in which these phrases were said: spoken once, then copied, because each event waits for the disk."""
    spoken = _spoken(asset, technician, tuple(phrases), start)
    return Path(shutil.copytree(spoken, store / spoken.name))


_SPOKEN = tempfile.TemporaryDirectory(prefix="gloveside-spoken-")


@cache
def _spoken(asset: str, technician: str, phrases: tuple[str, ...], start: datetime) -> Path:
    with bench_of(Path(tempfile.mkdtemp(dir=_SPOKEN.name)), asset, technician, SimulatedClock(start), phrases) as bench:
        bench.run()
        return bench.journal.directory


def people_of(store: Path) -> People:
    """Kim and Lee work, Robin supervises, Sam writes procedures; weak hashes, so that tests do not take minutes."""
    people = People(store, hasher=PasswordHasher(time_cost=1, memory_cost=64, parallelism=1))
    for name, role in (("Kim", "technician"), ("Lee", "technician"), ("Robin", "supervisor"), ("Sam", "author")):
        people.add(name, [role], PASSWORD)
    return people


@contextmanager
def served(app) -> Iterator[str]:
    """The address of the pages while they are served."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        server = Server(app, log_level="error")
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.02)
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(10)


def app_of(store: Path, people: People | None = None, **settings):
    return make_app(Settings(store, store.parent / "keys", **settings), people=people or people_of(store))
