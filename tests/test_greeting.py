"""What is said before a job: consent to one's voice being kept, and questions about earlier jobs, by phrase."""

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from assistant import session
from assistant.cli import main
from assistant.engine import events as e
from assistant.greeting import Greeting
from assistant.record import afterwards
from assistant.record.afterwards import answer, ask, open_questions
from assistant.record.clips import read_clip
from assistant.record.journal import Journal
from assistant.record.kept import kept_plan, read_events
from assistant.record.people import People, Person
from assistant.record.seal import load_or_make_key
from assistant.record.service_record import service_record
from assistant.record.store import Store
from assistant.record.verify import verify_job
from assistant.speech.listen import EndOfInput
from tests.aloud import Aloud, Writes, bench_at, sound, started
from tests.engine.test_figures_at_the_bench import JOB
from tests.record.test_afterwards import CLOCK, DONE
from tests.record.test_retention import spoken
from tests.record.test_service_record import PLAN
from tests.support import EN, ROOT

ANA = Person("Ana", frozenset({"supervisor"}))
ASKED = EN.prompts["consent"]


@pytest.fixture(scope="module")
def key(tmp_path_factory):
    return load_or_make_key(tmp_path_factory.mktemp("keys"))


@pytest.fixture(scope="module")
def earlier(tmp_path_factory) -> Path:
    return spoken(tmp_path_factory.mktemp("made") / "2026-03-02-P9-01", DONE)


@pytest.fixture
def store(earlier, tmp_path) -> Path:
    """A shop with one job that Kim has done."""
    shutil.copytree(earlier, tmp_path / earlier.name)
    return tmp_path


def begin(store: Path, key, *phrases, name: str = "2026-03-04-P1-01", technician: str = "Kim", consent: bool = True, typed: bool = False, transcriber=None):
    """Begin a job, or take it up again, after the talk; (bench, what was left for the job)."""
    new = not (store / name).exists()
    bench = bench_at(store / name, PLAN, JOB, phrases, typed, transcriber)
    greeting, left = Greeting(bench, technician, store, lambda: key, consent), []
    try:
        if new:
            bench.start(started(bench, technician), lambda: left.append(greeting.talk()))
        else:
            left.append(greeting.talk())
            bench.reopen(technician)
    finally:
        bench.journal.close()
    return bench, left[0]


def consents(bench) -> list[e.Consent]:
    return [event for _, event in read_events(bench.journal.directory) if isinstance(event, e.Consent)]


# --- consent ---


@pytest.mark.parametrize(
    "phrases, keeps, said",
    [
        (["affirm"], True, "Then it is kept."),
        (["negative"], False, "Then no sound is kept."),
        (["never mind"], False, "Then no sound is kept."),
        (["a lorry goes by", "say again", "yes"], True, "Then it is kept."),
    ],
)
def test_on_first_use_a_technician_is_asked_before_anything_else(store, key, phrases, keeps, said):
    bench, left = begin(store, key, *phrases)
    lines = [line for line in bench.display.lines if not line.startswith(">")]
    assert lines[0] == ASKED and any(line.startswith(said) for line in lines) and left is None
    assert bench.keeps_sound is keeps and lines.index(ASKED) < next(place for place, line in enumerate(lines) if "Say: begin the job." in line)
    (consent,) = consents(bench)
    assert (consent.technician, consent.given, consent.text) == ("Kim", keeps, ASKED)
    assert People(store).agreement("kim").given is keeps
    # The job is on the disk before a word is said, so that no empty one is left by somebody who walks away.
    assert [event.kind for event in Journal.read(bench.journal.directory).events()][:2] == ["job_started", "consent"]


@pytest.mark.parametrize("said", ["affirm", "negative"])
def test_the_next_job_asks_no_more_and_says_in_its_record_what_was_agreed(store, key, said):
    begin(store, key, said)
    bench, _ = begin(store, key, name="2026-03-05-P1-01")
    assert ASKED not in bench.display.lines and bench.keeps_sound is (said == "affirm")
    (consent,) = consents(bench)
    assert consent.given is (said == "affirm") and consent.text == f"{ASKED} (Asked in job 2026-03-04-P1-01, 2026-03-02.)"


def test_a_job_taken_up_again_asks_its_technician_no_more_but_another_one(store, key):
    begin(store, key, "negative", technician="")
    bench, _ = begin(store, key, technician="")
    assert ASKED not in bench.display.lines and bench.keeps_sound is False and len(consents(bench)) == 1
    bench, _ = begin(store, key, "affirm", technician="Lee")
    assert ASKED in bench.display.lines and [(consent.technician, consent.given) for consent in consents(bench)] == [("", False), ("Lee", True)]


