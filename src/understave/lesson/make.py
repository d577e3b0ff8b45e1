"""From a score file to a lesson folder, part by part.

In: a score file (or a lesson folder made before) and where to put the lesson. Out: the folder, with its files
in ``exports/``. Every part of it is made from named inputs (`Inputs`) and made again only where one of them
has changed; corrections and the teacher's edits (``lesson.toml``) are read, never written. Everything is
computed before the first file is written, so that bad input leaves nothing behind.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from functools import partial
from pathlib import Path
from typing import Any

from understave.acoustics.piano import GRAND, Instrument, instruments
from understave.acoustics.soundfont import check_samples
from understave.digests import digest
from understave.engraving import Options, engrave, to_pdf
from understave.engraving.standards import date_of
from understave.errors import LessonError, TakeError
from understave.export.annotated import annotated_musicxml
from understave.export.annotated_mei import annotated_mei
from understave.export.parquet import events_parquet, spans_parquet
from understave.export.plan_data import plan_json
from understave.export.plan_marks import with_plan
from understave.export.played import played_midi
from understave.export.reading_data import reading_csv, reading_json
from understave.findings import read, with_events
from understave.findings.without_keys import tells_of_keys
from understave.harmony import corrections
from understave.harmony.adopted import read_as
from understave.harmony.ground import goes_by_keys
from understave.harmony.key_length import trust_for
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.reading import Correction, Event, Reading
from understave.harmony.romantext import write_romantext
from understave.interpretation.perform import clock
from understave.interpretation.plan import Plan
from understave.interpretation.planning import PlanOptions, make_plan
from understave.interpretation.written_about import writing_about
from understave.lesson import edits, memory
from understave.lesson.build import Files, Helpers, Part, build, program_digest, remembered, untouched
from understave.lesson.chosen_conventions import conventions_of, file_of, paper_for_all
from understave.lesson.folder import (
    CORRECTIONS,
    EXPORTS,
    SETTINGS,
    LessonFolder,
    check_place,
    create_folder,
    habits_of,
    is_lesson_folder,
    keys_last,
    open_folder,
    set_habits,
    titled,
)
from understave.lesson.page_corrections import FILE as PAGES
from understave.lesson.page_corrections import score_for
from understave.lesson.voices import recordings, voices
from understave.media import webpage
from understave.media.cards import card_pictures, flash_cards
from understave.media.cards_csv import cards_csv
from understave.media.homework_data import HOMEWORK, homework_json
from understave.media.page import Contrast as PageContrast
from understave.media.page import Layout, PageTake, Playing, Side, Sound, TakesOverTime, lesson_page
from understave.media.passages import Parallel, parallels, parallels_pdf
from understave.media.qti import qti_package
from understave.media.sketches import AT_MOST as SKETCHES
from understave.media.sketches import sketch_files
from understave.media.stops_data import lesson_json
from understave.media.student_papers import (
    PAPERS,
    Look,
    Paper,
    answers_pdf,
    asked_exercises,
    drawn,
    engraved_on,
    questions,
    student_pdf,
)
from understave.media.teacher_paper import TaughtStops, teacher_pdf
from understave.media.teacher_voice import spoken_seconds
from understave.media.worksheet import exercise_sounds, sound_name
from understave.score.model import Score, beat_text
from understave.score.reader import is_printed
from understave.score.write import with_source
from understave.takes import Take, tie
from understave.takes.half_pedal import own_file, own_half
from understave.takes.kept import FOLDER as TAKES
from understave.takes.kept import keep_take, kept_takes, take_files
from understave.takes.over_time import table, tell_over_time
from understave.takes.picture import OWN, draw_take
from understave.takes.recorded import bytes_of, recording_of
from understave.takes.slips import sign_words, signed
from understave.takes.told import Beside, tell_take
from understave.takes.views import clock_over, excerpt_of, run_over
from understave.teaching import cues
from understave.teaching.checking import Fault, check_contrasts, check_exercises, check_stops, check_story
from understave.teaching.contrasts import OF_SOUND, Contrast
from understave.teaching.exercises import HEARD, Exercise, exercises
from understave.teaching.homework import homework
from understave.teaching.reduction import reduced
from understave.teaching.sound_contrasts import all_contrasts
from understave.teaching.speech import RATE, check_rate
from understave.teaching.stops import (
    Stop,
    Timing,
    choose,
    compared,
    contrast_name,
    contrast_seconds,
    frame_seconds,
    in_talk,
    possible_stops,
)
from understave.teaching.story import glossary
from understave.teaching.worked_examples import Worked, examples_for
from understave.theory.convention_choices import (
    Conventions,
    by_roots,
    current,
    departing,
    following,
    in_force,
)
from understave.theory.key import Mode
from understave.theory.vocabulary import Language
from understave.wording import LEVELS, SPOKEN, Level, phrasebook

TAKES_PICTURE, TAKES_TOLD = "pictures/takes.svg", "pictures/takes.json"
CONTRASTS = 8
"""Contrasts of notes on the page at most; those of pedal and piano come besides."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """A lesson as made: where it lies, what it was made from, the files (in exports/), and what is new.

    `made` are the parts made this time and why, `kept` those that could stay; `changes` says in sentences
    what is different from last time and what wants a look; `faults` are texts that the reading denies.
    """

    folder: LessonFolder
    score: Score
    reading: Reading
    files: tuple[Path, ...]
    plan: Plan
    stops: tuple[Stop, ...] = ()
    made: tuple[tuple[str, str], ...] = ()
    kept: tuple[str, ...] = ()
    changes: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True)
class LessonOptions:
    """What the teacher chose; None is what they chose last time, or else what stands in `DEFAULTS`.

    `chord_symbols` sets them above the staves; `replace_score` puts a newer version of the score into
    a lesson made before; `level` is that of the words, `language` that of all words; `minutes` is how long
    the lesson may be, `rate` how many words a minute the teacher speaks; `analysis` is one written by hand
    (RomanText): where the reading differs from it, it becomes corrections, beside those made before;
    `instrument` is the name of what everything sounds on, and the plan is for it; `habits` are the
    teacher's, that a new lesson is read with (one made before has its own in its settings);
    `elsewhere` tells other pieces, (title, composer), in which the same happens, for advanced students;
    `takes` are recordings of the teacher's playing (see `takes`) to be kept in the lesson.
    """

    paper: Paper | None = None
    chord_symbols: bool = False
    replace_score: bool = False
    level: Level | None = None
    language: Language | None = None
    minutes: float | None = None
    rate: float | None = None
    instrument: str | None = None
    sound: bool = True
    analysis: Path | None = None
    habits: Habits = NO_HABITS
    elsewhere: Callable[[Event, str], Sequence[tuple[str, str]]] | None = None
    takes: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """The choices of a lesson, all of them made."""

    paper: Paper = "a4"
    level: Level = "intermediate"
    language: Language = "en"
    minutes: float = 15.0
    rate: float = RATE
    instrument: str = GRAND.name

    @property
    def piano(self) -> Instrument:
        """The instrument of that name."""
        return instruments()[self.instrument]


DEFAULTS = Asked()
_ALLOWED: Mapping[str, Sequence[str]] = {"paper": PAPERS, "level": LEVELS, "language": SPOKEN}


@dataclass(frozen=True)
class Work:
    """What all parts are made from."""

    score: Score
    reading: Reading
    plan: Plan
    stops: tuple[Stop, ...]
    heard: tuple[Contrast, ...]
    timing: Timing
    asked: Asked
    name: str
    chord_symbols: bool = False
    sound: bool = True
    voices: tuple[tuple[str, bytes], ...] = ()
    own: tuple[tuple[str, Take], ...] = ()
    """For each stop that the teacher plays, its id and the take that holds its bars."""
    takes: tuple[Take, ...] = ()
    """All that fit the score, the latest first."""
    own_written: tuple[tuple[str, Take], ...] = ()
    """For each contrast of notes whose bars the teacher plays as written, its name and that take."""
    printed: bool = False
    """Whether the score was read from printed pages."""


def make_lesson(
    source: Path,
    out: Path,
    options: LessonOptions = LessonOptions(),
    on_step: Callable[[str], None] = lambda _: None,
    on_progress: Callable[[float], None] = lambda _: None,
    processes: int = 1,
) -> Lesson:
    """Make or renew the lesson on `source` in `out`; raise UnderstaveError on bad input.

    `source` may be a lesson folder itself: then it is made again with its corrections and edits. `on_step`
    hears in a few words what is being done, `on_progress` the share done, 0..1. With two `processes` two
    parts are made at a time; a script that asks for that needs the usual ``if __name__ == "__main__"``.
    """
    name = source.name
    if is_lesson_folder(source):
        existing = open_folder(source)
        source, out, name = existing.score, existing.path, existing.imported_from
    with following(conventions_of(out)), Helpers(processes if processes > 1 else 0, _load) as helpers:
        if not is_lesson_folder(out):  # all parts are new: the helpers load while the piece is read
            helpers.start()
        return _made(source, out, name, options, (on_step, on_progress), helpers)


def _load() -> None:
    """Load nothing more: whoever asks for this has loaded this module and with it all that makes a lesson."""


def _made(
    source: Path,
    out: Path,
    name: str,
    options: LessonOptions,
    hears: tuple[Callable[[str], None], Callable[[float], None]],
    helpers: Helpers,
) -> Lesson:
    """Make the lesson in the conventions in force."""
    on_step, on_progress = hears
    unfinished = tuple(filter(None, [corrections.set_aside(out / CORRECTIONS)]))
    on_step("reading the score")
    kept = memory.recall(out / EXPORTS) if is_lesson_folder(out) else None
    # What other pieces hold is asked anew each time, and a take that is added is new.
    if kept is not None and options.elsewhere is None and not options.takes:
        same = _same(kept, source, out, name, options)
        if same is not None:
            on_progress(1.0)
            return replace(same, changes=(*unfinished, *same.changes))
    known = kept is not None and kept.reading_of == _reading_of(source, name, out, options.analysis)
    score = kept.score if kept is not None and known else titled(score_for(out, source), name)
    check_place(out, source, options.replace_score)
    asked = _asked(out / SETTINGS, options)
    if options.sound:
        check_samples(asked.piano)
    wishes = edits.read_edits(out / SETTINGS)
    on_step("finding chords and keys")
    on_progress(0.02)
    added: tuple[Correction, ...] = ()
    if kept is not None and known:
        reading = kept.reading
    else:
        reading, added = _read(score, out, options)
    if kept is not None and known and kept.planned_for == digest(asked.piano):
        plan = kept.plan
    else:
        on_step("planning how to play it")
        on_progress(0.08)
        plan = make_plan(score, reading, PlanOptions(instrument=asked.piano))
    on_step("choosing where to stop")
    on_progress(0.1)
    exports = out / EXPORTS
    before = remembered(exports).get("facts", {})
    usual = _usual(before, asked)
    added_takes = [_tied(score, path, on_step) for path in options.takes]
    lost: tuple[str, ...] = ()
    with writing_about(reading):
        timing = Timing(clock(score, plan), check_rate(asked.rate))
        printed = is_printed(_bytes(source), source.suffix)
        work = Work(
            score,
            reading,
            plan,
            (),
            (),
            timing,
            asked,
            name,
            options.chord_symbols,
            options.sound,
            printed=printed,
        )
        inputs = _inputs(work)
        plain = [_as_written(part) for part in _plain_parts(work, inputs)]
        helpers.begin(plain)
        work = _with_stops(work, wishes, options, usual)
        if options.sound:
            takes, lost = _takes(score, out, [take for _, take in added_takes])
            work = replace(_with_takes(work, takes), voices=voices(out, [stop.id for stop in work.stops]))
        seconds = _talk(work)[-1].end
        facts = _facts(work)

    def told(share: float, text: str) -> None:
        on_progress(0.13 + 0.87 * share)
        if text:
            on_step(f"making {text}")

    with writing_about(reading):
        asking = exercises(score, reading, asked.level)
        parts = [*plain, *(_as_written(part) for part in _further_parts(work, inputs, asking))]
        faults = _faults(work, asking)

    def settle() -> None:
        """Make the folder a lesson: not before everything is made, so that what is refused leaves nothing."""
        new = not is_lesson_folder(out)
        folder = create_folder(out, source, score.title, score.composer, options.replace_score)
        if new and options.habits != NO_HABITS:
            set_habits(folder.path, options.habits, by_hand=False)
        edits.keep_asked(folder.path / SETTINGS, _to_keep(asked, options))
        corrections.append_step(folder.path / CORRECTIONS, added)
        for data, take in added_takes:
            keep_take(folder.path, score, data, take)

    built = build(exports, parts, told, helpers, facts, settle)
    folder = open_folder(out)
    notes = (
        *((phrasebook(asked.language).phrases["hardly_keys"],) if not tells_of_keys(reading) else ()),
        *(
            f"What you wrote for the stop {n!r} has no stop now; it stays in {SETTINGS}."
            for n in edits.without_place(work.stops, wishes)
        ),
        *(f"Look at {fault.where}: {fault.sentence}." for fault in faults),
        *lost,
        *_too_long(work, seconds),
    )
    changes = (
        *unfinished,
        *_changes(before, facts),
        *_taken_over(score, added, options.analysis),
        *(f"{path.name} had been changed by hand; your version is now {path}." for path in built.aside),
        *notes,
    )
    # What an analysis decided stands among the corrections by now: the lesson is the same without it.
    made_from = tuple(_all_of(source, name, out, options, a) for a in {None, options.analysis})
    now = _reading_of(source, name, out, None)
    found = memory.Found(now, digest(asked.piano), made_from, score, reading, plan, work.stops, notes, faults)
    memory.remember(exports, found)
    return Lesson(
        folder, score, reading, built.files, plan, work.stops, built.made, built.kept, changes, faults
    )


def _bytes(path: Path | None) -> bytes:
    try:
        return path.read_bytes() if path is not None else b""
    except OSError:
        return b""


def _reading_of(source: Path, name: str, out: Path, analysis: Path | None) -> str:
    """Return a digest of all that a reading is made from."""
    decided = _bytes(out / CORRECTIONS)
    said = (decided, _bytes(out / PAGES), _bytes(analysis), keys_last(out), habits_of(out))
    return digest(_bytes(source), source.suffix, name, said, program_digest())


def _all_of(source: Path, name: str, out: Path, options: LessonOptions, analysis: Path | None) -> str:
    """Return a digest of all that a lesson is made from."""
    asked = _asked(out / SETTINGS, options)
    own = (_bytes(out / SETTINGS), departing(current()))
    wanted = (options.chord_symbols, options.sound, options.elsewhere is not None)
    spoken = [(file.name, _bytes(file)) for file in recordings(out)] if options.sound else []
    # A film is too large to be read each time: it is never altered, and its tie holds its digest.
    played = [(file.name, file.stat().st_mtime_ns, file.stat().st_size) for file in take_files(out)]
    played = played if options.sound else []
    return digest(_reading_of(source, name, out, analysis), own, asked, wanted, spoken, played)


def _same(kept: memory.Found, source: Path, out: Path, name: str, options: LessonOptions) -> Lesson | None:
    """Return the lesson as it was made last time, None where anything has changed since."""
    if _all_of(source, name, out, options, options.analysis) not in kept.all_of:
        return None
    there = untouched(out / EXPORTS)
    folder = open_folder(out)
    if there is None or _bytes(folder.score) != _bytes(source):
        return None
    files = tuple(path for paths in there.values() for path in paths)
    return Lesson(
        folder,
        kept.score,
        kept.reading,
        files,
        kept.plan,
        kept.stops,
        (),
        tuple(there),
        kept.notes,
        kept.faults,
    )


def _tied(score: Score, path: Path, on_step: Callable[[str], None]) -> tuple[bytes, Take]:
    """Tie a recording; raise TakeError in a sentence where it is none, or of something else."""
    on_step(f"following {path.name}")
    data = bytes_of(path)
    take = tie(score, replace(recording_of(data, path.name), half=own_half(own_file())))
    # What was heard is large, and travels to no part: each that needs it reads it from the file.
    return data, replace(take, recording=replace(take.recording, samples=None, file=path.resolve()))


def _takes(score: Score, out: Path, added: Sequence[Take]) -> tuple[tuple[Take, ...], tuple[str, ...]]:
    """Return all takes, the latest first, and a sentence for each that does not fit the score any more."""
    kept, lost = kept_takes(out, score)
    new = {take.recording.sha256 for take in added}
    takes = [one.take for one in kept if one.take.recording.sha256 not in new]
    return (*added[::-1], *takes[::-1]), tuple(f"{error} It stays in {TAKES}." for _, error in lost)


def _with_takes(work: Work, takes: Sequence[Take]) -> Work:
    """Return the work with the latest take that plays its bars in one go for each stop and each contrast of
    notes, and timed by them.
    """

    def latest(first: int, last: int) -> Take | None:
        return next((take for take in takes if _plays(work.score, take, first, last)), None)

    stops = {stop.id: (stop.first, stop.last) for stop in work.stops}
    heard = {contrast_name(work.score, c): (c.first, c.last) for c in work.heard if c.label not in OF_SOUND}
    own, written = (
        {name: take for name, bars in places.items() if (take := latest(*bars)) is not None}
        for places in (stops, heard)
    )
    clocks = {name: clock_over(work.score, take, *stops[name]) for name, take in own.items()}
    sounds = dict(work.timing.sounds or {})
    for name, take in written.items():
        time = clock_over(work.score, take, *heard[name])
        sounds[name] += time.seconds[-1] - time.seconds[0] - work.timing.bars(work.score, *heard[name])
    timing = replace(work.timing, own=clocks, sounds=sounds)
    return replace(
        work, own=tuple(own.items()), own_written=tuple(written.items()), takes=tuple(takes), timing=timing
    )


def _plays(score: Score, take: Take, first: int, last: int) -> bool:
    try:
        run_over(score, take, first, last)
    except TakeError:
        return False
    return True


def _read(score: Score, out: Path, options: LessonOptions) -> tuple[Reading, tuple[Correction, ...]]:
    decided, analysis = corrections.load(out / CORRECTIONS), options.analysis
    length, habits = keys_last(out), habits_of(out) if is_lesson_folder(out) else options.habits
    if analysis is None:
        return read(score, decided, length, habits), ()
    try:
        text = analysis.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise LessonError(f"{analysis} cannot be read; give your analysis as text (RomanText).") from None
    reading, added = read_as(score, decided, text, f"from {analysis.name}", trust_for(score, length, habits))
    return with_events(score, reading, goes_by_keys(reading.spans, (*decided, *added))), added


def _taken_over(score: Score, added: Sequence[Correction], analysis: Path | None) -> tuple[str, ...]:
    if not added or analysis is None:
        return ()
    # A later round may have gone back to an earlier bar; the bars are told as they stand in the score.
    placed = sorted(added, key=lambda c: score.time_of(c.measure, c.beat))
    bars = ", ".join(dict.fromkeys(correction.measure for correction in placed))
    return (f"{len(added)} chords were corrected from {analysis.name}, in bars {bars}.",)


def lesson_stops(  # noqa: PLR0913
    score: Score,
    reading: Reading,
    plan: Plan,
    wishes: edits.Edits,
    asked: Asked,
    heard: Sequence[Contrast],
    usual: Sequence[str] = (),
) -> tuple[tuple[Stop, ...], Timing]:
    """Return the stops of a lesson, proposed and then changed as the teacher wants, and their timing.

    `usual` are the ids of last time's.
    """
    timing = Timing(clock(score, plan), check_rate(asked.rate), contrast_seconds(score, plan, heard))
    possible = possible_stops(
        score, reading, plan, level=asked.level, language=asked.language, timing=timing, heard=heard
    )
    chosen = choose(
        score,
        reading,
        possible,
        asked.minutes,
        asked.language,
        timing,
        wishes.kept,
        wishes.leave_out,
        usual,
        edits.own_seconds(score, wishes, asked.level, timing),
    )
    mine = edits.apply(score, chosen, wishes, asked.level, timing)
    return in_talk(score, reading, mine, timing, asked.language), timing


def _with_stops(work: Work, wishes: edits.Edits, options: LessonOptions, usual: Sequence[str]) -> Work:
    """Return the work with its stops, and with what is heard in them."""
    score, reading, plan, asked = work.score, work.reading, work.plan, work.asked
    heard = all_contrasts(score, reading, CONTRASTS, asked.piano, plan) if options.sound else ()
    stops, timing = lesson_stops(score, reading, plan, wishes, asked, heard, usual)
    find = options.elsewhere
    if find is not None and asked.level == "advanced":
        around = frame_seconds(score, reading, stops, timing, asked.language)
        left = 60 * asked.minutes - around - sum(stop.seconds for stop in stops)
        stops = compared(score, stops, lambda event: find(event, score.title), timing, asked.language, left)
    return replace(work, stops=stops, heard=heard, timing=timing)


def asked_of(path: Path) -> Asked:
    """Return the choices kept in a lesson.toml, the defaults for those not made."""
    return _asked(path, LessonOptions())


def _asked(path: Path, options: LessonOptions) -> Asked:
    """Choices made now, else those kept in the folder, else the defaults."""
    kept: Mapping[str, Any] = edits.asked_in(path) if path.is_file() else {}
    if options.paper is None and "paper" not in kept and (for_all := paper_for_all()) is not None:
        if for_all not in PAPERS:
            raise LessonError(
                f"paper = {for_all!r} in {file_of(None)} is no paper; choose {', '.join(PAPERS)}."
            )
        kept = {**kept, "paper": for_all}
    values: dict[str, Any] = {}
    for f in fields(Asked):
        value = getattr(options, f.name)
        if value is None and f.name in kept:
            value = kept[f.name]
            allowed = tuple(instruments()) if f.name == "instrument" else _ALLOWED.get(f.name)
            if (allowed is not None and value not in allowed) or (
                allowed is None and (isinstance(value, bool) or not isinstance(value, int | float))
            ):
                choice = f"choose {', '.join(allowed)}" if allowed else "give a number"
                raise LessonError(f"{f.name} = {value!r} under [lesson] in {path.name} is wrong; {choice}.")
        if value is not None:
            values[f.name] = value
    return replace(DEFAULTS, **values)


def _to_keep(asked: Asked, options: LessonOptions) -> dict[str, Any]:
    """Of the choices, those that the teacher made now; the others are kept already, or are defaults."""
    return {name: value for name, value in asdict(asked).items() if getattr(options, name) is not None}


# --- what is made ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Inputs:
    """What parts are made from, by name, as far as score, reading, plan and choices go."""

    score: Mapping[str, str]
    reading: Mapping[str, str]
    plan: Mapping[str, str]
    words: Mapping[str, str]
    look: Mapping[str, str]
    piano: Mapping[str, str]


def _inputs(work: Work) -> Inputs:
    asked = work.asked
    score = {"the score": digest(work.score.source, work.score.title, work.score.composer, work.name)}
    reading = {**score, "the reading": digest(work.reading)}
    return Inputs(
        score=score,
        reading=reading,
        plan={**reading, "the plan": digest(work.plan)},
        words={"level": asked.level, "language": asked.language},
        look={
            "paper": engraved_on(asked.paper),
            "language": asked.language,
            "chord symbols": str(work.chord_symbols),
        },
        piano={"the piano": digest(asked.piano)},
    )


def _plain_parts(lean: Work, inputs: Inputs) -> list[Part]:
    """Name the parts that need neither stops nor contrasts, and can begin before these are chosen.

    Where to add another: a function from `Work` to files, and its line here.
    """
    asked = lean.asked
    reading, plan, look = inputs.reading, inputs.plan, inputs.look
    pages = {"printed pages": str(lean.printed)}
    parts = [
        Part("score", {**reading, **look, **pages}, partial(_score_files, lean), effort=2),
        Part("plan", {**plan, **look}, partial(_plan_files, lean), effort=2.5),
        Part(
            "reading",
            {**reading, "chord symbols": str(lean.chord_symbols)},
            partial(_reading_files, lean),
            effort=0.5,
        ),
        Part("reduction", {**reading, **look}, partial(_reduction_files, lean), effort=0.8),
        Part(
            "screens",
            {**plan, "language": asked.language},
            partial(_screen_files, lean),
            effort=4,
        ),
    ]
    if passage_list := parallels(lean.score, lean.reading):
        parts.append(
            Part(
                "passages",
                {**reading, **inputs.words, "paper": engraved_on(asked.paper)},
                partial(_passage_files, lean, passage_list),
                effort=2.5,
            )
        )
    if lean.sound:
        length = lean.timing.bars(lean.score, 0, len(lean.score.measures) - 1)
        played = partial(_sound_files, lean)
        parts.append(Part("sound", {**plan, **inputs.piano}, played, effort=0.07 * length))
    return parts


def _further_parts(work: Work, inputs: Inputs, found: Sequence[Exercise]) -> list[Part]:
    """Name the other parts of a lesson, what each is made from and who makes it; see `_plain_parts`."""
    playing = work
    # What was struck and how it is tied is large, and travels to the parts alone that play or show it.
    work = replace(work, own=(), own_written=(), takes=())
    asked, written_by = work.asked, dict(playing.own_written)
    score, reading, plan = inputs.score, inputs.reading, inputs.plan
    words, piano = inputs.words, inputs.piano
    stops = {"the stops": digest([(stop, stop.say) for stop in work.stops], asked.minutes, work.timing.rate)}
    lean = replace(work, stops=(), heard=())
    pictured = [(stop.id, stop.first, stop.last, stop.notes) for stop in work.stops]
    pieces = ["screens", "stop pictures"]
    # What is to be heard is not asked where no sound is made: papers would name files that are not there.
    sounding = tuple(exercise for exercise in found if work.sound or exercise.kind != HEARD)
    exercise_list = asked_exercises(work.score, work.stops, sounding, asked.language)
    heard_or_not = {"sound": str(work.sound)}
    # What the teacher speaks and plays sets how long a stop lasts.
    voice = {"the teacher's voice": digest(work.voices)} if work.voices else {}
    played_by_them = playing.own or playing.own_written
    timed = {"the teacher's time": digest(work.timing.own, work.timing.sounds)} if played_by_them else {}
    pace = {**voice, **timed}
    parts = [
        Part(
            "papers",
            {**plan, **stops, **words, **heard_or_not, **pace, "paper": asked.paper},
            partial(_paper_files, replace(work, heard=()), exercise_list),
            effort=6,
        ),
        Part(
            "cards",
            {**reading, **stops, **words, **heard_or_not},
            partial(_card_files, replace(work, heard=()), exercise_list),
            effort=1,
        ),
        Part("talk", {**plan, **words, **stops, **pace}, partial(_talk_files, work), effort=0.3),
        Part(
            "stop pictures",
            {**plan, "language": asked.language, "the stops": digest(pictured)},
            partial(_stop_pictures, replace(work, heard=())),
            effort=0.4 * len(work.stops),
        ),
    ]
    worked = examples_for(work.reading, SKETCHES)
    if worked:
        parts.append(
            Part(
                "devices",
                {
                    **reading,
                    **words,
                    **(piano if work.sound else {}),
                    "paper": engraved_on(asked.paper),
                    "sound": str(work.sound),
                },
                partial(_device_files, lean, worked),
                effort=0.3 + 1.0 * len(worked) * work.sound,
            )
        )
    if work.sound:
        asked_now = {
            "the exercises": digest(
                [(exercise.step, exercise.kind, exercise.start, exercise.end) for exercise in exercise_list]
            )
        }
        sounds = partial(_exercise_files, lean, exercise_list)
        parts.append(Part("exercises", {**plan, **words, **piano, **asked_now}, sounds, effort=2))
        pieces.append("sound")
        for one in work.heard:
            name = contrast_name(work.score, one)
            take = written_by.get(name)
            by_whom = {"the take": digest(take.recording.sha256, take.runs)} if take is not None else {}
            parts.append(
                Part(
                    f"contrast {name}",
                    {**words, **piano, **by_whom, "the contrast": digest(one)},
                    partial(_contrast_files, lean, one, take),
                    effort=2,
                )
            )
            pieces.append(f"contrast {name}")
    parts.append(
        Part(
            "questions",
            {**plan, **stops, **words, **heard_or_not},
            partial(_question_files, lean, exercise_list),
            needs=("cards", "exercises") if work.sound else ("cards",),
            effort=0.3,
        )
    )
    # Clips of the stops would be a part of their own here; they are made on request (`media.clips`).
    placed = {stop.id: (stop.first, stop.last) for stop in work.stops}
    own: dict[str, str] = {}
    if playing.own:
        tied = [(stop, placed[stop], take.recording.sha256, take.runs) for stop, take in playing.own]
        own = {"the takes": digest(tied)}
        played_by = Part(
            "own playing",
            {**score, **piano, **own},
            partial(_own_files, replace(playing, heard=(), takes=())),
            effort=len(playing.own),
        )
        parts.append(played_by)
        pieces.append(played_by.name)
    if playing.takes:
        known = [
            (take.recording.media, take.recording.sha256, take.recording.half, take.runs)
            for take in playing.takes
        ]
        all_takes = {"all takes": digest(known)}
        own |= all_takes
        shown = Part(
            "takes shown",
            {**plan, "language": asked.language, **all_takes},
            partial(_shown_files, replace(playing, heard=(), own=())),
            effort=len(playing.takes),
        )
        parts.append(shown)
        pieces.append(shown.name)
    parts.append(
        Part(
            "page",
            {
                **plan,
                **words,
                **stops,
                "the contrasts": digest(work.heard),
                "sound": str(work.sound),
                **pace,
                **own,
            },
            partial(_page_files, work, tuple(stop for stop, _ in playing.own), exercise_list),
            needs=tuple(pieces),
            effort=1,
        )
    )
    return parts


Given = Mapping[str, bytes]


_WITHOUT_LABELS = ("reading", "sound", "own playing", "takes shown", "exercises")
"""Parts that show no label to people: data keep the standard form."""


def _as_written(part: Part) -> Part:
    """Return a part that follows what is in force now wherever it is made, and is made again when that or
    the program changes.
    """
    part = replace(part, inputs={"the program": program_digest(), **part.inputs})
    chosen = {**departing(current()), **({"chords": "by root and kind"} if by_roots() else {})}
    if not chosen or part.name in _WITHOUT_LABELS:
        return part
    inputs = {**part.inputs, "the conventions": digest(chosen)}
    return replace(part, inputs=inputs, make=partial(_followed, in_force(), part.make))


def _followed(
    manner: tuple[Conventions, Mode | None, bool], make: Callable[[Given], Files], given: Given
) -> Files:
    with following(*manner):
        return make(given)


def _look(work: Work) -> Options:
    asked = work.asked
    return Options(paper=engraved_on(asked.paper), chord_symbols=work.chord_symbols, language=asked.language)


def _pdf(work: Work, pages: Sequence[str]) -> bytes:
    return to_pdf(pages, work.asked.language, date_of(work.score))


def _score_files(work: Work, given: Given) -> Files:
    pages = engrave(work.score, work.reading, _look(work))
    drawn: dict[str, bytes | str] = {f"score-{k:02d}.svg": page for k, page in enumerate(pages, start=1)}
    # What was read from printed pages, and corrected at the desk, goes on to an editor.
    as_read = {"as-read.musicxml": work.score.source} if work.printed else {}
    return {**drawn, **as_read, "score.pdf": _pdf(work, pages)}


def _plan_files(work: Work, given: Given) -> Files:
    annotated = annotated_musicxml(work.score, work.reading, work.chord_symbols, work.asked.language)
    return {
        "plan.pdf": _pdf(work, engrave(work.score, work.reading, _look(work), work.plan)),
        "plan.musicxml": with_plan(annotated, work.score, work.plan),
        "plan.json": plan_json(work.score, work.plan),
        "plan.mid": played_midi(work.score, work.plan, work.reading),
    }


def _reading_files(work: Work, given: Given) -> Files:
    return {
        "reading.json": reading_json(work.score, work.reading),
        "reading.csv": reading_csv(work.score, work.reading, work.asked.language),
        "reading.txt": write_romantext(work.reading, work.score),
        "reading.spans.parquet": spans_parquet(work.score, work.reading),
        "reading.events.parquet": events_parquet(work.score, work.reading),
        "annotated.musicxml": annotated_musicxml(
            work.score, work.reading, work.chord_symbols, work.asked.language
        ),
        "annotated.mei": annotated_mei(work.score, work.reading),
    }


def _talk(work: Work) -> tuple[cues.Cue, ...]:
    """Return the talk, with the teacher's own recordings where there are some."""
    recorded = {stop: spoken_seconds(data, f"The recording for {stop}") for stop, data in work.voices}
    return cues.cue_list(work.score, work.reading, work.stops, work.timing, work.asked.language, recorded)


