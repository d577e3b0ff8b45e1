"""A question and an index -> the places that answer it, best first and spread over the pieces.

A question may join several things: places have to answer the device, progression or bass line, and their
pieces the rest. The database finds events and pieces; progressions and bass lines are matched with the lines
of all chords (see `chord_lines`), every one of them, so that counts are exact.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt

from understave.errors import RepertoireError, UnderstaveError
from understave.findings.texture import TEXTURE
from understave.harmony.typed import MODE_WORDS, typed_key, usual_entry
from understave.repertoire.asked_chords import standard_chords, standard_keys
from understave.repertoire.chord_lines import Lines, open_lines
from understave.repertoire.device_names import Device, device
from understave.repertoire.matching import Step, locate
from understave.repertoire.patterns import bass_line, key_plan, progression
from understave.repertoire.store import CATALOGUE_VERSION, open_store
from understave.score.composers import PERIODS
from understave.theory.key import Key


@dataclass(frozen=True, slots=True)
class Question:
    """What is looked for; everything left empty is left open.

    `device`, `progression`, `bass` and `texture` are about places, one of the first three at most; with one
    of them, `texture` must be heard there. Chords and keys are read in the conventions in force
    (`asked_chords`). `key` is a key (``"Ab"``, ``"f"``) and `mode` ``"major"``
    or ``"minor"``, of the place. `pace` (chords a bar, usually) and `difficulty` (0..10) are ranges of the
    piece; `components` limits components of the difficulty from above. `each` is the most places of one
    piece.
    """

    device: str = ""
    progression: str = ""
    inversions: bool = False
    bass: str = ""
    texture: str = ""
    key_plan: str = ""
    key: str = ""
    mode: str = ""
    pace: tuple[float, float] | None = None
    period: str = ""
    composer: str = ""
    difficulty: tuple[float, float] | None = None
    components: tuple[tuple[str, float], ...] = ()
    limit: int = 20
    each: int = 2


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a piece: `path` below the indexed folder, `piece` its id, bars from 0 and as printed.

    `what` is it as the index has it (``"neapolitan (N6)"``, ``"ii6 V7 I"``, the keys of a whole piece);
    `kind` and `label` are those of an event, empty for others (`place_names` has words for them).
    `confidence` is the reading's (0..1), `score` what places are ordered by within their piece.
    """

    path: str
    piece: str
    title: str
    composer: str
    difficulty: float
    what: str
    key: str
    bar: int
    last_bar: int
    bar_number: str
    last_bar_number: str
    confidence: float
    score: float
    kind: str = ""
    label: str = ""


@dataclass(frozen=True, slots=True)
class Answer:
    """The places shown, and how many there are in how many pieces altogether."""

    places: tuple[Place, ...]
    count: int
    pieces: int
    folder: str = ""


@dataclass(slots=True)
class _Condition:
    """Parts of a WHERE clause and their values."""

    parts: list[str] = field(default_factory=list)
    values: list[Any] = field(default_factory=list)

    def add(self, part: str, *values: Any) -> None:
        self.parts.append(part)
        self.values += values

    @property
    def text(self) -> str:
        return " AND ".join(self.parts) or "true"


