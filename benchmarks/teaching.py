"""A teacher at work, from the first bar to the last: part of ``python -m benchmarks.corrections --teacher``.

In: analysed pieces. Out: for each way of working (`WAYS`) the corrections that bring the reading to say what
the analyst says, per 100 of the analyst's chords; how many other chords they mended, how many they spoiled,
and how many were wrong at the end because a later correction spoiled what had been passed as right.

The teacher goes through the chords in order and sets each that is not right as it stands then (its label
wrong for most of it, or something else in it for a sixteenth or longer): one correction. After each the
reading is found anew around it as at the desk (`harmony.reread`); no chord is set twice.

chord by chord    nothing else.
keys first        before that, the plan of keys: one correction for each of the analyst's stretches of one key
                  that the reading does not have in that key throughout; the rest is confirmed, not counted.
carried           chord by chord, and each correction is offered where the same bars come again; the teacher
                  looks at every offer and takes those that agree with the analyst.
both              keys first, then carried.
not looked at     as both, but every offer is taken unseen; what it spoils is corrected when it is come to.

`offers` are places offered, `wrong offers` those that disagree with the analyst. An offer taken costs no
correction; looking at it is counted in the column `looked at`, per 100 chords.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from fractions import Fraction

from rich.table import Table

from benchmarks import corpora
from benchmarks.accuracy import Label, Stretch, bounds_of_ratio, label_of, overlaps, stretches
from benchmarks.corpora import Aligned, Piece
from understave.harmony.carrying import Offer, offers
from understave.harmony.engine import settle
from understave.harmony.reading import Correction, Span
from understave.harmony.reread import reread
from understave.harmony.trained import judge_score, read_judged
from understave.theory.key import Key

WAYS = ("chord by chord", "keys first", "carried", "both", "not looked at")
_SIXTEENTH = Fraction(1, 4)


@dataclass(slots=True)
class Work:
    """Sums over pieces: chords of the analyst, and what became of them."""

    chords: int = 0
    keys: int = 0
    corrections: int = 0
    offered: int = 0
    wrong: int = 0
    taken: int = 0
    mended: int = 0
    spoiled: int = 0
    left: int = 0

    def add(self, other: Work) -> None:
        """Add another piece's work."""
        for f in fields(self):
            setattr(self, f.name, getattr(self, f.name) + getattr(other, f.name))


def right(reference: Sequence[Stretch], spans: Sequence[Span]) -> list[bool]:
    """Tell of each of the analyst's chords whether it needs no correction; see `accuracy`, fix/100."""
    bare = [Span(s.start, s.end, s.key, s.numeral, s.confidence) for s in spans]
    held: dict[Fraction, list[tuple[Fraction, Label | None]]] = {}
    for length, ref, pred in overlaps(reference, stretches(bare)):
        held.setdefault(ref[0], []).append((length, pred[2][0] if pred else None))
    result = []
    for ref in reference:
        times: dict[Label | None, Fraction] = {}
        for length, label in held[ref[0]]:
            times[label] = times.get(label, Fraction(0)) + length
        most = max(times, key=lambda label: times[label])
        stray = any(label not in ref[2] and length >= _SIXTEENTH for length, label in held[ref[0]])
        result.append(most in ref[2] and not stray)
    return result


def work_through(piece: Aligned, way: str) -> Work:
    """Let a teacher correct a piece until the analyst would agree."""
    score = piece.score
    reference = stretches(piece.analyses[0].spans)
    done = Work(chords=len(reference))
    given: list[Correction] = []
    judged = judge_score(score)
    spans = read_judged(score, judged).spans
    if way in ("keys first", "both", "not looked at"):
        given = wrong_keys(piece, spans)
        done.keys = len(given)
        if given:
            judged = judge_score(score, given)
            spans = read_judged(score, judged).spans
    now = right(reference, spans)
    fixed = settle(score, given)
    touched = [False] * len(reference)
    for i, ref in enumerate(reference):
        if now[i] or touched[i]:
            continue
        own = Correction(*score.anchor(ref[0]), *_end(piece, ref[1]), ref[3].key, ref[3].numeral)
        step, places = [own], {i}
        if way in ("carried", "both", "not looked at"):
            for offer in offers(score, spans, [own]):
                agreed = _agreed(reference, offer)
                done.offered += 1
                done.wrong += not agreed
                if agreed or way == "not looked at":
                    step.append(offer.correction)
                    done.taken += 1
                    places |= set(_inside(reference, offer))
        done.corrections += 1
        touched[i] = True
        given += step
        renewed = reread(score, judged, spans, fixed, given)
        spans, fixed = renewed.spans, renewed.fixed
        after = right(reference, spans)
        elsewhere = [k for k in range(len(reference)) if k not in places]
        done.mended += sum(after[k] and not now[k] for k in elsewhere)
        done.spoiled += sum(now[k] and not after[k] for k in range(len(reference)) if k != i)
        now = after
    done.left = now.count(False)
    return done