def _paper_files(work: Work, found: tuple[Exercise, ...], given: Given) -> Files:
    asked, score = work.asked, work.score
    look = Look(asked.paper, asked.level, asked.language)
    what = questions(score, work.reading, work.stops, found, look)
    pictures = drawn(score, work.reading, what, look)
    talk = _talk(work)
    taught = TaughtStops(work.stops, talk)
    return {
        "student.pdf": student_pdf(score, what, pictures, look),
        "answers.pdf": answers_pdf(score, what, pictures, look),
        "teacher.pdf": teacher_pdf(score, work.reading, work.plan, taught, what, pictures, work.name, look),
    }


def _card_files(work: Work, found: Sequence[Exercise], given: Given) -> Files:
    asked = work.asked
    pictures, pictures_of_cards = card_pictures(work.score, found, work.stops, asked.language)
    book = phrasebook(asked.language)
    texts = [
        t for stop in work.stops for t in (stop.title, stop.question, stop.answer, stop.say[asked.level])
    ]
    terms = glossary([*texts, *(exercise.prompt(work.score, asked.language) for exercise in found)], book)
    cards = flash_cards(work.score, found, work.stops, terms, asked.language, pictures)
    return {"cards.csv": cards_csv(cards, asked.language), **pictures_of_cards}


