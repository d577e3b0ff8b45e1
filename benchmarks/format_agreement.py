"""How far our notes agree with those of other readers in each format beside MusicXML, printed as a table.

    python -m benchmarks.format_agreement [--formats beside,humdrum,abc,...] [--files N] [--details FILE]
                                          [--state FILE]

With ``--state FILE`` what was found in every file is kept, and the same command goes on where it was stopped.

Files of each format, chosen by a fixed seed:

humdrum
    ``score.krn`` of the open data (mazurkas, quartets, variations) and **kern files of the music21 corpus.
abc
    Tunes of the collections in the music21 corpus.
mei, midi, timewise
    Songs, preludes and other MusicXML of the open data, written in that format: MEI by the notation engine,
    MIDI with one track a staff and short bars as meters of their own, MusicXML bar by bar instead of part by
    part. So the score that each was written from is a reference too.
music21-musicxml, music21-midi, partitura-musicxml, partitura-mei, partitura-midi
    MusicXML of the open data that the other library read and wrote out again. References are the notes that
    the library held as it wrote ("held") and those that it reads in what it wrote ("read back"), so that
    "both" counts where we read otherwise what it wrote and understands itself.
beside
    ``midi_score.mid`` beside a score, exported by a notation program, repeats played out; the score is the
    reference.

A note agrees if onset, duration (ties joined) and spelled pitch are the same, to a thousandth of a quarter;
grace notes by onset and pitch. In MIDI, which has no spelling and whose lengths are guesses, onset and key
are compared. "laid on" lets a bar begin elsewhere in the two, so that one bar that is longer in one of them
does not count for all that follow. "both" counts the notes of ours that no reference has, and those that
all references have and we have not: where two readers are of one mind against us. The share is taken of the
larger count.

"whole" are the files without any disagreement; "moved" is how often what follows had to be laid on anew.

Who is right, where we differ (400 files each of Humdrum, ABC, MEI and MIDI, 40 of timewise MusicXML, and the
17 MIDI files beside scores). Classed by their first disagreements in each file, and looked up in the file for
the passages named:

midi, earlier and romantic
    Found only when bars are laid on: one sonata by Haydn, whose MIDI plays the triplet of its pickup as
    three plain sixteenths, so that all after it comes a sixteenth late; the score is right, since pickup
    and last bar fill one bar only so. And one movement by Chopin, where some bars are longer in the one
    than in the other. "moved" and "lost": mostly notes beside a grace note, an arpeggio or an ornament,
    which the program played out (35 of 37 in one sonata by Haydn, 24 of 34 in one piece by Schumann); the
    score is right.
midi written here
    Ours was wrong in one song, which goes in elevens and twenties and was taken for playing; mended. "only
    theirs" against the score (3762 notes in 219 songs): two voices of a staff on one key at one moment are
    one note in MIDI; nobody can do better (the scores have as many such notes). partitura leaves out 442
    notes in 120 songs that we, music21 and the score have, many of them long; why was not found. music21
    moves all that follows in one track, mostly by a bar or a beat, in 66 songs. "rounded": in nine songs
    times a thousandth off in both. Ours is as the score says in all of them.
humdrum
    364 files agree in every note with all. Ours was wrong, and is mended, in two notes: an accidental behind
    an articulation (``dd^#``, ``8qa;-``). In the others ours is right as far as looked at, since bars add up
    so and printed ties are joined: partitura leaves ties of chords unjoined or joins them to a later note (20
    mazurkas and quartets) and sets notes late (four mazurkas; one beside ``*Xped``). Both forget the dot of
    ``20%3.``, so that all after it comes early (one mazurka). music21 leaves notes out where a spine is split
    in three (three mazurkas). Four sets of variations are damaged (a spine not joined again, fields too many,
    values that do not add up), as the reader tells with the lines: partitura cannot read three of them, and
    both drift in the fourth, where ours keeps to the barlines. In one that is whole (set-21) music21 drifts
    from a bar on that adds up in the file; partitura cannot read it. Both against us in whole files: ties
    that the file ends on another note of the chord (``[2G``, then ``8G 8e]``) in two quartet movements, which
    we mend, and a tie from ``[12g#`` into another voice in one mazurka.
abc
    148 of 149 notes of another name: an accidental that stands earlier in the bar, in the same octave or (3)
    in another, holds to the barline (ABC 2.1, 4.2 and 11.3); music21 lets it go. 101 notes of another length
    or place: ``>`` and ``<`` beside a slur, an ornament or a blank still lengthen the note before (4.4). The
    other 24, in twelve tunes: ``H`` before a note is a hold (4.16), where music21 leaves the note out; ties
    over a barline that keep their accidental; what follows from the others. Ours right by the standard;
    whether those who wrote the folk songs down meant the accidental to hold cannot be told.
mei
    Ours was wrong, and is mended, in ten songs: accidentals that an editor supplied (four songs), a tie whose
    named end is that of another tie, or begins a moment late (four), an octave line over notes that state
    their sounding octaves elsewhere (one), a bracket without numbers taken for a triplet (one). Elsewhere
    ours is what the score has from which the MEI was written, but in 12 songs of 400, where the engine writes
    otherwise and we read what it wrote: voices in a meter of their own, whose rests it rounds or stretches
    and whose triplets it counts as plain (five, three by M. Jaell); two triplets side by side written as one
    inside the other (one); a tie left out (two) or without its end, which we end on the note that follows
    (two); a voice without the silence before it (one); a rest rounded to a tick (one). Where they differ from
    us and the score, partitura is wrong by octave lines (38 songs), ties left apart (15) and places (14); it
    stops at ``mSpace`` (83 files), ``fTrem``, ``bTrem`` and others. music21 is wrong by ties left apart (79
    songs), by voices set elsewhere (31), by octave lines (16) and, in four songs, notes on other degrees, why
    was not found; it stops at what it cannot add up (79 files), at bar numbers such as X1 (19), at a rest or
    clef within a beam and at ``acc-soft``. In two files values rounded to a tick leave both a thousandth off.
written by partitura (100 piano parts) and music21 (30 songs)
    Ours was wrong, and is mended, in MIDI of 6, 12 or 24 ticks to the quarter, whose triplets were read as
    sixteenths, and in the length of a grace note that stands in a chord of MEI. MusicXML: notes of a chord
    to which grace notes are tied, which partitura leaves out as it reads (three songs); one song in unequal
    meters, whose rests it writes shorter than their printed values, where ours keeps to the printed ones.
    MEI by partitura is not what it held: a voice that enters within a bar has no rest or space before it, so
    that it comes early (most of "held"), grace notes stand inside the chord, and chords of unequal lengths
    have one. In its own files partitura joins ties over that gap, where ours joins only notes that touch.
    MIDI by partitura: "only theirs" are grace notes, which it writes as notes. MIDI by music21: where it
    writes a grace note, what follows comes late when it reads it back; ours has what it held but for the
    notes beside such graces, which it writes as notes (50 of the 91 that only ours has, in one song), and for
    unisons of two voices ("only theirs" of both).
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import random
import re
import warnings
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import mido
from lxml import etree

from benchmarks.data import data_folder
from benchmarks.kept import earlier, keep
from benchmarks.score_agreement import Mark, Notes, compare, our_notes, sets
from understave.errors import UnderstaveError
from understave.jobs.notation_worker import NotationWorker
from understave.score.model import Score
from understave.score.reader import read_score
from understave.score.readers.abc import read_abc
from understave.score.readers.humdrum import read_humdrum
from understave.score.readers.mei import read_mei
from understave.score.readers.midi import read_midi
from understave.score.readers.musicxml import read_musicxml
from understave.theory.pitch import PitchClass

TICKS = 480
T = TypeVar("T")
_KEYS = {f: PitchClass.from_fifths(f).name for f in range(-7, 8)}
_KERN_OF = ("bach", "chopin", "palestrina")
"""Folders of the music21 corpus whose **kern files are compared."""


@dataclass(frozen=True)
class Case:
    """One file in one form: our notes, and how to get those of each reference.

    `failed` says why there is no file: the library that should have written it could not.
    """

    form: str
    name: str
    ours: Callable[[], Notes]
    references: Mapping[str, Callable[[], Notes]]
    failed: str = ""


@dataclass(frozen=True)
class Choice:
    """How many files to choose by a fixed seed, and which forms of which have been compared already."""

    count: int
    done: frozenset[tuple[str, str]] = frozenset()

    def of(self, files: Mapping[str, T], forms: Sequence[str]) -> list[tuple[str, T]]:
        """Return the chosen ones of which any form is still to be compared, with their names."""
        names = list(files)
        if len(names) > self.count:
            names = random.Random(1).sample(names, self.count)
        return [(n, files[n]) for n in names if any((form, n) not in self.done for form in forms)]


def flat(notes: Notes, spelled: bool = True, zero: float | None = None) -> Notes:
    """Return notes by their moment alone, without bars and staves, from the first one (or `zero`) on.

    Without `spelled` the key of the keyboard counts in place of the name, and no length.
    """
    if zero is None:
        zero = min((moment for _, moment in notes), default=0.0)
    out = []
    for mark, moment in notes:
        at = round(moment - zero, 3) + 0.0
        if spelled:
            out.append((mark._replace(bar=0, place=at, staff=1), at))
        else:
            out.append((Mark(0, at, 0.0, "C", _key(mark), 0, 1, False), at))
    return out


def laid_on(ours: Notes, theirs: Notes) -> tuple[Notes, int]:
    """Return the notes of the other reader moved so that bars begin together, and how often that changed.

    A bar that is longer in one of the two moves all that follows; so each bar of ours looks where most of
    its notes stand in the other, staying where the bar before stood unless more of them fit elsewhere.
    """
    zero = min((moment for _, moment in ours), default=0.0)
    first = min((moment for _, moment in theirs), default=0.0)
    when: dict[int, list[Fraction]] = {}
    names: dict[tuple[Fraction, int], str] = {}
    for mark, moment in theirs:
        at, key = _grid(moment - first), _key(mark)
        names[at, key] = ""
        when.setdefault(key, []).append(at)
    bars: dict[int, dict[tuple[Fraction, int], str]] = {}
    for mark, moment in ours:
        bars.setdefault(mark.bar, {})[_grid(moment - zero), _key(mark)] = ""
    shift, moves = Fraction(0), 0
    starts: list[Fraction] = []
    shifts: list[Fraction] = []
    for _, here in sorted(bars.items(), key=lambda bar: min(at for at, _ in bar[1])):
        found = _best_shift(here, names, when, shift)
        moves += found != shift
        shift = found
        starts.append(min(at for at, _ in here) + shift)
        shifts.append(shift)
    if not moves:
        return theirs, 0
    out: Notes = []
    for mark, moment in theirs:
        at = _grid(moment - first)
        bar = max(0, bisect_right(starts, at) - 1)
        out.append((mark, round(float(at - shifts[bar]), 3)))
    return out, moves


def _grid(moment: float) -> Fraction:
    """A moment on a grid fine enough for the tuplets that occur: floats of two readers are one value."""
    return Fraction(round(moment * _GRID), _GRID)


_GRID = 1680
"""Parts of a quarter note: all of up to 8, and 12, 16 and 24 to the quarter fall on it."""


def _key(mark: Mark) -> int:
    steps = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
    return 12 * mark.octave + steps[mark.letter] + mark.alter


# --- references ----------------------------------------------------------------------------------


def _of_music21(source: str | Path, form: str | None = None, **options: bool) -> Notes:
    """Return notes as music21 reads them; `options` are those of its reader of the format."""
    import music21

    read = music21.converter.parse(source, format=form, forceSource=True, **options)
    return _held_by_music21(read.scores[0] if isinstance(read, music21.stream.Opus) else read)


def _held_by_music21(score: Any) -> Notes:
    """Return the notes of a score of music21's, tied ones joined by pitch and time over all parts."""
    import music21

    score = score.toSoundingPitch()
    out: Notes = []
    for part in score.parts:
        waiting: dict[tuple[float, float], int] = {}
        heads = [
            (e, n)
            for e in part.flatten().notes
            if not isinstance(e, music21.harmony.Harmony)
            for n in (e.notes if isinstance(e, music21.chord.Chord) else (e,))
            if isinstance(n, music21.note.Note)
        ]
        for element, n in heads:
            onset, length = float(element.offset), float(element.duration.quarterLength)
            grace, p = element.duration.isGrace, n.pitch
            tie = n.tie.type if n.tie is not None and not grace else ""
            held = waiting.pop((p.ps, round(onset, 3)), None) if tie in ("stop", "continue") else None
            if held is None:
                held = len(out)
                mark = Mark(
                    0, 0.0, 0.0 if grace else length, p.step, int(p.alter), p.implicitOctave, 1, grace
                )
                out.append((mark, onset))
            else:
                mark, first = out[held]
                out[held] = mark._replace(duration=onset + length - first), first
            if tie in ("start", "continue"):
                waiting[p.ps, round(onset + length, 3)] = held
    return [(m._replace(duration=round(m.duration, 3) + 0.0), t) for m, t in out]


