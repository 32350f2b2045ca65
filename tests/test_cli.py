"""The command line as its users meet it: contracts of its output, exit codes, and one clear sentence for bad input."""

import csv
import io
import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from assistant.cli import main
from assistant.record.journal import Journal
from tests.support import ROOT

FLANGE = str(ROOT / "procedures" / "bolted-flange.yaml")
PUMP = str(ROOT / "procedures" / "diaphragm-pump-one-inch.yaml")
HEAR_KEYS = ["file", "text", "intent", "value", "unit", "confidence", "rejected", "seconds_audio", "seconds_compute", "engine"]

UP_TO_THE_TIMER = """
begin the job
understood
next step
both locked
next step
zero bar
affirm
understood
next step
next step
record a finding
gasket
cut or torn
replace
torn on the inner edge
affirm
next step
faces are clean
next step
point four millimetres
affirm
next step
next step
pass is done
pass is done
pass is done
one hundred and thirty eight newton metres
affirm
next step
next step
i release this hold
next step
start the timer
"""
AFTER_THE_TIMER = """
next step
joint is dry
finish the job
affirm
"""


@pytest.fixture
def gloveside(tmp_path, monkeypatch):
    monkeypatch.setenv("GLOVESIDE_STORE", str(tmp_path / "jobs"))

    def call(*arguments: str, input: str = ""):
        return CliRunner().invoke(main, arguments, input=input)

    return call


def one_sentence(text: str) -> bool:
    line = text.strip()
    return "\n" not in line and "Traceback" not in line and line.endswith((".", "?"))


def spoken(folder: Path, words: str, name: str = "said.wav") -> Path:
    path = folder / name
    subprocess.run(["flite", "-voice", "rms", "-t", words, "-o", str(path)], check=True)
    return path


# --- hear and phrases: contracts ---


@pytest.mark.parametrize(
    "words, intent, value, unit",
    [("next step", "next", None, None), ("forty two point five newton metres", "value", 42.5, "N.m"), ("one hundred and twenty inch pounds", "value", 120, "lbf.in"), ("fifteen thou", "value", 15, "thou"), ("twelve", "value", 12, None)],
)
def test_hear_gives_one_json_line_a_file(gloveside, tmp_path, words, intent, value, unit):
    path = spoken(tmp_path, words)
    lines = gloveside("hear", str(path), str(path), "--json").stdout.splitlines()
    assert len(lines) == 2
    heard = json.loads(lines[0])
    assert list(heard) == HEAR_KEYS
    assert (heard["file"], heard["text"], heard["intent"], heard["value"], heard["unit"], heard["rejected"]) == (str(path), words, intent, value, unit, False)
    assert heard["engine"].startswith("phones") and 0 < heard["confidence"] <= 1
    assert heard["seconds_audio"] == pytest.approx(soundfile.info(path).duration, abs=0.01)
    assert heard["seconds_compute"] > 0


@pytest.mark.parametrize("rate, channels, subtype", [(8000, 1, "PCM_16"), (22050, 2, "PCM_16"), (44100, 1, "PCM_24"), (48000, 2, "FLOAT"), (96000, 1, "PCM_U8")])
def test_hear_reads_any_rate_and_channel_count(gloveside, tmp_path, rate, channels, subtype):
    import soxr

    samples, own = soundfile.read(spoken(tmp_path, "record a finding"))
    samples = soxr.resample(samples, own, rate)
    path = tmp_path / "other.wav"
    soundfile.write(path, np.stack([samples] * channels, axis=1), rate, subtype=subtype)
    assert json.loads(gloveside("hear", str(path), "--json").stdout)["intent"] == "finding"


def test_hear_uses_the_words_of_a_step(gloveside, tmp_path):
    path = spoken(tmp_path, "faces are clean")
    assert json.loads(gloveside("hear", str(path), "--json").stdout)["rejected"]
    heard = json.loads(gloveside("hear", str(path), "--procedure", FLANGE, "--step", "faces", "--json").stdout)
    assert (heard["text"], heard["intent"], heard["rejected"]) == ("faces are clean", "answer", False)


def test_what_is_rejected_has_no_intent_and_no_value(gloveside, tmp_path):
    heard = json.loads(gloveside("hear", str(spoken(tmp_path, "did you see the game last night")), "--json").stdout)
    assert (heard["rejected"], heard["intent"], heard["value"], heard["unit"], heard["confidence"]) == (True, None, None, None, pytest.approx(0, abs=0.001))


