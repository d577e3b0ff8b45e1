"""What can go wrong for a user: each error is a single sentence saying what is wrong, where, and what to do.

All are kinds of `UnderstaveError`, which takes them all; they are told apart by what is at fault::

    UnderstaveError               bad input or a step that cannot be done
    ├── ScoreError                a file is no score that can be read, or its music cannot be used
    │   └── BarTextError          a line that is none, or a bar that does not add up
    ├── SymbolError               a name of a note, key, interval, chord or numeral cannot be read
    ├── AnalysisError             an analysis, a correction or a chord as typed does not fit or cannot be kept
    ├── TakeError                 a recording of somebody's playing cannot be read or tied to the score
    ├── LessonError               a lesson folder, its settings or its edits are not in order
    ├── RepertoireError           an index is not in order, or a question to it makes no sense
    ├── DeskError                 what the desk is asked for cannot be done
    │   ├── StaleError            the edit was made on a state that another window has changed since
    │   ├── NoLessonError         nothing is open
    │   ├── SenselessError        the page sent something that no page of ours sends
    │   └── TooLargeError         more was sent than was announced or allowed
    ├── ProtocolError             a message that gets an error of JSON-RPC
    ├── MissingError              a package, a font or a weight of the network is missing or damaged here
    └── WorkerError               a process that works for us could not be started, or was ended from outside
        ├── LostError             the process ended without an answer
        ├── TooLongError          the job took longer than it might
        └── TooMuchError          the job needed more memory than it might

`SymbolError` is a `ValueError` too, as Python's own readers of text raise it. An exception of any other class
is a fault of ours (`faults`).
"""


class UnderstaveError(Exception):
    """Bad input or a step that cannot be done; `str(error)` is one clear sentence for the user.

    The command line prints it and ends with exit code 2; it never shows a traceback for one.
    """


class ScoreError(UnderstaveError):
    """A file is no score that can be read, or its music cannot be used for what was asked."""


class SymbolError(UnderstaveError, ValueError):
    """A name of a note, key, interval, chord or numeral cannot be read, or names nothing there is."""


class AnalysisError(UnderstaveError):
    """An analysis, a correction, or a chord or key as typed does not fit the score or cannot be kept."""


class TakeError(UnderstaveError):
    """A recording of somebody's playing cannot be read or tied to the score."""


class LessonError(UnderstaveError):
    """A lesson folder, its settings or its edits are not in order."""


class RepertoireError(UnderstaveError):
    """An index is not in order, or a question to it makes no sense."""


class DeskError(UnderstaveError):
    """What the desk is asked for cannot be done."""


class MissingError(UnderstaveError):
    """A package, a font or a weight of the network is missing or damaged on this computer."""


class WorkerError(UnderstaveError):
    """A process that works for us could not be started, or was ended from outside."""
