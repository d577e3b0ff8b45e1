"""Run commands of ours where some of what Windows refuses is refused; what was refused is printed as JSON.

    python -P tests/windows_like.py ROOT COMMANDS

COMMANDS is a JSON list of lists of arguments, run one after the other in this process. Below ROOT the rules
of Microsoft's "Naming Files, Paths, and Namespaces" hold for every name that is made, those of "CreateFileW"
for files that are open without FILE_SHARE_DELETE, as Python opens them: they can be neither replaced nor
removed, by this process or by another. Watched through Python's audit events, so what native code makes is
not seen, but what it holds open is. `os.fork` and the modules that Windows lacks are not there.
"""

from __future__ import annotations

import json
import os
import re
import sys
from pathlib import Path

ABSENT = ("fcntl", "resource", "pwd", "grp", "termios")
RESERVED = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in "123456789¹²³")}
_FORBIDDEN = re.compile(r'[<>:"|?*\\\x00-\x1f]')
_WRITTEN = os.O_CREAT | os.O_WRONLY | os.O_RDWR
refused: list[str] = []


def wrong_name(name: str) -> str:
    """Say what is wrong with one part of a path on Windows; nothing where it is right."""
    if _FORBIDDEN.search(name):
        return "holds a forbidden character"
    if name.endswith((" ", ".")):
        return "ends in a space or a dot"
    if name.split(".")[0].rstrip().lower() in RESERVED:
        return "is the name of a device"
    return ""


def _held(path: str) -> bool:
    """Say whether a file, or one in a folder, is open in this process or one of its children."""
    real = os.path.realpath(path)
    for process in ("self", *_children()):
        try:
            handles = os.listdir(f"/proc/{process}/fd")
        except OSError:
            continue
        for handle in handles:
            try:
                there = os.readlink(f"/proc/{process}/fd/{handle}")
            except OSError:
                continue
            if there == real or there.startswith(real + os.sep):
                return True
    return False


def _children() -> list[str]:
    out, todo = [], [str(os.getpid())]
    while todo:
        one = todo.pop()
        for task in Path(f"/proc/{one}/task").glob("*/children"):
            found = task.read_text(encoding="ascii").split()
            out += found
            todo += found
    return out


_EVENTS = ("open", "os.mkdir", "os.rename", "os.remove", "os.rmdir")


def _touched(event: str, values: tuple[object, ...], root: str) -> list[str]:
    """Return the paths below the root that an audit event makes, moves or removes."""
    if event == "open" and not (isinstance(values[2], int) and values[2] & _WRITTEN):
        return []
    given = values[:1] if event == "open" else values[:2]
    paths = [os.path.abspath(os.fsdecode(v)) for v in given if isinstance(v, str | bytes | os.PathLike)]
    return [p for p in paths if p.startswith(root + os.sep)]


def _watch(root: str) -> None:
    busy = False

    def refuse(what: str, path: str) -> None:
        refused.append(f"{what}: {os.path.relpath(path, root)}")
        raise PermissionError(13, what, path)

    def look(event: str, values: tuple[object, ...]) -> None:
        nonlocal busy
        if busy or event not in _EVENTS:
            return
        busy = True
        try:
            for path in _touched(event, values, root):
                for name in Path(os.path.relpath(path, root)).parts:
                    if wrong_name(name):
                        refuse(f"a name that {wrong_name(name)}", path)
                if event in ("os.rename", "os.remove") and _held(path):
                    refuse(f"{event} of a file that is open", path)
        finally:
            busy = False

    def rename(src: str, dst: str, **more: int) -> None:
        if os.path.exists(dst):  # Windows renames onto nothing that is there; os.replace does
            refuse("os.rename onto something that is there", os.path.abspath(dst))
        plain(src, dst, **more)

    sys.addaudithook(look)
    plain, os.rename = os.rename, rename


def main() -> int:
    """Run the commands; print what was refused and how each ended."""
    root, commands = os.path.realpath(sys.argv[1]), json.loads(sys.argv[2])
    for name in ABSENT:
        sys.modules[name] = None  # type: ignore[assignment]
    del os.fork
    from understave.cli import main as run

    _watch(root)
    codes = [run(command) for command in commands]
    print("\n" + json.dumps({"codes": codes, "refused": refused}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
