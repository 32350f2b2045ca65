"""The commands that prove a job: verify, seal. Thin; all of it is in assistant/record."""

import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from assistant.cli import keys_option, store_option
from assistant.cli_help import example
from assistant.errors import GlovesideError, JournalError


def _handed_out(job: str, stack: ExitStack) -> Path | None:
    """The folder of a job that was handed out, as a zip or a folder, taken in for the moment; None where `job` is no such thing. Raises ImportRefused."""
    from assistant.record.journal import DATABASE
    from assistant.record.portable import EVENTS, import_job

    there = Path(job)
    if not there.is_file() and not ((there / EVENTS).is_file() and not (there / DATABASE).exists()):
        return None
    return import_job(there, Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="gloveside-"))), None).directory


def _directory(store: Path, job: str) -> Path:
    """A job's folder: given itself, wherever it was copied, or by its name in the store. Raises JobNotFound."""
    from assistant.record.journal import DATABASE
    from assistant.record.seal import SEALS
    from assistant.record.store import Store

    there = Path(job)
    if any((there / name).is_file() for name in (DATABASE, SEALS)):
        return there
    return Store(store).find(job)


@click.command(
    epilog=example("gloveside verify 2026-03-02-P104-01", "gloveside verify P104.zip --public-key seal.pub", 'gloveside verify JOB --code "2026-03-02-P104-01 seal 1 events 84 code 1f0c..."')
    + "\n\nExit codes: 0 proven, 1 something was changed, 9 no change was found but not all is proven (not sealed, entries after the seal, or an unknown key)."
)
@click.argument("job", metavar="JOB_OR_DIRECTORY")
@click.option("--public-key", type=click.Path(path_type=Path), help="The shop's seal.pub; the one in the keys folder by default.")
@click.option("--code", help="The code under a printed report: shows that its seal is still there.")
@keys_option
@store_option
def verify(job: str, public_key: Path | None, code: str | None, keys: Path, store: Path) -> None:
    """Say whether a job is as it was sealed, and what was changed first: one of the store, a copy of its folder, or one that was handed out by export.

    Proven are entries, sounds and procedure. The record's own files (record.json, record.html, record.pdf) are made from them: gloveside report makes them anew.
    """
    from assistant.record.keys import PUBLIC, load_public_key, short_id
    from assistant.record.seal import verification_code
    from assistant.record.verify import UNPROVEN, verify_job

    known = load_public_key(public_key or keys / PUBLIC) if public_key or (keys / PUBLIC).exists() else None
    with ExitStack() as stack:
        directory = _handed_out(job, stack) or _directory(store, job)
        verdict = verify_job(directory, known)
    faults = list(verdict.faults)
    printed = next((seal for seal in verdict.seals if code is not None and verification_code(seal) == " ".join(code.split())), None)
    if code is not None and printed is None:
        faults.append("The seal with that code is not here: the report was printed from another state of this job, or its seal was removed since.")
    for line in (*faults, *verdict.notes):
        click.echo(line)
    if faults:
        sys.exit(GlovesideError.exit_code)
    if not (verdict.ok and verdict.known_key) or verdict.unsealed_events:
        click.echo(f"{directory.name}: no change was found, but not everything is proven.")
        sys.exit(UNPROVEN)
    last = verdict.seals[-1]
    gone = f" ({verdict.removed_clips} of them taken out)" if verdict.removed_clips else ""
    click.echo(f"{directory.name}: as it was sealed at {last.sealed_at}: {last.events} entries, {last.clips} sounds{gone}, the procedure; key {short_id(known or b'')}.")
    if printed not in (None, last):
        click.echo(f"The report with that code is not the newest: it shows entries 1 to {printed.events}; later ones put right, ask or sign. For a new one: gloveside report.")
    click.echo(f"Code: {verification_code(last)}")


@click.command(epilog=example("gloveside seal 2026-03-02-P104-01"))
@click.argument("job", metavar="JOB_OR_DIRECTORY")
@keys_option
@store_option
def seal(job: str, keys: Path, store: Path) -> None:
    """Seal a job as it stands: one that could not be sealed when it was closed, or whose last seal was cut short."""
    from assistant.record.clock import SystemClock
    from assistant.record.journal import Journal
    from assistant.record.seal import load_or_make_key, seal_job, verification_code
    from assistant.record.verify import CUT_SHORT, verify_job

    key, clock = load_or_make_key(keys), SystemClock()
    directory = _directory(store, job)
    with Journal.open(directory, clock):
        verdict = verify_job(directory)
        if wrong := [fault for fault in verdict.faults if not fault.startswith(CUT_SHORT)]:
            raise JournalError(f"{directory.name} is not sealed: {wrong[0]}")
        made = seal_job(directory, key, clock)
    click.echo(f"Code: {verification_code(made)}")


COMMANDS: dict[str, Any] = {"verify": verify, "seal": seal}
