"""What a printed service record says, and in what order: summary first, then open points, findings, results, accounts, signatures, seal; the steps last.

Everything comes from the record; what it does not hold is said to be missing, never filled in.
"""

import io
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

import segno

from assistant.figures.units import digits, unit_symbol
from assistant.record import proofs
from assistant.record.blocks import Blanks, Block, Code, Column, Document, Line, Part, Points, Row, Section, Words, printable, row, small, table
from assistant.record.steps_table import steps_blocks

Sound = Callable[[list[str]], str | None]
"""Gives the sound of an entry's clips as a data address; None where there is none to play."""

SIGNERS = ("technician", "supervisor")


def contents(record: dict[str, Any], sound: Sound | None = None) -> Document:
    """The document of a record; `sound` gives a page its sounds, and without it none are looked for."""
    record = printable(record)
    procedure = record["procedure"]
    return Document(
        title=f"Service record: {record['asset']}",
        shop=record["shop"],
        subtitle=f"{procedure['title']}, revision {procedure['revision']}",
        job=record["job"],
        author=record["people"]["technician"],
        when=record["finished"] or record["started"],
        summary=tuple(_summary(record)),
        facts=tuple(_facts(record)),
        sections=tuple(_sections(record, sound)),
        foot=(record["defer_to"], f"Journal of {record['journal']['events']} entries, last hash {record['journal']['last_hash']}. Procedure file SHA-256 {procedure['sha256']}. Written by Gloveside {record['gloveside']}."),
    )


def when(text: str | None, none: str = "") -> str:
    return datetime.fromisoformat(text).strftime("%Y-%m-%d %H:%M:%S UTC") if text else none


def _summary(record: dict[str, Any]) -> list[str]:
    done = f"was carried out on {record['asset']} ({record['asset_class']})" if record["finished"] else f"was begun on {record['asset']} ({record['asset_class']}) and is not finished"
    place = f" at {record['shop']}" if record["shop"] else ""
    lines = [f"{record['procedure']['title']} {done} by {record['people']['technician'] or 'a technician who is not named'}{place}, begun {when(record['started'])}{', finished ' + when(record['finished']) if record['finished'] else ''}."]
    counts = {state: sum(step["status"] == state for step in record["steps"]) for state in ("done", "skipped", "not done")}
    rest = "".join(f", {counts[state]} {state}" for state in ("skipped", "not done") if counts[state])
    judged = [result for result in proofs.results(record["steps"]) if result.verdict != "no limits"]
    torques = [value for value in _last(record) if value["quantity"] == "torque" and value["verdict"] != "no limits"]
    held = [f"{sum(one == 'within' for one in verdicts)} of {len(verdicts)} {name}" for name, verdicts in (("torques", [value["verdict"] for value in torques]), ("measurements and test results", [result.verdict for result in judged])) if verdicts]
    outcome = f"Steps: {counts['done']} of {len(record['steps'])} done{rest}."
    if held:
        outcome += f" Within their limits: {' and '.join(held)}."
    points = len(record["open_points"])
    lines.append(f"{outcome} {'No point is open' if not points else 'One point is open' if points == 1 else f'{points} points are open'}.")
    if record["clock"] != "system":
        lines.append(f"This was a demonstration: its clock was {record['clock']}.")
    return lines


def _last(record: dict[str, Any]) -> list[dict[str, Any]]:
    """The newest value of each check."""
    return list({(step["key"], value["check"]): value for step in record["steps"] for value in step["values"]}.values())


def _facts(record: dict[str, Any]) -> list[tuple[str, str]]:
    labour = record["time"]["labour_hours"]
    signed = [f"{signature['role']}: {signature['who']}{'' if signature['stands'] else ' (no longer stands)'}" for signature in record.get("signatures", [])]
    seal = record.get("seal")
    return [
        ("Job", record["job"]),
        ("Status", record["status"]),
        ("Technician", record["people"]["technician"] or "not named"),
        ("Holds released by", ", ".join(record["people"]["released_holds"]) or "none"),
        ("Started", when(record["started"])),
        ("Finished", when(record["finished"], "not finished")),
        ("Labour", f"{digits(labour)} h" if labour is not None else "not known, the clock was set during the job"),
        ("Open points", str(len(record["open_points"]))),
        ("Signed", "; ".join(signed) or "not signed yet"),
        ("Sealed", when(seal["sealed_at"]) if seal else "not sealed"),
    ]


