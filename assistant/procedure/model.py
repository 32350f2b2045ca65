"""What is to be done: the procedure as written by its author, checked for shape (pydantic, frozen).

A procedure holds stages, a stage holds steps. Lengths are millimetres, times seconds, unless a unit is written.
Signal words follow ANSI Z535.6.
"""

from datetime import date
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$", description="lower-case letters, digits and hyphens")]
Line = Annotated[str, Field(min_length=1)]


def _as_text(value: object) -> object:
    # YAML reads `revision: 3`, `strength: 8.8` and a date as such; people write them as names.
    return str(value) if isinstance(value, (int, float, date)) and not isinstance(value, bool) else value


def _as_decimal(value: object) -> object:
    # Through the text, so that 0.1 in the file stays 0.1 in the record.
    return str(value) if isinstance(value, float) else value


Label = Annotated[str, BeforeValidator(_as_text, json_schema_input_type=str | int | float), Field(min_length=1)]
Number = Annotated[Decimal, BeforeValidator(_as_decimal)]


class Written(BaseModel):
    """Base: nothing can be changed after reading, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Reference(Written):
    title: Line
    note: str = ""


class Tool(Written):
    id: Name
    name: Line
    least: Number | None = None
    """Range of a torque wrench, or of another measuring tool."""
    most: Number | None = None
    unit: str = ""
    """Of `least`, `most` and `uncertainty`."""
    uncertainty: Number | None = None
    """Expanded uncertainty (k = 2) of what is read from it."""
    length_mm: Number | None = None
    """Of a torque wrench: from the square drive to the middle of the grip."""


class Part(Written):
    id: Name
    name: Line
    """The words the technician hears and says."""
    count: int = Field(gt=0)
    """How many the machine holds."""
    material: str = ""


class KitLine(Written):
    part: Name
    count: int = Field(gt=0)


class Kit(Written):
    id: Name
    name: Line
    contents: list[KitLine] = Field(min_length=1)


class Fastener(Written):
    id: Name
    name: Line
    count: int = Field(gt=0)
    """How many the machine holds."""
    thread: Line
    length_mm: Number | None = None
    strength: Label = ""
    """Property class or grade, such as A2-70 or 8.8."""
    plural: str = ""
    """How several are called; `name` with an s by default."""
    tapped_into: str = ""
    """What the thread is cut in, where it is no nut: aluminium, cast iron, plastic ..."""
    engaged_mm: Number | None = None
    """Length of thread that holds in it."""

    def called(self, count: int) -> str:
        """What so many of them are called."""
        return self.name if count == 1 else self.plural or f"{self.name}s"
    kept: Line
    """Where it is kept while it is out."""


class Caution(Written):
    signal: Literal["danger", "warning", "caution", "notice"]
    hazard: Line
    consequence: Line
    avoidance: Line
    act: str = ""
    """Words of the instruction that names the act warned of; `gloveside check` uses them."""

    @property
    def must_acknowledge(self) -> bool:
        return self.signal in ("danger", "warning")


class PartMove(Written):
    part: Name
    count: int = Field(default=1, gt=0)
    source: Name | None = Field(default=None, alias="from")
    """For parts in: the kit a new part comes from; without it the old part goes back."""
    discard: bool = False
    """For parts out: it does not go back."""


class FastenerMove(Written):
    fastener: Name
    count: int = Field(gt=0)
    count_aloud: bool = False
    """The technician counts them aloud before the step is passed."""


class Adapter(Written):
    offset_mm: Number
    """From the square drive to the middle of the nut."""
    angle_deg: Number = Decimal(0)
    """Between wrench and adapter; 0 straight out, 90 square to the wrench."""


class Torque(Written):
    value: Number | None = None
    unit: str = ""
    fastener: Name | None = None
    lubrication: str = ""
    """Needed to compute a torque from the fastener."""
    percent_of_proof: Number = Decimal(75)
    """Preload target when computed, percent of the proof load."""
    tolerance_percent: Number = Decimal(10)
    """The applied torque may differ by this much."""
    plausible_from: Number | None = None
    """Below this, in `unit` (N.m where the torque is computed), an applied torque was more likely misheard than applied."""
    plausible_to: Number | None = None
    """The same, above this."""
    wrench: Name | None = None
    """The tool it is set on."""
    adapter: Adapter | None = None


class Tightening(Written):
    order: Literal["crossing", "round", "rectangle", "two-rows"] = "crossing"
    count: int = Field(ge=1)
    rows: int | None = Field(default=None, ge=1)
    """Of a rectangle: its bolts are rows x columns, and `count` is their product."""
    passes_percent: list[Annotated[int, Field(gt=0, le=100)]] = Field(default=[30, 70, 100], min_length=1)
    last_round: bool = False
    """Once more round in sequence at full torque, after the passes."""
    note: str = ""
    """Said after the passes, for example a re-torque after a wait."""


class Answer(Written):
    say: Line
    result: Literal["pass", "fail", "note"] = "pass"
    go_to: Name | None = None
    """A step to go to after this answer."""


class Wear(Written):
    new: Number
    """The size when new, in the unit of the measure."""
    hours: Name
    """The check at which the running hours are recorded."""


class Measure(Written):
    quantity: Line
    unit: Line
    at_least: Number | None = None
    at_most: Number | None = None
    plausible_from: Number | None = None
    """Below this, in `unit`, a value was more likely misheard than measured: it is asked for again, and taken when said twice."""
    plausible_to: Number | None = None
    """The same, above this."""
    out_of_limits_go_to: Name | None = None
    instrument: Name | None = None
    """The tool it is read from; its uncertainty makes a value near a limit too close to call."""
    readings: int = Field(default=1, ge=1, le=10)
    """How often it is measured; their mean is judged."""
    wear: Wear | None = None


class Curve(Written):
    at: Line
    """The check or constant that says where on the curve, such as a pressure."""
    at_unit: Line
    points: list[Annotated[list[Number], Field(min_length=2, max_length=2)]] = Field(min_length=2)
    """[place, value] pairs, in `at_unit` and the unit of the computation."""
    at_least_percent: Number = Decimal(90)


class Compute(Written):
    """A figure worked out from what was recorded, and judged."""

    id: Name
    quantity: Line
    kind: Literal["leak", "bubbles", "flow", "curve", "drift", "lift", "difference"]
    inputs: dict[str, Line] = Field(alias="from")
    """Name of an input -> the check it is recorded at, or a constant with its unit, such as 1.8 L."""
    unit: Line
    at_least: Number | None = None
    at_most: Number | None = None
    curve: Curve | None = None


class Spelled(Written):
    """Letters and digits spelled out, such as a serial number."""

    pattern: str = "[A-Z0-9]{1,20}"
    """Regular expression that the whole of it must match."""


class Check(Written):
    id: Name
    ask: Line
    answers: list[Answer] = []
    measure: Measure | None = None
    spelled: Spelled | None = None
    required: bool = True


class Hold(Written):
    who: Line
    """Whose word is needed, such as the supervisor."""
    reason: Line


class Timer(Written):
    purpose: Line
    seconds: int = Field(gt=0)
    required: bool = True
    call_every: int | None = Field(default=None, ge=10)
    """Seconds between the times at which what is left is called out."""


class Quiz(Written):
    """A question to a trainee. It is no check: it judges nobody's part."""

    ask: Line
    right: Line
    """The answer that is right, as it is said."""
    wrong: list[Line] = Field(min_length=1)
    because: Line
    """Said after the answer."""


