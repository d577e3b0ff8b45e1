"""The command line: every command is one call into the rooms."""

from __future__ import annotations

import argparse
import math
import os
import shlex
import sys
import webbrowser
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from understave import __version__, cli_repertoire
from understave.doctor import has_screen
from understave.errors import UnderstaveError
from understave.faults import fault_sentence, keep_fault

if TYPE_CHECKING:
    from understave.acoustics.performance import Performance
    from understave.acoustics.piano import Instrument
    from understave.engraving.options import Paper
    from understave.harmony.reading import Correction, Reading
    from understave.interpretation.plan import Plan
    from understave.score.model import Measure, Score
    from understave.theory.key import Key
    from understave.theory.roman import RomanNumeral

_Name = TypeVar("_Name", bound=str)
_WHICH_BARS = (
    "which bars, such as 12 or 9-16, as printed; where numbers start again, 9#2-16 from the second bar 9"
)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="understave",
        description="From a piano score to a checked harmonic reading, playing decisions and a lesson.",
        epilog="Nothing that lies in the current folder is ever executed by this command. If you start it as "
        "'python -m understave', Python itself looks there first; write 'python -P -m understave'.",
    )
    parser.add_argument("--version", action="version", version=f"understave {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    lesson = commands.add_parser(
        "lesson", help="make a lesson folder from a score, or make one again with its corrections"
    )
    lesson.add_argument("score", type=Path, help="a score file, or a lesson folder made before")
    lesson.add_argument(
        "--out", type=Path, help="where the lesson goes (default: a folder named after the score)"
    )
    lesson.add_argument("--paper", type=_paper, help="paper of the pages: A4 (default) or Letter")
    lesson.add_argument(
        "--minutes", type=float, help="how long the lesson may be, such as 5, 15 (default) or 30"
    )
    lesson.add_argument("--rate", type=float, help="words a minute that you speak (default: 130)")
    lesson.add_argument(
        "--analysis", type=Path, help="your own analysis as RomanText: where the reading differs, it wins"
    )
    lesson.add_argument("--chord-symbols", action="store_true", help="set chord symbols above the staves too")
    lesson.add_argument(
        "--replace-score", action="store_true", help="put a newer version of the score into the lesson"
    )
    _add_words(lesson, remembered=True)
    lesson.add_argument("--no-sound", action="store_true", help="leave out all sound; much quicker")
    lesson.add_argument("--open", action="store_true", help="open the result where there is a screen")
    lesson.set_defaults(run=_lesson)

    desk = commands.add_parser("open", help="work on a lesson in the browser: see, hear and correct it")
    desk.add_argument("score", type=Path, nargs="?", help="a score file or a lesson folder")
    desk.add_argument("--port", type=int, default=0, help="port on this machine (default: any free one)")
    desk.add_argument("--no-browser", action="store_true", help="only print the address")
    desk.add_argument(
        "--repertoire", type=Path, metavar="FOLDER", help="an indexed folder to search (see 'index')"
    )
    desk.set_defaults(run=_open)

    show = commands.add_parser("show", help="print the reading of a score, chord by chord")
    show.add_argument("score", type=Path, help="a score file or a lesson folder")
    show.add_argument("--bars", help=_WHICH_BARS)
    show.set_defaults(run=_show)

    explain = commands.add_parser("explain", help="tell what happens in a score, passage by passage")
    explain.add_argument("score", type=Path, help="a score file or a lesson folder")
    explain.add_argument("--bars", help=_WHICH_BARS)
    _add_words(explain)
    explain.set_defaults(run=_explain)

    excerpt = commands.add_parser("excerpt", help="engrave some bars as a picture, SVG or PNG")
    excerpt.add_argument("score", type=Path, help="a score file or a lesson folder")
    excerpt.add_argument(
        "--bars",
        required=True,
        help=_WHICH_BARS,
    )
    excerpt.add_argument("--out", type=Path, required=True, help="the picture, ending in .svg or .png")
    excerpt.add_argument("--width", type=int, default=1600, help="width of a PNG in pixels")
    excerpt.add_argument(
        "--chord-symbols", action="store_true", help="set chord symbols above the staves too"
    )
    excerpt.add_argument(
        "--plan", action="store_true", help="draw the plan's lanes below: tension, dynamics, pedal"
    )
    excerpt.set_defaults(run=_excerpt)

    chords = commands.add_parser("reduce", help="write a piece, or some bars, as block chords in any key")
    chords.add_argument("score", type=Path, help="a score file or a lesson folder")
    chords.add_argument("--key", help="key of the first chord, such as g or Bb (small letters for minor)")
    chords.add_argument("--bars", help=_WHICH_BARS)
    chords.add_argument(
        "--out", type=Path, required=True, help="what to write: .pdf, .musicxml, .mid, .mp3, .svg or .png"
    )
    chords.add_argument("--paper", type=_paper, default="a4", help="paper of a PDF: A4 (default) or Letter")
    chords.set_defaults(run=_reduce)

    play = commands.add_parser("play-plan", help="tell how to play a score, bar by bar, and why")
    play.add_argument("score", type=Path, help="a score file or a lesson folder")
    play.add_argument("--bars", help=_WHICH_BARS)
    _add_playing(play)
    play.add_argument(
        "--compare-pedals",
        action="store_true",
        help="compare every way to pedal on every piano: how blurred, when, and what clashes",
    )
    _add_words(play)
    play.set_defaults(run=_play_plan)

    sound = commands.add_parser("sound", help="let some bars sound: MP3, FLAC, Opus, WAV or MIDI")
    sound.add_argument("score", type=Path, help="a score file or a lesson folder")
    sound.add_argument(
        "--bars",
        help=f"{_WHICH_BARS} (default: all)",
    )
    _add_playing(sound)
    sound.add_argument(
        "--out", type=Path, required=True, help="the sound, ending in .mp3, .flac, .opus, .wav or .mid"
    )
    sound.add_argument(
        "--soundfont", type=Path, metavar="FILE", help="play on a SoundFont (.sf2) of your own"
    )
    sound.set_defaults(run=_sound)

    clip = commands.add_parser("clip", help="make a film of some bars: notes lighting up, harmony, sound")
    clip.add_argument("score", type=Path, help="a score file or a lesson folder")
    clip.add_argument(
        "--bars",
        required=True,
        help=_WHICH_BARS,
    )
    clip.add_argument(
        "--shape",
        default="wide",
        metavar="SHAPE",
        help="wide (1920 by 1080, default), or tall (1080 by 1920) for a telephone held upright",
    )
    clip.add_argument("--language", type=_language, default="en", help="language of the words: en or de")
    _add_playing(clip)
    clip.add_argument("--out", type=Path, required=True, help="the film, ending in .mp4")
    clip.set_defaults(run=_clip)

    correct = commands.add_parser(
        "correct", help="set a chord or key yourself, list what you set, or take it back"
    )
    correct.add_argument("lesson", type=Path, help="the lesson folder")
    correct.add_argument(
        "--from",
        dest="start",
        metavar="BAR[:BEAT]",
        help="where it begins; where bar numbers start again, 1#2 is the second bar 1",
    )
    correct.add_argument(
        "--to", dest="end", metavar="BAR[:BEAT]", help="where it ends (not included), after --from"
    )
    correct.add_argument(
        "--chord", help="Roman numeral, such as V65/V; with --key also figures that move (V64-53) or Eb7/G"
    )
    correct.add_argument("--key", help="key, such as Ab, As, f or f-Moll (lower case for minor)")
    correct.add_argument(
        "--entry",
        choices=("english", "german", "functions"),
        default="english",
        help="where letters mean two things: B is B natural (english, default) or B flat (german); D7 is the "
        "chord on D, or with functions the dominant's seventh chord",
    )
    correct.add_argument("--note", default="", help="why, for yourself")
    correct.add_argument(
        "--take-back", type=int, metavar="NUMBER", help="take back a correction by its number"
    )
    correct.set_defaults(run=_correct)
    cli_repertoire.add_commands(commands)

    doctor = commands.add_parser(
        "doctor", help="see whether all that is needed is here, and what to send when you ask for help"
    )
    doctor.add_argument(
        "--claims",
        type=Path,
        metavar="LESSON",
        help="test on the notes all that could be said of a lesson or a score, and list what is not so",
    )
    doctor.set_defaults(run=_doctor)
    return parser


