"""The service record: a fold of a job's journal into what a supervisor and a customer read. JSON-ready throughout."""

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from assistant import __version__
from assistant.engine import events as e
from assistant.engine.missing import all_passes, specified_torque
from assistant.engine.state import fold
from assistant.figures.units import digits, unit_symbol
from assistant.language.pack import Pack
from assistant.procedure.plan import Plan, PlannedStep, stage_title
from assistant.record import accounts, after_record
from assistant.record.clock_moves import clock_moves
from assistant.record.in_force import NOT_KNOWN, in_force
from assistant.record.journal import Event, Journal

FORMAT = 1
"""Version of the record's JSON form."""


def service_record(directory: Path, plan: Plan, pack: Pack, earlier: Sequence[dict[str, float]] = (), events: list[tuple[Event, e.Event]] | None = None) -> dict[str, Any]:
    """The record of the job in a directory; `earlier`: minutes by step of earlier jobs, for a trainee's comparison; `events`: all of the job's, where they were read already.

    Raises JournalError when its journal cannot be read.
    """
    if events is None:
        with Journal.read(directory) as journal:
            events = [(item, e.read_event(item.kind, item.body)) for item in journal.events()]
    # Only these two say where a step stands; to fold all would take most of the time of a long job.
    state = fold(event for _, event in events if isinstance(event, (e.StepCompleted, e.StepSkipped)))
    return _Record(plan, pack, events, state.completed, state.skipped, earlier).build() | {"seal": after_record.seal(directory)}


