"""The command line: reads arguments, calls the library, turns its errors into one sentence and an exit code.

Exit codes: 0 done; 1 a check or a command found something wrong; 2 wrong arguments; 3 procedure or language pack; 4 sound, microphone
or model; 5 journal; 6 unknown job; 7 job in use; 8 the input ended before the job was closed (what was recorded is kept);
9 no change was found, but not all is proven (verify).
"""

import json
import sys
from pathlib import Path
from typing import Any

import click
from platformdirs import user_data_dir
from rich.console import Console
from rich.table import Column, Table

from assistant import __version__
from assistant.cli_help import example
from assistant.errors import GlovesideError, JobPaused, ProcedureError

EXIT_CODES = "Exit codes: 0 done, 1 found something wrong, 2 wrong arguments, 3 procedure or language, 4 sound or model, 5 journal, 6 unknown job, 7 job in use, 8 input ended before the job was closed, 9 no change found but not all proven."

BUNDLED = Path(__file__).resolve().parent.parent
"""The checkout that holds procedures/ and models/, where the package runs from one."""

RECOGNISERS = ("auto", "vosk", "phones", "pocketsphinx")
"""KINDS of assistant/speech/engines.py, which takes part of a second to load."""


class SpokenErrors(click.Command):
    """Turns every error a user can meet into one sentence and its exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except GlovesideError as error:
            click.echo(str(error), err=True)
            ctx.exit(error.exit_code)
        except KeyboardInterrupt:
            click.echo("Stopped. What was recorded is kept; use --resume to carry on.", err=True)
            ctx.exit(JobPaused.exit_code)


AFTERWARDS = ("amend", "answer", "ask", "forget", "people", "sign")
"""Commands of assistant/record_cli.py."""

TRUST = ("seal", "verify")
"""Commands of assistant/trust_cli.py."""

ARCHIVE = ("backup", "export", "import", "search")
"""Commands of assistant/archive_cli.py."""


class Commands(SpokenErrors, click.Group):
    """All commands, with those errors; what stands in other modules is loaded only when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted([*super().list_commands(ctx), "figure", *AFTERWARDS, *ARCHIVE, *TRUST])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in AFTERWARDS:
            from assistant.record_cli import COMMANDS as RECORD_COMMANDS

            return RECORD_COMMANDS[cmd_name]
        if cmd_name in TRUST:
            from assistant.trust_cli import COMMANDS as TRUST_COMMANDS

            return TRUST_COMMANDS[cmd_name]
        if cmd_name in ARCHIVE:
            from assistant.archive_cli import COMMANDS as ARCHIVE_COMMANDS

            return ARCHIVE_COMMANDS[cmd_name]
        if cmd_name != "figure":
            return super().get_command(ctx, cmd_name)
        from assistant.figure_cli import figure
        from assistant.figure_proof_cli import COMMANDS

        for command in COMMANDS:
            figure.add_command(command)
        return figure


store_option = click.option("--store", type=click.Path(file_okay=False, path_type=Path), default=Path(user_data_dir("gloveside")) / "jobs", envvar="GLOVESIDE_STORE", show_envvar=True, help="Folder that holds the jobs.")
profiles_option = click.option("--profiles", type=click.Path(file_okay=False, path_type=Path), default=Path(user_data_dir("gloveside")) / "profiles", envvar="GLOVESIDE_PROFILES", show_envvar=True, help="Folder that holds fittings of persons and benches.")
keys_option = click.option("--keys", type=click.Path(file_okay=False, path_type=Path), default=Path(user_data_dir("gloveside")) / "keys", envvar="GLOVESIDE_KEYS", show_envvar=True, help="Folder of the key that seals jobs.")
models_option = click.option("--models", type=click.Path(file_okay=False, path_type=Path), default=BUNDLED / "models", envvar="GLOVESIDE_MODELS", show_envvar=True, help="Folder that holds Vosk models.")
language_option = click.option("--language", help="Language pack: a name, or a YAML file; the procedure's own by default.")


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}, epilog=EXIT_CODES)
@click.version_option(__version__, prog_name="gloveside")
def main() -> None:
    """Hands-free work at the pump bench: follow a procedure by voice and keep a service record."""


def _procedure_path(name: str) -> Path:
    path = Path(name)
    if not path.exists() and not path.suffix:
        shipped = [folder / f"{name}.yaml" for folder in (Path("procedures"), BUNDLED / "procedures")]
        return next((candidate for candidate in shipped if candidate.exists()), path)
    return path