def _add_playing(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--pedal",
        default="planned",
        metavar="STYLE",
        help="how to pedal: planned (default), printed, each-harmony, melting or none",
    )
    command.add_argument(
        "--blur", default="0.5", metavar="0..1", help="how much blur you like, from 0 (dry) to 1"
    )
    command.add_argument(
        "--instrument",
        default="concert-grand",
        metavar="PIANO",
        help="concert-grand (default), upright or early-piano",
    )
    command.add_argument("--tempo", metavar="BEATS", help="beats a minute (default: as printed)")
    command.add_argument("--no-rubato", action="store_true", help="keep the tempo steady")


def _add_words(command: argparse.ArgumentParser, remembered: bool = False) -> None:
    """Add level and language; a lesson made again remembers what was chosen, so there is no default."""
    command.add_argument(
        "--level",
        type=_level,
        default=None if remembered else "intermediate",
        help="for whom the words are: beginner, intermediate (default) or advanced",
    )
    command.add_argument(
        "--language",
        type=_language,
        default=None if remembered else "en",
        help="language of the words: en (default) or de",
    )


def _paper(text: str) -> str:
    papers = {"a4": "a4", "letter": "us-letter", "us-letter": "us-letter"}
    if text.casefold() not in papers:
        raise argparse.ArgumentTypeError(f"{text!r} is no paper we print on; choose A4 or Letter")
    return papers[text.casefold()]


