"""The index of a store, kept up to date beside the pages: a large store takes seconds to look through, and no page is to wait for that."""

import threading
import time
from collections.abc import Callable
from pathlib import Path

from assistant.record.index import Index

FRESH_S = 3.0
"""The index is held against the journals no more often than this."""
SHARE = 20
"""Nor so often that more than one part in so many of the time goes into it."""
PATIENCE_S = 0.5
"""How long a page waits for it; then it shows the index as it was."""
PATIENCE_AFTER_CHANGE_S = 5.0
"""The same where somebody has just changed a job here, and looks for that, or where there was no index yet."""


class FreshIndex:
    """An index that is brought up to date, in a thread of its own, when somebody asks and it has not been for a while."""

    def __init__(self, root: Path, clock: Callable[[], float] = time.monotonic):
        self._index = Index(root)
        # Another connection: what is being written does not hold up who reads. An index in memory has one only.
        self._writer = Index(root) if self._index.shared else self._index
        self._clock = clock
        self._turn = threading.Condition()
        self._running = False
        self._changes, self._covered = 1, 0
        """Changes made here, and how many of them are in the index; the first stands for an index that was never looked at."""
        self._due_s = 0.0
        self._fault: Exception | None = None

    @property
    def behind(self) -> bool:
        """Whether it is being brought up to date just now, so that a list made from it may lack something."""
        return self._running

    def fresh(self) -> Index:
        """The index as the journals are now, or were when it was last looked through where that takes long. Raises JournalError."""
        with self._turn:
            wanted = self._changes
            if self._covered < wanted or self._clock() >= self._due_s:
                self._wait(wanted, PATIENCE_AFTER_CHANGE_S if self._covered < wanted else PATIENCE_S)
            if self._fault is not None:
                raise self._fault
        return self._index

    def as_it_is(self) -> Index:
        """The index without a look at every journal, for what may be a little old."""
        return self._index if self._covered else self.fresh()

    def stale(self) -> None:
        """Somebody has just changed a job here: the next to ask is to see it."""
        with self._turn:
            self._changes += 1

    def _wait(self, wanted: int, patience_s: float) -> None:
        until = time.monotonic() + patience_s
        self._start()
        while self._running or self._covered < wanted:
            if not self._running:
                if self._fault is not None:
                    return
                self._start()  # the one that was running began before the change
            left = until - time.monotonic()
            if left <= 0 or not self._turn.wait(left):
                return

    def _start(self) -> None:
        if not self._running:
            self._running, self._fault = True, None
            threading.Thread(target=self._refresh, args=(self._changes,), daemon=True, name="index").start()

    def _refresh(self, changes: int) -> None:
        begun, fault = self._clock(), None
        try:
            self._writer.refresh()
        except Exception as error:  # it is raised where the index is asked for
            fault = error
        with self._turn:
            ended = self._clock()
            self._running, self._fault = False, fault
            self._covered = self._covered if fault else max(self._covered, changes)
            self._due_s = ended + max(FRESH_S, SHARE * (ended - begun))
            self._turn.notify_all()
