"""Every way to change a sealed job is found, and the first thing changed is named."""

import random
import shutil

import pytest
from click.testing import CliRunner
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from assistant.cli import main
from assistant.errors import JournalError
from assistant.record.journal import DATABASE, Journal
from assistant.record.keys import load_or_make_key
from assistant.record.seal import SEALS, read_seals, seal_job, verification_code
from assistant.record.verify import verify_job
from tests.record.mutations import ALL, COLUMNS, FIRST, by_sql, chained_anew, flip_each, raw, seal_lines, small_job, verdict_after


@pytest.fixture(scope="module")
def key():
    return Ed25519PrivateKey.generate()


@pytest.fixture(scope="module")
def job(tmp_path_factory, key):
    return small_job(tmp_path_factory.mktemp("verify") / "2026-03-02-P104-01", key)


def named_by(job):
    """Clips in the order of the journal."""
    with Journal.read(job) as journal:
        return list(dict.fromkeys(clip for event in journal.events() for clip in event.body.get("clips", ())))


def test_a_sealed_job_is_proven_also_in_a_copied_folder_of_another_name(job, key, tmp_path):
    shutil.copytree(job, tmp_path / "copy")
    for place in (job, tmp_path / "copy"):
        verdict = verify_job(place, raw(key))
        assert (verdict.ok, verdict.sealed, verdict.known_key, verdict.faults, verdict.unsealed_events, verdict.notes) == (True, True, True, (), 0, ())
        assert [(seal.number, seal.events, seal.clips) for seal in verdict.seals] == [(1, FIRST, 3), (2, ALL, 3)]


def test_without_the_public_key_a_seal_proves_only_that_the_job_agrees_with_itself(job):
    verdict = verify_job(job)
    assert verdict.ok and not verdict.known_key
    assert "the seal fits, but with a key that is not known here" in verdict.notes[0].lower()


def test_another_shops_key_does_not_pass(job):
    verdict = verify_job(job, raw(Ed25519PrivateKey.generate()))
    assert not verdict.ok and "Seal 1 fits, but with a key that is not known here" in verdict.faults[0]


@pytest.mark.parametrize("column", COLUMNS)
@pytest.mark.parametrize("seq", [1, 5, ALL])
def test_a_change_of_any_column_by_sql_names_the_entry(job, key, tmp_path, column, seq):
    change = {"seq": "seq + 100", "zone_offset": "zone_offset + 60", "monotonic_s": "monotonic_s + 0.001"}.get(column, f"substr({column}, 1, length({column}) - 1) || 'x'")
    verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy: by_sql(copy, f"UPDATE events SET {column} = {change} WHERE seq = {seq}"))
    # A changed hash shows at its own entry: it no longer follows from what stands there.
    assert f"Entry {seq} of" in verdict.faults[0] and not verdict.ok


COPY = f"SELECT {{}}, {', '.join(COLUMNS[1:])} FROM events WHERE seq = {{}}"
SQL_CHANGES = [
    ("removed", ("DELETE FROM events WHERE seq = 6",), "Entry 6 of"),
    ("first removed", ("DELETE FROM events WHERE seq = 1",), "Entry 1 of"),
    ("last removed", (f"DELETE FROM events WHERE seq = {ALL}",), f"Entry {ALL} was removed"),
    ("all after the first seal removed", (f"DELETE FROM events WHERE seq > {FIRST}",), f"Entry {FIRST + 1} was removed"),
    ("cut inside the first seal", (f"DELETE FROM events WHERE seq > {FIRST - 2}",), f"Entry {FIRST - 1} was removed"),
    ("all removed", ("DELETE FROM events",), "Entry 1 was removed"),
    ("reordered", ("UPDATE events SET seq = 99 WHERE seq = 4", "UPDATE events SET seq = 4 WHERE seq = 5", "UPDATE events SET seq = 5 WHERE seq = 99"), "Entry 4 of"),
    ("duplicated in the middle", ("UPDATE events SET seq = -seq - 1 WHERE seq > 4", "UPDATE events SET seq = -seq WHERE seq < 0", f"INSERT INTO events {COPY.format(5, 4)}"), "Entry 5 of"),
    ("duplicated at the end", (f"INSERT INTO events {COPY.format(ALL + 1, ALL)}",), f"Entry {ALL + 1} of"),
    ("inserted at the start", (f"INSERT INTO events {COPY.format(0, 2)}",), "Entry 1 of"),
    ("no text but bytes", ("UPDATE events SET body = CAST(body AS BLOB) WHERE seq = 3",), "Entry 3 of"),
    ("a table more", ("CREATE TABLE notes(text)",), "notes was added"),
    ("an index more", ("CREATE INDEX fast ON events(kind)",), "fast was added"),
]


