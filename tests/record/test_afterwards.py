"""After a job: entries amended, questions asked, the record signed. Who may do what, and what the record shows of it."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from assistant.errors import CannotAmend, JobInUse, JournalError, NotAllowed, OpenPoints
from assistant.record import afterwards
from assistant.record.afterwards import amend, answer, ask, note_questions, open_questions, sign
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.record.kept import PROCEDURE_COPY, kept_plan
from assistant.record.people import DATABASE, Person
from assistant.record.report import write_record
from assistant.record.seal import load_or_make_key, read_seals
from assistant.record.service_record import service_record
from assistant.record.verify import verify_job
from tests.record.test_service_record import PLAN, WHOLE, keep
from tests.engine.test_figures_at_the_bench import JOB
from tests.support import EN

KIM, LEE = Person("Kim", frozenset({"technician"})), Person("Lee", frozenset({"technician"}))
ANA, BEN = Person("Ana", frozenset({"supervisor"})), Person("Ben", frozenset({"supervisor", "technician"}))
AUTHOR, GONE = Person("Una", frozenset({"author"})), Person("Gus", frozenset({"supervisor"}), disabled=True)
KIM_CHIEF = Person("kim", frozenset({"technician", "supervisor"}))
FINDING = [("record a finding", 0), ("ball", 0), ("worn", 0), ("use again", 0), ("a flat on one side", 0), ("affirm", 0)]
# A finding at the rod, and the finish of the job left out or kept.
DONE = [*WHOLE[:14], *FINDING, *WHOLE[14:]]
CLOCK = SimulatedClock(datetime(2026, 3, 3, 9, 0, tzinfo=UTC))


@pytest.fixture(scope="module")
def key(tmp_path_factory):
    return load_or_make_key(tmp_path_factory.mktemp("keys"))


@pytest.fixture(scope="module")
def finished(tmp_path_factory) -> Path:
    """The files of one finished job, made once."""
    folder = tmp_path_factory.mktemp("made") / "2026-03-02-P1-01"
    record = keep(folder, DONE)
    (folder / PROCEDURE_COPY).write_text(JOB)
    assert record["status"] == "closed" and len(record["findings"]) == 1
    write_record(record, folder, folder)
    return folder


@pytest.fixture
def job(finished, tmp_path) -> Path:
    folder = tmp_path / finished.name
    folder.mkdir()
    for path in finished.iterdir():
        if path.is_file() and path.suffix != ".lock":
            (folder / path.name).write_bytes(path.read_bytes())
    return folder


def record_of(job: Path) -> dict:
    return service_record(job, kept_plan(job), EN)


def value_of(record: dict, quantity: str, place: int = -1) -> dict:
    return [value for step in record["steps"] for value in step["values"] if value["quantity"] == quantity][place]


def all_named(job: Path) -> list[str]:
    return record_of(job)["open_points"]


# --- amendments ---


@pytest.mark.parametrize(
    "field, new, shown",
    [
        ("remark", "a flat on one side, and a crack", "a flat on one side, and a crack"),
        ("condition", "cracked", "cracked"),
        ("condition", "cut or torn", "cut or torn"),
        ("condition", "cut", "cut or torn"),
        ("disposition", "Replace", "replace"),
        ("remark", "  two\nlines \x07 ", "two lines"),
    ],
)
def test_a_finding_shows_what_was_put_right_and_keeps_the_old(job, key, field, new, shown):
    before = record_of(job)["findings"][0]
    written = Journal.read(job).events()
    amend(job, ANA, before["seq"], field, new, "looked at it again", CLOCK, key)
    record = record_of(job)
    after, note = record["findings"][0], record["amendments"][0]
    assert after[field] == shown and after["amended_by"] == [note["seq"]]
    assert note == {"seq": len(written) + 1, "at": note["at"], "who": "Ana", "role": "supervisor", "why": "looked at it again", "entry": before["seq"], "field": field, "old": before[field], "new": shown}
    # What stands in the journal stands as it was.
    assert Journal.read(job).events()[: len(written)] == written


def test_a_part_comes_from_the_parts_of_the_step(job, key):
    finding = record_of(job)["findings"][0]
    with pytest.raises(CannotAmend, match="choose from ball"):
        amend(job, ANA, finding["seq"], "part", "impeller", "wrong part", CLOCK, key)


@pytest.mark.parametrize(
    "quantity, field, new, value, unit, verdict",
    [
        # 13 N.m +/- 10 %: 11.7 to 14.3.
        ("torque", "value", "12.5", 12.5, "N.m", "within"),
        ("torque", "value", "15", 15.0, "N.m", "out"),
        ("torque", "value", "14.3", 14.3, "N.m", "within"),
        ("torque", "unit", "foot pounds", 13.0, "lbf.ft", "out"),
        ("torque", "unit", "lbf·in", 13.0, "lbf.in", "out"),
        # At least 19.9 mm with U = 0.01 mm.
        ("diameter", "value", "19.905", 19.905, "mm", "too close"),
        ("diameter", "value", "19.8", 19.8, "mm", "out"),
    ],
)
def test_an_amended_value_is_judged_again(job, key, quantity, field, new, value, unit, verdict):
    before = value_of(record_of(job), quantity)
    amend(job, KIM, before["seq"], field, new, "read off again", CLOCK, key)
    record = record_of(job)
    after = value_of(record, quantity)
    assert (after["value"], after["unit"], after["verdict"]) == (value, unit, verdict)
    assert after["as_recorded"] == {"value": before["value"], "unit": before["unit"], "verdict": before["verdict"]}
    assert any(quantity in point for point in record["open_points"] if "limit" in point) == (verdict in ("out", "too close"))


def test_a_figure_is_worked_out_again_from_an_amended_value(job, key):
    before = record_of(job)
    (figure,) = [figure for figure in before["computed"] if figure["figure"] == "leak"]
    # From 3 bar: 2 L, 5 min; 2.97 bar is a fall of 0.03 bar, 2.4 bar one of 0.6 bar: twenty times the leak.
    amend(job, KIM, value_of(before, "pressure", 1)["seq"], "value", "2.4", "misread", CLOCK, key)
    record = record_of(job)
    (again,) = [figure for figure in record["computed"] if figure["figure"] == "leak"]
    assert again["value"] == pytest.approx(20 * figure["value"], rel=2e-3) and again["verdict"] == "out"
    assert any("leak rate" in point for point in record["open_points"])


def test_wear_follows_the_amended_running_hours(job, key):
    before = record_of(job)
    (life,) = [figure for figure in before["computed"] if figure["figure"] == "rod-life"]
    # 800 h become 1600 h: worn as much in twice the time, so twice as long is left.
    amend(job, KIM, value_of(before, "running hours")["seq"], "value", "1600", "misread", CLOCK, key)
    (again,) = [figure for figure in record_of(job)["computed"] if figure["figure"] == "rod-life"]
    assert again["value"] == pytest.approx(2 * life["value"], rel=0.05)


def test_a_figure_that_cannot_be_worked_out_any_more_is_an_open_point(job, key):
    before = record_of(job)
    amend(job, KIM, value_of(before, "pressure", 1)["seq"], "value", "-2", "misread", CLOCK, key)
    record = record_of(job)
    (figure,) = [figure for figure in record["computed"] if figure["figure"] == "leak"]
    assert figure["verdict"] == "not known" and any("Cannot be worked out" in point and "leak rate" in point for point in record["open_points"])


def test_an_amended_count_is_held_against_what_is_due(job, key):
    (count,) = [count for count in record_of(job)["steps"][1]["counts"] if not count["corrected_by"]]
    amend(job, KIM, count["seq"], "value", "3", "one was lost", CLOCK, key)
    record = record_of(job)
    assert any(point.startswith("Count differs: long bolt, 3 counted, 4 due") for point in record["open_points"])


def test_the_old_value_is_the_one_in_force_whoever_says_otherwise(job, key):
    torque = value_of(record_of(job), "torque")["seq"]
    amend(job, KIM, torque, "value", "12.5", "read again", CLOCK, key)
    amend(job, ANA, torque, "value", "12.9", "read a third time", CLOCK, key)
    assert [(note["old"], note["new"]) for note in record_of(job)["amendments"]] == [("13", "12.5"), ("12.5", "12.9")]


@pytest.mark.parametrize(
    "what, field, new, why, wrong",
    [
        ("finding", "condition", "a bit worn", "x", "choose from sound"),
        ("finding", "disposition", "sell", "x", "choose from use again"),
        ("finding", "value", "3", "x", "cannot be amended in this entry"),
        ("finding", "clips", "3", "x", "cannot be amended in this entry"),
        ("finding", "remark", "   ", "x", "1 to 2000 characters"),
        ("finding", "remark", "a" * 2001, "x", "1 to 2000 characters"),
        ("finding", "remark", "a crack", " ", "Give a reason"),
        ("finding", "condition", "worn", "x", "already"),
        ("torque", "value", "12,5", "x", "number in digits"),
        ("torque", "value", "1e3", "x", "number in digits"),
        ("torque", "value", "NaN", "x", "number in digits"),
        ("torque", "value", "13.00 N.m", "x", "number in digits"),
        ("torque", "unit", "bar", "x", "choose from N.m, lbf.in, lbf.ft"),
        ("torque", "remark", "ok", "x", "it has value, unit"),
        ("torque", "verdict", "within", "x", "cannot be amended in this entry"),
        ("count", "value", "3.5", "x", "whole number"),
        ("count", "value", "-3", "x", "whole number"),
        ("corrected", "value", "4", "x", "amend that one"),
        ("start", "said", "yes", "x", "no answer, value, count or finding"),
        ("nothing", "said", "yes", "x", "no answer, value, count or finding"),
    ],
)
def test_what_does_not_fit_the_entry_is_refused_and_nothing_is_added(job, key, what, field, new, why, wrong):
    record = record_of(job)
    counts = record["steps"][1]["counts"]
    seq = {"finding": record["findings"][0]["seq"], "torque": value_of(record, "torque")["seq"], "count": counts[1]["seq"], "corrected": counts[0]["seq"], "start": 1, "nothing": 99_999}[what]
    with pytest.raises(CannotAmend, match=wrong):
        amend(job, ANA, seq, field, new, why, CLOCK, key)
    assert record_of(job) == record


@pytest.mark.parametrize(
    "who, allowed, role",
    [(ANA, True, "supervisor"), (KIM, True, "technician"), (KIM_CHIEF, True, "technician"), (BEN, True, "supervisor"), (LEE, False, ""), (AUTHOR, False, ""), (GONE, False, "")],
    ids=lambda who: getattr(who, "name", None),
)
def test_who_may_amend_before_a_supervisor_signs(job, key, who, allowed, role):
    seq = record_of(job)["findings"][0]["seq"]
    if allowed:
        assert amend(job, who, seq, "condition", "cracked", "seen", CLOCK, key).body["role"] == role
    else:
        with pytest.raises(NotAllowed):
            amend(job, who, seq, "condition", "cracked", "seen", CLOCK, key)


def test_a_technician_amends_no_more_once_a_supervisor_has_signed(job, key):
    seq = record_of(job)["findings"][0]["seq"]
    sign(job, PLAN, EN, ANA, "supervisor", all_named(job), CLOCK, key)
    with pytest.raises(NotAllowed, match="A supervisor has signed"):
        amend(job, KIM, seq, "condition", "cracked", "seen", CLOCK, key)
    # Even where that signature no longer stands.
    amend(job, ANA, seq, "condition", "cracked", "seen", CLOCK, key)
    with pytest.raises(NotAllowed, match="A supervisor has signed"):
        amend(job, KIM, seq, "condition", "bent", "seen", CLOCK, key)


def test_a_job_that_runs_is_left_to_its_bench(job, key, monkeypatch):
    monkeypatch.setattr(afterwards, "PATIENCE_S", 0.1)
    with Journal.open(job, CLOCK), pytest.raises(JobInUse):
        amend(job, ANA, record_of(job)["findings"][0]["seq"], "condition", "cracked", "seen", CLOCK, key)


def test_an_unfinished_job_is_neither_amended_nor_signed(tmp_path, key):
    folder = tmp_path / "2026-03-02-P1-02"
    keep(folder, DONE[:25])
    (folder / PROCEDURE_COPY).write_text(JOB)
    seq = record_of(folder)["findings"][0]["seq"]
    with pytest.raises(NotAllowed, match="not finished"):
        amend(folder, ANA, seq, "condition", "cracked", "seen", CLOCK, key)
    with pytest.raises(NotAllowed, match="not finished"):
        sign(folder, PLAN, EN, ANA, "supervisor", all_named(folder), CLOCK, key)


def test_a_question_about_an_unfinished_job_does_not_seal_it(tmp_path, key):
    folder = tmp_path / "2026-03-02-P1-03"
    keep(folder, DONE[:25])
    (folder / PROCEDURE_COPY).write_text(JOB)
    ask(folder, ANA, "Which edge was torn?", None, CLOCK, key)
    assert read_seals(folder) == [] and not verify_job(folder).sealed
    assert open_questions(tmp_path, "Kim") == [(folder.name, folder, 1, "Which edge was torn?")]


def test_the_written_record_and_the_seal_follow(job, key):
    seq = record_of(job)["findings"][0]["seq"]
    amend(job, ANA, seq, "remark", "a crack at the seam", "heard again", CLOCK, key)
    assert json.loads((job / "record.json").read_text())["findings"][0]["remark"] == "a crack at the seam"
    assert "a crack at the seam" in (job / "record.html").read_text()
    assert len(read_seals(job)) == 1 and verify_job(job).ok
    amend(job, ANA, seq, "condition", "cracked", "seen", CLOCK, key)
    assert len(read_seals(job)) == 2 and verify_job(job).ok and record_of(job)["seal"]["events"] == len(Journal.read(job).events())


def test_nobody_adds_to_a_job_that_was_changed_after_its_seal(job, key):
    seq = record_of(job)["findings"][0]["seq"]
    amend(job, ANA, seq, "condition", "cracked", "seen", CLOCK, key)
    (job / PROCEDURE_COPY).write_text(JOB.replace("at_most: 20", "at_most: 90"))
    with pytest.raises(JournalError, match="not as it was sealed"):
        sign(job, PLAN, EN, ANA, "supervisor", all_named(job), CLOCK, key)


@pytest.mark.parametrize("field, new", [("value", "NaN"), ("value", "a lot"), ("unit", "bar"), ("unit", "furlongs"), ("verdict", "within"), ("clips", "x"), ("__class__", "x")])
def test_an_amendment_from_elsewhere_that_fits_nothing_changes_nothing(job, field, new):
    before = record_of(job)
    with Journal.open(job, CLOCK) as journal:
        journal.append("amended", {"who": "Eve", "role": "supervisor", "why": "x", "entry": value_of(before, "torque")["seq"], "field": field, "old": "", "new": new})
    after = record_of(job)
    assert value_of(after, "torque")["value"] == value_of(before, "torque")["value"] and after["amendments"][0]["who"] == "Eve"


# --- signatures ---


def with_open_point(job: Path, key) -> list[str]:
    amend(job, KIM, value_of(record_of(job), "torque")["seq"], "value", "15", "read off again", CLOCK, key)
    points = all_named(job)
    assert len(points) >= 1
    return points


@pytest.mark.parametrize("left_out", [0, -1])
def test_open_points_have_to_be_named_one_by_one(job, key, left_out):
    with_open_point(job, key)
    ask(job, ANA, "Which side?", None, CLOCK, key)
    points = all_named(job)
    assert len(points) == 3
    missing = points[left_out]
    with pytest.raises(OpenPoints) as wrong:
        sign(job, PLAN, EN, KIM, "technician", [point for point in points if point != missing] + ["Something else"], CLOCK, key)
    assert missing in str(wrong.value) and sum(point in str(wrong.value) for point in points) == 1
    assert record_of(job)["signatures"] == []
    sign(job, PLAN, EN, KIM, "technician", points, CLOCK, key)
    assert record_of(job)["signatures"][0]["open_points"] == points


def test_a_signature_names_what_it_covers(job, key):
    events = Journal.read(job).events()
    signed = sign(job, PLAN, EN, KIM, "technician", all_named(job), CLOCK, key)
    assert (signed.body["covers"], signed.body["covers_hash"]) == (len(events), events[-1].hash)
    (shown,) = record_of(job)["signatures"]
    assert (shown["who"], shown["role"], shown["stands"], shown["statement"]) == ("Kim", "technician", True, EN.prompts["signed_technician"])


@pytest.mark.parametrize(
    "who, role, wrong",
    [
        (KIM, "supervisor", "cannot sign as supervisor"),
        (LEE, "technician", "work of Kim"),
        (BEN, "technician", "work of Kim"),
        (ANA, "technician", "cannot sign as technician"),
        (AUTHOR, "supervisor", "cannot sign as supervisor"),
        (ANA, "author", "cannot sign as author"),
        (AUTHOR, "author", "cannot sign as author"),
        (ANA, "", "cannot sign as nobody"),
        (GONE, "supervisor", "no longer log in"),
        (KIM_CHIEF, "supervisor", "reviewed by somebody else"),
    ],
    ids=lambda value: getattr(value, "name", None),
)
def test_who_may_not_sign(job, key, who, role, wrong):
    with pytest.raises(NotAllowed, match=wrong):
        sign(job, PLAN, EN, who, role, all_named(job), CLOCK, key)
    assert record_of(job)["signatures"] == []


def test_an_amendment_takes_the_ground_from_signatures_before_it(job, key):
    seq = record_of(job)["findings"][0]["seq"]
    sign(job, PLAN, EN, KIM, "technician", all_named(job), CLOCK, key)
    sign(job, PLAN, EN, ANA, "supervisor", all_named(job), CLOCK, key)
    with pytest.raises(NotAllowed, match="signed this job already"):
        sign(job, PLAN, EN, KIM, "technician", all_named(job), CLOCK, key)
    amend(job, ANA, seq, "condition", "cracked", "seen", CLOCK, key)
    assert [signature["stands"] for signature in record_of(job)["signatures"]] == [False, False]
    sign(job, PLAN, EN, KIM, "technician", all_named(job), CLOCK, key)
    assert [signature["stands"] for signature in record_of(job)["signatures"]] == [False, False, True]


def test_nobody_signs_in_both_roles(job, key):
    sign(job, PLAN, EN, BEN, "supervisor", all_named(job), CLOCK, key)
    # Ben takes over at the bench afterwards: not even then.
    with Journal.open(job, CLOCK) as journal:
        journal.append("job_reopened", {"technician": "Ben"})
    with pytest.raises(NotAllowed, match="both roles"):
        sign(job, PLAN, EN, BEN, "technician", all_named(job), CLOCK, key)


# --- questions ---


def test_a_question_waits_for_its_technician_and_is_answered_once(job, key, tmp_path):
    finding = record_of(job)["findings"][0]["seq"]
    ask(job, ANA, "Which side was flat?", finding, CLOCK, key)
    ask(job, ANA, "Was it the old kit?", None, CLOCK, key)
    assert open_questions(tmp_path, "KIM ") == [(job.name, job, 1, "Which side was flat?"), (job.name, job, 2, "Was it the old kit?")]
    assert open_questions(tmp_path, "Lee") == []
    answer(job, "Kim", 1, "The outer side.", (), CLOCK, key)
    assert [number for _, _, number, _ in open_questions(tmp_path, "Kim")] == [2]
    first, second = record_of(job)["questions"]
    assert (first["text"], first["about"], first["who"]) == ("Which side was flat?", finding, "Ana")
    assert (first["answer"]["who"], first["answer"]["text"]) == ("Kim", "The outer side.") and second["answer"] is None
    assert "Not answered: Was it the old kit?" in record_of(job)["open_points"]
    with pytest.raises(CannotAmend, match="answered by Kim already"):
        answer(job, "Kim", 1, "Or the inner.", (), CLOCK, key)


@pytest.mark.parametrize(
    "act, wrong",
    [
        (lambda job, key: ask(job, KIM, "Why?", None, CLOCK, key), "only a supervisor asks"),
        (lambda job, key: ask(job, GONE, "Why?", None, CLOCK, key), "no longer log in"),
        (lambda job, key: ask(job, ANA, " ", None, CLOCK, key), "Give a question"),
        (lambda job, key: ask(job, ANA, "Why?", 99_999, CLOCK, key), "no entry 99999"),
        (lambda job, key: ask(job, ANA, "Why?", 1, CLOCK, key), "no entry 1 "),
        (lambda job, key: answer(job, "Kim", 7, "So.", (), CLOCK, key), "no question 7"),
        (lambda job, key: (ask(job, ANA, "Why?", None, CLOCK, key), answer(job, "Lee", 1, "So.", (), CLOCK, key)), "its question is for Kim"),
        (lambda job, key: (ask(job, ANA, "Why?", None, CLOCK, key), answer(job, "", 1, "So.", (), CLOCK, key)), "its question is for Kim"),
        (lambda job, key: (ask(job, ANA, "Why?", None, CLOCK, key), answer(job, "Kim", 1, "", (), CLOCK, key)), "Give an answer"),
    ],
)
def test_a_question_or_answer_that_is_refused(job, key, act, wrong):
    with pytest.raises((NotAllowed, CannotAmend), match=wrong):
        act(job, key)
    assert all(question["answer"] is None for question in record_of(job)["questions"])


def test_questions_of_a_job_from_elsewhere_are_asked_here_too(job, key, tmp_path):
    ask(job, ANA, "Why?", None, CLOCK, key)
    (tmp_path / DATABASE).unlink()
    assert open_questions(tmp_path, "Kim") == []
    note_questions(job)
    assert [text for *_, text in open_questions(tmp_path, "Kim")] == ["Why?"]


def test_a_damaged_job_keeps_nobody_from_the_next_one(job, key, tmp_path):
    ask(job, ANA, "Why?", None, CLOCK, key)
    (job / "journal.sqlite").write_bytes(b"broken" * 500)
    assert open_questions(tmp_path, "Kim") == []