def _of_partitura(load: str, path: Path) -> Notes:
    """Return notes as partitura reads them; `load` names its function."""
    import partitura

    return _held_by_partitura(getattr(partitura, load)(str(path)))


def _held_by_partitura(score: Any) -> Notes:
    import partitura

    out: Notes = []
    for part in score.parts:
        quarter = part.quarter_map
        for n in part.notes_tied:
            grace = isinstance(n, partitura.score.GraceNote)
            moment = float(quarter(n.start.t))
            length = 0.0 if grace else round(float(quarter(n.end_tied.t)) - moment, 3)
            out.append((Mark(0, 0.0, length, n.step, int(n.alter or 0), n.octave, 1, grace), moment))
    return out


def _read(reader: Callable[[bytes, str], Score], data: bytes, name: str, graces: bool = True) -> Notes:
    score = reader(data, name)
    return our_notes(score) if graces else _without_graces(score)


# --- files ---------------------------------------------------------------------------------------


def humdrum(choice: Choice) -> Iterator[Case]:
    """Yield **kern files of the open data and of the music21 corpus."""
    files = sorted(data_folder().glob("harmony/*/*/*/score.krn"))
    with contextlib.suppress(ImportError):
        import music21

        corpus = Path(music21.__file__).parent / "corpus"
        files += sorted(p for name in _KERN_OF for p in corpus.glob(f"{name}/**/*.krn"))
    for name, path in choice.of({str(p): p for p in files}, ["humdrum"]):
        yield Case(
            "humdrum",
            name,
            partial(_read, read_humdrum, path.read_bytes(), path.name),
            {"partitura": partial(_of_partitura, "load_kern", path), "music21": partial(_of_music21, path)},
        )


