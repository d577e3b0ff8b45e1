"""What a note foreign to its chord most likely is.

In: a score, one of its spans and a note. Out: the kind of the note, as English has it; other languages have
words for each (Hutchinson, "Music Theory for the 21st-Century Classroom", ch. 10, for the kinds of non-
chord tone).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from understave.harmony.reading import Span
from understave.score.model import Note, Score


def foreign_kind(score: Score, span: Span, note: Note) -> str:
    """Return what a note foreign to its span's chord most likely is, as the trade names it."""
    voice = [n for n in score.notes if n.staff == note.staff and not n.grace and n.duration > 0]
    same = [n for n in voice if n.voice == note.voice] or voice
    before = _nearest((n for n in same if n.end == note.onset or n.onset < note.onset <= n.end), note)
    after = _nearest((n for n in same if n.onset == note.end), note)
    into = note.midi - before.midi if before else None
    out = after.midi - note.midi if after else None
    chord = span.numeral.chord(span.key)
    lowest = min(n.midi for n in voice_at(score, note.onset)) == note.midi
    held = note.onset < span.start
    if lowest and note.end >= span.end and (held or (into == 0)):
        return "a pedal point"
    if (held or into == 0) and out is not None and out in (-1, -2):
        return "a suspension that resolves down by step"
    if (held or into == 0) and out is not None and out in (1, 2):
        return "a suspension that resolves upward (a retardation)"
    if after is not None and out == 0 and after.onset >= span.end:
        return "an anticipation"
    if into is not None and out is not None and 0 < abs(into) <= 2 and 0 < abs(out) <= 2:
        return (
            "a neighbour note" if into == -out else "a passing note" if into * out > 0 else "a turning note"
        )
    if out is not None and 0 < abs(out) <= 2:
        return "an appoggiatura"
    if into is not None and 0 < abs(into) <= 2:
        return "an escape note"
    # A chord tone missing from the label, such as an added seventh, is neither stepped to nor from.
    return "a free dissonance" if note.midi % 12 not in chord.semitones else "a chord tone"


def voice_at(score: Score, time: object) -> Sequence[Note]:
    """Return the notes that sound at a moment, grace notes left out."""
    return [note for note in score.notes if not note.grace and note.onset <= time < note.end]  # type: ignore[operator]


def _nearest(candidates: Iterable[Note], note: Note) -> Note | None:
    return min(
        (n for n in candidates if n is not note),
        key=lambda n: abs(n.midi - note.midi),
        default=None,
    )