def _sections(record: dict[str, Any], sound: Sound | None) -> list[Section]:
    tested = [step for step in record["steps"] if step["stage"] in proofs.proof_stages(record)]
    others = [step for step in record["steps"] if step["stage"] not in proofs.proof_stages(record)]
    sections = [
        Section("Open points", (Points(tuple(record["open_points"])) if record["open_points"] else Words("None."),)),
        Section("Findings", (_findings(record, sound),)),
        Section("Amendments", (_amendments(record),)),
        Section("Torque", (_torques(record),)),
        Section("Proof tests", (_results(tested, "No proof test is recorded."), *proofs.figures(record, tested))),
        Section("Measurements", (_results(others, "None."),)),
        Section("Parts fitted", (_parts(record),)),
        Section("Kits", (_kits(record),)),
        Section("Fasteners", (_fasteners(record),)),
        Section("Signatures", tuple(_signatures(record))),
        Section("Questions after the job", (_questions(record, sound),)),
        Section("Sounds taken out", (_removed(record),)),
    ]
    moves = tuple(_clock_move(move) for move in record.get("clock_moves", []))
    sections += [
        Section("Clock moved during the job", (Points(moves) if moves else Words("No move was seen."),)),
        Section("Seal", tuple(_seal(record))),
        Section("Skipped steps", (_skipped(record),)),
        Section("Steps", tuple(steps_blocks(record))),
    ]
    if record["training"]:
        sections.append(Section("Training", tuple(_training(record["training"]))))
    return [*sections, Section("Time", tuple(_time(record)))]


def _clock_move(move: dict[str, Any]) -> str:
    how = f"set back by {digits(-move['seconds'])} s" if move["seconds"] < 0 else f"went forward by {digits(move['seconds'])} s: it was set, or the computer slept"
    return f"Before entry {move['seq']}, {when(move['at'])}: the clock {'was ' if move['seconds'] < 0 else ''}{how}."


def _heard(entry: dict[str, Any], record: dict[str, Any], sound: Sound | None) -> list[Line]:
    """What is kept of the voice at an entry."""
    clips = entry.get("clips", [])
    if not clips:
        return []
    gone = {clip["sha256"] for clip in record.get("removed_clips", [])}
    left = [clip for clip in clips if clip not in gone]
    words = [f"{len(left)} {'clip' if len(left) == 1 else 'clips'} kept"] if left else []
    words += [f"{len(clips) - len(left)} taken out"] if len(left) < len(clips) else []
    address = sound(left) if sound and left else None
    if sound and left and not address:
        words.append("not here to be played")
    return [Line(", ".join(words), "small", address or "")]


def _findings(record: dict[str, Any], sound: Sound | None) -> Block:
    columns = (Column("Part, place", 1.3), Column("Condition", 0.8), Column("Decision", 0.9), Column("Remark", 1.9), Column("Sound", 0.8))
    numbers = _amendment_numbers(record)
    rows = []
    for finding in record["findings"]:
        place = finding["stage"] + (f" ({finding['instance']})" if finding["instance"] else "")
        rows.append(row([Line(finding["part"]), small(place), _number(finding)], finding["condition"], finding["disposition"], _remark(finding) + _marks(finding, numbers), _heard(finding, record, sound), old=bool(finding["corrected_by"])))
    return table(columns, rows)


def _remark(finding: dict[str, Any]) -> list[Line]:
    lines = []
    if finding["remark"]:
        lines.append(Line(f"“{finding['remark']}” ({finding['remark_source']})"))
    elif finding["remark_source"] in ("audio only", "sound not kept"):
        lines.append(Line(finding["remark_source"]))
    words = finding.get("transcript")
    if words:
        lines += [Line(f"“{words['text']}”"), small(f"machine-written, not checked: {words['engine']} {words['version']}, confidence {digits(round(words['confidence'], 2))}")]
    if finding["corrected_by"]:
        lines.append(Line("corrected by a later entry", "strong"))
    return lines


def _number(entry: dict[str, Any]) -> Line:
    """What `gloveside amend` and `gloveside ask --about` call the entry."""
    return small(f"entry\u00a0{entry['seq']}")


def _amendment_numbers(record: dict[str, Any]) -> dict[int, int]:
    return {amendment["seq"]: number for number, amendment in enumerate(record.get("amendments", []), start=1)}