def abc(choice: Choice) -> Iterator[Case]:
    """Yield tunes of the collections in the music21 corpus."""
    try:
        import music21
    except ImportError:
        return
    tunes: dict[str, str] = {}
    for path in sorted((Path(music21.__file__).parent / "corpus").glob("*/*.abc")):
        for text in re.split(r"(?m)^(?=X:)", path.read_text(encoding="utf-8", errors="replace")):
            if text.startswith("X:"):
                tunes[f"{path.parent.name}/{path.name} {text.splitlines()[0]}"] = text
    for name, text in choice.of(tunes, ["abc"]):
        yield Case(
            "abc",
            name,
            partial(_read, read_abc, text.encode(), name),
            {"music21": partial(_of_music21, text, "abc")},
        )


def _musicxml(choice: Choice, forms: Sequence[str]) -> list[Path]:
    """Return the chosen MusicXML files of the open data of which any form is still to be compared."""
    found = sets()
    files = [p for name in ("preludes", "lieder", "textbook", "songs") for p in found.get(name, ())]
    return [path for _, path in choice.of({str(p): p for p in files}, forms)]


def _scores(choice: Choice, form: str) -> Iterator[tuple[Path, Score]]:
    for path in _musicxml(choice, [form]):
        yield path, read_score(path)


