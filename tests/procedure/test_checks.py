"""What `gloveside check` finds: one slip in a sound procedure, one remark at its line."""

from pathlib import Path

import pytest

from assistant.procedure.checks import check_procedure
from assistant.procedure.plan import make_plan
from assistant.procedure.reader import parse_procedure, read_procedure
from assistant.session import check_file
from tests.support import FLANGE, PUMP, ROOT

SOUND = """procedure: small
title: Small job
revision: 1
date: 2026-01-05
asset_class: pump
tools: [{id: pick, name: pick}]
parts:
  - {id: ball, name: ball, count: 2}
  - {id: seal, name: seal, count: 2}
kits:
  - {id: kit, name: kit, contents: [{part: seal, count: 2}]}
fasteners:
  - {id: bolt, name: bolt, count: 4, thread: M10, strength: A2-70, kept: tray}
stages:
  - id: work
    title: Work
    steps:
      - id: open
        instruction: Loosen the bolts and lift the cover.
        cautions: [{signal: warning, hazard: It sprays., consequence: It burns., avoidance: Vent first., act: loosen}]
        tools: [pick]
        fasteners_out: [{fastener: bolt, count: 4}]
        parts_out: [{part: ball, count: 2}, {part: seal, count: 2, discard: true}]
        checks:
          - {id: light, ask: Is light seen?, answers: [{say: no light}, {say: shining through, go_to: swap}]}
          - {id: size, ask: How big?, measure: {quantity: diameter, unit: mm, at_most: 3}}
      - {id: swap, instruction: Swap it., on_demand: true}
      - id: close
        instruction: Put it back.
        fasteners_in: [{fastener: bolt, count: 4}]
        parts_in: [{part: ball, count: 2}, {part: seal, count: 2, from: kit}]
        torque: {value: 20, unit: N.m}
        tightening: {order: crossing, count: 4}
"""


def remarks(text: str) -> list[str]:
    return [remark.at(Path("p.yaml")) for remark in check_procedure(parse_procedure(text.encode(), Path("p.yaml")))]


def test_a_sound_procedure_has_no_remark():
    assert remarks(SOUND) == []


@pytest.mark.parametrize(
    "old, new, line, words",
    [
        (", unit: N.m}\n        tight", "}\n        tight", 32, "has no unit; write unit: N.m"),
        ("unit: N.m", "unit: bar", 32, '"bar" is no unit of torque'),
        ("torque: {value: 20, unit: N.m}", "torque: {fastener: bolt}", 32, "needs value and unit, or fastener and lubrication"),
        ("value: 20", "value: 60", 32, "60 N.m takes the bolt M10x1.5 of A2-70, dry, to 115 percent"),
        ("parts_in: [{part: ball, count: 2}, ", "parts_in: [", 23, '"ball": 2 taken out, 0 put back or discarded'),
        ("parts_out: [{part: ball, count: 2}, ", "parts_out: [", 8, '"ball": 2 put back but never taken out'),
        ("fasteners_in: [{fastener: bolt, count: 4}]", "fasteners_in: [{fastener: bolt, count: 3}]", 13, '"bolt": 4 come out and 3 go back'),
        ("count: 4, thread", "count: 6, thread", 13, "the machine holds 6 but 4 come out"),
        ("{part: seal, count: 2, from: kit}", "{part: seal, count: 2, from: kit}, {part: seal, from: kit}", 11, "3 used, the kit holds 2"),
        (", {part: seal, count: 2, from: kit}]", "]", 11, 'the kit part "seal" is never used'),
        ("act: loosen", "act: lift off", 20, 'no instruction holds the words "lift off"'),
        ("Loosen the bolts and lift the cover.", "Warning, it sprays when you loosen it.", 19, "this is a warning, not an act"),
        ("Put it back.", "Put it back and take great care that each and every one of all its many small parts goes to its own place.", 29, "has 23 words"),
        ("tools: [pick]", "tools: [pik]", 21, 'there is no tool "pik"; did you mean "pick"?'),
        ("go_to: swap", "go_to: swop", 25, 'there is no step "swop"; did you mean "swap"?'),
        ("unit: mm", "unit: millimetre", 26, 'there is no unit "millimetre"'),
        ("at_most: 3", "at_most: 3, at_least: 4", 26, "at_least 4 is over at_most 3"),
        (", at_most: 3", "", 26, "has no limits"),
        ("[{say: no light}, {say: shining through, go_to: swap}]", "[{say: no light}]", 25, "has one answer only"),
        ("id: swap", "id: open", 18, 'the step id "open" is used more than once'),
        ("strength: A2-70", "strength: X9", 32, "the torque cannot be computed"),
        ("count: 4}\n", "count: 5}\n", 33, "tightening counts 5"),
    ],
)
def test_each_slip_is_found_at_its_line(old, new, line, words):
    assert SOUND.count(old) >= 1
    text = SOUND.replace(old, new) if not old.startswith("count: 4}\n") else SOUND[::-1].replace(old[::-1], new[::-1], 1)[::-1]
    found = remarks(text)
    assert any(remark.startswith(f"p.yaml:{line}:") and words in remark for remark in found), found


