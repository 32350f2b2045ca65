"""Tries each thing a job needs, and says in words how to mend what fails."""

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from assistant.errors import GlovesideError

LEAST_FREE_MB = 200
"""A day of clips fits in this. Common practice, no source."""


@dataclass(frozen=True)
class Finding:
    """One thing tried."""

    what: str
    well: bool
    words: str
    """What was found, or what to do."""


def examine(language: str, store: Path, models: Path) -> Iterator[Finding]:
    """Try microphone, loudspeaker, what takes one out of the other, recogniser with its model, and disk."""
    yield _microphone()
    yield _loudspeaker(language)
    yield _echo()
    yield from _recogniser(language, models)
    yield _disk(store)


def _microphone() -> Finding:
    from assistant.speech.devices import input_level

    try:
        level = input_level(1.0)
    except GlovesideError as error:
        return Finding("microphone", False, str(error))
    if level < -75:
        return Finding("microphone", False, f"open, but nearly silent ({level:.0f} dB of full scale); unmute it or raise its level in the sound settings.")
    if level > -10:
        return Finding("microphone", False, f"too loud ({level:.0f} dB of full scale); lower its level in the sound settings.")
    return Finding("microphone", True, f"open, {level:.0f} dB of full scale now.")


def _loudspeaker(language: str) -> Finding:
    from assistant.language.pack import load_pack
    from assistant.speech.speak import WorkerSpeaker

    pack = load_pack(language)
    speaker = WorkerSpeaker(pack.voice.espeak, pack.voice.words_per_minute)
    try:
        speaker.say("Gloveside.")
        spoke = speaker.wait(20)
        notices = speaker.notices()
    finally:
        speaker.close()
    if notices or not spoke:
        return Finding("loudspeaker", False, " ".join(notices) or "the prompt did not end; check the sound settings.")
    return Finding("loudspeaker", True, "a prompt was spoken.")


def _echo() -> Finding:
    from assistant.speech.echo import EchoCanceller
    from assistant.speech.played import Played

    try:
        EchoCanceller(Played())
    except GlovesideError as error:
        return Finding("talking over", False, str(error))
    return Finding("talking over", True, "prompts can be talked over without a headset.")


def _recogniser(language: str, models: Path) -> Iterator[Finding]:
    from assistant.engine.expect import general_vocabulary
    from assistant.language.pack import load_pack
    from assistant.language.vocabulary import Vocabulary
    from assistant.speech.engines import close_recogniser, make_recogniser

    try:
        pack = load_pack(language)
        recogniser = make_recogniser("auto", pack, models)
        close_recogniser(recogniser)  # its words are known without the second process
        missing = recogniser.missing_words(Vocabulary(pack).grammar(general_vocabulary()).words())
    except GlovesideError as error:
        yield Finding("recogniser", False, str(error))
        yield Finding("model", False, "none can be used; mend the recogniser first.")
        return
    yield Finding("recogniser", True, f"{recogniser.name} runs.")
    if missing:
        yield Finding("model", False, f"{recogniser.model} does not know: {', '.join(sorted(missing))}; change these words in the language pack.")
    else:
        yield Finding("model", True, f"{recogniser.model} knows every word of the language pack.")


def _disk(store: Path) -> Finding:
    try:
        store.mkdir(parents=True, exist_ok=True)
        probe = store / ".write-probe"
        probe.write_bytes(b"probe")
        probe.unlink()
        free = shutil.disk_usage(store).free // 1_000_000
    except OSError as error:
        return Finding("disk", False, f"{store} cannot be written ({error.strerror}); choose another folder with --store.")
    if free < LEAST_FREE_MB:
        return Finding("disk", False, f"{free} MB free in {store}; make room: {LEAST_FREE_MB} MB are wanted.")
    return Finding("disk", True, f"{free} MB free in {store}.")