def mei(choice: Choice, folder: Path) -> Iterator[Case]:
    """Yield MusicXML of the open data that the notation engine wrote as MEI."""
    options = {"inputFrom": "xml", "breaks": "none", "xmlIdSeed": 1}
    with NotationWorker() as worker:
        for path, score in _scores(choice, "mei"):
            (text,) = worker.ask(score.source.decode(), [("getMEI", [])], options, path.name)
            written = folder / "written.mei"
            written.write_text(text, encoding="utf-8")
            yield Case(
                "mei",
                str(path),
                partial(_read, read_mei, text.encode(), path.name),
                {
                    "the score": partial(our_notes, score),
                    "partitura": partial(_of_partitura, "load_mei", written),
                    # It knows no syllable that is a word of its own, which the engine says of some.
                    "music21": partial(_of_music21, text.replace(' wordpos="s"', ""), "mei"),
                },
            )


def timewise(choice: Choice) -> Iterator[Case]:
    """Yield MusicXML of the open data set bar by bar in place of part by part."""
    for path, score in _scores(choice, "timewise"):
        data = as_timewise(score.source)
        yield Case(
            "timewise",
            str(path),
            partial(_read, read_musicxml, data, path.name),
            {"the score": partial(our_notes, score)},
        )


def as_timewise(source: bytes) -> bytes:
    """Return partwise MusicXML timewise (MusicXML 4.0, ``score-timewise``)."""
    root = etree.fromstring(source)
    parts = root.findall("part")
    bars = [part.findall("measure") for part in parts]
    for part in parts:
        root.remove(part)
    root.tag = "score-timewise"
    for k in range(max(len(found) for found in bars)):
        first = next(found[k] for found in bars if k < len(found))
        measure = etree.SubElement(root, "measure", {str(k): str(v) for k, v in first.attrib.items()})
        for part, found in zip(parts, bars, strict=True):
            inside = etree.SubElement(measure, "part", id=part.get("id", ""))
            if k < len(found):
                inside.extend(list(found[k]))
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8")