def test_a_caution_after_its_act_is_found():
    text = SOUND.replace("        cautions: [{signal: warning, hazard: It sprays., consequence: It burns., avoidance: Vent first., act: loosen}]\n", "").replace(
        "instruction: Put it back.", "instruction: Put it back.\n        cautions: [{signal: warning, hazard: It sprays., consequence: It burns., avoidance: Vent first., act: loosen}]"
    )
    assert any("comes after the act it warns of" in remark for remark in remarks(text))


def test_phrases_that_sound_alike_and_unknown_words_are_found(tmp_path):
    path = tmp_path / "p.yaml"
    path.write_text(SOUND.replace("shining through, go_to: swap", "know light, go_to: swap").replace("name: ball", "name: zorbflange"))
    found = [remark.text for remark in check_file(path, None, tmp_path)]
    assert any('"no light" and "know light" sound alike' in text for text in found), found
    assert any('no pronunciation for "zorbflange"' in text for text in found), found


@pytest.mark.parametrize("path", sorted((ROOT / "procedures").glob("*.yaml")), ids=lambda path: path.stem)
def test_shipped_procedures_are_in_order(path):
    assert check_file(path, None, ROOT / "models") == []


def test_instances_are_written_out_in_order():
    keys = [planned.key for planned in PUMP.steps]
    assert keys.index("manifolds-off@outlet/manifold-off") < keys.index("manifolds-off@inlet/manifold-off")
    assert keys.index("wet-strip@left/chamber-off") < keys.index("wet-strip@right/chamber-off")
    assert "{instance}" not in " ".join(planned.text(planned.step.instruction) for planned in PUMP.steps)
    assert len({planned.key for planned in PUMP.steps + PUMP.on_demand}) == len(PUMP.steps + PUMP.on_demand)


def test_a_jump_goes_to_the_same_place():
    origin = PUMP.by_key["ball-check@inlet/light-test@right"]
    assert PUMP.target("replace-ball", origin).key == "ball-check@inlet/replace-ball@right"


def test_trade_order_of_the_pump():
    """Order of work on a bolted diaphragm pump: common practice, no source."""
    keys = [planned.key for planned in make_plan(read_procedure(ROOT / "procedures" / "diaphragm-pump-one-inch.yaml").procedure).steps]
    order = [
        "make-safe/lock-air", "make-safe/vent-air", "make-safe/flush", "mark/mark-joints", "manifolds-off@outlet/manifold-off", "manifolds-off@inlet/manifold-off",
        "wet-strip@left/chamber-off", "wet-strip@right/plate-off", "air-strip/rod-out", "air-strip/muffler-off", "air-strip/valve-off", "air-strip/spool-out", "air-strip/snap-rings-out",
        "air-strip/pilot-out", "air-strip/bushes-out", "inspect/spool-friction", "ball-check@outlet/light-test@left", "air-build/bushes-in", "diaphragms-on/rod-in", "chambers-on@left/chamber-on",
        "manifolds-on@inlet/manifold-on", "settle/again@left", "prove/air-leak", "prove/low-strokes", "prove/wet-run", "prove/dead-head",
    ]  # fmt: skip
    assert [key for key in keys if key in order] == order


def test_long_bolts_stay_with_their_chamber():
    """Chamber bolts are longer than manifold bolts: common practice, no source."""
    chamber, manifold = (PUMP.procedure.fastener(name) for name in ("chamber-bolt", "manifold-bolt"))
    assert chamber.length_mm > manifold.length_mm
    assert "chamber" in chamber.kept
    assert FLANGE.procedure.fastener("flange-bolt").count == 8