def _question_files(work: Work, found: Sequence[Exercise], given: Given) -> Files:
    """The exercises for other programs, with the pictures of the cards and their own sounds."""
    pictures = {
        exercise.step: path for exercise in found if (path := f"cards/exercise-{exercise.step}.svg") in given
    }
    sounds = {exercise.step: path for exercise in found if (path := sound_name(exercise)) in given}
    package = qti_package(
        work.score, work.reading, found, pictures, sounds, given, language=work.asked.language
    )
    return {"exercises.qti.zip": package}


def _exercise_files(work: Work, found: Sequence[Exercise], given: Given) -> Files:
    return exercise_sounds(found, work.score, work.plan, work.asked.language, work.asked.piano)


def _reduction_files(work: Work, given: Given) -> Files:
    if not work.reading.spans:
        return {}
    chords, labels = reduced(work.score, work.reading)
    title = phrasebook(work.asked.language).phrases["reduction_title"].format(title=work.score.title)
    chords = with_source(replace(chords, title=title))
    pages = engrave(chords, labels, _look(work))
    return {
        "reduction.pdf": _pdf(work, pages),
        "reduction.musicxml": chords.source,
    }


def _device_files(work: Work, found: Sequence[Worked], given: Given) -> Files:
    asked = work.asked
    return sketch_files(
        found,
        work.score,
        work.reading,
        engraved_on(asked.paper),
        asked.level,
        asked.language,
        sound=work.sound,
        instrument=asked.piano,
    )