# These two read the words' room only for the commands that use it: loading it takes half a second.
def _level(text: str) -> str:
    from understave.wording import LEVELS

    return _one_of(text, LEVELS)


def _language(text: str) -> str:
    from understave.wording import SPOKEN

    return _one_of(text, SPOKEN)


def _one_of(text: str, allowed: Sequence[str]) -> str:
    if text not in allowed:
        raise argparse.ArgumentTypeError(f"{text!r} is not one of {', '.join(allowed)}")
    return text


def _lesson(arguments: argparse.Namespace, console: Console) -> int:
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from understave.lesson import story
    from understave.lesson.make import LessonOptions, make_lesson

    source: Path = arguments.score
    out: Path = arguments.out or Path(f"{source.stem or 'score'}-lesson")
    options = LessonOptions(
        paper=arguments.paper,
        chord_symbols=arguments.chord_symbols,
        replace_score=arguments.replace_score,
        level=arguments.level,
        language=arguments.language,
        minutes=arguments.minutes,
        rate=arguments.rate,
        sound=not arguments.no_sound,
        analysis=arguments.analysis,
    )
    shown = console.is_terminal
    columns = (BarColumn(), TimeElapsedColumn(), TextColumn("{task.description}", markup=False))
    with Progress(*columns, console=console, disable=not shown, transient=True) as progress:
        task = progress.add_task("starting", total=1.0)

        def on_step(text: str) -> None:
            progress.update(task, description=text)
            if not shown:
                console.print(f"  {text}", highlight=False)

        lesson = make_lesson(
            source,
            out,
            options,
            on_step,
            lambda share: progress.update(task, completed=share),
            processes=min(2, os.cpu_count() or 1),
        )
    for warning in lesson.score.warnings:
        console.print(f"Note: {warning}", highlight=False)
    doubtful = len(story.worth_checking(lesson.score, lesson.reading))
    console.print(
        f"{lesson.score.title}: {len(lesson.reading.spans)} chords in {len(lesson.score.measures)} bars, "
        f"{doubtful} of them worth checking first; {len(lesson.stops)} stops.",
        highlight=False,
    )
    for change in lesson.changes:
        console.print(f"  {change}", highlight=False)
    if lesson.kept:
        again = ", ".join(f"{name} ({why})" for name, why in lesson.made) or "nothing"
        console.print(f"Made again: {again}. Kept as it was: {', '.join(lesson.kept)}.", highlight=False)
    console.print(f"The lesson lies in {lesson.folder.path}:", highlight=False)
    for path in lesson.files:
        if path.parent == lesson.folder.exports:
            console.print(f"  {path.relative_to(lesson.folder.path)}", highlight=False)
    inner = [p for p in lesson.files if p.parent != lesson.folder.exports]
    for name in dict.fromkeys(p.parent.name for p in inner):
        count = sum(p.parent.name == name for p in inner)
        console.print(f"  exports/{name}/ ({count} files)", highlight=False)
    if arguments.open and has_screen():
        for name in ("page.html", "handout.pdf"):
            webbrowser.open((lesson.folder.exports / name).resolve().as_uri())
    return 0


def _open(arguments: argparse.Namespace, console: Console) -> int:
    from understave.desk.doorway import way_to
    from understave.desk.serve import Started, serve

    def on_start(started: Started) -> None:
        console.print(f"The desk is open at {started.address}", highlight=False)
        console.print(
            "It answers only on this machine. Stop it with Ctrl-C; nothing is lost.", highlight=False
        )
        if not arguments.no_browser and has_screen():
            # Not the address itself: everybody on this machine may read how programs were started.
            webbrowser.open(ways.enter_context(way_to(started.address)).as_uri())
            console.print("If no page appears, open that address yourself.", highlight=False)

    if not 0 <= arguments.port <= 65_535:
        raise UnderstaveError(f"There is no port {arguments.port}; choose one up to 65535 with --port.")
    if arguments.repertoire is not None:
        from understave.repertoire.asked import choices

        choices(arguments.repertoire)
    with ExitStack() as ways:
        serve(arguments.score, arguments.port, on_start, arguments.repertoire, ways.close)
    return 0


def _claims(source: Path, console: Console) -> int:
    """Print claims by kind, then what is not told because the notes deny it, then what contradicts itself."""
    from understave.interpretation.make import make_plan
    from understave.lesson.account import contradictions, counted_claims, failures, statements
    from understave.lesson.exercises import exercises

    score, reading = _read(source)
    found = statements(score, reading, make_plan(score, reading), exercises=exercises(score, reading))
    table = Table("kind of claim", "made", "failed", "told", title=score.title)
    for kind, count in counted_claims(found).items():
        table.add_row(kind, str(count.claims), str(count.failed), str(count.told))
    console.print(table)
    told = sum(s.told for s in found)
    console.print(
        f"{len(found)} statements, {told} told. Not told, since the notes deny it:", highlight=False
    )
    for line in failures(score, found):
        console.print(f"  {line}", highlight=False, markup=False)
    for pair in (twice := contradictions(found)):
        console.print(
            f"  two answers, {pair.told[0]} and {pair.told[1]}: {pair.one} / {pair.other}", markup=False
        )
    return 1 if twice else 0


