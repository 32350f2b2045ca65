"""Kills, power cuts, full and read-only disks, clocks that are set, and two benches on one job."""

import itertools
import os
import subprocess
import sys
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from assistant.bench import Bench
from assistant.engine import events as e
from assistant.errors import JobInUse, JournalError
from assistant.record.clips import save_clip
from assistant.record.clock import SteadyTime
from assistant.record.clock_moves import clock_moves
from assistant.record.journal import Journal
from assistant.record.kept import typed as typed_events
from assistant.record.seal import read_seals, seal_job
from assistant.record.service_record import service_record
from assistant.session import _opened, new_journal
from assistant.speech.listen import EndOfInput
from tests.record.kills import NoDisplay, many_kills, sounding, typed
from tests.support import EN, FLANGE, ROOT

FLANGE_TEXT = (ROOT / "procedures" / "bolted-flange.yaml").read_bytes()


# --- kills and power cuts; scripts/bench_faults does many more ---


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.parametrize("hear", [typed, sounding])
def test_no_kill_loses_what_was_acknowledged(tmp_path, hear):
    count = many_kills(tmp_path, 10, 3, hear, Ed25519PrivateKey.generate())
    assert count.kills >= 10 and count.jobs >= 1 and count.acknowledged > 0


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    pytest.importorskip("apsw")
    from tests.record.cut_job import write_job
    from tests.record.cuts import watched

    root = tmp_path_factory.mktemp("cuts") / "watched"
    root.mkdir()
    with watched(root) as recording:
        hashes, place = write_job(recording, 6)
    return recording, hashes, place


def test_a_power_cut_at_any_write_loses_nothing_acknowledged(recorded, tmp_path):
    """Journal, clips, procedure, key and seals."""
    from tests.record.cut_job import must_hold
    from tests.record.cuts import every_cut

    recording, hashes, place = recorded
    points, disks = every_cut(recording, tmp_path / "disk", lambda root, told: must_hold(root, told, hashes, place), chances=1)
    assert points == len(recording.steps) > 80 and disks > points


@pytest.mark.parametrize("left_out", ["sync", "sync names"])
def test_the_harness_sees_a_sync_that_is_not_made(recorded, tmp_path, left_out):
    from tests.record.cut_job import must_hold
    from tests.record.cuts import Recording, every_cut

    recording, hashes, place = recorded
    careless = Recording(recording.root, [step for step in recording.steps if step.what != left_out])
    with pytest.raises(AssertionError, match="told"):
        every_cut(careless, tmp_path / "disk", lambda root, told: must_hold(root, told, hashes, place), chances=0)


# --- the disk ---


@contextmanager
def small_disk(folder, size):
    """A disk of so many bytes. Skips where this user may not mount one."""
    folder.mkdir()
    if sys.platform != "linux" or subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(folder)], capture_output=True).returncode:
        pytest.skip("needs the right to mount a small disk")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk_is_told_and_costs_nothing_recorded(tmp_path):
    import numpy as np

    with small_disk(tmp_path / "disk", 256 << 10) as disk, Journal.create(disk / "job") as journal:
        (disk / "job" / "procedure.yaml").write_bytes(b"x")
        journal.append("heard", {})
        key = Ed25519PrivateKey.generate()
        seal_job(disk / "job", key, SettableClock())
        with pytest.raises(JournalError, match="disk is full: free some space.*what was recorded before is kept"):
            for _ in range(1000):
                journal.append("heard", {"text": "x" * 2000})
        kept = len(journal.events())
        (disk / "job" / "ballast").write_bytes(b"")
        with pytest.raises(JournalError, match="disk is full"):
            for number in range(1000):
                save_clip(disk / "job", np.random.default_rng(number).integers(-9999, 9999, 9000).astype(np.int16))
        with pytest.raises(JournalError, match="disk is full"):
            for _ in range(1000):
                seal_job(disk / "job", key, SettableClock())
        assert read_seals(disk / "job")[0].events == 1 and not list((disk / "job").rglob("*.part"))
        journal.verify()
        subprocess.run(["mount", "-o", "remount,size=1m", str(disk)], check=True)
        assert journal.append("heard", {}).seq == kept + 1
        journal.verify()
        assert seal_job(disk / "job", key, SettableClock()).events == kept + 1