def _passage_files(work: Work, found: Sequence[Parallel], given: Given) -> Files:
    asked = work.asked
    return {
        "passages.pdf": parallels_pdf(
            work.score, work.reading, found, engraved_on(asked.paper), asked.level, asked.language
        )
    }


def _talk_files(work: Work, given: Given) -> Files:
    asked = work.asked
    talk = _talk(work)
    return {
        "lesson.json": lesson_json(work.score, work.stops, asked.level, asked.language),
        "script.txt": cues.script(talk),
        "cues.csv": cues.cue_sheet(talk, asked.language),
        "chapters.txt": cues.chapter_list(talk),
        "chapters.vtt": cues.chapters_webvtt(talk),
        "captions.vtt": cues.webvtt(talk),
        "captions.srt": cues.srt(talk),
    }


def _screen_files(work: Work, given: Given) -> Files:
    made = {}
    for width in webpage.WIDTHS:
        layout = webpage.layout(work.score, work.reading, work.plan, width, work.asked.language)
        made[_screen(width)] = layout.pages[0]
    return made


def _screen(width: float) -> str:
    return f"pictures/score-{width:g}mm.svg"


def _stop_pictures(work: Work, given: Given) -> Files:
    return {
        _stop_picture(stop): webpage.stop_picture(
            work.score, work.reading, work.plan, stop, work.asked.language
        )
        for stop in work.stops
    }