def _doctor(arguments: argparse.Namespace, console: Console) -> int:
    from understave.doctor import WHAT_TO_SEND, examine

    if arguments.claims is not None:
        return _claims(arguments.claims, console)

    signs = {
        "fine": Text("fine", "green"),
        "note": Text("note", "dim"),
        "trouble": Text("TROUBLE", "bold red"),
    }
    found = examine(Path.cwd())
    for finding in found:
        line = Text.assemble(f"{finding.what:<12}", signs[finding.state], "  ", finding.words)
        console.print(line, highlight=False)
    console.print()
    console.print(Text(WHAT_TO_SEND), highlight=False)
    return 1 if any(f.state == "trouble" for f in found) else 0


def _show(arguments: argparse.Namespace, console: Console) -> int:
    from understave.lesson import story
    from understave.score.model import beat_text
    from understave.theory.names import key_name
    from understave.wording import phrasebook

    score, reading = _read(arguments.score)
    start, end = _stretch(score, arguments.bars) or (Fraction(0), score.end)
    table = Table("bar", "beat", "key", "chord", "notes", "sure", "or", title=score.title)
    for span in reading.spans:
        if span.end <= start or span.start >= end:
            continue
        chord = span.numeral.chord(span.key)
        table.add_row(
            score.bar_name(score.measure_at(span.start)),
            beat_text(score.beat_at(span.start)),
            key_name(span.key),
            str(span.numeral),
            " ".join(m.name for m in chord.members),
            "yours" if span.fixed else f"{round(100 * span.confidence)} %",
            ", ".join(f"{a.numeral} ({a.key.symbol})" for a in span.alternatives[:2]),
        )
    console.print(table)
    book = phrasebook("en")
    for twin in story.twins(score, reading):
        if twin.span.end > start and twin.span.start < end:
            console.print(story.plain(story.twin_text(score, twin, book)), markup=False, highlight=False)
    return 0


def _excerpt(arguments: argparse.Namespace, console: Console) -> int:
    from understave.disk import write_atomically
    from understave.engraving import Options, excerpt, to_png

    out: Path = arguments.out
    if out.suffix.lower() not in (".svg", ".png"):
        raise UnderstaveError(f"{out.name} must end in .svg or .png; say with --out which picture you want.")
    if not 100 <= arguments.width <= 10_000:
        raise UnderstaveError("The width must lie between 100 and 10000 pixels; choose another --width.")
    score, reading = _read(arguments.score)
    first, last = _bars(score, arguments.bars)
    options = Options(chord_symbols=arguments.chord_symbols)
    plan = None
    if arguments.plan:
        from understave.interpretation.make import make_plan

        plan = make_plan(score, reading)
    picture = excerpt(score, reading, first.index, last.index, options=options, plan=plan)
    write_atomically(out, picture if out.suffix.lower() == ".svg" else to_png(picture, arguments.width))
    console.print(f"{out}", highlight=False)
    return 0


_CHORDS_AS = (".pdf", ".musicxml", ".mid", ".mp3", ".svg", ".png")


def _reduce(arguments: argparse.Namespace, console: Console) -> int:
    from understave.disk import write_atomically
    from understave.harmony.typed import typed_key
    from understave.lesson.reduction import reduced

    out: Path = arguments.out
    if out.suffix.lower() not in _CHORDS_AS:
        raise UnderstaveError(f"{out.name} must end in one of {', '.join(_CHORDS_AS)}; change --out.")
    key = typed_key(arguments.key) if arguments.key else None
    score, reading = _read(arguments.score)
    first, last = (m.index for m in _bars(score, arguments.bars)) if arguments.bars else (None, None)
    chords, labels = reduced(score, reading, key=key, first=first, last=last)
    write_atomically(out, _as_file(chords, labels, out.suffix.lower(), arguments.paper))
    console.print(f"{out}", highlight=False)
    return 0


