"""Voices: kept for findings and measurements only, taken out after a term or by request, with the fact left in their place."""

import base64
import hashlib
import io
import json
import re
import shutil
from datetime import timedelta
from pathlib import Path

import pytest
import soundfile

from assistant.bench import KEEPS_SOUND
from assistant.engine import events as e
from assistant.errors import CannotAmend, JobInUse, NotAllowed
from assistant.record import afterwards, retention
from assistant.record.afterwards import amend
from assistant.record.clips import kept_clips, read_clip, save_clip
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.record.kept import kept_plan, read_events
from assistant.record.people import Person
from assistant.record.report import as_html, write_record
from assistant.record.retention import forget, past_term
from assistant.record.seal import load_or_make_key
from assistant.record.service_record import service_record
from assistant.record.verify import verify_job
from tests.aloud import START, Writes, bench_at, sound, started
from tests.engine.test_figures_at_the_bench import JOB
from tests.record.test_afterwards import DONE
from tests.record.test_service_record import PLAN
from tests.support import EN

ANA, KIM = Person("Ana", frozenset({"supervisor"})), Person("Kim", frozenset({"technician"}))
ASIDES = [("what torque", 0), ("where are we", 0), ("we talk about lunch", 0), ("say again", 0)]


def spoken(folder: Path, phrases, transcriber=None, keeps: bool = True) -> Path:
    """A job done aloud, up to its end or the end of the phrases."""
    clock = SimulatedClock(START)
    bench = bench_at(folder, PLAN, JOB, (), transcriber=transcriber, clock=clock)
    bench.keeps_sound = keeps
    with bench.journal:
        bench.start(started(bench))
        for phrase, minutes in phrases:
            clock.advance(60 * minutes)
            bench.listener.phrases = [None, phrase] if minutes else [phrase]
            bench.run()
    return folder


@pytest.fixture(scope="module")
def key(tmp_path_factory):
    return load_or_make_key(tmp_path_factory.mktemp("keys"))


@pytest.fixture(scope="module")
def finished(tmp_path_factory) -> Path:
    """The files of one finished job, made once."""
    folder = spoken(tmp_path_factory.mktemp("made") / "2026-03-02-P1-01", DONE)
    write_record(service_record(folder, kept_plan(folder), EN), folder, folder)
    return folder


@pytest.fixture
def job(finished, tmp_path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / finished.name))


def record_of(job: Path) -> dict:
    return service_record(job, kept_plan(job), EN)


def sounds_of(page: str) -> bytes:
    """Every sample a page can play."""
    packed = [base64.b64decode(found) for found in re.findall(r'data:audio/[a-z]+;base64,([^"]+)', page)]
    return b"".join(soundfile.read(io.BytesIO(content), dtype="int16")[0].tobytes() for content in packed)


def at(days: float) -> SimulatedClock:
    """A clock so many days after the job."""
    return SimulatedClock(START + timedelta(days=days))


def test_sound_is_kept_of_findings_and_measurements_only(tmp_path):
    """Every clip on the disk answers a question of KEEPS_SOUND or gives a value; talk, commands and closed answers leave none."""
    job = spoken(tmp_path / "job", [*DONE[:4], *ASIDES, *DONE[4:]])
    events = read_events(job)
    named = {clip for _, event in events if isinstance(event, (e.Entry, e.ReadingTaken)) for clip in event.clips}
    assert set(kept_clips(job)) == named and len(named) > 10
    allowed = {hashlib.sha256(sound(text).tobytes()).hexdigest() for text, _ in DONE}
    kept = {hashlib.sha256(read_clip(job, clip).tobytes()).hexdigest() for clip in kept_clips(job)}
    unkept = {hashlib.sha256(sound(text).tobytes()).hexdigest() for text, _ in [*ASIDES, ("begin the job", 0), ("next step", 0), ("pass is done", 0), ("pause the job", 0), ("taking a break", 0)]}
    assert kept <= allowed and not kept & unkept
    assert {question for question in ("answer", "caution", "quiz", "pause_reason", "confirm_stage", "confirm_finish", "out_of_limits")} & KEEPS_SOUND == set()


def test_the_sound_of_what_came_to_no_entry_goes_when_the_job_is_closed(tmp_path):
    dropped = ["record a finding", "cover", "cracked", "never mind", "record a finding", "cover", "bent", "use again", "not that", "negative", "never mind"]
    phrases = [*DONE[:32], *((phrase, 0) for phrase in dropped), *DONE[32:]]
    open_job = spoken(tmp_path / "open", phrases[:-1])
    assert any((read_clip(open_job, clip) == sound("not that")).all() for clip in kept_clips(open_job))
    job = spoken(tmp_path / "closed", phrases)
    events = read_events(job)
    assert set(kept_clips(job)) == {clip for _, event in events if not isinstance(event, e.Question) for clip in getattr(event, "clips", ())}
    assert not any((read_clip(job, clip) == sound(text)).all() for clip in kept_clips(job) for text in ("not that", "bent", "cracked"))
    taken = [event for _, event in events if isinstance(event, e.ClipRemoved)]
    assert {(event.who, event.why) for event in taken} == {("Gloveside", "it came to no entry")} and record_of(job)["removed_clips"] == []


@pytest.mark.parametrize("words, transcript", [({"a flat on one side": "a flat on one side"}, "a flat on one side"), ({}, None)])
def test_without_consent_no_sound_reaches_the_disk(tmp_path, words, transcript):
    job = spoken(tmp_path / "job", DONE, transcriber=Writes(words), keeps=False)
    assert not (job / "clips").exists() and not list(job.rglob("*.flac"))
    (finding,) = record_of(job)["findings"]
    assert (finding["remark"], finding["remark_source"], finding["clips"]) == (None, "sound not kept", [])
    assert (finding["transcript"] or {}).get("text") == transcript
    assert "sound not kept" in as_html(record_of(job), job)


