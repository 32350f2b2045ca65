"""The closed grammar in play: phrases with their meaning, and values. Written out for a recogniser, and matched again after it."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from assistant.engine.intents import Intent
from assistant.language.numbers import parse_number
from assistant.language.pack import Numbers, Pack


@dataclass(frozen=True)
class Phrase:
    """One closed phrase."""

    text: str
    """Lower-case words."""
    intent: Intent


@dataclass(frozen=True, eq=False)
class Grammar:
    """Everything a recogniser may hear just now."""

    phrases: tuple[Phrase, ...]
    values: bool
    """Whether [quantity] number [unit] may be said."""
    units: tuple[str, ...]
    """Unit keys that may follow a number."""
    quantities: tuple[str, ...]
    """Words that may stand before a number."""
    pack: Pack
    denials: tuple[str, ...] = ()
    """Where not empty, a value is only heard behind one of these: "no, forty three"."""

    spelling: bool = False
    """Whether letters and digits may be spelled."""
    free: bool = False
    """Whether anything else may be said, too, and is kept as it is."""

    def match(self, text: str) -> Intent | None:
        """The meaning of a text, or None where it is not in the grammar or has more than one."""
        words = tuple(text.lower().split())
        closed = self._closed.get(words)
        if closed is not None:
            return closed
        if self.spelling and words and all(word in self._letters for word in words):
            return Intent("spelled", text="".join(self._letters[word] for word in words))
        if not self.values or not words:
            return None
        if not self.denials:
            return self._value(words)
        return self._value(words[1:]) if words[0] in self.denials and len(words) > 1 else None

    @cached_property
    def _closed(self) -> dict[tuple[str, ...], Intent]:
        return {tuple(phrase.text.split()): phrase.intent for phrase in self.phrases}

    @cached_property
    def _letters(self) -> dict[str, str]:
        numbers = self.pack.numbers
        digits = {word: "0" for word in (*numbers.zero, *numbers.zero_within)} | {word: str(size) for word, size in numbers.digits.items()}
        return digits | {word: letter for letter, words in self.pack.alphabet.items() for word in words}

    @cached_property
    def _unit_words(self) -> dict[tuple[str, ...], str]:
        units = self.pack.units
        return {tuple(spoken.split()): key for key in reversed(self.units) for spoken in (*units[key].spoken, *units[key].written)}

    @cached_property
    def _quantity_words(self) -> dict[tuple[str, ...], str]:
        return {tuple(quantity.split()): quantity for quantity in self.quantities}

    def _value(self, words: tuple[str, ...]) -> Intent | None:
        readings = set()
        for lead in range(len(words)):
            quantity = self._quantity_words.get(words[:lead])
            if lead and quantity is None:
                continue
            for end in range(lead + 1, len(words) + 1):
                unit = self._unit_words.get(words[end:])
                if end < len(words) and unit is None:
                    continue
                value = parse_number(words[lead:end], self.pack)
                if value is not None:
                    readings.add((value, unit, quantity))
        if len(readings) != 1:
            return None
        value, unit, quantity = readings.pop()
        return Intent("value", value=value, unit=unit, quantity=quantity)

    def unit_phrases(self) -> list[str]:
        """What may be said as a unit."""
        return [spoken for key in self.units for spoken in self.pack.units[key].spoken]

    def words(self) -> frozenset[str]:
        """Every word that can be heard."""
        found = {word for phrase in self._closed for word in phrase}
        if self.values:
            found |= {word for spoken in (*self.unit_phrases(), *self.quantities) for word in spoken.split()}
            found |= number_vocabulary(self.pack.numbers)
        return frozenset(found | (set(self._letters) if self.spelling else set()))

    def jsgf(self, name: str = "bench") -> str:
        """The grammar in JSGF, public rule <bench>."""
        choices = [" ".join(phrase) for phrase in self._closed]
        rules = []
        if self.values:
            quantity = "[<quantity>] " if self.quantities else ""
            unit = " [<unit>]" if self.units else ""
            denial = f"{_choice(self.denials)} " if self.denials else ""
            choices.append(f"{denial}{quantity}<number>{unit}")
            rules.append(number_rules(self.pack.numbers))
            if self.quantities:
                rules.append(f"<quantity> = {_choice(self.quantities)};")
            if self.units:
                rules.append(f"<unit> = {_choice(self.unit_phrases())};")
        if self.spelling:
            # The words of the alphabet were made to be told apart; plain letters are not, and count less.
            plain = [word for word in self._letters if len(word) == 1]
            clear = [word for word in self._letters if len(word) > 1]
            rules.append(f"<letter> = /1/ {_choice(clear)}" + (f" | /0.01/ {_choice(plain)}" if plain else "") + ";")
            choices.append("<letter>+")
        top = f"public <{name}> = {' | '.join(choices) or '<NULL>'};"
        return "\n".join([f"#JSGF V1.0;\ngrammar {name};", *rules, top]) + "\n"


def number_vocabulary(numbers: Numbers) -> set[str]:
    """Every word of a number."""
    groups: list[Iterable[str]] = [numbers.zero, numbers.zero_within, numbers.digits, numbers.teens, numbers.tens, numbers.multipliers, numbers.and_, numbers.point, numbers.minus, numbers.a, numbers.fractions]
    return {word for group in groups for phrase in group for word in phrase.split()}


def number_rules(numbers: Numbers) -> str:
    """JSGF rules for <number>: the styles `parse_number` reads, and no others."""
    rules = [
        f"<digit> = {_choice([*numbers.zero, *numbers.zero_within, *numbers.digits])};",
        f"<some> = {_choice(numbers.digits)};",
        f"<row> = /1/ {_choice([*numbers.zero, *numbers.digits])} | /0.1/ <digit> <digit> [<digit>] [<digit>] [<digit>];",
    ]
    minus, point = _choice(numbers.minus), _choice(numbers.point)
    if numbers.style == "positional":
        ordered = sorted(numbers.multipliers.items(), key=lambda item: -item[1])
        each = [f"[[<some>] {name}]" for name, size in ordered if size <= 1000]
        rules.append(f"<whole> = <row> | {' '.join(each)} [<some>];")
        rules.append(f"<number> = [{minus}] (<whole> | <whole> {point} <digit>+);")
        return "\n".join(rules)
    names = {size: _choice(word for word, its in numbers.multipliers.items() if its == size) for size in set(numbers.multipliers.values())}
    a, link, eleven = _choice(numbers.a), _choice(numbers.and_), [word for word, size in numbers.teens.items() if size > 10]
    rules += [
        f"<teen> = {_choice(numbers.teens)};",
        f"<tens> = {_choice(numbers.tens)};",
        "<pair> = <teen> | <tens> [<some>];",
        "<small> = <some> | <pair>;",
        f"<hundreds> = ({a} | <some>) {names[100]} [[{link}] <small>];",
        f"<many> = {_choice(eleven)} {names[100]} [[{link}] <small>];",
        f"<thousands> = (/1/ {a} | /1/ <some> | /0.05/ <pair>) {names[1000]} [[{link}] (<small> | <hundreds>)];",
        "<whole> = <row> | <pair> | <hundreds> | <many> | <thousands>;",
        "<places> = <digit>+ | <pair>;",
        f"<part> = {_choice(_fractions(numbers))};",
        f"<number> = [{minus}] (/1/ <whole> | /1/ [<whole> | <digit>] {point} <places> | /0.02/ [<whole> {link}] <part>);",
    ]
    return "\n".join(rules)


def _fractions(numbers: Numbers) -> Iterable[str]:
    # "one eighth", "three eighths": number and plural agree, or short sounds would slip in.
    for name, parts in numbers.fractions.items():
        if name.endswith("s") and parts > 2:
            groups = [numbers.digits] + ([numbers.teens] if parts > 10 else [])
            over = [word for group in groups for word, size in group.items() if 1 < size < parts] + (["<tens> [<some>]"] if parts > 30 else [])
        else:
            # "a half", but nobody says "a eighth": it would only catch "eight".
            over = [word for word, size in numbers.digits.items() if size == 1] + ([] if name[0] in "aeiou" else numbers.a)
        yield f"{_choice(over)} {name}"


def _choice(words: Iterable[str]) -> str:
    return "(" + " | ".join(dict.fromkeys(words)) + ")"
