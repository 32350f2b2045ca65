"""The jobs of a shop: one directory each under one root, named by date, asset and a running number."""

import contextlib
import re
from pathlib import Path

from rapidfuzz import process

from assistant.errors import JobNotFound, JournalError
from assistant.record.clock import Clock, shop_time
from assistant.record.faults import explain, make_folder, sync_directory
from assistant.record.journal import DATABASE, Journal

_JOB_ID = re.compile(r"(?P<day>\d{4}-\d{2}-\d{2})-(?P<asset>.+)-(?P<number>\d{2,})")
_LONGEST_ASSET = 60
_SUGGESTIONS = 3
_LIKE_ENOUGH = 60
"""Likeness, 0 to 100, below which a job id is not worth suggesting; chosen by trial."""


def is_job_name(name: str) -> bool:
    """Whether a directory of this name can be a job's."""
    return _JOB_ID.fullmatch(name) is not None


class Store:
    """All jobs under `root`; the directory is made with the first job."""

    def __init__(self, root: Path | str) -> None:
        self.root = Path(root)

    def new_job(self, asset: str, clock: Clock) -> tuple[str, Path]:
        """Make the directory of a new job for `asset`, dated today in the shop, and return (job id, directory).

        Raises JournalError if it cannot be made.
        """
        prefix = f"{shop_time(clock):%Y-%m-%d}-{_in_a_name(asset)}-"
        try:
            make_folder(self.root)
            taken = [match for name in self._names() if name.startswith(prefix) and (match := _JOB_ID.fullmatch(name))]
            number = 1 + max((int(match["number"]) for match in taken if match["number"] == match.string[len(prefix) :]), default=0)
            while True:
                job = f"{prefix}{number:02d}"
                try:
                    # mkdir decides between two benches starting the same asset at once.
                    (self.root / job).mkdir()
                    sync_directory(self.root)
                    return job, self.root / job
                except FileExistsError:
                    number += 1
        except OSError as error:
            raise explain(error, self.root, "make a new job in") from error

    def jobs(self) -> list[tuple[str, Path]]:
        """(job id, directory) of every job with a journal, oldest day first. Raises JournalError if the root cannot be read."""
        try:
            found = [name for name in self._names() if (self.root / name / DATABASE).is_file()]
        except OSError as error:
            raise explain(error, self.root, "list the jobs in") from error
        return [(name, self.root / name) for name in sorted(found, key=_order)]

    def find(self, job: str) -> Path:
        """The directory of a job, capitals ignored. Raises JobNotFound, with the nearest ids, if there is none."""
        wanted = job.strip()
        # A name given whole is looked up by itself: with a hundred thousand jobs a list of all of them takes seconds.
        if _JOB_ID.fullmatch(wanted) and Path(wanted).name == wanted:
            # What cannot be looked up, such as a name too long for the disk, is not there; anything worse the list below says.
            with contextlib.suppress(OSError):
                if (self.root / wanted / DATABASE).is_file():
                    return self.root / wanted
        known = dict(self.jobs())
        if wanted in known:
            return known[wanted]
        same = [name for name in known if name.casefold() == wanted.casefold()]
        if len(same) == 1:
            return known[same[0]]
        if not known:
            raise JobNotFound(f"There is no job {wanted!r} in {self.root}: no job has been started there yet.")
        near = [
            name
            for name, _, _ in process.extract(
                wanted, list(known), processor=str.casefold, limit=_SUGGESTIONS, score_cutoff=_LIKE_ENOUGH
            )
        ]
        advice = f"did you mean {' or '.join(near)}?" if near else "list the jobs to see their names."
        raise JobNotFound(f"There is no job {wanted!r} in {self.root}; {advice}")

    def unfinished(self, asset: str, procedure_id: str) -> tuple[str, Path] | None:
        """The newest job on `asset` by procedure `procedure_id` that was started and not finished; None if there is none.

        A damaged journal of the same asset is passed over if another job fits; otherwise its JournalError is raised, because it may
        be the very job that is asked for.
        """
        damaged: JournalError | None = None
        for job, directory in reversed(self.jobs()):
            match = _JOB_ID.fullmatch(job)
            if match is None or match["asset"] != _in_a_name(asset):
                continue
            try:
                with Journal.read(directory) as journal:
                    events = journal.events()
            except JournalError as error:
                damaged = damaged or error
                continue
            started = next((event.body for event in events if event.kind == "job_started"), None)
            if started is None or any(event.kind == "job_finished" for event in events):
                continue
            if started.get("procedure_id") == procedure_id and started.get("asset") == asset:
                return job, directory
        if damaged is not None:
            raise damaged
        return None

    def _names(self) -> list[str]:
        if not self.root.exists():
            return []
        return [entry.name for entry in self.root.iterdir() if entry.is_dir() and is_job_name(entry.name)]


def _in_a_name(asset: str) -> str:
    """The asset as part of a directory's name: letters and digits of any script, dots and dashes."""
    return re.sub(r"[^\w.]+", "-", asset).strip("-.")[:_LONGEST_ASSET].rstrip("-.") or "asset"


def _order(job: str) -> tuple[str, str, int]:
    match = _JOB_ID.fullmatch(job)
    return match["day"], match["asset"], int(match["number"])
