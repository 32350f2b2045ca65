"""What can happen in a job. Each event is a fact, never changed afterwards; a correction is a new event that names the old one.

`body()` gives the JSON form kept in the journal, `read_event()` takes it back.
"""

from dataclasses import asdict, dataclass, fields
from decimal import Decimal
from typing import Any, ClassVar


@dataclass(frozen=True)
class Event:
    """Base of all events."""

    kind: ClassVar[str] = ""

    def body(self) -> dict[str, Any]:
        """JSON-ready form; decimals as text, so that no digit is lost."""
        return {name: _plain(value) for name, value in asdict(self).items()}


def _plain(value: Any) -> Any:
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, dict):
        return {name: _plain(item) for name, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(item) for item in value]
    return value


@dataclass(frozen=True)
class Question(Event):
    """What the technician is being asked; recorded, so that a resumed job asks it again."""

    kind: ClassVar[str] = "asked"
    about: str
    """caution, answer, value, confirm_value, out_of_limits, spelled, confirm_spelled, count, quiz, part, condition, disposition, remark, confirm_finding,
    skip_reason, confirm_skip, pause_reason, confirm_stage, confirm_finish or hold."""
    step: str
    item: str = ""
    """What in the step: a check's id, "torque", a caution's number, a fastener count ("out:bolt") or a stage run."""
    value: Decimal | None = None
    """The value to confirm, as spoken."""
    unit: str = ""
    """Its unit as stored; the step's unit where none was spoken."""
    part: str = ""
    condition: str = ""
    disposition: str = ""
    remark: str | None = None
    """The words of the remark, or the letters spelled; None where only the sound is kept."""
    remark_source: str = "none"
    """none, typed, "audio only", "sound not kept", or the recogniser that wrote the words down."""
    reason: str = ""
    clips: tuple[str, ...] = ()
    """SHA-256 of the clips kept so far for this entry."""
    corrects: int | None = None
    """Sequence number of the entry to be corrected."""
    doubted: Decimal | None = None
    """A value so far outside that it was asked for again; said twice, it is taken."""
    leaving: bool = False
    """The technician asked for the next step: go there once nothing is missing."""


@dataclass(frozen=True)
class JobStarted(Event):
    kind: ClassVar[str] = "job_started"
    job: str
    procedure_id: str
    title: str
    revision: str
    procedure_sha256: str
    asset: str
    technician: str
    detail: str
    """"plain" or "full"."""
    shop: str = ""
    clock: str = "system"
    """"system", or "simulated" for a demonstration."""


@dataclass(frozen=True)
class JobReopened(Event):
    """The program was started again on an unfinished job."""

    kind: ClassVar[str] = "job_reopened"
    technician: str


@dataclass(frozen=True)
class PhraseHeard(Event):
    kind: ClassVar[str] = "heard"
    text: str
    rejected: bool
    confidence: float
    engine: str
    intent: str = ""
    """What it was taken to mean; "" where it was rejected."""


@dataclass(frozen=True)
class QuestionDropped(Event):
    kind: ClassVar[str] = "question_dropped"


@dataclass(frozen=True)
class StepEntered(Event):
    kind: ClassVar[str] = "step_entered"
    step: str
    return_to: str | None = None
    """For a detour: the step to come back to."""


@dataclass(frozen=True)
class CautionAcknowledged(Event):
    kind: ClassVar[str] = "caution_acknowledged"
    step: str
    number: int
    signal: str


@dataclass(frozen=True)
class Entry(Event):
    """Base of what is recorded against a step and may be corrected."""

    step: str
    item: str
    clips: tuple[str, ...]
    corrects: int | None


@dataclass(frozen=True)
class AnswerRecorded(Entry):
    kind: ClassVar[str] = "answer"
    question: str
    said: str
    result: str
    """pass, fail or note."""
    goes_to: str | None = None


@dataclass(frozen=True)
class ValueRecorded(Entry):
    """A measurement, or an applied torque (item "torque")."""

    kind: ClassVar[str] = "value"
    quantity: str
    value: Decimal
    """As spoken, in `unit`."""
    unit: str
    unit_spoken: bool
    """False where the unit was taken from the step."""
    si_value: Decimal
    si_unit: str
    at_least: Decimal | None
    at_most: Decimal | None
    limit_unit: str
    verdict: str
    """within, out, "too close" (nearer to a limit than the instrument can tell), or "no limits"."""
    specified: Decimal | None = None
    """For a torque: the value asked for, in `limit_unit`."""
    goes_to: str | None = None
    uncertainty: Decimal | None = None
    """Expanded uncertainty of the instrument (k = 2), in `limit_unit`."""
    readings: tuple[Decimal, ...] = ()
    """Where it was measured several times: each reading, in `unit`; `value` is their mean."""


