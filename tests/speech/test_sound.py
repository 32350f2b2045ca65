"""Sound files of every kind that turn up, and those that are no sound at all."""

import numpy as np
import pytest
import soundfile as sf

from assistant.errors import SoundError
from assistant.speech.sound import condition, read_sound, to_16k, trim_silence

TONE_HZ = 440.0


def tone(rate: int, seconds: float = 1.0) -> np.ndarray:
    return 0.5 * np.sin(2 * np.pi * TONE_HZ * np.arange(int(rate * seconds)) / rate)


def pitch(samples: np.ndarray) -> float:
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    return spectrum.argmax() * 16000 / len(samples)


@pytest.mark.parametrize("rate", [8000, 11025, 16000, 22050, 44100, 48000, 96000])
@pytest.mark.parametrize("channels", [1, 2, 6])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT", "PCM_U8"])
def test_any_rate_channels_and_depth(tmp_path, rate, channels, subtype):
    path = tmp_path / "a.wav"
    sf.write(path, np.tile(tone(rate)[:, None], channels), rate, subtype=subtype)
    samples = read_sound(path)
    assert samples.dtype == np.int16 and samples.ndim == 1
    assert abs(len(samples) - 16000) <= 16
    assert pitch(samples) == pytest.approx(TONE_HZ, abs=2)
    assert np.abs(samples).max() == pytest.approx(16384, rel=0.03)


def test_flac_is_read(tmp_path):
    path = tmp_path / "a.flac"
    sf.write(path, tone(16000), 16000)
    assert pitch(read_sound(path)) == pytest.approx(TONE_HZ, abs=2)


@pytest.mark.parametrize("content, words", [(b"", "empty"), (b"not sound at all", "not a sound file"), (b"RIFF\x00\x00", "not a sound file")])
def test_what_is_no_sound_is_refused_in_a_sentence(tmp_path, content, words):
    path = tmp_path / "a.wav"
    path.write_bytes(content)
    with pytest.raises(SoundError, match=words):
        read_sound(path)


def test_a_missing_file():
    with pytest.raises(SoundError, match="no such sound file"):
        read_sound("/nowhere/a.wav")


def test_a_truncated_file_gives_what_is_there(tmp_path):
    path = tmp_path / "a.wav"
    sf.write(path, tone(16000), 16000, subtype="PCM_16")
    path.write_bytes(path.read_bytes()[:16044])
    assert pitch(read_sound(path)) == pytest.approx(TONE_HZ, abs=3)


def test_a_header_without_samples(tmp_path):
    path = tmp_path / "a.wav"
    sf.write(path, np.zeros(0), 16000)
    with pytest.raises(SoundError, match="no samples"):
        read_sound(path)


def test_offset_and_level_are_evened_out():
    quiet = (tone(16000) * 1000 + 4000).astype(np.int16)
    even = condition(quiet)
    assert abs(even.mean()) < 2
    assert np.abs(even).max() > 4 * 500


def test_silence_is_trimmed_and_digital_silence_is_nothing():
    sound = np.concatenate([np.zeros(16000), tone(16000) * 8000, np.zeros(16000)]).astype(np.int16)
    assert 16000 <= len(trim_silence(sound)) <= 16000 * 1.6
    assert len(trim_silence(np.zeros(16000, np.int16))) == 0
    assert len(to_16k(np.zeros(0), 8000)) == 0
