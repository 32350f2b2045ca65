"""The commands for people and for a job after its work, as their users meet them: passwords are never arguments, refusals are one sentence."""

import hashlib
import os
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from assistant.cli import main
from assistant.record.journal import Journal
from assistant.record.kept import kept_plan
from assistant.record.people import People
from assistant.record.report import write_record
from assistant.record.clips import kept_clips
from assistant.record.service_record import service_record
from assistant.record_cli import COMMANDS
from assistant.session import job_rows
from tests.record.test_afterwards import DONE
from tests.record.test_retention import spoken
from tests.support import EN, ROOT

JOB = "2026-03-02-P1-01"
KIM, ANA = "the bench is blue", "gauge number seven"


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Path:
    """A store with one job that Kim has done, Kim and a supervisor; made once."""
    store = tmp_path_factory.mktemp("shop")
    folder = spoken(store / JOB, DONE)
    write_record(service_record(folder, kept_plan(folder), EN), folder, folder)
    People(store).add("Kim", ["technician"], KIM)
    People(store).add("Ana", ["supervisor"], ANA)
    return store


@pytest.fixture
def store(shop, tmp_path) -> Path:
    return Path(shutil.copytree(shop, tmp_path / "jobs"))


@pytest.fixture
def gloveside(store, tmp_path, monkeypatch):
    monkeypatch.setenv("GLOVESIDE_STORE", str(store))
    monkeypatch.setenv("GLOVESIDE_KEYS", str(tmp_path / "keys"))

    def call(*arguments: str, input: str = ""):
        return CliRunner().invoke(main, arguments, input=input)

    return call


def record_of(store: Path) -> dict:
    return service_record(store / JOB, kept_plan(store / JOB), EN)


def finding(store: Path) -> str:
    return str(record_of(store)["findings"][0]["seq"])


def refused(done, words: str, code: int = 1) -> bool:
    lines = done.stderr.strip().splitlines()
    return done.exit_code == code and words in lines[-1] and "Traceback" not in done.output


def test_people_are_added_listed_changed_and_disabled(gloveside, store):
    assert gloveside("people", "add", "Lee", "--role", "technician", "--role", "author", "--password-stdin", input="a wrench and a rag\n").exit_code == 0
    shown = gloveside("people", "list").stdout
    assert "Lee" in shown and "author, technician" in shown and "not asked yet" in shown
    assert gloveside("people", "password", "lee", "--password-stdin", input="another wrench 5\r\n").exit_code == 0
    assert People(store).check("Lee", "another wrench 5") is not None
    assert gloveside("people", "disable", "Lee").exit_code == 0 and "disabled" in gloveside("people", "list").stdout
    assert People(store).check("Lee", "another wrench 5") is None


def test_a_new_password_is_asked_for_twice_and_not_shown(gloveside, store):
    done = gloveside("people", "add", "Lee", "--role", "technician", input="a wrench and a rag\na wrench and a bag\na wrench and a rag\na wrench and a rag\n")
    assert done.exit_code == 0 and "a wrench" not in done.output and People(store).check("Lee", "a wrench and a rag") is not None


def test_no_command_takes_a_password_as_an_argument():
    found = [*COMMANDS.values(), *COMMANDS["people"].commands.values()]
    options = {name for command in found for option in command.params for name in option.opts}
    assert {name for name in options if "password" in name} == {"--password-stdin"}


@pytest.mark.parametrize(
    "arguments, typed, words, code",
    [
        (["people", "add", "Lee", "--role", "technician", "--password-stdin"], "short", "10 to 200 characters", 1),
        (["people", "add", "kim", "--role", "technician", "--password-stdin"], "a wrench and a rag", "kim is here already", 1),
        (["people", "password", "Lee", "--password-stdin"], "a wrench and a rag", "there are Ana, Kim", 1),
        (["people", "password", "Kim"], "", "no terminal to type a password at", 2),
        (["amend", "2026-03-02-P1-99", "5", "remark", "x", "--why", "y", "--as", "Ana"], ANA, "There is no job", 6),
        (["amend", JOB, "5", "remark", "x", "--why", "y", "--as", "Ana"], "wrong password", "do not belong together", 1),
        (["amend", JOB, "5", "remark", "x", "--why", "y", "--as", "Nobody"], ANA, "do not belong together", 1),
        (["amend", JOB, "5", "remark", "x", "--why", "y", "--as", "Ana"], ANA, "no answer, value, count or finding", 1),
        (["ask", JOB, "Why?", "--as", "Kim"], KIM, "only a supervisor asks", 1),
        (["sign", JOB, "--role", "supervisor", "--as", "Kim"], KIM, "cannot sign as supervisor", 1),
        (["sign", JOB, "--role", "technician", "--as", "Ana"], ANA, "cannot sign as technician", 1),
        (["forget", "--job", JOB, "--why", "y", "--as", "Kim"], KIM, "ask a supervisor", 1),
        (["forget", "--older-than", "30", "--job", JOB], "", "--older-than DAYS, or --job JOB", 2),
        (["forget", "--older-than", "30"], "", "--as NAME and --why REASON", 2),
        (["forget", "--older-than", "30", "--clip", "0" * 64, "--dry-run"], "", "with or without --clip", 2),
        (["forget", "--job", JOB, "--clip", "0" * 64, "--why", "y", "--as", "Ana"], ANA, "holds no sound", 1),
    ],
)
def test_what_is_refused_is_refused_in_one_sentence(gloveside, store, arguments, typed, words, code):
    before = Journal.read(store / JOB).events()
    done = gloveside(*arguments, *(["--password-stdin"] if typed and "--password-stdin" not in arguments else []), input=typed and typed + "\n")
    assert refused(done, words, code), done.output
    assert Journal.read(store / JOB).events() == before


