"""The terminal view of a running job: step, time and torque in block letters that read from two metres, then the dialogue."""

import time
from collections.abc import Callable

from pyfiglet import Figlet
from rich.align import Align
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.progress_bar import ProgressBar
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from assistant.engine import events as e
from assistant.engine.counts import moves_of
from assistant.engine.missing import Missing, all_passes, check_of, limits_of, missing, pass_amount, specified_torque
from assistant.engine.state import State
from assistant.figures.units import digits, unit_symbol
from assistant.procedure.plan import Plan, PlannedStep, stage_title
from assistant.record.proofs import VERDICTS
from assistant.speech.recognise import Heard

LINES_KEPT = 30


class PlainDisplay:
    """One line each for what is said, heard and recorded: for pipes and logs."""

    def __init__(self, console: Console):
        self._console = console

    def __enter__(self) -> "PlainDisplay":
        return self

    def __exit__(self, *_: object) -> None: ...

    def said(self, text: str) -> None:
        self._console.print(Text(f"      says  {text}"), soft_wrap=True)

    def heard(self, heard: Heard) -> None:
        self._console.print(Text(f"     heard  {heard_line(heard)}"), soft_wrap=True)

    def recorded(self, event: e.Event) -> None:
        if line := recorded_line(event):
            self._console.print(Text(f"  recorded  {line}"), soft_wrap=True)

    def stands(self, plan: Plan, state: State, now_s: float) -> None: ...


class LiveDisplay:
    """The whole terminal: where the job stands above, as much of the dialogue as fits below."""

    def __init__(self, console: Console, typing: Callable[[], str] | None = None):
        self._console, self._typing = console, typing
        self._lines: list[Text] = []
        self._stand: RenderableType = Text("")
        self._step, self._since_s, self._drawn = "", 0.0, 0.0
        self._live = Live(Text(""), console=console, auto_refresh=False, screen=True, vertical_overflow="crop")

    def __enter__(self) -> "LiveDisplay":
        self._live.__enter__()
        return self

    def __exit__(self, *error: object) -> None:
        self._live.__exit__(None, None, None)
        # The screen is given back: what was said last stays readable, and copied errors stand below it.
        for line in self._lines[-3:]:
            self._console.print(line)

    def said(self, text: str) -> None:
        self._line("says", text, "bold")

    def heard(self, heard: Heard) -> None:
        self._line("heard", heard_line(heard), "dim" if heard.rejected else "italic")

    def recorded(self, event: e.Event) -> None:
        if line := recorded_line(event):
            self._line("kept", line, "")

    def stands(self, plan: Plan, state: State, now_s: float) -> None:
        if state.step != self._step:
            self._step, self._since_s = state.step, now_s
        self._stand = standing(plan, state, now_s - self._since_s)
        if time.monotonic() - self._drawn > 0.1:  # the terminal is slower than the job
            self._draw()

    def _line(self, who: str, text: str, style: str) -> None:
        self._lines = [*self._lines, Text.assemble((f"{who:>6}  ", "bold"), (text, style))][-LINES_KEPT:]
        self._draw()

    def _draw(self) -> None:
        self._drawn = time.monotonic()
        width = self._console.width
        rows = len(self._console.render_lines(self._stand, pad=False))
        typed = [Text(f"  type  {self._typing()}_", style="bold")] if self._typing else []
        free = self._console.height - rows - 2 - len(typed)
        shown: list[Text] = []
        for line in reversed(self._lines):
            free -= len(line.wrap(self._console, width - 4))
            if free < 0:
                break
            shown.insert(0, line)
        self._live.update(Group(self._stand, Panel(Group(*shown, *typed), title="dialogue", title_align="left")), refresh=True)


def standing(plan: Plan, state: State, step_seconds: float) -> RenderableType:
    """Stage, step n of m, time in step, torque and what is missing, set wide and large."""
    if not state.step:
        return Panel(Align.center(_block("not begun")), title=plan.procedure.title)
    here = plan.by_key[state.step]
    position = plan.position.get(here.key)
    total = len(plan.steps)
    place = f"{position + 1}/{total}" if position is not None else "extra"
    minutes, seconds = divmod(int(step_seconds), 60)
    top = Table.grid(expand=True)
    clock = _clock(minutes, seconds)
    top.add_column(ratio=1)
    top.add_column(width=max(map(len, clock.plain.splitlines())))  # justified to the right, each row would be moved by itself
    top.add_row(_block(place), clock)
    rows: list[RenderableType] = [Text("STEP, AND TIME IN IT", style="bold"), top, ProgressBar(total=total, completed=len(state.settled & plan.position.keys()), complete_style="white", finished_style="white"), Text(""), Text(here.text(here.step.instruction).upper(), style="bold")]
    if here.step.torque:
        value, unit = specified_torque(plan, here.step.torque)
        percents = all_passes(here.step.tightening) if here.step.tightening else []
        done = state.passes.get(here.key, 0)
        label = f"TORQUE, {unit_symbol(unit)}"
        if done < len(percents) > 1:
            label = f"PASS {done + 1} OF {len(percents)}, {unit_symbol(unit)} (FULL TORQUE {digits(value)})"
            value = pass_amount(value, percents[done])
        rows += [Text(f"\n{label}", style="bold"), _block(digits(value))]
    for key, countdown in state.timers.items():
        if countdown.started_s is not None and not countdown.done:
            timer = plan.by_key[key].step.timer
            rows.append(Text(f"TIMER RUNNING: {timer.purpose if timer else ''}", style="bold"))
    what = "PAUSED" if state.paused else "CLOSED" if state.finished else "; ".join(needed(plan, here, need) for need in missing(plan, state)) or "nothing more"
    rows += [Rule(style="dim"), Text(f"needed: {what}", style="bold")]
    return Panel(Group(*rows), title=stage_title(here).upper(), title_align="left", padding=(1, 3))