def test_a_technician_without_a_name_is_asked_at_every_job(store, key):
    begin(store, key, "affirm", technician="")
    bench, _ = begin(store, key, "negative", technician="", name="2026-03-05-P1-01")
    assert ASKED in bench.display.lines and bench.keeps_sound is False


def test_other_words_are_asked_about_anew(store, key):
    People(store).agree("Kim", "Some earlier wording.", True, "2026-01-01-P1-01")
    bench, _ = begin(store, key, "negative")
    assert ASKED in bench.display.lines and bench.keeps_sound is False


def test_who_is_to_be_asked_again_is(store, key):
    begin(store, key, "negative")
    People(store).ask_again("Kim")
    bench, _ = begin(store, key, "affirm", name="2026-03-05-P1-01")
    assert bench.keeps_sound is True


def test_a_typed_job_asks_nothing(store, key):
    bench, _ = begin(store, key, consent=False, typed=True)
    assert ASKED not in bench.display.lines and consents(bench) == [] and bench.keeps_sound


def test_an_input_that_ends_gives_no_consent(store, key):
    with pytest.raises(EndOfInput):
        begin(store, key)
    assert People(store).agreement("Kim") is None
    assert [event.kind for event in Journal.read(store / "2026-03-04-P1-01").events()] == ["job_started"]


# --- questions ---


@pytest.fixture
def asked(store, key) -> Path:
    directory = store / "2026-03-02-P9-01"
    ask(directory, ANA, "Which side was flat?", None, CLOCK, key)
    People(store).agree("Kim", ASKED, True, "2026-03-01-P1-01")
    return directory


def answer_of(directory: Path):
    return service_record(directory, kept_plan(directory), EN)["questions"][0]["answer"]


def test_a_question_is_spoken_and_answered_in_free_words(store, asked, key):
    bench, left = begin(store, key, "yes", "the one by the seat", "yes", transcriber=Writes({"the one by the seat": "the one by the seat"}))
    assert any(f"Ana asks about {bench.plan.procedure.title}, asset P one: Which side was flat?" in line for line in bench.display.lines)
    found = answer_of(asked)
    assert (found["who"], found["text"], len(found["clips"])) == ("Kim", "the one by the seat (written down by whisper)", 1)
    # Its sound lies in the job that was asked about, sealed with it.
    assert (read_clip(asked, found["clips"][0]) == sound("the one by the seat")).all() and verify_job(asked).ok
    assert open_questions(store, "Kim") == [] and left is None
    assert "Your answer is kept." in bench.display.lines
    # The job that begins has none of it.
    assert not any(isinstance(event, (e.ReviewAnswer, e.Transcribed)) for _, event in read_events(bench.journal.directory))


@pytest.mark.parametrize(
    "phrases, words",
    [
        (["yes", "by the seat", "yes"], ""),
        (["yes", "by the set", "no", "by the seat", "yes"], ""),
        (["mumble", "say again", "yes", "by the seat", "mumble", "yes"], ""),
    ],
)
def test_without_words_the_sound_stands_and_a_slip_is_said_again(store, asked, key, phrases, words):
    begin(store, key, *phrases)
    found = answer_of(asked)
    assert found["text"] == words and (read_clip(asked, found["clips"][0]) == sound("by the seat")).all() and len(found["clips"]) == 1


@pytest.mark.parametrize("phrases", [["no"], ["never mind"], ["yes", "never mind"], ["yes", "by the seat", "never mind"]])
def test_a_question_may_be_left_open(store, asked, key, phrases):
    bench, left = begin(store, key, *phrases)
    assert answer_of(asked) is None and "The question stays open." in bench.display.lines and left is None
    again, _ = begin(store, key, "no", name="2026-03-05-P1-01")
    assert any("Which side was flat?" in line for line in again.display.lines)


def test_who_begins_the_job_instead_is_not_held_up(store, asked, key):
    bench, left = begin(store, key, "begin the job")
    assert left.text == "begin the job" and answer_of(asked) is None


def test_a_typed_answer_is_kept_as_typed(store, asked, key):
    begin(store, key, "yes", "By the seat.", "yes", consent=False, typed=True)
    assert (answer_of(asked)["text"], answer_of(asked)["clips"]) == ("By the seat.", [])


