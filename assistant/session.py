"""Puts the pieces together for the command line: opens a job, a listener, a speaker and a display, and runs the bench."""

import sys
import time
from collections.abc import Iterable, Iterator, Sequence, Set
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console

from assistant.bench import Bench
from assistant.display import LiveDisplay, PlainDisplay
from assistant.engine import events as e
from assistant.engine.expect import general_vocabulary, step_vocabulary
from assistant.engine.turn import Prompt
from assistant.errors import JobInUse, JobNotFound, JournalError, ProcedureError, SealError, SoundError
from assistant.figures.units import warm_up
from assistant.greeting import Greeting
from assistant.language import confusions
from assistant.language.grammar import Grammar
from assistant.language.pack import Pack, load_pack
from assistant.language.sounds import alike, suggest
from assistant.language.vocabulary import Vocabulary
from assistant.language.wording import sentence
from assistant.procedure.checks import check_procedure
from assistant.procedure.plan import Plan, PlannedStep, make_plan
from assistant.procedure.reader import ProcedureFaults, Remark, read_procedure
from assistant.record.clock import Clock, SystemClock
from assistant.record.faults import write_whole
from assistant.record.journal import Journal
from assistant.record.kept import PROCEDURE_COPY, earlier_minutes, kept_plan
from assistant.record.live import LiveFile
from assistant.record.pdf import as_pdf
from assistant.record.report import as_csv, as_html, as_json, write_record
from assistant.record.service_record import service_record
from assistant.record.store import Store
from assistant.speech.echo import EchoCanceller
from assistant.speech.endpoint import Endpointer
from assistant.speech.engines import KINDS, close_recogniser, make_recogniser, wait_until_ready
from assistant.speech.listen import EndOfInput, Listener, MicrophoneListener, SoundListener, TypedListener
from assistant.speech.played import Played
from assistant.speech.recognise import Heard, Recogniser
from assistant.speech.sound import read_sound
from assistant.speech.speak import FileSpeaker, SilentSpeaker, Speaker, WorkerSpeaker
from assistant.speech.transcribe import Transcriber, make_transcriber
from assistant.speech.tune import ShopProfile
from assistant.speech.tune import load as load_profile


@dataclass(frozen=True)
class Setting:
    """How one job is to be run."""

    plan: Plan
    source: bytes
    """The procedure file, kept beside the journal."""
    sha256: str
    asset: str
    technician: str
    listen: str
    speak: str
    detail: str
    resume: bool
    headset: bool
    talk_over: bool
    """Whether to listen while the loudspeaker talks, where its sound can be taken out."""
    microphone: str | None
    language: str
    store: Path
    models: Path
    bench: str = "bench"
    profiles: Path | None = None
    """Folder of fittings by `gloveside tune`."""
    keys: Path = Path("keys")
    """Folder of the key that seals jobs."""


def vocabulary(pack: Pack, plan: Plan | None, planned: PlannedStep | None) -> Grammar:
    """The grammar of a step, or of the general commands with any measurement."""
    expected = step_vocabulary(plan, planned) if plan and planned else general_vocabulary()
    return Vocabulary(pack).grammar(expected)


def run_job(setting: Setting, console: Console, plain: bool) -> tuple[Path, bool]:
    """Run one job. Returns (its HTML record, whether it was closed)."""
    pack = load_pack(setting.language)
    profile = load_profile(setting.technician, setting.bench, setting.profiles) if setting.profiles else None
    played = Played()
    echo = make_echo(played) if setting.talk_over and not setting.headset and setting.speak == "pyttsx3" and setting.listen in KINDS else None
    recogniser, listener = make_listener(setting.listen, pack, setting.models, setting.microphone, plain, profile, echo)
    if recogniser is not None:
        must_know_words(setting.plan, pack, recogniser)
    speaker = make_speaker(setting.speak, pack, played)
    transcriber = make_transcriber(pack, setting.models) if recogniser is not None else None
    clock = SystemClock()
    try:
        journal, new = _opened(setting, clock, pack, speaker)
        with journal:
            closed = _run(setting, pack, journal, new, transcriber, listener, speaker, clock, console, plain)
            job = journal.directory
            fault = _seal(job, setting.keys, clock) if closed else None
            if fault is not None:
                _say(Prompt("not_sealed"), pack, speaker)
    finally:
        listener.close()
        speaker.close()
        close_recogniser(recogniser)
        if transcriber is not None:
            transcriber.close()
    record = service_record(job, setting.plan, pack, earlier_minutes(setting.store, job) if setting.detail == "full" else ())
    written = write_record(record, job, job)[1]
    if fault is not None:
        raise SealError(f"Job {job.name} is closed and its record is written, but it could not be sealed. {fault} Then run: gloveside seal {job.name}")
    return written, closed