def midi(choice: Choice, folder: Path) -> Iterator[Case]:
    """Yield MusicXML of the open data that was written as MIDI here."""
    for path, score in _scores(choice, "midi"):
        data = as_midi(score)
        written = folder / "written.mid"
        written.write_bytes(data)
        yield Case(
            "midi",
            str(path),
            partial(_read, read_midi, data, path.name, graces=False),
            {
                "the score": partial(_without_graces, score),
                "partitura": partial(_of_partitura, "load_score_midi", written),
                # Else it moves all to the nearest quarter or third of a quarter.
                "music21": partial(_of_music21, written, "midi", quantizePost=False),
            },
        )


def _without_graces(score: Score) -> Notes:
    return [(mark, moment) for mark, moment in our_notes(score) if not mark.grace]


def as_midi(score: Score) -> bytes:
    """Write a score as MIDI: one track a staff; short bars as meters of their own; no grace notes."""
    head: list[tuple[int, int, Any]] = []
    meter, signature = None, None
    for m in score.measures:
        tick = int(m.start * TICKS)
        now = (m.beats, m.beat_type)
        if m.length != m.full_length:
            unit = next((u for u in (4, 8, 16, 32, 64, 128) if (m.length * u / 4).denominator == 1), 0)
            now = (int(m.length * unit / 4), unit) if unit else now
        if now != meter:
            head.append((tick, 0, mido.MetaMessage("time_signature", numerator=now[0], denominator=now[1])))
            meter = now
        if m.signature != signature:
            head.append((tick, 0, mido.MetaMessage("key_signature", key=_KEYS[m.signature])))
            signature = m.signature
    tracks = [head]
    for staff in range(1, score.parts[-1].last_staff + 1):
        events: list[tuple[int, int, Any]] = []
        for n in score.notes:
            if n.staff == staff and not n.grace:
                on = mido.Message("note_on", note=n.midi, velocity=70)
                off = mido.Message("note_off", note=n.midi)
                events += [(round(n.onset * TICKS), 1, on), (round(n.end * TICKS), 0, off)]
        tracks.append(events)
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    for events in tracks:
        track, before = mido.MidiTrack(), 0
        for tick, _, message in sorted(events, key=lambda e: e[:2]):
            track.append(message.copy(time=tick - before))
            before = tick
        file.tracks.append(track)
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def written_by_music21(choice: Choice, folder: Path) -> Iterator[Case]:
    """Yield MusicXML and MIDI that music21 wrote of the open data."""
    import music21

    def write(score: Any, form: str, path: Path) -> None:
        score.write(form, fp=path)

    yield from _written(
        choice,
        folder,
        "music21",
        (partial(music21.converter.parse, forceSource=True), _held_by_music21),
        {
            "musicxml": (write, read_musicxml, _of_music21),
            "midi": (write, read_midi, partial(_of_music21, form="midi", quantizePost=False)),
        },
    )


