"""The commands for who may do what, and for a job after its work: people, amend, ask, answer, sign, forget. Thin; all of it is in assistant/record.

A password comes from a prompt or from standard input, never as an argument: arguments are seen by everybody on the computer.
"""

import sys
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.table import Column, Table

from assistant.cli import keys_option, store_option
from assistant.cli_help import example
from assistant.errors import GlovesideError, NotAllowed
from assistant.record.people import PASSWORD_RULE, ROLES

PLACE = "command line"
"""From where somebody logs in here, as the list of log-ins has it."""

password_stdin = click.option("--password-stdin", is_flag=True, help="Read the password from the first line of standard input.")
as_option = click.option("--as", "name", required=True, help="Who you are; asks for your password.")


def _password(from_stdin: bool, new: bool = False) -> str:
    if from_stdin:
        return sys.stdin.readline().rstrip("\r\n")
    try:
        return click.prompt("New password" if new else "Password", hide_input=True, confirmation_prompt=new, err=True)
    except click.Abort:
        if sys.stdin.isatty():
            raise
        raise click.UsageError("There is no terminal to type a password at; give it on standard input, with --password-stdin.") from None


def _log_in(store: Path, name: str, from_stdin: bool) -> Any:
    """Raises NotAllowed."""
    from assistant.record.people import People

    people = People(store)
    person = people.check(name, _password(from_stdin), PLACE)
    if person is not None:
        return person
    wait = people.wait_s(name, PLACE)
    if wait > 0:
        raise NotAllowed(f"There were too many wrong passwords for {name}; wait {wait:.0f} seconds.")
    raise NotAllowed(f"{name} and this password do not belong together; try again, or see gloveside people list.")


def _sealing(keys: Path) -> tuple[Any, Any]:
    """(clock, key)."""
    from assistant.record.clock import SystemClock
    from assistant.record.seal import load_or_make_key

    return SystemClock(), load_or_make_key(keys)


def _job(store: Path, job: str) -> Path:
    from assistant.record.store import Store

    return Store(store).find(job)


@click.group()
def people() -> None:
    """Who may log in, and as what."""


@people.command(help=f"Let somebody log in. {PASSWORD_RULE}", epilog=example("gloveside people add Kim --role technician", "gloveside people add Ana --role supervisor --role author --password-stdin < secret"))
@click.argument("name")
@click.option("--role", "roles", type=click.Choice(ROLES), multiple=True, required=True, help="May be given several times.")
@password_stdin
@store_option
def add(name: str, roles: tuple[str, ...], password_stdin: bool, store: Path) -> None:
    from assistant.record.people import People

    person = People(store).add(name, roles, _password(password_stdin, new=True))
    click.echo(f"{person.name} may log in as {', '.join(sorted(person.roles))}.")


@people.command("list", epilog=example("gloveside people list", "gloveside people list --logins 20"))
@click.option("--logins", type=click.IntRange(1), help="List the newest tries to log in instead, so many.")
@store_option
def list_people(logins: int | None, store: Path) -> None:
    """List who may log in, or who tried to."""
    from assistant.record.people import People

    shop = People(store)
    if logins:
        table = Table(Column("when", no_wrap=True), "name", "from", "outcome")
        for login in shop.logins(logins):
            table.add_row(login.at, login.name, login.address, login.why or "logged in")
    else:
        known = shop.all()
        if not known:
            click.echo("Nobody is known here yet; add somebody with: gloveside people add NAME --role ROLE", err=True)
            return
        table = Table("name", "roles", "log-in", "voice")
        for person in known:
            agreed = shop.agreement(person.name)
            table.add_row(person.name, ", ".join(sorted(person.roles)), "disabled" if person.disabled else "allowed", "not asked yet" if agreed is None else f"{'kept' if agreed.given else 'not kept'}, asked {agreed.at[:10]}")
    Console().print(table)