def _opened(setting: Setting, clock: Clock, pack: Pack, speaker: Speaker) -> tuple[Journal, bool]:
    """The journal; where it cannot be had, the technician hears so: they may not stand at the screen."""
    try:
        return open_job(setting, clock)
    except JournalError as error:
        _say(Prompt("job_in_use" if isinstance(error, JobInUse) else "cannot_open"), pack, speaker)
        raise


def _say(prompt: Prompt, pack: Pack, speaker: Speaker) -> None:
    speaker.say(sentence(prompt, pack))
    speaker.wait(10)


def _seal(job: Path, keys: Path, clock: Clock) -> JournalError | None:
    """Seal a job that was just closed, while it is still held. A seal that cannot be made must not cost the record: what was wrong is returned."""
    from assistant.record.seal import seal_job

    try:
        seal_job(job, _key(keys), clock)
    except JournalError as error:
        return error
    return None


def _run(setting: Setting, pack: Pack, journal: Journal, new: bool, transcriber: Transcriber | None, listener: Listener, speaker: Speaker, clock: Clock, console: Console, plain: bool) -> bool:
    shown = PlainDisplay(console) if plain else LiveDisplay(console, getattr(listener, "text", None))
    with LiveFile(shown, journal.directory, lambda: getattr(listener, "level_dbfs", None)) as display:
        bench = Bench(setting.plan, pack, journal, listener, speaker, display, clock, transcriber, setting.headset)
        greeting = Greeting(bench, setting.technician, setting.store, lambda: _key(setting.keys), setting.listen in KINDS)
        left: list[Heard | None] = []
        try:
            if new:
                bench.start(job_started(setting, journal.directory.name), lambda: left.append(greeting.talk()))
            else:
                left.append(greeting.talk())
                bench.reopen(setting.technician)
        except EndOfInput:
            return False
        except JournalError:
            bench.stopped("recording_stopped")
            raise
        if left[0] is not None:
            bench.take(left[0])
        warm_up()
        closed = bench.run()
        speaker.wait(30)
    return closed


def _key(folder: Path) -> Any:
    from assistant.record.seal import load_or_make_key

    return load_or_make_key(folder)


def must_know_words(plan: Plan, pack: Pack, recogniser: Recogniser) -> None:
    """Raises SoundError, before the job begins, where a step has a word that the recogniser cannot hear."""
    words = Vocabulary(pack)
    missing = {word for planned in plan.steps + plan.on_demand for word in recogniser.missing_words(words.grammar(step_vocabulary(plan, planned)).words())}
    if missing:
        raise SoundError(f"{recogniser.name} has no pronunciation for {', '.join(sorted(missing))}; gloveside check says where they stand and suggests one.")


def job_started(setting: Setting, job: str, clock: str = "system") -> e.JobStarted:
    procedure = setting.plan.procedure
    return e.JobStarted(job, procedure.procedure, procedure.title, procedure.revision, setting.sha256, setting.asset, setting.technician, setting.detail, procedure.shop, clock)


def open_job(setting: Setting, clock: Clock) -> tuple[Journal, bool]:
    """The journal to write to, and whether it is new. Raises JournalError, JobInUse."""
    store = Store(setting.store)
    unfinished = store.unfinished(setting.asset, setting.plan.procedure.procedure)
    if setting.resume:
        if unfinished is None:
            raise JobNotFound(f"There is no unfinished job on {setting.asset} with this procedure; run without --resume to begin one.")
        if (unfinished[1] / PROCEDURE_COPY).read_bytes() != setting.source:
            raise ProcedureError(f"The procedure has changed since job {unfinished[0]} began; resume it with its own copy, {unfinished[1] / PROCEDURE_COPY}.")
        return Journal.open(unfinished[1], clock), False
    if unfinished is not None:
        raise JournalError(f"Job {unfinished[0]} on {setting.asset} is not finished; use --resume to carry on and finish it first.")
    _, directory = store.new_job(setting.asset, clock)
    return new_journal(directory, setting.source, clock), True