def wrong_keys(piece: Aligned, spans: Sequence[Span]) -> list[Correction]:
    """Return the analyst's stretches of one key that the reading has not in that key throughout."""
    result = []
    for start, end, key in in_one_key(piece.analyses[0].spans):
        if any(s.key != key for s in spans if s.start < end and s.end > start):
            result.append(Correction(*piece.score.anchor(start), *_end(piece, end), key, None))
    return result


def in_one_key(spans: Sequence[Span]) -> list[tuple[Fraction, Fraction, Key]]:
    """Return the stretches of one key without a gap."""
    found: list[tuple[Fraction, Fraction, Key]] = []
    for s in spans:
        if found and (found[-1][1], found[-1][2]) == (s.start, s.key):
            found[-1] = (found[-1][0], s.end, s.key)
        else:
            found.append((s.start, s.end, s.key))
    return found


def _end(piece: Aligned, moment: Fraction) -> tuple[str, Fraction]:
    return piece.score.anchor(moment)


def _inside(reference: Sequence[Stretch], offer: Offer) -> list[int]:
    return [i for i, r in enumerate(reference) if r[0] < offer.end and r[1] > offer.start]


def _agreed(reference: Sequence[Stretch], offer: Offer) -> bool:
    """Whether the analyst says over the whole of an offered place what is offered."""
    there = [reference[i] for i in _inside(reference, offer)]
    c = offer.correction
    if not there or c.key is None or c.numeral is None:
        return False
    wanted = label_of(c.key, c.numeral)
    return all(wanted in r[2] for r in there) and there[0][0] <= offer.start and there[-1][1] >= offer.end


def measure(piece: Piece, ways: Sequence[str]) -> dict[str, Work]:
    """Work through a piece in each way; nothing where its analysis does not fit."""
    found = corpora.fitting(piece)
    return {} if found is None else {way: work_through(found, way) for way in ways}


def tables(works: Sequence[tuple[str, dict[str, Work]]], ways: Sequence[str]) -> list[Table]:
    """One table for each way of working; corrections with the interval of `accuracy.intervals`."""
    result = []
    for way in ways:
        table = Table(title=way, title_justify="left")
        table.add_column("set")
        for head in (
            "pieces", "chords", "corrections / 100", "95 %", "of these keys", "looked at / 100", "offers",
            "wrong offers", "mended / 100", "spoiled / 100", "left / 100",
        ):  # fmt: skip
            table.add_column(head, justify="right")
        by_set: dict[str, list[Work]] = {}
        for name, by_way in works:
            if way in by_way:
                by_set.setdefault(name, []).append(by_way[way])
        known = [name for name in by_set if name in corpora.SHIPPABLE]
        rows = {name: [name] for name in by_set}
        if 1 < len(known) < len(by_set):
            rows |= {"sets of kinds trained on": known, "other kinds": [n for n in by_set if n not in known]}
        for row, sets in {**rows, "all": list(by_set)}.items():
            whole = Work()
            for one in (work for name in sets for work in by_set[name]):
                whole.add(one)
            low, high = bounds_of_ratio(
                [[(w.chords, [w.corrections + w.keys]) for w in by_set[name]] for name in sets]
            )
            per = 100 / max(1, whole.chords)
            table.add_row(
                row,
                str(sum(len(by_set[name]) for name in sets)),
                str(whole.chords),
                f"{(whole.corrections + whole.keys) * per:.1f}",
                f"{low[0]:.1f} to {high[0]:.1f}",
                f"{whole.keys * per:.1f}",
                f"{whole.offered * per:.1f}",
                str(whole.offered),
                str(whole.wrong),
                f"{whole.mended * per:.1f}",
                f"{whole.spoiled * per:.1f}",
                f"{whole.left * per:.1f}",
            )
        result.append(table)
    return result
