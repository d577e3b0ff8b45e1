"""How far our notes agree with those of two reference readers, set by set, printed as a table.

    python -m benchmarks.score_agreement [--sets corpus,songs,...] [--sample N] [--worst] [--details FILE]

At the end, or with ``--sets midi`` alone, how much of romantic and earlier scores the MIDI files beside them
hold (`benchmarks.format_agreement`, which compares all other formats).

Every MusicXML file of a set is read by us, by partitura and by music21. A note agrees if bar, place in
the bar, duration (ties joined), spelling, octave and staff are all the same, to a thousandth of a
quarter note, or to a sixteenth of one where the file rounds its durations and the reference keeps them
("rounded"); "onset" also wants the moment from the start of the piece to be the same. The share is
taken of the larger of the two note counts. What disagrees is counted by class.

Classes of disagreement left over, each looked at in the files:

rounded, duration, place and duration
    Files that round durations to coarse divisions (17 or 1 to the quarter in the worst two): both
    references keep the rounded times, we set them back to the printed values. A few are ties: from a
    bar that is short in one part, where ours reaches the common barline; to a small (cue) note with
    the tie printed but not marked as sounding; or into another voice, which partitura leaves apart.
bar start, parts drift
    Bars too long or too short in one part only, rests that overfill a bar, bars filled up after a
    pickup. Both references then begin the same bar at different moments in different parts ("parts
    drift") or carry the excess on; ours begin together at every barline.
bar
    Grace notes at the end of a bar: partitura has them in the next one, we where they are written.
staff
    Notes that cross to the other staff inside a chord or as grace notes: music21 keeps them, or all
    of the chord, on the staff of their voice.
place in bar
    Notes of one chord with a direction between them: music21 begins them one after another.
spelling
    Quarter tones: partitura drops them, we keep the whole semitone.
only ours, only theirs
    Notes on a staff with a percussion clef, which we leave out; notes tied to a grace note of their own
    pitch before them, which partitura leaves out; the second note of a tie that only one side joins.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import random
import sys
import time
import warnings
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path
from typing import Any, NamedTuple

from lxml import etree

from benchmarks.data import data_folder
from understave.errors import UnderstaveError
from understave.score.model import Score
from understave.score.reader import read_score


class Mark(NamedTuple):
    """One note as a reader has it; times in quarter notes rounded to a thousandth."""

    bar: int
    place: float
    duration: float
    letter: str
    alter: int
    octave: int
    staff: int
    grace: bool


@dataclass
class Tally:
    """Counts over some files."""

    files: int = 0
    failed: int = 0
    ours: int = 0
    theirs: int = 0
    larger: int = 0
    agree: int = 0
    onset: int = 0
    classes: Counter[str] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        """Add another tally to this one."""
        self.files += other.files
        self.failed += other.failed
        self.ours += other.ours
        self.theirs += other.theirs
        self.larger += other.larger
        self.agree += other.agree
        self.onset += other.onset
        self.classes.update(other.classes)


Notes = list[tuple[Mark, float]]


def _round(value: Any) -> float:
    return round(float(value), 3) + 0.0


def our_notes(score: Score, as_in_file: bool = False) -> Notes:
    """Our notes at sounding pitch, or with the pitch that stands in the file (a transposing part's)."""
    octaves: dict[str, int] = {}
    if as_in_file:
        for e in etree.fromstring(score.source).iterfind("part/measure/note[pitch]"):
            octaves[e.get("id", "")] = int(e.findtext("pitch/octave") or 0)
    out = []
    for n in score.notes:
        p = n.written if as_in_file else n.pitch
        pitch = (p.letter, p.alter, octaves[n.id] if as_in_file else p.octave)
        m = score.measures[n.measure]
        mark = Mark(n.measure, _round(n.onset - m.start), _round(n.duration), *pitch, n.staff, n.grace)
        out.append((mark, _round(n.onset)))
    return out


def partitura_notes(path: Path) -> Notes:
    """Notes as partitura reads them, ties joined by it."""
    import partitura

    out: Notes = []
    staff = 0
    for part in partitura.load_musicxml(str(path)).parts:
        bars = sorted({m.start.t for m in part.iter_all(partitura.score.Measure)})
        quarter = part.quarter_map
        zero = float(quarter(part.first_point.t))
        starts = [float(quarter(t)) for t in bars]
        most = 1
        for n in part.notes_tied:
            grace = isinstance(n, partitura.score.GraceNote)
            local = n.staff or 1
            most = max(most, local)
            t = n.start.t
            bar = max(0, bisect_right(bars, t) - 1)
            moment = float(quarter(t))
            length = 0.0 if grace else float(quarter(n.end_tied.t)) - moment
            alter = int(n.alter or 0)
            mark = Mark(
                bar,
                _round(moment - starts[bar]),
                _round(length),
                n.step,
                alter,
                n.octave,
                staff + local,
                grace,
            )
            out.append((mark, _round(moment - zero)))
        staff += max(most, int(part.number_of_staves or 1))
    return out


class _Head(NamedTuple):
    """A written note of music21's."""

    part: str
    midi: int
    onset: float
    length: float
    mark: Mark
    voice: str
    tie: str


def music21_notes(path: Path) -> Notes:
    """Notes as music21 reads them, at sounding pitch.

    Ties are joined here by music21's tie marks, over voices and staves of a part: its own stripTies
    leaves a note of a chord unjoined where not all of the chord is tied.
    """
    import music21

    heads: list[_Head] = []
    score = music21.converter.parse(str(path), forceSource=True)
    if not isinstance(score, music21.stream.Score):
        raise ValueError("not one score")
    score = score.toSoundingPitch()
    for staff, part in enumerate(score.parts):
        group = str(part.id).split("-Staff")[0]
        for bar, measure in enumerate(part.getElementsByClass(music21.stream.Measure)):
            start = measure.getOffsetBySite(part)
            for element in measure.recurse().notes:
                if isinstance(element, music21.harmony.Harmony):
                    continue
                place = element.getOffsetInHierarchy(measure)
                voice = str(getattr(element.activeSite, "id", ""))
                inside = element.notes if isinstance(element, music21.chord.Chord) else (element,)
                for n in inside:
                    if not isinstance(n, music21.note.Note):
                        continue
                    grace = element.duration.isGrace
                    length = 0.0 if grace else float(element.duration.quarterLength)
                    p = n.pitch
                    mark = Mark(
                        bar, _round(place), length, p.step, int(p.alter), p.implicitOctave, staff + 1, grace
                    )
                    tie = n.tie.type if n.tie is not None and not grace else ""
                    heads.append(_Head(group, round(p.ps), float(start + place), length, mark, voice, tie))
    return _join(heads)


def _join(heads: list[_Head]) -> Notes:
    """Join notes where a tie ends as the next one of its pitch begins, first in one voice and staff."""
    out: list[_Head] = []
    waiting: dict[tuple[str, int], list[int]] = {}
    for _, group in groupby(sorted(heads, key=lambda h: h.onset), key=lambda h: h.onset):
        new = list(group)
        slots: dict[int, int] = {}
        for alike in (True, False):
            for k, h in enumerate(new):
                if h.tie not in ("stop", "continue") or k in slots:
                    continue
                here = waiting.get((h.part, h.midi), [])
                for i in here:
                    o = out[i]
                    same = (o.voice, o.mark.staff) == (h.voice, h.mark.staff)
                    if abs(o.onset + o.length - h.onset) < 0.01 and (same or not alike):
                        slots[k] = i
                        here.remove(i)
                        out[i] = o._replace(length=h.onset + h.length - o.onset)
                        break
        for k, h in enumerate(new):
            if k not in slots:
                slots[k] = len(out)
                out.append(h)
            if h.tie in ("start", "continue"):
                waiting.setdefault((h.part, h.midi), []).append(slots[k])
    return [(h.mark._replace(duration=_round(h.length)), _round(h.onset)) for h in out]


CLASSES: tuple[tuple[str, Callable[[Mark], tuple[object, ...]]], ...] = (
    ("staff", lambda n: (n.bar, n.place, n.duration, n.letter, n.alter, n.octave, n.grace)),
    ("duration", lambda n: (n.bar, n.place, n.letter, n.alter, n.octave, n.staff, n.grace)),
    ("place in bar", lambda n: (n.bar, n.duration, n.letter, n.alter, n.octave, n.staff, n.grace)),
    ("octave", lambda n: (n.bar, n.place, n.duration, n.letter, n.alter, n.staff, n.grace)),
    ("spelling", lambda n: (n.bar, n.place, n.duration, n.staff, n.grace)),
    ("place and duration", lambda n: (n.bar, n.letter, n.alter, n.octave, n.staff)),
    ("bar", lambda n: (n.duration, n.letter, n.alter, n.octave, n.staff, n.grace)),
)


ROUNDING = 0.0625
"""Quarter notes by which a reference may be off where a file rounds its durations."""


def _nearly(ours: list[Mark], theirs: list[Mark]) -> tuple[list[Mark], list[Mark], list[tuple[Mark, Mark]]]:
    """Pair notes that are the same but for the rounding of their times; also return those left over."""
    table: dict[tuple[object, ...], list[Mark]] = {}
    for mark in theirs:
        table.setdefault((mark.bar, *mark[3:]), []).append(mark)
    left: list[Mark] = []
    pairs: list[tuple[Mark, Mark]] = []
    for mark in ours:
        found = table.get((mark.bar, *mark[3:]), [])
        near = [
            o
            for o in found
            if abs(o.place - mark.place) <= ROUNDING and abs(o.duration - mark.duration) <= ROUNDING
        ]
        if near:
            best = min(near, key=lambda o: abs(o.place - mark.place) + abs(o.duration - mark.duration))
            found.remove(best)
            pairs.append((mark, best))
        else:
            left.append(mark)
    return left, [mark for found in table.values() for mark in found], pairs


def _first_drift(notes: Notes) -> int:
    """First bar that does not begin at the same moment in all parts; a large number if all do."""
    starts: dict[int, float] = {}
    for mark, moment in notes:
        if abs(starts.setdefault(mark.bar, moment - mark.place) - (moment - mark.place)) > 0.01:
            starts[mark.bar] = float("inf")
    return min((bar for bar, start in starts.items() if start == float("inf")), default=1_000_000)


def compare(ours: Notes, theirs: Notes) -> tuple[Tally, list[str]]:
    """Count agreement, and sort what disagrees into classes; also give a line for each disagreement."""
    tally = Tally(files=1, ours=len(ours), theirs=len(theirs), larger=max(len(ours), len(theirs)))
    lines: list[str] = []
    left: dict[Mark, list[float]] = {}
    for mark, moment in theirs:
        left.setdefault(mark, []).append(moment)
    rest: list[Mark] = []
    told: set[str] = set()
    drift = _first_drift(theirs)
    for mark, moment in ours:
        moments = left.get(mark)
        if not moments:
            rest.append(mark)
            continue
        tally.agree += 1
        near = min(moments, key=lambda t: abs(t - moment))
        moments.remove(near)
        if abs(near - moment) < 0.002:
            tally.onset += 1
        else:
            name = "bar start" if mark.bar < drift else "parts drift"
            tally.classes[name] += 1
            if name not in told:
                lines.append(f"{name}: ours {moment} theirs {near} at {tuple(mark)}")
            told.add(name)
    others = [mark for mark, moments in left.items() for _ in moments]
    rest, others, rounded = _nearly(rest, others)
    tally.agree += len(rounded)
    tally.onset += len(rounded)
    tally.classes["rounded"] = len(rounded)
    lines += [f"rounded: ours {tuple(a)} theirs {tuple(b)}" for a, b in rounded]
    for name, key in CLASSES:
        table: dict[tuple[object, ...], list[Mark]] = {}
        for mark in others:
            table.setdefault(key(mark), []).append(mark)
        unmatched = []
        for mark in rest:
            found = table.get(key(mark))
            if found:
                other = found.pop()
                tally.classes[name] += 1
                lines.append(f"{name}: ours {tuple(mark)} theirs {tuple(other)}")
            else:
                unmatched.append(mark)
        rest = unmatched
        others = [mark for found in table.values() for mark in found]
    for name, marks in (("only ours", rest), ("only theirs", others)):
        tally.classes[name] += len(marks)
        lines += [f"{name}: {tuple(mark)}" for mark in marks]
    return tally, lines


REFERENCES: dict[str, Callable[[Path], Notes]] = {"partitura": partitura_notes, "music21": music21_notes}


def agreement(path: Path, reference: str, score: Score) -> tuple[Tally, list[str]]:
    """Compare one file with one reference; a file that the reference cannot read counts as failed."""
    try:
        with contextlib.redirect_stdout(io.StringIO()), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = REFERENCES[reference](path)
    except Exception as error:
        return Tally(failed=1), [f"{reference} failed: {type(error).__name__}: {error}"]
    return compare(our_notes(score, as_in_file=reference == "partitura"), theirs)


CORPUS = (
    *("bach", "beach", "ciconia", "corelli", "cpebach", "handel", "haydn", "johnson_j_r", "joplin"),
    *("leadSheet", "liliuokalani", "luca", "lusitano", "monteverdi", "schoenberg", "schubert"),
    *("schumann_clara", "schumann_robert", "trecento", "verdi", "weber", "webern"),
)
"""Folders of the music21 package's corpus that are compared."""


def sets() -> dict[str, list[Path]]:
    """The MusicXML files of each set that is there.

    ``suite`` is the unofficial MusicXML test suite (R. Kainhofer and others), one notation a file, as
    the music21 package carries it; ``corpus`` is that package's corpus; the rest is open data beside
    the checkout.
    """
    found: dict[str, list[Path]] = {}
    try:
        import music21

        package = Path(music21.__file__).parent
        found["suite"] = sorted(_files(package / "musicxml" / "lilypondTestSuite"))
        found["corpus"] = sorted(p for name in CORPUS for p in _files(package / "corpus" / name))
    except ImportError:
        pass
    data = data_folder()
    for name in ("lieder", "preludes", "variations", "textbook", "grounds"):
        files = [p for half in ("dev", "train") for p in _files(data / "harmony" / half / name)]
        found[name] = sorted(files)
    found["performance"] = sorted(_files(data / "performance"))
    found["songs"] = sorted(_files(data / "songs"))
    return {name: files for name, files in found.items() if files}


def _files(folder: Path) -> Iterable[Path]:
    return (p for p in folder.rglob("*") if p.suffix in (".mxl", ".musicxml", ".xml"))


def measure_set(
    files: Sequence[Path], references: Sequence[str], say: Callable[[str], None]
) -> tuple[dict[str, Tally], list[tuple[float, str, str]]]:
    """Compare the files of one set; return a tally for each reference and the shares by file."""
    tallies = {name: Tally() for name in references}
    shares: list[tuple[float, str, str]] = []
    for path in files:
        try:
            score = read_score(path)
        except UnderstaveError as error:
            say(f"## {path}\nnot read: {error}")
            continue
        for name in references:
            tally, lines = agreement(path, name, score)
            tallies[name].add(tally)
            if tally.larger:
                shares.append((tally.agree / tally.larger, name, str(path)))
            if lines:
                say(f"## {path} {name}\n" + "\n".join(lines[:200]))
    return tallies, sorted(shares)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--sets", default="", help="comma-separated; all that are there by default")
    parser.add_argument("--sample", type=int, default=0, help="files of each set, chosen by a fixed seed")
    parser.add_argument("--references", default="partitura,music21")
    parser.add_argument("--worst", action="store_true", help="list the files that agree least")
    parser.add_argument("--details", default="", help="file to write every disagreement to")
    options = parser.parse_args(arguments)
    references = options.references.split(",")
    with open(options.details or os.devnull, "w", encoding="utf-8") as details:
        heads = f"{'files':>5} {'failed':>6} {'notes':>8} {'agree':>7} {'onset':>7}"
        print(f"{'set':12} {'reference':10} {heads}  disagreements")
        for name, files in sets().items():
            if options.sets and name not in options.sets.split(","):
                continue
            if options.sample and len(files) > options.sample:
                files = sorted(random.Random(1).sample(files, options.sample))
            begun = time.perf_counter()
            tallies, shares = measure_set(files, references, lambda text: print(text, file=details))
            for reference, t in tallies.items():
                print(
                    f"{name:12} {reference:10} {t.files:5} {t.failed:6} {t.ours:8} "
                    f"{100 * t.agree / max(1, t.larger):7.3f} {100 * t.onset / max(1, t.larger):7.3f}  "
                    + ", ".join(f"{k} {v}" for k, v in t.classes.most_common())
                )
            print(f"{name:12} took {time.perf_counter() - begun:.0f} s", file=sys.stderr)
            if options.worst:
                for share, reference, path in shares[:15]:
                    print(f"    {100 * share:7.3f} {reference} {path}")
    if not options.sets or "midi" in options.sets.split(","):
        from benchmarks.format_agreement import print_beside_scores

        print_beside_scores()


if __name__ == "__main__":
    main()
