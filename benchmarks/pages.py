"""How much of engraved pages is read: ``python -m benchmarks.pages``.

In: scores as MusicXML, engraved by verovio in each of its fonts and by LilyPond, where it is installed.
Out: for each piece and engraver the notes read and the bars wholly read, against the score that was
engraved.

notes       F1 of notes with the same spelled pitch, onset in their bar and whole duration (ties joined);
            grace notes and cues are not counted. Bars read and engraved are laid beside each other first, so
            that a bar lost costs its own notes and not all that follow.
graces      F1 of grace notes by pitch and bar.
bars        part of the bars whose notes are all right, with none too many.
hidden      notes that the score itself keeps from being printed: they are counted as missing, though no page
            shows them.
s/page      CPU seconds a page (of all threads), from the bytes of the PDF or its picture to the score.
words       F1 of the syllables of songs, by the note (its place in the bar) that they are sung to.
named       how many of the bars that the reader finds doubtful are wrong (precision), how many of the wrong
            ones it finds so (recall). ``--fit`` fits the weights of that and prints them, and the same
            figures with each piece left out of the fit (of all but `CUED`). ``--reliability`` prints how many
            bars of each confidence are right; with ``--first N`` of pictures of the first N pages, and
            nothing else.

The pieces of ``--split build`` served while the reader was made, in the fonts Leipzig, Bravura, Leland and
Gootville. Those of ``--split held`` (the default) and the font Petaluma did not. With ``--unknown`` the
shapes of the font that a page is engraved in are taken from the reader: what it would do with a font that
nobody has seen. LilyPond's pages show what ``musicxml2ly`` made of the MusicXML, which is not always what
it says; pieces whose bars LilyPond finds not filled are left out and named, for their pages show another
score, with voices shifted against each other and lines broken within bars.

With ``--scans`` three scanned editions are read instead (``pianists/*/score.pdf``, pictures) and compared
with their MusicXML. What else stands on these pages, before and after the excerpt, is not counted.
Corrections a page are notes to be changed, added or taken out, the bars laid beside each other so that these
are fewest. Nothing was learnt from or set by these pages. With ``--photographs`` made photographs of the
first page of our own study are read and counted so; the flattening of pages was made while looking at these.

With ``--without-meter`` the first page of each piece is engraved by verovio with its meter hidden, and the
second, which prints none, is read alone: right is a meter that the reader infers as the score has it, 4/4
standing for 2/2, whose bars hold the same. Second pages of pieces that change their meter are left out.
To the pieces some in other meters are added.

With ``--pictures clean`` the pages are read as pictures of 300 dpi, with ``--pictures worn`` as worn ones
(`engraved.worn`, with fixed seeds), with ``--pictures photographed`` as a phone takes them, curled, aslant
and in shadow (`engraved.photographed`), by the weights that come with the package, or those of
`training.page_seeing` that ``--weights`` names. That network learns from songs that verovio engraves
in four fonts: of this list neither the pieces nor Petaluma nor LilyPond.
"""

from __future__ import annotations

import argparse
import io
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from fractions import Fraction
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
from lxml import etree
from rich.console import Console
from rich.table import Table

from benchmarks import engraved
from benchmarks.data import data_folder
from benchmarks.logistic import fitted, left_out
from understave.errors import ScoreError
from understave.score.model import Score
from understave.score.reader import read_score
from understave.score.readers.page.certainty import DOUBTFUL, Signs, confidence
from understave.score.readers.page.page_reader import WEIGHTS, read_page, read_pictures, read_with_signs
from understave.score.readers.page.picture_files import Grey

