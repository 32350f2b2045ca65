"""Fragments and parameters: what is filled in, and errors that name the file in which they stand."""

import re
from pathlib import Path

import pytest

from assistant.procedure.checks import check_procedure
from assistant.procedure.reader import ProcedureFaults, parse_procedure, read_procedure

MAIN = """procedure: main
title: Main job
revision: 1
date: 2026-01-05
asset_class: pump
spec:
  bolts: 8
  torque: {value: 13, unit: N.m}
  machine: pump
tools: [{id: lock, name: lock}]
stages:
  - include: parts/safe.yaml
    with: {what: "the ${machine}"}
  - id: work
    title: Work
    steps:
      - include: parts/look.yaml
      - id: tighten
        instruction: Tighten the ${bolts} bolts.
        torque: ${torque}
        tightening: {count: "${bolts}"}
"""
SAFE = """fragment: safe
needs: [what]
tools: [{id: lock, name: lock}, {id: lamp, name: lamp}]
stages:
  - id: make-safe
    title: Make safe
    make_safe: true
    steps:
      - {id: lock, instruction: "Lock ${what}."}
"""
LOOK = """fragment: look
needs: [machine]
steps:
  - {id: look, instruction: "Look at the ${machine}."}
"""


@pytest.fixture
def folder(tmp_path) -> Path:
    (tmp_path / "parts").mkdir()
    (tmp_path / "main.yaml").write_text(MAIN)
    (tmp_path / "parts" / "safe.yaml").write_text(SAFE)
    (tmp_path / "parts" / "look.yaml").write_text(LOOK)
    return tmp_path


def faults(folder: Path) -> list[str]:
    with pytest.raises(ProcedureFaults) as caught:
        read_procedure(folder / "main.yaml")
    return str(caught.value).replace(str(folder), ".").splitlines()


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def test_fragments_and_parameters_are_filled_in(folder):
    procedure = read_procedure(folder / "main.yaml").procedure
    assert [stage.id for stage in procedure.stages] == ["make-safe", "work"]
    assert procedure.stages[0].steps[0].instruction == "Lock the pump."
    look, tighten = procedure.stages[1].steps
    assert look.instruction == "Look at the pump."
    assert tighten.instruction == "Tighten the 8 bolts." and tighten.tightening.count == 8
    assert (str(tighten.torque.value), tighten.torque.unit) == ("13", "N.m")
    # A tool that both name is there once.
    assert [tool.id for tool in procedure.tools] == ["lock", "lamp"]


def test_the_copy_kept_with_a_job_stands_alone(folder, tmp_path_factory):
    source = read_procedure(folder / "main.yaml")
    elsewhere = tmp_path_factory.mktemp("job") / "procedure.yaml"
    elsewhere.write_bytes(source.text)
    assert read_procedure(elsewhere).procedure == source.procedure
    assert b"include" not in source.text and b"${" not in source.text


def test_a_procedure_without_includes_is_kept_as_it_was_written():
    text = MAIN.replace("  - include: parts/safe.yaml\n    with: {what: \"the ${machine}\"}\n", "").replace("      - include: parts/look.yaml\n", "")
    text = text.replace("${bolts} bolts", "bolts").replace("torque: ${torque}", "detail: x").replace('{count: "${bolts}"}', "{count: 8}").replace("spec:\n  bolts: 8\n  torque: {value: 13, unit: N.m}\n  machine: pump\n", "")
    assert parse_procedure(text.encode(), Path("plain.yaml")).text == text.encode()


def test_one_procedure_serves_two_sizes(folder):
    change(folder / "main.yaml", "bolts: 8", "bolts: 12")
    assert read_procedure(folder / "main.yaml").procedure.stages[1].steps[1].tightening.count == 12


