"""What the replay page shows of a job: visits to steps in their order with what was recorded, findings to be played, values to be held against limits."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from typing import Any

from assistant.display import recorded_line
from assistant.engine import events as e
from assistant.language.pack import Pack
from assistant.procedure.plan import Plan, stage_title
from assistant.record.journal import Event
from assistant.review.plots import EarlierValue, Plot, plot_of

TALK = frozenset({e.PhraseHeard.kind, e.Question.kind})
"""Most of a journal, and never shown: what was said to and fro."""
BAR = 1000.0
"""Length of the whole job in the drawing of the timeline, user units."""


@dataclass(frozen=True)
class Happening:
    """One thing recorded during a visit."""

    seq: int
    at: str
    """Shop time."""
    text: str


@dataclass(frozen=True)
class Visit:
    """One stay at a step."""

    at: str
    """Shop time."""
    stage: str
    instruction: str
    seconds: float
    start: float
    """Where its bar begins, of BAR."""
    length: float
    """Of its bar, of BAR."""
    happenings: tuple[Happening, ...]


@dataclass(frozen=True)
class FindingView:
    """A finding, its sound and how its words came about."""

    seq: int
    part: str
    condition: str
    disposition: str
    remark: str
    """"" where there are no words."""
    source: str
    """Who or what wrote the words down."""
    transcript: dict[str, Any] | None
    clips: tuple[str, ...]
    """Clips that are still there."""
    removed: bool
    """Sound of it was removed."""
    step: str
    """Stage and instruction, read before the sound."""
    at: str
    corrects: int | None
    corrected_by: int | None
    amendments: tuple[dict[str, Any], ...]
    questions: tuple[dict[str, Any], ...]


@dataclass(frozen=True)
class ValueView:
    """A measurement."""

    value: dict[str, Any]
    instruction: str
    plot: Plot | None
    earlier: int
    """How many values of earlier jobs are in the drawing."""


@dataclass(frozen=True)
class Replay:
    """Everything the page shows beside the record itself."""

    visits: tuple[Visit, ...]
    findings: tuple[FindingView, ...]
    values: tuple[ValueView, ...]
    zone: str
    """Name of the shop's zone."""
    starts_sound: bool
    """Whether there is any finding to be played."""
    answers: dict[int, int]
    """Number of a question -> the entry that holds the sound of its answer."""


EarlierOf = Callable[[dict[str, Any]], Sequence[EarlierValue]]


def replay_of(plan: Plan, pack: Pack, record: dict[str, Any], events: Sequence[tuple[Event, e.Event]], earlier: EarlierOf) -> Replay:
    """`earlier` gives the values of earlier jobs for a value of the record."""
    zones = {item.seq: (item.zone_offset, item.zone_name) for item, _ in events}
    removed = {clip["sha256"] for clip in record["removed_clips"]}
    findings = tuple(_finding(plan, record, finding, removed, zones) for finding in record["findings"])
    steps = {step["key"]: step for step in record["steps"]}
    values = []
    for step in record["steps"]:
        for value in step["values"]:
            before = list(earlier(value))
            values.append(ValueView(value, steps[value["step"]]["instruction"], plot_of(value, before), len(before)))
    return Replay(_visits(plan, pack, events), findings, tuple(values), events[0][0].zone_name if events else "", any(finding.clips for finding in findings), {event.number: item.seq for item, event in events if isinstance(event, e.ReviewAnswer) and event.clips})


def _finding(plan: Plan, record: dict[str, Any], finding: dict[str, Any], removed: set[str], zones: dict[int, tuple[int, str]]) -> FindingView:
    amendments = tuple(line for line in record["amendments"] if line["entry"] == finding["seq"])
    planned = plan.by_key[finding["step"]]
    transcript, source = finding["transcript"], finding["remark_source"]
    if finding["remark"] and source != "typed" and not source.startswith("amended"):
        source = f"written down by {source}, not checked"
    return FindingView(
        finding["seq"], finding["part"], finding["condition"], finding["disposition"], finding["remark"] or "", source, transcript,
        tuple(clip for clip in finding["clips"] if clip not in removed), any(clip in removed for clip in finding["clips"]),
        f"{stage_title(planned)}. {planned.text(planned.step.instruction)}", shop_clock(finding["at"], zones.get(finding["seq"], (0, ""))[0]),
        finding["corrects"], finding["corrected_by"], amendments, tuple(question for question in record["questions"] if question["about"] == finding["seq"]),
    )  # fmt: skip


def _visits(plan: Plan, pack: Pack, events: Sequence[tuple[Event, e.Event]]) -> tuple[Visit, ...]:
    stays: list[list[Any]] = []  # entered, left, key, happenings
    open_stay = False
    for item, event in events:
        if item.kind in TALK:
            if open_stay:
                stays[-1][1] = item
            continue
        if isinstance(event, e.Aside) and not isinstance(event, e.Transcribed):
            continue  # what came after the job has its own place on the page
        if isinstance(event, e.StepEntered):
            if open_stay:
                stays[-1][1] = item
            stays.append([item, item, event.step, []])
            open_stay = True
            continue
        if open_stay:
            stays[-1][1] = item
        line = _line(pack, event)
        if stays and line and not isinstance(event, e.StepCompleted):
            stays[-1][3].append(Happening(item.seq, shop_clock(item.at_utc, item.zone_offset), line))
        if isinstance(event, (e.StepCompleted, e.StepSkipped, e.JobFinished)):
            open_stay = False
    if not stays:
        return ()
    begin = _when(stays[0][0])
    whole = max((_when(stays[-1][1]) - begin).total_seconds(), 1.0)
    visits = []
    for entered, left, key, happenings in stays:
        planned = plan.by_key[key]
        seconds = max((_when(left) - _when(entered)).total_seconds(), 0.0)
        start = min(max((_when(entered) - begin).total_seconds() / whole, 0.0), 1.0) * BAR
        visits.append(Visit(shop_clock(entered.at_utc, entered.zone_offset), stage_title(planned), planned.text(planned.step.instruction), seconds, round(start, 1), round(min(max(seconds / whole * BAR, 4.0), BAR), 1), tuple(happenings)))
    return tuple(visits)


def _line(pack: Pack, event: e.Event) -> str | None:
    """What was recorded, in the words of the record."""
    if isinstance(event, e.FindingRecorded):
        named = {name: pack.group(group).get(key, [key])[0] for name, group, key in (("condition", "conditions", event.condition), ("disposition", "dispositions", event.disposition))}
        event = replace(event, **named)
    elif isinstance(event, e.StepSkipped):
        event = replace(event, reason=pack.group("skip_reasons").get(event.reason, [event.reason])[0])
    elif isinstance(event, e.Paused):
        event = replace(event, reason=pack.group("pause_reasons").get(event.reason, [event.reason])[0])
    return recorded_line(event)


def _when(item: Event) -> datetime:
    return datetime.fromisoformat(item.at_utc)


def shop_clock(at_utc: str, zone_offset: int = 0, form: str = "%H:%M:%S") -> str:
    """A stored time as the shop's clock showed it. `zone_offset`: minutes."""
    return datetime.fromisoformat(at_utc).astimezone(timezone(timedelta(minutes=zone_offset))).strftime(form)


def choices(pack: Pack, group: str) -> list[str]:
    """The phrases of a closed list, as the record writes them."""
    return [phrases[0] for phrases in pack.group(group).values()]