BUILD = (
    "examples/chain-ferry/score.musicxml",
    "examples/lock-water/score.musicxml",
    "harmony/dev/preludes/the-well-tempered-clavier-i-01/score.mxl",
    "harmony/dev/preludes/the-well-tempered-clavier-i-10/score.mxl",
    "harmony/train/preludes/the-well-tempered-clavier-i-02/score.mxl",
    "harmony/train/preludes/the-well-tempered-clavier-i-06/score.mxl",
    "harmony/train/preludes/the-well-tempered-clavier-i-13/score.mxl",
    "harmony/train/lieder/bonis-mel-allons-prier/score.mxl",
    "harmony/train/lieder/hensel-fanny-mendelssohn-3-lieder-1-sehnsucht/score.mxl",
    "performance/chopin-ballades-1/xml_score.musicxml",
    "performance/chopin-etudes-op-10-3/xml_score.musicxml",
    "performance/chopin-etudes-op-25-1/xml_score.musicxml",
    "performance/schubert-impromptu-op-90-d-899-1/xml_score.musicxml",
    "performance/schubert-moment-musical-no-3/xml_score.musicxml",
    "performance/schubert-piano-sonatas-664-1/xml_score.musicxml",
    "performance/schumann-kreisleriana-2/xml_score.musicxml",
    "performance/schumann-kreisleriana-4/xml_score.musicxml",
    "performance-earlier/haydn-keyboard-sonatas-32-1-no-repeat/xml_score.musicxml",
    "performance-earlier/haydn-keyboard-sonatas-39-2/xml_score.musicxml",
    "performance-earlier/haydn-keyboard-sonatas-6-1/xml_score.musicxml",
)
HELD = (
    "harmony/dev/preludes/the-well-tempered-clavier-i-09/score.mxl",
    "harmony/dev/preludes/the-well-tempered-clavier-i-17/score.mxl",
    "harmony/dev/lieder/schubert-franz-schwanengesang-d-957-04-standchen/score.mxl",
    "harmony/dev/lieder/schumann-robert-dichterliebe-op-48-12-am-leuchtenden-sommermorgen/score.mxl",
    "performance/chopin-berceuse-op-57/xml_score.musicxml",
    "performance/schubert-impromptu-op-90-d-899-3/xml_score.musicxml",
    "performance/schumann-arabeske/xml_score.musicxml",
    "performance/schumann-kreisleriana-6/xml_score.musicxml",
    "performance-earlier/bach-fugue-bwv-865/xml_score.musicxml",
    "performance-earlier/haydn-keyboard-sonatas-49-1/xml_score.musicxml",
)
OTHER_METERS = tuple(
    f"harmony/train/{name}/score.mxl"
    for name in (
        "lieder/hensel-fanny-mendelssohn-6-lieder-op-9-2-ferne",
        "lieder/hensel-fanny-mendelssohn-6-lieder-op-9-5-der-maiabend",
        "lieder/paradis-maria-theresia-von-12-lieder-1786-05-die-tanne-sieh-doris-wie-vom-mond-bestrahlt",
        "lieder/reichardt-louise-zwolf-deutsche-und-italianische-romantische-gesange-01-fruhlingslied",
        "lieder/reichardt-louise-zwolf-gesange-07-volkslied",
        "lieder/reichardt-louise-zwolf-gesange-09-der-spinnerin-nachtlied",
        "lieder/reichardt-louise-zwolf-gesange-11-daphne-am-bach",
        "lieder/reichardt-louise-zwolf-gesange-op-3-04-wachtelwacht",
        "lieder/schumann-robert-frauenliebe-und-leben-op-42-3-ich-kanns-nicht-fassen",
        "preludes/the-well-tempered-clavier-i-04",
        "preludes/the-well-tempered-clavier-i-11",
        "preludes/the-well-tempered-clavier-i-20",
    )
)
"""More pieces whose meter is to be inferred, in 2/4, 3/4, 6/4, 3/8, 6/8, 9/8 and 12/8; six have upbeats."""

_MADE = {"worn": engraved.worn, "photographed": engraved.photographed}
NoteRow = tuple[str, Fraction, Fraction]
Seen = tuple[str, Path, int]
"""How pictures are made, the weights they are read by, and how many pages of a piece."""
_ALL = 1000
"""More pages than a piece has."""


