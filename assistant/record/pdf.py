"""Sets a service record as a PDF, tagged for screen readers, by Typst. Words of the record reach the template as data only, never as its source."""

import json
import re
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from assistant.errors import PrintError
from assistant.record.contents import contents

TEMPLATES = Path(__file__).resolve().parent / "templates"
PAPERS = {"a4": "a4", "letter": "us-letter"}
"""Name of a paper -> its name in Typst."""
STANDARDS = ("ua-1", "a-2a")
"""PDF/UA-1, to be read aloud; PDF/A-2a, to be kept. Both refuse a character that no font here can show."""
LONG_WORD = 24
"""Letters after which a word may be broken, so that it cannot run out of its column."""
LONGER = 70
"""The same where a line is as wide as the page: a hash of 64 digits stays whole."""
NO_GLYPH = "Some characters of this record cannot be shown with the fonts of this computer and are boxes here; they are whole in record.html and record.json."


def as_pdf(record: dict[str, Any], directory: Path | None = None, paper: str = "a4") -> bytes:
    """The record as a PDF on "a4" or "letter"; the same record gives the same bytes on the same computer. Raises PrintError.

    `directory` of the job is what the page of the same record takes; paper has no sound, and nothing is read from it.
    """
    document = asdict(contents(record))
    try:
        return _set(document, paper, STANDARDS)
    except PrintError:
        # The standards refuse characters without a glyph: then a plain PDF, which says so.
        return _set(document | {"foot": [*document["foot"], NO_GLYPH]}, paper, ())


def _set(document: dict[str, Any], paper: str, standards: tuple[str, ...]) -> bytes:
    moment = datetime.fromisoformat(document["when"])
    plain = {"plain_title": document["title"], "plain_author": document["author"]}
    data = _breakable(document) | plain | {"date": [moment.year, moment.month, moment.day, moment.hour, moment.minute, moment.second]}
    try:
        import typst  # forty megabytes, which a job at the bench does not need

        # The root holds nothing but templates, and a template reads nothing but what is handed to it.
        return typst.compile(
            TEMPLATES / "record.typ", root=TEMPLATES, format="pdf", timestamp=int(moment.timestamp()), pdf_standards=list(standards),
            sys_inputs={"record": json.dumps(data, ensure_ascii=False), "paper": PAPERS[paper]},
        )  # fmt: skip
    except BaseException as error:
        # A fault inside Typst comes as a PanicException, which is no Exception: it must not end a job that is already kept.
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        why = next(iter(str(error).splitlines()), type(error).__name__)
        raise PrintError(f"The record of job {document['job']} cannot be set as a PDF ({why}); take --format html and print that.") from None


def _breakable(value: Any, letters: int = LONG_WORD) -> Any:
    """The same data with places to break in very long words; drawings and codes stay as they are."""
    if isinstance(value, str):
        return re.sub(rf"\S{{{letters}}}(?=\S)", lambda part: part.group() + "\u200b", value)
    if isinstance(value, dict):
        # What is copied out of the page, codes and hashes, has a line to itself and must come out as it is.
        if value.get("kind") == "code":
            return value | {"lines": _breakable(value["lines"], LONGER)}
        return {key: item if key in ("svg", "sound") else _breakable(item, LONGER if key == "foot" else letters) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_breakable(item, letters) for item in value]
    return value
