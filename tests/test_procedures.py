"""Every shipped procedure: in order by its own checks, and done from end to end with typed phrases; the record is what was said."""

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
import yaml

from assistant.bench import Bench
from assistant.engine import events as e
from assistant.language.pack import load_pack
from assistant.procedure.plan import make_plan
from assistant.procedure.reader import read_procedure
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.record.report import as_csv, as_html
from assistant.record.service_record import service_record
from assistant.rehearsal import Technician, differences
from assistant.session import check_file
from assistant.speech.listen import EndOfInput
from assistant.speech.recognise import Heard
from assistant.speech.speak import SilentSpeaker
from tests.support import EN, ROOT

PROCEDURES = sorted((ROOT / "procedures").glob("*.yaml"))
SCRIPTS = {path.stem: path for path in (ROOT / "tests" / "jobs").glob("*.yaml")} | {"diaphragm-pump-one-inch": ROOT / "scripts" / "demo_job.yaml"}
MOST_TURNS = 2000


class Typist:
    """Types what the technician of a script would say, without sound; waits by setting the clock on."""

    def __init__(self, technician: Technician, clock: SimulatedClock):
        self._technician, self._clock = technician, clock
        self.bench: Bench | None = None
        self._before = None
        self._turns = 0

    def listen(self, grammar, timeout_s):
        state = self.bench.state
        if self._before is not None:
            self._technician.took(self._before, state)
        self._before = state
        self._turns += 1
        assert self._turns < MOST_TURNS, f"stuck at {state.step}, {state.question}"
        words = self._technician.words(state)
        if words is None:
            self._clock.advance(30)
            return None
        assert state.misses == 0, f"not understood at {state.step}, {state.question}"
        return Heard(words, 1.0, False, 0.0, 0.0, "typed", None)

    def deaf(self, yes): ...

    def notices(self):
        return []

    def close(self): ...


class Ears:
    """A display that keeps what was said."""

    def __init__(self):
        self.lines: list[str] = []

    def said(self, text):
        self.lines.append(text)

    def heard(self, heard): ...

    def recorded(self, event): ...

    def stands(self, plan, state, now_s): ...


def do_job(procedure: Path, script: dict, folder: Path, detail: str = "plain") -> tuple[dict, list[str]]:
    plan = make_plan(read_procedure(procedure).procedure)
    clock, ears = SimulatedClock(datetime(2026, 3, 2, 8, 0, tzinfo=UTC)), Ears()
    technician = Technician(script, plan, EN)
    with Journal.create(folder / "job", clock) as journal:
        typist = Typist(technician, clock)
        bench = Bench(plan, EN, journal, typist, SilentSpeaker(), ears, clock)
        typist.bench = bench
        bench.start(e.JobStarted("job", plan.procedure.procedure, plan.procedure.title, plan.procedure.revision, "0" * 64, technician.asset, technician.name, detail))
        try:
            assert bench.run()
        except EndOfInput:
            pytest.fail("the typist ran out of words")
    return service_record(folder / "job", plan, EN), ears.lines


def test_every_procedure_has_a_script():
    # The short flange is typed phrase by phrase in tests/test_cli.py.
    assert {path.stem for path in PROCEDURES} - SCRIPTS.keys() == {"bolted-flange"}


@pytest.mark.parametrize("path", PROCEDURES, ids=lambda path: path.stem)
def test_check_finds_nothing(path):
    assert [remark.at(path) for remark in check_file(path, None, ROOT / "models")] == []


@pytest.mark.parametrize("name", sorted(SCRIPTS))
def test_a_whole_job_typed(name, tmp_path):
    script = yaml.safe_load(SCRIPTS[name].read_text())
    record, said = do_job(ROOT / "procedures" / f"{name}.yaml", script, tmp_path)
    assert record["status"] == "closed"
    assert differences(script, record, load_pack("en")) == []
    assert all(step["status"] in ("done", "skipped") for step in record["steps"])
    assert all(line["still_out"] == 0 for line in record["fasteners"]), record["fasteners"]
    assert all(line["over"] == 0 for line in record["kits"]), record["kits"]
    assert as_csv(record).count("\n") > 5 and "Service record" in as_html(record)
    # Every figure is spoken in words with its unit; none is left for a voice to spell.
    assert [line for line in said if re.search(r"\d|N\.m|[{}#$]", line)] == []


@pytest.mark.parametrize("name", sorted(SCRIPTS))
def test_a_trainee_hears_reasons_and_gets_a_summary(name, tmp_path):
    script = yaml.safe_load(SCRIPTS[name].read_text())
    record, said = do_job(ROOT / "procedures" / f"{name}.yaml", script, tmp_path, "full")
    assert record["training"] is not None and any(line.startswith("Said again:") for line in said)
    plan = make_plan(read_procedure(ROOT / "procedures" / f"{name}.yaml").procedure)
    asked = sum(planned.step.quiz is not None for planned in plan.steps)
    assert len(record["training"]["questions"]) == record["training"]["right"] == asked


@pytest.mark.parametrize("name", sorted(SCRIPTS))
def test_make_safe_comes_before_the_work(name):
    plan = make_plan(read_procedure(ROOT / "procedures" / f"{name}.yaml").procedure)
    safe = [planned.stage.make_safe for planned in plan.steps]
    assert any(safe)
    # Nothing is unscrewed before the machine is safe.
    first = next((at for at, planned in enumerate(plan.steps) if planned.step.fasteners_out or planned.step.parts_out), len(safe))
    assert max(at for at, yes in enumerate(safe) if yes) < first


@pytest.mark.parametrize("path", PROCEDURES, ids=lambda path: path.stem)
def test_every_procedure_defers_to_the_maker(path):
    procedure = read_procedure(path).procedure
    assert any(word in procedure.defer_to.lower() for word in ("maker", "licensed"))
    assert procedure.protective_equipment and procedure.shop == "Tarn Valley Pump Shop"
