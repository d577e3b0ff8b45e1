"""The commands ``play-plan``, ``sound`` and ``clip``: how to play, as words, sound and film."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from understave.cli.arguments import (
    TEXT_WIDTH,
    WHICH_BARS,
    add_language,
    add_playing,
    add_score,
    add_words,
    between,
    chosen,
)
from understave.cli.outputs import (
    STANDARD,
    Teller,
    add_json,
    add_out,
    deliver,
    kind_asked,
    teller,
)
from understave.cli.sources import bars_named, read_source, stretch_named
from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from understave.acoustics.performance import Performance
    from understave.acoustics.piano import Instrument
    from understave.acoustics.tags import Tags
    from understave.harmony.reading import Reading
    from understave.interpretation.plan import Plan
    from understave.media.teacher_voice import Said
    from understave.score.model import Score


_AUDIO = (".mp3", ".flac", ".opus", ".wav")


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``play-plan``, ``sound`` and ``clip`` to the commands."""
    play = commands.add_parser("play-plan", help="tell how to play a score, bar by bar, and why")
    add_score(play)
    play.add_argument("--bars", help=WHICH_BARS)
    add_playing(play)
    play.add_argument(
        "--compare-pedals",
        action="store_true",
        help="compare every way to pedal on every piano: how blurred, when, and what clashes",
    )
    add_words(play)
    add_json(play, "plan")
    play.set_defaults(run=_play_plan)

    sound = commands.add_parser("sound", help="let some bars sound: MP3, FLAC, Opus, WAV or MIDI")
    add_score(sound)
    sound.add_argument(
        "--bars",
        help=f"{WHICH_BARS} (default: all)",
    )
    add_playing(sound)
    add_out(sound, "the sound, ending in .mp3, .flac, .opus, .wav or .mid", (*_AUDIO, ".mid"))
    sound.add_argument(
        "--soundfont", type=Path, metavar="FILE", help="play on a SoundFont (.sf2) of your own"
    )
    add_language(sound)
    sound.set_defaults(run=_sound)

    clip = commands.add_parser("clip", help="make a film of some bars: notes lighting up, harmony, sound")
    add_score(clip)
    clip.add_argument(
        "--bars",
        required=True,
        help=WHICH_BARS,
    )
    clip.add_argument(
        "--shape",
        default="wide",
        metavar="SHAPE",
        help="wide (1920 by 1080, default), or tall (1080 by 1920) for a telephone held upright",
    )
    add_language(clip)
    add_playing(clip)
    clip.add_argument(
        "--take", metavar="TAKE", help="follow your own playing: a take that the lesson keeps, or a recording"
    )
    clip.add_argument(
        "--no-voice", action="store_true", help="leave out what you recorded for the stops of a lesson"
    )
    clip.add_argument(
        "--own-picture",
        action="store_true",
        help="with --take of a film: show its picture too, beside the score (wide) or above it (tall)",
    )
    add_out(clip, "the film, ending in .mp4", (".mp4",))
    clip.set_defaults(run=_clip)


def _refuse_wrong_options(arguments: argparse.Namespace, *, heard: bool = False) -> None:
    """Raise UnderstaveError for an option about playing that has no such value, before anything is read; and
    for samples that are not there, where it is to be `heard`.
    """
    from understave.acoustics.piano import instruments
    from understave.interpretation.pedal import STYLES

    chosen(arguments.pedal, STYLES, "pedal")
    instrument = instruments()[chosen(arguments.instrument, tuple(instruments()), "instrument")]
    if heard:
        from understave.acoustics.soundfont import check_samples

        check_samples(instrument)
    between(arguments.blur, 0, 1, "blur")
    if arguments.tempo is not None:
        between(arguments.tempo, *_TEMPO, "tempo")


_TEMPO = (10, 400)
"""Beats a minute, from the slowest to the fastest."""


def _planned(arguments: argparse.Namespace, score: Score, reading: Reading) -> tuple[Plan, Instrument]:
    """Make the plan that the options ask for, and return the instrument with it."""
    from understave.acoustics.piano import instruments
    from understave.interpretation.pedal import STYLES
    from understave.interpretation.planning import PlanOptions, make_plan

    style = chosen(arguments.pedal, STYLES, "pedal")
    instrument = instruments()[chosen(arguments.instrument, tuple(instruments()), "instrument")]
    options = PlanOptions(
        style=style,
        blur=between(arguments.blur, 0, 1, "blur"),
        instrument=instrument,
        rubato=0.0 if arguments.no_rubato else 1.0,
        tempo=_tempo(arguments, score),
    )
    return make_plan(score, reading, options), instrument


def _tempo(arguments: argparse.Namespace, score: Score) -> float | None:
    """Return the tempo asked for in quarter notes a minute; it is given in beats of the first bar played."""
    if arguments.tempo is None:
        return None
    first = bars_named(score, arguments.bars)[0] if arguments.bars else score.measures[0]
    return between(arguments.tempo, *_TEMPO, "tempo") * float(first.beat_length)


