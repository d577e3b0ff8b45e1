"""How far the melody is told from its figuration: ``python -m benchmarks.melody [-- SONG ...]``.

In: songs of the open data (OpenScore Lieder Corpus, CC0), every so-manieth, or the files named. The singer's
line is the truth; nothing of words, names of parts or who sings is given.

* song: all of it, the words taken away. Of the notes taken for the melody while the singer sings, how many
  are sung; of the notes sung, how many are taken. Once more with the singer's line written into the pianist's
  upper staff, where only the notes themselves can tell it.
* piano alone: the singer's line is taken away altogether. Where the piano doubles it (nine of ten notes of a
  bar), its doubled notes are the truth.
* on top: the same for a melody that is always the highest note, for orientation.

With ``--pianists`` recorded pianists are asked (`benchmarks.performances`; measuring only). They play a
melody above the rest of its chord: where notes are struck together, one of them taken for the melody, it
should be the loudest (median over pieces; beside it the highest note, and any one). What tells most is
where the melody is not the highest note: how often they play it louder than the highest.

Bars in which a melody was found but is not told, since nothing shows it to lead (`unled_bars`), count as none
found. Out: precision, recall and F1 by notes.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from statistics import mean, median

from rich.console import Console
from rich.progress import track
from rich.table import Table

from benchmarks.data import data_folder
from benchmarks.nonchord import Counts
from benchmarks.performances import Performed, pieces, read_piece
from understave.errors import UnderstaveError
from understave.findings.texture import texture_of, unled_bars
from understave.score.model import Note, Score
from understave.score.reader import read_score

_DOUBLED = 0.9
"""Share of a bar's sung notes that the piano strikes with the singer where it doubles the line."""
_FEWEST = 3
"""Sung notes of a bar at least, so that doubling is no chance."""
_Place = tuple[Fraction, int]
WAYS = ("song", "song in two staves", "piano alone")


@dataclass(frozen=True, slots=True)
class Sung:
    """A song: the score without words, the singer's notes, and the same in two staves and without singer."""

    whole: Score
    line: tuple[Note, ...]
    merged: Score
    alone: Score


def without_words(score: Score) -> Sung | None:
    """Return a song taken apart; None where nobody sings, or where two do, or more than a piano plays."""
    singers = {note.part for note in score.notes if note.lyrics}
    if len(singers) != 1:
        return None
    singer = singers.pop()
    staves = sorted({note.staff for note in score.notes if note.part != singer})
    line = tuple(note for note in score.struck if note.part == singer)
    if len(staves) != 2 or len({note.staff for note in line}) != 1:
        return None
    bare = tuple(replace(note, lyrics=()) for note in score.notes)
    rest = tuple(note for note in bare if note.part != singer)
    other = rest[0].part
    moved = tuple(
        replace(note, part=other, staff=staves[0], voice=f"sung {note.voice}")
        if note.part == singer
        else note
        for note in bare
    )
    return Sung(replace(score, notes=bare), line, replace(score, notes=moved), replace(score, notes=rest))


def melody_of(score: Score) -> list[Note]:
    """Return what is told as the melody: notes of bars in which it leads."""
    unled = unled_bars(score, ())
    return [note for note in texture_of(score, ()).melody if note.measure not in unled]


def on_top(score: Score) -> list[Note]:
    """Return the highest note of each moment at which something is struck."""
    best: dict[Fraction, Note] = {}
    for note in score.struck:
        if note.onset not in best or note.midi > best[note.onset].midi:
            best[note.onset] = note
    return list(best.values())


def doubled(song: Sung) -> set[_Place]:
    """Return the places of the piano's notes that double the singer, of the bars in which it does."""
    struck = {(note.onset, note.midi) for note in song.alone.struck}
    by_bar: dict[int, list[_Place]] = defaultdict(list)
    for note in song.line:
        by_bar[note.measure].append((note.onset, note.midi))
    found: set[_Place] = set()
    for places in by_bar.values():
        with_piano = [place for place in places if place in struck]
        if len(places) >= _FEWEST and len(with_piano) >= _DOUBLED * len(places):
            found |= set(with_piano)
    return found


def add(counts: Counts, truth: set[_Place], found: Iterable[Note], bars: set[int]) -> None:
    """Count the notes found in bars in which there is a truth."""
    places = {(note.onset, note.midi) for note in found if note.measure in bars}
    counts.right += len(places & truth)
    counts.wrong += len(places - truth)
    counts.missed += len(truth - places)


def judge(song: Sung, counts: dict[tuple[str, str], Counts]) -> None:
    """Count one song in every way."""
    sung = {(note.onset, note.midi) for note in song.line}
    bars = {note.measure for note in song.line}
    twice = doubled(song)
    with_piano = {song.whole.measure_at(onset).index for onset, _ in twice}
    for way, score, truth, where in (
        (WAYS[0], song.whole, sung, bars),
        (WAYS[1], song.merged, sung, bars),
        (WAYS[2], song.alone, twice, with_piano),
    ):
        if truth:
            add(counts[way, "found"], truth, melody_of(score), where)
            add(counts[way, "on top"], truth, on_top(score), where)