def test_a_read_only_disk_can_be_read_and_not_written(tmp_path):
    with small_disk(tmp_path / "disk", 1 << 20) as disk:
        with Journal.create(disk / "job") as journal:
            journal.append("heard", {})
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        with Journal.read(disk / "job") as journal:
            journal.verify()
            assert len(journal.events()) == 1
        with pytest.raises(JournalError, match="read-only: allow writing there"):
            Journal.open(disk / "job")
        with pytest.raises(JournalError, match="read-only"):
            new_journal(disk / "other", b"", SettableClock())


# --- at the bench: what the technician hears ---


class SettableClock:
    """A clock that somebody sets; what the program ran goes on by itself."""

    zone = UTC

    def __init__(self, ran_s=0.0, day=datetime(2026, 3, 2, 8, 0, tzinfo=UTC)):
        self.ran_s, self.day = ran_s, day

    def utc(self):
        return self.day

    def monotonic(self):
        return self.ran_s

    def run(self, seconds):
        self.ran_s += seconds
        self.day += timedelta(seconds=seconds)

    def set_by(self, seconds):
        self.day += timedelta(seconds=seconds)


class Heard:
    """A speaker that keeps what it said."""

    def __init__(self):
        self.said = []

    def say(self, text):
        self.said.append(text)

    def busy(self):
        return False

    def wait(self, timeout_s):
        return True

    def stop(self): ...

    def notices(self):
        return []

    def close(self): ...


class Acts:
    """A listener that takes phrases and acts in turn."""

    def __init__(self, *acts):
        self._acts = iter(acts)

    def listen(self, grammar, timeout_s):
        act = next(self._acts, EndOfInput)
        if act is EndOfInput:
            raise EndOfInput
        if callable(act):
            act()
            return None
        return typed(act, grammar)

    def deaf(self, yes): ...

    def notices(self):
        return []

    def close(self): ...


def bench_at(directory, clock, *acts):
    new = not directory.exists()
    journal = new_journal(directory, FLANGE_TEXT, clock) if new else Journal.open(directory, clock)
    bench = Bench(FLANGE, EN, journal, Acts(*acts), Heard(), NoDisplay(), clock)
    if new:
        procedure = FLANGE.procedure
        bench.start(e.JobStarted(directory.name, procedure.procedure, procedure.title, procedure.revision, "0" * 64, "F7", "Kim", "plain"))
    return bench


@pytest.mark.parametrize(("seconds", "said"), [(3600, "jumped forward by sixty minutes"), (-86_400, "was set back by"), (5, "forward by five seconds")])
def test_a_clock_that_is_set_is_told_at_once_and_shown_in_the_record(tmp_path, seconds, said):
    clock = SettableClock()
    bench = bench_at(tmp_path / "job", clock, "begin the job", lambda: clock.run(60), lambda: clock.set_by(seconds), lambda: clock.run(60), "understood")
    with bench.journal:
        assert bench.run() is False
        assert sum(said in line for line in bench.speaker.said) == 1
        moves = clock_moves(typed_events(bench.journal))
        assert [round(move["seconds"]) for move in moves] == [seconds]
        assert [event.seconds for _, event in typed_events(bench.journal) if isinstance(event, e.ClockMoved)] == [seconds]
    record = service_record(tmp_path / "job", FLANGE, EN)
    assert [move["seconds"] for move in record["clock_moves"]] == [seconds]


def test_a_small_correction_of_the_clock_is_not_told(tmp_path):
    clock = SettableClock()
    bench = bench_at(tmp_path / "job", clock, "begin the job", lambda: clock.set_by(1), lambda: clock.run(5), lambda: clock.set_by(-1))
    with bench.journal:
        bench.run()
        assert not any("clock" in line for line in bench.speaker.said)