@dataclass(slots=True)
class Row:
    """Counts of one piece by one engraver."""

    engraver: str
    piece: str
    read: int = 0
    there: int = 0
    right: int = 0
    graces_read: int = 0
    graces_there: int = 0
    graces_right: int = 0
    bars: int = 0
    bars_right: int = 0
    wrong: int = 0
    """Bars that are wrong, those missing or too many among them."""
    doubtful: int = 0
    named: int = 0
    words_read: int = 0
    words_there: int = 0
    words_right: int = 0
    hidden: int = 0
    pages: int = 0
    seconds: float = 0.0
    why: str = ""
    signs: list[tuple[Signs, bool]] = field(default_factory=list)
    """Of each bar the signs of trouble, and whether it is wrong."""

    def __add__(self, other: Row) -> Row:
        counts = [n for n in self.__slots__ if n not in ("engraver", "piece", "why")]
        return Row(self.engraver, "all", **{n: getattr(self, n) + getattr(other, n) for n in counts})

    @property
    def f1(self) -> float:
        """F1 of the notes."""
        return 2 * self.right / max(1, self.read + self.there)


def bars_of(score: Score, grace: bool) -> list[Counter[NoteRow]]:
    """Return the notes of each bar, or its grace notes: pitch, onset in the bar and length."""
    bars: list[Counter[NoteRow]] = [Counter() for _ in score.measures]
    for note in score.notes:
        if note.grace == grace and not note.cue:
            onset = Fraction(0) if grace else note.onset - score.measures[note.measure].start
            bars[note.measure][str(note.pitch), onset, note.duration] += 1
    return bars


def _edits(a: Counter[NoteRow], b: Counter[NoteRow]) -> int:
    """Return how many notes are to be changed, added or taken out to make one bar of another."""
    return max(a.total(), b.total()) - (a & b).total()


def fewest_edits(
    read: Sequence[Counter[NoteRow]], there: Sequence[Counter[NoteRow]]
) -> list[tuple[int | None, int | None]]:
    """Lay bars beside each other so that the edits are fewest; what is read before and after is free."""
    cost = np.zeros((len(read) + 1, len(there) + 1))
    cost[0] = np.cumsum([0, *(max(1, bar.total()) for bar in there)])
    for i, a in enumerate(read, 1):
        for k, b in enumerate(there, 1):
            cost[i, k] = min(
                cost[i - 1, k - 1] + _edits(a, b),
                cost[i - 1, k] + (max(1, a.total()) if k < len(there) else 0),
                cost[i, k - 1] + max(1, b.total()),
            )
    pairs: list[tuple[int | None, int | None]] = []
    i, k = len(read), len(there)
    while k:
        if i and cost[i, k] == cost[i - 1, k - 1] + _edits(read[i - 1], there[k - 1]):
            i, k = i - 1, k - 1
            pairs.append((i, k))
        elif i and cost[i, k] == cost[i - 1, k] + (max(1, read[i - 1].total()) if k < len(there) else 0):
            i -= 1
            if k < len(there):
                pairs.append((i, None))
        else:
            k -= 1
            pairs.append((None, k))
    return pairs[::-1]


_PASSAGE, _ALIKE = 6, 0.7
"""Bars of a passage that is written out twice though the page repeats it, and how many of them are alike."""


