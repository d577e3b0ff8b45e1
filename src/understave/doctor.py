"""What this machine has and lacks for Understave: findings out, each one line that can be sent to others.

Every finding comes from trying: the engraver engraves, the sound is encoded, the folder is written to. No
finding names the user: what lies in their own folder is written with ``~``.
"""

from __future__ import annotations

import os
import platform
import shutil
import sys
import tempfile
import warnings
import webbrowser
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from importlib import metadata
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

from understave import __version__
from understave.errors import MissingError, UnderstaveError
from understave.faults import log_file, own_folder
from understave.guests import GROUPS, GuestWarning, left_out, offered, package_of

State = Literal["fine", "note", "trouble"]
NEEDED = (
    *("numpy", "lxml", "verovio", "typst", "mido", "rich", "onnxruntime", "soundfile", "duckdb"),
    *("tomlkit", "starlette", "uvicorn"),
)
"""What must be installed; the same list as in ``pyproject.toml``, which a test compares."""
OPTIONAL = {
    "av": ("understave[film]", "clips"),
    "pypdf": ("understave[page]", "reading PDFs"),
    "fonttools": ("understave[page]", "reading PDFs"),
    "midirenderer": ("understave[soundfont]", "SoundFonts of your own"),
    "distributed": ("understave[cluster]", "indexing on a cluster"),
}
LEAST_MEMORY = 1_000_000_000
"""Bytes that should be free for a lesson with sound; set with room to spare."""
LEAST_DISK = 200_000_000
"""Bytes that should be free where lessons go; set with room to spare."""
_NOTE = "X:1\nL:1/4\nK:C\nC|]\n"


@dataclass(frozen=True, slots=True)
class Finding:
    """What was looked at, how it is, and in words what was found or what to do."""

    what: str
    state: State
    words: str


def examine(folder: Path) -> tuple[Finding, ...]:
    """Look at everything; `folder` is where lessons would go."""
    return tuple(_all(folder))


def _all(folder: Path) -> Iterator[Finding]:
    yield Finding("Understave", "fine", f"{__version__}, in {_own(Path(__file__).parent)}")
    yield Finding("Python", "fine", f"{platform.python_version()} in {_own(Path(sys.prefix))}")
    yield Finding("system", "fine", f"{platform.system()} {platform.release()}, {platform.machine()}")
    yield packages()
    yield from _extras()
    yield from plug_ins()
    yield _tried("networks", _networks, "install Understave anew")
    yield _tried("engraver", _engraver, "install verovio anew")
    yield _tried("fonts", _fonts, "install verovio and typst anew")
    yield _tried("pages", _pages, "install typst anew")
    yield _tried("sound", _sound, "install soundfile anew")
    if find_spec("av") is not None:
        yield _tried("film", _film, "install av anew")
    yield browser()
    yield memory()
    yield _disk(folder)
    yield state()
    yield log()


def _tried(what: str, does: Callable[[], str], else_do: str) -> Finding:
    try:
        return Finding(what, "fine", does())
    except UnderstaveError as error:
        return Finding(what, "trouble", str(error))
    except Exception as error:  # whatever is broken here is what we were asked to find
        said = " ".join(str(error).split())[:200]
        return Finding(what, "trouble", f"does not work ({type(error).__name__}: {said}); {else_do}.")


def _own(path: Path | str) -> str:
    """Return a path as text without the name of the user."""
    home, text = str(Path.home()), str(path)
    return "~" + text[len(home) :] if text == home or text.startswith(home + os.sep) else text


# --- what is installed -------------------------------------------------------------------------------------


def packages(needed: tuple[str, ...] = NEEDED) -> Finding:
    """Tell the versions of what must be installed, or what is missing."""
    there, missing = [], []
    for name in needed:
        try:
            there.append(f"{name} {metadata.version(name)}")
        except metadata.PackageNotFoundError:
            missing.append(name)
    if missing:
        names = " ".join(missing)
        return Finding("packages", "trouble", f"{names} missing; install with 'pip install {names}'.")
    return Finding("packages", "fine", ", ".join(there))


def _extras() -> Iterator[Finding]:
    for name, (extra, purpose) in OPTIONAL.items():
        try:
            yield Finding("extra", "fine", f"{name} {metadata.version(name)}, for {purpose}")
        except metadata.PackageNotFoundError:
            yield Finding("extra", "note", f"{name} is not installed; {purpose} would need {extra}")


def plug_ins() -> Iterator[Finding]:
    """Tell what other packages add to Understave, and which of it is left out and why."""
    from understave.acoustics.piano import instruments
    from understave.export.exporters import exporters
    from understave.findings.catalogue import guest_kinds
    from understave.score.formats import guest_readers
    from understave.wording import SPOKEN
    from understave.wording.language_files import own_tables

    packages = dict.fromkeys(package_of(entry) for group in GROUPS for entry in offered(group))
    if not packages:
        return
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", GuestWarning)
        for asked in (guest_kinds, guest_readers, exporters, instruments):
            asked()
        for language in SPOKEN:
            with suppress(UnderstaveError):  # it says so where words of that language are asked for
                own_tables(language)
    yield Finding("plug-ins", "fine", ", ".join(packages))
    for sentence in left_out():
        yield Finding("plug-in", "note", sentence)


# --- what works --------------------------------------------------------------------------------------------


def _networks() -> str:
    from understave.harmony.model.network import load

    load()
    return "what reads chords and keys is loaded"


