"""The phone model: what it gives for any sound, and what is said where it is missing."""

import numpy as np
import pytest

from assistant.errors import SoundError
from assistant.speech.lexicon import PHONES
from assistant.speech.phone_model import FRAMES_A_SECOND, LEAST_SAMPLES, MODEL, MOST_SAMPLES, PhoneModel
from assistant.speech.phone_search import NONE
from assistant.speech.recognise import RATE
from assistant.speech.spectrogram import BANDS, HOP, spectrogram

NOISE = np.random.default_rng(8)
TIME = np.arange(2 * RATE) / RATE
SOUNDS = {
    "silence": np.zeros(2 * RATE, np.int16),
    "offset": np.full(2 * RATE, 12_000, np.int16),
    "hiss": NOISE.normal(0, 3000, 2 * RATE).astype(np.int16),
    "one count": NOISE.integers(-1, 2, 2 * RATE).astype(np.int16),
    "hum": (8000 * np.sin(2 * np.pi * 120 * TIME)).astype(np.int16),
    "clipped": np.where(np.sin(2 * np.pi * 300 * TIME) > 0, 32_767, -32_768).astype(np.int16),
    "lowest": np.full(2 * RATE, -32_768, np.int16),
    "knock": np.where(np.arange(2 * RATE) == 9000, 32_767, 0).astype(np.int16),
    "shortest": NOISE.normal(0, 3000, LEAST_SAMPLES).astype(np.int16),
    "odd length": NOISE.normal(0, 3000, RATE + 123).astype(np.int16),
}


@pytest.fixture(scope="module")
def model() -> PhoneModel:
    return PhoneModel(threads=1)


@pytest.mark.parametrize("sound", SOUNDS.values(), ids=SOUNDS.keys())
def test_each_frame_has_a_probability_for_each_phone(model, sound):
    kept = sound.copy()
    rows = model.phones(sound)
    assert rows.shape == (len(sound) * FRAMES_A_SECOND // RATE, len(PHONES) + 1) and rows.dtype == np.float32
    assert np.isfinite(rows).all() and rows.max() <= 1e-4
    assert np.exp(rows.astype(np.float64)).sum(axis=1) == pytest.approx(1.0, abs=1e-3)
    assert np.array_equal(sound, kept)


@pytest.mark.parametrize("name", ["silence", "offset", "lowest"])
def test_nothing_is_said_where_nothing_sounds(model, name):
    assert (model.phones(SOUNDS[name]).argmax(axis=1) == NONE).all()


@pytest.mark.parametrize("samples", [0, 1, 320, LEAST_SAMPLES - 1])
def test_too_short_a_sound_has_no_frames(model, samples):
    assert model.phones(np.full(samples, 500, np.int16)).shape == (0, len(PHONES) + 1)


def test_the_beginning_is_taken_of_what_is_too_long(model):
    assert MOST_SAMPLES == 30 * RATE
    sound = np.concatenate([np.random.default_rng(2).normal(0, 3000, 30 * RATE), np.zeros(5 * RATE)]).astype(np.int16)
    rows = model.phones(sound)
    assert len(rows) == 30 * FRAMES_A_SECOND
    assert rows == pytest.approx(model.phones(sound[: 30 * RATE]), abs=1e-3)


@pytest.mark.parametrize("change", [lambda wave: wave // 4, lambda wave: wave + 9000], ids=["quieter", "offset"])
def test_level_and_offset_change_little(model, change):
    time = np.arange(RATE) / RATE
    wave = (6000 * np.sin(2 * np.pi * 150 * time) * np.sin(2 * np.pi * 2 * time)).astype(np.int64)
    plain, changed = (np.exp(model.phones(sound.astype(np.int16))) for sound in (wave, change(wave)))
    assert np.abs(plain - changed).mean() < 0.01


def test_a_missing_model_is_one_sentence(tmp_path):
    with pytest.raises(SoundError, match=r"none\.onnx: the phone model cannot be loaded .*install gloveside again\.$"):
        PhoneModel(tmp_path / "none.onnx")


@pytest.mark.parametrize("damage", [lambda data: b"", lambda data: data[: len(data) // 2], lambda data: b"\0" * 4096, lambda data: data[:1000] + b"\xff" * 5000 + data[6000:]], ids=["empty", "cut short", "zeros", "overwritten"])
def test_a_damaged_model_is_one_sentence(tmp_path, damage):
    path = tmp_path / "phones.onnx"
    path.write_bytes(damage(MODEL.read_bytes()))
    with pytest.raises(SoundError, match="the phone model cannot be loaded") as caught:
        PhoneModel(path)
    assert str(caught.value).endswith("install gloveside again.")


# Spectrogram -------------------------------------------------------------------------------------------------------


def test_a_tone_stands_in_the_band_of_its_pitch():
    """Eighty bands from 0 to 8 kHz on Slaney's scale: 200/3 Hz a mel below 1 kHz, then a factor of 6.4 in 27 mel (Auditory Toolbox 1998)."""
    step = np.log(6.4) / 27
    whole = 15 + np.log(8) / step
    for hertz in (300, 700, 1000, 2000, 5000):
        mel = hertz * 3 / 200 if hertz < 1000 else 15 + np.log(hertz / 1000) / step
        bands = spectrogram((9000 * np.sin(2 * np.pi * hertz * TIME)).astype(np.int16))
        assert bands.shape == (BANDS, len(TIME) // HOP)
        assert abs(bands[:, 50].argmax() - (mel / whole * (BANDS + 1) - 1)) <= 1


@pytest.mark.parametrize("sound", SOUNDS.values(), ids=SOUNDS.keys())
def test_the_spectrogram_is_held_within_eight_powers_of_ten(sound):
    """As Whisper's own: the logarithm held to 8 under its largest, plus 4, over 4 (Radford et al. 2022, and the code beside it)."""
    bands = spectrogram(sound)
    assert np.isfinite(bands).all() and bands.max() - bands.min() <= 2.0 + 1e-5