def test_phrases_is_a_list_of_phrase_and_intent(gloveside):
    rows = json.loads(gloveside("phrases", "--json").stdout)
    assert all(list(row) == ["phrase", "intent"] for row in rows)
    assert {"phrase": "next step", "intent": "next"} in rows
    here = json.loads(gloveside("phrases", "--procedure", FLANGE, "--step", "faces", "--json").stdout)
    assert {"phrase": "scratched across", "intent": "answer"} in here
    assert {"phrase": "gasket", "intent": "answer"} in here


def test_every_phrase_is_understood_when_typed_back(gloveside):
    from assistant.engine.expect import general_vocabulary
    from assistant.language.vocabulary import Vocabulary
    from tests.support import EN

    grammar = Vocabulary(EN).grammar(general_vocabulary())
    for row in json.loads(gloveside("phrases", "--json").stdout):
        assert grammar.match(row["phrase"]).kind == row["intent"]


# --- a whole job, typed ---


COMMAND = [str(Path(sys.executable).with_name("gloveside")), "run"]
QUIET = ["--listen", "typed", "--speak", "silent"]


def at_keyboard(store: Path, procedure: Path | str = FLANGE) -> subprocess.Popen:
    """A job in a process of its own, waiting for typed phrases."""
    return subprocess.Popen([*COMMAND, str(procedure), "--asset", "F7", "--technician", "Kim", *QUIET], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT, env={**os.environ, "GLOVESIDE_STORE": str(store)})


def type_in(process: subprocess.Popen, phrases: str, until: str) -> None:
    """Type phrases, then wait for a line that holds `until`."""
    process.stdin.write(phrases)
    process.stdin.flush()
    watchdog = threading.Timer(60, process.kill)
    watchdog.start()
    for line in process.stdout:
        if until in line:
            watchdog.cancel()
            return
    pytest.fail(f"{until!r} never came; {process.stderr.read()}")


def test_a_typed_job_ends_in_a_record_in_three_forms(gloveside, tmp_path):
    quick = tmp_path / "quick-flange.yaml"
    quick.write_text(Path(FLANGE).read_text().replace("seconds: 600", "seconds: 1"))
    process = at_keyboard(tmp_path / "jobs", quick)
    # The timer is called out while nobody types.
    type_in(process, UP_TO_THE_TIMER, "timer done")
    _, errors = process.communicate(AFTER_THE_TIMER, timeout=60)
    assert process.returncode == 0, errors
    job = next((tmp_path / "jobs").iterdir()).name
    record = json.loads(gloveside("report", job).stdout)
    assert (record["status"], record["people"]["technician"], record["asset"]) == ("closed", "Kim", "F7")
    values = {value["check"]: (value["value"], value["unit"], value["verdict"]) for step in record["steps"] for value in step["values"]}
    assert values == {"gauge": (0, "bar", "within"), "gap": (0.4, "mm", "within"), "torque": (138, "N.m", "within")}
    said = [answer["said"] for step in record["steps"] for answer in step["answers"]]
    assert said == ["both locked", "faces are clean", "joint is dry"]
    finding = record["findings"][0]
    assert (finding["part"], finding["condition"], finding["disposition"], finding["remark"]) == ("gasket", "cut or torn", "replace", "torn on the inner edge")
    rows = list(csv.DictReader(io.StringIO(gloveside("report", job, "--format", "csv").stdout)))
    assert [row["kind"] for row in rows] == ["answer", "value", "finding", "answer", "value", "pass", "pass", "pass", "value", "answer"]
    out = tmp_path / "record.html"
    assert gloveside("report", job, "--format", "html", "--out", str(out)).exit_code == 0
    assert "Service record: F7" in out.read_text() and "torn on the inner edge" in out.read_text()
    assert job in gloveside("records").stdout and "closed" in gloveside("records").stdout


def run_flange(gloveside, *more: str, input: str = ""):
    return gloveside("run", FLANGE, "--asset", "F7", *QUIET, *more, input=input)


def test_a_broken_off_job_is_resumed_at_its_step(gloveside, tmp_path):
    first = run_flange(gloveside, input=UP_TO_THE_TIMER)
    assert first.exit_code == 8 and one_sentence(first.stderr) and "--resume" in first.stderr
    second = run_flange(gloveside, "--resume", input="where are we\n")
    assert second.exit_code == 8 and "Raise the pressure" in second.stdout
    assert len(list((tmp_path / "jobs").iterdir())) == 1


def test_nothing_is_lost_when_the_process_is_killed(gloveside, tmp_path):
    process = at_keyboard(tmp_path / "jobs")
    type_in(process, "begin the job\nunderstood\nnext step\nboth locked\n", "Open the drain")
    process.send_signal(signal.SIGKILL)
    process.wait()
    job = next((tmp_path / "jobs").iterdir())
    assert [event.body["said"] for event in Journal.read(job).events() if event.kind == "answer"] == ["both locked"]
    again = run_flange(gloveside, "--resume", input="where are we\n")
    assert again.exit_code == 8 and "Open the drain" in again.stdout


