"""Recorded speech of people, out of Debian packages, and what they say. Fetched into a cache and never installed; only benchmarks use it.

One woman's single words, telephone prompts of hers, and sentences of other speakers; one person's names of things out of a game for children;
and sentences of 27 actors out of another game, some with voices made strange. All is given as int16, mono, 16 kHz, and trimmed.
"""

import re
import subprocess
import zipfile
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np
import soundfile

from assistant.errors import GlovesideError
from assistant.language.numbers import number_words
from assistant.language.pack import load_pack
from assistant.speech.recognise import RATE
from assistant.speech.sound import read_sound, to_16k, trim_silence

PROMPTS = ("asterisk-core-sounds-en-g722", "pocketsphinx-testdata")
"""12 MB: the woman's words and prompts, and the other sentences. G.722 needs the Python package G722, which only benchmarks use."""
GAMES = ("ktuberling-data", "uqm-voice", "uqm-content")
"""140 MB: names of things, and the actors with their texts."""
MOST_S, MOST_EACH = 8.0, 25
"""Longest sentence of an actor that is used, s, and how many of each."""

NUMBERS = {word: number for number, word in enumerate("""zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen
fifteen sixteen seventeen eighteen nineteen twenty""".split())} | dict(zip("thirty forty fifty sixty seventy eighty ninety".split(), range(30, 100, 10), strict=True))  # fmt: skip
ORDINALS = """first second third fourth fifth sixth seventh eighth ninth tenth eleventh twelfth thirteenth fourteenth fifteenth sixteenth
seventeenth eighteenth nineteenth twentieth""".split()
MONTHS = "january february march april may june july august september october november december".split()
DAYS = "sunday monday tuesday wednesday thursday friday saturday".split()
# "november" is a month above.
ALPHABET = """alpha bravo charlie delta echo foxtrot golf hotel india juliet kilo lima mike oscar papa quebec romeo sierra tango
uniform victor whiskey yankee zulu""".split()
FILES = {
    **{word: f"digits/{number}" for word, number in NUMBERS.items()},
    **{word: f"digits/h-{number}" for number, word in enumerate(ORDINALS, start=1)},
    **{word: f"digits/mon-{number}" for number, word in enumerate(MONTHS)},
    **{word: f"digits/day-{number}" for number, word in enumerate(DAYS)},
    **{word: f"phonetic/{word[0]}_p" for word in ALPHABET},
    **{word: f"digits/{word}" for word in "hundred thousand million billion minus oh today tomorrow yesterday pound star dollars at".split()},
    **{word: f"letters/{word}" for word in "plus slash space dot dash equals asterisk dollar".split()},
    **{word: word for word in "hours minute minutes seconds number time goodbye hello location extension activated removed enabled disabled sorry invalid transfer calling cancelled".split()},
}
"""The woman's words, by file."""
SPELLED = {"palmtree": "palm tree", "fallingstar": "falling star", "moonwalker": "moon walker", "broccolli": "broccoli", "sphynx": "sphinx", "ufo": "u f o"}
"""Names of things, where the file's name is not what is said."""


def fetch(cache: Path, packages: tuple[str, ...]) -> None:
    """Put packages into the cache. Raises GlovesideError."""
    folder = cache / "recorded"
    folder.mkdir(parents=True, exist_ok=True)
    try:
        subprocess.run(["apt-get", "download", *packages], cwd=folder, check=True, capture_output=True, timeout=600)
        for package in folder.glob("*.deb"):
            subprocess.run(["dpkg-deb", "-x", str(package), str(folder)], check=True, capture_output=True, timeout=120)
    except (OSError, subprocess.SubprocessError) as error:
        raise GlovesideError(f"The recorded speech cannot be fetched ({error}); run apt-get update, or leave the option to fetch it out.") from None


def has_prompts(cache: Path) -> bool:
    """Whether the woman's words are here, and can be decoded."""
    try:
        import G722  # noqa: F401
    except ImportError:
        return False
    return _prompts(cache) is not None


def _prompts(cache: Path) -> Path | None:
    """Where the woman's words lie, one voice of American English."""
    return next(iter(sorted((cache / "recorded").glob("usr/share/*/sounds/en_US_f_*"))), None)


@lru_cache(maxsize=512)
def _prompt(name: str, cache: Path) -> np.ndarray:
    from G722 import G722

    folder = _prompts(cache)
    assert folder is not None  # asked for only where has_prompts
    decoded = G722(16000, 64000).decode((folder / f"{name}.g722").read_bytes())
    return trim_silence(np.asarray(decoded, dtype=np.int16), keep_s=0.02)


