"""The commands for all jobs together and for carrying jobs elsewhere: search, export, import, backup. Thin; all of it is in assistant/record."""

import json
import sys
from dataclasses import asdict
from pathlib import Path

import click
from rich.console import Console
from rich.markup import escape
from rich.table import Column, Table

from assistant.cli import keys_option, store_option
from assistant.cli_help import example

day = click.DateTime(["%Y-%m-%d"])


@click.command(epilog=example("gloveside search worn seat", 'gloveside search "flat on one side" --asset P104', "gloveside search --part ball --condition worn --since 2026-03-01 --json"))
@click.argument("words", nargs=-1)
@click.option("--asset", default="", help="Tag of the machine, whole.")
@click.option("--part", default="", help="Words of the part's name.")
@click.option("--condition", default="", help="Condition, as it is said.")
@click.option("--since", type=day, help="First day, UTC.")
@click.option("--until", type=day, help="Last day, UTC.")
@click.option("--limit", type=click.IntRange(1, 1000), default=50, show_default=True, help="Entries shown at most.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
@store_option
def search(words: tuple[str, ...], asset: str, part: str, condition: str, since, until, limit: int, as_json: bool, store: Path) -> None:
    """Find entries of all jobs that hold all WORDS, newest first; a word with * behind it is the beginning of one."""
    from assistant.record.index import Index

    if not any((words, asset, part, condition, since, until)):
        raise click.UsageError("Say what to look for: words, --asset, --part, --condition, --since or --until.")
    days = {name: f"{value:%Y-%m-%d}" if value else "" for name, value in (("since", since), ("until", until))}
    with Index(store) as index:
        index.refresh()
        # An argument with spaces was in quotation marks: its words stand together.
        text = " ".join(f'"{word}"' if " " in word.strip() else word for word in words)
        hits = index.search(text, asset=asset, part=part, condition=condition, **days, limit=limit)
        damaged = index.damaged()
    for row in damaged:
        click.echo(f"{row.job} was not searched: {row.fault}", err=True)
    if as_json:
        for hit in hits:
            click.echo(json.dumps(asdict(hit), ensure_ascii=False))
    elif hits:
        table = Table(Column("job", no_wrap=True), "entry", "when", "asset", "kind", "words")
        for hit in hits:
            table.add_row(hit.job, str(hit.seq), hit.at[:16].replace("T", " "), escape(hit.asset), hit.kind, escape(hit.snippet))
        Console().print(table)
    if not hits:
        click.echo("Nothing found.", err=True)
        sys.exit(1)


@click.command(epilog=example("gloveside export 2026-03-02-P104-01 --out P104.zip", "gloveside export 2026-03-02-P104-01 --out /media/stick/P104"))
@click.argument("job")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="A file ending in .zip, or a new folder.")
@store_option
def export(job: str, out: Path, store: Path) -> None:
    """Hand JOB out: events, sounds, record, seals, and how to verify them without Gloveside."""
    from assistant.record.portable import SUMS, export_job
    from assistant.record.seal import SEALS
    from assistant.record.store import Store

    names = export_job(Store(store).find(job), out)
    click.echo(f"{out}: {len(names)} files, {SUMS} among them" + ("." if SEALS in names else "; the job is not sealed, so nothing proves who wrote it."))


@click.command("import", epilog=example("gloveside import P104.zip", "gloveside import /media/stick/P104 --public-key seal.pub"))
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--public-key", type=click.Path(path_type=Path), help="Take it only if it is sealed with this key.")
@keys_option
@store_option
def take_in(file: Path, public_key: Path | None, keys: Path, store: Path) -> None:
    """Take a job that was handed out (FILE: a zip or a folder) back into the store, exactly as it was."""
    from assistant.record.keys import PUBLIC, load_public_key
    from assistant.record.portable import import_job
    from assistant.record.questions import note_questions

    taken = import_job(file, store, load_public_key(public_key) if public_key else None)
    note_questions(taken.directory)  # its technician is asked here from now on
    click.echo(f"{taken.job}: {taken.events} entries, as they were handed out.")
    own = load_public_key(keys / PUBLIC) if public_key is None and (keys / PUBLIC).exists() else None
    if not taken.verdict.sealed:
        click.echo("It is not sealed: nothing proves who wrote it.")
    elif public_key is None and (own is None or own != _key_of(taken)):
        click.echo("It is sealed with a key that is not known here; with the shop's public key, gloveside verify shows whose it is.")


def _key_of(taken) -> bytes:
    import base64

    return base64.b64decode(taken.verdict.seals[-1].public_key)


@click.command(epilog=example("gloveside backup --out /media/disk/jobs-2026-03-02", "gloveside records --store /media/disk/jobs-2026-03-02"))
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True, help="A new folder for the copy.")
@store_option
def backup(out: Path, store: Path) -> None:
    """Copy all jobs while they run, and verify each copy. The copy is a store: --store reads it."""
    from assistant.record.backup import backup as copy_all

    done = copy_all(store, out)
    bad = [copied for copied in done if copied.fault]
    for copied in bad:
        click.echo(f"{copied.job}, damaged before it was copied: {copied.fault}", err=True)
    click.echo(f"{out}: {len(done)} {'job' if len(done) == 1 else 'jobs'}, {sum(copied.events for copied in done)} entries, {len(done) - len(bad)} verified. People, their passwords and the sealing key are not in it: copy them apart.")
    if bad:
        sys.exit(1)


COMMANDS = {command.name: command for command in (search, export, take_in, backup)}
