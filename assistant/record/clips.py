"""Sound kept with a job: one FLAC file per clip, named by the SHA-256 of its bytes."""

import hashlib
import io
import os
from pathlib import Path

import numpy as np
import soundfile

from assistant.errors import JournalError, SoundError
from assistant.record.faults import explain, sync_directory

RATE_HZ = 16_000
_FOLDER = "clips"


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
            _write_whole(target, content)
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


def _write_whole(target: Path, content: bytes) -> None:
    """Write beside the target, fsync, rename: a power cut leaves the whole file or none."""
    fresh = not target.parent.exists()
    target.parent.mkdir(exist_ok=True, parents=True)
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, target)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    sync_directory(target.parent)
    if fresh:
        sync_directory(target.parent.parent)