def chosen(files: Sequence[Path], every: int) -> list[Path]:
    """Return the songs named, or every so-manieth of the open data."""
    return list(files) or sorted((data_folder() / "songs").glob("*.mxl"))[::every]


@dataclass(frozen=True, slots=True)
class Voiced:
    """One recorded piece: of the chords with a melody note in them, over all performances, the share in
    which the melody, the highest note, and any one note by chance is the loudest; by how much velocity
    the melody stands above the mean of the others. Of the `count` chords whose highest note is not the
    melody, the `louder` are those in which the melody is the louder of the two.
    """

    melody: float
    top: float
    chance: float
    above: float
    louder: int
    count: int


def chords_played(score: Score, played: Performed) -> list[dict[str, float]]:
    """Return what is struck together, each time it is played: velocity by the id of the note."""
    chords: dict[tuple[Fraction, int], dict[str, float]] = defaultdict(dict)
    times: dict[str, int] = defaultdict(int)
    for strike in played.performance.strikes:
        note = score.note_by_id.get(strike.note)
        if note is not None and not note.grace:
            times[note.id] += 1
            chords[note.onset, times[note.id]][note.id] = strike.velocity
    return list(chords.values())


def voiced(score: Score, performed: Sequence[Performed]) -> Voiced | None:
    """Return how pianists voice what is found to be the melody; None where no chord holds one."""
    line = {note.id for note in melody_of(score)}
    melody, top, chance, above, louder = [], [], [], [], []
    for chord in (chord for played in performed for chord in chords_played(score, played)):
        own = [i for i in chord if i in line]
        if len(chord) < 2 or len(own) != 1:
            continue
        (sung,) = own
        highest = max(chord, key=lambda i: score.note_by_id[i].midi)
        loudest = [i for i, velocity in chord.items() if velocity == max(chord.values())]
        melody.append((sung in loudest) / len(loudest))
        top.append((highest in loudest) / len(loudest))
        chance.append(1 / len(chord))
        above.append(chord[sung] - mean(v for i, v in chord.items() if i != sung))
        if highest != sung and chord[highest] != chord[sung]:
            louder.append(chord[sung] > chord[highest])
    if not melody:
        return None
    return Voiced(mean(melody), mean(top), mean(chance), mean(above), sum(louder), len(louder))


def show_pianists(every: int, console: Console) -> None:
    """Print how recorded pianists voice the melody found, by period."""
    rows: dict[str, list[Voiced]] = defaultdict(list)
    for recorded in track(pieces()[::every], description="recorded pieces", console=console, transient=True):
        found = voiced(*read_piece(recorded))
        if found is not None:
            rows[recorded.period or "unknown"].append(found)
            rows["all"].append(found)
    names = ("melody", "top", "chance", "above")
    table = Table(
        "period", "pieces", "melody loudest", "highest", "any", "above the rest", "not on top: louder"
    )
    for period, members in rows.items():
        figures = (median(getattr(one, name) for one in members) for name in names)
        louder, count = (sum(getattr(one, name) for one in members) for name in ("louder", "count"))
        below = f"{louder / count:.3f} of {count}" if count else "none"
        table.add_row(period, str(len(members)), *(f"{x:.3f}" for x in figures), below)
    console.print(table)


def main() -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--every", type=int, help="take every so-manieth song (20), or piece (1)")
    parser.add_argument("--pianists", action="store_true", help="ask recorded pianists instead")
    parser.add_argument("songs", nargs="*", type=Path, help="songs to read instead")
    options = parser.parse_args()
    console = Console()
    if options.pianists:
        if not pieces():
            print(f"the open data are not at {data_folder()}", file=sys.stderr)
            return 1
        show_pianists(options.every or 1, console)
        return 0
    files = chosen(options.songs, options.every or 20)
    if not files:
        print(f"the open data are not at {data_folder()}", file=sys.stderr)
        return 1
    counts: dict[tuple[str, str], Counts] = defaultdict(Counts)
    songs = 0
    for file in track(files, description="songs", console=console, transient=True):
        try:
            song = without_words(read_score(file))
        except UnderstaveError as error:
            print(f"{file.name}: {error}", file=sys.stderr)
            continue
        if song is not None:
            songs += 1
            judge(song, counts)
    table = Table("given", "melody", "notes", "P", "R", "F1", title=f"{songs} songs: the singer's line")
    for (way, name), count in counts.items():
        figures = (f"{count.precision:.3f}", f"{count.recall:.3f}", f"{count.f1:.3f}")
        table.add_row(way, name, str(count.right + count.missed), *figures)
    console.print(table)
    return 0


if __name__ == "__main__":
    sys.exit(main())
