"""Where the clock was set during a job, told from its time of day and the seconds that the program ran."""

from datetime import UTC, datetime, timedelta

import pytest

from assistant.engine import events as e
from assistant.record.clock_moves import clock_moves
from assistant.record.journal import Event

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
STEP, AGAIN, END = e.StepEntered("a/b"), e.JobReopened("Kim"), e.JobFinished(())


def journal(*rows):
    """(event, seconds of the day after the start, seconds the program ran)."""
    return [(Event(number, event.kind, (START + timedelta(seconds=day)).isoformat(timespec="milliseconds").replace("+00:00", "Z"), 0, "UTC", ran, {}, "", ""), event) for number, (event, day, ran) in enumerate(rows, start=1)]


@pytest.mark.parametrize(
    ("rows", "moves"),
    [
        ([(STEP, 0, 5), (STEP, 60, 65)], []),
        ([(STEP, 0, 5), (STEP, 61.5, 65)], []),
        ([(STEP, 0, 5), (STEP, 3660, 65)], [(2, 3600)]),
        ([(STEP, 0, 5), (STEP, -3540, 65)], [(2, -3600)]),
        ([(STEP, 0, 5), (STEP, 3660, 65), (STEP, 90, 95)], [(2, 3600), (3, -3600)]),
        # Started again a day later: nothing to tell, whether it had run for longer or not.
        ([(STEP, 0, 5), (AGAIN, 86_400, 1)], []),
        ([(STEP, 0, 5), (AGAIN, 86_400, 9)], []),
        ([(STEP, 0, 500), (AGAIN, -60, 1)], [(2, -60)]),
        ([(END, 0, 5), (STEP, 7200, 9)], []),
        ([(END, 0, 5), (STEP, -7200, 9)], [(2, -7200)]),
        ([(STEP, 0, 5)], []),
    ],
)
def test_moves(rows, moves):
    assert [(move["seq"], move["seconds"]) for move in clock_moves(journal(*rows))] == moves
