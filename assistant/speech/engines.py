"""Chooses the recogniser: Vosk where a model for the language is in `models/`, else the phone model of this package, with a second opinion
where that extra is installed; PocketSphinx where it is asked for."""

from pathlib import Path

from assistant.errors import SoundError
from assistant.language.pack import Pack
from assistant.speech.front import FrontEnd
from assistant.speech.recognise import Recogniser

KINDS = ("auto", "vosk", "phones", "pocketsphinx")


def make_recogniser(kind: str, pack: Pack, models: Path, front: FrontEnd | None = None) -> Recogniser:
    """A recogniser for the pack's language; `front` cleans the sound for those that want it cleaned. Raises SoundError where there is no
    model for it."""
    # Imported here: each library takes part of a second to load, and a job uses one of them.
    from assistant.speech.vosk_model import VoskRecogniser, find_model

    model = find_model(pack.language, models) if kind in ("auto", "vosk") else None
    if model is not None:
        return VoskRecogniser(model, pack, front)
    if kind == "vosk":
        raise SoundError(f'There is no Vosk model for "{pack.language}" in {models}; run scripts/fetch_model.py, or use --listen phones.')
    if pack.language != "en":
        raise SoundError(f'The embedded recogniser knows English only; put a Vosk model for "{pack.language}" into {models}.')
    if kind == "pocketsphinx":
        from assistant.speech.sphinx import SphinxRecogniser

        return SphinxRecogniser(pack, front)
    from assistant.speech.phone_recogniser import PhoneRecogniser
    from assistant.speech.second import SecondOpinion

    first = PhoneRecogniser(pack)
    second = SecondOpinion()
    if kind == "phones" or not second.installed:
        return first
    from assistant.speech.opinion import SecondHearing

    second.start()
    return SecondHearing(first, second, front)


def wait_until_ready(recogniser: Recogniser) -> None:
    """For recordings, which nobody waits for: until the second opinion's model is loaded, too."""
    ready = getattr(recogniser, "ready", None)
    if ready is not None:
        ready(20.0)


def close_recogniser(recogniser: Recogniser | None) -> None:
    """End the processes of a recogniser that has any."""
    close = getattr(recogniser, "close", None)
    if close is not None:
        close()