def load(name: str) -> tuple[Any, Any, str]:
    """(plan, source, sha256) of a procedure without errors. Raises ProcedureError."""
    import hashlib

    from assistant.procedure.checks import check_procedure
    from assistant.procedure.plan import make_plan
    from assistant.procedure.reader import ProcedureFaults, read_procedure

    source = read_procedure(_procedure_path(name))
    faults = [remark for remark in check_procedure(source) if remark.severity == "error"]
    if faults:
        raise ProcedureFaults(source.path, faults)
    return make_plan(source.procedure), source, hashlib.sha256(source.text).hexdigest()


def _planned(plan: Any, step: str) -> Any:
    """The planned step of a key or of a step id. Raises ProcedureError with the nearest key."""
    from difflib import get_close_matches

    if step in plan.by_key:
        return plan.by_key[step]
    same = [planned for planned in plan.steps + plan.on_demand if planned.step.id == step]
    if same:
        return same[0]
    names = [*plan.by_key, *(planned.step.id for planned in plan.by_key.values())]
    near = get_close_matches(step, names, n=1, cutoff=0.3)
    raise ProcedureError(f'There is no step "{step}" in {plan.procedure.procedure}; ' + (f'did you mean "{near[0]}"?' if near else "see gloveside check for its steps."))


@main.command(epilog=example("gloveside run diaphragm-pump-one-inch --asset P104 --technician Kim", "gloveside run procedures/bolted-flange.yaml --asset F7 --listen typed < phrases.txt", "gloveside run diaphragm-pump-one-inch --asset P104 --resume"))
@click.argument("procedure")
@click.option("--asset", required=True, help="Tag of the machine on the bench.")
@click.option("--technician", default="", help="Who does the work.")
@click.option("--listen", default="auto", show_default=True, help=f"{', '.join(RECOGNISERS)}, typed, or a sound file.")
@click.option("--speak", default="pyttsx3", show_default=True, help="pyttsx3, silent, or a folder for one WAV a prompt.")
@click.option("--detail", type=click.Choice(["plain", "full"]), default="plain", show_default=True, help="full also says why and how, for trainees.")
@click.option("--resume", is_flag=True, help="Carry on with the unfinished job on this asset.")
@click.option("--headset", is_flag=True, help="A headset is worn: listen while speaking, with the sound as it is. The technician talks over a prompt to stop it.")
@click.option("--talk-over/--no-talk-over", default=True, show_default=True, help="Without a headset too, where the assistant's own voice can be taken out of the sound.")
@click.option("--microphone", help="Name of the microphone; the system's own by default.")
@click.option("--bench", default="bench", show_default=True, help="Which bench: its fitting by gloveside tune is used.")
@click.option("--plain-view", is_flag=True, help="One line each for what is said, heard and recorded.")
@language_option
@store_option
@models_option
@profiles_option
@keys_option
def run(procedure: str, asset: str, technician: str, listen: str, speak: str, detail: str, resume: bool, headset: bool, talk_over: bool, microphone: str | None, bench: str, plain_view: bool, language: str | None, store: Path, models: Path, profiles: Path, keys: Path) -> None:
    """Run PROCEDURE on one machine, by voice."""
    from assistant.session import Setting, run_job

    if not asset.strip():
        raise click.UsageError("--asset is empty; give the tag of the machine on the bench.")
    plan, source, sha256 = load(procedure)
    console = Console()
    setting = Setting(plan, source.text, sha256, asset, technician, listen, speak, detail, resume, headset, talk_over, microphone, language or plan.procedure.language, store, models, bench, profiles, keys)
    record, closed = run_job(setting, console, plain_view or not console.is_terminal)
    console.print(f"Service record: {record}", soft_wrap=True)
    if not closed:
        raise JobPaused("The input ended before the job was closed; what was recorded is kept: use --resume to carry on.")


@main.command(epilog=example("gloveside check procedures/*.yaml", "gloveside check mine.yaml --language ko"))
@click.argument("files", nargs=-1, required=True)
@click.option("--strict", is_flag=True, help="Warnings count as errors.")
@language_option
@models_option
def check(files: tuple[str, ...], strict: bool, language: str | None, models: Path) -> None:
    """Check procedures: shape, counts, cautions, torques, and how their phrases sound."""
    from assistant.session import check_file

    bad = False
    for name in files:
        paths = sorted(Path(name).glob("*.yaml")) if Path(name).is_dir() else [_procedure_path(name)]
        if not paths:
            raise ProcedureError(f"There are no .yaml files in {name}; name the folder that holds procedures.")
        for path in paths:
            remarks = check_file(path, language, models)
            for remark in remarks:
                click.echo(remark.at(path))
            bad |= any(strict or remark.severity == "error" for remark in remarks)
            if not remarks:
                click.echo(f"{path}: in order")
    if bad:
        sys.exit(ProcedureError.exit_code)


