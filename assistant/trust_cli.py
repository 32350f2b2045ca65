"""The commands that prove a job: verify, seal. Thin; all of it is in assistant/record."""

import sys
from pathlib import Path
from typing import Any

import click

from assistant.cli import keys_option, store_option
from assistant.cli_help import example
from assistant.errors import GlovesideError, JournalError


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
    epilog=example("gloveside verify 2026-03-02-P104-01", "gloveside verify /media/stick/2026-03-02-P104-01 --public-key seal.pub", 'gloveside verify JOB --code "2026-03-02-P104-01 seal 1 events 84 code 1f0c..."')
    + "\n\nExit codes: 0 proven, 1 something was changed, 9 nothing was changed but not all is proven (not sealed, entries after the seal, or an unknown key)."
)
@click.argument("job", metavar="JOB_OR_DIRECTORY")
@click.option("--public-key", type=click.Path(path_type=Path), help="The shop's seal.pub; the one in the keys folder by default.")
@click.option("--code", help="The code under a printed report: shows that its seal is still there.")
@keys_option
@store_option
def verify(job: str, public_key: Path | None, code: str | None, keys: Path, store: Path) -> None:
    """Say whether a job is as it was sealed, and what was changed first."""
    from assistant.record.keys import PUBLIC, load_public_key, short_id
    from assistant.record.seal import verification_code
    from assistant.record.verify import UNPROVEN, verify_job

    known = load_public_key(public_key or keys / PUBLIC) if public_key or (keys / PUBLIC).exists() else None
    directory = _directory(store, job)
    verdict = verify_job(directory, known)
    faults = list(verdict.faults)
    if code is not None and " ".join(code.split()) not in map(verification_code, verdict.seals):
        faults.append("The seal with that code is not here: the report was printed from another state of this job, or its seal was removed since.")
    for line in (*faults, *verdict.notes):
        click.echo(line)
    if faults:
        sys.exit(GlovesideError.exit_code)
    if not (verdict.ok and verdict.known_key) or verdict.unsealed_events:
        click.echo(f"{directory.name}: nothing was changed, but not everything is proven.")
        sys.exit(UNPROVEN)
    last = verdict.seals[-1]
    click.echo(f"{directory.name}: as it was sealed at {last.sealed_at}: {last.events} entries, {last.clips} sounds, the procedure; key {short_id(known or b'')}.")
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