def _as_file(score: Score, reading: Reading, suffix: str, paper: Paper) -> bytes | str:
    """Return a score as the bytes of a file of one of `_CHORDS_AS`."""
    if suffix == ".musicxml":
        return score.source
    if suffix in (".mid", ".mp3"):
        from understave.acoustics.files import audio_bytes
        from understave.acoustics.piano import GRAND
        from understave.acoustics.sound import render
        from understave.export.played import played_midi
        from understave.interpretation.make import make_plan
        from understave.interpretation.perform import perform

        plan = make_plan(score, reading)
        if suffix == ".mid":
            return played_midi(score, plan, reading)
        return audio_bytes(suffix, render(perform(score, plan), GRAND))
    from understave.engraving import Options, engrave, excerpt, to_pdf, to_png

    options = Options(paper=paper)
    if suffix == ".pdf":
        return to_pdf(engrave(score, reading, options))
    picture = excerpt(score, reading, 0, len(score.measures) - 1, options=options)
    return picture if suffix == ".svg" else to_png(picture, 1600)


def _read(source: Path) -> tuple[Score, Reading]:
    """Read a score file, or the score of a lesson folder with its corrections."""
    from understave.harmony import corrections, read
    from understave.lesson.folder import is_lesson_folder, open_folder, titled
    from understave.score.reader import read_score

    name = source.name
    decided: tuple[Correction, ...] = ()
    if is_lesson_folder(source):
        folder = open_folder(source)
        _tell_unfinished(folder.corrections)
        source, name, decided = folder.score, folder.imported_from, corrections.load(folder.corrections)
    score = titled(read_score(source), name)
    return score, read(score, decided)


def _tell_unfinished(path: Path) -> None:
    from understave.harmony import corrections

    said = corrections.set_aside(path)
    if said:
        print(f"Note: {said}", file=sys.stderr)


def _stretch(score: Score, bars: str | None) -> tuple[Fraction, Fraction] | None:
    """Return where the bars asked for begin and end, or None if none were asked for."""
    if not bars:
        return None
    first, last = _bars(score, bars)
    return first.start, last.end


def _bars(score: Score, text: str) -> tuple[Measure, Measure]:
    """Return the first and the last bar of ``12``, ``9-16`` or, where numbers start again, ``9#2-16``."""
    begin, _, end = text.partition("-")
    first = _bar(score, begin)
    last = _to_barline(score, _bar(score, end, first.start) if end else first)
    if last.end <= first.start:
        raise UnderstaveError(f"Bar {end.strip()} comes before bar {begin.strip()}; exchange them in --bars.")
    return first, last


_TEXT_WIDTH = 96
"""Columns at most of running text in the terminal: longer lines are hard to read."""


def _explain(arguments: argparse.Namespace, console: Console) -> int:
    from understave.wording import in_a_line, phrasebook, tell

    score, reading = _read(arguments.score)
    told = tell(score, reading, arguments.level, arguments.language, _stretch(score, arguments.bars))
    page = Console(highlight=False, markup=False, emoji=False)
    page.width = min(page.width, _TEXT_WIDTH)
    page.print(Text(score.title, style="bold"), Text(score.composer, style="dim"))
    for paragraph in told:
        page.print()
        page.print(Text(paragraph.heading, style="bold cyan"))
        table = Table.grid(padding=(0, 2, 0, 0))
        table.add_column(style="dim", width=max(len(s.place) for p in told for s in p.sentences))
        table.add_column(ratio=1)
        for sentence in paragraph.sentences:
            table.add_row(Text(sentence.place), Text(in_a_line(sentence.text)))
        page.print(table)
        for gloss in paragraph.glosses:
            line = Text.assemble((gloss.term, "italic"), f": {in_a_line(gloss.meaning)}", style="dim")
            page.print(Padding(line, (0, 0, 0, 2)))
    if not told:
        page.print(phrasebook(arguments.language).phrases["nothing"])
    return 0


def _planned(arguments: argparse.Namespace, score: Score, reading: Reading) -> tuple[Plan, Instrument]:
    """Make the plan that the options ask for, and return the instrument with it."""
    from understave.acoustics.piano import INSTRUMENTS
    from understave.interpretation.make import PlanOptions, make_plan
    from understave.interpretation.pedal import STYLES

    style = _chosen(arguments.pedal, STYLES, "pedal")
    instrument = INSTRUMENTS[_chosen(arguments.instrument, tuple(INSTRUMENTS), "instrument")]
    options = PlanOptions(
        style=style,
        blur=_between(arguments.blur, 0, 1, "blur"),
        instrument=instrument,
        rubato=0.0 if arguments.no_rubato else 1.0,
        tempo=_tempo(arguments, score),
    )
    return make_plan(score, reading, options), instrument


def _tempo(arguments: argparse.Namespace, score: Score) -> float | None:
    """Return the tempo asked for in quarter notes a minute; it is given in beats of the first bar played."""
    if arguments.tempo is None:
        return None
    first = _bars(score, arguments.bars)[0] if arguments.bars else score.measures[0]
    return _between(arguments.tempo, 10, 400, "tempo") * float(first.beat_length)


