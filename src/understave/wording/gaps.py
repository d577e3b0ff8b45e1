"""Templates with gaps: how a sentence is filled from values.

In: a template, the values by name and a score. Out: text. Three things stand in a template besides words:

- ``{name}`` or ``{name:way}``: a gap. Pitches, keys, intervals and chords name themselves; a word of ours is
  looked up in the language's tables; the ways are listed in `name_value`.
- ``[text]``: only said if every gap in it has a value.
- ``[name|text]``, ``[!name|text]``, ``[name=value|text]``, ``[name=a/b|text]``, ``[name!=value|text]``:
  only said if there is (not) such a value, or if it is (one of, none of) these.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction

from understave.findings.catalogue import guest_kinds
from understave.findings.printed_words import DICTIONARY
from understave.guests import leave_out_failed
from understave.harmony.reading import Detail
from understave.score.model import Score, beat_text
from understave.theory.chord import Quality
from understave.theory.chord_symbol import chord_symbol
from understave.theory.convention_choices import by_roots
from understave.theory.conventions import symbol_text
from understave.theory.key import Key
from understave.theory.names import (
    interval_name,
    interval_size_name,
    key_name,
    pitch_class_name,
    quality_name,
)
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral
from understave.wording.numerals import chord_words
from understave.wording.phrasebook import Phrasebook, raised

GAP = re.compile(r"\{(\w+)(?::(\w+)(?: ([^{}]+))?)?\}")
_CHORD_IN_KEY = re.compile(r"\{chord\} (?:in|en) \{key\}")
"""In all languages; where there are no keys to speak of, the chord alone is named."""
CHOICE = re.compile(r"\[(?:(!?)(\w+)(?:(!?=)([^|\[\]]*))?\|)?([^\[\]]*)\]")
WAYS = (
    "bar",
    "place",
    "count",
    "about",
    "number",
    "ordinal",
    "octave",
    "words",
    "pitch",
    "quote",
    "of",
    "percent",
    "tonic",
    "or",
    "first",
    "bars",
    "cap",
    "digits",
    "scheme",
    "gloss",
    "early",
    "modern",
    "rounded",
    "pace",
    "instead",
    "become",
    "size",
)


def fill(template: str, values: Mapping[str, Detail], score: Score, book: Phrasebook, kind: str = "") -> str:
    """Return a template with its gaps filled; raise KeyError for a gap outside brackets without a value.

    `kind` is that of the event, whose own words for a value come before the general ones. Where the words of
    a guest (`findings.catalogue.guest_kinds`) cannot be filled, the guest is left out: its bare name is told.
    """
    guest = guest_kinds().get(kind)
    if guest is None:
        return _filled(template, values, score, book, kind)
    try:
        return _filled(template, values, score, book, kind)
    except Exception as error:  # a stranger's template may ask for anything
        leave_out_failed(guest, error)
        return kind


def _filled(template: str, values: Mapping[str, Detail], score: Score, book: Phrasebook, kind: str) -> str:
    key = values.get("key")
    if by_roots():
        template = _CHORD_IN_KEY.sub("{chord}", template)

    def gap(m: re.Match[str]) -> str:
        value = values[m[1]]
        if by_roots() and isinstance(value, RomanNumeral) and isinstance(key, Key):
            return symbol_text(chord_symbol(value.chord(key)))
        named = name_value(value, m[1], m[2] or "", m[3] or "", score, book, kind)
        before = m.string[: m.start()].rstrip()
        starts = not before or before[-1] in ".?!"
        return book.sentence(named) if starts else named

    text = GAP.sub(gap, chosen(template, values)[0])
    for pattern, put in book.grammar.joins:
        text = pattern.sub(put, text)
    text = re.sub(r"[^\S\u00a0\u202f]+", " ", text).strip()
    # A full stop that is printed in the score ends the sentence too.
    text = re.sub(r"\.([\u00a0\u202f]?[”“»])\.", r".\1", text)
    # French sets a space that does not break before high signs; others have none there.
    return re.sub(r" ([,.;:!?])", r"\1", text)


def chosen(template: str, values: Mapping[str, Detail]) -> tuple[str, frozenset[str]]:
    """Return a template with its brackets decided, and what it then says: the names of its gaps, and of the
    conditions that were met (``name``, ``!name``, ``name=value``), with or without a gap of their own.
    """
    met: set[str] = set()

    def choice(m: re.Match[str]) -> str:
        negated, name, relation, wanted, text = m[1], m[2], m[3], m[4], m[5]
        if relation:
            among = name in values and str(values[name]) in wanted.split("/")
            # What is absent differs from everything, but nothing can be said of it.
            is_said = among == (relation == "=") and all(g[1] in values for g in GAP.finditer(text))
        elif name:
            is_said = (name in values) != bool(negated)
        else:
            is_said = all(g[1] in values for g in GAP.finditer(text))
        if not is_said:
            return ""
        if relation == "=":
            met.add(f"{name}={values[name]}")
        elif name:
            met.add(f"{negated}{name}")
        return text

    text = CHOICE.sub(choice, template)
    return text, frozenset(met | {g[1] for g in GAP.finditer(text)})


def can_fill(template: str, values: Mapping[str, Detail]) -> bool:
    """Whether there is a value for every gap that a template would fill with these values."""
    return {g[1] for g in GAP.finditer(chosen(template, values)[0])} <= values.keys()


def name_value(  # noqa: PLR0913 - the parts of one gap, and what they are named in
    value: Detail, name: str, way: str, unit: str, score: Score, book: Phrasebook, kind: str = ""
) -> str:
    """Name a value in the language.

    Ways: moments need ``bar`` (bar 7) or ``place`` (bar 7, beat 3). Numbers take ``number``,
    ``digits``, ``rounded``, ``ordinal``, ``of`` (second degree), ``pace`` (changes to a bar),
    ``percent``, or ``count`` or ``about`` and a unit (two bars). A Pitch may have its ``octave``, a Key
    its ``tonic`` alone, an Interval its ``size`` alone, a chord its ``words``. A note id needs ``pitch``,
    printed text ``quote``, a form ``scheme``; printed terms need ``gloss``, or ``early`` or ``modern`` for
    what they ask of an instrument; a word of ours may have a ``cap``. A list is joined by and, or by ``or``,
    or only its ``first`` so many are named. A pair of moments has its ``bars``; pairs of notes are told as
    one ``instead`` of the other or as what they ``become``.
    """
    language = book.language
    if isinstance(value, tuple):

        def named(one: Detail, inner: str, of: str) -> str:
            return name_value(one, name, inner, of, score, book, kind)

        return _name_several(value, way, unit, named, score, book)
    if isinstance(value, Pitch):
        return octave_name(value, book) if way == "octave" else pitch_class_name(value.pitch_class, language)
    if isinstance(value, PitchClass):
        return pitch_class_name(value, language)
    if isinstance(value, Key):
        return pitch_class_name(value.tonic, language) if way == "tonic" else key_name(value, language)
    if isinstance(value, Interval):
        return interval_size_name(value, language) if way == "size" else interval_name(value, language)
    if isinstance(value, RomanNumeral):
        return chord_words(value, book) if way == "words" else f"⟨{value}⟩"
    if isinstance(value, Quality):
        return quality_name(value, language)
    if isinstance(value, str):
        return _name_text(value, name, way, score, book, kind)
    return _name_number(value, way, unit, score, book)


def _name_several(
    value: tuple[Detail, ...],
    way: str,
    unit: str,
    named: Callable[[Detail, str, str], str],
    score: Score,
    book: Phrasebook,
) -> str:
    """Name several values; `named` names one of them in a way and with a unit."""
    if way in ("instead", "become") and len(value) == 2 and not isinstance(value[0], tuple):
        one, other = (named(v, "", "") for v in value)
        return book.phrases[way].format(first=one, second=other)
    if way == "gloss":
        return _glosses([v for v in value if isinstance(v, str)], book)
    if way == "bars":
        start, end = (v for v in value if isinstance(v, Fraction | int))
        return book.bars(*printed_bars(score, Fraction(start), Fraction(end)))
    shown = value[: int(unit)] if way == "first" else value
    names = [named(v, "" if way in ("or", "first") else way, unit) for v in shown]
    if all(isinstance(v, str) for v in value):
        names = list(dict.fromkeys(names))
    elif len(shown) < len(value):
        return f"{', '.join(names)} …"
    return book.join(names, "or" if way == "or" else "and")


def _name_text(value: str, name: str, way: str, score: Score, book: Phrasebook, kind: str) -> str:
    """Name a note by its id, a scheme of sections, printed text, or a word of ours."""
    if way == "pitch":
        return pitch_class_name(score.note_by_id[value].pitch.pitch_class, book.language)
    if way == "scheme":
        words = book.values["scheme"]
        parts = re.findall("|".join([*words, r"\S+"]), value)
        return " – ".join(words.get(part, _primed(part)) for part in parts)
    if way in ("early", "modern"):
        return book.instructions[value].get(way, "")
    if way == "quote":
        return book.phrases["quote"].format(text=value)
    if name == "letter":
        return _primed(value)
    named = book.values.get(f"{kind}.{name}", {}).get(value) or book.values.get(name, {}).get(value, value)
    return raised(named) if way == "cap" else named


def _glosses(terms: Sequence[str], book: Phrasebook) -> str:
    """Return the meanings of printed terms; one that says how much leads into the next: very slow.

    After another of its kind, a term may mean something else: allegro moderato is no moderate pace; before
    another it may say how much: mäßig geschwind is moderately fast; after another, too: allegro molto is very
    lively. Of what takes several words it is said afterwards: with expression, very much so.
    """
    told: list[str] = []
    joins, much = False, ""
    for term, before, then in zip(terms, ["", *terms], [*terms[1:], ""], strict=False):
        meant, alike = book.instructions[term], DICTIONARY[term].kind
        if "much" in meant and _is_phrase(then, book):
            much = meant["much"]
            continue
        if "much" in meant and told and not joins and (not then or DICTIONARY[then].kind == alike):
            told[-1:] = _strengthened(told[-1], meant)
            continue
        led = joins and alike == DICTIONARY[before].kind != "how much"
        if then and _leads(term, then, book):
            text, leads = meant["before"], True
        else:
            tempered = before and DICTIONARY[before].kind == alike and not led
            text = meant.get("after", meant["gloss"]) if tempered else meant["gloss"]
            leads = alike == "how much"
        told[-1:] = [f"{told[-1]} {text}"] if joins else [*told[-1:], text]
        told, much, joins = [*told, *([much] if much else [])], "", leads
    return ", ".join(told)


def _strengthened(told: str, much: Mapping[str, str]) -> list[str]:
    """Return what a term means, once more so: very lively; what is very fast already stays as it is."""
    if told.startswith(f"{much['gloss']} "):
        return [told]
    return [told, much["much"]] if " " in told.partition(",")[0] else [f"{much['gloss']} {told}"]


def _is_phrase(term: str, book: Phrasebook) -> bool:
    """Whether what a term means begins with several words, as "with expression"."""
    kind = DICTIONARY[term].kind if term else "how much"
    return kind != "how much" and " " in book.instructions[term]["gloss"].partition(",")[0]


def _leads(term: str, then: str, book: Phrasebook) -> bool:
    """Whether a term only says how much of the next one of its kind, whose meaning is one word."""
    kinds = {DICTIONARY[term].kind, DICTIONARY[then].kind}
    plain = len(book.instructions[then]["gloss"].split()) == 1
    return "before" in book.instructions[term] and len(kinds) == 1 and plain


def _primed(letter: str) -> str:
    return letter.replace("''", "″").replace("'", "′")


def _name_number(value: int | float | Fraction, way: str, unit: str, score: Score, book: Phrasebook) -> str:
    if way == "bar":
        return book.bars(*[score.measure_at(Fraction(value)).number] * 2)
    if way == "pace":
        return pace_words(float(value), book)
    if way == "place":
        return place(score, Fraction(value), book)
    if way in ("digits", "rounded"):
        return str(round(value))
    if way == "count":
        return counted(value, unit, book)
    if way == "about":
        nearest = max(1, round(value))
        exact = abs(float(value) - nearest) < 0.05
        named = counted(nearest, unit, book)
        return named if exact else book.phrases["about"].format(counted=named)
    if way == "ordinal":
        return book.ordinals[int(value)] if value < len(book.ordinals) else f"{value}."
    if way == "percent":
        return book.phrases["percent"].format(number=round(100 * value))
    if way == "of":
        return book.phrases["degree"].format(degree=book.ordinals[int(value)])
    return number_word(value, book)


def number_word(value: int | float | Fraction, book: Phrasebook) -> str:
    """Return a number in words up to twelve, else in digits with the language's decimal sign."""
    if value == int(value):
        whole = int(value)
        return book.numbers[whole] if 0 <= whole < len(book.numbers) else str(whole)
    return f"{float(value):.2f}".rstrip("0").rstrip(".").replace(".", book.phrases["decimal"])