@dataclass(frozen=True)
class ReadingTaken(Event):
    """One of several readings of a value; confirmed, but judged only with the others."""

    kind: ClassVar[str] = "reading"
    step: str
    item: str
    value: Decimal
    unit: str
    unit_spoken: bool
    clips: tuple[str, ...]


@dataclass(frozen=True)
class CountRecorded(Entry):
    """Fasteners counted aloud, out of the machine or back in."""

    kind: ClassVar[str] = "count"
    fastener: str
    direction: str
    """out or in."""
    counted: int
    expected: int
    verdict: str
    """agrees or differs."""


@dataclass(frozen=True)
class CountRefused(Event):
    """Fasteners were named that do not belong to this step: a look-alike from elsewhere."""

    kind: ClassVar[str] = "count_refused"
    step: str
    fastener: str
    counted: int


@dataclass(frozen=True)
class PassDone(Event):
    """One pass over all the bolts of a joint."""

    kind: ClassVar[str] = "pass_done"
    step: str
    number: int
    """From 1."""
    torque: Decimal
    unit: str


@dataclass(frozen=True)
class BoltCalled(Event):
    """The next bolt of a pass was called out."""

    kind: ClassVar[str] = "bolt_called"
    step: str
    place: int
    """How many of this pass have been called, this one among them."""


@dataclass(frozen=True)
class ValueComputed(Event):
    """A figure worked out from what was recorded."""

    kind: ClassVar[str] = "computed"
    step: str
    item: str
    quantity: str
    value: Decimal
    unit: str
    at_least: Decimal | None
    at_most: Decimal | None
    verdict: str
    """within, out, or "no limits"."""
    working: tuple[str, ...]
    """Line by line, so that it can be checked by hand."""


@dataclass(frozen=True)
class QuizAnswered(Event):
    """A trainee's answer."""

    kind: ClassVar[str] = "quiz"
    step: str
    asked: str
    said: str
    right: bool


@dataclass(frozen=True)
class FindingRecorded(Entry):
    kind: ClassVar[str] = "finding"
    part: str
    condition: str
    disposition: str
    remark: str | None
    remark_source: str


@dataclass(frozen=True)
class LeftOpen(Event):
    """A value outside its limits that the technician left for the supervisor."""

    kind: ClassVar[str] = "left_open"
    step: str
    item: str


@dataclass(frozen=True)
class StepSkipped(Event):
    kind: ClassVar[str] = "skipped"
    step: str
    reason: str
    clips: tuple[str, ...]


@dataclass(frozen=True)
class HoldReleased(Event):
    kind: ClassVar[str] = "hold_released"
    step: str
    who: str
    clips: tuple[str, ...]


@dataclass(frozen=True)
class TimerStarted(Event):
    kind: ClassVar[str] = "timer_started"
    step: str
    seconds: int
    at_s: float
    """Clock time, seconds since 1970 UTC."""


@dataclass(frozen=True)
class TimerStopped(Event):
    kind: ClassVar[str] = "timer_stopped"
    step: str
    ran_s: float


@dataclass(frozen=True)
class TimerCalled(Event):
    """What is left of a running timer was called out."""

    kind: ClassVar[str] = "timer_called"
    step: str
    left_s: int


@dataclass(frozen=True)
class TimerDone(Event):
    kind: ClassVar[str] = "timer_done"
    step: str


@dataclass(frozen=True)
class StepCompleted(Event):
    kind: ClassVar[str] = "step_completed"
    step: str


@dataclass(frozen=True)
class Paused(Event):
    kind: ClassVar[str] = "paused"
    reason: str


@dataclass(frozen=True)
class Resumed(Event):
    kind: ClassVar[str] = "resumed"


@dataclass(frozen=True)
class ListeningStopped(Event):
    """The technician talks with somebody else: nothing is heard but the wake phrase."""

    kind: ClassVar[str] = "listening_stopped"


@dataclass(frozen=True)
class ListeningStarted(Event):
    kind: ClassVar[str] = "listening_started"


