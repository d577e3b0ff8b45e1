"""Humdrum text in, its rows out, each token with the spine and voice it belongs to.

Follows the spine operations ``*^`` (split), ``*v`` (join), ``*+`` (add), ``*x`` (exchange) and ``*-``
(end) of D. Huron, "The Humdrum Toolkit: Reference Manual" (1994). Rows whose fields do not fit their
spines are mended, and what was mended is returned in plain sentences.
"""

from __future__ import annotations

from dataclasses import dataclass

from understave.errors import ScoreError
from understave.score.remarks import Remark


@dataclass(frozen=True, slots=True)
class Row:
    """One line: its tokens and, for each, its spine (from 0 at the left) and its voice in the spine.

    `sources` gives for each token the fields of the row before that it goes on from: one, or several
    after a join, or none in a new spine. A global comment or record has one field and no spines.
    """

    line: int
    fields: tuple[str, ...]
    spines: tuple[int, ...] = ()
    voices: tuple[int, ...] = ()
    sources: tuple[tuple[int, ...], ...] = ()


@dataclass
class _Tracks:
    """Spines in force from left to right, and where each one goes on from."""

    spines: list[int]
    sources: list[tuple[int, ...]]
    splits: list[int]
    newest: int

    def plain(self) -> None:
        self.sources = [(i,) for i in range(len(self.spines))]

    def operate(self, fields: list[str]) -> None:
        """Follow the spine operations of an interpretation row."""
        spines: list[int] = []
        sources: list[tuple[int, ...]] = []
        joining: int | None = None
        for i, (field, spine) in enumerate(zip(fields, self.spines, strict=True)):
            if field == "*v":
                if joining is None:
                    joining = len(spines)
                    spines.append(spine)
                    sources.append((i,))
                else:
                    sources[joining] += (i,)
                    # Joined with another spine by mistake: the one that would be lost lives on.
                    if spine not in spines and spine not in self.spines[i + 1 :]:
                        spines[joining] = spine
                continue
            joining = None
            if field == "*-":
                continue
            spines.append(spine)
            sources.append((i,))
            if field == "*^":
                spines.append(spine)
                sources.append((i,))
                self.splits.append(spine)
            elif field == "*+":
                self.newest += 1
                spines.append(self.newest)
                sources.append(())
        swapped = [i for i, f in enumerate(fields) if f == "*x"]
        if len(swapped) == 2 and len(spines) == len(fields):
            a, b = swapped
            spines[a], spines[b] = spines[b], spines[a]
            sources[a], sources[b] = sources[b], sources[a]
        self.spines, self.sources = spines, sources

    def join_to(self, wanted: int) -> bool:
        """Join the voices split last until so many fields are left; False if that cannot be."""
        while len(self.spines) > wanted:
            split = [s for s in reversed(self.splits) if self.spines.count(s) > 1]
            if not split:
                return False
            places = [i for i, s in enumerate(self.spines) if s == split[0]]
            keep, drop = places[-2], places[-1]
            self.sources[keep] += self.sources[drop]
            del self.spines[drop], self.sources[drop]
            self.splits.reverse()
            self.splits.remove(split[0])
            self.splits.reverse()
        return True

    def split_to(self, wanted: int) -> None:
        """Split the rightmost spine until there are so many fields."""
        while len(self.spines) < wanted:
            self.splits.append(self.spines[-1])
            self.spines.append(self.spines[-1])
            self.sources.append(self.sources[-1])


