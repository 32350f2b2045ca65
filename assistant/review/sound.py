"""Sound for the pages: the clips of an entry as one sound, and the words of a step spoken by the machine."""

import io
import re
import subprocess
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np
import soundfile
from starlette.requests import Request
from starlette.responses import Response

from assistant.record.clips import RATE_HZ, read_clip

GAP_S = 0.25
"""Silence between the clips of one entry."""
LONGEST_WORDS = 400
"""Characters of a text that are spoken."""
SPEAK_S = 10.0
_RANGE = re.compile(r"bytes=([0-9]{0,18})-([0-9]{0,18})")


def joined(directory: Path, clips: Sequence[str]) -> bytes:
    """Clips one after another as one FLAC file. Raises JournalError where one is missing or not as it was recorded."""
    gap = np.zeros(int(GAP_S * RATE_HZ), np.int16)
    samples = np.concatenate([part for clip in clips for part in (read_clip(directory, clip), gap)])
    packed = io.BytesIO()
    soundfile.write(packed, samples, RATE_HZ, format="FLAC", subtype="PCM_16")
    return packed.getvalue()


@lru_cache(maxsize=256)
def spoken(words: str, voice: str) -> bytes | None:
    """A WAV file of the words; None where espeak-ng is missing or fails: the page then only shows them."""
    # The words go in by standard input: none of them can be taken for an option.
    try:
        made = subprocess.run(["espeak-ng", "-v", voice, "-s", "160", "--stdout", "--stdin"], input=words[:LONGEST_WORDS].encode(), capture_output=True, timeout=SPEAK_S, check=True).stdout
        samples, rate = soundfile.read(io.BytesIO(made), dtype="int16")
    except (OSError, subprocess.SubprocessError, soundfile.LibsndfileError):
        return None
    # Written anew: a stream from espeak-ng has no length in its header, and players would not know when it ends.
    packed = io.BytesIO()
    soundfile.write(packed, samples, rate, format="WAV", subtype="PCM_16")
    return packed.getvalue()


def sound_response(request: Request, content: bytes, kind: str) -> Response:
    """The sound, or the part of it that the player asks for, so that it can be wound back and forth."""
    headers = {"accept-ranges": "bytes"}
    asked = _RANGE.fullmatch(request.headers.get("range", ""))
    if asked is None or asked.groups() == ("", ""):
        return Response(content, media_type=kind, headers=headers)
    first, last = asked.groups()
    start = int(first) if first else max(0, len(content) - int(last))
    end = min(int(last), len(content) - 1) if first and last else len(content) - 1
    if start > end:
        return Response(status_code=416, headers={**headers, "content-range": f"bytes */{len(content)}"})
    return Response(content[start : end + 1], 206, media_type=kind, headers={**headers, "content-range": f"bytes {start}-{end}/{len(content)}"})
