"""Clocks: the machine's, and one that a demonstration or a test can move forward."""

import time
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Protocol

def _running_s() -> float:
    """Seconds on a clock that nobody sets; where the system has one that goes on while the computer sleeps, that one."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boot is None else time.clock_gettime(boot)


_PROCESS_START_S = _running_s()


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
        return _running_s() - _PROCESS_START_S


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


class SteadyTime:
    """Time of day that runs on when somebody sets the clock: for timers and durations, never for the time of an entry."""

    LEAST_S = 2.0
    """Seconds under which a move of the clock is not told: clocks are corrected in small steps all the time. Common practice, no source."""

    def __init__(self, clock: Clock, moved_s: float = 0.0) -> None:
        """`moved_s`: by how much the clock was moved in all, in earlier runs of the job."""
        self._clock = clock
        self._day_s = clock.utc().timestamp()
        self._ran_s = clock.monotonic()
        self._base_s = self._day_s - moved_s - self._ran_s

    def now(self) -> float:
        """Seconds since 1970 UTC, as if the clock had not been set since the job began."""
        return self._base_s + self._clock.monotonic()

    def moved(self) -> float | None:
        """By how many seconds the clock was set since this was last asked, over 0 forward; None where it was not."""
        day_s, ran_s = self._clock.utc().timestamp(), self._clock.monotonic()
        moved = (day_s - self._day_s) - (ran_s - self._ran_s)
        self._day_s, self._ran_s = day_s, ran_s
        return moved if abs(moved) >= self.LEAST_S else None


def shop_time(clock: Clock) -> datetime:
    """The time now in the zone of the shop, aware."""
    # A test's clock may leave `zone` out; astimezone(None) takes the machine's zone.
    return clock.utc().astimezone(getattr(clock, "zone", None))
