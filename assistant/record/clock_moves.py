"""Where a job's clock was set: the time of day of two events lies further apart, or less far, than the program ran between them."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from assistant.engine import events as e
from assistant.record.journal import Event

LEAST_S = 2.0
"""Seconds under which a difference is not told: clocks are corrected in small steps all the time. Common practice, no source."""


def clock_moves(events: Sequence[tuple[Event, e.Event]]) -> list[dict[str, Any]]:
    """Moves of the clock, in order: {"seq", "at", "seconds"}; over 0 forward, below 0 back; `seq` and `at` of the first event after it.

    A program that was started again counts its seconds anew: between the two only a clock that went back can be told. A computer that
    slept looks like a clock set forward.
    """
    moves = []
    closed = False
    for (before, one), (after, other) in zip(events, events[1:], strict=False):
        closed = closed or isinstance(one, e.JobFinished)
        passed = (datetime.fromisoformat(after.at_utc) - datetime.fromisoformat(before.at_utc)).total_seconds()
        ran = after.monotonic_s - before.monotonic_s
        moved = passed - ran if not closed and _same_run(ran, other) else min(passed, 0.0)
        if abs(moved) >= LEAST_S:
            moves.append({"seq": after.seq, "at": after.at_utc, "seconds": round(moved, 1)})
    return moves


def steady_times(events: Sequence[tuple[Event, e.Event]]) -> dict[int, datetime]:
    """Sequence number -> time of day as if the clock had not been set since the job began: for how long something took.

    Within one run of the program by the seconds it ran; between two runs by the time of day, which then never goes back.
    """
    found: dict[int, datetime] = {}
    for (before, _), (after, other) in zip((events[0], *events), events, strict=False):
        at = datetime.fromisoformat(after.at_utc)
        if found:
            ran = after.monotonic_s - before.monotonic_s
            passed = (at - datetime.fromisoformat(before.at_utc)).total_seconds()
            at = found[before.seq] + timedelta(seconds=ran if _same_run(ran, other) else max(passed, 0.0))
        found[after.seq] = at
    return found


def _same_run(ran_s: float, event: e.Event) -> bool:
    """Whether an event was written by the same run of the program as the one before it, so many seconds later by its own count."""
    return ran_s >= 0 and not isinstance(event, e.JobReopened)
