"""The commands ``show``, ``explain``, ``excerpt`` and ``reduce``: a reading in the terminal or as a file."""

from __future__ import annotations

import argparse
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from understave.cli.arguments import TEXT_WIDTH, WHICH_BARS, add_language, add_score, add_words, paper_named
from understave.cli.outputs import (
    STANDARD,
    Teller,
    add_json,
    add_out,
    deliver,
    kind_asked,
    say_where,
)
from understave.cli.sources import bars_named, read_source, stretch_named
from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from understave.engraving.options import Paper
    from understave.harmony.reading import Alternative, Reading
    from understave.score.model import Score
    from understave.theory.pitch import PitchClass


_PICTURES = (".svg", ".png", ".ly")
_CHORDS_AS = (".pdf", ".musicxml", ".mid", ".mp3", ".svg", ".png")


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``show``, ``explain``, ``excerpt`` and ``reduce`` to the commands."""
    show = commands.add_parser("show", help="print the reading of a score, chord by chord")
    add_score(show)
    show.add_argument("--bars", help=WHICH_BARS)
    add_language(show)
    add_json(show, "reading")
    show.set_defaults(run=_show)

    explain = commands.add_parser("explain", help="tell a score's story in a minute, in five, or as a whole")
    add_score(explain)
    explain.add_argument("--bars", help=f"{WHICH_BARS}; everything found there is listed")
    length = explain.add_mutually_exclusive_group()
    length.add_argument("--minute", action="store_const", dest="length", const="minute", help="in 150 words")
    length.add_argument("--five", action="store_const", dest="length", const="five", help="in five minutes")
    length.add_argument("--all", action="store_true", help="list everything, passage by passage")
    add_words(explain)
    add_json(explain, "story")
    explain.set_defaults(run=_explain)

    excerpt = commands.add_parser(
        "excerpt", help="engrave some bars as a picture, SVG or PNG, or write them for LilyPond"
    )
    add_score(excerpt)
    excerpt.add_argument(
        "--bars",
        required=True,
        help=WHICH_BARS,
    )
    add_out(excerpt, "the picture, ending in .svg or .png, or .ly", _PICTURES)
    excerpt.add_argument("--width", type=int, default=1600, help="width of a PNG in pixels")
    excerpt.add_argument(
        "--chord-symbols", action="store_true", help="set chord symbols above the staves too"
    )
    add_language(excerpt)
    excerpt.add_argument(
        "--plan", action="store_true", help="draw the plan's lanes below: tension, dynamics, pedal"
    )
    excerpt.set_defaults(run=_excerpt)

    chords = commands.add_parser("reduce", help="write a piece, or some bars, as block chords in any key")
    add_score(chords)
    chords.add_argument("--key", help="key of the first chord, such as g or Bb (small letters for minor)")
    chords.add_argument("--bars", help=WHICH_BARS)
    add_out(chords, "what to write: .pdf, .musicxml, .mid, .mp3, .svg or .png", _CHORDS_AS)
    add_language(chords)
    chords.add_argument(
        "--paper", type=paper_named, default="a4", help="paper of a PDF: A4 (default) or Letter"
    )
    chords.set_defaults(run=_reduce)


def _show(arguments: argparse.Namespace, console: Console) -> int:
    from understave.findings.over_held import layer
    from understave.findings.without_keys import tells_of_keys
    from understave.score.model import beat_text
    from understave.teaching import story
    from understave.theory.chord_symbol import chord_symbol
    from understave.theory.conventions import key_label, numeral_text, symbol_text
    from understave.wording import phrasebook
    from understave.wording.chord_reasons import over_words

    score, reading = read_source(arguments.score, arguments.bars)
    if arguments.json:
        from understave.export.reading_data import reading_json

        deliver(STANDARD, reading_json(score, reading, stretch_named(score, arguments.bars)))
        return 0
    start, end = stretch_named(score, arguments.bars) or (Fraction(0), score.end)
    keyed = tells_of_keys(reading)
    book = phrasebook(arguments.language)
    heads = ("bar", "beat", "key", "chord", "notes", "sure", "or")
    table = Table(*(book.columns[head] for head in heads), title=score.title)
    above = layer(reading.events)
    for span in reading.spans:
        if span.end <= start or span.start >= end:
            continue
        chord = span.numeral.chord(span.key)
        mode = span.key.mode
        name = numeral_text(span.numeral, mode) if keyed or span.fixed else symbol_text(chord_symbol(chord))
        over = [over_words(a, book) for a in above if keyed and a.start < span.end and a.end > span.start]
        table.add_row(
            score.bar_name(score.measure_at(span.start)),
            beat_text(score.beat_at(span.start)),
            key_label(span.key, book.language) if keyed or span.fixed else "",
            "; ".join((name, *dict.fromkeys(over))),
            " ".join(_note_names(chord.members, book.language)),
            book.columns["yours"] if span.fixed else f"{round(100 * span.confidence)} %",
            ", ".join(_other(a) for a in span.alternatives[:2]) if keyed else "",
        )
    console.print(table)
    if not keyed:
        console.print(book.phrases["hardly_keys"], highlight=False)
    for twin in story.twins(score, reading):
        if twin.span.end > start and twin.span.start < end:
            console.print(story.plain(story.twin_text(score, twin, book)), markup=False, highlight=False)
    return 0


def _other(other: Alternative) -> str:
    from understave.theory.conventions import key_letter, numeral_text

    key = (key_letter(other.key) or other.key.symbol).replace("♭", "b").replace("♯", "#")
    return f"{numeral_text(other.numeral, other.key.mode)} ({key})"


def _note_names(members: Sequence[PitchClass], language: str) -> list[str]:
    """Return short names of notes; spelled out where a language has no signs of its own for them."""
    from understave.theory.convention_choices import current
    from understave.theory.conventions import note_label
    from understave.theory.names import pitch_class_name

    if current().letters == "syllables" and language in ("en", "de"):
        return [note_label(tone) for tone in members]
    if language == "en" and current().letters == "german":
        language = "de"
    if language == "en":
        return [tone.name for tone in members]
    return [pitch_class_name(tone, language).replace(" ", "\u00a0") for tone in members]


def _excerpt(arguments: argparse.Namespace, console: Console) -> int:
    from understave.engraving import Options, excerpt, to_png
    from understave.interpretation.written_about import writing_about

    kind = kind_asked(arguments, _PICTURES, "which picture")
    if not 100 <= arguments.width <= 10_000:
        raise UnderstaveError("The width must lie between 100 and 10000 pixels; choose another --width.")
    if kind == ".ly" and (arguments.plan or arguments.chord_symbols):
        raise UnderstaveError(
            "What is written for LilyPond has neither the plan nor chord symbols; leave --plan and "
            "--chord-symbols out, or choose .svg or .png."
        )
    score, reading = read_source(arguments.score, arguments.bars)
    first, last = bars_named(score, arguments.bars)
    if kind == ".ly":
        from understave.export.lilypond import lilypond

        with writing_about(reading):
            deliver(arguments.out, lilypond(score, reading, first.index, last.index))
        say_where(arguments.out, console)
        return 0
    options = Options(chord_symbols=arguments.chord_symbols, language=arguments.language)
    plan = None
    if arguments.plan:
        from understave.interpretation.planning import make_plan

        plan = make_plan(score, reading)
    with writing_about(reading):
        picture = excerpt(score, reading, first.index, last.index, options=options, plan=plan)
    deliver(arguments.out, picture if kind == ".svg" else to_png(picture, arguments.width))
    say_where(arguments.out, console)
    return 0


def _reduce(arguments: argparse.Namespace, console: Console) -> int:
    from understave.harmony.typed import typed_key
    from understave.teaching.reduction import reduced

    kind = kind_asked(arguments, _CHORDS_AS, "what to write")
    key = typed_key(arguments.key) if arguments.key else None
    score, reading = read_source(arguments.score, arguments.bars)
    first, last = (
        (measure.index for measure in bars_named(score, arguments.bars)) if arguments.bars else (None, None)
    )
    chords, labels = reduced(score, reading, key=key, first=first, last=last)
    deliver(arguments.out, _as_file(chords, labels, kind, arguments.paper, arguments.language))
    say_where(arguments.out, console)
    return 0


def _as_file(score: Score, reading: Reading, suffix: str, paper: Paper, language: str) -> bytes | str:
    """Return a score as the bytes of a file of one of `_CHORDS_AS`."""
    if suffix == ".musicxml":
        return score.source
    if suffix in (".mid", ".mp3"):
        from understave.acoustics.files import audio_bytes
        from understave.acoustics.piano import GRAND
        from understave.acoustics.sound import render
        from understave.acoustics.tags import tags_of
        from understave.export.played import played_midi
        from understave.interpretation.perform import perform
        from understave.interpretation.planning import make_plan

        plan = make_plan(score, reading)
        if suffix == ".mid":
            return played_midi(score, plan, reading)
        return audio_bytes(suffix, render(perform(score, plan), GRAND), tags=tags_of(score))
    from understave.engraving import Options, engrave, excerpt, to_pdf, to_png
    from understave.engraving.standards import date_of

    options = Options(paper=paper, language=language)
    if suffix == ".pdf":
        return to_pdf(engrave(score, reading, options), language, date_of(score))
    picture = excerpt(score, reading, 0, len(score.measures) - 1, options=options)
    return picture if suffix == ".svg" else to_png(picture, 1600)


def _explain(arguments: argparse.Namespace, console: Console) -> int:
    score, reading = read_source(arguments.score, arguments.bars)
    if arguments.bars and arguments.length:
        raise UnderstaveError(
            f"The story in {_LENGTHS[arguments.length]} is that of a whole piece; leave out --bars, or "
            f"--{arguments.length} to have all that is found in these bars."
        )
    from understave.interpretation.written_about import writing_about

    with writing_about(reading):
        return _told(score, reading, arguments)


def _told(score: Score, reading: Reading, arguments: argparse.Namespace) -> int:
    stretch = stretch_named(score, arguments.bars)
    if arguments.json:
        from understave.export.story_data import story_json
        from understave.wording import tell

        told = tell(score, reading, arguments.level, arguments.language, stretch)
        deliver(STANDARD, story_json(score, told, arguments.level, arguments.language))
        return 0
    page = Teller(highlight=False, markup=False, emoji=False)
    page.width = min(page.width, TEXT_WIDTH)
    page.print(Text(score.title, style="bold"), Text(score.composer, style="dim"))
    if arguments.all or stretch:
        _print_log(page, score, reading, arguments, stretch)
    else:
        _print_story(page, score, reading, arguments)
    return 0


_LENGTHS = {"minute": "a minute", "five": "five minutes"}


def _print_story(page: Console, score: Score, reading: Reading, arguments: argparse.Namespace) -> None:
    """Print the story as paragraphs, the bars in the margin."""
    from understave.teaching.narrative import narrate
    from understave.wording import in_a_line, phrasebook

    chapters = narrate(score, reading, arguments.length or "whole", arguments.level, arguments.language)
    width = max((len(chapter.bars) for chapter in chapters), default=0)
    for chapter in chapters:
        table = Table.grid(padding=(0, 2, 0, 0))
        table.add_column(style="dim", width=width)
        table.add_column(ratio=1)
        table.add_row(Text(chapter.bars), Text(in_a_line(chapter.text)))
        page.print()
        page.print(table)
    if not chapters:
        page.print(phrasebook(arguments.language).phrases["nothing"])


def _print_log(
    page: Console,
    score: Score,
    reading: Reading,
    arguments: argparse.Namespace,
    stretch: tuple[Fraction, Fraction] | None,
) -> None:
    """Print everything that is told, passage by passage, each sentence with its place."""
    from understave.wording import in_a_line, phrasebook, tell

    told = tell(score, reading, arguments.level, arguments.language, stretch)
    for paragraph in told:
        page.print()
        page.print(Text(paragraph.heading, style="bold cyan"))
        table = Table.grid(padding=(0, 2, 0, 0))
        table.add_column(
            style="dim",
            width=max(len(sentence.place) for paragraph in told for sentence in paragraph.sentences),
        )
        table.add_column(ratio=1)
        for sentence in paragraph.sentences:
            table.add_row(Text(sentence.place), Text(in_a_line(sentence.text)))
        page.print(table)
        for gloss in paragraph.glosses:
            line = Text.assemble((gloss.term, "italic"), f": {in_a_line(gloss.meaning)}", style="dim")
            page.print(Padding(line, (0, 0, 0, 2)))
    if not told:
        page.print(phrasebook(arguments.language).phrases["nothing"])
