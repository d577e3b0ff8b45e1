"""A question and an index -> the places that answer it, best first and spread over the pieces.

A question may join several things: places have to answer the device, progression or bass line, and their
pieces the rest. The database narrows; where a progression begins and ends is told afterwards, only for the
places that are shown.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import accumulate
from pathlib import Path
from typing import Any

import duckdb

from understave.errors import UnderstaveError
from understave.repertoire.devices import Device, device
from understave.repertoire.patterns import bass_line, key_plan, progression
from understave.repertoire.periods import PERIODS
from understave.repertoire.store import open_store
from understave.theory.key import Key

MOST_CANDIDATES = 400
"""Stretches in which a progression is located at most, the best ones of as many pieces as possible."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is looked for; everything left empty is left open.

    `device`, `progression`, `bass` and `texture` are about places, one of the first three at most; with one
    of them, `texture` must be heard there. `key` is a key symbol (``"Ab"``, ``"f"``) and `mode` ``"major"``
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

    `what` names it (``"neapolitan"``, ``"ii6 V7 I"``), `confidence` is the reading's (0..1), `score` what
    places are ordered by within their piece.
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
        raise UnderstaveError(
            f"The catalogue {store.catalogue} cannot be opened; run 'understave index' on the folder again."
        ) from error
    try:
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
        raise UnderstaveError(
            f"Ask for one of {' and '.join(asked)} at a time; the other conditions can be joined."
        )
    pieces = _pieces(question)
    wanted = device(question.device, _event_names(db)) if question.device else None
    if wanted and wanted.chords:
        text, wanted = wanted.chords, None
        return _in_stretches(db, question, "chords", progression(text), pieces)
    if wanted:
        return _events(db, question, wanted, pieces)
    if question.progression:
        pattern = progression(question.progression, question.inversions)
        return _in_stretches(db, question, "chords", pattern, pieces)
    if question.bass:
        return _in_stretches(db, question, "basses", bass_line(question.bass), pieces)
    if question.texture:
        label = _texture(db, question.texture)
        return _events(db, question, Device(label, "texture", (label,)), pieces)
    return _whole_pieces(db, question, pieces)


def _pieces(q: Question) -> _Condition:
    """Return the conditions on pieces; ``p`` is the table of pieces."""
    where = _Condition()
    where.add("p.error = ''")
    if q.key_plan:
        where.add("regexp_matches(p.key_plan, ?)", key_plan(q.key_plan))
    if q.pace:
        where.add("p.pace BETWEEN ? AND ?", *q.pace)
    if q.difficulty:
        where.add("p.difficulty BETWEEN ? AND ?", *q.difficulty)
    if q.composer:
        where.add("contains(strip_accents(lower(p.composer)), strip_accents(lower(?)))", q.composer)
    if q.period:
        names = [name for name, _ in PERIODS]
        if q.period.lower() not in names:
            raise UnderstaveError(f"{q.period!r} is no period known here; choose one of {', '.join(names)}.")
        where.add("p.composer IN (SELECT composer FROM composers WHERE period = ?)", q.period.lower())
    for name, most in q.components:
        from understave.repertoire.difficulty import COMPONENTS

        if name not in COMPONENTS:
            raise UnderstaveError(f"{name!r} is no side of difficulty; choose from {', '.join(COMPONENTS)}.")
        where.add(
            "p.piece IN (SELECT piece FROM difficulty WHERE component = ? AND value <= ?)",
            name,
            most,
        )
    return where