def _marks(entry: dict[str, Any], numbers: dict[int, int]) -> list[Line]:
    named = [str(numbers[seq]) for seq in entry.get("amended_by") or [] if seq in numbers]
    return [Line(f"amended, see amendment {', '.join(named)}", "strong")] if named else []


def _amendments(record: dict[str, Any]) -> Block:
    columns = (Column("No.", 0.3), Column("Entry", 1.5), Column("As recorded", 1.2), Column("As amended", 1.2), Column("Why", 1.2), Column("By, when", 1.2))
    entries, units = _entries(record), _units(record)

    def shown(one: dict[str, Any], text: str) -> str:
        unit = units.get(one["entry"], "") if one["field"] == "value" else ""
        return f"{text} {unit}".rstrip() or "nothing"

    rows = [
        row(str(number), [Line(entries.get(one["entry"], f"entry {one['entry']}")), small(f"{one['field']}, entry\u00a0{one['entry']}")], shown(one, one["old"]), shown(one, one["new"]), one["why"], [Line(f"{one['who']}, {one['role']}"), small(when(one["at"]))])
        for number, one in enumerate(record.get("amendments", []), start=1)
    ]
    return table(columns, rows)


def _entries(record: dict[str, Any]) -> dict[int, str]:
    """What each entry is about, by its number in the journal."""
    names = {finding["seq"]: f"finding, {finding['part']}" for finding in record["findings"]}
    for step in record["steps"]:
        place = f" ({step['instance'] or step['stage']})"
        names |= {value["seq"]: value["quantity"] + place for value in step["values"]}
        names |= {answer["seq"]: answer["asked"] + place for answer in step["answers"]}
        names |= {count["seq"]: f"count, {count['fastener']} {count['direction']}{place}" for count in step["counts"] if "seq" in count}
    return names


def _units(record: dict[str, Any]) -> dict[int, str]:
    """The unit of each value; none where the unit itself was amended, since it holds for only one of the two."""
    changed = {one["entry"] for one in record.get("amendments", []) if one["field"] == "unit"}
    return {value["seq"]: unit_symbol(value["unit"]) for step in record["steps"] for value in step["values"] if value["seq"] not in changed}


def _verdict(verdict: str, corrected: Any = None) -> list[Line]:
    shown = proofs.VERDICTS.get(verdict, verdict)
    return [Line(shown, "outside" if verdict in proofs.VERDICTS else ""), *([Line("corrected", "strong")] if corrected else [])]


def _value(value: dict[str, Any]) -> list[Line]:
    lines = [Line(f"{digits(value['value'])} {unit_symbol(value['unit'])}", "strong")]
    if value["readings"]:
        lines.append(small(f"mean of {', '.join(digits(reading) for reading in value['readings'])}"))
    if value["uncertainty"] is not None:
        lines.append(small(f"instrument ±{digits(value['uncertainty'])} {unit_symbol(value['limit_unit'])}"))
    before = value.get("as_recorded")
    if before:
        lines.append(small(f"recorded as {digits(before['value'])} {unit_symbol(before['unit'])}, {proofs.VERDICTS.get(before['verdict'], before['verdict'])}"))
    return lines


def _torques(record: dict[str, Any]) -> Block:
    columns = (Column("Step", 2.1), Column("Specified", 0.9), Column("Passes done", 1.1), Column("Applied", 1.0, True), Column("Accepted", 1.25), Column("Verdict", 1.1))
    numbers = _amendment_numbers(record)
    rows: list[Row] = []
    for step in record["steps"]:
        asked = step["torque_specified"]
        values = [value for value in step["values"] if value["quantity"] == "torque"]
        if not values and not (asked and step["status"] != "skipped"):
            continue
        name = step["instruction"] + (f" ({step['instance']})" if step["instance"] else "")
        specified = [Line(f"{digits(asked['value'])} {unit_symbol(asked['unit'])}"), *([small(asked["lubrication"])] if asked["lubrication"] else [])] if asked else []
        passes = _passes(step["passes"], len(asked["passes_percent"]) if asked else 0)
        for value in values:
            rows.append(row([Line(name), _number(value)], specified, passes, _value(value), proofs.bounds(value["at_least"], value["at_most"], value["limit_unit"]), [*_verdict(value["verdict"], value["corrected_by"]), *_marks(value, numbers)], old=bool(value["corrected_by"])))
        if not values:
            rows.append(row(name, specified, passes, "not recorded", "", ""))
    return table(columns, rows)