def _stop_picture(stop: Stop) -> str:
    return f"pictures/stop-{stop.id}.svg"


def _sound_files(work: Work, given: Given) -> Files:
    sound = webpage.piece_sound(work.score, work.plan, work.asked.piano)
    return {"sounds/piece.mp3": sound.data, "sounds/piece.json": _lights(sound)}


def _own_files(work: Work, given: Given) -> Files:
    """The bars of the stops as the teacher plays them."""
    takes: dict[str, Take] = dict(work.own)
    made: dict[str, bytes | str] = {}
    for stop in work.stops:
        if stop.id in takes:
            sound = webpage.own_sound(work.score, takes[stop.id], stop.first, stop.last, work.asked.piano)
            made[f"sounds/take-{stop.id}.mp3"] = sound.data
            made[f"sounds/take-{stop.id}.json"] = _lights(sound)
    return made


def _shown_files(work: Work, given: Given) -> Files:
    """The latest takes drawn over one another beside the plan, and in words; all of them over time."""
    score, language, beside = work.score, work.asked.language, Beside(work.plan, work.reading)
    latest, oldest_first = work.takes[: len(OWN)], work.takes[::-1]
    headings, rows = table(score, [(take.recording.media, take) for take in oldest_first], language)
    told = {
        "takes": [
            {
                "name": take.recording.media,
                "told": tell_take(score, take, language, beside),
                "slips": signed(take),
            }
            for take in latest
        ],
        "signs": sign_words(language),
        "over_time": tell_over_time(score, oldest_first, language),
        "headings": headings,
        "rows": rows,
    }
    return {
        TAKES_PICTURE: draw_take(score, oldest_first, beside, language),
        TAKES_TOLD: json.dumps(told, ensure_ascii=False),
    }


