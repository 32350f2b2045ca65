"""The table of every step of a record: its state, its time, and what was answered, counted, waited for and released."""

from datetime import datetime
from typing import Any

from assistant.figures.units import digits, unit_symbol
from assistant.record.blocks import Block, Column, Line, row, small, table


def steps_blocks(record: dict[str, Any]) -> list[Block]:
    columns = (Column("Stage", 1.1), Column("Step", 2.2), Column("State", 0.8), Column("Time", 1.05, True), Column("Answers, holds, timers (times: UTC)", 2.0))
    rows = []
    for step in record["steps"]:
        planned = [small(f"planned\u00a0{digits(step['planned_minutes'])}\u00a0min")] if step["planned_minutes"] is not None else []
        state = Line(step["status"], "" if step["status"] == "done" else "outside")
        rows.append(row(step["stage"], step["instruction"], [state], [Line(length(step["seconds"])), *planned], _happened(step)))
    return [table(columns, rows)]


def _happened(step: dict[str, Any]) -> list[Line]:
    lines = [Line(f"{answer['asked']} {answer['said']} ({answer['result']}{', corrected' if answer['corrected_by'] else ''}{', amended' if answer.get('amended_by') else ''}, entry\u00a0{answer['seq']})") for answer in step["answers"]]
    lines += [Line(f"{caution['signal'].capitalize()} acknowledged, {_clock(caution['acknowledged'])}") for caution in step["cautions"] if caution["acknowledged"]]
    if step["hold"]:
        lines.append(Line(f"Hold, {step['hold']['who']}: " + (f"released {_clock(step['hold']['released'])}" if step["hold"]["released"] else "not released")))
    for count in step["counts"]:
        due = f" ({count['expected']} due)" if count["verdict"] == "differs" else ""
        lines.append(Line(f"Counted {count['direction']}: {count['counted']} {count['fastener']}{due}{', corrected' if count['corrected_by'] else ''}", "strong" if due and not count["corrected_by"] else ""))
    lines += [Line(f"Taken for another: {count['counted']} {count['fastener']}, refused") for count in step["refused_counts"]]
    lines += [Line(f"Pass {done['number']}: {digits(done['torque'])} {unit_symbol(done['unit'])}, {_clock(done['at'])}") for done in step["passes"]]
    if step["timer"]:
        lines.append(Line(f"Timer, {step['timer']['purpose']}, {length(step['timer']['seconds'])}: {'done' if step['timer']['done'] else 'not done'}"))
    return lines


def length(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def _clock(text: str) -> str:
    return datetime.fromisoformat(text).strftime("%H:%M:%S")