def written_by_partitura(choice: Choice, folder: Path) -> Iterator[Case]:
    """Yield MusicXML, MEI and MIDI that partitura wrote of the last part: its MEI holds one part only."""
    import partitura

    def write(score: Any, form: str, path: Path) -> None:
        getattr(partitura, f"save_{'score_midi' if form == 'midi' else form}")(score, str(path))

    def piano(path: Path) -> Any:
        return partitura.score.Score(
            partlist=partitura.load_musicxml(str(path), force_note_ids=True).parts[-1:]
        )

    yield from _written(
        choice,
        folder,
        "partitura",
        (piano, _held_by_partitura),
        {
            "musicxml": (write, read_musicxml, partial(_of_partitura, "load_musicxml")),
            "mei": (write, read_mei, partial(_of_partitura, "load_mei")),
            "midi": (write, read_midi, partial(_of_partitura, "load_score_midi")),
        },
    )


_Form = tuple[Callable[[Any, str, Path], None], Callable[[bytes, str], Score], Callable[[Path], Notes]]
"""How a library writes a form, how we read it, and how the library reads it."""


def _written(
    choice: Choice,
    folder: Path,
    library: str,
    held: tuple[Callable[[Path], Any], Callable[[Any], Notes]],
    forms: Mapping[str, _Form],
) -> Iterator[Case]:
    load, notes_of = held
    names = {form: f"{library}-{form}" for form in forms}
    for path in _musicxml(choice, list(names.values())):
        if (f"{library} reads", str(path)) in choice.done:
            continue
        try:
            with _silent():
                score = load(path)
                notes = notes_of(score)
        except Exception as error:
            yield _not_written(f"{library} reads", path, error)
            continue
        for form, (write, read, theirs) in forms.items():
            name = names[form]
            if (name, str(path)) in choice.done:
                continue
            written = folder / f"{name}.{'mid' if form == 'midi' else form}"
            try:
                with _silent():
                    write(score, form, written)
                data = written.read_bytes()
            except Exception as error:
                yield _not_written(name, path, error)
                continue
            kept = [(m, t) for m, t in notes if not m.grace] if form == "midi" else notes
            yield Case(
                name,
                str(path),
                partial(_read, read, data, written.name, graces=form != "midi"),
                {"held": partial(list, kept), "read back": partial(theirs, written)},
            )


def _not_written(form: str, path: Path, error: Exception) -> Case:
    return Case(form, str(path), list, {}, f"{type(error).__name__}: {error}")


@contextlib.contextmanager
def _silent() -> Iterator[None]:
    """Keep quiet what the other libraries print and warn of."""
    with contextlib.redirect_stdout(io.StringIO()), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


# --- MIDI beside a score, repeats played out ------------------------------------------------------


@dataclass
class Found:
    """How many notes of the scores MIDI files hold."""

    files: int = 0
    notes: int = 0
    found: int = 0
    laid_on: int = 0
    spelled: int = 0
    lost: Counter[str] = field(default_factory=Counter)


def played_order(score: Score) -> list[int]:
    """Return the indexes of bars with simple repeats and two endings played out."""
    out: list[int] = []
    i, start, turn = 0, 0, 1
    done: set[int] = set()
    while i < len(score.measures):
        m = score.measures[i]
        if m.repeat_start and i != start:
            start, turn = i, 1
        if m.ending and turn not in m.ending:
            i += 1
            continue
        out.append(i)
        if m.repeat_end and turn == 1 and i not in done:
            done.add(i)
            i, turn = start, 2
            continue
        if m.repeat_end:
            start, turn = i + 1, 1
        i += 1
    return out


_AWAY = Fraction(1, 2)
"""Quarter notes by which a note may be moved and still be counted as "moved", not as "lost"."""