def _passes(done: Sequence[dict[str, Any]], due: int) -> list[Line]:
    """Passes said to be done; a joint tightened in one go has none to say."""
    if due < 2 and not done:
        return [Line("in one go")] if due else []
    made = len({one["number"] for one in done})
    torques = ", ".join(digits(one["torque"]) for one in done)
    return [Line(f"{made} of {due}", "" if made >= due else "outside"), *([small(f"{torques} {unit_symbol(done[0]['unit'])}")] if done else [])]


def _results(steps: Sequence[dict[str, Any]], none: str) -> Block:
    columns = (Column("Step", 2.3), Column("Quantity", 1.1), Column("Result", 1.35, True), Column("Limits", 1.1), Column("Verdict", 0.95))
    rows: list[Row] = []
    for step in steps:
        names = iter([step["instruction"] + (f" ({step['instance']})" if step["instance"] else "")])
        for value in step["values"]:
            if value["quantity"] == "torque":
                continue
            marks = [Line("amended, see amendments", "strong")] if value.get("amended_by") else []
            check = proofs.check_words(value)
            rows.append(row(next(names, None) or small("same step"), [Line(value["quantity"]), *([small(check)] if check else []), _number(value)], _value(value), proofs.bounds(value["at_least"], value["at_most"], value["limit_unit"]) or "none", [*_verdict(value["verdict"], value["corrected_by"]), *marks], old=bool(value["corrected_by"])))
        for figure in step["computed"]:
            shown = [Line(f"{digits(figure['value'])} {unit_symbol(figure['unit'])}", "strong")]
            limits = proofs.bounds(figure["at_least"], figure["at_most"], figure["unit"]) or "none"
            note = "Worked out: " + "; ".join(figure["working"]) if figure["working"] else ""
            rows.append(row(next(names, None) or small("same step"), figure["quantity"], shown, limits, _verdict(figure["verdict"]), note=note))
    return table(columns, rows, none)


def _parts(record: dict[str, Any]) -> Block:
    columns = (Column("Part", 1.3), Column("Count", 0.5, True), Column("From", 1.0), Column("Finding", 1.3), Column("Where", 1.6))
    return table(columns, [row(line["part"], str(line["count"]), line["from"], line["finding"] or "", ", ".join(line["places"])) for line in record["parts"]])


def _kits(record: dict[str, Any]) -> Block:
    columns = (Column("Kit", 1.2), Column("Part", 1.6), Column("Held", 0.5, True), Column("Used", 0.5, True), Column("Left", 0.5, True), Column("Beyond the kit", 0.8, True))
    rows = [row(line["kit"], line["part"], str(line["held"]), str(line["used"]), str(line["left"]), [Line(str(line["over"]), "outside" if line["over"] > 0 else "")]) for line in record["kits"]]
    return table(columns, rows, "No kit.")


def _fasteners(record: dict[str, Any]) -> Block:
    columns = (Column("Fastener", 1.3), Column("Size", 0.8), Column("Kept in", 1.5), Column("Out", 0.4, True), Column("In", 0.4, True), Column("Still out", 0.6, True), Column("Counted aloud", 1.0))
    rows = []
    for line in record["fasteners"]:
        size = line["thread"] + (f" × {digits(line['length_mm'])}" if line["length_mm"] is not None else "")
        counted = f"{line['counted_out']} out, {line['counted_in']} in" if line["counted_out"] or line["counted_in"] else "not counted"
        rows.append(row(line["fastener"], size, line["kept"], str(line["out"]), str(line["in"]), [Line(str(line["still_out"]), "outside" if line["still_out"] > 0 else "")], counted))
    return table(columns, rows, "None moved.")


def _signatures(record: dict[str, Any]) -> list[Block]:
    columns = (Column("Role", 0.8), Column("Name", 0.9), Column("Time", 1.0), Column("Statement", 2.4), Column("Stands", 0.9))
    given = record.get("signatures", [])
    rows = [
        row(one["role"], [Line(one["who"], "strong")], when(one["at"]), one["statement"], "yes" if one["stands"] else [Line("no longer", "outside"), small("amended since")], note=f"Open points named: {'; '.join(one['open_points']) or 'none'}")
        for one in given
    ]
    standing = {one["role"] for one in given if one["stands"]}
    missing = [f"{role.capitalize()}: not signed{' again since the record was amended' if any(one['role'] == role for one in given) else ' yet'}." for role in SIGNERS if role not in standing]
    blocks: list[Block] = [table(columns, rows)] if rows else []
    if missing:
        blocks.append(Words(" ".join(missing)))
    return [*blocks, Blanks(("Received by, name", "Date", "Signature"))]