def counted(value: int | float | Fraction, unit: str, book: Phrasebook) -> str:
    """Return a number with what it counts: ``one bar``, ``four bars``, ``2.5 beats``."""
    written = f"{float(value):.2f}".rstrip("0").rstrip(".")
    return book.form(book.units[unit], written).format(number=number_word(value, book))


def pace_words(changes: float, book: Phrasebook) -> str:
    """Return how often chords change: so many times to a bar, or once in so many bars."""
    if changes <= 0:
        return book.phrases["pace_none"]
    if changes < 0.75:
        return book.phrases["pace_few"].format(bars=counted(round(1 / changes), "pace bar", book))
    nearest = round(2 * changes) / 2
    return book.phrases["pace_many"].format(changes=counted(nearest, "change", book))


def place(score: Score, time: Fraction, book: Phrasebook) -> str:
    """Name a moment as printed: ``bar 12, beat 2``, within a dotted beat ``bar 12, eighth note 3``; what lies
    between, as nobody would count, ``bar 12, after beat 2``.
    """
    measure = score.measure_at(time)
    beat = score.beat_at(time)
    eighth = 1 + 3 * (beat - 1)
    if measure.beat_length == Fraction(3, 2) and beat.denominator == 3:
        return book.phrases["place_eighth"].format(bar=measure.number, eighth=eighth)
    if measure.beat_length == Fraction(3, 2) and eighth.denominator > 1:
        return book.phrases["place_after_eighth"].format(bar=measure.number, eighth=int(eighth))
    if beat.denominator not in (1, 2, 3, 4):
        return book.phrases["place_after"].format(bar=measure.number, beat=int(beat))
    said = beat_text(beat).replace(".", book.phrases["decimal"])
    return book.phrases["place"].format(bar=measure.number, beat=said)


def printed_bars(score: Score, start: Fraction, end: Fraction) -> tuple[str, str]:
    """Return the printed numbers of the first and last bar that a stretch of time touches."""
    first, last = score.measures_over(start, end)
    return first.number, last.number


def octave_name(pitch: Pitch, book: Phrasebook) -> str:
    """Name a pitch with its octave: ``F sharp 4``, in German ``fis′``, in French ``fa dièse 3``."""
    name = pitch_class_name(pitch.pitch_class, book.language)
    if book.grammar.middle_octave is not None:
        return f"{name} {pitch.octave - 4 + book.grammar.middle_octave}"
    if pitch.octave >= 3:
        return name.lower() + "′" * (pitch.octave - 3)
    return name if pitch.octave == 2 else "Kontra-" * (2 - pitch.octave) + name