def test_a_second_process_is_kept_out(gloveside, tmp_path):
    process = at_keyboard(tmp_path / "jobs")
    type_in(process, "", "Say: begin the job")
    second = run_flange(gloveside, "--resume")
    process.communicate("", timeout=60)
    assert second.exit_code == 7 and one_sentence(second.stderr), second.stderr


def test_a_job_from_a_recording_with_prompts_written_as_sound(gloveside, tmp_path):
    """Eight phrases of a technician on one tape, silence between; each prompt becomes a WAV file."""
    phrases = ["begin the job", "understood", "next step", "both locked", "next step", "zero bar", "affirm", "pause the job", "called away"]
    tape = []
    for phrase in phrases:
        samples, rate = soundfile.read(spoken(tmp_path, phrase))
        tape += [samples, np.zeros(int(1.2 * rate))]
    path, prompts = tmp_path / "tape.wav", tmp_path / "prompts"
    soundfile.write(path, np.concatenate(tape), rate)
    done = gloveside("run", FLANGE, "--asset", "F7", "--listen", str(path), "--speak", str(prompts))
    assert done.exit_code == 8, done.output
    events = Journal.read(next((tmp_path / "jobs").iterdir())).events()
    assert [event.body["text"] for event in events if event.kind == "heard"] == phrases
    value = next(event.body for event in events if event.kind == "value")
    assert (float(value["value"]), value["unit"], value["verdict"]) == (0, "bar", "within")
    assert next(event.body for event in events if event.kind == "paused")["reason"] == "called"
    written = sorted(prompts.glob("*.wav"))
    assert len(written) >= 12 and all(soundfile.info(item).duration > 0.2 for item in written)


# --- bad input: one clear sentence and a code ---


def broken_procedure(folder: Path) -> str:
    path = folder / "broken.yaml"
    path.write_text(Path(FLANGE).read_text().replace("instruction:", "instructon:", 1))
    return str(path)


@pytest.mark.parametrize("asset", ["", "  "])
def test_a_job_without_an_asset_is_not_begun(gloveside, tmp_path, asset):
    done = gloveside("run", FLANGE, "--asset", asset, *QUIET)
    assert done.exit_code == 2 and "give the tag of the machine" in done.stderr and not (tmp_path / "jobs").exists()


def test_a_missing_procedure(gloveside):
    done = gloveside("run", "no-such.yaml", "--asset", "A1")
    assert done.exit_code == 3 and one_sentence(done.stderr) and "no-such.yaml" in done.stderr


def test_a_broken_procedure_names_line_and_nearest_key(gloveside, tmp_path):
    path = broken_procedure(tmp_path)
    for command in (["run", path, "--asset", "A1"], ["check", path]):
        done = gloveside(*command)
        assert done.exit_code == 3
        assert f"{path}:" in done.output + done.stderr and '"instruction"' in done.output + done.stderr


def test_check_of_a_sound_procedure(gloveside):
    done = gloveside("check", FLANGE)
    assert (done.exit_code, done.stdout.strip()) == (0, f"{FLANGE}: in order")


def test_an_unreadable_sound_file_does_not_stop_the_others(gloveside, tmp_path):
    bad = tmp_path / "bad.wav"
    bad.write_bytes(b"RIFF not a sound")
    good = spoken(tmp_path, "next step")
    done = gloveside("hear", str(bad), str(good), str(tmp_path / "none.wav"), "--json")
    assert done.exit_code == 4
    assert [json.loads(line)["intent"] for line in done.stdout.splitlines()] == ["next"]
    errors = done.stderr.splitlines()
    assert len(errors) == 2 and "bad.wav" in errors[0] and "none.wav" in errors[1]
    assert all(one_sentence(error) for error in errors)


def test_no_vosk_model(gloveside, tmp_path):
    done = gloveside("run", FLANGE, "--asset", "A1", "--listen", "vosk", "--models", str(tmp_path), "--speak", "silent")
    assert done.exit_code == 4 and one_sentence(done.stderr) and "fetch_model" in done.stderr


def test_no_microphone(gloveside, tmp_path, monkeypatch):
    done = subprocess.run(
        [*COMMAND, FLANGE, "--asset", "A1", "--speak", "silent", "--listen", "phones", "--microphone", "no such microphone"],
        capture_output=True, text=True, cwd=ROOT, timeout=60, env={**os.environ, "GLOVESIDE_STORE": str(tmp_path / "jobs"), "PULSE_SERVER": "/nonexistent"},
    )  # fmt: skip
    assert done.returncode == 4 and one_sentence(done.stderr), done.stderr
    assert "microphone" in done.stderr
    assert not list((tmp_path / "jobs").glob("*"))


