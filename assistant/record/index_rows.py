"""What the index of a store keeps of one job: the job's line, its entries in words, its measured values. Worked out from the journal alone."""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from assistant.engine import events as e
from assistant.errors import GlovesideError
from assistant.figures.units import unit_symbol
from assistant.language.pack import Pack, load_pack
from assistant.procedure.plan import Plan, make_plan
from assistant.procedure.reader import parse_procedure
from assistant.record.in_force import in_force
from assistant.record.journal import Event, Journal
from assistant.record.kept import PROCEDURE_COPY
from assistant.record.service_record import service_record

Events = list[tuple[Event, e.Event]]


@dataclass(frozen=True)
class Entry:
    """One entry of a job, as it is searched for."""

    seq: int
    at: str
    """When: ISO 8601, UTC."""
    kind: str
    """finding, answer, value, figure, count, step, skipped, pause, hold, question, reply or signature."""
    words: str
    """Everything in it that can be searched for and is shown."""
    part: str = ""
    condition: str = ""
    """As it is said; `condition_key` as it is kept."""
    condition_key: str = ""


@dataclass(frozen=True)
class Measure:
    """The value of a check or figure that stands at the end of a job."""

    seq: int
    step: str
    check: str
    at: str
    value: str
    unit: str


@dataclass(frozen=True)
class JobLine:
    """One job, as it is listed."""

    asset: str = ""
    procedure: str = ""
    """Its id."""
    title: str = ""
    technician: str = ""
    started: str = ""
    finished: str | None = None
    open_points: int | None = None
    """None where they cannot be worked out."""
    signed: str | None = None
    """The supervisor whose signature stands."""
    events: int = 0
    fault: str | None = None
    """Why the journal cannot be read; one sentence."""


@dataclass(frozen=True)
class JobRows:
    """All of one job."""

    line: JobLine
    entries: tuple[Entry, ...] = ()
    values: tuple[Measure, ...] = ()


class Reader:
    """Reads jobs for the index; keeps the plans of procedures it has seen, because most jobs share a few."""

    def __init__(self) -> None:
        self._plans: dict[bytes, Plan | None] = {}
        self._packs: dict[str, Pack] = {}

    def rows(self, job: str, directory: Path) -> JobRows:
        """Never raises: a job that cannot be read is a line with its fault."""
        try:
            with Journal.read(directory) as journal:
                stored = journal.events()
            return self.rows_of(job, directory, [(item, e.read_event(item.kind, item.body)) for item in stored])
        except GlovesideError as error:
            return JobRows(JobLine(fault=str(error)))
        # What another version wrote, or somebody put in by hand, must not keep all the other jobs from being found.
        except Exception as error:
            return JobRows(JobLine(fault=f"The journal of job {job} holds an entry that cannot be understood ({type(error).__name__}: {error}); update the program or see gloveside verify."))

    def rows_of(self, job: str, directory: Path, events: Events) -> JobRows:
        """The same from events that have been read. May raise whatever strange events cause."""
        plan = self._plan(directory)
        pack = self._pack(plan)
        standing = in_force(plan, events) if plan else events
        return JobRows(_line(events, directory, plan, pack), tuple(_entries(events, standing, plan, pack)), tuple(_values(standing)))

    def _plan(self, directory: Path) -> Plan | None:
        """None where the copy of the procedure is missing or spoilt: the job's own words can still be found."""
        path = directory / PROCEDURE_COPY
        try:
            text = path.read_bytes()
        except OSError:
            return None
        if text not in self._plans:
            try:
                self._plans[text] = make_plan(parse_procedure(text, path).procedure)
            except GlovesideError:
                self._plans[text] = None
        return self._plans[text]

    def _pack(self, plan: Plan | None) -> Pack:
        language = plan.procedure.language if plan else "en"
        if language not in self._packs:
            try:
                self._packs[language] = load_pack(language)
            except GlovesideError:
                self._packs[language] = load_pack("en")
        return self._packs[language]


def _line(events: Events, directory: Path, plan: Plan | None, pack: Pack) -> JobLine:
    started = next((event for _, event in events if isinstance(event, e.JobStarted)), None)
    if started is None:
        return JobLine(events=len(events))
    amended = max((item.seq for item, event in events if isinstance(event, e.Amended)), default=0)
    return JobLine(
        started.asset, started.procedure_id, started.title, started.technician, events[0][0].at_utc,
        next((item.at_utc for item, event in events if isinstance(event, e.JobFinished)), None),
        _open_points(directory, events, plan, pack),
        next((event.who for item, event in reversed(events) if isinstance(event, e.Signed) and event.role == "supervisor" and item.seq > amended), None),
        len(events),
    )  # fmt: skip