class Step(Written):
    id: Name
    instruction: Line
    detail: str = ""
    why: str = ""
    """For trainees: why it is done."""
    good: str = ""
    """What good looks like."""
    bad: str = ""
    """What bad looks like."""
    quiz: Quiz | None = None
    planned_minutes: Number | None = None
    cautions: list[Caution] = []
    tools: list[Name] = []
    parts: list[Name] = []
    """Parts a finding may name here, beside those moved in or out."""
    parts_out: list[PartMove] = []
    parts_in: list[PartMove] = []
    fasteners_out: list[FastenerMove] = []
    fasteners_in: list[FastenerMove] = []
    torque: Torque | None = None
    tightening: Tightening | None = None
    checks: list[Check] = []
    compute: list[Compute] = []
    hold: Hold | None = None
    timer: Timer | None = None
    instances: list[Name] = []
    """Names of the places at which the step is done in turn, such as left, right."""
    on_demand: bool = False
    """Only reached by a jump rule; the job then comes back to the step it left."""
    skippable: bool = True


class Stage(Written):
    id: Name
    title: Line
    make_safe: bool = False
    """Its steps cannot be skipped or jumped over."""
    instances: list[Name] = []
    """The whole stage is done for each in turn."""
    steps: list[Step] = Field(min_length=1)


class Procedure(Written):
    procedure: Name
    title: Line
    revision: Label
    date: Label
    language: str = "en"
    shop: str = ""
    asset_class: Line
    defer_to: Line = "The maker's manual, local codes and licensed practice come first."
    references: list[Reference] = []
    protective_equipment: list[Line] = []
    tools: list[Tool] = []
    parts: list[Part] = []
    kits: list[Kit] = []
    fasteners: list[Fastener] = []
    stages: list[Stage] = Field(min_length=1)

    def part(self, part_id: str) -> Part | None:
        return next((part for part in self.parts if part.id == part_id), None)

    def fastener(self, fastener_id: str) -> Fastener | None:
        return next((item for item in self.fasteners if item.id == fastener_id), None)

    def kit(self, kit_id: str) -> Kit | None:
        return next((kit for kit in self.kits if kit.id == kit_id), None)

    def tool(self, tool_id: str) -> Tool | None:
        return next((tool for tool in self.tools if tool.id == tool_id), None)