def _playing_from(given: Given) -> Playing:
    told = json.loads(given[TAKES_TOLD])
    return Playing(
        given[TAKES_PICTURE].decode(),
        tuple(
            PageTake(one["name"], tuple(one["told"]), {k: tuple(v) for k, v in one["slips"].items()})
            for one in told["takes"]
        ),
        told["signs"],
        TakesOverTime(
            tuple(told["over_time"]), tuple(told["headings"]), tuple(tuple(row) for row in told["rows"])
        ),
    )


def _lights(sound: Sound) -> str:
    return json.dumps({"media": sound.media, "length": sound.length, "notes": sound.notes})


def _sound_from(data: bytes, lights: Mapping[str, Any]) -> Sound:
    notes = tuple((str(i), float(a), float(b)) for i, a, b in lights["notes"])
    return Sound(data, str(lights["media"]), float(lights["length"]), notes)


def _contrast_files(work: Work, one: Contrast, take: Take | None, given: Given) -> Files:
    own = excerpt_of(work.score, take, one.first, one.last) if take is not None else None
    made = webpage.contrast_sides(work.score, one, _page_options(work), own)
    name = contrast_name(work.score, one)
    found: dict[str, bytes | str] = {}
    sides = []
    for k, side in enumerate(made.sides, start=1):
        found[f"sounds/{name}-{k}.mp3"] = side.sound.data
        found[f"pictures/{name}-{k}.svg"] = side.picture
        sides.append({"name": side.name, "sound": json.loads(_lights(side.sound)), "lasts": side.lasts})
    words = {"heading": made.heading, "place": made.place, "listen": made.listen, "sides": sides}
    found[f"sounds/{name}.json"] = json.dumps(words, ensure_ascii=False)
    return found


