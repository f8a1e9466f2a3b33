"""One family of errors. Each says where, what was expected, and what to do."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from auditor.core.text import shortened

MOST_BYTES = 2000
"""Of an error message, whatever file name or field it repeats."""


class AuditorError(Exception):
    """Base of every error that the auditor raises on purpose.

    ``where`` names the file, byte, field or key; ``problem`` what was found; ``action`` what to do.
    Shown to the user as one line; a traceback never is (``--debug`` shows it).
    """

    def __init__(self, where: str, problem: str, action: str = "") -> None:
        self.where = where
        self.problem = problem
        self.action = action
        super().__init__(where, problem, action)

    def __str__(self) -> str:
        where, problem = shortened(self.where, 600), shortened(self.problem, 900)
        text = f"{where}: {problem}" if where else problem
        return f"{text}. {shortened(self.action, 450)}" if self.action else text


class UsageError(AuditorError):
    """Wrong use of the command line or of the Python interface."""


class SettingsError(AuditorError):
    """An order, policy or log file that cannot be taken as it is; ``where`` names key and line."""


class RecordingError(AuditorError):
    """A file that is no readable recording; ``problem`` names the header field and its byte."""

    def __init__(
        self,
        where: str,
        problem: str,
        action: str = "Copy the file again from the recorder's card; if it is the same there, it "
        "is damaged.",
        *,
        code: str = "not_a_recording",
    ) -> None:
        super().__init__(where, problem, action)
        self.code = code


class NothingReadable(AuditorError):  # noqa: N818  the name says what happened
    """No recording in the study could be read; no audit is written.

    ``refused`` where the system would not open or read a file, as it may do another time.
    """

    def __init__(
        self, where: str, problem: str, action: str = "", *, refused: bool = False
    ) -> None:
        super().__init__(where, problem, action)
        self.refused = refused


class BeyondLimit(AuditorError):  # noqa: N818  the name says what happened
    """A study larger than what is measured, as only damage makes one; no audit is written."""


class OutputError(AuditorError):
    """The audit could not be written, or one is already there."""


@contextmanager
def system_errors(
    kind: type[AuditorError], where: object, problem: str, action: str
) -> Iterator[None]:
    """Raise ``kind`` for what the operating system refuses inside: ``problem`` and its reason."""
    try:
        yield
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise kind(str(where), f"{problem} ({reason})", action) from error