def _event_names(db: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    return [(str(k), str(v)) for k, v in db.execute("SELECT kind, label FROM event_names").fetchall()]


def _texture(db: duckdb.DuckDBPyConnection, text: str) -> str:
    textures = [(k, v) for k, v in _event_names(db) if k == "texture"]
    wanted = device(text, textures)
    if wanted.kind != "texture" or not wanted.labels:
        raise UnderstaveError(
            f"{text!r} is no texture; this index has {', '.join(sorted(v for _, v in textures)) or 'none'}."
        )
    return wanted.labels[0]


def _place(q: Question, table: str, mode: str = "", key: str = "") -> _Condition:
    where = _Condition()
    symbol = key or q.key
    if symbol:
        try:
            symbol = Key.parse(symbol).symbol
        except ValueError as error:
            raise UnderstaveError(str(error)) from error
        where.add(f"{table}.key = ?", symbol)
    wanted = mode or q.mode
    if wanted:
        if wanted not in ("major", "minor"):
            raise UnderstaveError(f"{wanted!r} is no mode; choose major or minor.")
        where.add(f"{table}.mode = ?", wanted)
    return where


_ONCE = "row_number() OVER (PARTITION BY piece ORDER BY score DESC, place) AS nth"
_SPREAD = "row_number() OVER (PARTITION BY composer_number, nth ORDER BY score DESC, piece) AS of_composer"
_TOTALS = "(SELECT count(*) FROM once WHERE nth = 1)"


def _events(db: duckdb.DuckDBPyConnection, q: Question, wanted: Device, pieces: _Condition) -> Answer:
    where = _place(q, "e", wanted.mode, wanted.key)
    where.add("e.kind = ?", wanted.kind)
    if wanted.labels:
        where.add(f"e.label IN ({', '.join('?' * len(wanted.labels))})", *wanted.labels)
    if q.texture and wanted.kind != "texture":
        where.add(
            "EXISTS (FROM textures t WHERE t.piece = e.piece AND t.pattern = ?"
            " AND t.bar <= e.last_bar AND t.last_bar >= e.bar)",
            _texture(db, q.texture),
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
               key, bar, last_bar, bar_number, last_bar_number, confidence, score,
               (SELECT count(*) FROM once), {_TOTALS}
        FROM shown s JOIN pieces p USING (piece) ORDER BY nth, of_composer, score DESC, piece
    """
    rows = db.execute(query, [*where.values, *pieces.values, q.each, q.limit]).fetchall()
    # The columns of a place in its own order, then the two counts.
    count, of = rows[0][-2:] if rows else (0, 0)
    return Answer(tuple(Place(*row[:-2]) for row in rows), int(count), int(of), _folder(db))


def _in_stretches(
    db: duckdb.DuckDBPyConnection, q: Question, column: str, pattern: str, pieces: _Condition
) -> Answer:
    where = _place(q, "t")
    where.add("met > 0")
    if q.texture:
        where.add("t.piece IN (SELECT piece FROM textures WHERE pattern = ?)", _texture(db, q.texture))
    # The texts are long: they are fetched again for the few stretches that are shown.
    query = f"""
        WITH found AS (
            SELECT t.piece, p.composer_number, t.number AS place, t.confidence AS score,
                   len(regexp_extract_all(t.{column}, ?)) AS met
            FROM stretches t JOIN pieces p USING (piece) WHERE {where.text} AND {pieces.text}
        ), once AS (SELECT *, {_ONCE} FROM found),
        spread AS (SELECT *, {_SPREAD} FROM once),
        shown AS (SELECT * FROM spread ORDER BY nth, of_composer, score DESC, piece LIMIT {MOST_CANDIDATES})
        SELECT s.piece, t.{column}, t.first_span, (SELECT sum(met) FROM once), {_TOTALS}
        FROM shown s JOIN stretches t ON t.piece = s.piece AND t.number = s.place
        ORDER BY nth, of_composer, score DESC, s.piece
    """
    rows = db.execute(query, [pattern, *where.values, *pieces.values]).fetchall()
    if not rows:
        return Answer((), 0, 0, _folder(db))
    places = _located(db, q, re.compile(pattern), rows)
    return Answer(tuple(places), int(rows[0][-2]), int(rows[0][-1]), _folder(db))


def _located(
    db: duckdb.DuckDBPyConnection, q: Question, pattern: re.Pattern[str], rows: Sequence[tuple[Any, ...]]
) -> list[Place]:
    """Find where in their stretches the pattern is met; keep the best places, spread over the pieces."""
    kept: list[tuple[int, int, int]] = []
    used: dict[int, int] = {}
    # Twice as many as are shown: the surest of a piece are chosen among them.
    for piece, text, first_span, *_ in rows:
        starts = [0, *accumulate(len(word) + 1 for word in text.split())]
        for match in pattern.finditer(text):
            if used.get(piece, 0) >= 4 * q.each:
                break
            begin = match.start() + (match.start() > 0)
            first = bisect_right(starts, begin) - 1
            last = bisect_right(starts, match.end() - 1) - 1
            kept.append((piece, first_span + first, first_span + last))
            used[piece] = used.get(piece, 0) + 1
        if len(used) >= 2 * q.limit:
            break
    spans = db.execute(
        "SELECT s.piece, s.number, s.bar, s.bar_number, s.key, s.numeral, s.confidence FROM spans s"
        " WHERE s.piece IN (SELECT unnest(?::INTEGER[]))",
        [list(used)],
    ).fetchall()
    by_place = {(row[0], row[1]): row[2:] for row in spans}
    about = {
        row[0]: row[1:]
        for row in db.execute(
            "SELECT piece, name, title, composer, difficulty, path FROM pieces"
            " WHERE piece IN (SELECT unnest(?::INTEGER[]))",
            [list(used)],
        ).fetchall()
    }
    textures: dict[int, list[tuple[int, int]]] = {}
    if q.texture:
        for piece, bar, last_bar in db.execute(
            "SELECT piece, bar, last_bar FROM textures"
            " WHERE pattern = ? AND piece IN (SELECT unnest(?::INTEGER[]))",
            [_texture(db, q.texture), list(used)],
        ).fetchall():
            textures.setdefault(piece, []).append((bar, last_bar))
    found: dict[int, list[Place]] = {}
    for piece, first, last in kept:
        own = [by_place[piece, i] for i in range(first, last + 1)]
        # The last chord is heard at least where it begins.
        bar, last_bar = own[0][0], own[-1][0]
        if q.texture and not any(a <= last_bar and b >= bar for a, b in textures.get(piece, ())):
            continue
        sure = min(row[4] for row in own)
        name, title, composer, hard, path = about[piece]
        score = sure / (1 + 0.02 * max(0, last_bar - bar - 3))
        what, numbers = " ".join(row[3] for row in own), (own[0][1], own[-1][1])
        found.setdefault(piece, []).append(
            Place(path, name, title, composer, hard, what, own[0][2], bar, last_bar, *numbers, sure, score)
        )
    return _spread(found, q)


def _spread(found: dict[int, list[Place]], q: Question) -> list[Place]:
    """Order places: every piece's best first, and among these every composer's best."""
    ranked = []
    for places in found.values():
        best = sorted(places, key=lambda p: (-p.score, p.bar))[: q.each]
        ranked += [(nth, p) for nth, p in enumerate(best)]
    composers: dict[tuple[int, str], int] = {}
    ordered = []
    for nth, place in sorted(ranked, key=lambda r: (r[0], -r[1].score, r[1].piece, r[1].bar)):
        again = composers[nth, place.composer] = composers.get((nth, place.composer), 0) + 1
        ordered.append((nth, again, place))
    ordered.sort(key=lambda r: (r[0], r[1], -r[2].score, r[2].piece))
    return [place for _, _, place in ordered[: q.limit]]


def _whole_pieces(db: duckdb.DuckDBPyConnection, q: Question, pieces: _Condition) -> Answer:
    if q.key or q.mode:
        where = _place(q, "p")
        where.parts = [part.replace("p.key", "p.home") for part in where.parts]
        pieces.parts += where.parts
        pieces.values += where.values
    if len(pieces.parts) == 1:
        raise UnderstaveError(
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
        [*pieces.values, q.limit],
    ).fetchall()
    places = [
        Place(
            str(path),
            piece,
            title,
            composer,
            hard,
            f"keys {plan.strip()}",
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
    return Answer(tuple(places), count, count, _folder(db))


def _folder(db: duckdb.DuckDBPyConnection) -> str:
    row = db.execute("SELECT value FROM about WHERE name = 'folder'").fetchone()
    return str(row[0]) if row else ""
