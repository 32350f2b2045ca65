"""Noises for the benchmark: as loud as asked, the same from the same seed, and never past full scale."""

import numpy as np
import pytest

from assistant.speech import shop_noise
from assistant.speech.recognise import RATE

RNG = np.random.default_rng(8)
TALK = [(RNG.normal(0, 4000, RATE * 2) * np.repeat(RNG.uniform(0.2, 1.0, 100), RATE // 50)).astype(np.int16) for _ in range(3)]
"""Noise whose level moves as speech does."""
MAKERS = {
    **shop_noise.NOISES,
    "babble": lambda seconds, seed: shop_noise.babble(seconds, seed, TALK),
    "prompt": lambda seconds, seed: shop_noise.prompt(seconds, seed, TALK),
}


@pytest.mark.parametrize("name", MAKERS)
def test_noise_has_its_length_and_level_and_is_bounded(name):
    wave = MAKERS[name](3.3, 1)
    assert len(wave) == round(3.3 * RATE)
    assert np.all(np.isfinite(wave)) and np.abs(wave).max() <= 1.0
    assert abs(20 * np.log10(np.sqrt(np.mean(wave**2)) / shop_noise.NOISE_RMS)) < 0.5
    assert len(MAKERS[name](0.0, 1)) == 0


@pytest.mark.parametrize("name", MAKERS)
def test_noise_comes_from_its_seed(name):
    first = MAKERS[name](2.0, 4)
    assert np.array_equal(first, MAKERS[name](2.0, 4))
    assert not np.array_equal(first, MAKERS[name](2.0, 5))


def test_long_noise_is_as_loud_in_every_block():
    wave = shop_noise.compressor(70.0, 1)
    levels = [20 * np.log10(wave[start : start + 10 * RATE].std()) for start in range(0, 70 * RATE, 10 * RATE)]
    assert max(levels) - min(levels) < 1.0


@pytest.mark.parametrize("ratio", [20, 10, 5, 0, -5])
@pytest.mark.parametrize("name", MAKERS)
def test_a_mix_has_the_ratio_asked_for(name, ratio):
    speech = np.pad(TALK[0], (8000, 12000))
    mixed = shop_noise.mix(speech, MAKERS[name](5.0, 2), ratio).astype(np.float64)
    # The scale of the speech in the mix is found by projection; what is left is the noise.
    noise = MAKERS[name](5.0, 2)[: len(speech)]
    both = np.stack([speech.astype(np.float64), noise], axis=1)
    (voice, other), *_ = np.linalg.lstsq(both, mixed, rcond=None)
    assert shop_noise.snr_db(voice * speech, other * noise) == pytest.approx(ratio, abs=0.5)
    assert np.abs(mixed - both @ [voice, other]).max() < 2.0
    assert np.abs(mixed).max() <= 32767


def test_pauses_do_not_change_the_level_of_speech():
    assert shop_noise.active_power(np.pad(TALK[0], (40000, 40000))) == pytest.approx(shop_noise.active_power(TALK[0]), rel=0.05)


def test_speech_that_is_loud_already_does_not_clip():
    loud = np.where(TALK[1] > 0, 32767, -32768).astype(np.int16)
    mixed = shop_noise.mix(loud, shop_noise.grinder(3.0, 1), 0)
    assert np.mean(np.abs(mixed.astype(int)) >= 32766) == 0


def test_what_cannot_be_mixed_is_refused():
    with pytest.raises(ValueError, match="shorter"):
        shop_noise.mix(TALK[0], np.ones(10), 10)
    with pytest.raises(ValueError, match="not silent"):
        shop_noise.mix(np.zeros(100, np.int16), np.ones(100), 10)
    with pytest.raises(ValueError, match="voice"):
        shop_noise.babble(1.0, 1, [np.zeros(1000, np.int16)])


def test_a_room_keeps_the_length_and_rings_on():
    click = np.zeros(RATE)
    click[100] = 1.0
    heard = shop_noise.room(click, 3, 0.5)
    assert len(heard) == RATE and heard[100] == pytest.approx(1.0, abs=0.05)
    early, late = np.sum(heard[200:2000] ** 2), np.sum(heard[6000:7800] ** 2)
    assert 0 < late < early / 100
    assert len(shop_noise.room(np.zeros(0), 3)) == 0
