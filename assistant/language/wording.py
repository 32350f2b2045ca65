"""Puts prompts into words of a language pack. Every value is said with its unit; nothing is abbreviated."""

from collections.abc import Sequence
from typing import Any

from assistant.engine.turn import Amount, Prompt
from assistant.language.numbers import number_words, say_value
from assistant.language.pack import Pack


def sentence(prompt: Prompt, pack: Pack) -> str:
    """The spoken sentence of a prompt. Raises KeyError where the pack lacks it (a test holds packs complete)."""
    args = {name: _spoken(value, pack, _joiner(name, pack)) for name, value in prompt.args.items()}
    text = pack.prompts[prompt.key].format(**args)
    return text[:1].upper() + text[1:]


def _joiner(name: str, pack: Pack) -> str:
    return pack.prompts["list_or"] if name in ("choices", "group") else pack.prompts["list_and"]


def _spoken(value: Any, pack: Pack, joiner: str) -> str:
    if isinstance(value, Amount):
        return say_value(value.value, value.unit or None, pack)
    if isinstance(value, tuple):
        return _listed([_spoken(item, pack, joiner) for item in value], joiner, value)
    if isinstance(value, int):
        return number_words(value, pack)
    if isinstance(value, str) and value.startswith("#"):
        return _looked_up(value[1:], pack)
    return str(value)


def _listed(items: Sequence[str], joiner: str, raw: tuple[Any, ...]) -> str:
    if len(items) < 2:
        return "".join(items)
    if all(isinstance(item, Amount) and not item.unit for item in raw):
        return ", ".join(items)  # a bolt order is a plain row of numbers
    return f"{', '.join(items[:-1])}, {joiner} {items[-1]}" if len(items) > 2 else f"{items[0]} {joiner} {items[1]}"


def _looked_up(reference: str, pack: Pack) -> str:
    group, _, key = reference.partition(":")
    if group == "units":
        return pack.units[key].say
    if group == "count":
        count, name, *place = key.split(":")
        template = pack.prompts["count_from" if place else "count"]
        return template.format(name=name, count=number_words(int(count), pack), place=place[0] if place else "")
    if group == "number":
        number, _, choice = key.partition(":")
        return _numbered(int(number), choice, pack)
    if group == "numbers":
        items = [_numbered(number, phrases[0], pack) for number, phrases in enumerate(pack.group(key).values(), 1)]
        return _listed(items, pack.prompts["list_or"], ())
    if group == "phonetic":
        return spelled_out(key, pack)
    if group == "spelled":
        return " ".join(number_words(int(letter), pack) if letter.isdecimal() else letter.upper() for letter in key if letter.isalnum())
    if group == "counted":
        count, _, name = key.partition(":")
        return f"{number_words(int(count), pack)} {name}"
    if group == "all":
        names = {"condition": "conditions", "disposition": "dispositions", "skip_reason": "skip_reasons", "pause_reason": "pause_reasons"}
        return _listed([phrases[0] for phrases in pack.group(names[key]).values()], pack.prompts["list_or"], ())
    return spoken_choice(group, key, pack)


def spelled_out(letters: str, pack: Pack) -> str:
    """Letters and digits by the spelling alphabet of the pack."""
    return " ".join(pack.alphabet.get(letter, [letter])[0] if letter.isalpha() else number_words(int(letter), pack) for letter in letters if letter.isalnum())


def _numbered(number: int, choice: str, pack: Pack) -> str:
    return pack.prompts["numbered_one"].format(number=number_words(number, pack), choice=choice)


def spoken_choice(group: str, key: str, pack: Pack) -> str:
    """How one entry of a closed list is said."""
    return pack.group(group)[key][0]
