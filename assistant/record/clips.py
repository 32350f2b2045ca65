"""Sound kept with a job: one FLAC file per clip, named by the SHA-256 of its bytes."""

import hashlib
import io
import re
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import soundfile

from assistant.errors import JournalError, SoundError
from assistant.record.faults import explain, sync_directory, write_whole

RATE_HZ = 16_000
_FOLDER = "clips"
_SHA256 = re.compile(r"[0-9a-f]{64}")


def save_clip(directory: Path | str, samples: np.ndarray) -> dict[str, str | float]:
    """Keep `samples` (int16, mono, 16 kHz) in a job's directory and return {"file", "sha256", "seconds"}.

    `file` is relative to `directory`, `sha256` that of the file's bytes. The file is whole and on the disk when this returns.
    Raises SoundError for an empty or wrong array, JournalError if it cannot be written.
    """
    if samples.dtype != np.int16 or samples.ndim != 1 or not len(samples):
        raise SoundError(
            f"A clip must be 16-bit mono sound of some length, not {samples.dtype} of shape {samples.shape}; check the sound source."
        )
    buffer = io.BytesIO()
    soundfile.write(buffer, samples, RATE_HZ, format="FLAC", subtype="PCM_16")
    content = buffer.getvalue()
    digest = hashlib.sha256(content).hexdigest()
    file = f"{_FOLDER}/{digest}.flac"
    target = Path(directory) / file
    try:
        if not (target.exists() and hashlib.sha256(target.read_bytes()).hexdigest() == digest):
            write_whole(target, content)
    except OSError as error:
        raise explain(error, target, "write") from error
    return {"file": file, "sha256": digest, "seconds": round(len(samples) / RATE_HZ, 3)}


def read_clip(directory: Path | str, sha256: str) -> np.ndarray:
    """The samples (int16, mono, 16 kHz) of the clip with this SHA-256. Raises JournalError if it is missing or was changed."""
    target = Path(directory) / _FOLDER / f"{sha256}.flac"
    try:
        content = target.read_bytes()
    except FileNotFoundError:
        raise JournalError(f"The clip {target} is missing; restore it from a copy of the job.") from None
    except OSError as error:
        raise explain(error, target, "read") from error
    if hashlib.sha256(content).hexdigest() != sha256:
        raise JournalError(f"The clip {target} is not as it was recorded; restore it from a copy of the job.")
    samples, _ = soundfile.read(io.BytesIO(content), dtype="int16")
    return samples


def kept_clips(directory: Path | str) -> list[str]:
    """SHA-256 of every clip in a job's directory, those among them that came to no entry."""
    return sorted(path.stem for path in (Path(directory) / _FOLDER).glob("*.flac") if _SHA256.fullmatch(path.stem))


def delete_clips(directory: Path | str, clips: Iterable[str]) -> None:
    """Take clips off the disk, by their SHA-256, and whatever a power cut left half written. Raises JournalError if that fails."""
    folder = Path(directory) / _FOLDER
    try:
        for clip in clips:
            if _SHA256.fullmatch(clip):  # never a path out of the folder
                (folder / f"{clip}.flac").unlink(missing_ok=True)
        if folder.is_dir():
            for part in folder.glob(".*.part"):
                part.unlink(missing_ok=True)
            sync_directory(folder)
    except OSError as error:
        raise explain(error, folder, "take sound out of") from error