def new_journal(directory: Path, procedure: bytes, clock: Clock) -> Journal:
    """A journal with its copy of the procedure, which is on the disk before the first entry can be: without it no job can be resumed. Raises JournalError."""
    journal = Journal.create(directory, clock)
    try:
        write_whole(directory / PROCEDURE_COPY, procedure)
    except OSError as error:
        journal.close()
        raise JournalError(f"The job cannot be begun in {directory} ({error.strerror}); make room on the disk.") from None
    return journal


def make_listener(listen: str, pack: Pack, models: Path, microphone: str | None, plain: bool, profile: ShopProfile | None = None, echo: EchoCanceller | None = None) -> tuple[Recogniser | None, Listener]:
    """The recogniser in use, if any, and the listener. Raises SoundError."""
    if listen == "typed":
        if plain or not sys.stdin.isatty():
            return None, TypedListener(sys.stdin)
        from assistant.speech.keyboard import KeyboardListener

        return None, KeyboardListener(sys.stdin)
    if listen in KINDS:
        from assistant.speech.microphone import Microphone
        from assistant.speech.recogniser_process import ProcessRecogniser

        # A process of its own: a recogniser that crashes costs a phrase, not the job.
        process = ProcessRecogniser(listen, pack, models)
        try:
            return process, MicrophoneListener(Microphone(microphone), process, profile.endpointer if profile else Endpointer, echo)
        except SoundError:
            process.close()
            raise
    path = Path(listen)
    if not path.suffix and not path.exists():
        raise SoundError(f'"{listen}" is neither a way to listen nor a sound file; use {", ".join(KINDS)}, typed or a file.')
    recogniser = make_recogniser("auto", pack, models)
    wait_until_ready(recogniser)
    return recogniser, SoundListener.from_file(path, recogniser)


def make_echo(played: Played) -> EchoCanceller | None:
    """What takes our own voice out of the microphone's sound; None where its library is missing: then we do not listen while we speak."""
    try:
        return EchoCanceller(played)
    except SoundError:
        return None


def make_speaker(speak: str, pack: Pack, played: Played | None = None) -> Speaker:
    if speak == "silent":
        return SilentSpeaker()
    if speak == "pyttsx3":
        return WorkerSpeaker(pack.voice.espeak, pack.voice.words_per_minute, played=played)
    return FileSpeaker(Path(speak), pack.voice.espeak, pack.voice.words_per_minute)


def hear_file(name: str, recogniser: Recogniser, grammar: Grammar) -> dict[str, Any]:
    """One line of `gloveside hear --json`. Raises SoundError when the file cannot be read."""
    samples = read_sound(Path(name))
    begun = time.process_time()
    heard = recogniser.hear(samples, grammar)
    intent = None if heard.rejected else grammar.match(heard.text)
    value = None if intent is None or intent.value is None else float(intent.value)
    return {
        "file": name,
        "text": heard.text,
        "intent": intent.kind if intent else None,
        "value": int(value) if value is not None and value.is_integer() else value,
        "unit": intent.unit if intent else None,
        "confidence": round(heard.confidence, 4),
        "rejected": intent is None,
        "seconds_audio": round(heard.seconds_audio, 3),
        "seconds_compute": round(time.process_time() - begun, 4),
        "engine": heard.engine,
    }


def check_file(path: Path, language: str | None, models: Path) -> list[Remark]:
    """Every remark on one file, its words and sounds among them. Raises ProcedureError when it cannot be read."""
    try:
        source = read_procedure(path)
    except ProcedureFaults as faults:
        return faults.remarks
    remarks = check_procedure(source)
    if any(remark.severity == "error" for remark in remarks):
        return remarks
    pack = load_pack(language or source.procedure.language)
    plan = make_plan(source.procedure)
    # English pronunciations come with the embedded recogniser; other languages have only their model's word list.
    recogniser = make_recogniser("phones" if pack.language == "en" else "auto", pack, models)
    return sorted({*remarks, *_word_remarks(source, plan, pack, recogniser)})


