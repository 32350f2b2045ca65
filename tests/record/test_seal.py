"""Seals and the key that makes them."""

import os
import stat
import subprocess
import sys
from datetime import UTC, datetime

import pytest
from click.testing import CliRunner

from assistant.cli import main
from assistant.errors import JournalError, SealError
from assistant.record import faults
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.record.keys import load_or_make_key, load_public_key, short_id
from assistant.record.seal import SEALS, read_lines, read_seals, seal_job, verification_code
from assistant.record.verify import verify_job
from tests.record.mutations import ALL, by_sql, raw, small_job

CLOCK = SimulatedClock(datetime(2026, 3, 2, 8, 0, tzinfo=UTC))


@pytest.fixture
def keys(tmp_path):
    return tmp_path / "keys"


@pytest.fixture
def key(keys):
    return load_or_make_key(keys)


@pytest.fixture
def job(tmp_path, key):
    return small_job(tmp_path / "2026-03-02-P104-01", key)


# --- the key ---


def test_a_key_is_made_once_and_only_its_owner_reads_it(keys):
    first = load_or_make_key(keys)
    assert raw(load_or_make_key(keys)) == raw(first) == load_public_key(keys / "seal.pub")
    assert stat.S_IMODE((keys / "seal.key").stat().st_mode) == 0o600
    assert sorted(path.name for path in keys.iterdir()) == ["seal.key", "seal.pub"]
    assert len(short_id(raw(first))) == 16


@pytest.mark.skipif(os.name != "posix", reason="modes of files")
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o666])
def test_a_key_that_others_can_read_is_refused(keys, key, mode):
    (keys / "seal.key").chmod(mode)
    with pytest.raises(SealError, match="can be read by others.*chmod 600"):
        load_or_make_key(keys)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda keys: (keys / "seal.key").write_bytes(b"-----BEGIN rubbish"), "seal.key is damaged; restore it"),
        (lambda keys: (keys / "seal.key").write_bytes((keys / "seal.key").read_bytes()[:-40]), "seal.key is damaged; restore it"),
        (lambda keys: (keys / "seal.key").write_bytes(b""), "seal.key is damaged; restore it"),
        (lambda keys: (keys / "seal.key").unlink(), "seal.key is missing, but its public half"),
        (lambda keys: (keys / "seal.pub").write_bytes(b"rubbish"), "seal.pub holds no Ed25519 public key"),
    ],
)
def test_a_damaged_key_is_refused_and_nothing_is_made_in_its_place(keys, key, change, said):
    change(keys)
    before = {path.name: path.read_bytes() for path in keys.iterdir()}
    with pytest.raises(SealError, match=said):
        load_or_make_key(keys)
    assert {path.name: path.read_bytes() for path in keys.iterdir()} == before


def test_keys_of_two_shops_do_not_mix(keys, key, tmp_path):
    load_or_make_key(tmp_path / "other")
    (keys / "seal.pub").write_bytes((tmp_path / "other" / "seal.pub").read_bytes())
    with pytest.raises(SealError, match="does not belong to"):
        load_or_make_key(keys)


def test_a_lost_public_half_is_made_again(keys, key):
    (keys / "seal.pub").unlink()
    load_or_make_key(keys)
    assert load_public_key(keys / "seal.pub") == raw(key)


def test_two_benches_that_begin_at_once_share_one_key(keys):
    code = "import sys; from pathlib import Path; from assistant.record.keys import load_or_make_key; print(load_or_make_key(Path(sys.argv[1])).public_key().public_bytes_raw().hex())"
    both = [subprocess.Popen([sys.executable, "-c", code, str(keys)], stdout=subprocess.PIPE, text=True) for _ in range(3)]
    assert len({process.communicate(timeout=60)[0] for process in both}) == 1


# --- seals ---


def test_a_seal_covers_events_clips_procedure_and_the_seal_before(job, key):
    first, second = read_seals(job)
    assert (second.number, second.events, second.clips, second.job) == (2, ALL, 3, job.name)
    assert second.previous == read_lines(job)[0].hash and first.previous == "0" * 64
    assert first.fits() and second.fits() and second.last_hash != first.last_hash
    assert verification_code(second).startswith(f"{job.name} seal 2 events {ALL} code ")


def test_a_seal_cut_short_is_named_kept_and_healed_by_sealing_again(job, key):
    path = job / SEALS
    whole = path.read_bytes()
    path.write_bytes(whole[:-200])
    verdict = verify_job(job, raw(key))
    assert "The last line of seals.jsonl was cut short" in verdict.faults[0] and not verdict.ok
    torn = whole.split(b"\n")[1][:-199]
    with Journal.open(job):
        seal_job(job, key, CLOCK)
    assert path.read_bytes().split(b"\n")[1] == torn  # nothing is dropped
    healed = verify_job(job, raw(key))
    assert healed.ok and healed.unsealed_events == 0 and [seal.number for seal in healed.seals] == [1, 2]
    assert "Line 2 of seals.jsonl was cut short" in healed.notes[0]
    # The healed place is under the new seal's signature.
    path.write_bytes(path.read_bytes().replace(torn, torn[:-1]))
    assert "Line 2 of seals.jsonl is not a seal as it was written" in verify_job(job, raw(key)).faults[0]


def test_the_command_heals_too_but_seals_nothing_that_was_changed(job, keys, key):
    call = CliRunner()
    (job / SEALS).write_bytes((job / SEALS).read_bytes()[:-1])
    done = call.invoke(main, ["seal", str(job), "--keys", str(keys)])
    assert done.exit_code == 0 and "seal 3 events" in done.stdout
    by_sql(job, f"DELETE FROM events WHERE seq = {ALL}")
    refused = call.invoke(main, ["seal", str(job), "--keys", str(keys)])
    assert refused.exit_code == 5 and f"Entry {ALL} was removed" in refused.output


def test_a_job_that_was_changed_is_not_sealed_again(job, key):
    by_sql(job, f"DELETE FROM events WHERE seq = {ALL}")
    with pytest.raises(SealError, match="no longer what seal 2 covers"):
        seal_job(job, key, CLOCK)
    by_sql(job, "UPDATE events SET kind = 'x' WHERE seq = 3")
    with pytest.raises(JournalError, match="Entry 3 of"):
        seal_job(job, key, CLOCK)


def test_an_empty_journal_is_not_sealed(tmp_path, key):
    with Journal.create(tmp_path / "j"), pytest.raises(SealError, match="nothing to seal"):
        seal_job(tmp_path / "j", key, CLOCK)


@pytest.mark.parametrize(("number", "said"), [(28, "disk is full"), (30, "read-only"), (5, "the system says")])
def test_a_seal_that_cannot_be_written_leaves_the_old_ones(job, key, monkeypatch, number, said):
    before = (job / SEALS).read_bytes()

    def refused(_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(faults.os, "fsync", refused)
    with pytest.raises(JournalError, match=said):
        seal_job(job, key, CLOCK)
    assert (job / SEALS).read_bytes() == before and not list(job.glob(".*.part"))
