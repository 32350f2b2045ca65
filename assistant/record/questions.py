"""Questions to the technician of a job: which wait for whom, and who may answer."""

from collections.abc import Sequence
from pathlib import Path

from assistant.engine import events as e
from assistant.errors import CannotAmend, JournalError, NotAllowed
from assistant.record.journal import DATABASE, Event
from assistant.record.kept import read_events
from assistant.record.people import People, folded

Events = Sequence[tuple[Event, e.Event]]

LONGEST = 1000
"""Characters of a reason, a question or an answer."""


def technicians(events: Events) -> list[str]:
    """Names of those who worked on a job, in order."""
    names: dict[str, str] = {}
    for _, event in events:
        if isinstance(event, (e.JobStarted, e.JobReopened)) and event.technician:
            names.setdefault(folded(event.technician), event.technician)
    return list(names.values())


def did_the_work(name: str, events: Events) -> bool:
    """Whether somebody is one of the technicians of a job."""
    return bool(folded(name)) and folded(name) in {folded(other) for other in technicians(events)}


def answered(directory: Path, events: Events, who_name: str, number: int, words: str, clips: tuple[str, ...]) -> e.ReviewAnswer:
    """The event of an answer. Raises NotAllowed, CannotAmend."""
    if not any(isinstance(event, e.ReviewQuestion) and event.number == number for _, event in events):
        raise CannotAmend(f"There is no question {number} in {directory.name}; the record lists its questions.")
    before = next((event for _, event in events if isinstance(event, e.ReviewAnswer) and event.number == number), None)
    if before is not None:
        raise CannotAmend(f"Question {number} of {directory.name} was answered by {before.who} already; ask a new one.")
    # A job that names nobody may be answered for by anybody who gives a name: else its question stayed open for ever.
    if not (did_the_work(who_name, events) or (folded(who_name) and not technicians(events))):
        raise NotAllowed(f"{who_name or 'Nobody named'} did not do this job; its question is for {', '.join(technicians(events)) or 'somebody with a name'}.")
    return e.ReviewAnswer(number, who_name, words, clips)


def open_questions(root: Path, technician: str) -> list[tuple[str, Path, int, str]]:
    """(job, directory, number, text) of every question that waits for a technician, oldest job first."""
    found = []
    for job, number in People(root).to_be_asked(technician):
        directory = Path(root) / job
        if not (directory / DATABASE).is_file():
            continue  # the job was taken away
        try:
            events = read_events(directory)
        except JournalError:
            continue  # a damaged job must not keep a technician from the next one; verifying it says what is wrong
        if any(isinstance(event, e.ReviewAnswer) and event.number == number for _, event in events):
            continue
        found += [(job, directory, number, event.text) for _, event in events if isinstance(event, e.ReviewQuestion) and event.number == number]
    return found


def note_questions(directory: Path) -> None:
    """Note the open questions of a job that came from elsewhere, so that its technician is asked here."""
    events = read_events(directory)
    done = {event.number for _, event in events if isinstance(event, e.ReviewAnswer)}
    for _, event in events:
        if isinstance(event, e.ReviewQuestion) and event.number not in done:
            People(directory.parent).note_question(directory.name, event.number, technicians(events))