def _word_remarks(source: Any, plan: Plan, pack: Pack, recogniser: Recogniser) -> Iterable[Remark]:
    pronounce = getattr(recogniser, "pronounce", None)
    words = Vocabulary(pack)
    seen: set[str] = set()
    places = {id(step): ("stages", number, "steps", index) for number, stage in enumerate(source.procedure.stages) for index, step in enumerate(stage.steps)}
    done: set[int] = set()
    pairs: set[tuple[str, str]] = set()
    for planned in plan.steps + plan.on_demand:
        if id(planned.step) in done:
            continue
        done.add(id(planned.step))
        place = places[id(planned.step)]
        grammar = words.grammar(step_vocabulary(plan, planned))
        for word in recogniser.missing_words(grammar.words() - seen):
            seen.add(word)
            said = suggest(word, recogniser.known_words(), pronounce) if pronounce else None
            yield source.remark(place, f'the recogniser has no pronunciation for "{word}"; ' + (f'write another word, or add it to the language pack under pronunciations, for example {word}: ["{said}"]' if said else "write another word"), "warning")
        if pronounce:
            # Only what the step itself brings in: the pack's own phrases are held apart by a test.
            own = {answer.say.lower() for check in planned.step.checks for answer in check.answers} | {name.lower() for name in step_vocabulary(plan, planned).answers}
            offered = [(phrase.text, (phrase.intent.kind, phrase.intent.choice)) for phrase in grammar.phrases if phrase.intent.kind not in ("stage", "count")]
            for first, second, reason in [*_measured_alike(offered, own), *((first, second, "sound alike") for first, second, _ in alike(offered, pronounce))]:
                if (first in own or second in own) and (first, second) not in pairs:
                    pairs.add((first, second))
                    yield source.remark(place, f'"{first}" and "{second}" {reason} and can both be said in this step; change one', "warning")


def _measured_alike(offered: Sequence[tuple[str, object]], own: Set[str]) -> Iterator[tuple[str, str, str]]:
    """Pairs of phrases of different meaning, one of them of the step, that the hearing benchmark found confused, and how often."""
    measured = confusions.load()
    for number, (first, meaning) in enumerate(offered):
        for second, other in offered[number + 1 :]:
            if meaning != other and (first in own or second in own) and (found := measured.between(first, second)):
                yield first, second, f'were confused when measured ("{found.said}" taken for "{found.heard}" {found.count} of {found.trials} times)'


def job_record(store: Path, job: str) -> tuple[dict[str, Any], Path]:
    directory = Store(store).find(job)
    plan = kept_plan(directory)
    return service_record(directory, plan, load_pack(plan.procedure.language), earlier_minutes(store, directory)), directory


def report_file(store: Path, job: str, form: str, paper: str = "a4") -> bytes:
    """A job's record in one of the report's forms, text as UTF-8. Raises JobNotFound, JournalError, PrintError."""
    record, directory = job_record(store, job)
    if form == "pdf":
        return as_pdf(record, directory, paper)
    return {"json": as_json, "csv": as_csv, "html": lambda it: as_html(it, directory)}[form](record).encode()


def job_rows(store: Path) -> Iterable[tuple[str, ...]]:
    """(job, asset, procedure, technician, started, status) of every job."""
    for job, directory in Store(store).jobs():
        events = Journal.read(directory).events()
        started = next((event.body for event in events if event.kind == "job_started"), {})
        status = "closed" if any(event.kind == "job_finished" for event in events) else "open"
        amended = max((event.seq for event in events if event.kind == "amended"), default=0)
        if roles := sorted({event.body["role"] for event in events if event.kind == "signed" and event.seq > amended}):
            status += f", signed by {' and '.join(roles)}"
        when = events[0].at_utc[:16].replace("T", " ") if events else ""
        yield job, started.get("asset", ""), started.get("title", ""), started.get("technician", ""), when, status