@people.command(epilog=example("gloveside people password Kim"))
@click.argument("name")
@password_stdin
@store_option
def password(name: str, password_stdin: bool, store: Path) -> None:
    """Give somebody a new password."""
    from assistant.record.people import People

    People(store).set_password(name, _password(password_stdin, new=True))
    click.echo(f"{name} has a new password.")


@people.command(epilog=example("gloveside people disable Kim"))
@click.argument("name")
@store_option
def disable(name: str, store: Path) -> None:
    """Let somebody log in no longer; the name stays in the records."""
    from assistant.record.people import People

    People(store).disable(name)
    click.echo(f"{name} may no longer log in.")


@people.command(epilog=example("gloveside people voice Kim"))
@click.argument("name")
@store_option
def voice(name: str, store: Path) -> None:
    """Ask somebody at their next job once more whether their voice may be kept."""
    from assistant.record.people import People

    People(store).ask_again(name)
    click.echo(f"{name} is asked again at the next job.")


@click.command(epilog=example('gloveside amend 2026-03-02-P104-01 57 remark "torn on the inner edge" --why "misheard" --as Ana', 'gloveside amend 2026-03-02-P104-01 61 value 12.9 --why "read off the wrench again" --as Kim'))
@click.argument("job")
@click.argument("entry", type=click.IntRange(1))
@click.argument("field", type=click.Choice(["remark", "condition", "disposition", "part", "said", "value", "unit"]))
@click.argument("new")
@click.option("--why", required=True, help="The reason; it stays in the record.")
@as_option
@password_stdin
@keys_option
@store_option
def amend(job: str, entry: int, field: str, new: str, why: str, name: str, password_stdin: bool, keys: Path, store: Path) -> None:
    """Put a FIELD of an ENTRY of JOB right: NEW stands beside the old, with who, when and why.

    ENTRY is the number that the report and gloveside search give an answer, a value, a count or a finding ("seq" in record.json). Signatures given before no longer stand.
    """
    from assistant.record import afterwards

    directory, person = _job(store, job), _log_in(store, name, password_stdin)
    kept = afterwards.amend(directory, person, entry, field, new, why, *_sealing(keys))
    click.echo(f"Entry {entry}, {field}: {kept.body['old'] or '(no words)'} is now {kept.body['new']}.")


@click.command(epilog=example('gloveside ask 2026-03-02-P104-01 "Which edge was torn?" --about 57 --as Ana'))
@click.argument("job")
@click.argument("question")
@click.option("--about", type=click.IntRange(1), help="Number of the entry it is about.")
@as_option
@password_stdin
@keys_option
@store_option
def ask(job: str, question: str, about: int | None, name: str, password_stdin: bool, keys: Path, store: Path) -> None:
    """Ask the technician of JOB a QUESTION; it is spoken to them when they next begin or resume a job."""
    from assistant.record import afterwards

    directory, person = _job(store, job), _log_in(store, name, password_stdin)
    kept = afterwards.ask(directory, person, question, about, *_sealing(keys))
    click.echo(f"Question {kept.body['number']} is asked.")


@click.command(epilog=example('gloveside answer 2026-03-02-P104-01 1 "The inner one" --as Kim'))
@click.argument("job")
@click.argument("number", type=click.IntRange(1))
@click.argument("reply")
@as_option
@password_stdin
@keys_option
@store_option
def answer(job: str, number: int, reply: str, name: str, password_stdin: bool, keys: Path, store: Path) -> None:
    """Answer question NUMBER of JOB in words, where it was not answered at the bench."""
    from assistant.record import afterwards

    directory, person = _job(store, job), _log_in(store, name, password_stdin)
    afterwards.answer(directory, person.name, number, reply, (), *_sealing(keys))
    click.echo(f"Question {number} is answered.")


