"""Puts the pieces together for the command line: opens a job, a listener, a speaker and a display, and runs the bench."""

import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console

from assistant.bench import Bench
from assistant.display import LiveDisplay, PlainDisplay
from assistant.engine import events as e
from assistant.engine.expect import general_vocabulary, step_vocabulary
from assistant.errors import JobNotFound, JournalError, ProcedureError, SoundError
from assistant.figures.units import warm_up
from assistant.language.grammar import Grammar
from assistant.language.pack import Pack, load_pack
from assistant.language.sounds import alike, suggest
from assistant.language.vocabulary import Vocabulary
from assistant.procedure.checks import check_procedure
from assistant.procedure.plan import Plan, PlannedStep, make_plan
from assistant.procedure.reader import ProcedureFaults, Remark, parse_procedure, read_procedure
from assistant.record.accounts import step_minutes, times
from assistant.record.clock import Clock, SystemClock
from assistant.record.journal import Journal
from assistant.record.report import as_csv, as_html, as_json, write_record
from assistant.record.service_record import service_record
from assistant.record.store import Store
from assistant.speech.endpoint import Endpointer
from assistant.speech.engines import KINDS, close_recogniser, make_recogniser, wait_until_ready
from assistant.speech.listen import Listener, MicrophoneListener, SoundListener, TypedListener
from assistant.speech.recognise import Recogniser
from assistant.speech.sound import read_sound
from assistant.speech.speak import FileSpeaker, SilentSpeaker, Speaker, WorkerSpeaker
from assistant.speech.transcribe import Transcriber, make_transcriber
from assistant.speech.tune import ShopProfile
from assistant.speech.tune import load as load_profile

PROCEDURE_COPY = "procedure.yaml"
"""The procedure as it was when the job began lies beside its journal: a record must not change when its author revises the file."""


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
    microphone: str | None
    language: str
    store: Path
    models: Path
    bench: str = "bench"
    profiles: Path | None = None
    """Folder of fittings by `gloveside tune`."""


def vocabulary(pack: Pack, plan: Plan | None, planned: PlannedStep | None) -> Grammar:
    """The grammar of a step, or of the general commands with any measurement."""
    expected = step_vocabulary(plan, planned) if plan and planned else general_vocabulary()
    return Vocabulary(pack).grammar(expected)


def run_job(setting: Setting, console: Console, plain: bool) -> tuple[Path, bool]:
    """Run one job. Returns (its HTML record, whether it was closed)."""
    pack = load_pack(setting.language)
    profile = load_profile(setting.technician, setting.bench, setting.profiles) if setting.profiles else None
    recogniser, listener = make_listener(setting.listen, pack, setting.models, setting.microphone, plain, profile)
    if recogniser is not None:
        must_know_words(setting.plan, pack, recogniser)
    speaker = make_speaker(setting.speak, pack)
    transcriber = make_transcriber(pack, setting.models) if recogniser is not None else None
    clock = SystemClock()
    try:
        journal, new = open_job(setting, clock)
        with journal:
            closed = _run(setting, pack, journal, new, transcriber, listener, speaker, clock, console, plain)
            job = journal.directory
    finally:
        listener.close()
        speaker.close()
        close_recogniser(recogniser)
        if transcriber is not None:
            transcriber.close()
    record = service_record(job, setting.plan, pack, earlier_minutes(setting.store, job) if setting.detail == "full" else ())
    return write_record(record, job, job)[1], closed


def _run(setting: Setting, pack: Pack, journal: Journal, new: bool, transcriber: Transcriber | None, listener: Listener, speaker: Speaker, clock: Clock, console: Console, plain: bool) -> bool:
    with PlainDisplay(console) if plain else LiveDisplay(console, getattr(listener, "text", None)) as display:
        bench = Bench(setting.plan, pack, journal, listener, speaker, display, clock, transcriber, setting.headset)
        if new:
            bench.start(job_started(setting, journal.directory.name))
        else:
            bench.reopen(setting.technician)
        warm_up()
        closed = bench.run()
        speaker.wait(30)
    return closed


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
        raise JournalError(f"Job {unfinished[0]} on {setting.asset} is not finished; use --resume to carry on, or close it first.")
    _, directory = store.new_job(setting.asset, clock)
    return new_journal(directory, setting.source, clock), True


def new_journal(directory: Path, procedure: bytes, clock: Clock) -> Journal:
    """A journal with its copy of the procedure. Raises JournalError."""
    journal = Journal.create(directory, clock)
    try:
        (directory / PROCEDURE_COPY).write_bytes(procedure)
    except OSError as error:
        journal.close()
        raise JournalError(f"The job cannot be begun in {directory} ({error.strerror}); make room on the disk.") from None
    return journal