def _page_options(work: Work) -> webpage.PageOptions:
    asked = work.asked
    return webpage.PageOptions(
        asked.level, asked.language, asked.piano, sound=work.sound, minutes=asked.minutes
    )


def _page_files(work: Work, own: Sequence[str], found: Sequence[Exercise], given: Given) -> Files:
    def contrast(one: Contrast) -> PageContrast:
        name = contrast_name(work.score, one)
        words = json.loads(given[f"sounds/{name}.json"])
        sides = tuple(
            Side(
                side["name"],
                given[f"pictures/{name}-{k}.svg"].decode(),
                _sound_from(given[f"sounds/{name}-{k}.mp3"], side["sound"]),
                side["lasts"],
            )
            for k, side in enumerate(words["sides"], start=1)
        )
        return PageContrast(words["heading"], words["place"], words["listen"], sides)

    sound = None
    if work.sound:
        sound = _sound_from(given["sounds/piece.mp3"], json.loads(given["sounds/piece.json"]))
    ready = webpage.Ready(
        layouts=tuple(Layout(w, (given[_screen(w)].decode(),)) for w in webpage.WIDTHS),
        sound=sound,
        contrasts=tuple(contrast(one) for one in work.heard),
        pictures={stop.id: given[_stop_picture(stop)].decode() for stop in work.stops},
        voices=dict(work.voices),
        playing=_playing_from(given) if TAKES_TOLD in given else None,
        own={
            stop: _sound_from(given[f"sounds/take-{stop}.mp3"], json.loads(given[f"sounds/take-{stop}.json"]))
            for stop in own
        },
    )
    asked = work.asked
    tasks = homework(
        work.score, work.reading, found, work.stops, asked.level, asked.language, sound=work.sound
    )
    page = webpage.make_page(
        work.score,
        work.reading,
        work.plan,
        work.name,
        _page_options(work),
        stops=work.stops,
        heard=work.heard,
        tasks=tasks,
        ready=ready,
    )
    asked_there = {HOMEWORK: homework_json(work.score, tasks, asked.language)} if tasks else {}
    return {"page.html": lesson_page(page), **asked_there}


