"""A whole pump rebuild, spoken by a synthetic technician through the real recogniser, engine and journal; then the record is compared,
field by field, with what was said. The expected values stand in scripts/demo_job.yaml, written by hand."""

import json
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import pytest
import yaml

from assistant.engine.expect import step_vocabulary
from assistant.language.vocabulary import Vocabulary
from assistant.record.clips import read_clip
from assistant.record.journal import Journal
from assistant.speech.phone_recogniser import PhoneRecogniser
from tests.support import EN, PUMP, ROOT

SCRIPT = yaml.safe_load((ROOT / "scripts" / "demo_job.yaml").read_text())
LISTS = {"condition": EN.lists["conditions"], "disposition": EN.lists["dispositions"], "skip": EN.lists["skip_reasons"]}


def rehearse(out: Path, *more: str) -> dict:
    done = subprocess.run([sys.executable, "-m", "assistant.rehearse", "--out", str(out), "--plain-view", *more], cwd=ROOT, capture_output=True, text=True, timeout=1200)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr
    assert (out / "record.html").stat().st_size > 10_000 and (out / "journal.sqlite").exists()
    return json.loads((out / "record.json").read_text())


def listed(value):
    return value if isinstance(value, list) else [value]


def assert_record_is_what_was_said(record: dict) -> None:
    assert (record["asset"], record["people"]["technician"], record["status"]) == (SCRIPT["asset"], SCRIPT["technician"], "closed")
    assert [step["key"] for step in record["steps"] if step["key"] in PUMP.position] == [planned.key for planned in PUMP.steps]
    for step in record["steps"]:
        lines = SCRIPT["steps"].get(step["key"], {})
        assert step["status"] == ("skipped" if "skip" in lines else "done"), step["key"]
        # What stands: a misheard answer that was changed at once stays in the record, marked, and does not count.
        said, measured = defaultdict(list), defaultdict(list)
        for answer in step["answers"]:
            if not answer["corrected_by"]:
                said[answer["check"]].append(answer["said"])
        for value in step["values"]:
            if not value["corrected_by"]:
                measured[value["check"]].append((value["value"], value["unit"]))
        assert dict(said) == {check: listed(answers) for check, answers in (lines.get("answers") or {}).items()}, step["key"]
        wanted = {check: [(option["value"], option["unit"]) for option in listed(options)] for check, options in (lines.get("measured") or {}).items()}
        if "torque" in lines:
            wanted["torque"] = [(lines["torque"]["value"], lines["torque"]["unit"])]
        assert dict(measured) == wanted, step["key"]
        assert all(caution["acknowledged"] for caution in step["cautions"] if caution["signal"] in ("danger", "warning")), step["key"]
    findings = [(finding["step"], finding["part"], finding["condition"], finding["disposition"], finding["remark"], finding["remark_source"]) for finding in record["findings"] if not finding["corrected_by"]]
    assert findings == [
        (key, found["part"], LISTS["condition"][found["condition"]][0], LISTS["disposition"][found["disposition"]][0], None, "audio only" if found.get("remark") else "none")
        for key in (step["key"] for step in record["steps"])
        for found in SCRIPT["steps"].get(key, {}).get("findings", ())
    ]
    assert [(skip["step"], skip["reason"]) for skip in record["skipped"]] == [(key, LISTS["skip"][lines["skip"]][0]) for key, lines in SCRIPT["steps"].items() if "skip" in lines]


def assert_sound_is_kept(record: dict, directory: Path) -> None:
    """Every clip is there, and the first clip of a value, heard again, gives the value."""
    for clip in record["clips"]:
        assert len(read_clip(directory, clip["sha256"])) > 0.2 * 16_000
    recogniser, again = PhoneRecogniser(EN), 0
    for step in record["steps"]:
        grammar = Vocabulary(EN).grammar(step_vocabulary(PUMP, PUMP.by_key[step["key"]]))
        for value in step["values"]:
            # A value said anew after a "no" keeps the clips of both; the last but one is the value that was confirmed.
            intent = grammar.match(recogniser.hear(read_clip(directory, value["clips"][-2]), grammar).text)
            again += intent is not None and float(intent.value) == value["value"]
    values = sum(len(step["values"]) for step in record["steps"])
    assert values >= 20 and again >= values - 2  # a step's whole vocabulary is wider than that of its question


@pytest.fixture(scope="module")
def job(tmp_path_factory) -> tuple[dict, Path]:
    out = tmp_path_factory.mktemp("rehearsal") / "job"
    return rehearse(out), out


def test_a_whole_job_by_voice(job):
    assert_record_is_what_was_said(job[0])
    assert_sound_is_kept(*job)


@pytest.mark.microphone
def test_a_whole_job_through_a_microphone(tmp_path):
    record = rehearse(tmp_path / "job", "--microphone")
    assert_record_is_what_was_said(record)
    assert_sound_is_kept(record, tmp_path / "job")


def test_kits_are_accounted_for(job):
    """Each kit line balances by hand count: held = used + left (the procedure fits 2 diaphragms, 4 rings ...)."""
    lines = {(line["kit"], line["part"]): (line["held"], line["used"], line["left"]) for line in job[0]["kits"]}
    assert lines["wet kit", "front diaphragm"] == (2, 2, 0)
    assert lines["wet kit", "sealing ring"] == (4, 4, 0)
    assert lines["air kit", "round seal"] == (4, 4, 0)
    # Two repairs after the light test and the measurement took a ball and a seat each.
    assert lines["shop stock", "ball"] == (4, 2, 2)
    assert lines["shop stock", "valve seat"] == (4, 2, 2)
    assert all(held == used + left for held, used, left in lines.values())


def test_every_confirmed_entry_was_on_disk_before_its_prompt(job):
    """The journal's own order: what was heard, then the entry, then the next phrase; nothing out of time."""
    events = Journal.read(job[1]).events()
    assert [event.seq for event in events] == list(range(1, len(events) + 1))
    times = [event.at_utc for event in events]
    assert times == sorted(times)
    for before, event in zip(events, events[1:]):
        if event.kind in ("value", "finding"):
            # Only a spoken yes lets a value or a finding in.
            assert before.kind == "heard" and before.body["text"] in EN.confirm["yes"]