@pytest.mark.parametrize("words, kept", [({"by the seat": "by the seat"}, "by the seat (written down by whisper)"), ({}, None)])
def test_without_consent_an_answer_is_kept_in_words_or_not_at_all(store, asked, key, words, kept):
    People(store).agree("Kim", ASKED, False, "2026-03-01-P1-01")
    clips = sorted((asked / "clips").iterdir())
    bench, _ = begin(store, key, "yes", "by the seat", "yes", transcriber=Writes(words))
    found = answer_of(asked)
    assert (found and found["text"]) == kept and sorted((asked / "clips").iterdir()) == clips
    assert ("That cannot be kept here. Answer on the review page." in bench.display.lines) == (kept is None)


def test_somebody_else_is_not_asked(store, asked, key):
    People(store).agree("Lee", ASKED, True, "2026-03-01-P1-01")
    bench, _ = begin(store, key, technician="Lee")
    assert not any("Which side" in line for line in bench.display.lines)


def test_a_question_about_the_job_that_goes_on_is_answered_in_it(store, key):
    begin(store, key, "affirm")
    running = store / "2026-03-04-P1-01"
    ask(running, ANA, "Is it the old kit?", None, CLOCK, key)
    begin(store, key, "yes", "it is", "yes")
    assert answer_of(running)["who"] == "Kim" and open_questions(store, "Kim") == []


def test_a_job_that_cannot_be_written_leaves_the_question_open(store, asked, key, monkeypatch):
    monkeypatch.setattr(afterwards, "PATIENCE_S", 0.1)
    with Journal.open(asked, CLOCK):
        bench, _ = begin(store, key, "yes", "by the seat", "yes")
    assert "That cannot be kept here. Answer on the review page." in bench.display.lines and answer_of(asked) is None


def test_a_question_that_looks_like_a_reference_is_said_as_it_is(store, asked, key):
    answer(asked, "Kim", 1, "by the seat", (), CLOCK, key)
    ask(asked, ANA, "#3 bolt {thread}?", None, CLOCK, key)
    bench, _ = begin(store, key, "no")
    assert any("3 bolt {thread}?" in line for line in bench.display.lines)


# --- as `gloveside run` does it ---


def run(store: Path, monkeypatch, phrases: list[str], listen: str, *more: str):
    """`gloveside run` with a listener of phrases in place of a microphone or a keyboard."""
    monkeypatch.setenv("GLOVESIDE_STORE", str(store))
    monkeypatch.setenv("GLOVESIDE_KEYS", str(store.parent / "keys"))
    monkeypatch.setattr(session, "make_listener", lambda *_: (None, Aloud(phrases, typed=listen == "typed")))
    return CliRunner().invoke(main, ["run", str(ROOT / "procedures" / "bolted-flange.yaml"), "--asset", "F7", "--technician", "Kim", "--listen", listen, "--speak", "silent", *more])


def test_a_run_at_the_microphone_asks_consent_then_questions_then_goes_on(store, key, monkeypatch):
    directory = store / "2026-03-02-P9-01"
    ask(directory, ANA, "Which side was flat?", None, CLOCK, key)
    done = run(store, monkeypatch, ["affirm", "yes", "by the seat", "yes", "begin the job"], "vosk")
    assert done.exit_code == 8, done.output  # the phrases end before the job does
    said = done.output
    assert said.index("Do you agree?") < said.index("Which side was flat?") < said.index("Your answer is kept.") < said.index("Say: begin the job.") < said.rindex("begin the job")
    assert len(answer_of(directory)["clips"]) == 1


def test_a_typed_run_asks_its_questions_only_and_a_script_is_not_swallowed(store, key, monkeypatch):
    directory = store / "2026-03-02-P9-01"
    ask(directory, ANA, "Which side was flat?", None, CLOCK, key)
    done = run(store, monkeypatch, ["begin the job", "understood"], "typed")
    assert "Do you agree?" not in done.output and "Which side was flat?" in done.output
    # The first phrase went to the job, not into an answer.
    assert answer_of(directory) is None and "understood" in done.output
    events = [event for job, found in Store(store).jobs() if job != directory.name for _, event in read_events(found)]
    assert any(isinstance(event, e.StepEntered) for event in events)


def test_a_run_that_ends_during_the_talk_can_be_resumed_and_asks_again(store, key, monkeypatch):
    assert run(store, monkeypatch, [], "vosk").exit_code == 8
    done = run(store, monkeypatch, ["negative", "begin the job"], "vosk", "--resume")
    assert done.exit_code == 8 and "Then no sound is kept." in done.output and People(store).agreement("Kim").given is False