@click.command(epilog=example("gloveside sign 2026-03-02-P104-01 --role technician --as Kim", 'gloveside sign 2026-03-02-P104-01 --role supervisor --as Ana --open-point "Skipped: Fit the guard. (Close up)"'))
@click.argument("job")
@click.option("--role", type=click.Choice(["technician", "supervisor"]), required=True, help="For the work, or for its review.")
@click.option("--open-point", "points", multiple=True, help="An open point as the record has it; without these, each is asked about.")
@as_option
@password_stdin
@keys_option
@store_option
def sign(job: str, role: str, points: tuple[str, ...], name: str, password_stdin: bool, keys: Path, store: Path) -> None:
    """Sign JOB, for the work or for its review. Every open point has to be named.

    With --password-stdin nothing is asked: give each open point, as the report has it, with --open-point.
    """
    from assistant.language.pack import load_pack
    from assistant.record import afterwards
    from assistant.record.kept import kept_plan
    from assistant.record.service_record import service_record

    directory, person = _job(store, job), _log_in(store, name, password_stdin)
    plan = kept_plan(directory)
    pack = load_pack(plan.procedure.language)
    named = list(points)
    if not points and not password_stdin:
        named = [point for point in dict.fromkeys(service_record(directory, plan, pack)["open_points"]) if click.confirm(f"{point}. Do you know of it?", err=True)]
    kept = afterwards.sign(directory, plan, pack, person, role, named, *_sealing(keys))
    click.echo(f"{kept.body['statement']} {person.name}, {role}, {kept.at_utc}.")


@click.command(epilog=example("gloveside forget --older-than 365 --dry-run", 'gloveside forget --older-than 365 --why "kept for a year" --as Ana', 'gloveside forget --job 2026-03-02-P104-01 --why "asked for by Kim" --as Ana'))
@click.option("--older-than", "days", type=click.FloatRange(0), help="Take all sound out of jobs closed more than so many days ago.")
@click.option("--job", help="Take the sound out of one job.")
@click.option("--clip", "clips", multiple=True, help="SHA-256 of one sound of that job; all of them without.")
@click.option("--why", help="The reason; it stays in the record in place of the sound.")
@click.option("--dry-run", is_flag=True, help="Say what would be taken out; takes nothing.")
@click.option("--as", "name", help="Who you are, a supervisor; asks for your password.")
@password_stdin
@keys_option
@store_option
def forget(days: float | None, job: str | None, clips: tuple[str, ...], why: str | None, dry_run: bool, name: str | None, password_stdin: bool, keys: Path, store: Path) -> None:
    """Take voices out of jobs, after a term or by request; their hash stays, with who took them out, when and why."""
    from assistant.record import retention
    from assistant.record.clips import kept_clips
    from assistant.record.clock import SystemClock

    if (days is None) == (job is None) or (clips and job is None):
        raise click.UsageError("Give --older-than DAYS, or --job JOB with or without --clip.")
    if not dry_run and not (name and why):
        raise click.UsageError("Give --as NAME and --why REASON, or --dry-run.")
    if job is not None:
        directory = _job(store, job)
        chosen: list[tuple[Path, tuple[str, ...] | None, str]] = [(directory, clips or None, "")]
    else:
        old = retention.past_term(store, days or 0, SystemClock())
        chosen = [(item.directory, None, f"; {item.only_form} remark{'s' if item.only_form > 1 else ''} with no words written down" if item.only_form else "") for item in old]
    person = None if dry_run else _log_in(store, str(name), password_stdin)
    failed: GlovesideError | None = None
    for directory, wanted, note in chosen:
        try:
            gone = retention.forget(directory, person, wanted, str(why), *_sealing(keys)) if person else list(wanted or kept_clips(directory))
        except NotAllowed:
            raise
        except GlovesideError as error:  # a job in use is left for the next time; the others are done
            click.echo(str(error), err=True)
            failed = error
            continue
        click.echo(f"{directory.name}: {len(gone)} sound{'' if len(gone) == 1 else 's'} {'taken out' if person else 'would be taken out'}{note}")
    if failed is not None:
        sys.exit(failed.exit_code)
    if not chosen:
        click.echo(f"No closed job older than {days:g} days holds sound.")


COMMANDS = {command.name: command for command in (people, amend, ask, answer, sign, forget)}
"""What hangs below `gloveside`, by name."""