@main.command(epilog=example("gloveside hear clip.wav --json", "gloveside hear *.wav --procedure diaphragm-pump-one-inch --step outlet-manifold-torque --json"))
@click.argument("files", nargs=-1, required=True)
@click.option("--procedure", help="Procedure whose step gives the vocabulary.")
@click.option("--step", help="Step id or key in that procedure.")
@click.option("--listen", type=click.Choice(RECOGNISERS), default="auto", show_default=True, help="Recogniser.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
@language_option
@models_option
def hear(files: tuple[str, ...], procedure: str | None, step: str | None, listen: str, as_json: bool, language: str | None, models: Path) -> None:
    """Recognise recordings with the vocabulary of a step, or with general commands and measurements."""
    from assistant.session import hear_file
    from assistant.speech.engines import close_recogniser, make_recogniser, wait_until_ready

    pack, grammar = _grammar(procedure, step, language)
    recogniser = make_recogniser(listen, pack, models)
    wait_until_ready(recogniser)
    failed = None
    for name in files:
        try:
            line = hear_file(name, recogniser, grammar)
        except GlovesideError as error:  # the other files are heard all the same
            click.echo(str(error), err=True)
            failed = error
            continue
        click.echo(json.dumps(line, ensure_ascii=False) if as_json else f"{name}: {'(not understood)' if line['rejected'] else line['text']}")
    close_recogniser(recogniser)
    if failed is not None:
        sys.exit(failed.exit_code)


def _grammar(procedure: str | None, step: str | None, language: str | None) -> tuple[Any, Any]:
    from assistant.language.pack import load_pack
    from assistant.session import vocabulary

    if bool(procedure) != bool(step):
        raise click.UsageError("--procedure and --step go together.")
    plan = load(procedure)[0] if procedure else None
    pack = load_pack(language or (plan.procedure.language if plan else "en"))
    return pack, vocabulary(pack, plan, _planned(plan, step) if plan and step else None)


@main.command(epilog=example("gloveside phrases", "gloveside phrases --procedure bolted-flange --step faces --json"))
@click.option("--procedure", help="Procedure whose step gives the vocabulary.")
@click.option("--step", help="Step id or key in that procedure.")
@click.option("--json", "as_json", is_flag=True, help="A JSON list.")
@language_option
def phrases(procedure: str | None, step: str | None, as_json: bool, language: str | None) -> None:
    """List the phrases that can be said, with what each means."""
    _, grammar = _grammar(procedure, step, language)
    rows = [{"phrase": phrase.text, "intent": phrase.intent.kind} for phrase in grammar.phrases]
    if as_json:
        click.echo(json.dumps(rows, ensure_ascii=False, indent=2))
        return
    table = Table("phrase", "meaning")
    for row in rows:
        table.add_row(row["phrase"], row["intent"])
    Console().print(table)


@main.command(epilog=example("gloveside records", "gloveside records --store /srv/jobs"))
@store_option
def records(store: Path) -> None:
    """List the jobs kept here."""
    from assistant.session import job_rows

    # A job's name is copied into other commands: it is never broken or cut.
    table = Table(Column("job", no_wrap=True), "asset", "procedure", "technician", "started", "status")
    for row in job_rows(store):
        table.add_row(*row)
    Console().print(table)


@main.command(epilog=example("gloveside report 2026-03-02-P104-01 --format html > record.html", "gloveside report 2026-03-02-P104-01 --format pdf --out record.pdf", "gloveside report 2026-03-02-P104-01 --format csv --out record.csv"))
@click.argument("job")
@click.option("--format", "form", type=click.Choice(["json", "csv", "html", "pdf"]), default="json", show_default=True, help="Form of the report.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Paper of the PDF.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="File to write; standard output otherwise.")
@store_option
def report(job: str, form: str, paper: str, out: Path | None, store: Path) -> None:
    """Write the service record of JOB."""
    from assistant.session import report_file

    if form == "pdf" and out is None and sys.stdout.isatty():
        raise click.UsageError("A PDF is not for a terminal; name a file with --out.")
    written = report_file(store, job, form, paper)
    if out is None:
        click.echo(written, nl=False)
        return
    try:
        out.write_bytes(written)
    except OSError as error:
        raise GlovesideError(f"The report cannot be written to {out} ({error.strerror}); choose another file.") from None


@main.command(epilog=example("gloveside doctor"))
@language_option
@store_option
@models_option
def doctor(language: str | None, store: Path, models: Path) -> None:
    """Try microphone, loudspeaker, recogniser, model and disk, and say how to mend what fails."""
    from assistant.doctor import examine

    bad = False
    for finding in examine(language or "en", store, models):
        click.echo(f"{'well ' if finding.well else 'ILL  '} {finding.what}: {finding.words}")
        bad |= not finding.well
    if bad:
        sys.exit(1)


@main.command(epilog=example("gloveside tune --technician Kim", "gloveside tune --technician Kim --bench north --microphone headset"))
@click.option("--technician", default="", help="Whose voice it is.")
@click.option("--bench", default="bench", show_default=True, help="Which bench.")
@click.option("--microphone", help="Name of the microphone; the system's own by default.")
@click.option("--listen", type=click.Choice(RECOGNISERS), default="auto", show_default=True, help="Recogniser.")
@click.option("--speak", type=click.Choice(["pyttsx3", "silent"]), default="pyttsx3", show_default=True, help="silent shows the prompts only.")
@language_option
@profiles_option
@models_option
def tune(technician: str, bench: str, microphone: str | None, listen: str, speak: str, language: str | None, profiles: Path, models: Path) -> None:
    """Fit the assistant to a shop: record its noise and six phrases, and say whether a headset is needed."""
    from assistant.fitting import fit
    from assistant.language.pack import load_pack
    from assistant.session import make_speaker
    from assistant.speech.engines import close_recogniser, make_recogniser
    from assistant.speech.microphone import Microphone

    pack = load_pack(language or "en")
    recogniser, speaker = make_recogniser(listen, pack, models), make_speaker(speak, pack)
    opened = Microphone(microphone)
    try:
        profile = fit(opened, speaker, recogniser, pack, technician, bench, profiles, click.echo)
    finally:
        opened.close()
        speaker.close()
        close_recogniser(recogniser)
    click.echo(f"Noise {profile.noise_dbfs:.0f} dB, speech {profile.speech_dbfs:.0f} dB of full scale, {profile.snr_db:.0f} dB apart; {profile.right} of {profile.said} phrases heard right.")


@main.command(epilog=example("gloveside review", "gloveside review --port 9000 --store /srv/jobs", "gloveside review --host 192.0.2.10 --certificate shop.pem --private-key shop.key"))
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen at; any but this computer's own needs a certificate, and a log-in for every page.")
@click.option("--port", type=click.IntRange(0, 65535), default=8420, show_default=True, help="0 takes a free one.")
@click.option("--name", "names", multiple=True, help="Another name or address the pages are asked for by; those in the certificate are known.")
@click.option("--certificate", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="TLS certificate with its chain, PEM.")
@click.option("--private-key", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="Its private key, PEM.")
@click.option("--keys", type=click.Path(file_okay=False, path_type=Path), default=Path(user_data_dir("gloveside")) / "keys", envvar="GLOVESIDE_KEYS", show_envvar=True, help="Folder of the key that seals jobs.")
@store_option
def review(host: str, port: int, names: tuple[str, ...], certificate: Path | None, private_key: Path | None, keys: Path, store: Path) -> None:
    """Serve the pages for review, and the bench display, until stopped with Ctrl+C."""
    from assistant.review.app import certificate_names, serve
    from assistant.review.site import Settings

    known = (*names, *(certificate_names(certificate) if certificate else ()))

    def ready(address: str) -> None:
        click.echo(f"Jobs, replay and signing: {address}/jobs")
        click.echo(f"Bench display, follows the running job: {address}/bench")

    serve(Settings(store, keys, host, known, certificate is not None), port, certificate, private_key, ready)


@main.command(epilog=example("gloveside devices"))
def devices() -> None:
    """List microphones and loudspeakers."""
    from assistant.speech.devices import list_devices

    table = Table("name", "microphone", "loudspeaker", "sample rate")
    for device in list_devices():
        table.add_row(device.name, str(device.inputs or ""), str(device.outputs or ""), f"{device.rate:.0f} Hz")
    Console().print(table)


@main.command(epilog=example("gloveside schema > procedure.schema.json"))
def schema() -> None:
    """Print the JSON Schema of procedures, for editors that complete and validate."""
    from assistant.procedure.schema import procedure_schema

    click.echo(json.dumps(procedure_schema(), indent=2))


@main.command(epilog=example('eval "$(gloveside completion bash)"', "gloveside completion fish > ~/.config/fish/completions/gloveside.fish"))
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion(shell: str) -> None:
    """Print the completion script for a shell."""
    from click.shell_completion import get_completion_class

    made = get_completion_class(shell)
    assert made is not None  # click ships all three
    click.echo(made(main, {}, "gloveside", "_GLOVESIDE_COMPLETE").source())
