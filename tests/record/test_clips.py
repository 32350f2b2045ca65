"""Clips: whole files, named by what is in them."""

import hashlib

import numpy as np
import pytest

from assistant.errors import JournalError, SoundError
from assistant.record import faults
from assistant.record.clips import read_clip, save_clip


@pytest.fixture
def samples():
    return np.random.default_rng(4).integers(-3000, 3000, 8000).astype(np.int16)


def test_a_clip_comes_back_sample_for_sample(tmp_path, samples):
    clip = save_clip(tmp_path, samples)
    assert clip["file"] == f"clips/{clip['sha256']}.flac"
    assert clip["seconds"] == 0.5
    assert hashlib.sha256((tmp_path / clip["file"]).read_bytes()).hexdigest() == clip["sha256"]
    assert np.array_equal(read_clip(tmp_path, clip["sha256"]), samples)


def test_the_same_sound_is_kept_once_and_mended_if_damaged(tmp_path, samples):
    clip = save_clip(tmp_path, samples)
    (tmp_path / clip["file"]).write_bytes(b"half a fi")
    assert save_clip(tmp_path, samples) == clip
    assert np.array_equal(read_clip(tmp_path, clip["sha256"]), samples)
    assert len(list((tmp_path / "clips").iterdir())) == 1


def test_a_changed_or_missing_clip(tmp_path, samples):
    clip = save_clip(tmp_path, samples)
    path = tmp_path / clip["file"]
    content = bytearray(path.read_bytes())
    content[-1] ^= 1
    path.write_bytes(content)
    with pytest.raises(JournalError, match="not as it was recorded"):
        read_clip(tmp_path, clip["sha256"])
    path.unlink()
    with pytest.raises(JournalError, match="is missing"):
        read_clip(tmp_path, clip["sha256"])


@pytest.mark.parametrize(
    "wrong", [np.zeros(10, np.float32), np.zeros((10, 2), np.int16), np.zeros(0, np.int16)], ids=["float", "stereo", "empty"]
)
def test_sound_of_the_wrong_kind(tmp_path, wrong):
    with pytest.raises(SoundError, match="16-bit mono"):
        save_clip(tmp_path, wrong)


def test_a_failed_write_leaves_nothing_behind(tmp_path, samples, monkeypatch):
    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(faults.os, "fsync", full)
    with pytest.raises(JournalError, match="disk is full.*is kept"):
        save_clip(tmp_path, samples)
    assert list((tmp_path / "clips").iterdir()) == []
