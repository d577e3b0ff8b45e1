"""The lessons opened lately, in a small file of the user's own."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from understave.disk import write_atomically
from understave.errors import UnderstaveError
from understave.faults import own_folder
from understave.lesson.folder import is_lesson_folder

MOST = 12


@dataclass(frozen=True, slots=True)
class RecentLesson:
    """A lesson folder and the title of its piece."""

    path: Path
    title: str


@dataclass(frozen=True, slots=True)
class Recent:
    """The list, kept in `file`; a file that cannot be read or written is no reason to stop."""

    file: Path

    def lessons(self) -> tuple[RecentLesson, ...]:
        """Return the lessons that are still there, the latest first."""
        try:
            rows = json.loads(self.file.read_text(encoding="utf-8"))
            found = [RecentLesson(Path(str(r["path"])), str(r["title"])) for r in rows]
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            return ()
        return tuple(lesson for lesson in found if is_lesson_folder(lesson.path))[:MOST]

    def add(self, path: Path, title: str) -> None:
        """Put a lesson at the head of the list."""
        own = RecentLesson(path.resolve(), title)
        rows = [own, *(lesson for lesson in self.lessons() if lesson.path != own.path)][:MOST]
        try:
            write_atomically(
                self.file,
                json.dumps(
                    [{"path": str(lesson.path), "title": lesson.title} for lesson in rows], ensure_ascii=False
                ),
            )
        except UnderstaveError:
            return


def own_file() -> Path:
    """Return where this user's list is kept."""
    return own_folder() / "recent.json"
