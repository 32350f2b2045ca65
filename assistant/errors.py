"""Errors a user can meet: one sentence each, with the exit code the command line gives."""


class GlovesideError(Exception):
    """Base of every error a user can meet. `str(error)` is one clear sentence: what, where, what to do."""

    exit_code = 1
    """Process exit code when the error ends a command."""


class ProcedureError(GlovesideError):
    """A procedure is missing, unreadable or wrong."""

    exit_code = 3


class LanguageError(GlovesideError):
    """A language pack is missing or wrong."""

    exit_code = 3


class SoundError(GlovesideError):
    """A sound file, microphone, loudspeaker or speech model cannot be used."""

    exit_code = 4


class JournalError(GlovesideError):
    """The journal of a job cannot be opened, read or written."""

    exit_code = 5


class JobNotFound(JournalError):
    """No job of that name is in the store."""

    exit_code = 6


class JobInUse(JournalError):
    """Another process holds the job."""

    exit_code = 7


class JobPaused(GlovesideError):
    """The input ended before the job was finished; what was recorded is kept."""

    exit_code = 8
