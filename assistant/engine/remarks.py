"""Remarks that are kept as sound and wait for their words."""

from collections.abc import Iterable

from assistant.engine import events as e

AUDIO_ONLY = "audio only"
"""Source of a remark whose words nobody has written down."""

SOUND_NOT_KEPT = "sound not kept"
"""The same, where the technician did not agree to their voice being kept."""


def unwritten(events: Iterable[e.Event]) -> list[tuple[int, str]]:
    """(sequence number of the finding, SHA-256 of the remark's clip) of each remark that was spoken and has no words yet.

    `events` are all those of a job, in order, the first numbered 1. A finding that was corrected needs no words of its own.
    """
    waiting: dict[int, str] = {}
    asked, remark = "", ""
    for number, event in enumerate(events, start=1):
        if isinstance(event, e.Question):
            if event.about == "confirm_finding" and asked == "remark":
                # The clip of the remark is the last that had been kept when the read-back was asked for.
                remark = event.clips[-1] if event.clips and event.remark_source == AUDIO_ONLY else ""
            asked = event.about
        elif isinstance(event, e.FindingRecorded):
            if event.remark_source == AUDIO_ONLY and remark in event.clips:
                waiting[number] = remark
            waiting.pop(event.corrects or 0, None)
            remark = ""
        elif isinstance(event, e.Transcribed):
            waiting.pop(event.entry, None)
    return list(waiting.items())
