"""What a phrase means: the only thing the engine hears."""

from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True)
class Intent:
    """One understood phrase. Built by the language module, or by a clock for "tick"."""

    kind: str
    """A general command (see GENERAL), "answer", "value", "count", "spelled", "words", "unheard" or "tick"."""
    choice: str | None = None
    """What was chosen, where the phrase is an answer, or names a stage or a fastener."""
    value: Decimal | None = None
    """Of a measurement or a count."""
    unit: str | None = None
    """Unit key as spoken; None for a bare number."""
    quantity: str | None = None
    """The quantity named before the number, if any."""
    text: str | None = None
    """Free words, or letters spelled; None where only the sound is kept."""
    source: str = ""
    """Where free words come from: "typed" or the recogniser's name."""
    clip: str | None = None
    """SHA-256 of the sound clip kept for this phrase."""


GENERAL = {
    "begin": "start the first step",
    "next": "go on, once nothing is missing",
    "back": "go to the step before",
    "repeat": "hear the last prompt again",
    "details": "hear the detail of this step",
    "cautions": "hear the cautions of this step",
    "torque": "hear torque, passes and tightening order",
    "pass_done": "record a tightening pass",
    "bolts": "hear the first bolt of the pass",
    "next_bolt": "hear the next bolt of the pass",
    "wrench": "hear the wrench setting, with its adapter",
    "outstanding": "hear what is missing, and what is still out of the machine",
    "time_left": "hear what is left of timers and planned time",
    "tools": "hear the tools of this step",
    "parts": "hear parts and fasteners of this step",
    "where": "hear stage, step and what is missing",
    "understood": "acknowledge a danger or warning",
    "finding": "record a finding about a part",
    "measure": "record a measurement or the applied torque",
    "check": "answer the check that is open",
    "correct": "change the last entry",
    "skip": "skip this step, with a reason",
    "pause": "hold the job, with a reason",
    "resume": "carry on after a pause",
    "sleep": "hear nothing but the wake phrase, while you talk with somebody",
    "wake": "listen again",
    "stage": "go to a stage",
    "timer_start": "start this step's timer",
    "timer_stop": "stop this step's timer",
    "help": "hear what can be said now",
    "cancel": "drop the open question",
    "release": "second person releases a hold",
    "finish": "finish the job",
}
"""Every general command and what it is for; a language pack gives each its phrases."""
