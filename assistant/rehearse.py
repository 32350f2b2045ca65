"""`python -m assistant.rehearse`: a whole job spoken by a synthetic technician, through the real recogniser, engine and journal."""

import sys
import time
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

import click
from rich.console import Console

from assistant.bench import Bench
from assistant.cli import BUNDLED, SpokenErrors, keys_option, load
from assistant.display import LiveDisplay, PlainDisplay
from assistant.language.pack import load_pack
from assistant.record.clock import SimulatedClock
from assistant.record.report import write_record
from assistant.record.seal import load_or_make_key, seal_job
from assistant.record.service_record import service_record
from assistant.rehearsal import RehearsalListener, Technician, Voice, differences, read_script
from assistant.session import Setting, job_started, must_know_words, new_journal
from assistant.speech.endpoint import Endpointer
from assistant.speech.engines import KINDS, close_recogniser, make_recogniser, wait_until_ready
from assistant.speech.listen import MicrophoneListener
from assistant.speech.speak import SilentSpeaker, Speaker, WorkerSpeaker
from assistant.speech.transcribe import make_transcriber


@click.command(cls=SpokenErrors, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Folder for record.json, record.html and the journal; out/TIME by default.")
@click.option("--microphone", is_flag=True, help="Through a PulseAudio null sink and sounddevice, as in a shop.")
@click.option("--real-time", is_flag=True, help="With audible prompts, each waited for.")
@click.option("--procedure", default=str(BUNDLED / "procedures" / "diaphragm-pump-one-inch.yaml"), help="Procedure to rehearse.")
@click.option("--script", type=click.Path(path_type=Path), default=BUNDLED / "scripts" / "demo_job.yaml", help="What the technician finds.")
@click.option("--listen", type=click.Choice(KINDS), default="phones", show_default=True, help="Recogniser.")
@click.option("--plain-view", is_flag=True, help="One line each for what is said, heard and recorded.")
@keys_option
def main(out: Path | None, microphone: bool, real_time: bool, procedure: str, script: Path, listen: str, plain_view: bool, keys: Path) -> None:
    """Rehearse a job with a synthetic technician. Timers are not waited for: the clock is set on, and the record says so."""
    console = Console()
    begun = time.monotonic()
    plan, source, sha256 = load(procedure)
    pack = load_pack(plan.procedure.language)
    directory = out or Path("out") / datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    technician = Technician(read_script(script), plan, pack)
    setting = Setting(plan, source.text, sha256, technician.asset, technician.name, listen, "", "plain", False, False, False, None, pack.language, directory, BUNDLED / "models")
    clock = SimulatedClock(datetime.now(UTC))
    recogniser = make_recogniser(listen, pack, setting.models)
    must_know_words(plan, pack, recogniser)
    wait_until_ready(recogniser)
    with ExitStack() as stack:
        stack.callback(close_recogniser, recogniser)
        voice = Voice()
        for words in technician.phrases():
            voice.prepare(words)
        play, inner = None, None
        if microphone:
            from assistant.speech.microphone import Microphone
            from assistant.virtual_bench import virtual_bench

            bench_sound = stack.enter_context(virtual_bench())
            play = bench_sound.play_aside
            inner = MicrophoneListener(Microphone(), recogniser, lambda: Endpointer(silence_s=0.35))
        speaker: Speaker = WorkerSpeaker(pack.voice.espeak, pack.voice.words_per_minute) if real_time else SilentSpeaker()
        stack.callback(speaker.close)
        journal = stack.enter_context(new_journal(directory, source.text, clock))
        display = stack.enter_context(PlainDisplay(console) if plain_view or not console.is_terminal else LiveDisplay(console))
        listener = RehearsalListener(technician, voice, recogniser, clock, lambda: bench.state, inner, play)
        stack.callback(listener.close)
        transcriber = make_transcriber(pack, setting.models)
        if transcriber is not None:
            stack.callback(transcriber.close)
        bench = Bench(plan, pack, journal, listener, speaker, display, clock, transcriber)
        bench.start(job_started(setting, f"rehearsal-{directory.name}", "simulated"))
        if bench.run():
            seal_job(directory, load_or_make_key(keys), clock)
    record = service_record(directory, plan, pack)
    written = write_record(record, directory, directory)
    wrong = differences(read_script(script), record, pack)
    for line in wrong:
        console.print(line, soft_wrap=True)
    entries = sum(len(step["answers"]) + len(step["values"]) for step in record["steps"]) + len(record["findings"]) + len(record["skipped"])
    console.print(f"{entries} entries, {len(wrong)} differences from what was said; {time.monotonic() - begun:.0f} s.")
    console.print(f"Service record: {written[1]}", soft_wrap=True)
    console.print(f"As data: {written[0]}; journal: {directory / 'journal.sqlite'}", soft_wrap=True)
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