def _engraver() -> str:
    from understave.jobs.notation_worker import NotationWorker

    with NotationWorker() as worker:
        made = worker.ask(_NOTE, [("renderToSVG", [1])], {"inputFrom": "abc"}, "a note")
    if "<svg" not in str(made[0]):
        raise MissingError("The engraver gave no page; install verovio anew.")
    return "engraves a note in a process of its own"


def _fonts() -> str:
    from understave.engraving.lettering import FAMILY, MUSIC_FONT, Face, typeset

    texts = [("Aß", Face()), ("Aß", Face(weight=600)), ("Aß", Face(italic=True)), ("♭", Face())]
    for (text, _), run in typeset(texts).items():
        if not run.complete or not run.glyphs:
            raise MissingError(f"No font for {text!r} is found; install verovio and typst anew.")
    return f"{FAMILY} and {MUSIC_FONT}, from the packages; none of this machine are needed"


def _pages() -> str:
    import typst

    with tempfile.TemporaryDirectory(prefix="understave-") as place:
        source = Path(place) / "page.typ"
        source.write_text("A page.", encoding="utf-8")
        pdf: bytes = typst.compile(source, root=Path(place), ignore_system_fonts=True)
    if not pdf.startswith(b"%PDF-"):
        raise MissingError("No PDF can be made; install typst anew.")
    return "a PDF is made"


def _sound() -> str:
    import numpy as np

    from understave.acoustics.files import RATE, audio_bytes

    silence = np.zeros((RATE // 10, 2), dtype=np.float32)
    for suffix in (".mp3", ".flac", ".opus", ".wav"):
        try:
            audio_bytes(suffix, silence, RATE, gain=1.0)
        except Exception as error:
            raise MissingError(f"{suffix} cannot be written ({error}); install soundfile anew.") from None
    return "MP3, FLAC, Opus and WAV are written; played by your browser"


def _film() -> str:
    import numpy as np

    from understave.media.film import film_bytes

    picture = np.zeros((64, 64, 3), dtype=np.uint8)
    made = film_bytes(iter([picture] * 3), 3, np.zeros((4800, 2), dtype=np.float32), 48_000)
    return f"an MP4 is made ({len(made)} bytes)"


def browser(environment: Mapping[str, str] = os.environ) -> Finding:
    """Tell which browser would be opened, where there is a screen."""
    if not has_screen(environment):
        return Finding(
            "browser", "note", "there is no screen here; 'understave open' prints the address to open."
        )
    try:
        found = webbrowser.get()
    except webbrowser.Error:
        return Finding("browser", "note", "none is found; open the address that 'understave open' prints.")
    return Finding("browser", "fine", getattr(found, "name", "") or type(found).__name__)


def has_screen(environment: Mapping[str, str] = os.environ) -> bool:
    """Tell whether a browser can show itself here."""
    if sys.platform in ("win32", "darwin"):
        return True
    return bool(environment.get("DISPLAY") or environment.get("WAYLAND_DISPLAY"))


# --- room --------------------------------------------------------------------------------------------------


def memory(meminfo: Path = Path("/proc/meminfo")) -> Finding:
    """Tell how much memory there is and is free."""
    try:
        lines = meminfo.read_text(encoding="ascii").splitlines()
        values = {k: int(v.split()[0]) * 1024 for k, _, v in (line.partition(":") for line in lines)}
        total, free = values["MemTotal"], values["MemAvailable"]
    except (OSError, ValueError, KeyError, IndexError):
        return Finding("memory", "note", "this system does not tell how much is free.")
    words = f"{free / 1e9:.1f} of {total / 1e9:.1f} GB are free"
    if free < LEAST_MEMORY:
        return Finding("memory", "trouble", f"{words}; close other programs, a lesson may take 1 GB.")
    return Finding("memory", "fine", words)


def _disk(folder: Path) -> Finding:
    try:
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".understave-"):
            free = shutil.disk_usage(folder).free
    except OSError as error:
        return Finding(
            "this folder",
            "trouble",
            f"{_own(folder)} may not be written to ({error.strerror}); say with --out where a lesson goes.",
        )
    if free < LEAST_DISK:
        return Finding("this folder", "trouble", f"only {free / 1e6:.0f} MB are free in {_own(folder)}.")
    return Finding("this folder", "fine", f"{_own(folder)}, {free / 1e9:.0f} GB free")


def state() -> Finding:
    """Tell whether the list of recent lessons and the log can be kept."""
    place = own_folder()
    try:
        place.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=place, prefix=".understave-"):
            pass
    except OSError as error:
        return Finding(
            "own folder", "trouble", f"{_own(place)} may not be written to ({error.strerror}); allow it."
        )
    return Finding("own folder", "fine", f"{_own(place)} keeps recent lessons and the log")


def log() -> Finding:
    """Tell where faults are written down, and how many there are."""
    path = log_file()
    try:
        heads = [
            x for x in path.read_text(encoding="utf-8", errors="replace").splitlines() if x[:4] == "--- "
        ]
    except FileNotFoundError:
        return Finding("log", "fine", f"no fault was written down; they would stand in {_own(path)}")
    except OSError as error:
        return Finding("log", "trouble", f"{_own(path)} cannot be read ({error.strerror}).")
    if not heads:
        return Finding("log", "fine", f"no fault stands in {_own(path)}")
    last = heads[-1].split()[1]
    many = "1 fault" if len(heads) == 1 else f"{len(heads)} faults"
    return Finding("log", "note", f"{many}, the last of {last}, in {_own(path)}")


WHAT_TO_SEND = """\
When you ask for help, send these lines; the log, if faults stand in it (no music, but names of files);
what you did and what you saw, word for word; and, if you may share it, the score or the lesson folder.
Look through what you send: a score may be under copyright, and a folder's name may be somebody's."""