def needed(plan: Plan, here: PlannedStep, need: Missing) -> str:
    step = here.step
    match need.what:
        case "caution":
            return "the caution understood"
        case "answer" | "spelled":
            return here.text(check_of(step, need.item).ask)
        case "value":
            limits = limits_of(plan, here, need.item)
            return f"{limits.quantity} in {unit_symbol(limits.unit)}"
        case "timer" if step.timer:
            return f"timer for {step.timer.purpose}"
        case "count":
            move = moves_of(here)[need.item]
            fastener = plan.procedure.fastener(move.fastener)
            return f"count of the {fastener.name if fastener else move.fastener}"
        case "quiz":
            return "an answer to a question"
        case "pass":
            return "pass is done"
        case "hold" if step.hold:
            return f"the word of the {step.hold.who}"
    return need.what


COLON = ("  ", "██", "  ", "██", "  ")
_LETTERS = Figlet(font="ansi_regular", width=200)


def _block(text: str) -> Text:
    """A short line in solid letters five rows high: on a shop screen about the height of a hand's breadth."""
    rows = [row.rstrip() for row in _LETTERS.renderText(text).splitlines()]
    return Text("\n".join(row for row in rows if row), no_wrap=True)


def _clock(minutes: int, seconds: int) -> Text:
    """Minutes and seconds. The font's own colon stands so close to the figures that it is read as a part of them."""
    left, right = (_block(figure).plain.splitlines() for figure in (str(minutes), f"{seconds:02d}"))
    width = max(map(len, left))
    return Text("\n".join(f"{one.ljust(width)}  {dot}  {other}" for one, dot, other in zip(left, COLON, right, strict=True)), no_wrap=True)


def heard_line(heard: Heard) -> str:
    if heard.rejected:
        return f"(not understood{', ' + heard.text if heard.text else ''})"
    return f'"{heard.text}"  {heard.confidence:.2f}'


def _plain(fastener: str) -> str:
    """The id of a fastener as words: an event does not carry its name."""
    return fastener.replace("-", " ")


def recorded_line(event: e.Event) -> str | None:
    """A short line for what goes into the record; None for events that only steer the dialogue."""
    match event:
        case e.ValueRecorded():
            return f"{event.quantity} {digits(event.value)} {unit_symbol(event.unit)}, {VERDICTS.get(event.verdict, event.verdict)}"
        case e.ReadingTaken():
            return f"reading {digits(event.value)} {unit_symbol(event.unit)}"
        case e.ValueComputed():
            return f"{event.quantity} {digits(event.value)} {unit_symbol(event.unit)}, worked out, {VERDICTS.get(event.verdict, event.verdict)}"
        case e.CountRecorded():
            return f"counted {event.direction}: {event.counted} × {_plain(event.fastener)}, {event.verdict}"
        case e.Transcribed():
            return f'words of entry {event.entry}: "{event.text}"'
        case e.CountRefused():
            return f"not of this step: {event.counted} × {_plain(event.fastener)}"
        case e.PassDone():
            return f"pass {event.number}: {digits(event.torque)} {unit_symbol(event.unit)}"
        case e.QuizAnswered():
            return f"question: {event.said}, {'right' if event.right else 'not right'}"
        case e.AnswerRecorded():
            return f"{event.said} ({event.result})"
        case e.FindingRecorded():
            return f"finding: {event.part}, {event.condition}, {event.disposition}" + (f', "{event.remark}"' if event.remark else f", remark {event.remark_source}")
        case e.StepSkipped():
            return f"skipped: {event.reason}"
        case e.CautionAcknowledged():
            return f"{event.signal} acknowledged"
        case e.HoldReleased():
            return f"hold released by {event.who}"
        case e.StepCompleted():
            return f"done: {event.step}"
        case e.TimerDone():
            return "timer done"
        case e.Paused():
            return f"paused: {event.reason}"
        case e.JobFinished():
            return "job closed"
    return None