def midi_beside_score(folder: Path) -> Found:
    """Compare ``midi_score.mid`` with ``xml_score.musicxml`` in a folder, bar after bar as played."""
    score = read_score(folder / "xml_score.musicxml")
    read = read_midi((folder / "midi_score.mid").read_bytes(), folder.name)
    names = {(n.onset, n.midi): n.pitch.name for n in read.notes if not n.grace}
    when: dict[int, list[Fraction]] = {}
    for onset, key in names:
        when.setdefault(key, []).append(onset)
    inside: dict[int, dict[tuple[Fraction, int], str]] = {}
    for n in score.notes:
        if not n.grace:
            inside.setdefault(n.measure, {})[n.onset - score.measures[n.measure].start, n.midi] = n.pitch.name
    tally = Found(files=1)
    at = shift = Fraction(0)
    # The same note of a bar played twice is one where the two begin together, as in a table of moments.
    seen: set[tuple[Fraction, int]] = set()
    for i in played_order(score):
        here = {(at + place, key): name for (place, key), name in inside.get(i, {}).items()}
        here = {k: name for k, name in here.items() if k not in seen}
        seen |= here.keys()
        shift = _best_shift(here, names, when, shift)
        tally.notes += len(here)
        tally.found += len(here.keys() & names.keys())
        for (onset, key), name in here.items():
            moved = (onset + shift, key)
            if moved in names:
                tally.laid_on += 1
                tally.spelled += names[moved] == name
            else:
                near = any(abs(t - onset - shift) <= _AWAY for t in when.get(key, ()))
                tally.lost["moved" if near else "lost"] += 1
        at += score.measures[i].length
    return tally


def _best_shift(
    here: Mapping[tuple[Fraction, int], str],
    names: Mapping[tuple[Fraction, int], str],
    when: Mapping[int, Sequence[Fraction]],
    before: Fraction,
) -> Fraction:
    """Return how much later a bar stands in the other file: as the one before, unless more notes fit."""
    ways = Counter({before: 0})
    for onset, key in here:
        ways.update(t - onset for t in when.get(key, ()) if abs(t - onset - before) <= 4)
    hits = {way: sum((onset + way, key) in names for onset, key in here) for way in ways}
    best = max(hits, key=lambda way: (hits[way], -abs(way - before)))
    return best if hits[best] > hits[before] + len(here) // 4 else before


def beside_scores(name: str) -> Found:
    """Add up the MIDI files of a folder of the open data, ``performance`` or ``performance-earlier``."""
    total = Found()
    for path in sorted((data_folder() / name).glob("*/midi_score.mid")):
        one = midi_beside_score(path.parent)
        total.files += 1
        total.notes += one.notes
        total.found += one.found
        total.laid_on += one.laid_on
        total.spelled += one.spelled
        total.lost.update(one.lost)
    return total


def print_beside_scores() -> None:
    """Print how much of the scores their MIDI files hold, romantic and earlier ones."""
    for label, name in (("midi, romantic", "performance"), ("midi, earlier", "performance-earlier")):
        t = beside_scores(name)
        if t.notes:
            print(
                f"{label:15} {t.files:3} files {t.notes:6} notes: found {100 * t.found / t.notes:.1f}, "
                f"laid on {100 * t.laid_on / t.notes:.1f} (spelled alike {100 * t.spelled / t.laid_on:.1f}); "
                + ", ".join(f"{k} {v}" for k, v in t.lost.most_common()),
                flush=True,
            )


# --- the table -----------------------------------------------------------------------------------


