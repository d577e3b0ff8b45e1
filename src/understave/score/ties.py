"""Written notes whose ties are marked at one end only in, the same notes marked at both ends out.

`timeline.join_ties` joins what is marked at both ends; MEI files often mark one end, ABC always does.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from understave.score.timeline import ROUNDING, Written


def mark_both_ends(written: Sequence[Written], links: Mapping[str, str] | None = None) -> tuple[Written, ...]:
    """Mark the note on which each tie ends.

    `links` are ties given as pairs of ids (``""`` for an end that the file does not name). A tie ends
    on a note of the same part and sounding pitch that begins where the tied note ends: one marked as a
    tie's end first, else one in the same voice, else in the same staff, else any. A tie to which no
    note answers (into a second ending, or one left ringing) keeps its start mark and joins nothing. An end
    that the file names may begin a rounding earlier or later; one further off is none.
    """
    out = list(written)
    place = {written.note.id: i for i, written in enumerate(out)}
    starting: dict[tuple[int, int, Fraction], list[int]] = {}
    for i, w in enumerate(out):
        if not w.note.grace:
            starting.setdefault((w.note.part, w.note.midi, w.note.onset), []).append(i)
    named: dict[int, int] = {}
    for first, second in (links or {}).items():
        if first in place:
            a = place[first]
            out[a] = replace(out[a], tie_start=True)
            if second in place:
                named[a] = place[second]
    ended: set[int] = set()
    done: set[int] = set()
    for a, b in named.items():
        x, y = out[a].note, out[b].note
        meets = (x.part, x.midi) == (y.part, y.midi) and abs(x.end - y.onset) <= ROUNDING
        if meets and x.onset < y.onset and not y.grace and b not in ended:
            ended.add(b)
            done.add(a)
            out[b] = replace(out[b], tie_stop=True)
    for a in sorted(range(len(out)), key=lambda i: out[i].note.onset):
        w = out[a]
        if not w.tie_start or w.note.grace or a in done:
            continue
        fits = [b for b in starting.get((w.note.part, w.note.midi, w.note.end), []) if b not in ended]
        if fits:
            best = max(
                fits,
                key=lambda b: (
                    out[b].tie_stop,
                    out[b].note.voice == w.note.voice,
                    out[b].note.staff == w.note.staff,
                    out[b].note.written == w.note.written,
                ),
            )
            ended.add(best)
            out[best] = replace(out[best], tie_stop=True)
    return tuple(out)
