"""Plain blocks that a printed record is made of. Its HTML page and its PDF are set from the same blocks, so that both say the same in the same order."""

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal


_TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c")
"""Marks that turn the direction of writing: in a remark they could make the figures beside it read backwards."""


@dataclass(frozen=True)
class Line:
    """One line of a cell."""

    text: str
    style: Literal["", "strong", "small", "outside"] = ""
    """`outside`: set in bold inside a frame, so that it stands out without colour."""
    sound: str = ""
    """Data address of a sound, for the page; paper has only `text`."""


@dataclass(frozen=True)
class Row:
    cells: tuple[tuple[Line, ...], ...]
    old: bool = False
    """Whether a later entry stands in its place: struck through."""
    note: str = ""
    """Set small below the row, over its whole width."""


@dataclass(frozen=True)
class Column:
    title: str
    share: float = 1.0
    """Width, as a share of what the others have."""
    figures: bool = False
    """Whether it holds figures, set flush right."""


@dataclass(frozen=True)
class Table:
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    kind: str = "table"


@dataclass(frozen=True)
class Words:
    text: str
    kind: str = "words"


@dataclass(frozen=True)
class Points:
    items: tuple[str, ...]
    kind: str = "points"


@dataclass(frozen=True)
class Figure:
    svg: str
    says: str
    """The same in words, for those who cannot see it."""
    caption: str
    width_mm: float = 165.0
    kind: str = "figure"


@dataclass(frozen=True)
class Code:
    """A QR code beside its text."""

    svg: str
    text: str
    lines: tuple[str, ...]
    kind: str = "code"


@dataclass(frozen=True)
class Blanks:
    """Ruled lines to be filled in by pen."""

    labels: tuple[str, ...]
    kind: str = "blanks"


Block = Table | Words | Points | Figure | Code | Blanks


@dataclass(frozen=True)
class Section:
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Document:
    """A record as it is read."""

    title: str
    shop: str
    subtitle: str
    job: str
    author: str
    when: str
    """UTC time that stands as the document's date."""
    summary: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    """Label and value, two pairs to a line."""
    sections: tuple[Section, ...]
    foot: tuple[str, ...]


Part = str | Line | Iterable[Line] | None


def cell(*parts: Part) -> tuple[Line, ...]:
    """Lines of one cell; nothing for an empty part."""
    lines: list[Line] = []
    for part in parts:
        if isinstance(part, str):
            lines += [Line(part)] if part else []
        elif isinstance(part, Line):
            lines.append(part)
        elif part is not None:
            lines += part
    return tuple(lines)


def small(text: str) -> Line:
    return Line(text, "small")


def row(*cells: Part, old: bool = False, note: str = "") -> Row:
    return Row(tuple(cell(part) for part in cells), old, note)


def table(columns: Sequence[Column], rows: Iterable[Row], none: str = "None.") -> Block:
    """A table, or a word for there being nothing to show."""
    found = tuple(rows)
    return Table(tuple(columns), found) if found else Words(none)


def printable(value: Any) -> Any:
    """The same data without characters that no page can show, or that would turn its writing around. What is kept as data is not touched."""
    if isinstance(value, str):
        return "".join(_shown(letter) for letter in value)
    if isinstance(value, dict):
        return {key: printable(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [printable(item) for item in value]
    return value


def _shown(letter: str) -> str:
    if " " <= letter <= "~":
        return letter
    if letter in _TURNING or letter in "\ufffe\uffff\ufeff":
        return ""
    return " " if unicodedata.category(letter) in ("Cc", "Cs", "Zl", "Zp") else letter