def make_listener(listen: str, pack: Pack, models: Path, microphone: str | None, plain: bool, profile: ShopProfile | None = None) -> tuple[Recogniser | None, Listener]:
    """The recogniser in use, if any, and the listener. Raises SoundError."""
    if listen == "typed":
        if plain or not sys.stdin.isatty():
            return None, TypedListener(sys.stdin)
        from assistant.speech.keyboard import KeyboardListener

        return None, KeyboardListener(sys.stdin)
    if listen in KINDS:
        from assistant.speech.microphone import Microphone

        recogniser = make_recogniser(listen, pack, models)
        return recogniser, MicrophoneListener(Microphone(microphone), recogniser, profile.endpointer if profile else Endpointer)
    path = Path(listen)
    if not path.suffix and not path.exists():
        raise SoundError(f'"{listen}" is neither a way to listen nor a sound file; use auto, vosk, pocketsphinx, typed or a file.')
    recogniser = make_recogniser("auto", pack, models)
    wait_until_ready(recogniser)
    return recogniser, SoundListener.from_file(path, recogniser)


def make_speaker(speak: str, pack: Pack) -> Speaker:
    if speak == "silent":
        return SilentSpeaker()
    if speak == "pyttsx3":
        return WorkerSpeaker(pack.voice.espeak, pack.voice.words_per_minute)
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
    recogniser = make_recogniser("pocketsphinx" if pack.language == "en" else "auto", pack, models)
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
            for first, second, _ in alike(((phrase.text, (phrase.intent.kind, phrase.intent.choice)) for phrase in grammar.phrases if phrase.intent.kind not in ("stage", "count")), pronounce):
                if (first in own or second in own) and (first, second) not in pairs:
                    pairs.add((first, second))
                    yield source.remark(place, f'"{first}" and "{second}" sound alike and can both be said in this step; change one', "warning")


def kept_plan(directory: Path) -> Plan:
    """The plan of a job, from the copy of the procedure that lies beside its journal."""
    path = directory / PROCEDURE_COPY
    try:
        return make_plan(parse_procedure(path.read_bytes(), path).procedure)
    except OSError as error:
        raise JournalError(f"The procedure of job {directory.name} cannot be read ({error.strerror}); restore {path} from a copy.") from None


def job_record(store: Path, job: str) -> tuple[dict[str, Any], Path]:
    directory = Store(store).find(job)
    plan = kept_plan(directory)
    return service_record(directory, plan, load_pack(plan.procedure.language), earlier_minutes(store, directory)), directory


def earlier_minutes(store: Path, directory: Path) -> list[dict[str, float]]:
    """Minutes by step of earlier jobs that the same trainee closed with the same procedure."""
    own = read_events(directory)
    started = next((event for _, event in own if isinstance(event, e.JobStarted)), None)
    if started is None or started.detail != "full":
        return []
    found = []
    for _, other in Store(store).jobs():
        if other == directory:
            continue
        events = read_events(other)
        first = next((event for _, event in events if isinstance(event, e.JobStarted)), None)
        same = first is not None and (first.technician, first.procedure_id) == (started.technician, started.procedure_id)
        if same and any(isinstance(event, e.JobFinished) for _, event in events) and events[0][0].at_utc < own[0][0].at_utc:
            found.append(step_minutes(times(kept_plan(other), events)))
    return found


def read_events(directory: Path) -> list[tuple[Any, e.Event]]:
    """The stored and the typed form of every event of a job. Raises JournalError."""
    return [(item, e.read_event(item.kind, item.body)) for item in Journal.read(directory).events()]


def report_text(store: Path, job: str, form: str) -> str:
    """A job's record in one of the report's forms. Raises JobNotFound, JournalError."""
    record, directory = job_record(store, job)
    return {"json": as_json, "csv": as_csv, "html": lambda it: as_html(it, directory)}[form](record)


def job_rows(store: Path) -> Iterable[tuple[str, ...]]:
    """(job, asset, procedure, technician, started, status) of every job."""
    for job, directory in Store(store).jobs():
        events = Journal.read(directory).events()
        started = next((event.body for event in events if event.kind == "job_started"), {})
        status = "closed" if any(event.kind == "job_finished" for event in events) else "open"
        when = events[0].at_utc[:16].replace("T", " ") if events else ""
        yield job, started.get("asset", ""), started.get("title", ""), started.get("technician", ""), when, status
