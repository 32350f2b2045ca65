"""Numbers as people say them at a bench, and back into words. Exact: every value is a Decimal.

A row of words is a number only where it can be read in exactly one way; anything else is None, never a guess.
"""

from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from functools import lru_cache

from assistant.language.pack import Numbers, Pack

LARGEST = 99_999
"""Largest whole number that can be spoken to the assistant; it can say larger ones."""


def parse_number(words: Sequence[str], pack: Pack) -> Decimal | None:
    """The value of a row of words, or None where they are no number or more than one."""
    readings = set(_readings(tuple(words), pack.numbers))
    return readings.pop() if len(readings) == 1 else None


@lru_cache(maxsize=4096)
def _readings(words: tuple[str, ...], numbers: Numbers) -> tuple[Decimal, ...]:
    return tuple(_signed(words, numbers))


def _signed(words: tuple[str, ...], numbers: Numbers) -> Iterator[Decimal]:
    if words and words[0] in numbers.minus:
        yield from (-value for value in _unsigned(words[1:], numbers))
    else:
        yield from _unsigned(words, numbers)


def _unsigned(words: tuple[str, ...], numbers: Numbers) -> Iterator[Decimal]:
    if not words:
        return
    points = [at for at, word in enumerate(words) if word in numbers.point]
    if len(points) == 1:
        whole = list(_whole(words[: points[0]], numbers)) if points[0] else [0]
        for digits in _after_point(words[points[0] + 1 :], numbers):
            yield from (Decimal(f"{value}.{digits}") for value in whole)
    elif not points:
        yield from (Decimal(value) for value in _whole(words, numbers))
        yield from _fraction(words, numbers)


def _after_point(words: tuple[str, ...], numbers: Numbers) -> Iterator[str]:
    digits = _digit_words(words, numbers)
    if digits is not None:
        yield digits
    elif numbers.style == "english":
        # "point twenty five" is two places; "point five hundred" is nothing.
        value = _below_hundred(words, numbers)
        if value is not None and value >= 10:
            yield str(value)


def _whole(words: tuple[str, ...], numbers: Numbers) -> Iterator[int]:
    digits = _digit_words(words, numbers)
    if digits is not None and len(digits) <= len(str(LARGEST)):
        yield int(digits)
        return
    value = _english(words, numbers) if numbers.style == "english" else _positional(words, numbers)
    if value is not None and value <= LARGEST:
        yield value


def _digit_words(words: tuple[str, ...], numbers: Numbers) -> str | None:
    digits = "".join("0" if word in numbers.zero or word in numbers.zero_within else str(numbers.digits.get(word, "?")) for word in words)
    return digits if digits and "?" not in digits else None


def _below_hundred(words: tuple[str, ...], numbers: Numbers) -> int | None:
    if len(words) == 1:
        return numbers.digits.get(words[0]) or numbers.teens.get(words[0]) or numbers.tens.get(words[0])
    if len(words) == 2 and words[0] in numbers.tens and words[1] in numbers.digits:
        return numbers.tens[words[0]] + numbers.digits[words[1]]
    return None


def _english(words: tuple[str, ...], numbers: Numbers) -> int | None:
    for name, size in numbers.multipliers.items():
        if size == 1000 and name in words:
            at = words.index(name)
            many = 1 if words[:at] and words[:at] in _ones(numbers) else _below_hundred(words[:at], numbers)
            if many is None:
                return None
            return _rest(many * 1000, words[at + 1 :], numbers, _hundreds)
    return _hundreds(words, numbers)


def _hundreds(words: tuple[str, ...], numbers: Numbers) -> int | None:
    for name, size in numbers.multipliers.items():
        if size == 100 and name in words:
            at = words.index(name)
            many = 1 if words[:at] in _ones(numbers) else _below_hundred(words[:at], numbers)
            # "twelve hundred" is said; "twenty hundred" and "ten hundred" are not.
            if many is None or many > 19 or many == 10:
                return None
            return _rest(many * 100, words[at + 1 :], numbers, _below_hundred)
    return _below_hundred(words, numbers)


def _ones(numbers: Numbers) -> set[tuple[str, ...]]:
    return {(word,) for word in numbers.a}


