"""One job written under the eyes of `cuts.watched`, and what must hold on every disk that a power cut can leave of it."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from assistant.record.clips import read_clip, save_clip
from assistant.record.clock import SimulatedClock
from assistant.record.journal import DATABASE, Journal
from assistant.record.keys import load_or_make_key
from assistant.record.seal import named_clips, read_lines, read_seals, seal_job
from assistant.record.store import Store
from assistant.record.verify import verify_job
from assistant.session import new_journal
from tests.record.cuts import Recording

TEXT = b"procedure: test\n" * 40
SEALED = 1000
"""Added to what was told for each seal that was acknowledged."""
CLOCK = SimulatedClock(datetime(2026, 3, 2, 8, 0, tzinfo=UTC))


def write_job(recording: Recording, events: int) -> tuple[list[str], Path]:
    """A job from its first byte to its second seal; tells events + 1000 for each seal. Returns the hashes of its events, and its folder below root."""
    hashes: list[str] = []
    noise = np.random.default_rng(5)
    _, directory = Store(recording.root / "jobs").new_job("P104", CLOCK)
    with new_journal(directory, TEXT, CLOCK) as journal:
        for number in range(events):
            body = {"number": number, "text": "x" * (37 * number % 900)}
            if number % 4 == 1:
                body["clips"] = [save_clip(directory, noise.integers(-999, 999, 700).astype(np.int16))["sha256"]]
            hashes.append(journal.append("heard", body).hash)
            recording.told(len(hashes))
        key = load_or_make_key(recording.root / "keys")
        seal_job(directory, key, CLOCK)
        recording.told(len(hashes) + SEALED)
    with Journal.open(directory, CLOCK) as journal:
        hashes.append(journal.append("amended", {}).hash)
        recording.told(len(hashes) + SEALED)
        seal_job(directory, key, CLOCK)
        recording.told(len(hashes) + 2 * SEALED)
    return hashes, directory.relative_to(recording.root)


def must_hold(root: Path, told: int, hashes: list[str], place: Path) -> None:
    """Raises AssertionError or JournalError where the disk breaks a promise."""
    events, seals = told % SEALED, told // SEALED
    directory = root / place
    if not (directory / DATABASE).exists():
        assert told == 0, "the journal is gone"
        return
    with Journal.open(directory, CLOCK) as journal:
        journal.verify()
        found = journal.events()
        assert [event.hash for event in found] == hashes[: len(found)]
        assert len(found) >= events, f"{events} events told, {len(found)} kept"
        for clip in named_clips(found):
            assert len(read_clip(directory, clip)) == 700
        if found:
            assert (directory / "procedure.yaml").read_bytes() == TEXT
        lines = read_lines(directory)
        assert len(read_seals(directory)) >= seals and all(line.whole and line.seal for line in lines)
        verdict = verify_job(directory)
        # A sound half way between disk and journal is told of, and is no fault of what was recorded.
        assert not [fault for fault in verdict.faults if "is named by no entry" not in fault], verdict.faults
        # And the work goes on: one more entry, and a seal over all.
        if found:
            key = load_or_make_key(root / "keys")
            if seals:
                assert read_seals(directory)[0].public_key == _base64(key)
            journal.append("heard", {"after": "the cut"})
            journal.verify()
            seal_job(directory, key, CLOCK)
            assert verify_job(directory).seals[-1].events == len(found) + 1


def _base64(key: object) -> str:
    import base64

    return base64.b64encode(key.public_key().public_bytes_raw()).decode()  # type: ignore[attr-defined]


