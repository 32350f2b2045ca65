"""What was recorded last, said when a job is opened again: the technician must know what need not be done twice."""

from assistant.engine import events as e
from assistant.engine.counts import counted_words
from assistant.engine.missing import check_of
from assistant.engine.turn import Amount, Turn


def say_last_entry(turn: Turn) -> None:
    """The last entry and its place; nothing where there is none yet."""
    if turn.state.last_entry is None:
        return
    entry = turn.state.last_entry[1]
    step = turn.plan.by_key[entry.step]
    turn.say("last_recorded", text=step.text(step.step.instruction))
    if isinstance(entry, e.ValueRecorded):
        turn.say("last_value", quantity=entry.quantity, amount=Amount(entry.value, entry.unit))
    elif isinstance(entry, e.CountRecorded):
        turn.say("last_words", words=counted_words(turn.plan.procedure.fastener(entry.fastener), entry.fastener, entry.counted))
    elif isinstance(entry, e.FindingRecorded):
        turn.say("last_finding", part=entry.part, condition=f"#conditions:{entry.condition}", disposition=f"#dispositions:{entry.disposition}")
    elif isinstance(entry, e.AnswerRecorded):
        turn.say("last_words", words=f"#phonetic:{entry.said}" if check_of(step.step, entry.item).spelled else entry.said)