@pytest.mark.parametrize(("statements", "named"), [row[1:] for row in SQL_CHANGES], ids=[row[0] for row in SQL_CHANGES])
def test_removed_inserted_and_reordered_entries(job, key, tmp_path, statements, named):
    verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy: by_sql(copy, *statements))
    assert named in verdict.faults[0] and not verdict.ok


def test_guards_that_were_taken_off_are_reported(job, key, tmp_path):
    verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy: by_sql(copy, rules=False))
    assert "its rule events_" in verdict.faults[0]


REWRITTEN = [
    ("changed", lambda rows: [*rows[:3], (*rows[3][:6], rows[3][6].replace("value", "valve"), *rows[3][7:]), *rows[4:]], "Entry 4 "),
    ("removed", lambda rows: rows[:4] + rows[5:], "Entry 5 "),
    ("added", lambda rows: rows[:7] + [rows[2]] + rows[7:], "Entry 8 "),
    ("reordered", lambda rows: [rows[0], rows[2], rows[1], *rows[3:]], "Entry 2 "),
    ("changed after the first seal", lambda rows: [*rows[:10], (*rows[10][:1], "signed", *rows[10][2:]), *rows[11:]], "Entry 11 "),
]


@pytest.mark.parametrize(("change", "named"), [row[1:] for row in REWRITTEN], ids=[row[0] for row in REWRITTEN])
def test_a_chain_written_anew_is_found_by_the_seal(job, key, tmp_path, change, named):
    verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy: chained_anew(copy, change))
    # Two digits of each hash are kept: once in 256 the first entry changed agrees by chance, and the next one is named.
    number = int(named.split()[1])
    assert any(f"Entry {number + later} " in verdict.faults[0] for later in range(3)) and "written anew" in verdict.faults[0]


def test_a_job_written_and_sealed_anew_with_another_key(job, key, tmp_path):
    """The forger's best: everything fits, but not the key."""
    shutil.copytree(job, tmp_path / "c")
    chained_anew(tmp_path / "c", lambda rows: rows[:4] + rows[5:])
    (tmp_path / "c" / SEALS).unlink()
    from assistant.record.clock import SystemClock

    seal_job(tmp_path / "c", Ed25519PrivateKey.generate(), SystemClock())
    assert "key that is not known here" in verify_job(tmp_path / "c", raw(key)).faults[0]
    assert "key that is not known here" in verify_job(tmp_path / "c").notes[0]


SEAL_CHANGES = [
    ("first removed", lambda lines: lines[1:], "Seal 1 was removed, added or moved: seal 2"),
    ("swapped", lambda lines: lines[::-1], "Seal 1 was removed, added or moved: seal 2"),
    ("doubled", lambda lines: [lines[0], lines[0], lines[1]], "Seal 2 was removed, added or moved: seal 1"),
    ("an empty line", lambda lines: [lines[0], b"", lines[1]], "Line 2 of seals.jsonl is not a seal"),
    ("other words", lambda lines: [lines[0], b"{}", lines[1]], "Line 2 of seals.jsonl is not a seal"),
    ("spaces", lambda lines: [lines[0].replace(b'":', b'": ', 1), lines[1]], "Line 1 of seals.jsonl is not a seal"),
    ("number as text", lambda lines: [lines[0].replace(b'"number":1', b'"number":"1"'), lines[1]], "Line 1 of seals.jsonl is not a seal"),
    ("whole number as fraction", lambda lines: [lines[0].replace(b'"number":1', b'"number":1.0'), lines[1]], "Line 1 of seals.jsonl is not a seal"),
    ("field twice", lambda lines: [lines[0].replace(b'{"clips":3', b'{"clips":2,"clips":3'), lines[1]], "Line 1 of seals.jsonl is not a seal"),
    ("time changed", lambda lines: [lines[0], lines[1].replace(b'"sealed_at":"2026', b'"sealed_at":"2025')], "Seal 2 was changed: its signature"),
    ("nothing left", lambda lines: [b"x"], "Line 1 of seals.jsonl is not a seal"),
]


@pytest.mark.parametrize(("change", "named"), [row[1:] for row in SEAL_CHANGES], ids=[row[0] for row in SEAL_CHANGES])
def test_changed_seals(job, key, tmp_path, change, named):
    verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy: seal_lines(copy, change))
    assert named in verdict.faults[0] and not verdict.ok