def _play_plan(arguments: argparse.Namespace, console: Console) -> int:
    from understave.score.model import beat_text
    from understave.wording.phrasebook import phrasebook
    from understave.wording.playing import headings, tell_plan

    if arguments.json and arguments.compare_pedals:
        raise UnderstaveError("--json writes one plan; leave --compare-pedals out, or --json.")
    _refuse_wrong_options(arguments)
    score, reading = read_source(arguments.score, arguments.bars)
    if arguments.compare_pedals:
        return _compare_pedals(arguments, score, reading)
    stretch = stretch_named(score, arguments.bars)
    plan, _ = _planned(arguments, score, reading)
    if arguments.json:
        from understave.export.plan_data import plan_json

        deliver(STANDARD, plan_json(score, plan, stretch))
        return 0
    words = phrasebook(arguments.language).phrases
    advice = tell_plan(score, plan, arguments.level, arguments.language, stretch)
    page = Teller(highlight=False, markup=False, emoji=False)
    page.width = min(page.width, TEXT_WIDTH)
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
    first, last = bars_named(score, arguments.bars) if arguments.bars else whole
    compared = compare_pedals(
        score,
        reading,
        blur=between(arguments.blur, 0, 1, "blur"),
        tempo=_tempo(arguments, score),
        first=first.index,
        last=last.index,
    )
    book = phrasebook(arguments.language)
    words = book.phrases
    pianos, top = tell_comparison(
        score, compared, (first.start, last.end), arguments.level, arguments.language
    )
    page = Teller(highlight=False, markup=False, emoji=False)
    page.width = min(page.width, TEXT_WIDTH)
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


def _sound(arguments: argparse.Namespace, console: Console) -> int:
    from understave.acoustics.tags import tags_of
    from understave.export.played import played_midi
    from understave.interpretation.perform import perform
    from understave.wording.phrasebook import phrasebook

    out: Path = arguments.out
    suffix = kind_asked(arguments, (*_AUDIO, ".mid"), "which sound")
    _refuse_wrong_options(arguments, heard=suffix != ".mid" and arguments.soundfont is None)
    if arguments.soundfont is not None:
        from understave.acoustics.soundfont import check_soundfont

        check_soundfont(arguments.soundfont)
    console = teller(out, console)
    score, reading = read_source(arguments.score, arguments.bars)
    bars = bars_named(score, arguments.bars) if arguments.bars else (score.measures[0], score.measures[-1])
    plan, instrument = _planned(arguments, score, reading)
    begin, end = (bar.index for bar in bars)
    performance = perform(score, plan, first=begin, last=end)
    first, last = (bar.number for bar in bars)
    book = phrasebook(arguments.language)
    if suffix == ".mid":
        deliver(out, played_midi(score, plan, reading, first=begin, last=end))
    else:
        tags = tags_of(score, *([book.bars(first, last)] if arguments.bars else []))
        deliver(out, _sound_bytes(suffix, performance, instrument, arguments.soundfont, tags, console))
    ours = not (arguments.soundfont or suffix == ".mid")
    name = "Standard output" if out == STANDARD else out
    where = f", {book.pianos.get(instrument.name, instrument.name)}" if ours else ""
    console.print(f"{name}: {book.bars(first, last)}, {performance.length:.0f} s{where}.", highlight=False)
    console.print(phrasebook(arguments.language).phrases["caution_loud"], highlight=False)
    return 0


def _clip(arguments: argparse.Namespace, console: Console) -> int:
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    from understave.media.clips import SHAPES, ClipOptions, clip
    from understave.media.film import check_film
    from understave.wording.phrasebook import phrasebook

    out: Path = arguments.out
    kind_asked(arguments, (".mp4",), "which film")
    shape = chosen(arguments.shape, SHAPES, "shape")
    _refuse_wrong_options(arguments, heard=True)
    if arguments.own_picture and arguments.take is None:
        raise UnderstaveError("--own-picture needs the film that it is in; name it with --take.")
    check_film()
    console = teller(out, console)
    score, reading = read_source(arguments.score, arguments.bars)
    first, last = bars_named(score, arguments.bars)
    plan, instrument = _planned(arguments, score, reading)
    own = None
    if arguments.take is not None:
        from understave.cli.own_playing import take_named
        from understave.takes.views import excerpt_of

        take = take_named(arguments.score, score, arguments.take)
        own = excerpt_of(score, take, first.index, last.index)
    said: tuple[Said, ...] = ()
    if arguments.score.is_dir() and not arguments.no_voice:
        from understave.lesson.voices import said_within

        said = said_within(arguments.score, score, first.index, last.index)
    options = ClipOptions(shape, instrument, arguments.language, own, said, arguments.own_picture)
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
    deliver(out, film)
    name = "Standard output" if out == STANDARD else out
    console.print(f"{name}: {len(film) / 1e6:.1f} MB.", highlight=False)
    console.print(phrasebook(arguments.language).phrases["caution_loud"], highlight=False)
    return 0


def _sound_bytes(
    suffix: str,
    performance: Performance,
    instrument: Instrument,
    soundfont: Path | None,
    tags: Tags,
    console: Console,
) -> bytes:
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    from understave.acoustics.files import RATE, audio_bytes
    from understave.acoustics.sound import render
    from understave.acoustics.soundfont import render_soundfont

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal) as progress:
        task = progress.add_task("playing", total=1.0)
        if soundfont is not None:
            sound = render_soundfont(performance, soundfont, RATE, instrument)
        else:
            sound = render(performance, instrument, RATE, lambda s: progress.update(task, completed=s))
        progress.reset(task, description="writing", total=1.0)
        return audio_bytes(
            suffix, sound, RATE, tags=tags, progress=lambda share: progress.update(task, completed=share)
        )
