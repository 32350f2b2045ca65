"""Clocks: the machine's, and one that a demonstration or a test can move forward."""

import time
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Protocol

_PROCESS_START_S = time.monotonic()


class Clock(Protocol):
    """What the journal asks of a clock."""

    zone: tzinfo | None
    """Zone of the shop; None means the zone this machine is set to."""

    def utc(self) -> datetime:
        """The time now, aware, in UTC."""

    def monotonic(self) -> float:
        """Seconds since the process started; never goes back when the wall clock is set."""


class SystemClock:
    """The machine's clock."""

    zone: tzinfo | None = None

    def utc(self) -> datetime:
        """The time now, aware, in UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds since the process started."""
        return time.monotonic() - _PROCESS_START_S


class SimulatedClock:
    """A clock that starts at `start`, runs on real time and can be moved forward.

    `start` must be aware (ValueError otherwise); its zone is taken as the zone of the shop.
    """

    def __init__(self, start: datetime) -> None:
        if start.utcoffset() is None:
            raise ValueError("a simulated clock needs a start with a time zone")
        self.zone = start.tzinfo
        self._start = start.astimezone(UTC)
        self._began_s = time.monotonic()
        self._advanced_s = 0.0

    def advance(self, seconds: float) -> None:
        """Move the clock forward by `seconds` (ValueError if negative: a clock never runs back)."""
        if seconds < 0:
            raise ValueError("a clock cannot be moved back")
        self._advanced_s += seconds

    def utc(self) -> datetime:
        """The simulated time now, aware, in UTC."""
        return self._start + timedelta(seconds=self.monotonic())

    def monotonic(self) -> float:
        """Simulated seconds since the clock was made."""
        return time.monotonic() - self._began_s + self._advanced_s


def shop_time(clock: Clock) -> datetime:
    """The time now in the zone of the shop, aware."""
    # A test's clock may leave `zone` out; astimezone(None) takes the machine's zone.
    return clock.utc().astimezone(getattr(clock, "zone", None))