def test_a_seal_of_another_job(job, key, tmp_path):
    other = small_job(tmp_path / "2026-03-02-P105-01", key)
    verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy: shutil.copy(other / SEALS, copy / SEALS))
    assert not verdict.ok and verdict.faults
    verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy: shutil.copy(other / DATABASE, copy / DATABASE))
    assert not verdict.ok and verdict.faults


def test_without_any_seal_nothing_is_proven(job, key, tmp_path):
    verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy: (copy / SEALS).unlink())
    assert (verdict.ok, verdict.sealed, verdict.faults, verdict.unsealed_events) == (False, False, (), ALL)
    assert "not sealed" in verdict.notes[0]


def test_an_earlier_state_put_back_is_told_only_by_the_code_of_a_report(job, key, tmp_path):
    code = verification_code(read_seals(job)[-1])

    def put_back(copy):
        by_sql(copy, f"DELETE FROM events WHERE seq > {FIRST}")
        seal_lines(copy, lambda lines: lines[:1])

    last = named_by(job)[-1]
    verdict = verdict_after(job, tmp_path / "c", raw(key), put_back)
    assert f"Clip {last} of entry 6 was removed" in verdict.faults[0]  # the sound taken out after the first seal is missed
    called = CliRunner().invoke(main, ["verify", str(tmp_path / "c"), "--code", code])
    assert called.exit_code == 1 and "The seal with that code is not here" in called.stdout


CLIP_CHANGES = [
    ("removed", lambda folder, clips: (folder / f"{clips[1]}.flac").unlink(), lambda clips: f"Clip {clips[1]} of entry 4 was removed"),
    ("emptied", lambda folder, clips: (folder / f"{clips[0]}.flac").write_bytes(b""), lambda clips: f"Clip {clips[0]} of entry 2 was changed"),
    ("swapped", lambda folder, clips: swap(folder / f"{clips[0]}.flac", folder / f"{clips[1]}.flac"), lambda clips: f"Clip {clips[0]} of entry 2 was changed"),
    ("added", lambda folder, clips: (folder / f"{'a' * 64}.flac").write_bytes(b"x"), lambda clips: f"clips/{'a' * 64}.flac is named by no entry"),
    ("hidden", lambda folder, clips: (folder / ".notes").write_bytes(b"x"), lambda clips: "clips/.notes is named by no entry"),
    ("renamed", lambda folder, clips: (folder / f"{clips[0]}.flac").rename(folder / f"{clips[0]}.FLAC"), lambda clips: f"Clip {clips[0]} of entry 2 was removed"),
    ("a folder for a file", lambda folder, clips: ((folder / f"{clips[0]}.flac").unlink(), (folder / f"{clips[0]}.flac").mkdir()), lambda clips: f"Clip {clips[0]} of entry 2 cannot be read"),
    ("all removed", lambda folder, clips: shutil.rmtree(folder), lambda clips: f"Clip {clips[0]} of entry 2 was removed"),
]


def swap(one, other):
    first, second = one.read_bytes(), other.read_bytes()
    one.write_bytes(second)
    other.write_bytes(first)


@pytest.mark.parametrize(("change", "named"), [row[1:] for row in CLIP_CHANGES], ids=[row[0] for row in CLIP_CHANGES])
def test_changed_clips(job, key, tmp_path, change, named):
    clips = named_by(job)
    verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy: change(copy / "clips", clips))
    assert named(clips) in verdict.faults[0] and not verdict.ok


@pytest.mark.parametrize("change", [lambda path: path.unlink(), lambda path: path.write_bytes(path.read_bytes() + b"\n"), lambda path: path.write_bytes(b"")])
def test_a_changed_procedure(job, key, tmp_path, change):
    verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy: change(copy / "procedure.yaml"))
    assert "procedure.yaml was" in verdict.faults[0] and not verdict.ok


def test_other_files_are_told_but_harm_nothing(job, key, tmp_path):
    verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy: (copy / "notes.txt").write_text("x"))
    assert verdict.ok and verdict.notes == ("notes.txt is no part of the record.",)


def test_a_removed_journal(job, key, tmp_path):
    verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy: (copy / DATABASE).unlink())
    assert "The journal of" in verdict.faults[0]
    with pytest.raises(JournalError, match="There is no journal"):
        verify_job(tmp_path)