def test_six_wrong_passwords_say_how_long_to_wait(gloveside):
    for _ in range(5):
        gloveside("ask", JOB, "Why?", "--as", "Ana", "--password-stdin", input="wrong\n")
    done = gloveside("ask", JOB, "Why?", "--as", "Ana", "--password-stdin", input=ANA + "\n")
    assert refused(done, "too many wrong passwords for Ana; wait")
    assert "too many tries" in gloveside("people", "list", "--logins", "3").stdout


def test_a_finding_is_amended(gloveside, store):
    done = gloveside("amend", JOB, finding(store), "remark", "a flat by the seat", "--why", "heard again", "--as", "Kim", input=KIM + "\n")
    assert done.exit_code == 0, done.output
    assert KIM not in done.output and "is now a flat by the seat" in done.stdout
    assert record_of(store)["findings"][0]["remark"] == "a flat by the seat"


def test_a_question_is_asked_answered_and_the_job_signed_with_its_open_point(gloveside, store):
    gloveside("amend", JOB, finding(store), "disposition", "ask the supervisor", "--why", "unsure", "--as", "Kim", "--password-stdin", input=KIM + "\n")
    assert "Question 1 is asked" in gloveside("ask", JOB, "Which side?", "--about", finding(store), "--as", "Ana", "--password-stdin", input=ANA + "\n").stdout
    assert "Question 1 is answered" in gloveside("answer", JOB, "1", "The outer.", "--as", "Kim", "--password-stdin", input=KIM + "\n").stdout
    points = record_of(store)["open_points"]
    figure, referred = points
    assert referred == "For the supervisor: ball, worn"
    sign = ("sign", JOB, "--role", "technician", "--as", "Kim")
    assert refused(gloveside(*sign, "--password-stdin", input=KIM + "\n"), f"{figure}; {referred}")
    assert refused(gloveside(*sign, "--open-point", figure, "--password-stdin", input=KIM + "\n"), referred)
    assert refused(gloveside(*sign, input=f"{KIM}\ny\nn\n"), referred)
    assert gloveside(*sign, input=f"{KIM}\ny\ny\n").exit_code == 0
    named = [word for point in points for word in ("--open-point", point)]
    assert gloveside("sign", JOB, "--role", "supervisor", *named, "--as", "Ana", "--password-stdin", input=ANA + "\n").exit_code == 0
    assert [(signature["who"], signature["role"], signature["open_points"]) for signature in record_of(store)["signatures"]] == [("Kim", "technician", points), ("Ana", "supervisor", points)]
    assert status() == "closed, signed by supervisor and technician"
    gloveside("amend", JOB, finding(store), "remark", "a nick", "--why", "misheard", "--as", "Ana", "--password-stdin", input=ANA + "\n")
    assert status() == "closed"


def status() -> str:
    return next(row[-1] for row in job_rows(Path(os.environ["GLOVESIDE_STORE"])))


def test_nobody_in_the_list_is_said(gloveside, tmp_path):
    done = gloveside("people", "list", "--store", str(tmp_path / "empty"))
    assert done.exit_code == 0 and "Nobody is known here yet" in done.stderr and not done.stdout


def test_voices_are_taken_out_by_term(gloveside, store):
    # The job was closed in March 2026 by its simulated clock; the machine's clock may say anything later.
    clips = kept_clips(store / JOB)
    before = {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in (store / JOB).rglob("*.flac")}
    tried = gloveside("forget", "--older-than", "1", "--dry-run")
    assert f"{JOB}: {len(clips)} sounds would be taken out; 1 remark with no words written down" in tried.stdout
    assert {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in (store / JOB).rglob("*.flac")} == before
    done = gloveside("forget", "--older-than", "1", "--why", "kept for a day", "--as", "Ana", input=ANA + "\n")
    assert done.exit_code == 0 and f"{len(clips)} sounds taken out" in done.stdout
    assert kept_clips(store / JOB) == [] and len(record_of(store)["removed_clips"]) == len(clips)
    assert "No closed job older than 1 days holds sound." in gloveside("forget", "--older-than", "1", "--dry-run").stdout


def test_one_voice_is_taken_out_by_request(gloveside, store):
    clip = kept_clips(store / JOB)[0]
    assert gloveside("forget", "--job", JOB, "--clip", clip, "--why", "asked for by Kim", "--as", "Ana", input=ANA + "\n").exit_code == 0
    assert clip not in kept_clips(store / JOB)


def test_who_refused_is_asked_again(gloveside, store):
    People(store).agree("Kim", "The text.", False, JOB)
    assert "not kept, asked" in gloveside("people", "list").stdout
    assert gloveside("people", "voice", "Kim").exit_code == 0 and People(store).agreement("Kim") is None


@pytest.mark.parametrize("name", [*COMMANDS, *(f"people {name}" for name in COMMANDS["people"].commands)])
def test_every_command_has_help_an_example_and_a_place_in_the_readme(gloveside, name):
    shown = gloveside(*name.split(), "--help")
    assert shown.exit_code == 0
    if name != "people":
        assert f"gloveside {name}" in shown.stdout.split("Examples:")[1]
    assert f"`gloveside {name}" in (ROOT / "README.md").read_text()