@contextmanager
def connect(index: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the catalogue of an index to read; raise UnderstaveError if there is none or it is damaged."""
    store = open_store(index)
    try:
        db = duckdb.connect(str(store.catalogue), read_only=True)
    except duckdb.Error as error:
        raise RepertoireError(
            f"The catalogue {store.catalogue} cannot be opened; run 'understave index' on the folder again."
        ) from error
    try:
        if told(db, "version") != str(CATALOGUE_VERSION):
            raise RepertoireError(
                f"The index in {index} was made by another version; run 'understave index' again."
            )
        yield db
    finally:
        db.close()


def find(index: Path, question: Question) -> Answer:
    """Return the places of an index that answer a question; see `ask`."""
    with connect(index) as db:
        return ask(db, question)


def ask(db: duckdb.DuckDBPyConnection, question: Question) -> Answer:
    """Return the places that answer a question, best first and spread over pieces and composers.

    Every piece gives its best place before any gives its second. Raises UnderstaveError where the question
    cannot be understood, with what could be asked instead.
    """
    asked = [n for n in ("device", "progression", "bass") if getattr(question, n)]
    if len(asked) > 1:
        raise RepertoireError(
            f"Ask for one of {' and '.join(asked)} at a time; the other conditions can be joined."
        )
    pieces = _pieces(question)
    wanted = device(question.device, _event_names(db)) if question.device else None
    if wanted and wanted.chords:
        question = replace(question, mode=wanted.mode or question.mode, key=wanted.key or question.key)
        return _in_lines(db, question, "chord", progression(wanted.chords), pieces)
    if wanted:
        return _events(db, question, wanted, pieces)
    if question.progression:
        chords = standard_chords(question.progression, *key_and_mode(question.key, question.mode))
        steps = progression(chords, question.inversions)
        return _in_lines(db, question, "chord", steps, pieces)
    if question.bass:
        return _in_lines(db, question, "bass", bass_line(question.bass), pieces)
    if question.texture:
        label = _texture(db, question.texture)
        return _events(db, question, Device(label, TEXTURE.name, (label,)), pieces)
    return _whole_pieces(db, question, pieces)


def _pieces(question: Question) -> _Condition:
    """Return the conditions on pieces; ``p`` is the table of pieces."""
    where = _Condition()
    where.add("p.error = ''")
    if question.key_plan:
        where.add("regexp_matches(p.key_plan, ?)", key_plan(standard_keys(question.key_plan)))
    if question.pace:
        where.add("p.pace BETWEEN ? AND ?", *question.pace)
    if question.difficulty:
        where.add("p.difficulty BETWEEN ? AND ?", *question.difficulty)
    if question.composer:
        where.add("contains(strip_accents(lower(p.composer)), strip_accents(lower(?)))", question.composer)
    if question.period:
        names = [name for name, _ in PERIODS]
        if question.period.lower() not in names:
            raise RepertoireError(
                f"{question.period!r} is no period known here; choose one of {', '.join(names)}."
            )
        where.add("p.composer IN (SELECT composer FROM composers WHERE period = ?)", question.period.lower())
    for name, most in question.components:
        from understave.repertoire.difficulty import COMPONENTS

        if name not in COMPONENTS:
            raise RepertoireError(f"{name!r} is no side of difficulty; choose from {', '.join(COMPONENTS)}.")
        where.add(
            "p.piece IN (SELECT piece FROM difficulty WHERE component = ? AND value <= ?)",
            name,
            most,
        )
    return where


def _event_names(db: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    return [(str(k), str(v)) for k, v in db.execute("SELECT kind, label FROM event_names").fetchall()]


def _texture(db: duckdb.DuckDBPyConnection, text: str) -> str:
    textures = [(k, v) for k, v in _event_names(db) if k == TEXTURE.name]
    try:
        wanted = device(text, textures)
    except UnderstaveError:
        wanted = Device(text)
    if wanted.kind != TEXTURE.name or not wanted.labels:
        raise RepertoireError(
            f"{text!r} is no texture; this index has {', '.join(sorted(v for _, v in textures)) or 'none'}."
        )
    return wanted.labels[0]


def key_and_mode(key: str, mode: str) -> tuple[str, str]:
    """Return a key's symbol and a mode as the index has them; raise UnderstaveError where they are none."""
    if key:
        key = typed_key(key, usual_entry()).symbol
    mode = MODE_WORDS.get(mode.casefold(), mode) if len(mode) > 1 else mode
    if mode not in ("", "major", "minor"):
        raise RepertoireError(f"{mode!r} is no mode; choose major or minor.")
    return key, mode


def _place(question: Question, table: str, mode: str = "", key: str = "") -> _Condition:
    where = _Condition()
    symbol, wanted = key_and_mode(key or question.key, mode or question.mode)
    if symbol:
        where.add(f"{table}.key = ?", symbol)
    if wanted:
        where.add(f"{table}.mode = ?", wanted)
    return where


_ONCE = "row_number() OVER (PARTITION BY piece ORDER BY score DESC, place) AS nth"
_SPREAD = "row_number() OVER (PARTITION BY composer_number, nth ORDER BY score DESC, piece) AS of_composer"
_TOTALS = "(SELECT count(*) FROM once WHERE nth = 1)"


def _events(db: duckdb.DuckDBPyConnection, question: Question, wanted: Device, pieces: _Condition) -> Answer:
    where = _place(question, "e", wanted.mode, wanted.key)
    where.add("e.kind = ?", wanted.kind)
    if wanted.labels:
        where.add(f"e.label IN ({', '.join('?' * len(wanted.labels))})", *wanted.labels)
    if question.texture and wanted.kind != TEXTURE.name:
        where.add(
            "EXISTS (FROM textures t WHERE t.piece = e.piece AND t.pattern = ?"
            " AND t.bar <= e.last_bar AND t.last_bar >= e.bar)",
            _texture(db, question.texture),
        )
    # What is told surely and fills few bars shows best what it is.
    query = f"""
        WITH found AS (
            SELECT e.piece, p.composer_number, e.number AS place, e.label, e.numeral, e.key,
                   e.bar, e.last_bar, e.bar_number, e.last_bar_number, e.confidence,
                   e.confidence / (1 + 0.02 * greatest(0, e.last_bar - e.bar - 3)) AS score
            FROM events e JOIN pieces p USING (piece) WHERE {where.text} AND {pieces.text}
        ), once AS (SELECT *, {_ONCE} FROM found),
        spread AS (SELECT *, {_SPREAD} FROM once WHERE nth <= ?),
        shown AS (SELECT * FROM spread ORDER BY nth, of_composer, score DESC, piece LIMIT ?)
        SELECT p.path, p.name, p.title, p.composer, p.difficulty,
               CASE WHEN numeral = '' THEN label ELSE label || ' (' || numeral || ')' END,
               key, bar, last_bar, bar_number, last_bar_number, confidence, score, ?, label,
               (SELECT count(*) FROM once), {_TOTALS}
        FROM shown s JOIN pieces p USING (piece) ORDER BY nth, of_composer, score DESC, piece
    """
    rows = db.execute(
        query, [*where.values, *pieces.values, question.each, question.limit, wanted.kind]
    ).fetchall()
    # The columns of a place in its own order, then the two counts.
    count, of = rows[0][-2:] if rows else (0, 0)
    return Answer(tuple(Place(*row[:-2]) for row in rows), int(count), int(of), told(db, "folder"))


def _in_lines(
    db: duckdb.DuckDBPyConnection, question: Question, what: str, steps: Sequence[Step], pieces: _Condition
) -> Answer:
    """Match a progression (`what` is ``chord``) or a bass line (``bass``) with all chords."""
    lines = open_lines(db)
    here = keys_in(lines, *key_and_mode(question.key, question.mode))
    composers = _composers(db, pieces)
    textures = _Textures(db, _texture(db, question.texture)) if question.texture else None
    count = of = 0
    best: list[tuple[npt.NDArray[Any], ...]] = []
    for block in lines.blocks():
        column = {name: lines.columns[name][block] for name in ("piece", "bar", "key")}
        found = locate(lines.line(what, block), steps)
        keep = here[column["key"][found.first]] & (composers[column["piece"][found.first]] >= 0)
        first, last, sure = found.first[keep], found.last[keep], found.sure[keep]
        piece, bar, last_bar = column["piece"][first], column["bar"][first], column["bar"][last]
        if textures:
            heard = textures.heard(piece, bar, last_bar)
            first, last, sure = first[heard], last[heard], sure[heard]
            piece, bar, last_bar = piece[heard], bar[heard], last_bar[heard]
        count += first.size
        of += int(np.count_nonzero(np.diff(piece, prepend=-1)))
        # What is told surely and fills few bars shows best what it is.
        score = sure / (1 + 0.02 * np.maximum(0, last_bar - bar - 3))
        order, nth = _best_first(piece, score)
        early = nth < question.each
        order, nth = order[early], nth[early]
        best.append((piece[order], nth, score[order], block.start + first[order], block.start + last[order]))
    if not count:
        return Answer((), 0, 0, told(db, "folder"))
    piece, nth, score, first, last = (np.concatenate(column) for column in zip(*best, strict=True))
    spread = _spread(composers[piece], piece, nth, score)[: question.limit]
    shown = [column[spread] for column in (piece, score, first, last)]
    return Answer(tuple(_places(db, lines, *shown)), count, of, told(db, "folder"))


def keys_in(lines: Lines, key: str, mode: str) -> npt.NDArray[np.bool_]:
    """Tell for every key of the lines whether it is the one asked for, if any, and in the mode, if any."""
    names = lines.names["key"]
    return np.array([(not key or n == key) and (not mode or Key.parse(n).mode == mode) for n in names], bool)


def _composers(db: duckdb.DuckDBPyConnection, pieces: _Condition) -> npt.NDArray[np.int32]:
    """Return for every piece the number of its composer, -1 where the piece is not asked for."""
    most = (db.execute("SELECT max(piece) FROM pieces").fetchone() or (0,))[0] or 0
    rows = db.execute(
        f"SELECT p.piece, p.composer_number FROM pieces p WHERE {pieces.text}", pieces.values
    ).fetchnumpy()
    composers = np.full(most + 1, -1, np.int32)
    composers[rows["piece"]] = rows["composer_number"]
    return composers


class _Textures:
    """Where one texture is heard, in all pieces."""

    _BARS = 1 << 24

    def __init__(self, db: duckdb.DuckDBPyConnection, pattern: str) -> None:
        rows = db.execute(
            "SELECT piece, bar, last_bar FROM textures WHERE pattern = ? ORDER BY piece, bar", [pattern]
        ).fetchnumpy()
        piece = rows["piece"].astype(np.int64) * self._BARS
        self._begins = piece + rows["bar"]
        # Up to where it is heard at all once it began; both hands may have it, over different bars.
        self._until = np.maximum.accumulate(piece + rows["last_bar"])

    def heard(
        self, piece: npt.NDArray[Any], bar: npt.NDArray[Any], last_bar: npt.NDArray[Any]
    ) -> npt.NDArray[np.bool_]:
        """Tell of places whether the texture is heard in one of their bars."""
        start = piece.astype(np.int64) * self._BARS
        nearest = np.searchsorted(self._begins, start + last_bar, side="right") - 1
        if not self._until.size:
            return np.zeros(piece.shape, bool)
        return np.asarray((nearest >= 0) & (self._until[nearest] >= start + bar))


def _best_first(
    piece: npt.NDArray[Any], score: npt.NDArray[Any]
) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Order places, given piece by piece, by score within their piece; and tell the how-manieth each is."""
    order = np.argsort(piece + 0.999 * (1 - score.astype(np.float64)), kind="stable")
    own = piece[order]
    begins = np.flatnonzero(np.diff(own, prepend=-1))
    return order, np.arange(own.size) - np.repeat(begins, np.diff(begins, append=own.size))


def _spread(
    composer: npt.NDArray[Any], piece: npt.NDArray[Any], nth: npt.NDArray[Any], score: npt.NDArray[Any]
) -> npt.NDArray[Any]:
    """Order places: every piece's best first, and among these every composer's best."""
    order = np.lexsort((piece, -score, composer, nth))
    group = composer[order].astype(np.int64) + nth[order] * (int(composer.max()) + 1)
    begins = np.flatnonzero(np.diff(group, prepend=-1))
    again = np.empty(order.size, np.int64)
    again[order] = np.arange(order.size) - np.repeat(begins, np.diff(begins, append=order.size))
    return np.lexsort((piece, -score, again, nth))


def _places(
    db: duckdb.DuckDBPyConnection,
    lines: Lines,
    piece: npt.NDArray[Any],
    score: npt.NDArray[Any],
    first: npt.NDArray[Any],
    last: npt.NDArray[Any],
) -> Iterator[Place]:
    """Yield places with what is to be shown of them."""
    wanted = sorted({int(p) for p in piece})
    spans: dict[int, list[tuple[Any, ...]]] = {}
    for own, *span in db.execute(
        "SELECT piece, bar, bar_number, key, numeral, confidence FROM spans"
        " WHERE piece IN (SELECT unnest(?::INTEGER[])) ORDER BY piece, number",
        [wanted],
    ).fetchall():
        spans.setdefault(own, []).append(tuple(span))
    about = {
        row[0]: row[1:]
        for row in db.execute(
            "SELECT piece, path, name, title, composer, difficulty FROM pieces"
            " WHERE piece IN (SELECT unnest(?::INTEGER[]))",
            [wanted],
        ).fetchall()
    }
    begins = np.searchsorted(lines.columns["piece"], piece)
    for number, value, begin, end in zip(piece, score, first - begins, last - begins, strict=True):
        own = spans[int(number)][begin : end + 1]
        bars, numbers, keys, numerals, sure = zip(*own, strict=True)
        path, name, title, composer, hard = about[int(number)]
        yield Place(
            path,
            name,
            title,
            composer,
            hard,
            " ".join(numerals),
            keys[0],
            bars[0],
            bars[-1],
            numbers[0],
            numbers[-1],
            min(sure),
            float(value),
        )


def _whole_pieces(db: duckdb.DuckDBPyConnection, question: Question, pieces: _Condition) -> Answer:
    if question.key or question.mode:
        where = _place(question, "p")
        where.parts = [part.replace("p.key", "p.home") for part in where.parts]
        pieces.parts += where.parts
        pieces.values += where.values
    if len(pieces.parts) == 1:
        raise RepertoireError(
            "Say what to look for: a device, --chords, --bass, --texture, --key-plan, --pace, --period or "
            "--difficulty."
        )
    rows = db.execute(
        f"""
        WITH found AS (SELECT p.* FROM pieces p WHERE {pieces.text}),
        spread AS (
            SELECT *, row_number() OVER (PARTITION BY composer ORDER BY difficulty, piece) AS nth FROM found
        )
        SELECT path, name, title, composer, difficulty, key_plan, home, bars, (SELECT count(*) FROM found)
        FROM spread s ORDER BY nth, difficulty, piece LIMIT ?
        """,
        [*pieces.values, question.limit],
    ).fetchall()
    places = [
        Place(
            str(path),
            piece,
            title,
            composer,
            hard,
            plan.strip(),
            home,
            0,
            bars - 1,
            "",
            "",
            1.0,
            1.0,
        )
        for path, piece, title, composer, hard, plan, home, bars, _ in rows
    ]
    count = int(rows[0][-1]) if rows else 0
    return Answer(tuple(places), count, count, told(db, "folder"))


def told(db: duckdb.DuckDBPyConnection, name: str) -> str:
    """Return what a catalogue says of itself under a name; empty where it says nothing."""
    try:
        row = db.execute("SELECT value FROM about WHERE name = ?", [name]).fetchone()
    except duckdb.Error:
        return ""
    return str(row[0]) if row else ""