# --- what is said about it -------------------------------------------------------------------------------


def _faults(work: Work, found: Sequence[Exercise]) -> tuple[Fault, ...]:
    asked = work.asked
    return (
        *check_stops(work.score, work.reading, work.stops, asked.language, work.plan.reasons),
        *check_story(work.score, work.reading, asked.level, asked.language),
        *check_contrasts(work.score, work.reading, work.heard, asked.language),
        *check_exercises(work.score, work.reading, found, asked.language),
    )


def _facts(work: Work) -> dict[str, Any]:
    """What the next build compares itself with: every chord by its place, and the stops."""
    labels = {}
    for span in work.reading.spans:
        bar = work.score.measure_at(span.start).number
        labels[f"bar {bar}, beat {beat_text(work.score.beat_at(span.start))}"] = (
            f"{span.numeral} ({span.key.symbol})"
        )
    return {"labels": labels, "stops": [stop.id for stop in work.stops], "asked": asdict(work.asked)}


def _usual(before: Any, asked: Asked) -> tuple[str, ...]:
    """The stops of last time, where the same lesson is asked for again."""
    if not isinstance(before, dict) or not isinstance(before.get("asked"), dict):
        return ()
    same = all(before["asked"].get(n) == getattr(asked, n) for n in ("minutes", "level"))
    return tuple(s for s in before.get("stops", ()) if isinstance(s, str)) if same else ()


_MOST_TOLD = 6


def _changes(before: Any, now: Mapping[str, Any]) -> list[str]:
    """Say which chords and which stops are not as they were last time."""
    if not isinstance(before, dict) or not isinstance(before.get("labels"), dict):
        return []
    old, new = before["labels"], now["labels"]
    told = [
        f"{place[0].upper()}{place[1:]}: {new[place]}, before {old.get(place, 'no chord of its own')}."
        for place in new
        if new[place] != old.get(place)
    ]
    told += [
        f"{p[0].upper()}{p[1:]}: no chord of its own any more, before {old[p]}." for p in old if p not in new
    ]
    if len(told) > _MOST_TOLD:
        told = [*told[: _MOST_TOLD - 1], f"{len(told) - _MOST_TOLD + 1} more chords are read differently."]
    stops = before.get("stops", [])
    gone = [s for s in stops if s not in now["stops"]]
    come = [s for s in now["stops"] if s not in stops]
    if come:
        told.append(f"New stops: {', '.join(come)}.")
    if gone:
        told.append(f"Stops no longer there: {', '.join(gone)}.")
    if not come and not gone and list(stops) != list(now["stops"]):
        told.append("The stops are in another order.")
    return told


def _too_long(work: Work, seconds: float) -> list[str]:
    """Say when what the teacher keeps takes more time than there is."""
    if seconds <= 60 * work.asked.minutes + 1:
        return []
    return [
        f"With the stops that you keep the lesson takes {seconds / 60:.1f} minutes, more than the "
        f"{work.asked.minutes:g} asked for; leave some out or ask for more."
    ]