def _chosen(text: str, allowed: Sequence[_Name], option: str) -> _Name:
    """Find a name whose words may be joined by hyphens; raise UnderstaveError if it is not allowed."""
    name = " ".join(text.replace("-", " ").split()).casefold()
    found = next((a for a in allowed if a == name), None)
    if found is None:
        names = [a.replace(" ", "-") for a in allowed]
        raise UnderstaveError(
            f"{text!r} is no choice for --{option}; choose {', '.join(names[:-1])} or {names[-1]}."
        )
    return found


def _between(text: str, low: float, high: float, option: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise UnderstaveError(f"--{option} {text} does not lie between {low} and {high}; give such a number.")
    return value


def _play_plan(arguments: argparse.Namespace, console: Console) -> int:
    from understave.score.model import beat_text
    from understave.wording.phrasebook import phrasebook
    from understave.wording.playing import headings, tell_plan

    score, reading = _read(arguments.score)
    if arguments.compare_pedals:
        return _compare_pedals(arguments, score, reading)
    stretch = _stretch(score, arguments.bars)
    plan, _ = _planned(arguments, score, reading)
    words = phrasebook(arguments.language).phrases
    advice = tell_plan(score, plan, arguments.level, arguments.language, stretch)
    page = Console(highlight=False, markup=False, emoji=False)
    page.width = min(page.width, _TEXT_WIDTH)
    page.print(Text(score.title, style="bold"), Text(score.composer, style="dim"))
    for heading in headings(score, plan, arguments.language, stretch):
        page.print()
        page.print(Text(heading.bar, style="bold cyan"), Text(heading.state, style="dim"))
        table = Table.grid(padding=(0, 2, 0, 0))
        for width in (6, 11):
            table.add_column(style="dim", width=width)
        table.add_column(ratio=1)
        for item in advice:
            if heading.start <= item.moment < heading.end:
                aspect = words[f"play_aspect_{item.aspect}"]
                said = Text(item.what, style="bold")
                if item.why:
                    said = Text.assemble((f"{item.what}. ", "bold"), item.why)
                table.add_row(Text(beat_text(score.beat_at(item.moment))), Text(aspect), said)
        page.print(table)
    page.print()
    page.print(Text(words["caution_practice"], style="dim"))
    return 0


def _compare_pedals(arguments: argparse.Namespace, score: Score, reading: Reading) -> int:
    from understave.interpretation.pedal_blur import compare_pedals
    from understave.wording.pedals import decimal, tell_comparison
    from understave.wording.phrasebook import phrasebook

    whole = (score.measures[0], score.measures[-1])
    first, last = _bars(score, arguments.bars) if arguments.bars else whole
    compared = compare_pedals(
        score,
        reading,
        blur=_between(arguments.blur, 0, 1, "blur"),
        tempo=_tempo(arguments, score),
        first=first.index,
        last=last.index,
    )
    book = phrasebook(arguments.language)
    words = book.phrases
    pianos, top = tell_comparison(
        score, compared, (first.start, last.end), arguments.level, arguments.language
    )
    page = Console(highlight=False, markup=False, emoji=False)
    page.width = min(page.width, _TEXT_WIDTH)
    page.print(Text(score.title, style="bold"), Text(book.bars(first.number, last.number), style="dim"))
    for on in pianos:
        page.print()
        page.print(Text(words["compare_piano"].format(piano=on.piano), style="bold cyan"))
        table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
        table.add_column(words["compare_way"], ratio=1)
        for name in ("mean", "moves"):
            table.add_column(words[f"compare_{name}"], justify="right")
        table.add_column(words["compare_curve"], no_wrap=True)
        for way in on.ways:
            table.add_row(way.names, way.mean, way.moves, Text(way.curve, style="cyan"))
        page.print(table)
        for way in on.ways:
            told = " ".join(way.worst) or words["compare_clear"]
            page.print(Padding(Text.assemble((f"{way.names}: ", "bold"), told), (0, 0, 0, 2)))
    page.print()
    page.print(Text(words["compare_scale"].format(top=decimal(top, arguments.language)), style="dim"))
    return 0


_AUDIO = (".mp3", ".flac", ".opus", ".wav")


def _sound(arguments: argparse.Namespace, console: Console) -> int:
    from understave.disk import write_atomically
    from understave.export.played import played_midi
    from understave.interpretation.perform import perform
    from understave.wording.phrasebook import phrasebook

    out: Path = arguments.out
    suffix = out.suffix.lower()
    if suffix not in (*_AUDIO, ".mid"):
        raise UnderstaveError(
            f"{out.name} must end in {', '.join(_AUDIO)} or .mid; say with --out which sound you want."
        )
    score, reading = _read(arguments.score)
    bars = _bars(score, arguments.bars) if arguments.bars else (score.measures[0], score.measures[-1])
    plan, instrument = _planned(arguments, score, reading)
    begin, end = (bar.index for bar in bars)
    performance = perform(score, plan, first=begin, last=end)
    if suffix == ".mid":
        write_atomically(out, played_midi(score, plan, reading, first=begin, last=end))
    else:
        _write_sound(out, performance, instrument, arguments.soundfont, console)
    first, last = (bar.number for bar in bars)
    where = "" if arguments.soundfont or suffix == ".mid" else f" on the {instrument.name}"
    console.print(
        f"{out}: {'bar ' + first if first == last else f'bars {first}-{last}'}, "
        f"{performance.length:.0f} seconds{where}.",
        highlight=False,
    )
    console.print(phrasebook("en").phrases["caution_loud"], highlight=False)
    return 0


def _clip(arguments: argparse.Namespace, console: Console) -> int:
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    from understave.disk import write_atomically
    from understave.lesson.clips import SHAPES, ClipOptions, clip
    from understave.wording.phrasebook import phrasebook

    out: Path = arguments.out
    if out.suffix.lower() != ".mp4":
        raise UnderstaveError(f"{out.name} must end in .mp4; say with --out where the film goes.")
    shape = _chosen(arguments.shape, SHAPES, "shape")
    score, reading = _read(arguments.score)
    first, last = _bars(score, arguments.bars)
    plan, instrument = _planned(arguments, score, reading)
    options = ClipOptions(shape, instrument, arguments.language)
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal) as progress:
        task = progress.add_task("playing", total=1.0)
        film = clip(
            score,
            reading,
            plan,
            first.index,
            last.index,
            options,
            lambda step, share: progress.update(task, description=step, completed=share),
        )
    write_atomically(out, film)
    console.print(f"{out}: {len(film) / 1e6:.1f} MB.", highlight=False)
    console.print(phrasebook("en").phrases["caution_loud"], highlight=False)
    return 0