def rows_of(text: str, name: str) -> tuple[tuple[Row, ...], dict[int, str], tuple[str, ...]]:
    """Return the rows, the kind of each spine (``"**kern"``) and what was mended.

    Raises UnderstaveError if no spine holds **kern, or if the file stops before its spines are ended by
    ``*-`` (Huron 1994, "Spine paths": every spine ends so), for then music is missing.
    """
    lines = text.lstrip("\ufeff").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    rows: list[Row] = []
    kinds: dict[int, str] = {}
    mended: dict[str, list[int]] = {}
    tracks: _Tracks | None = None
    for number, raw in enumerate(lines, 1):
        line = raw.rstrip(" \t\x00\x1a")
        if line.startswith("!!"):
            rows.append(Row(number, (line,)))
        elif tracks is None:
            heads = _heads(line, number, name)
            if heads:
                kinds = dict(enumerate(heads))
                tracks = _Tracks(list(kinds), [() for _ in heads], [], len(heads) - 1)
        elif line:
            row = _row(line, number, tracks, mended)
            rows += [row] if row is not None else []
            if not tracks.spines:
                break
    if tracks is None or "**kern" not in kinds.values():
        raise ScoreError(
            Remark(
                "kern_none",
                "{file} has no **kern spine; only Humdrum files with **kern notes can be read.",
                file=name,
            )
        )
    if tracks.spines:
        last = max((number for number, line in enumerate(lines, 1) if line.strip()), default=1)
        raise ScoreError(
            Remark(
                "kern_cut",
                "{file} is cut short: it stops in line {line} before its spines end with *-; copy it "
                "again, or write *- in every spine if nothing is missing.",
                file=name,
                line=last,
            )
        )
    for spine in {s for row in rows for s in row.spines} - set(kinds):
        kinds[spine] = "**added"
    return tuple(rows), kinds, tuple(_sentence(what, where) for what, where in mended.items())


def _heads(line: str, number: int, name: str) -> list[str]:
    """Return the kinds of spines that a line begins, none for a comment or an empty line before them."""
    if line.lstrip().startswith("**"):
        return line.split()
    if line and not line.startswith("!"):
        raise ScoreError(
            Remark(
                "kern_data",
                "{file} has data in line {line} before any ** interpretation; it is no Humdrum file.",
                file=name,
                line=number,
            )
        )
    return []


def _row(line: str, number: int, tracks: _Tracks, mended: dict[str, list[int]]) -> Row | None:
    """Return a line as a row and let it act on the spines, mended where its fields do not fit them.

    None, and no spine left, where a second set of spines begins.
    """

    def mend(what: str) -> None:
        mended.setdefault(what, []).append(number)

    fields = line.split("\t")
    if len(fields) != len(tracks.spines) and len(line.split()) == len(tracks.spines):
        fields = line.split()
        mend("kern_tabs")
    if fields[0].startswith("**"):
        mend("kern_second")
        tracks.spines.clear()
        return None
    if not all(fields):
        fields = [f or _null(fields) for f in fields]
        mend("kern_empty")
    if len(fields) < len(tracks.spines):
        mend("kern_split")
        if not tracks.join_to(len(fields)):
            fields += [_null(fields)] * (len(tracks.spines) - len(fields))
    elif len(fields) > len(tracks.spines):
        mend("kern_fields")
        tracks.split_to(len(fields))
    row = Row(number, tuple(fields), tuple(tracks.spines), _voices(tracks.spines), tuple(tracks.sources))
    if fields[0].startswith("*"):
        tracks.operate(fields)
    else:
        tracks.plain()
    return row


def _sentence(what: str, where: list[int]) -> Remark:
    shown = ", ".join(map(str, where[:5])) + (" …" if len(where) > 5 else "")
    mends = (
        Remark(
            "kern_tabs",
            "The Humdrum file was mended: spaces or doubled tabs stood between fields (line {lines}).",
            lines=shown,
        ),
        Remark(
            "kern_second",
            "The Humdrum file was mended: a second set of spines begins; it and what follows was left "
            "out (line {lines}).",
            lines=shown,
        ),
        Remark(
            "kern_empty",
            "The Humdrum file was mended: a field was empty (line {lines}).",
            lines=shown,
        ),
        Remark(
            "kern_split",
            "The Humdrum file was mended: a split spine was not joined again (line {lines}).",
            lines=shown,
        ),
        Remark(
            "kern_fields",
            "The Humdrum file was mended: there were more fields than spines (line {lines}).",
            lines=shown,
        ),
    )
    return next(mend for mend in mends if mend.name == what)


def _voices(spines: list[int]) -> tuple[int, ...]:
    return tuple(spines[: i + 1].count(s) for i, s in enumerate(spines))


def _null(fields: list[str]) -> str:
    """Return a token that says nothing in a row such as this one."""
    kind = next((f[0] for f in fields if f), ".")
    return {"=": next((f for f in fields if f), "="), "*": "*", "!": "!"}.get(kind, ".")