@dataclass(frozen=True)
class JobFinished(Event):
    kind: ClassVar[str] = "job_finished"
    undone: tuple[str, ...]
    """Steps neither done nor skipped."""


@dataclass(frozen=True)
class Aside(Event):
    """Base of what does not change where a job stands: it may come while the job runs or after it."""


@dataclass(frozen=True)
class ClockMoved(Aside):
    """Somebody set the computer's clock while the job ran, or the computer stood still."""

    kind: ClassVar[str] = "clock_moved"
    seconds: float
    """Over 0: forward."""


@dataclass(frozen=True)
class Consent(Aside):
    """The technician was told that their voice is kept, and said whether they agree."""

    kind: ClassVar[str] = "consent"
    technician: str
    text: str
    """What was read to them."""
    given: bool


@dataclass(frozen=True)
class Transcribed(Aside):
    """The words of an entry's sound, written down by a machine while the job went on."""

    kind: ClassVar[str] = "transcribed"
    entry: int
    """Sequence number of the entry."""
    text: str
    engine: str
    version: str
    confidence: float
    """0 to 1: the geometric mean of the probabilities of the words' tokens. Not checked against anything."""


@dataclass(frozen=True)
class Amended(Aside):
    """Somebody put an entry right; the entry itself stands as it was."""

    kind: ClassVar[str] = "amended"
    who: str
    role: str
    why: str
    entry: int
    """Sequence number of the entry."""
    field: str
    """remark, condition, disposition, part, said, value or unit."""
    old: str
    new: str


@dataclass(frozen=True)
class ReviewQuestion(Aside):
    """A question to the technician, asked after the job."""

    kind: ClassVar[str] = "review_question"
    number: int
    """1, 2, 3...: within the job."""
    who: str
    text: str
    about: int | None
    """Sequence number of the entry it is about."""


@dataclass(frozen=True)
class ReviewAnswer(Aside):
    kind: ClassVar[str] = "review_answer"
    number: int
    who: str
    text: str
    clips: tuple[str, ...]


@dataclass(frozen=True)
class Signed(Aside):
    """A person stands for the record as it was at that moment."""

    kind: ClassVar[str] = "signed"
    who: str
    role: str
    """technician or supervisor."""
    statement: str
    open_points: tuple[str, ...]
    """Named and accepted on signing."""
    covers: int
    """Sequence number of the last event that is signed for."""
    covers_hash: str
    """Its hash."""


@dataclass(frozen=True)
class ClipRemoved(Aside):
    """A sound was taken out, by policy or by request; its hash and this fact stay."""

    kind: ClassVar[str] = "clip_removed"
    clip: str
    """SHA-256."""
    who: str
    why: str


KINDS: dict[str, type[Event]] = {
    cls.kind: cls
    for cls in (
        Question, JobStarted, JobReopened, PhraseHeard, QuestionDropped, StepEntered, CautionAcknowledged, AnswerRecorded,
        ValueRecorded, FindingRecorded, LeftOpen, StepSkipped, HoldReleased, TimerStarted, TimerStopped, TimerDone,
        StepCompleted, Paused, Resumed, JobFinished, ReadingTaken, CountRecorded, CountRefused, PassDone, BoltCalled, ValueComputed,
        QuizAnswered, TimerCalled, ListeningStopped, ListeningStarted, ClockMoved, Consent, Transcribed, Amended, ReviewQuestion, ReviewAnswer, Signed, ClipRemoved,
    )
}  # fmt: skip

_DECIMALS = {"value", "si_value", "at_least", "at_most", "specified", "uncertainty", "torque", "doubted"}
_TUPLES = {"clips", "undone", "working", "open_points"}
_READ_AS = {kind: (_DECIMALS & names, _TUPLES & names) for kind, cls in KINDS.items() for names in [{field.name for field in fields(cls)}]}


def read_event(kind: str, body: dict[str, Any]) -> Event:
    """The event a journal line holds. Raises KeyError for a kind, TypeError for a field this version does not know."""
    cls = KINDS[kind]
    decimals, tuples = _READ_AS[kind]
    values = dict(body)
    for name in decimals & values.keys():
        if values[name] is not None:
            values[name] = Decimal(values[name])
    for name in tuples & values.keys():
        values[name] = tuple(values[name])
    if "readings" in values:
        values["readings"] = tuple(Decimal(reading) for reading in values["readings"])
    return cls(**values)