@dataclass
class _Row:
    files: int = 0
    failed: int = 0
    ours: int = 0
    larger: int = 0
    agree: int = 0
    laid_on: int = 0
    moved: int = 0
    whole: int = 0
    classes: Counter[str] = field(default_factory=Counter)

    def add(self, other: _Row) -> None:
        for name in ("files", "failed", "ours", "larger", "agree", "laid_on", "moved", "whole"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.classes.update(other.classes)


@dataclass
class Result:
    """What was found in one file of one form: a row for each reference, and each disagreement."""

    form: str
    name: str
    rows: dict[str, _Row] = field(default_factory=dict)
    lines: list[str] = field(default_factory=list)


def measure(case: Case) -> Result:
    """Compare one file with each reference, and where all references are of one mind."""
    out = Result(case.form, case.name)
    rows, spelled = out.rows, not case.form.endswith("midi")
    if case.failed:
        rows["not written"] = _Row(failed=1)
        out.lines.append(case.failed)
        return out
    try:
        barred = case.ours()
        ours = flat(barred, spelled)
    except UnderstaveError as error:
        rows["not read by us"] = _Row(failed=1)
        out.lines.append(f"not read: {error}")
        return out
    read: list[Counter[tuple[Mark, float]]] = []
    for name, get in case.references.items():
        row = rows.setdefault(name, _Row())
        try:
            with _silent():
                given = get()
                theirs = flat(given, spelled)
        except Exception as error:
            row.failed += 1
            out.lines.append(f"{name} failed: {type(error).__name__}: {error}")
            continue
        tally, lines = compare(ours, theirs)
        row.files, row.ours, row.larger = row.files + 1, row.ours + tally.ours, row.larger + tally.larger
        row.agree += tally.agree
        moved, moves = laid_on(barred, given)
        if moves:
            tally, lines = compare(ours, flat(moved, spelled, 0.0))
        row.laid_on += tally.agree
        row.moved += moves
        row.whole += tally.agree == tally.larger
        row.classes.update({k: v for k, v in tally.classes.items() if v})
        out.lines += [f"{name}: {line}" for line in lines[:100]]
        read.append(Counter(theirs))
    if len(read) > 1:
        mine, row = Counter(ours), rows.setdefault("both", _Row())
        against = mine - (read[0] | read[1])
        shared = (read[0] & read[1]) - mine
        row.files, row.ours, row.larger = row.files + 1, row.ours + len(ours), row.larger + len(ours)
        row.agree += len(ours) - against.total()
        row.laid_on = row.agree
        row.whole += not against and not shared
        row.classes.update({"only ours": against.total(), "only theirs": shared.total()})
        if against or shared:
            out.lines.append(f"both: only ours {sorted(against)[:20]}")
            out.lines.append(f"both: only theirs {sorted(shared)[:20]}")
    return out


def results(
    group: str, cases: Callable[[Choice], Iterator[Case]], count: int, state: Path | None
) -> Iterator[Result]:
    """Yield what is kept of a group of files, then compare the rest and keep each as it is found."""
    done = set()
    for (kept_of, form, name), result in earlier(state):
        if kept_of == group:
            done.add((form, name))
            yield result
    for case in cases(Choice(count, frozenset(done))):
        result = measure(case)
        keep(state, (group, case.form, case.name), result)
        yield result


BESIDE = "beside"
FORMATS = (BESIDE, "humdrum", "abc", "mei", "midi", "timewise", "music21", "partitura")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    import tempfile

    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--formats", default=",".join(FORMATS))
    parser.add_argument("--files", type=int, default=400, help="of each format, chosen by a fixed seed")
    parser.add_argument("--details", default="", help="file to write every disagreement to")
    parser.add_argument("--state", type=Path, help="keep results here and go on where they end")
    options = parser.parse_args(arguments)
    formats = options.formats.split(",")
    if BESIDE in formats:
        print_beside_scores()
    heads = f"{'files':>5} {'whole':>5} {'failed':>6} {'notes':>8} {'agree':>7} {'laid on':>7} {'moved':>5}"
    print(f"{'format':18} {'reference':14} {heads}  disagreements left")
    with (
        open(options.details or os.devnull, "w", encoding="utf-8") as details,
        tempfile.TemporaryDirectory() as folder,
    ):
        makers: dict[str, Callable[[Choice], Iterator[Case]]] = {
            "humdrum": humdrum,
            "abc": abc,
            "mei": partial(mei, folder=Path(folder)),
            "midi": partial(midi, folder=Path(folder)),
            "timewise": timewise,
            "music21": partial(written_by_music21, folder=Path(folder)),
            "partitura": partial(written_by_partitura, folder=Path(folder)),
        }
        for group in (f for f in formats if f != BESIDE):
            table: dict[tuple[str, str], _Row] = {}
            for result in results(group, makers[group], options.files, options.state):
                for reference, row in result.rows.items():
                    table.setdefault((result.form, reference), _Row()).add(row)
                if result.lines:
                    print("\n".join((f"## {result.form} {result.name}", *result.lines)), file=details)
            for (form, reference), t in table.items():
                shares = f"{100 * t.agree / max(1, t.larger):7.3f} {100 * t.laid_on / max(1, t.larger):7.3f}"
                told = ", ".join(f"{k} {v}" for k, v in t.classes.most_common())
                print(
                    f"{form:18} {reference:14} {t.files:5} {t.whole:5} {t.failed:6} {t.ours:8} {shares} "
                    f"{t.moved:5}  {told}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