def test_an_unknown_job(gloveside):
    done = gloveside("report", "2026-01-01-X1-01")
    assert done.exit_code == 6 and one_sentence(done.stderr) and "no job has been started" in done.stderr
    run_flange(gloveside)
    done = gloveside("report", "2026-01-01-X1-01")
    assert done.exit_code == 6 and one_sentence(done.stderr) and "F7-01" in done.stderr


def test_an_unknown_step_names_the_nearest(gloveside):
    done = gloveside("phrases", "--procedure", FLANGE, "--step", "facs")
    assert done.exit_code == 3 and one_sentence(done.stderr) and "faces" in done.stderr


def test_an_unknown_language(gloveside):
    done = gloveside("phrases", "--language", "xx")
    assert done.exit_code == 3 and one_sentence(done.stderr)


def test_resume_without_a_job(gloveside):
    done = run_flange(gloveside, "--resume")
    assert done.exit_code == 6 and one_sentence(done.stderr)


def test_a_full_disk_stops_work_with_one_sentence(tmp_path):
    small = tmp_path / "small"
    small.mkdir()
    if os.geteuid() != 0 or subprocess.run(["mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", str(small)], capture_output=True).returncode:
        pytest.skip("mounting a small disk is not allowed here")
    try:
        script = "begin the job\nunderstood\nnext step\nboth locked\n" + "where are we\n" * 4000
        done = subprocess.run([*COMMAND, FLANGE, "--asset", "F7", *QUIET], input=script, capture_output=True, text=True, cwd=ROOT, timeout=300, env={**os.environ, "GLOVESIDE_STORE": str(small)})
        assert done.returncode == 5 and one_sentence(done.stderr), done.stderr
        assert "Recording has stopped" in done.stdout
        # What was confirmed before is still there.
        assert any(event.body.get("said") == "both locked" for event in Journal.read(next(path for path in small.iterdir() if path.is_dir())).events())
    finally:
        subprocess.run(["umount", "-l", str(small)], check=True)


# --- help, schema, completion, doctor, documentation ---


@pytest.mark.parametrize("name", sorted(main.commands))
def test_every_command_has_help_an_example_and_a_place_in_the_readme(gloveside, name):
    shown = gloveside(name, "--help")
    assert shown.exit_code == 0 and f"gloveside {name}" in shown.stdout.split("Examples:")[1]
    assert f"`gloveside {name}" in (ROOT / "README.md").read_text()


def test_the_command_line_offers_every_recogniser(gloveside):
    from assistant.cli import RECOGNISERS
    from assistant.speech.engines import KINDS

    assert RECOGNISERS == KINDS
    for name in ("run", "hear", "tune"):
        shown = gloveside(name, "--help").stdout
        assert all(kind in shown for kind in KINDS), name


def test_the_readme_names_every_phrase_of_the_english_pack():
    from tests.support import EN

    text = (ROOT / "README.md").read_text()
    assert [phrase for phrases in EN.commands.values() for phrase in phrases if phrase not in text] == []


def test_the_readme_and_the_help_give_the_exit_codes_of_the_errors(gloveside):
    from assistant import errors

    codes = {value.exit_code for value in vars(errors).values() if isinstance(value, type)}
    readme, shown = (ROOT / "README.md").read_text(), " ".join(gloveside("--help").stdout.split())
    assert all(f"; {code} " in readme and f", {code} " in shown for code in codes)


def test_schema_is_a_json_schema(gloveside):
    import jsonschema
    import yaml

    schema = json.loads(gloveside("schema").stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    data = json.loads(json.dumps(yaml.safe_load(Path(FLANGE).read_text()), default=str))
    assert list(validator.iter_errors(data)) == []
    data["stages"][0]["steps"][0]["instructon"] = "x"
    assert list(validator.iter_errors(data))


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion(gloveside, shell):
    assert "_GLOVESIDE_COMPLETE" in gloveside("completion", shell).stdout


def test_completion_script_is_good_bash(gloveside):
    assert subprocess.run(["bash", "-n"], input=gloveside("completion", "bash").stdout, text=True).returncode == 0


def test_doctor_says_how_to_mend_what_fails(gloveside, tmp_path, monkeypatch):
    shown = gloveside("doctor")
    lines = shown.stdout.splitlines()
    assert {"microphone", "loudspeaker", "recogniser", "model", "disk"} <= {line.split(":")[0].split(maxsplit=1)[1].strip().lower() for line in lines}
    assert shown.exit_code == (1 if any(line.startswith("ILL") for line in lines) else 0)
