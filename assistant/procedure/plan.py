"""The order of work: a procedure with its instances written out, one entry a step to be done."""

from dataclasses import dataclass
from functools import cached_property

from assistant.procedure.model import Procedure, Stage, Step


@dataclass(frozen=True)
class PlannedStep:
    """One step at one place."""

    key: str
    """`stage/step`, with `@instance` behind what is repeated: the name used in journals and records."""
    stage: Stage
    step: Step
    instance: str
    """Where: "left", "left outlet", or empty."""
    stage_run: str
    """`stage` or `stage@instance`."""

    def text(self, words: str) -> str:
        """The author's words with `{instance}` filled in."""
        return words.replace("{instance}", self.instance)


@dataclass(frozen=True)
class Plan:
    """A procedure's steps in the order they are done; on-demand steps are kept aside."""

    procedure: Procedure
    steps: tuple[PlannedStep, ...]
    on_demand: tuple[PlannedStep, ...]

    @cached_property
    def by_key(self) -> dict[str, PlannedStep]:
        return {planned.key: planned for planned in self.steps + self.on_demand}

    @cached_property
    def position(self) -> dict[str, int]:
        """Place of each step in the main order, from 0."""
        return {planned.key: number for number, planned in enumerate(self.steps)}

    @cached_property
    def stage_runs(self) -> tuple[tuple[str, str], ...]:
        """(stage run, spoken title) in order."""
        return tuple({planned.stage_run: stage_title(planned) for planned in self.steps}.items())

    @cached_property
    def _targets(self) -> dict[str, list[PlannedStep]]:
        found: dict[str, list[PlannedStep]] = {}
        for planned in self.steps + self.on_demand:
            found.setdefault(planned.step.id, []).append(planned)
        return found

    def target(self, step_id: str, origin: PlannedStep) -> PlannedStep:
        """The planned step a jump rule means: the one at the same place where there is one."""
        candidates = self._targets[step_id]
        same_run = [item for item in candidates if item.stage_run == origin.stage_run]
        same_place = [item for item in same_run or candidates if item.instance == origin.instance]
        return (same_place or same_run or candidates)[0]


def stage_title(planned: PlannedStep) -> str:
    """The stage's title as spoken, with the place it is done at."""
    where = planned.stage_run.partition("@")[2]
    title = planned.stage.title
    if "{instance}" in title:
        title = title.replace("{instance}", where)
        return title[:1].upper() + title[1:]
    return f"{title}, {where}" if where else title


def make_plan(procedure: Procedure) -> Plan:
    """Write out stage and step instances in order: stage instance first, step by step within it."""
    main: list[PlannedStep] = []
    aside: list[PlannedStep] = []
    for stage in procedure.stages:
        for place in stage.instances or [""]:
            run = f"{stage.id}@{place}" if place else stage.id
            for step in stage.steps:
                for spot in step.instances or [""]:
                    key = f"{run}/{step.id}" + (f"@{spot}" if spot else "")
                    instance = " ".join(word for word in (place, spot) if word)
                    (aside if step.on_demand else main).append(PlannedStep(key, stage, step, instance, run))
    return Plan(procedure, tuple(main), tuple(aside))
