"""A language pack: the phrases, number words, unit words and sentences of one language, read from YAML."""

from collections.abc import Mapping
from pathlib import Path
from typing import Literal

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError

from assistant.errors import LanguageError

PACKS = Path(__file__).parent / "packs"


class _Written(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    def __hash__(self) -> int:
        return id(self)  # a pack is read once and never changed


class Voice(_Written):
    espeak: str
    """Voice name of espeak-ng, which pyttsx3 speaks through."""
    words_per_minute: int = 150


class Numbers(_Written):
    """Number words. Style "english" counts in tens and hundreds, "positional" (Korean) sets a digit before each power of ten."""

    style: Literal["english", "positional"]
    zero: list[str]
    zero_within: list[str] = []
    """Zero beside other digits only, such as "oh": alone, so short a sound would be heard in any noise."""
    digits: dict[str, int]
    """1 to 9."""
    teens: dict[str, int] = {}
    tens: dict[str, int] = {}
    multipliers: dict[str, int] = {}
    """Powers of ten: hundred and thousand, or 십, 백, 천, 만."""
    and_: list[str] = []
    point: list[str]
    minus: list[str]
    a: list[str] = []
    """Stands for one before a hundred, a thousand or a fraction."""
    fractions: dict[str, int] = {}
    """Denominators."""


class Unit(_Written):
    spoken: list[str]
    """What a technician may say."""
    written: list[str] = []
    """Other spellings of the same sounds: read when typed, never heard."""
    say: str
    """What the assistant says."""
    say_one: str | None = None
    """The same after "one"."""


class Pack(_Written):
    language: str
    name: str
    voice: Voice
    numbers: Numbers
    units: dict[str, Unit]
    quantities: list[str] = []
    alphabet: dict[str, list[str]] = {}
    """Spelling alphabet: letter -> words. The first is the one the assistant says."""
    commands: dict[str, list[str]] = {}
    confirm: dict[str, list[str]] = {}
    number_lead: list[str] = []
    """Said before the number of a choice."""
    lists: dict[str, dict[str, list[str]]] = {}
    """Closed lists: conditions, dispositions, reasons. The first phrase of each entry is the one the assistant says."""
    pronunciations: dict[str, list[str]] = {}
    """ARPABET, for words the recogniser lacks or says otherwise."""
    prompts: dict[str, str] = {}

    def group(self, name: str) -> Mapping[str, list[str]]:
        """One closed list; empty where the pack has none."""
        return self.lists.get(name, {})

    def words_of(self, group: str, key: str) -> str:
        """How a choice of a closed list is said first; the key itself where the pack has it no longer."""
        phrases = self.group(group).get(key)
        return phrases[0] if phrases else key


def load_pack(name: str | Path) -> Pack:
    """A pack by its name ("en") or its file. Raises LanguageError."""
    path = Path(name) if str(name).endswith((".yaml", ".yml")) else PACKS / f"{name}.yaml"
    try:
        data = yaml.load(path.read_bytes(), Loader=yaml.CSafeLoader)
        if isinstance(data, dict) and isinstance(data.get("numbers"), dict) and "and" in data["numbers"]:
            data["numbers"]["and_"] = data["numbers"].pop("and")
        return Pack.model_validate(data)
    except FileNotFoundError:
        known = ", ".join(sorted(item.stem for item in PACKS.glob("*.yaml")))
        raise LanguageError(f'There is no language pack "{name}"; use {known}, or give a file that ends in .yaml.') from None
    except OSError as error:
        raise LanguageError(f"The language pack {path} cannot be read ({error.strerror}); check the file.") from None
    except yaml.YAMLError as error:
        raise LanguageError(f"The language pack {path} is not YAML ({' '.join(str(error).split())}); mend it there.") from None
    except ValidationError as error:
        first = error.errors()[0]
        raise LanguageError(f"The language pack {path} is wrong at {'.'.join(map(str, first['loc']))}: {first['msg']}; mend it there.") from None
