"""Why a span reads as it does, in plain sentences of any language.

In: a score and one of its spans. Out: which notes belong, what the bass is, and what the others likely are
(`harmony.explain` finds that).
"""

from __future__ import annotations

from collections.abc import Sequence

from understave.findings.over_held import Above
from understave.harmony.explain import foreign_kind
from understave.harmony.reading import Span
from understave.score.model import Note, Score
from understave.theory.chord import Chord
from understave.theory.conventions import key_label, numeral_text
from understave.theory.names import pitch_class_name, quality_name
from understave.theory.vocabulary import Language
from understave.wording.gaps import octave_name
from understave.wording.phrasebook import Phrasebook, phrasebook

_MOST_FOREIGN = 4
_WHICH = ("root", "third", "fifth", "seventh", "ninth")


def explain_span(score: Score, span: Span, language: Language = "en") -> str:
    """Return two to four sentences saying what the label of a span rests on; its numeral stands in ⟨⟩."""
    book = phrasebook(language)
    chord = span.numeral.chord(span.key)
    members = [score.note_by_id[i] for i in span.notes]
    foreign = [score.note_by_id[i] for i in span.foreign]
    how = "set" if span.fixed else "is" if span.in_a_key else "is_by_root"
    first = book.reasons[how].format(
        numeral=f"⟨{span.numeral}⟩",
        key=key_label(span.key, language),
        root=pitch_class_name(chord.root, language),
        quality=quality_name(chord.quality, language),
        inversion=book.reasons["inversions"][str(min(chord.inversion, 4))],
    )
    rest = (
        _members(chord, members, book),
        _bass(chord, members + foreign, book),
        _foreign(score, span, foreign, book),
    )
    return " ".join([first, *(book.sentence(s) for s in rest if s)])


def foreign_words(score: Score, span: Span, note: Note, language: Language = "en") -> str:
    """Return what a note foreign to its span's chord most likely is: ``"a passing note"``."""
    kind = foreign_kind(score, span, note)
    return str(phrasebook(language).reasons["foreign"].get(kind, kind))


def over_words(above: Above, book: Phrasebook, marked: bool = False) -> str:
    """Return the name of a chord over a held bass: ``"viio7 over G"``, its numeral in ⟨⟩ where `marked`."""
    held = pitch_class_name(above.over.pitch_class, book.language)
    chord = f"⟨{above.numeral}⟩" if marked else numeral_text(above.numeral)
    return str(book.phrases["over_held"].format(chord=chord, note=held))


def _members(chord: Chord, notes: Sequence[Note], book: Phrasebook) -> str:
    reasons, language = book.reasons, book.language
    sounding = {note.midi % 12 for note in notes}
    present = [pitch_class_name(pc, language) for pc in chord.members if pc.semitone in sounding]
    missing = [
        reasons["member"].format(which=reasons["members"][_WHICH[i]], note=pitch_class_name(pc, language))
        for i, pc in enumerate(chord.members)
        if pc.semitone not in sounding and i < len(_WHICH)
    ]
    if not present:
        return str(reasons["none_sounds"])
    text = book.form(reasons["belongs"], str(len(present))).format(notes=book.join(present))
    if missing:
        text += book.form(reasons["missing"], str(len(missing))).format(notes=book.join(missing))
    return f"{text}."


def _bass(chord: Chord, notes: Sequence[Note], book: Phrasebook) -> str:
    if not notes:
        return ""
    low = min(notes, key=lambda note: note.midi)
    named = octave_name(low.pitch, book)
    for i, pc in enumerate(chord.members):
        if pc.semitone == low.midi % 12 and i < len(_WHICH):
            return str(book.reasons["lowest"].format(note=named, which=book.reasons["members"][_WHICH[i]]))
    return str(book.reasons["lowest_foreign"].format(note=named))


def _foreign(score: Score, span: Span, notes: Sequence[Note], book: Phrasebook) -> str:
    if not notes:
        return ""
    # A note that comes again as the same thing is told once.
    kinds = list(
        dict.fromkeys(
            book.reasons["is_kind"].format(
                note=octave_name(note.pitch, book), kind=foreign_words(score, span, note, book.language)
            )
            for note in notes
        )
    )
    told = kinds[:_MOST_FOREIGN]
    rest = len(kinds) - len(told)
    more = book.form(book.reasons["more"], str(rest)).format(n=rest) if rest > 0 else ""
    return f"{', '.join(told)}{more}."
