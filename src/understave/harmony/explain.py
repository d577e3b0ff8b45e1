"""Why a span reads as it does, in plain sentences.

In: a score and one of its spans. Out: which notes belong, what the bass is, and what the others likely
are (Hutchinson, "Music Theory for the 21st-Century Classroom", ch. 10, for the kinds of non-chord tone).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from understave.harmony.reading import Span
from understave.score.model import Note, Score
from understave.theory.chord import Chord

_MOST_FOREIGN = 4
_WHICH = ("root", "third", "fifth", "seventh", "ninth")
_INVERSIONS = (
    "root position",
    "first inversion",
    "second inversion",
    "third inversion",
    "fourth inversion",
)


def explain_span(score: Score, span: Span) -> str:
    """Return two to four sentences saying what the label of a span rests on."""
    chord = span.numeral.chord(span.key)
    members = [score.note_by_id[i] for i in span.notes]
    foreign = [score.note_by_id[i] for i in span.foreign]
    name = f"{chord.root} {chord.quality.words}, {_INVERSIONS[min(chord.inversion, 4)]}"
    sentences = [f"{span.numeral} in {span.key.name} is a {name}."]
    if span.fixed:
        sentences[0] = f"You set {span.numeral} in {span.key.name} here: a {name}."
    sentences.append(_members(chord, members))
    sentences.append(_bass(chord, members + foreign))
    sentences.append(_foreign(score, span, chord, foreign))
    return " ".join(s for s in sentences if s)


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
    return [n for n in score.notes if not n.grace and n.onset <= time < n.end]  # type: ignore[operator]


def _nearest(candidates: Iterable[Note], note: Note) -> Note | None:
    return min(
        (n for n in candidates if n is not note),
        key=lambda n: abs(n.midi - note.midi),
        default=None,
    )


def _members(chord: Chord, notes: Sequence[Note]) -> str:
    sounding = {n.midi % 12 for n in notes}
    present = [pc for pc in chord.members if pc.semitone in sounding]
    missing = [
        f"the {_WHICH[i]} {pc}"
        for i, pc in enumerate(chord.members)
        if pc.semitone not in sounding and i < len(_WHICH)
    ]
    if not present:
        return "None of its notes sounds here."
    tail = f"; {_listed(missing)} {'is' if len(missing) == 1 else 'are'} left to the ear" if missing else ""
    belongs = "belongs" if len(present) == 1 else "belong"
    return f"{_listed([str(pc) for pc in present])} {belongs} to it{tail}."


def _bass(chord: Chord, notes: Sequence[Note]) -> str:
    if not notes:
        return ""
    low = min(notes, key=lambda n: n.midi)
    for i, pc in enumerate(chord.members):
        if pc.semitone == low.midi % 12 and i < len(_WHICH):
            return f"The lowest note is {low.pitch}, its {_WHICH[i]}."
    return f"The lowest note, {low.pitch}, is foreign to it."


def _foreign(score: Score, span: Span, chord: Chord, notes: Sequence[Note]) -> str:
    if not notes:
        return ""
    told = [f"{n.pitch} is {foreign_kind(score, span, n)}" for n in notes[:_MOST_FOREIGN]]
    rest = len(notes) - len(told)
    more = f", and {rest} more {'is' if rest == 1 else 'are'} foreign" if rest > 0 else ""
    return f"{', '.join(told)}{more}."


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