def test_a_clock_found_behind_the_last_entry_is_told_on_resuming(tmp_path):
    clock = SettableClock()
    with bench_at(tmp_path / "job", clock, "begin the job", lambda: clock.run(600), "understood").journal as journal:
        journal.append("paused", {"reason": "break"})
    earlier = SettableClock(0.0, clock.day - timedelta(hours=2))
    bench = bench_at(tmp_path / "job", earlier)
    with bench.journal:
        bench.reopen("Kim")
        assert any("stands one hundred and twenty minutes before the last entry" in line for line in bench.speaker.said)
        assert clock_moves(typed_events(bench.journal))[-1]["seconds"] == -7200


@pytest.mark.parametrize("seconds", [7200, -7200])
def test_timers_and_times_of_steps_do_not_follow_a_clock_that_is_set(tmp_path, seconds):
    clock = SettableClock()
    steady = SteadyTime(clock)
    begun = steady.now()
    clock.run(100)
    clock.set_by(seconds)
    clock.run(20)
    assert steady.now() - begun == pytest.approx(120)
    # Also after the program was started again: what was moved before is known from the journal.
    again = SteadyTime(SettableClock(0.0, clock.day), seconds)
    assert again.now() - begun == pytest.approx(120)


@pytest.mark.parametrize("seconds", [7200, -7200])
def test_how_long_a_step_took_is_told_by_what_the_program_ran(tmp_path, seconds):
    clock = SettableClock()
    bench = bench_at(tmp_path / "job", clock, "begin the job", lambda: clock.run(300), lambda: clock.set_by(seconds), lambda: clock.run(300), "understood", "next step")
    with bench.journal:
        bench.run()
    times = service_record(tmp_path / "job", FLANGE, EN)["time"]
    assert sum(row["minutes"] for row in times["stages"]) == pytest.approx(10, abs=0.1)


def test_a_resumed_job_says_what_was_recorded_last(tmp_path):
    clock = SettableClock()
    acts = ("begin the job", "understood", "next step", "both locked", "next step", "zero bar", "affirm")
    for last, said in ((4, "It says: both locked."), (7, "It says: pressure, zero bar.")):
        directory = tmp_path / str(last)
        first = bench_at(directory, clock, *acts[:last])
        with first.journal:
            first.run()
        resumed = bench_at(directory, clock)
        with resumed.journal:
            resumed.reopen("Kim")
            assert said in resumed.speaker.said


def test_a_disk_that_fills_up_stops_the_work_aloud(tmp_path):
    bench = bench_at(tmp_path / "job", SettableClock(), *itertools.repeat("say again", 200))
    with bench.journal as journal:
        journal._database.execute("PRAGMA max_page_count = 1")  # SQLite takes the present size as the limit
        with pytest.raises(JournalError, match="disk is full"):
            bench.run()
        assert bench.speaker.said[-1] == "Recording has stopped. Stop work, and read the message on the screen."
        journal.verify()


HOLDER = "import sys, time; from assistant.record.journal import Journal; journal = Journal.open(sys.argv[1]); print('ready', flush=True); time.sleep(60)"


def test_a_second_bench_on_one_job_is_told_aloud(tmp_path, monkeypatch):
    with Journal.create(tmp_path / "job") as journal:
        journal.append("heard", {})
    holder = subprocess.Popen([sys.executable, "-c", HOLDER, str(tmp_path / "job")], stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout.readline() == "ready\n"
        monkeypatch.setattr("assistant.session.open_job", lambda setting, clock: (Journal.open(tmp_path / "job", clock), False))
        speaker = Heard()
        with pytest.raises(JobInUse, match=f"process {holder.pid}"):
            _opened(None, SettableClock(), EN, speaker)
        assert speaker.said == ["This job is open on another bench. Close it there first."]
    finally:
        holder.kill()
        holder.wait()
        holder.stdout.close()