def value(rng: np.random.Generator) -> str:
    """A whole number that the woman's words can say, with a unit of time in two of three."""
    pack = load_pack("en")
    number = int(rng.integers(0, 100)) if rng.random() < 0.6 else int(rng.integers(1, 10)) * 100
    text = number_words(number, pack, "digits" if rng.random() < 0.4 else "plain")
    return f"{text} {rng.choice(['minutes', 'seconds', 'hours'])}" if rng.random() < 0.67 else text


def sound(text: str, cache: Path) -> np.ndarray:
    """The woman's words set one after another, 60 ms between them; "sentence:NAME" is one of `sentences`."""
    if text.startswith("sentence:"):
        name = text.removeprefix("sentence:")
        return read_sound(cache / "recorded" / name) if name.endswith(".wav") else _prompt(name, cache)
    gap = np.zeros(round(0.06 * RATE), dtype=np.int16)
    parts: list[np.ndarray] = []
    for word in text.split():
        parts += [_prompt(FILES[word], cache), gap]
    return np.concatenate(parts[:-1])


@lru_cache(maxsize=4)
def sentences(cache: Path) -> tuple[str, ...]:
    """Names of recorded sentences of 2 s and more: talk, of which no word need be known."""
    folder = _prompts(cache)
    others = (cache / "recorded").glob("usr/share/pocketsphinx/test/data/*/*.wav")
    # 64 kbit/s are 8,000 bytes a second.
    return tuple(sorted([*(path.stem for path in (folder.glob("*.g722") if folder else ()) if 16_000 < path.stat().st_size < 64_000), *(str(path.relative_to(cache / "recorded")) for path in others)]))


def texts(cache: Path) -> set[str]:
    """What those of the sentences say whose words are known: one of them is "five five", and no false trigger."""
    lines = [line for path in (cache / "recorded").glob("usr/share/pocketsphinx/test/data/*/*transcription") for line in path.read_text().splitlines()]
    return {" ".join(line.partition("<s>")[2].partition("</s>")[0].split()) for line in lines}


def words(cache: Path) -> list[tuple[str, np.ndarray]]:
    """The woman's single words, each with what is said; none where they are not here."""
    return [(word, _prompt(name, cache)) for word, name in FILES.items()] if has_prompts(cache) else []


def things(cache: Path) -> list[tuple[str, np.ndarray]]:
    """The names of things, each with what is said."""
    found = []
    for path in sorted((cache / "recorded").glob("usr/share/ktuberling/sounds/en/*.ogg")):
        name = path.stem.rpartition("_")[2]
        found.append((SPELLED.get(name, name), _read(path)))
    return found


def actors(cache: Path, known: Callable[[str], bool]) -> Iterator[tuple[str, str, np.ndarray]]:
    """Who speaks, what is said, and the sound, of sentences all of whose words are `known`: talk of people."""
    unpacked = cache / "recorded" / "actors"
    if not unpacked.is_dir():
        _unpack(cache, unpacked)
    files = {path.name: path for path in unpacked.rglob("*.ogg")}
    for listing in sorted(unpacked.glob("base/comm/*/*.txt")):
        said = re.findall(r"^#\(\w+\)[ \t]+(\S+\.ogg).*\n((?:(?!#\().*\n?)*)", listing.read_text(encoding="utf-8", errors="replace"), re.M)
        used = 0
        for name, written in said:
            text = " ".join(word.strip("'") for word in re.sub(r"[^a-z' ]", " ", written.lower()).split())
            path = files.get(name)
            if path is None or not text or re.search(r"\d", written) or not all(known(word) for word in text.split()) or soundfile.info(path).duration > MOST_S:
                continue
            yield listing.parent.name, text, _read(path)
            used += 1
            if used == MOST_EACH:
                break


def _unpack(cache: Path, folder: Path) -> None:
    partial = folder.with_suffix(".partial")
    for archive in sorted([*(cache / "recorded" / "usr").rglob("*.uqm"), *(cache / "recorded" / "usr").rglob("*.zip")]):
        with zipfile.ZipFile(archive) as file:
            file.extractall(partial)
    if partial.is_dir():
        partial.rename(folder)


def _read(path: Path) -> np.ndarray:
    samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    return trim_silence(to_16k(samples.mean(axis=1), rate), keep_s=0.05)
