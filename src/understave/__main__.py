"""Where the command ``understave`` and ``python -m understave`` begin.

``python -m`` puts the current folder before everything else, and in it may lie scores that came from
elsewhere, and with them a ``json.py``. So the current folder is taken out before anything else is read.
What Python itself looks for before that (``importlib`` and this package) it takes from there all the same;
the command ``understave`` and ``python -P -m understave`` never do.
"""

import os  # read before any program begins, so nothing is looked for here
import sys


def main() -> int:
    """Run the command line on the arguments of this process; return its exit code."""
    leave_current_folder()
    from understave.cli import main as run

    return run()


def leave_current_folder() -> None:
    """Take the current folder out of the places where modules are looked for, unless we lie in it."""
    try:
        here = os.path.realpath(os.curdir)
    except OSError:  # it is gone, and with it what lay there
        return
    if here != os.path.dirname(os.path.dirname(os.path.realpath(__file__))):
        sys.path[:] = [p for p in sys.path if p and os.path.realpath(p) != here]


if __name__ == "__main__":
    sys.exit(main())