def _write_sound(
    out: Path, performance: Performance, instrument: Instrument, soundfont: Path | None, console: Console
) -> None:
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    from understave.acoustics.files import RATE, write_audio
    from understave.acoustics.sound import render
    from understave.acoustics.soundfont import render_soundfont

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal) as progress:
        task = progress.add_task("playing", total=1.0)
        if soundfont is not None:
            sound = render_soundfont(performance, soundfont, RATE)
        else:
            sound = render(performance, instrument, RATE, lambda s: progress.update(task, completed=s))
        progress.reset(task, description="writing", total=1.0)
        write_audio(out, sound, RATE, progress=lambda share: progress.update(task, completed=share))


def _correct(arguments: argparse.Namespace, console: Console) -> int:
    from understave.harmony import corrections
    from understave.lesson.folder import open_folder
    from understave.score.model import beat_text
    from understave.score.reader import read_score
    from understave.theory.names import key_name

    folder = open_folder(arguments.lesson)
    _tell_unfinished(folder.corrections)
    again = f"Run 'understave lesson {folder.path}' to read everything around it again."
    if arguments.take_back is not None:
        corrections.withdraw(folder.corrections, arguments.take_back)
        console.print(f"Correction {arguments.take_back} is taken back. {again}", highlight=False)
        return 0
    if arguments.start is None and arguments.end is None:
        _list_corrections(folder.corrections, console)
        return 0
    if arguments.start is None or arguments.end is None:
        raise UnderstaveError("Say where it holds: give both --from and --to.")
    score = read_score(folder.score)
    decided = _decision(score, arguments)
    for c in decided:
        if c.numeral is not None and c.key is not None:
            notes = " ".join(dict.fromkeys(m.name for m in c.numeral.chord(c.key).members))
            where = f"bar {c.measure}, beat {beat_text(c.beat)}"
            console.print(
                f"{where}: {c.numeral} in {key_name(c.key)}, {notes}", highlight=False, markup=False
            )
    entries = corrections.append_step(folder.corrections, decided)
    names = " and ".join(str(e.id) for e in entries)
    console.print(f"Kept as correction{'s' if len(entries) > 1 else ''} {names}. {again}", highlight=False)
    return 0


def _list_corrections(path: Path, console: Console) -> None:
    from understave.harmony import corrections
    from understave.theory.names import key_name

    entries = corrections.read_entries(path)
    standing = corrections.standing_ids(entries)
    table = Table("number", "from", "to", "key", "chord", "note")
    for entry in entries:
        c = entry.correction
        if c is not None and entry.id in standing:
            table.add_row(
                str(entry.id),
                f"{c.measure}:{c.beat}",
                f"{c.end_measure}:{c.end_beat}",
                key_name(c.key) if c.key else "",
                str(c.numeral) if c.numeral else "",
                c.note,
            )
    console.print(table if table.row_count else "No corrections yet.")