def _rest(base: int, words: tuple[str, ...], numbers: Numbers, read: "Callable[[tuple[str, ...], Numbers], int | None]") -> int | None:
    if not words:
        return base
    if words[0] in numbers.and_:
        words = words[1:]
    rest = read(words, numbers) if words else None
    # After a thousand, "twelve hundred" would be past the next thousand.
    return base + rest if rest is not None and rest < 1000 else None


def _positional(words: tuple[str, ...], numbers: Numbers) -> int | None:
    total, digit, last = 0, None, LARGEST + 1
    for word in words:
        if word in numbers.multipliers:
            size = numbers.multipliers[word]
            if size >= last:
                return None
            total, digit, last = total + (digit if digit is not None else 1) * size, None, size
        elif word in numbers.digits and digit is None:
            digit = numbers.digits[word]
        else:
            return None
    return total + (digit or 0) if words and (digit is None or last > 1) else None


def _fraction(words: tuple[str, ...], numbers: Numbers) -> Iterator[Decimal]:
    names = {tuple(name.split()): parts for name, parts in numbers.fractions.items()}
    for name, parts in names.items():
        if len(words) <= len(name) or words[-len(name) :] != name:
            continue
        head = words[: -len(name)]
        for at in range(len(head)):
            whole = 0
            if at:
                if head[at - 1] not in numbers.and_:
                    continue
                read = list(_whole(head[: at - 1], numbers))
                if not read:
                    continue
                whole = read[0]
            over = 1 if head[at:] in _ones(numbers) else _below_hundred(head[at:], numbers)
            if over is not None and over < parts:
                yield whole + Decimal(over) / parts


def number_words(value: Decimal | int, pack: Pack, style: str = "plain") -> str:
    """A number in words, exactly: "forty two point five". Style "digits" says a whole number digit by digit."""
    numbers = pack.numbers
    value = Decimal(value)
    text = format(abs(value), "f")
    whole, _, places = text.partition(".")
    places = places.rstrip("0")
    said = [numbers.minus[0]] if value < 0 else []
    said += _digits_said(whole, numbers) if style == "digits" else _whole_said(int(whole), numbers)
    if places:
        said += [numbers.point[0], *_digits_said(places, numbers)]
    return " ".join(said)


def _digits_said(digits: str, numbers: Numbers) -> list[str]:
    names = {size: word for word, size in reversed(numbers.digits.items())} | {0: numbers.zero[0]}
    return [names[int(digit)] for digit in digits]


def _whole_said(value: int, numbers: Numbers) -> list[str]:
    if value == 0:
        return [numbers.zero[0]]
    return _english_said(value, numbers) if numbers.style == "english" else _positional_said(value, numbers)


def _english_said(value: int, numbers: Numbers) -> list[str]:
    names = {size: word for group in (numbers.tens, numbers.teens, numbers.digits, numbers.multipliers) for word, size in reversed(group.items())}
    if value >= 1_000_000:
        return _digits_said(str(value), numbers)
    if value >= 1000:
        rest = value % 1000
        link = [numbers.and_[0]] if 0 < rest < 100 and numbers.and_ else []
        return _english_said(value // 1000, numbers) + [names[1000]] + link + (_english_said(rest, numbers) if rest else [])
    if value >= 100:
        rest = value % 100
        return [names[value // 100], names[100], *([numbers.and_[0]] if rest and numbers.and_ else []), *(_english_said(rest, numbers) if rest else [])]
    if value in names:
        return [names[value]]
    return [names[value // 10 * 10], names[value % 10]]


def _positional_said(value: int, numbers: Numbers) -> list[str]:
    digits = {size: word for word, size in reversed(numbers.digits.items())}
    if value >= 10 * max(numbers.multipliers.values()):
        return _digits_said(str(value), numbers)
    said: list[str] = []
    for name, size in sorted(numbers.multipliers.items(), key=lambda item: -item[1]):
        many, value = divmod(value, size)
        if many:
            said += ([] if many == 1 else [digits[many]]) + [name]
    return said + ([digits[value]] if value else [])


def say_value(value: Decimal, unit: str | None, pack: Pack) -> str:
    """A value with its unit in words: "forty two point five newton metres". Raises KeyError for a unit the pack lacks."""
    words = number_words(value, pack)
    if unit is None:
        return words
    entry = pack.units[unit]
    return f"{words} {entry.say_one if value == 1 and entry.say_one else entry.say}"
