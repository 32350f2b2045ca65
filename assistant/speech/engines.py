"""Chooses the recogniser: Vosk where a model for the language is in `models/`, else the embedded PocketSphinx, with a second opinion
where that extra is installed."""

from pathlib import Path

from assistant.errors import SoundError
from assistant.language.pack import Pack
from assistant.speech.recognise import Recogniser

KINDS = ("auto", "vosk", "pocketsphinx")


def make_recogniser(kind: str, pack: Pack, models: Path) -> Recogniser:
    """A recogniser for the pack's language. Raises SoundError where there is no model for it."""
    # Imported here: each library takes part of a second to load, and a job uses one of them.
    from assistant.speech.vosk_model import VoskRecogniser, find_model

    model = find_model(pack.language, models) if kind in ("auto", "vosk") else None
    if model is not None:
        return VoskRecogniser(model, pack)
    if kind == "vosk":
        raise SoundError(f'There is no Vosk model for "{pack.language}" in {models}; run scripts/fetch_model.py, or use --listen pocketsphinx.')
    if pack.language != "en":
        raise SoundError(f'The embedded recogniser knows English only; put a Vosk model for "{pack.language}" into {models}.')
    from assistant.speech.second import SecondOpinion
    from assistant.speech.sphinx import SphinxRecogniser

    first = SphinxRecogniser(pack)
    second = SecondOpinion()
    if kind == "pocketsphinx" or not second.installed:
        return first
    from assistant.speech.opinion import SecondHearing

    second.start()
    return SecondHearing(first, second)


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
