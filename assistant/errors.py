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


class SealError(JournalError):
    """A job cannot be sealed, or the key that seals cannot be used."""


class JobPaused(GlovesideError):
    """The input ended before the job was finished; what was recorded is kept."""

    exit_code = 8


class PeopleError(GlovesideError):
    """A person cannot be added or changed."""


class NoSuchPerson(PeopleError):
    """Nobody of that name is known here."""


class NotAllowed(GlovesideError):
    """Somebody has not the role, or not the job, that this needs."""


class OpenPoints(GlovesideError):
    """A job cannot be signed before its open points are named."""


class CannotAmend(GlovesideError):
    """What is to be written into a record afterwards does not fit it."""


class PrintError(GlovesideError):
    """A record cannot be set as a PDF."""


class ExportError(GlovesideError):
    """A job cannot be handed out, or a store not be copied."""


class ImportRefused(GlovesideError):
    """What was handed in is no job as it was handed out."""
