"""Writes a service record as JSON, CSV, HTML and PDF."""

import base64
import csv
import io
import json
from pathlib import Path
from typing import Any

import jinja2
import numpy as np
import soundfile
from markupsafe import Markup

from assistant.errors import JournalError, PrintError
from assistant.record.clips import read_clip
from assistant.record.contents import contents
from assistant.record.pdf import as_pdf

RATE = 16_000
"""Samples a second of every clip."""

CSV_COLUMNS = ("entry", "at", "kind", "stage", "step", "instruction", "item", "said_or_measured", "unit", "at_least", "at_most", "limit_unit", "verdict", "corrects", "corrected_by", "clips")


def as_json(record: dict[str, Any]) -> str:
    return json.dumps(record, ensure_ascii=False, indent=2) + "\n"


def as_csv(record: dict[str, Any]) -> str:
    """One line an entry: answers, values, counts, passes, figures worked out, findings, skips, amendments, signatures; in the order of time."""
    rows: list[dict[str, Any]] = []
    steps = {step["key"]: step for step in record["steps"]}

    def row(kind: str, key: str, entry: dict[str, Any], **more: Any) -> None:
        step = steps[key]
        rows.append({"entry": entry.get("seq"), "at": entry["at"], "kind": kind, "stage": step["stage"], "step": key, "instruction": step["instruction"], "corrects": entry.get("corrects"), "corrected_by": entry.get("corrected_by"), "clips": " ".join(entry.get("clips", ())), **more})

    for key, step in steps.items():
        for answer in step["answers"]:
            row("answer", key, answer, item=answer["asked"], said_or_measured=answer["said"], verdict=answer["result"])
        for value in step["values"]:
            row("value", key, value, item=value["quantity"], said_or_measured=value["value"], unit=value["unit"], at_least=value["at_least"], at_most=value["at_most"], limit_unit=value["limit_unit"], verdict=value["verdict"])
        for count in step["counts"]:
            row("count", key, count, item=f"{count['fastener']} {count['direction']}", said_or_measured=count["counted"], at_least=count["expected"], at_most=count["expected"], verdict=count["verdict"])
        for done in step["passes"]:
            row("pass", key, done, item=f"pass {done['number']}", said_or_measured=done["torque"], unit=done["unit"])
        for figure in step["computed"]:
            row("figure", key, figure, item=figure["quantity"], said_or_measured=figure["value"], unit=figure["unit"], at_least=figure["at_least"], at_most=figure["at_most"], limit_unit=figure["unit"], verdict=figure["verdict"])
    for finding in record["findings"]:
        row("finding", finding["step"], finding, item=finding["part"], said_or_measured=f"{finding['condition']}; {finding['remark'] or finding['remark_source']}", verdict=finding["disposition"])
    for skip in record["skipped"]:
        row("skip", skip["step"], skip, said_or_measured=skip["reason"])
    for one in record.get("amendments", []):
        rows.append({"entry": one["seq"], "at": one["at"], "kind": "amendment", "item": one["field"], "said_or_measured": f"{one['old']} -> {one['new']}", "verdict": one["why"], "instruction": f"{one['who']}, {one['role']}", "corrects": one["entry"]})
    for one in record.get("signatures", []):
        rows.append({"entry": one["seq"], "at": one["at"], "kind": "signature", "item": one["role"], "instruction": one["who"], "said_or_measured": "; ".join([one["statement"], *one["open_points"]]), "verdict": "stands" if one["stands"] else "no longer stands"})
    text = io.StringIO()
    writer = csv.DictWriter(text, CSV_COLUMNS)
    writer.writeheader()
    writer.writerows(sorted(rows, key=lambda item: item["at"]))
    return text.getvalue()


def as_html(record: dict[str, Any], directory: Path | None = None) -> str:
    """One page that stands alone; with the job's directory, the clips of its findings are put in as sound."""
    environment = jinja2.Environment(loader=jinja2.PackageLoader("assistant.record"), autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined)
    # Drawings are made here from escaped words; a string in a style sheet is escaped in its own way.
    environment.filters["drawing"] = Markup
    environment.filters["css_string"] = lambda text: Markup('"' + "".join(letter if letter.isascii() and letter.isalnum() or letter in " -_" else f"\\{ord(letter):x} " for letter in text) + '"')
    return environment.get_template("record.html").render(record=contents(record, directory and (lambda clips: _sound(directory, clips))))


def write_record(record: dict[str, Any], job_directory: Path, out: Path) -> list[Path]:
    """Write record.json, record.html and record.pdf into a folder. Raises JournalError when that fails.

    A PDF that cannot be set is left out, and not among the paths: the other two must not be lost by it, and `gloveside report` says why.
    """
    paths = [out / "record.json", out / "record.html"]
    try:
        out.mkdir(parents=True, exist_ok=True)
        paths[0].write_text(as_json(record), encoding="utf-8")
        paths[1].write_text(as_html(record, job_directory), encoding="utf-8")
        printed = out / "record.pdf"
        # One from before would contradict the two that were just written.
        printed.unlink(missing_ok=True)
        try:
            printed.write_bytes(as_pdf(record, job_directory))
        except PrintError:
            return paths
    except OSError as error:
        raise JournalError(f"The record cannot be written to {out} ({error.strerror}); the journal is kept in {job_directory}: make room, then run gloveside report.") from None
    return [*paths, printed]


def _sound(directory: Path, clips: list[str]) -> str | None:
    """Clips of one entry as one sound, in the order they were spoken; None where there is none to play."""
    try:
        spoken = [read_clip(directory, clip) for clip in clips]
    except JournalError:
        return None  # taken out or damaged: the record names the clip, and must be readable without it
    joined = np.concatenate([np.append(samples, np.zeros(RATE // 4, np.int16)) for samples in spoken])
    packed = io.BytesIO()
    soundfile.write(packed, joined, RATE, format="FLAC", subtype="PCM_16")
    return "data:audio/flac;base64," + base64.b64encode(packed.getvalue()).decode()