@pytest.mark.parametrize(
    ("file", "old", "new", "expected"),
    [
        ("main.yaml", "${bolts} bolts", "${bolt} bolts", './main.yaml:19:22: error: there is no parameter "bolt"; did you mean "bolts"?'),
        ("main.yaml", "torque: ${torque}", "detail: Use ${torque} here", './main.yaml:20:17: error: "torque" is more than one word and cannot stand inside a sentence; write ${torque} alone'),
        ("main.yaml", "parts/safe.yaml", "parts/save.yaml", "./main.yaml:12:14: error: There is no fragment at ./parts/save.yaml; check the name, or list the folder it should be in"),
        ("main.yaml", "parts/safe.yaml", "../safe.yaml", "./main.yaml:12:14: error: include names a file in or below .; write its path from this file"),
        ("main.yaml", "parts/safe.yaml", "/etc/passwd", "./main.yaml:12:14: error: include names a file in or below .; write its path from this file"),
        ("main.yaml", '    with: {what: "the ${machine}"}\n', "", './main.yaml:12:5: error: the fragment safe.yaml needs "what"; give it under with, or in the spec block'),
        ("main.yaml", "with: {what:", "with: {who: me, what:", './main.yaml:12:5: error: the fragment safe.yaml takes no "who"; it takes what'),
        ("main.yaml", "    with:", "    given:", './main.yaml:13:5: error: unknown key "given" beside include; known here: include, with'),
        ("parts/safe.yaml", "instruction: \"Lock ${what}.\"", "instructon: Lock.", './parts/safe.yaml:9:20: error: unknown key "instructon"; did you mean "instruction"?'),
        ("parts/safe.yaml", "${what}", "${wat}", './parts/safe.yaml:9:33: error: there is no parameter "wat"; did you mean "what"?'),
        ("parts/safe.yaml", "stages:\n", "stagez:\n", './parts/safe.yaml:4:1: error: unknown key "stagez" in a fragment; known here: fragment, needs, parts, protective_equipment, references, stages, steps, tools'),
        ("parts/safe.yaml", "title: Make safe\n", "title: [\n", "./parts/safe.yaml:8:10: error: this is not YAML"),
        ("main.yaml", "spec:\n  bolts: 8\n", "spec: 8\nspex:\n  bolts: 8\n", "./main.yaml:6:7: error: spec holds names and their values; write them as keys"),
    ],
)
def test_errors_name_their_own_file(folder, file, old, new, expected):
    change(folder / file, old, new)
    assert any(line.startswith(expected) for line in faults(folder)), faults(folder)


def test_files_that_include_each_other_are_refused(folder):
    change(folder / "parts" / "look.yaml", "steps:\n", "steps:\n  - include: again.yaml\n")
    (folder / "parts" / "again.yaml").write_text("fragment: again\nsteps:\n  - include: look.yaml\n    with: {machine: pump}\n")
    assert any("the files include each other in a ring (look.yaml > again.yaml > look.yaml); take one include out" in line and line.startswith("./parts/again.yaml:3:14") for line in faults(folder)), faults(folder)


def test_a_fragment_that_includes_itself_is_refused(folder):
    change(folder / "parts" / "look.yaml", "steps:\n", "steps:\n  - include: look.yaml\n")
    assert any("in a ring (look.yaml > look.yaml)" in line for line in faults(folder))


def test_a_link_out_of_the_folder_is_refused(folder, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "secret.yaml"
    outside.write_text(LOOK)
    (folder / "parts" / "link.yaml").symlink_to(outside)
    change(folder / "main.yaml", "parts/look.yaml", "parts/link.yaml")
    assert any("include names a file in or below" in line for line in faults(folder))


def test_remarks_on_sense_name_the_fragment_too(folder):
    change(folder / "parts" / "look.yaml", '"Look at the ${machine}."', '"' + "Look and look again " * 8 + '"')
    remarks = check_procedure(read_procedure(folder / "main.yaml"))
    assert any("32 words" in remark.text and remark.file.endswith("parts/look.yaml") and remark.line == 4 for remark in remarks), remarks


@pytest.mark.parametrize("deep", [9, 30])
def test_deep_nesting_ends(folder, deep):
    for number in range(deep):
        (folder / "parts" / f"f{number}.yaml").write_text(f"fragment: f\nsteps:\n  - include: f{number + 1}.yaml\n")
    (folder / "parts" / f"f{deep}.yaml").write_text("fragment: f\nsteps:\n  - {id: end, instruction: End.}\n")
    change(folder / "main.yaml", "parts/look.yaml", "parts/f0.yaml")
    assert any("nested more than 8 deep" in line for line in faults(folder))


def test_shipped_fragments_are_used():
    shipped = {path.name for path in (Path(__file__).parents[2] / "procedures" / "fragments").glob("*.yaml")}
    used = {Path(name).name for path in (Path(__file__).parents[2] / "procedures").rglob("*.yaml") for name in re.findall(r"include:\s*([\w./-]+)", path.read_text())}
    assert shipped == used