def test_one_sound_taken_out_leaves_its_hash_and_the_fact(job, key):
    clip = record_of(job)["findings"][0]["clips"][-1]
    samples, page = read_clip(job, clip).tobytes(), (job / "record.html").read_text()
    assert forget(job, ANA, [clip], "asked for by Kim", at(1), key) == [clip]
    assert clip not in kept_clips(job) and len(kept_clips(job)) > 5
    record = record_of(job)
    (gone,) = record["removed_clips"]
    assert (gone["sha256"], gone["who"], gone["why"], gone["at"][:10]) == (clip, "Ana", "asked for by Kim", "2026-03-03")
    assert clip in record["findings"][0]["clips"] and clip in {item["sha256"] for item in record["clips"]}
    assert verify_job(job).ok
    # The page carries sounds of its own: that one is gone from there too.
    after = (job / "record.html").read_text()
    assert samples in sounds_of(page) and samples not in sounds_of(after)
    assert clip in after and "2026-03-03" in after and "Ana" in after and "asked for by Kim" in after
    assert json.loads((job / "record.json").read_text())["removed_clips"] == record["removed_clips"]


def test_a_sound_left_behind_by_a_power_cut_can_be_taken_out_of_a_sealed_job(job, key):
    amend(job, ANA, record_of(job)["findings"][0]["seq"], "condition", "cracked", "seen", at(1), key)
    stray = str(save_clip(job, sound("half an answer"))["sha256"])
    assert not verify_job(job).ok
    assert forget(job, ANA, [stray], "left behind", at(1), key) == [stray] and verify_job(job).ok


def test_all_sound_of_a_job_goes_what_came_to_no_entry_too(job, key):
    stray = save_clip(job, sound("never mind that"))["sha256"]
    (job / "clips" / ".half.flac.99.part").write_bytes(b"half written")
    held = kept_clips(job)
    assert stray in held and sorted(forget(job, ANA, None, "kept for a year", at(400), key)) == held
    assert list((job / "clips").iterdir()) == []
    # One that no entry ever named is no part of the record: it just goes.
    assert [event.clip for _, event in read_events(job) if isinstance(event, e.ClipRemoved)] == [clip for clip in held if clip != stray]
    assert {one["sha256"] for one in record_of(job)["removed_clips"]} == set(held) - {stray}
    assert forget(job, ANA, None, "kept for a year", at(401), key) == [] and verify_job(job).ok


@pytest.mark.parametrize(
    "who, clips, why, wrong",
    [
        (KIM, None, "I want to", NotAllowed),
        (Person("Gus", frozenset({"supervisor"}), True), None, "I want to", NotAllowed),
        (ANA, None, " ", CannotAmend),
        (ANA, ["0" * 64], "no such", CannotAmend),
        (ANA, ["../../people"], "a way out", CannotAmend),
    ],
)
def test_what_may_not_be_taken_out_stays(job, key, who, clips, why, wrong):
    before = kept_clips(job)
    with pytest.raises(wrong):
        forget(job, who, clips, why, at(1), key)
    assert kept_clips(job) == before and record_of(job)["removed_clips"] == []


def test_a_path_in_the_events_of_a_job_from_elsewhere_reaches_no_other_file(job, key, tmp_path):
    (tmp_path / "precious.flac").write_bytes(b"not of this job")
    with Journal.open(job, at(1)) as journal:
        journal.append("skipped", e.StepSkipped("work/hours", "rest", ("../../precious",)).body())
    with pytest.raises(CannotAmend):
        forget(job, ANA, ["../../precious"], "a way out", at(1), key)
    forget(job, ANA, None, "all of it", at(1), key)
    assert (tmp_path / "precious.flac").exists()


def test_what_a_power_cut_left_behind_goes_the_next_time(job, key, monkeypatch):
    clip = kept_clips(job)[0]
    with monkeypatch.context() as cut:
        cut.setattr(retention, "delete_clips", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            forget(job, ANA, [clip], "asked for", at(1), key)
    # The fact is there, the file still is.
    assert clip in kept_clips(job) and len(record_of(job)["removed_clips"]) == 1
    assert forget(job, ANA, [clip], "asked for", at(1), key) == [clip]
    assert clip not in kept_clips(job) and len(record_of(job)["removed_clips"]) == 1


@pytest.mark.parametrize("days, term, found", [(10, 30, 0), (31, 30, 1), (29.9, 30, 0), (400, 365, 1), (1, 0, 1)])
def test_the_term_is_counted_from_the_end_of_the_job(job, days, term, found):
    old = past_term(job.parent, term, at(days))
    assert len(old) == found
    if old:
        assert old[0].directory == job and list(old[0].clips) == kept_clips(job) and old[0].only_form == 1


def test_a_remark_whose_words_are_written_down_is_not_lost_with_its_sound(job, key):
    amend(job, ANA, record_of(job)["findings"][0]["seq"], "remark", "a flat on one side", "heard again", at(1), key)
    assert past_term(job.parent, 30, at(60))[0].only_form == 0


def test_a_job_that_is_not_closed_keeps_its_sound(tmp_path):
    spoken(tmp_path / "2026-03-02-P1-01", DONE[:25])
    assert kept_clips(tmp_path / "2026-03-02-P1-01") and past_term(tmp_path, 30, at(400)) == []


def test_a_job_in_use_is_left_alone(job, key, monkeypatch):
    monkeypatch.setattr(afterwards, "PATIENCE_S", 0.1)
    before = kept_clips(job)
    with Journal.open(job, at(1)), pytest.raises(JobInUse):
        forget(job, ANA, None, "kept for a year", at(400), key)
    assert kept_clips(job) == before
