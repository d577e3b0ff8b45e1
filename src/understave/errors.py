"""The one error a user sees: a single sentence saying what is wrong, where, and what to do."""


class UnderstaveError(Exception):
    """Bad input or a step that cannot be done; `str(error)` is one clear sentence for the user.

    The command line prints it and ends with exit code 2; it never shows a traceback for one.
    """