def _open_points(directory: Path, events: Events, plan: Plan | None, pack: Pack) -> int | None:
    """From the written record if it is of these very events; worked out otherwise."""
    try:
        record = json.loads((directory / "record.json").read_bytes())
        if record["journal"]["last_hash"] == events[-1][0].hash:
            return len(record["open_points"])
    except (OSError, ValueError, KeyError, TypeError):
        pass  # The record is only a copy; anything wrong with it is put right by working it out.
    try:
        return len(service_record(directory, plan, pack)["open_points"]) if plan else None
    except (GlovesideError, LookupError, TypeError, ValueError, StopIteration):
        return None  # The job does not fit the procedure beside it; its words are found all the same.


def _entries(as_written: Events, standing: Events, plan: Plan | None, pack: Pack) -> Iterator[Entry]:
    spoken = _words_written_down(as_written)
    old: dict[int, list[str]] = {}
    for _, event in as_written:
        if isinstance(event, e.Amended):
            old.setdefault(event.entry, []).append(event.old)
            # The new words too: where there is no procedure to count them in, they must still be found.
            old[event.entry].append("" if plan else event.new)
    corrected = {event.corrects for _, event in as_written if isinstance(event, e.Entry) and event.corrects}
    seen: set[str] = set()
    for item, event in standing:
        if item.seq in corrected:
            continue
        entry = _entry(item, event, pack, spoken)
        if entry is None and isinstance(event, e.StepEntered) and event.step not in seen:
            seen.add(event.step)
            planned = plan.by_key.get(event.step) if plan else None
            entry = (item, "step", planned.text(planned.step.instruction), "", "") if planned else None
        if entry is not None:
            _, kind, words, part, condition = entry
            before = [text for text in old.get(item.seq, ()) if text]
            yield Entry(item.seq, item.at_utc, kind, words + (f" (before: {'; '.join(before)})" if before else ""), part, pack.words_of("conditions", condition), condition)


def _words_written_down(events: Events) -> Callable[[int], str]:
    found = {event.entry: event.text for _, event in events if isinstance(event, e.Transcribed)}
    return lambda seq: found.get(seq, "")


def _entry(item: Event, event: e.Event, pack: Pack, spoken: Callable[[int], str]) -> tuple[Event, str, str, str, str] | None:
    """(entry, kind, words, part, condition key); None for what nobody searches for."""
    match event:
        case e.FindingRecorded():
            remark = " / ".join(dict.fromkeys(text for text in (event.remark or "", spoken(item.seq)) if text))
            words = ", ".join((event.part, pack.words_of("conditions", event.condition), pack.words_of("dispositions", event.disposition)))
            return item, "finding", f"{words}: {remark}" if remark else words, event.part, event.condition
        case e.AnswerRecorded():
            return item, "answer", f"{event.question} {event.said}", "", ""
        case e.ValueRecorded():
            return item, "value", f"{event.quantity} {event.value} {unit_symbol(event.unit)}, {event.verdict}", "", ""
        case e.ValueComputed():
            return item, "figure", f"{event.quantity} {event.value} {unit_symbol(event.unit)}, {event.verdict}", "", ""
        case e.CountRecorded():
            return item, "count", f"{event.fastener} {event.direction}: {event.counted} of {event.expected}, {event.verdict}", "", ""
        case e.StepSkipped():
            return item, "skipped", f"{event.step}: {pack.words_of('skip_reasons', event.reason)}", "", ""
        case e.Paused():
            return item, "pause", pack.words_of("pause_reasons", event.reason), "", ""
        case e.HoldReleased():
            return item, "hold", f"released by {event.who}", "", ""
        case e.ReviewQuestion():
            return item, "question", f"{event.who}: {event.text}", "", ""
        case e.ReviewAnswer():
            return item, "reply", f"{event.who}: {event.text}", "", ""
        case e.Signed():
            return item, "signature", f"{event.who}, {event.role}: {event.statement}", "", ""
    return None


def _values(standing: Events) -> Iterator[Measure]:
    corrected = {event.corrects for _, event in standing if isinstance(event, e.Entry) and event.corrects}
    last: dict[tuple[str, str], Measure] = {}
    for item, event in standing:
        if isinstance(event, (e.ValueRecorded, e.ValueComputed)) and item.seq not in corrected:
            last[event.step, event.item] = Measure(item.seq, event.step, event.item, item.at_utc, str(event.value), event.unit)
    yield from last.values()