def _decision(score: Score, arguments: argparse.Namespace) -> tuple[Correction, ...]:
    from understave.harmony.change_points import change_points
    from understave.harmony.reading import Correction
    from understave.harmony.typed import typed_key

    if not arguments.chord and not arguments.key:
        raise UnderstaveError("Say what is right: give --chord, --key or both.")
    key = typed_key(arguments.key, arguments.entry) if arguments.key else None
    start = _place(score, arguments.start)
    since = score.time_of(*start)
    end = _place(score, arguments.end, since)
    until = score.time_of(*end)
    if until <= since:
        raise UnderstaveError(
            f"{arguments.end} does not come after {arguments.start}; exchange --from and --to."
        )
    if not arguments.chord:
        return (Correction(*start, *end, key, None, arguments.note),)
    numerals = _chords_said(arguments, key)
    moments: tuple[Fraction, ...] = ()
    if key is not None:
        moments = change_points(score, since, until, [n.chord(key) for n in numerals])
    limits = (start, *(score.anchor(t) for t in moments), end)
    return tuple(
        Correction(*a, *b, key, numeral, arguments.note)
        for (a, b), numeral in zip(pairwise(limits), numerals, strict=True)
    )


def _chords_said(arguments: argparse.Namespace, key: Key | None) -> tuple[RomanNumeral, ...]:
    """Return the numerals of --chord; all but one plain numeral need a key to be named in."""
    from understave.harmony.typed import typed_chords
    from understave.theory.roman import RomanNumeral

    if key is not None:
        return typed_chords(arguments.chord, key, arguments.entry).numerals
    try:
        return (RomanNumeral.parse(arguments.chord),)
    except ValueError as error:
        sentence = str(error).rstrip(".")
        raise UnderstaveError(
            f"{sentence}; for a chord symbol, a function or figures that move give --key too."
        ) from None


def _bar(score: Score, name: str, since: Fraction | None = None) -> Measure:
    """Return the bar of a name; of several the first that ends after `since`, the begin of a stretch.

    Raises UnderstaveError where there is none, or where several have that number and nothing says which.
    """
    bars = score.bars_called(name)
    if not bars:
        raise UnderstaveError(
            f"There is no bar {name.strip()}; this score has bars {score.bar_name(score.measures[0])} "
            f"to {score.bar_name(score.measures[-1])}."
        )
    if len(bars) == 1:
        return bars[0]
    if since is not None:
        return next((m for m in bars if m.end > since), bars[0])
    names = [score.bar_name(m) for m in bars]
    if len(names) == 2:
        raise UnderstaveError(
            f"This score has two bars numbered {bars[0].number}; write {names[0]} for the first or "
            f"{names[1]} for the second."
        )
    raise UnderstaveError(
        f"This score has {len(names)} bars numbered {bars[0].number}; write {names[0]} for the first, "
        f"{names[1]} for the second, and so on to {names[-1]}."
    )


def _to_barline(score: Score, measure: Measure) -> Measure:
    """Return the last measure of a bar that is split, by a repeat say; else the measure itself."""
    name = score.bar_name(measure)
    return next(
        m for m in reversed(score.measures) if m.number == measure.number and score.bar_name(m) == name
    )


def _place(score: Score, text: str, since: Fraction | None = None) -> tuple[str, Fraction]:
    """Return the bar's name and the beat of ``12`` or ``12:2.5``; see `_bar` for `since`."""
    from understave.score.model import read_exact

    name, _, beat = text.partition(":")
    try:
        value = read_exact(beat or "1")
    except ValueError as error:
        raise UnderstaveError(
            f"{beat[:40]!r} is not a beat; write for example {name}:2 or {name}:2.5."
        ) from error
    names = [score.bar_name(m) for m in score.bars_called(name)]
    later = [n for n in names if since is not None and score.time_of(n, value) > since]
    found = later[0] if later else score.bar_name(_bar(score, name, since))
    measure = _to_barline(score, score.bars_called(found)[0])
    last = 1 + (measure.offset + measure.length) / measure.beat_length
    if not 1 <= value <= last:
        raise UnderstaveError(f"Bar {found} has no beat {beat}; it ends at beat {last}.")
    return found, value


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; return 0, or 2 after one sentence on standard error when the input is at fault, and 70
    (EX_SOFTWARE in sysexits.h) when we are: then the log has the details.
    """
    # Titles, notes and folder names may hold square brackets and colons; they mean nothing to us.
    console = Console(stderr=False, soft_wrap=True, markup=False, emoji=False)
    try:
        parsed = _parser().parse_args(arguments)
        run: Callable[[argparse.Namespace, Console], int] = parsed.run
        return run(parsed, console)
    except UnderstaveError as error:
        print(f"understave: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("understave: stopped; nothing was changed half way.", file=sys.stderr)
        return 130
    except Exception as error:
        given = list(sys.argv[1:] if arguments is None else arguments)
        log = keep_fault(error, f"understave {shlex.join(given)}")
        print(f"understave: {fault_sentence(error, log)}", file=sys.stderr)
        return 70


if __name__ == "__main__":
    sys.exit(main())