def _as_printed(bars: list[Counter[NoteRow]]) -> list[Counter[NoteRow]]:
    """Leave out the second time of passages that come twice in a row."""
    for length in range(len(bars) // 2, _PASSAGE - 1, -1):
        for i in range(len(bars) - 2 * length + 1):
            same = sum(bars[i + j] == bars[i + length + j] for j in range(length))
            if same >= _ALIKE * length:
                return _as_printed(bars[: i + length] + bars[i + 2 * length :])
    return bars


def scans(listed: int = 0) -> Table:
    """Read the scanned editions and count what of them is right; print the first `listed` wrong bars."""
    table = Table(
        "scan", "pages", "notes right %", "too many", "bars right %", "corrections a page", "s/page"
    )
    total = Counter[str]()
    for path in sorted((data_folder() / "pianists").glob("*/score.pdf")):
        data = path.read_bytes()
        there = _as_printed(bars_of(read_score(path.with_name("score.musicxml")), False))
        read = partial(read_page, data, path.parent.name)
        total += _add_read(table, path.parent.name, page_count(data), read, there, listed)
    table.add_row("all that were read", *_scan_cells(total))
    return table


PHOTOGRAPHS = 4
"""Photographs of one page, each taken otherwise."""


def photographs() -> Table:
    """Read the first page of our own study as a picture of 300 dpi, then from made photographs of it."""
    table = Table("picture", "pages", "notes right %", "too many", "bars right %", "corrections", "s")
    there = read_score(Path(__file__).resolve().parents[1] / BUILD[1])
    made = engraved.verovio_pdf(there.source, "Leipzig")
    page = engraved.pictures(made, 1)[0]
    bars = bars_of(there, False)[: _bars_on_first_page(made)]
    shown = {"clean": page} | {f"photograph {k}": engraved.photographed(page, k) for k in range(PHOTOGRAPHS)}
    for name, picture in shown.items():
        _add_read(table, name, 1, partial(_read_picture, picture, name), bars)
    return table


def _read_picture(picture: Grey, name: str) -> Score:
    return read_pictures([picture], name)[0]


def _bars_on_first_page(made: bytes) -> int:
    return len(read_page(_one_page(made, 0), "page.pdf").measures)


def _one_page(made: bytes, index: int) -> bytes:
    import pypdf

    writer, alone = pypdf.PdfWriter(), io.BytesIO()
    writer.add_page(pypdf.PdfReader(io.BytesIO(made)).pages[index])
    writer.write(alone)
    return alone.getvalue()


def _meter_hidden(source: bytes) -> bytes:
    """Hide the meter at the beginning of every part."""
    root = etree.fromstring(source)
    for part in root.iter("part"):
        for sign in part[0].iter("time"):
            sign.set("print-object", "no")
    return etree.tostring(root)


def unprinted_meters(paths: Sequence[Path]) -> Table:
    """Read first pages whose meter is hidden, and second pages alone, and count the meters inferred right."""
    table = Table("piece", "meter", "first page, meter hidden", "second page alone")
    right, read = [0, 0], [0, 0]
    for path in paths:
        there = read_score(path)
        made = engraved.verovio_pdf(_meter_hidden(there.source), "Leipzig")
        meters = {(m.beats, m.beat_type) for m in there.measures}
        true = there.measures[0].beats, there.measures[0].beat_type
        cells = []
        for page in range(min(page_count(made), 2 if len(meters) == 1 else 1)):
            first = read_page(_one_page(made, page), path.parent.name).measures[0]
            found = first.beats, first.beat_type
            as_is = found == ((4, 4) if true == (2, 2) else true)
            right[page] += as_is
            read[page] += 1
            cells.append(f"{found[0]}/{found[1]}{'' if as_is else ' WRONG'}")
        print(path.parent.name, true, cells, flush=True)
        table.add_row(path.parent.name, f"{true[0]}/{true[1]}", *cells)
    table.add_row("right", "", *(f"{a} of {b}" for a, b in zip(right, read, strict=True)))
    return table


def _count(
    mine: Sequence[Counter[NoteRow]], theirs: Sequence[Counter[NoteRow]], found: Counter[str], listed: int = 0
) -> None:
    """Count what is right of bars that are read; print the first `listed` wrong ones."""
    for i, k in fewest_edits(mine, theirs):
        a = mine[i] if i is not None else Counter[NoteRow]()
        b = theirs[k] if k is not None else Counter[NoteRow]()
        found.update(there=b.total(), right=(a & b).total(), many=(a - b).total(), edits=_edits(a, b))
        found.update(bars=k is not None, bars_right=k is not None and a == b)
        if a != b and listed > 0:
            listed -= 1
            print(f"  bar {i}/{k}: read {sorted((a - b).elements())} there {sorted((b - a).elements())}")


def _add_read(
    table: Table,
    name: str,
    pages: int,
    read: Callable[[], Score],
    there: Sequence[Counter[NoteRow]],
    listed: int = 0,
) -> Counter[str]:
    """Read pages and add a row for them; return what was counted, nothing where they are refused."""
    found = Counter({"pages": pages})
    began = time.process_time()
    try:
        score = read()
    except ScoreError as error:
        table.add_row(name, str(pages), str(error))
        return Counter()
    found["seconds"] = round(time.process_time() - began)
    _count(bars_of(score, False), there, found, listed)
    table.add_row(name, *_scan_cells(found))
    print(name, dict(found), flush=True)
    return found


def _scan_cells(found: Counter[str]) -> list[str]:
    pages = max(1, found["pages"])
    return [
        str(found["pages"]),
        f"{100 * found['right'] / max(1, found['there']):.1f} of {found['there']}",
        str(found["many"]),
        f"{100 * found['bars_right'] / max(1, found['bars']):.0f} of {found['bars']}",
        f"{found['edits'] / pages:.0f}",
        f"{found['seconds'] / pages:.0f} CPU",
    ]


def _words(score: Score) -> list[Counter[tuple[Fraction, str]]]:
    bars: list[Counter[tuple[Fraction, str]]] = [Counter() for _ in score.measures]
    for note in score.notes:
        for syllable in note.lyrics:
            bars[note.measure][note.onset - score.measures[note.measure].start, syllable.strip("- ")] += 1
    return bars


def aligned(
    read: Sequence[Counter[NoteRow]], there: Sequence[Counter[NoteRow]]
) -> Iterator[tuple[int | None, int | None]]:
    """Lay bars beside each other: by number where there are as many, else by their contents."""
    if len(read) == len(there):
        yield from zip(range(len(read)), range(len(there)), strict=True)
        return
    keys = [[frozenset(p for p, *_ in bar) for bar in bars] for bars in (read, there)]
    for kind, a0, a1, b0, b1 in SequenceMatcher(None, keys[0], keys[1], autojunk=False).get_opcodes():
        if kind == "equal" or a1 - a0 == b1 - b0:
            yield from zip(range(a0, a1), range(b0, b1), strict=True)
        else:
            yield from ((k, None) for k in range(a0, a1))
            yield from ((None, k) for k in range(b0, b1))


def compare(read: Score, there: Score, row: Row, signs: Sequence[Signs], listed: int = 0) -> Row:
    """Count what of a score was read; print the first `listed` wrong bars."""
    mine, theirs = bars_of(read, False), bars_of(there, False)
    my_words, their_words = _words(read), _words(there)
    for i, k in aligned(mine, theirs):
        a = mine[i] if i is not None else Counter()
        b = theirs[k] if k is not None else Counter()
        row.read += a.total()
        row.there += b.total()
        row.right += (a & b).total()
        row.wrong += a != b
        if k is not None:
            row.bars += 1
            row.bars_right += a == b
            row.words_there += their_words[k].total()
            row.words_right += (my_words[i] & their_words[k]).total() if i is not None else 0
        if i is not None:
            row.words_read += my_words[i].total()
            doubtful = confidence(signs[i]) < DOUBTFUL
            row.doubtful += doubtful
            row.named += doubtful and a != b
            row.signs.append((signs[i], a != b))
        if a != b and listed > 0:
            listed -= 1
            said = [f"{p} {o}+{d}" for p, o, d in sorted((a - b).elements(), key=lambda n: n[1])]
            lost = [f"{p} {o}+{d}" for p, o, d in sorted((b - a).elements(), key=lambda n: n[1])]
            print(f"  bar index {i}/{k}: too many {said[:10]} missing {lost[:10]}")
    for a, b in zip(bars_of(read, True), bars_of(there, True), strict=False):
        row.graces_read += a.total()
        row.graces_there += b.total()
        row.graces_right += (
            Counter(p for p, *_ in a.elements()) & Counter(p for p, *_ in b.elements())
        ).total()
    return row


def _read(made: bytes, row: Row, unknown: bool, seen: Seen | None) -> tuple[Score, tuple[Signs, ...]]:
    name = f"{row.piece}.pdf"
    if seen is None:
        began = time.process_time()
        out = read_with_signs(made, name, without=(row.engraver,) if unknown else ())
        row.seconds = time.process_time() - began
        return out
    how, weights, first = seen
    shown = engraved.pictures(made, min(first, row.pages))
    if how in _MADE:
        shown = [_MADE[how](picture, seed) for seed, picture in enumerate(shown)]
    began = time.process_time()
    out = read_pictures(shown, name, weights)
    row.seconds = time.process_time() - began
    return out


def _hidden(source: bytes) -> int:
    """Return how many notes a score keeps from being printed, grace notes left out."""
    notes = etree.fromstring(source).iter("note")
    return sum(
        n.get("print-object") == "no" and {"rest", "grace"}.isdisjoint(c.tag for c in n) for n in notes
    )


def measure(path: Path, engraver: str, unknown: bool, listed: int, seen: Seen | None = None) -> Row:
    """Engrave a piece, read it back (`seen`: as pictures) and compare."""
    row = Row(engraver, path.parent.name)
    try:
        there = read_score(path)
        row.hidden = _hidden(there.source)
        if engraver == "LilyPond":
            made = engraved.lilypond_pdf(there.source)
        else:
            made = engraved.verovio_pdf(there.source, engraver)
    except ValueError as error:
        row.why = str(error)
        return row
    row.pages = page_count(made)
    try:
        read, signs = _read(made, row, unknown, seen)
    except Exception as error:
        row.why = f"{type(error).__name__}: {error}"
        row.there = len(there.struck)
        row.bars = len(there.measures)
        return row
    return compare(read, there, row, signs, listed)


def page_count(made: bytes) -> int:
    """Return how many pages a PDF has."""
    import pypdf

    return len(pypdf.PdfReader(io.BytesIO(made)).pages)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--split", choices=("build", "held"), default="held")
    parser.add_argument("--engravers", nargs="+", default=[*engraved.FONTS, "LilyPond"])
    parser.add_argument("--unknown", action="store_true", help="take the shapes of the page's font away")
    parser.add_argument(
        "--pieces", nargs="+", default=[], help="only pieces whose path holds one of these words"
    )
    parser.add_argument("--list", type=int, default=0, metavar="N", help="print N wrong bars of each piece")
    parser.add_argument("--fit", action="store_true", help="fit how signs of trouble tell of wrong bars")
    parser.add_argument("--reliability", action="store_true", help="bars right by confidence")
    parser.add_argument("--first", type=int, default=_ALL, metavar="N", help="only the first pages")
    parser.add_argument(
        "--pictures", choices=("clean", *_MADE), default="", help="read pictures of the pages"
    )
    parser.add_argument(
        "--weights", type=Path, default=WEIGHTS, metavar="FILE", help="page-eyes.onnx of training.page_seeing"
    )
    parser.add_argument("--photographs", action="store_true", help="read made photographs of our own page")
    parser.add_argument("--scans", action="store_true", help="read scanned editions instead")
    parser.add_argument("--without-meter", action="store_true", help="read pages that print no meter")
    given = parser.parse_args(arguments)
    seen = (given.pictures, given.weights, given.first) if given.pictures else None
    console = Console(width=130)
    if given.scans or given.photographs:
        console.print(scans(given.list) if given.scans else photographs())
        return 0
    rows: list[Row] = []
    pieces = BUILD if given.split == "build" else HELD
    paths = chosen((*pieces, *OTHER_METERS) if given.without_meter else pieces, given.pieces, console)
    if given.without_meter:
        console.print(unprinted_meters(paths))
        return 0
    for path in paths:
        for engraver in given.engravers:
            if engraver == "LilyPond" and not engraved.lilypond():
                continue
            rows.append(measure(path, engraver, given.unknown, given.list, seen))
            row = rows[-1]
            print(
                f"{engraver} {row.piece}: notes {row.f1:.4f}, bars {row.bars_right}/{row.bars} {row.why}",
                flush=True,
            )
    if given.first == _ALL:
        console.print(_table(rows, given.engravers))
    if given.reliability:
        console.print(reliability([bar for row in rows for bar in row.signs]))
    if given.fit:
        _print_fit(rows)
    return 0


def chosen(names: Sequence[str], words: Sequence[str], console: Console) -> list[Path]:
    """Return the pieces whose path holds one of some words, all where there are none."""
    root = Path(__file__).resolve().parents[1]
    out = []
    for name in names:
        path = root / name if name.startswith("examples") else data_folder() / name
        if words and not any(word in name for word in words):
            continue
        if path.is_file():
            out.append(path)
        else:
            console.print(f"{name} is not here; left out")
    return out


def _table(rows: Sequence[Row], engravers: Sequence[str]) -> Table:
    table = Table(
        "engraver",
        "piece",
        "notes F1 %",
        "graces %",
        "words %",
        "bars right %",
        "hidden",
        "named: wrong, of wrong",
        "CPU s/page",
    )
    for engraver in engravers:
        own = [row for row in rows if row.engraver == engraver]
        if not own:
            continue
        total = own[0]
        for row in own[1:]:
            total = total + row
        for row in (*own, total) if len(own) > 1 else own:
            graces = row.graces_read + row.graces_there
            words = row.words_read + row.words_there
            table.add_row(
                engraver,
                row.piece,
                f"{100 * row.f1:.2f}" if not row.why else row.why[:40],
                f"{200 * row.graces_right / graces:.1f}" if graces else "",
                f"{200 * row.words_right / words:.1f}" if words else "",
                f"{100 * row.bars_right / max(1, row.bars):.1f} of {row.bars}",
                str(row.hidden or ""),
                f"{row.named} of {row.doubtful}, {row.named} of {row.wrong}",
                f"{row.seconds / max(1, row.pages):.1f}",
            )
    return table


_BANDS = (0.0, 0.25, 0.5, 0.75, 0.9, 0.95, 1.0)


def reliability(bars: Sequence[tuple[Signs, bool]]) -> Table:
    """Return how many bars of each confidence are right: as many as it says, where it can be believed."""
    table = Table("confidence", "bars", "on average %", "right %")
    for low, high in pairwise(_BANDS):
        here = [(sure, wrong) for signs, wrong in bars if low <= (sure := confidence(signs)) < high]
        if here:
            mean = sum(sure for sure, _ in here) / len(here)
            right = sum(not wrong for _, wrong in here) / len(here)
            table.add_row(f"{low} to {high}", str(len(here)), f"{100 * mean:.0f}", f"{100 * right:.0f}")
    return table


CUED = ("schubert-moment-musical-no-3",)
"""Pieces left out of the fit: this one writes grace notes as cues of 32nds before the bar line. On a page
they are grace notes, so that bars that are read as they stand count as wrong."""


def _print_fit(rows: Sequence[Row]) -> None:
    """Print the weights fitted on all bars, and what is named where each piece is left out of the fit."""
    rows = [row for row in rows if row.piece not in CUED]
    of = [row.piece for row in rows for _ in row.signs]
    signs = np.array([(1.0, *bar) for row in rows for bar, _ in row.signs])
    wrong = np.array([float(is_wrong) for row in rows for _, is_wrong in row.signs])
    named = left_out(of, signs, wrong) > 1 - DOUBTFUL
    right = float((wrong * named).sum())
    print("weights", np.round(fitted(signs, wrong), 2).tolist())
    shares = f"precision {right / named.sum():.3f}, recall {right / wrong.sum():.3f}"
    print(f"left out: {shares} of {len(wrong)} bars")


if __name__ == "__main__":
    raise SystemExit(main())