def test_bytes_of_the_journal(job, key, tmp_path):
    """A sample; scripts/bench_faults changes every byte. What is not reported leaves every column of every entry as it was."""
    size = (job / DATABASE).stat().st_size
    data = (job / DATABASE).read_bytes()
    # Where the entries lie, and anywhere.
    inside = [place for place in range(size) if data[place]]
    sample = sorted({*range(0, 100, 3), *random.Random(1).sample(inside, 250), *random.Random(2).sample(range(size), 80)})
    count = flip_each(job, tmp_path / "c", DATABASE, raw(key), iter(sample), (0x01, 0x80))
    assert count.tried == 2 * len(sample) == count.found + count.neutral
    assert count.found > len(sample) / 2


def test_every_value_of_the_entries_is_covered_byte_by_byte(job, key, tmp_path):
    """Each byte of the text of one entry, as it lies in the file."""
    data = (job / DATABASE).read_bytes()
    text = b'{"clips":["' + named_by(job)[0].encode() + b'"],"corrects":null,"unit":"mm","value":"0.50"}'
    place = data.index(text)
    around = range(place - 60, place + len(text) + 128)  # kind, times and zone before it, both hashes after it
    count = flip_each(job, tmp_path / "c", DATABASE, raw(key), around, (0x01,))
    assert count.neutral <= 2, count  # a record's header can spell the same value in two ways


@pytest.mark.parametrize("file", [SEALS, "procedure.yaml", "clips"])
def test_every_byte_of_the_other_files(job, key, tmp_path, file):
    files = [f"clips/{path.name}" for path in sorted((job / "clips").iterdir())] if file == "clips" else [file]
    for name in files:
        count = flip_each(job, tmp_path / "c", name, raw(key), range((job / name).stat().st_size), (0x01,))
        assert count.found == count.tried > 20


def test_a_file_cut_short_anywhere_is_reported(job, key, tmp_path):
    for name in (DATABASE, SEALS, "procedure.yaml"):
        data = (job / name).read_bytes()
        for place in random.Random(3).sample(range(len(data)), 12):
            verdict = verdict_after(job, tmp_path / "c", raw(key), lambda copy, name=name, place=place: (copy / name).write_bytes((copy / name).read_bytes()[:place]))
            # Cut to nothing, seals are as good as removed: then nothing is proven.
            assert not verdict.ok


def test_entries_after_the_seal_are_unsealed(job, key, tmp_path):
    def add(copy):
        with Journal.open(copy) as journal:
            journal.append("amended", {})

    verdict = verdict_after(job, tmp_path / "c", raw(key), add)
    assert verdict.ok and verdict.unsealed_events == 1 and f"from entry {ALL + 1} on" in verdict.notes[0]


# --- the command ---


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setenv("GLOVESIDE_STORE", str(tmp_path / "jobs"))
    monkeypatch.setenv("GLOVESIDE_KEYS", str(tmp_path / "keys"))
    directory = small_job(tmp_path / "jobs" / "2026-03-02-P104-01", load_or_make_key(tmp_path / "keys"))

    def call(*arguments):
        return CliRunner().invoke(main, ["verify", *arguments])

    return call, directory


def test_the_command_tells_proven_changed_and_unproven_apart(shop, tmp_path):
    call, directory = shop
    done = call(directory.name)
    assert done.exit_code == 0 and f"{ALL} entries, 3 sounds (1 of them taken out)" in done.stdout
    code = verification_code(read_seals(directory)[-1])
    assert code in done.stdout and call(directory.name, "--code", code).exit_code == 0
    assert "not the newest" not in call(directory.name, "--code", code).stdout
    older = call(directory.name, "--code", verification_code(read_seals(directory)[0]))
    assert older.exit_code == 0 and f"it shows entries 1 to {FIRST};" in older.stdout
    assert call(directory.name, "--code", code[:-1] + "x").exit_code == 1
    shutil.copytree(directory, tmp_path / "elsewhere")
    assert call(str(tmp_path / "elsewhere"), "--keys", str(tmp_path / "none")).exit_code == 9
    assert call(str(tmp_path / "elsewhere"), "--keys", str(tmp_path / "none"), "--public-key", str(tmp_path / "keys" / "seal.pub")).exit_code == 0
    by_sql(tmp_path / "elsewhere", "UPDATE events SET kind = 'x' WHERE seq = 2")
    changed = call(str(tmp_path / "elsewhere"))
    assert changed.exit_code == 1 and "Entry 2 of" in changed.stdout
    (directory / SEALS).unlink()
    assert call(directory.name).exit_code == 9
    assert call("2026-03-02-P104-09").exit_code == 6
    assert call(directory.name, "--public-key", str(directory / "procedure.yaml")).exit_code == 5