def _questions(record: dict[str, Any], sound: Sound | None) -> Block:
    columns = (Column("No.", 0.3), Column("Question", 2.0), Column("Answer", 2.0))
    entries = _entries(record)
    rows = []
    for one in record.get("questions", []):
        about = [small(f"about {entries.get(one['about'], 'entry ' + str(one['about']))}")] if one["about"] is not None else []
        answer = one["answer"]
        # An answer given by voice may have no words: its sound is the answer.
        said: Part = [Line(answer["text"] or "audio only"), small(f"{answer['who']}, {when(answer['at'])}"), *_heard(answer, record, sound)] if answer else [Line("not answered yet", "strong")]
        rows.append(row(str(one["number"]), [Line(one["text"]), *about, small(f"{one['who']}, {when(one['at'])}")], said))
    return table(columns, rows, "None asked.")


def _removed(record: dict[str, Any]) -> Block:
    columns = (Column("Clip, SHA-256", 2.6), Column("By, when", 1.2), Column("Why", 1.4))
    return table(columns, [row([small(one["sha256"])], [Line(one["who"]), small(when(one["at"]))], one["why"]) for one in record.get("removed_clips", [])])


def _seal(record: dict[str, Any]) -> list[Block]:
    seal = record.get("seal")
    if not seal:
        return [Words("Not sealed: nothing proves that this record is as it was written.")]
    lines = [f"Sealed {when(seal['sealed_at'])} over {seal['events']} entries, with key {seal['key']}.", f"Last hash {seal['last_hash']}"]
    later = record["journal"]["events"] - seal["events"]
    if later > 0:
        lines.append(f"{later} {'entry was' if later == 1 else 'entries were'} added after this seal.")
    lines.append(f"To check: gloveside verify {record['job']} --code \"the code above\" names whatever was changed, removed or added since.")
    return [Code(_qr(seal["code"]), seal["code"], tuple(lines))]


def _qr(text: str) -> str:
    drawing = io.BytesIO()
    segno.make(text, error="m", micro=False).save(drawing, kind="svg", border=4, xmldecl=False, omitsize=True, svgclass=None, lineclass=None, nl=False)
    return drawing.getvalue().decode()


def _skipped(record: dict[str, Any]) -> Block:
    columns = (Column("Step", 2.4), Column("Reason", 1.2), Column("When", 1.0))
    return table(columns, [row(skip["instruction"], skip["reason"], when(skip["at"])) for skip in record["skipped"]])


def _training(training: dict[str, Any]) -> list[Block]:
    points = [f"Missed: {quiz['asked']} Said: {quiz['said']}." for quiz in training["questions"] if not quiz["right"]]
    points += [f"Asked to hear again, {line['times']} times: {line['instruction']}" for line in training["said_again"]]
    points += [f"Not understood, {line['times']} times: {line['instruction']}" for line in training["not_understood"]]
    for line in training["slow"]:
        against = f", {digits(line['earlier_minutes'])} min in earlier jobs" if line["earlier_minutes"] is not None else f", {digits(line['planned_minutes'])} min planned" if line["planned_minutes"] is not None else ""
        points.append(f"Slow, {digits(line['minutes'])} min{against}: {line['instruction']}")
    return [Words(f"Questions right: {training['right']} of {len(training['questions'])}."), *([Points(tuple(points))] if points else [])]


def _time(record: dict[str, Any]) -> list[Block]:
    time = record["time"]
    if time["labour_hours"] is None:
        return [Words("The clock was set during the job: times cannot be added up.")]
    columns = (Column("Stage", 2.5), Column("Planned, min", 0.8, True), Column("Labour, min", 0.8, True), Column("Of it waiting, min", 0.9, True))
    rows = [row(stage["stage"], *(digits(stage[key]) if stage[key] is not None else "" for key in ("planned_minutes", "minutes", "waiting_minutes"))) for stage in time["stages"]]
    pauses = [f"Paused, {pause['reason']}: {when(pause['from'])} to {when(pause['to'], 'the end')}" for pause in record["pauses"]]
    words = f"Labour {digits(time['labour_hours'])} h, of it waiting for timers {digits(time['waiting_minutes'])} min; paused {digits(time['paused_minutes'])} min."
    return [Words(words), *([Points(tuple(pauses))] if pauses else []), table(columns, rows)]
