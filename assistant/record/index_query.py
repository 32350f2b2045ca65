"""What a person asks the index, put into the words of SQLite; hostile or strange, it is never more than words."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

_SNIPPET = 160
"""Characters of an entry shown in a list."""
_MOST_WORDS, _LONGEST_QUERY = 24, 400
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LATEST = 1 << 42
"""Milliseconds since 1970, in the year 2109: a later time, from a clock set wrong, counts as this one."""
_TIE = 20
"""Bits of an entry's number below its milliseconds."""


def clean(value: Any) -> Any:
    """Text that SQLite can hold: what damage left of half a letter is dropped."""
    return value.encode("utf-8", "ignore").decode("utf-8") if isinstance(value, str) and not value.isascii() else value


def entry_number(at: str, seq: int, job: int) -> int:
    """The entry's place in time: its milliseconds, then the job, then its place in the job."""
    return (_milliseconds(at) << _TIE) + ((job & 0x3FF) << 10) + (seq & 0x3FF)


def _milliseconds(at: str) -> int:
    try:
        when = datetime.fromisoformat(at)
        when = when if when.tzinfo else when.replace(tzinfo=UTC)
    except ValueError:
        return 0
    return max(0, min((when - _EPOCH) // timedelta(milliseconds=1), _LATEST - 1))


def bounds_of(since: str, until: str) -> tuple[int, int]:
    """Smallest and largest number of an entry on these days. Raises ValueError or OverflowError for what is no day."""
    first = _day(since) if since else 0
    last = _day(until) + 24 * 3600 * 1000 if until else _LATEST
    return max(0, min(first, _LATEST)) << _TIE, (max(0, min(last, _LATEST)) << _TIE) - 1


def _day(text: str) -> int:
    return (datetime.strptime(text.strip()[:10], "%Y-%m-%d").replace(tzinfo=UTC) - _EPOCH) // timedelta(milliseconds=1)


def _tag(name: str, text: str) -> str:
    """One word of letters and digits for a whole text. It ends in a digit, which the stemmer leaves alone."""
    return f"{name}{clean(text).strip().casefold().encode().hex()}q0"


def tags_of(asset: str, condition: str, key: str) -> str:
    return " ".join([_tag("a", asset), *([_tag("c", condition), _tag("c", key)] if key else [])])


def query_of(text: str, part: str, condition: str, asset: str) -> str | None:
    """The question in FTS5's language, in which everything written by a person stands in quotation marks; "" for everything, None for words that cannot be found."""
    wanted = []
    for column, written in (("words", text), ("part", part)):
        phrases = list(_phrases(written))
        if not phrases and written.strip():
            return None
        if phrases:
            wanted.append(f"{column} : ({' AND '.join(phrases)})")
    wanted += [f'tags : "{_tag(name, value[:_LONGEST_QUERY])}"' for name, value in (("c", condition), ("a", asset)) if value.strip()]
    return " AND ".join(wanted)


def _phrases(written: str) -> Iterator[str]:
    cleaned = clean(written[:_LONGEST_QUERY])
    for number, (together, word) in enumerate(re.findall(r'"([^"]*)"|([^\s"]+)', cleaned)):
        words = "".join(letter if letter.isalnum() else " " for letter in together or word).split()
        if words and number < _MOST_WORDS:
            beginning = word.endswith("*") or not words[-1].isascii()  # endings are joined to words in many languages
            yield f'"{" ".join(words)}"{" *" if beginning else ""}'


def snippet_of(words: str, text: str) -> str:
    """The words around the first that was asked for."""
    if len(words) <= _SNIPPET:
        return words
    asked = [re.escape(word) for word in re.findall(r"\w+", text[:_LONGEST_QUERY])]
    found = re.search("|".join(asked), words, re.IGNORECASE) if asked else None
    start = max(0, found.start() - _SNIPPET // 3) if found else 0
    end = start + _SNIPPET
    return ("… " if start else "") + words[start:end].strip() + (" …" if end < len(words) else "")
