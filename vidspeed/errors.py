"""What can go wrong, said so that a person can mend it.

Every message says where (file, key or row), what was found, what is allowed and what to do.
The library raises; only `vidspeed.cli` prints and exits.
"""

from __future__ import annotations


class VidspeedError(Exception):
    """Any fault that a user can mend; carries one message or several.

    Parameters
    ----------
    *messages
        One line each, ready to be shown. Survives pickling, so that a worker can return it.

    Examples
    --------
    >>> str(VidspeedError("markers.csv: row 3: u_m is 'two', a number in metres is needed"))
    "markers.csv: row 3: u_m is 'two', a number in metres is needed"
    """

    def __init__(self, *messages: str) -> None:
        super().__init__(*messages)

    @property
    def messages(self) -> tuple[str, ...]:
        """Return the messages, one line each."""
        return tuple(str(message) for message in self.args)

    def __str__(self) -> str:
        return "\n".join(self.messages)


class OptionError(VidspeedError):
    """An option is one that no file could make right; the command line alone shows it."""


class SessionError(VidspeedError):
    """A file that the user wrote (session, markers, picks, lens, track) says something wrong."""


class ClipError(VidspeedError):
    """A clip cannot be read, or is not what the session says it is."""


class CalibrationError(VidspeedError):
    """The markers and picks of a camera do not fix where it stands and how it looks."""


class MotionError(VidspeedError):
    """The lights of a pass cannot be solved as a flight along the course."""


class ResultsError(VidspeedError):
    """The results cannot be written where they belong."""


class PackError(VidspeedError):
    """A pack cannot be made, is not whole, or holds what no pack may hold."""


class SceneError(VidspeedError):
    """A scene to be rendered says something impossible."""


class WorkerError(VidspeedError):
    """A job that was done in a process of its own could not be finished."""


class WorkerDied(WorkerError):
    """The process ended over its job; the message says how (a signal's name, an exit code)."""


class WorkerStuck(WorkerError):
    """The job gave no sign of life for too long, and its process was ended."""
