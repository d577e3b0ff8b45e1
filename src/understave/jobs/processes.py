"""Other Python processes of ours: what starts them so that they run our code and no file that lies around.

Python looks for modules in the current folder first when it is started with ``-m`` or ``-c``, and that folder
is where scores lie that came from elsewhere: a ``json.py`` among them would be executed. Everything that
starts a process does it through this module.
"""

from __future__ import annotations

import os
import sys

_OURS = os.path.dirname(os.path.dirname(os.path.dirname(os.path.realpath(__file__))))


def worker_command(module: str, *arguments: str) -> list[str]:
    """Return the command that runs one of our modules in a process of its own."""
    # -P: the current folder is no place for modules; -I would forget PYTHONPATH too.
    return [sys.executable, "-P", "-m", module, *arguments]


def worker_environment(**more: str) -> dict[str, str]:
    """Return the environment for `worker_command`: modules come from where this process has its own."""
    return {**os.environ, **_safe(os.pathsep.join(dict.fromkeys([*sys.path, _OURS]))), **more}


def safe_path(path: list[str]) -> list[str]:
    """Return module folders without the current one, unless it is where Understave itself lies."""
    try:
        here = _real(os.curdir)
    except OSError:  # it is gone: nothing can be found in it
        here = ""
    return [p for p in path if p and os.path.isabs(p) and (_real(p) != here or here == _OURS)]


def _safe(path: str) -> dict[str, str]:
    # An empty entry in PYTHONPATH, as "$PYTHONPATH:/x" leaves one, means the current folder.
    return {"PYTHONSAFEPATH": "1", "PYTHONPATH": os.pathsep.join(safe_path(path.split(os.pathsep)))}


def _real(path: str) -> str:
    return os.path.normcase(os.path.realpath(path))