class _Record:
    def __init__(self, plan: Plan, pack: Pack, events: list[tuple[Event, e.Event]], completed: frozenset[str], skipped: frozenset[str], earlier: Sequence[dict[str, float]]):
        self.plan, self.pack, self.as_written = plan, pack, events
        self.events = in_force(plan, events)
        self.by_step: dict[str, list[tuple[Event, e.Event]]] = {}
        for item, event in self.events:
            self.by_step.setdefault(getattr(event, "step", ""), []).append((item, event))
        self.amended = after_record.by_entry(events)
        self.reworded = {event.entry: event.who for _, event in events if isinstance(event, e.Amended) and event.field == "remark"}
        self.words = {event.entry: event for _, event in events if isinstance(event, e.Transcribed)}
        self.completed, self.skipped = completed, skipped
        self.corrected = {event.corrects: item.seq for item, event in events if isinstance(event, e.Entry) and event.corrects}
        self.visits = self._visits()
        self.spent = accounts.times(plan, events)
        self.earlier = earlier

    def build(self) -> dict[str, Any]:
        started = next(event for _, event in self.events if isinstance(event, e.JobStarted))
        finished = next((item for item, event in self.events if isinstance(event, e.JobFinished)), None)
        procedure = self.plan.procedure
        steps = [self._step(planned) for planned in self.plan.steps + self.plan.on_demand if planned.key in self.visits or planned.key in self.plan.position]
        clips = sorted({clip for _, event in self.events for clip in getattr(event, "clips", ()) if not isinstance(event, e.Question)})
        return {
            "format": FORMAT,
            "gloveside": __version__,
            "job": started.job,
            "shop": started.shop,
            "asset": started.asset,
            "asset_class": procedure.asset_class,
            "procedure": {"id": started.procedure_id, "title": started.title, "revision": started.revision, "sha256": started.procedure_sha256},
            "people": {"technician": started.technician, "released_holds": sorted({event.who for _, event in self.events if isinstance(event, e.HoldReleased)})},
            "clock": started.clock,
            "started": self.events[0][0].at_utc,
            "finished": finished.at_utc if finished else None,
            "status": "closed" if finished else "open",
            "defer_to": procedure.defer_to,
            "protective_equipment": list(procedure.protective_equipment),
            "steps": steps,
            "findings": self._findings(),
            "torques": [value for step in steps for value in step["values"] if value["quantity"] == "torque"],
            "computed": [figure for step in steps for figure in step["computed"]],
            "fasteners": accounts.fasteners(self.plan, self.events),
            "parts": accounts.parts(self.plan, self.events, [event for item, event in self.events if isinstance(event, e.FindingRecorded) and item.seq not in self.corrected]),
            "kits": accounts.kits(self.plan, self.events),
            "skipped": [{"step": event.step, "instruction": self._instruction(event.step), "reason": self.pack.words_of("skip_reasons", event.reason), "at": item.at_utc, "clips": list(event.clips)} for item, event in self.events if isinstance(event, e.StepSkipped) and event.step in self.skipped],
            "open_points": self._open_points(steps),
            "stages": self._stages(),
            "time": accounts.time_rows(self.spent),
            "training": accounts.training(self.plan, self.events, self.spent, self.earlier) if started.detail == "full" else None,
            "pauses": self._pauses(),
            "clock_moves": clock_moves(self.as_written),
            "clips": [{"sha256": clip, "file": f"clips/{clip}.flac"} for clip in clips],
            "consent": after_record.consent(self.events),
            "amendments": after_record.amendments(self.as_written, self.pack),
            "signatures": after_record.signatures(self.events),
            "questions": after_record.questions(self.events),
            "removed_clips": after_record.removed_clips(self.events, clips),
            "journal": {"events": len(self.events), "last_hash": self.events[-1][0].hash},
        }

    def _visits(self) -> dict[str, list[list[str]]]:
        """step -> [[entered, left], ...] as UTC times."""
        visits: dict[str, list[list[str]]] = {}
        current = ""
        for item, event in self.events:
            if isinstance(event, e.StepEntered):
                if current:
                    visits[current][-1][1] = item.at_utc
                visits.setdefault(event.step, []).append([item.at_utc, item.at_utc])
                current = event.step
            elif current and isinstance(event, (e.StepCompleted, e.StepSkipped, e.JobFinished)):
                visits[current][-1][1] = item.at_utc
        return visits

    def _step(self, planned: PlannedStep) -> dict[str, Any]:
        step = planned.step
        mine = self.by_step.get(planned.key, [])
        status = "done" if planned.key in self.completed else "skipped" if planned.key in self.skipped else "not done"
        return {
            "key": planned.key,
            "stage": stage_title(planned),
            "instance": planned.instance,
            "instruction": planned.text(step.instruction),
            "status": status,
            "planned_minutes": _number(step.planned_minutes),
            "seconds": round(sum(_seconds(start, end) for start, end in self.visits.get(planned.key, ())), 1),
            "cautions": [{"signal": caution.signal, "hazard": planned.text(caution.hazard), "acknowledged": next((item.at_utc for item, event in mine if isinstance(event, e.CautionAcknowledged) and event.number == number), None)} for number, caution in enumerate(step.cautions)],
            "answers": [{"seq": item.seq, "check": event.item, "asked": event.question, "said": event.said, "result": event.result, "at": item.at_utc, **self._standing(item, event)} for item, event in mine if isinstance(event, e.AnswerRecorded)],
            "values": [self._value(item, event, planned) for item, event in mine if isinstance(event, e.ValueRecorded)],
            "hold": {"who": step.hold.who, "reason": step.hold.reason, "released": next((item.at_utc for item, event in mine if isinstance(event, e.HoldReleased)), None)} if step.hold else None,
            "timer": {"purpose": step.timer.purpose, "seconds": step.timer.seconds, "started": next((item.at_utc for item, event in mine if isinstance(event, e.TimerStarted)), None), "done": next((item.at_utc for item, event in mine if isinstance(event, e.TimerDone)), None)} if step.timer else None,
            "torque_specified": self._specified(planned),
            "passes": [{"number": event.number, "torque": float(event.torque), "unit": event.unit, "at": item.at_utc} for item, event in mine if isinstance(event, e.PassDone)],
            "counts": [{"seq": item.seq, "fastener": self._fastener(event.fastener), "direction": event.direction, "counted": event.counted, "expected": event.expected, "verdict": event.verdict, "at": item.at_utc, **self._standing(item, event)} for item, event in mine if isinstance(event, e.CountRecorded)],
            "refused_counts": [{"fastener": self._fastener(event.fastener), "counted": event.counted, "at": item.at_utc} for item, event in mine if isinstance(event, e.CountRefused)],
            "computed": self._computed(planned, mine),
        }

    def _computed(self, planned: PlannedStep, mine: list[tuple[Event, e.Event]]) -> list[dict[str, Any]]:
        """The newest of each figure: one that was worked out again after a correction stands in place of the old one."""
        figures = {event.item: (item, event) for item, event in mine if isinstance(event, e.ValueComputed)}
        return [
            {
                "seq": item.seq, "step": planned.key, "stage": stage_title(planned), "instance": planned.instance, "figure": event.item, "quantity": event.quantity, "value": float(event.value), "unit": event.unit,
                "at_least": _number(event.at_least), "at_most": _number(event.at_most), "verdict": event.verdict, "working": list(event.working), "at": item.at_utc, **_basis(planned, event.item),
            }
            for item, event in figures.values()
        ]  # fmt: skip

    def _fastener(self, fastener: str) -> str:
        known = self.plan.procedure.fastener(fastener)
        return known.name if known else fastener

    def _specified(self, planned: PlannedStep) -> dict[str, Any] | None:
        if planned.step.torque is None:
            return None
        value, unit = specified_torque(self.plan, planned.step.torque)
        return {"value": float(value), "unit": unit, "lubrication": planned.step.torque.lubrication, "passes_percent": all_passes(planned.step.tightening) if planned.step.tightening else []}

    def _value(self, item: Event, event: e.ValueRecorded, planned: PlannedStep) -> dict[str, Any]:
        return {
            "seq": item.seq, "step": planned.key, "check": event.item, "quantity": event.quantity, "value": float(event.value), "unit": event.unit, "unit_spoken": event.unit_spoken,
            "si_value": float(event.si_value), "si_unit": event.si_unit, "at_least": _number(event.at_least), "at_most": _number(event.at_most), "limit_unit": event.limit_unit,
            "specified": _number(event.specified), "uncertainty": _number(event.uncertainty), "readings": [float(reading) for reading in event.readings], "verdict": event.verdict, "as_recorded": self._as_recorded(item), "at": item.at_utc, **self._standing(item, event),
        }  # fmt: skip

    def _standing(self, item: Event, event: e.Entry) -> dict[str, Any]:
        return {"clips": list(event.clips), "corrects": event.corrects, "corrected_by": self.corrected.get(item.seq), "amended_by": self.amended.get(item.seq, [])}

    def _as_recorded(self, item: Event) -> dict[str, Any] | None:
        """An amended value as it was spoken; None where it stands as it was."""
        if item.seq not in self.amended:
            return None
        return next({"value": float(event.value), "unit": event.unit, "verdict": event.verdict} for before, event in self.as_written if before.seq == item.seq and isinstance(event, e.ValueRecorded))

    def _transcript(self, item: Event) -> dict[str, Any] | None:
        words = self.words.get(item.seq)
        return {"text": words.text, "engine": words.engine, "version": words.version, "confidence": words.confidence} if words else None

    def _findings(self) -> list[dict[str, Any]]:
        return [
            {
                "seq": item.seq, "step": event.step, "stage": stage_title(self.plan.by_key[event.step]), "instance": self.plan.by_key[event.step].instance, "part": event.part, "condition": self.pack.words_of("conditions", event.condition), "disposition": self.pack.words_of("dispositions", event.disposition),
                "remark": event.remark, "remark_source": self._source(item, event), "transcript": self._transcript(item), "at": item.at_utc, **self._standing(item, event),
            }
            for item, event in self.events if isinstance(event, e.FindingRecorded)
        ]  # fmt: skip

    def _source(self, item: Event, event: e.FindingRecorded) -> str:
        """Where the remark has its words from; a person's name where they were put right."""
        name = self.reworded.get(item.seq)
        return f"amended by {name}" if name else event.remark_source

    def _open_points(self, steps: list[dict[str, Any]]) -> list[str]:
        points = [f"Not done: {step['instruction']} ({step['stage']})" for step in steps if step["status"] == "not done"]
        points += [f"Skipped: {step['instruction']} ({step['stage']})" for step in steps if step["status"] == "skipped"]
        for step in steps:
            last: dict[str, dict[str, Any]] = {value["check"]: value for value in step["values"]}
            words = {"out": "Outside its limits", "too close": "Too close to its limit to tell"}
            points += [f"{words[value['verdict']]}: {value['quantity']} {digits(value['value'])} {unit_symbol(value['unit'])} ({step['instruction']})" for value in last.values() if value["verdict"] in words]
            points += [f"Outside its limits: {figure['quantity']} {digits(figure['value'])} {unit_symbol(figure['unit'])}, worked out ({step['instruction']})" for figure in step["computed"] if figure["verdict"] == "out"]
            points += [f"Cannot be worked out from the amended values: {figure['quantity']} ({step['instruction']})" for figure in step["computed"] if figure["verdict"] == NOT_KNOWN]
            counts: dict[tuple[str, str], dict[str, Any]] = {(count["fastener"], count["direction"]): count for count in step["counts"]}
            points += [f"Count differs: {count['fastener']}, {count['counted']} counted, {count['expected']} due ({step['instruction']})" for count in counts.values() if count["verdict"] == "differs"]
            final: dict[str, dict[str, Any]] = {answer["check"]: answer for answer in step["answers"]}
            points += [f"Failed: {answer['asked']} {answer['said']} ({step['stage']})" for answer in final.values() if answer["result"] == "fail"]
        points += [f"Still out: {line['fastener']}, {line['still_out']} ({line['kept']})" for line in accounts.fasteners(self.plan, self.events) if line["still_out"] > 0]
        refer = self.pack.group("dispositions").get("refer", ("",))[0]
        points += [f"Not answered: {question['text']}" for question in after_record.questions(self.events) if question["answer"] is None]
        points += [f"For the supervisor: {finding['part']}, {finding['condition']}" for finding in self._findings() if finding["disposition"] == refer and not finding["corrected_by"]]
        return points

    def _stages(self) -> list[dict[str, Any]]:
        rows: dict[str, float] = {}
        for planned in self.plan.steps + self.plan.on_demand:
            spent = sum(_seconds(start, end) for start, end in self.visits.get(planned.key, ()))
            rows[stage_title(planned)] = rows.get(stage_title(planned), 0.0) + spent
        return [{"stage": title, "seconds": round(seconds, 1)} for title, seconds in rows.items()]

    def _pauses(self) -> list[dict[str, Any]]:
        pauses: list[dict[str, Any]] = []
        for item, event in self.events:
            if isinstance(event, e.Paused):
                pauses.append({"reason": self.pack.words_of("pause_reasons", event.reason), "from": item.at_utc, "to": None})
            elif isinstance(event, e.Resumed) and pauses:
                pauses[-1]["to"] = item.at_utc
        return pauses

    def _instruction(self, key: str) -> str:
        planned = self.plan.by_key[key]
        return planned.text(planned.step.instruction)


def _basis(planned: PlannedStep, figure: str) -> dict[str, Any]:
    """What a figure was worked out from, so that it can be drawn; wear, which a procedure does not list, has none."""
    compute = next((compute for compute in planned.step.compute if compute.id == figure), None)
    if compute is None:
        return {"kind": "life", "from": {}, "curve": None}
    curve = {"at": compute.curve.at, "at_unit": compute.curve.at_unit, "points": [[float(x), float(y)] for x, y in compute.curve.points]} if compute.curve else None
    return {"kind": compute.kind, "from": dict(compute.inputs), "curve": curve}


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _seconds(start: str, end: str) -> float:
    return (datetime.fromisoformat(end) - datetime.fromisoformat(start)).total_seconds()
