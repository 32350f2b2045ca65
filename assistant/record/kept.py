"""What is kept of a job, read back: its procedure as it was, its events, and earlier jobs to compare it with."""

from pathlib import Path

from assistant.engine import events as e
from assistant.errors import JournalError
from assistant.procedure.plan import Plan, make_plan
from assistant.procedure.reader import parse_procedure
from assistant.record.accounts import step_minutes, times
from assistant.record.journal import Event, Journal
from assistant.record.store import Store

PROCEDURE_COPY = "procedure.yaml"
"""The procedure as it was when the job began lies beside its journal: a record must not change when its author revises the file."""


def kept_plan(directory: Path) -> Plan:
    """The plan of a job, from the copy of the procedure that lies beside its journal."""
    path = directory / PROCEDURE_COPY
    try:
        return make_plan(parse_procedure(path.read_bytes(), path).procedure)
    except OSError as error:
        raise JournalError(f"The procedure of job {directory.name} cannot be read ({error.strerror}); restore {path} from a copy.") from None


def read_events(directory: Path) -> list[tuple[Event, e.Event]]:
    """The stored and the typed form of every event of a job. Raises JournalError."""
    with Journal.read(directory) as journal:
        return typed(journal)


def typed(journal: Journal) -> list[tuple[Event, e.Event]]:
    """The stored and the typed form of every event of a journal. Raises JournalError."""
    return [(item, e.read_event(item.kind, item.body)) for item in journal.events()]


def earlier_minutes(store: Path, directory: Path) -> list[dict[str, float]]:
    """Minutes by step of earlier jobs that the same trainee closed with the same procedure."""
    own = read_events(directory)
    started = next((event for _, event in own if isinstance(event, e.JobStarted)), None)
    if started is None or started.detail != "full":
        return []
    found = []
    for _, other in Store(store).jobs():
        if other == directory:
            continue
        events = read_events(other)
        first = next((event for _, event in events if isinstance(event, e.JobStarted)), None)
        same = first is not None and (first.technician, first.procedure_id) == (started.technician, started.procedure_id)
        if same and any(isinstance(event, e.JobFinished) for _, event in events) and events[0][0].at_utc < own[0][0].at_utc:
            found.append(step_minutes(times(kept_plan(other), events)))
    return found
