"""What the phone model is trained on: noise at the ratio asked for, texts that can be spelled in phones, clips that are made once. No torch."""

import importlib.util
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from assistant.errors import GlovesideError
from assistant.language.pack import load_pack
from assistant.speech import shop_noise
from assistant.speech.lexicon import NUMBER, Lexicon
from assistant.speech.recognise import RATE
from scripts.phones import kokoro, mixing, voices
from scripts.phones.batches import batches, targets
from scripts.phones.clips import Clips, make_part, parts_of
from scripts.phones.measuring import CONDITIONS, likeliest, measure
from scripts.phones.texts import Texts
from scripts.phones.voices import ACCENTS, FAMILIES, HELD_OUT_VARIANTS, VARIANTS, EngineFailed, Family

ROOT = Path(__file__).resolve().parents[2]
LEXICON = Lexicon(load_pack("en"))
RNG = np.random.default_rng(3)
SPEECH = (RNG.normal(0, 4000, RATE) * np.repeat(RNG.uniform(0.2, 1.0, 50), RATE // 50)).astype(np.int16)
"""Noise whose level moves as speech does, one second."""


def draw(count, rng):
    return [SPEECH] * count


def beep(text, rng, scratch):
    return "beep", np.round(SPEECH * rng.uniform(0.5, 1.0)).astype(np.int16)


def broken(text, rng, scratch):
    raise OSError("no such engine")


BEEP, BROKEN = Family("beep", (), 1.0, 0.0, 1, beep), Family("broken", (), 1.0, 0.0, 1, broken)


@pytest.fixture(scope="module")
def texts():
    return Texts(load_pack("en"), LEXICON, ROOT)


def train_phones(*arguments):
    return subprocess.run([sys.executable, str(ROOT / "scripts" / "train_phones"), *arguments], capture_output=True, text=True, check=False)


@pytest.mark.parametrize("stage", [[], ["clips"], ["train"], ["export"], ["test"]])
def test_help_needs_no_package_of_training(stage):
    run = train_phones(*stage, "--help")
    assert run.returncode == 0 and run.stdout.startswith("usage: train_phones")


@pytest.mark.parametrize("arguments", [["test"], pytest.param(["train", "--minutes", "1"], marks=pytest.mark.skipif(importlib.util.find_spec("torch") is not None, reason="torch is installed"))])
def test_what_is_missing_is_one_sentence(arguments, tmp_path):
    run = train_phones(*arguments, "--cache", str(tmp_path))
    assert run.returncode == 1 and run.stdout == ""
    assert len(run.stderr.splitlines()) == 1 and ("clips first" in run.stderr or "torch" in run.stderr)


@pytest.mark.parametrize("ratio", [20, 10, 0])
@pytest.mark.parametrize("kind", [kind for kind in mixing.KINDS if kind != "room"])
def test_a_mix_has_the_ratio_asked_for(kind, ratio):
    samples = RATE + 9600
    mix = mixing.mixed(SPEECH, samples, np.random.default_rng(5), draw, kind, ratio).astype(float)
    # The same random numbers give the same place and the same noise again.
    rng = np.random.default_rng(5)
    speech = mixing.placed(SPEECH, samples, rng)
    noise = mixing.noise(kind, samples, rng, draw)
    parts = np.stack([speech, noise, np.ones(samples)], axis=1)
    scales = np.linalg.lstsq(parts, mix, rcond=None)[0]
    # Nothing is in it but the speech, the noise and what rounding leaves.
    assert np.abs(parts @ scales - mix).max() < 3.0
    voice, other, _ = scales
    assert shop_noise.snr_db(voice * speech, other * noise) == pytest.approx(ratio, abs=0.3)


def test_surroundings_are_of_the_length_and_level_asked_for_and_silence_gives_noise():
    for seed in range(30):
        clip = SPEECH if seed % 3 else SPEECH * 0
        wave = mixing.any_surroundings(clip, 2 * RATE, np.random.default_rng(seed), draw)
        assert wave.dtype == np.int16 and len(wave) == 2 * RATE
        assert np.abs(wave.astype(int)).max() == pytest.approx(16384, abs=1)


def test_held_out_noises_and_voices_are_not_trained_on():
    assert not set(mixing.TRAINED) & set(mixing.HELD_OUT)
    assert set(mixing.HELD_OUT) < {noise for noise, _ in CONDITIONS}
    assert not set(VARIANTS) & set(HELD_OUT_VARIANTS)
    assert not {"en-gb-scotland", "en-gb-x-rp"} & set(ACCENTS)
    assert sum(family.share for family in FAMILIES) == pytest.approx(1.0)


def test_every_text_can_be_written_in_phones(texts):
    drawn = [texts.draw(np.random.default_rng([1, number])) for number in range(300)]
    assert all(targets(text, LEXICON) for text in drawn)
    assert len(set(drawn)) > 250


def test_targets_are_the_phones_of_each_word():
    # From memory of the CMU dictionary.
    assert targets("two bolts", LEXICON) == [NUMBER[phone] for phone in "T UW B OW L T S".split()]


@pytest.mark.parametrize(("count", "parts"), [(0, []), (1, [1]), (250, [250]), (600, [250, 250, 100])])
def test_clips_come_in_parts(count, parts):
    assert parts_of(count) == parts


def test_clips_are_made_once_and_come_from_their_seed(tmp_path, texts):
    for cache in (tmp_path / "a", tmp_path / "b"):
        assert make_part(cache, BEEP, 0, 6, 1, texts)
        assert not make_part(cache, BEEP, 0, 6, 1, texts)
    first, second = (Clips(tmp_path / name, ["beep"]) for name in "ab")
    assert len(first.all) == 6 and first.all == second.all
    assert all(np.array_equal(first.sound(number), second.sound(number)) for number in range(6))


def test_a_broken_engine_ends_it_in_one_sentence_and_leaves_no_part(tmp_path, texts):
    with pytest.raises(EngineFailed, match="broken cannot say"):
        make_part(tmp_path, BROKEN, 0, 2, 1, texts)
    with pytest.raises(GlovesideError, match="no clips of broken"):
        Clips(tmp_path, ["broken"])


def test_a_batch_holds_spectrograms_of_whole_frames_and_the_phones_of_its_clips(tmp_path, texts):
    make_part(tmp_path, BEEP, 0, 6, 1, texts)
    clips = Clips(tmp_path, ["beep"])
    batch = next(batches(clips, LEXICON, np.random.default_rng(1), size=3))
    assert batch.spectrograms.shape[:2] == (3, 80) and batch.spectrograms.shape[2] % 2 == 0 and batch.spectrograms.dtype == np.float32
    said = [targets(clip.text, LEXICON) for clip in clips.all]
    assert len(batch.phones) == 3 and all(phones in [*said, []] for phones in batch.phones)


def test_phones_that_go_on_count_once():
    logs = np.full((7, 40), -9.0)
    for frame, phone in enumerate([0, 5, 5, 0, 5, 7, 7]):
        logs[frame, phone] = 0.0
    assert likeliest(logs) == [5, 5, 7]
    assert likeliest(logs[:0]) == []


def test_a_model_that_hears_nothing_has_every_phone_wrong(tmp_path, texts):
    make_part(tmp_path, BEEP, 0, 4, 1, texts)
    rows = measure(lambda samples: np.eye(40)[[0] * 10], Clips(tmp_path, ["beep"]), LEXICON, count=1, seed=1)
    assert [(row.noise, row.ratio_db) for row in rows] == list(CONDITIONS)
    assert all(row.errors == row.phones > 0 for row in rows)


def test_copies_of_a_slow_voice_are_other_people(tmp_path, monkeypatch):
    monkeypatch.setattr(voices, "warped", lambda sound, rng: sound // 2)
    made = voices.clips(Family("slow", (), 1.0, 0.0, 3, beep), "any", np.random.default_rng(1), tmp_path / "a.wav")
    assert [voice for voice, _ in made] == ["beep", "beep+warped", "beep+warped"]
    assert abs(made[1][1]).max() < 0.6 * abs(made[0][1]).max()


def test_sounds_are_written_in_the_alphabet_of_kokoro():
    if shutil.which("espeak-ng") is None:
        pytest.skip("espeak-ng is not installed")
    for accent, own in (("en-us", "O"), ("en-gb", "Q")):
        said = kokoro.letters("five points now, day, go, church and judge", accent)
        assert not set(said) & set("^-ː\n" if accent == "en-us" else "^-\n")
        assert all(letter in said for letter in ("I", "Y", "W", "A", own, "ʧ", "ʤ"))


def test_voices_that_are_held_out_are_not_trained_on():
    """By name, so that it holds where Kokoro is not installed."""
    assert len(set(voices.HELD_OUT_KOKORO)) == 8 and {name[:2] for name in voices.HELD_OUT_KOKORO} == {"af", "am", "bf", "bm"}


def test_weights_go_back_to_whispers_and_the_top_layer_stays(monkeypatch):
    torch = pytest.importorskip("torch", reason="torch is for training only")
    from scripts.phones import network

    ours, theirs = network.Net(), network.Net()
    monkeypatch.setattr(network, "from_whisper", lambda path: theirs)
    between = network.nearer_whisper(ours, Path("any"), 0.25).state_dict()
    assert torch.allclose(between["c1.weight"], 0.75 * ours.c1.weight + 0.25 * theirs.c1.weight, atol=1e-6)
    assert torch.equal(between["head.weight"], ours.head.weight) and torch.equal(between["pos"], ours.pos)


def test_speakers_between_two_voices_are_of_voices_that_are_trained_on(monkeypatch):
    said = []
    monkeypatch.setattr(kokoro, "voices", lambda: ["af_heart", "bm_lewis", *voices.HELD_OUT_KOKORO])
    monkeypatch.setattr(kokoro, "say", lambda text, voice, speed, other=None, share=0.0: said.append((voice, other, share)) or SPEECH)
    rng = np.random.default_rng(1)
    named = [voices._kokoro("any", rng, Path("unused"))[0] for _ in range(200)]
    between = [(voice, other, share) for voice, other, share in said if other]
    assert 0.6 < len(between) / len(said) < 0.8 and {voice for voice, _, _ in said} == {"af_heart", "bm_lewis"}
    assert all({voice, other} == {"af_heart", "bm_lewis"} and -0.2 <= share <= 1.2 for voice, other, share in between)
    assert min(share for *_, share in between) < 0 and max(share for *_, share in between) > 1  # beyond them, too
    assert len(set(named)) > 100
