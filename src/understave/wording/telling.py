"""The story of a piece: which events to tell, in which order, passage by passage.

In: a Score, its Reading, a level and a language, perhaps the bars wanted. Out: paragraphs, one for the piece
as a whole and one for each passage, each of sentences with their place and the notes they rest on. What
matters most is told; the many small ornaments of a line are counted. What the notes do not bear out is left
out (`claiming`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from understave.findings.cadences import CADENCE
from understave.findings.catalogue import is_sure, kind_of, kinds, weight
from understave.findings.form import FORM, SECTION
from understave.findings.keyplan import KEY, ending_key
from understave.findings.melody import MELODY
from understave.findings.modes import MODE_SWITCH
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.pedalpoints import DRONE, PEDAL_POINT, REPEATED_NOTE
from understave.findings.phrases import PHRASE
from understave.findings.sixfours import SIX_FOUR
from understave.harmony.reading import Event, Reading
from understave.score.model import Score
from understave.theory.convention_choices import by_roots
from understave.theory.key import Key
from understave.theory.names import key_name
from understave.theory.vocabulary import Language
from understave.wording.claiming import is_true
from understave.wording.gaps import counted, place, printed_bars
from understave.wording.phrasebook import Gloss, Level, Phrasebook, phrasebook
from understave.wording.sentences import can_say, say, say_again

MOST: dict[Level, int] = {"beginner": 3, "intermediate": 5, "advanced": 8}
"""Sentences at most on one passage."""
MOST_OF_PIECE: dict[Level, int] = {"beginner": 5, "intermediate": 8, "advanced": 14}
SAME: dict[Level, int] = {"beginner": 1, "intermediate": 1, "advanced": 2}
"""Sentences at most of one kind and label on one passage."""
LEAST = 0.9
"""Weight times confidence under which an event is not told by itself."""
_FEWEST_BARS = 3
_FEW_BARS = 2
"""Bars asked for of which every note may be told."""
_FALLBACK_BARS = 8


@dataclass(frozen=True, slots=True)
class Sentence:
    """What is said of one event or several: the text, where, and the ids of the notes it rests on."""

    text: str
    place: str
    start: Fraction
    notes: tuple[str, ...]
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class Paragraph:
    """What is said of a passage.

    `heading` names its bars and keys; `first_bar` and `last_bar` are as printed; `glosses` are the terms
    that are used here for the first time.
    """

    heading: str
    start: Fraction
    end: Fraction
    first_bar: str
    last_bar: str
    sentences: tuple[Sentence, ...]
    glosses: tuple[Gloss, ...]

    @property
    def notes(self) -> tuple[str, ...]:
        """The ids of all notes that its sentences rest on."""
        return tuple(dict.fromkeys(i for sentence in self.sentences for i in sentence.notes))

    @property
    def text(self) -> str:
        """All its sentences in a row."""
        return " ".join(sentence.text for sentence in self.sentences)


def tell(
    score: Score,
    reading: Reading,
    level: Level = "intermediate",
    language: Language = "en",
    bars: tuple[Fraction, Fraction] | None = None,
) -> tuple[Paragraph, ...]:
    """Tell a piece, or only what happens between two moments; passages without anything to tell are left out.

    The paragraph on the whole piece, if there is one, comes first; it is left out where `bars` are given.
    Then what began earlier and still goes on is told too, and in one bar or two the ornaments one by one.
    """
    book = phrasebook(language)
    events = [event for event in reading.events if can_say(event, language)]
    if sum(event in SECTION for event in events) < 2:
        # A single section is no form.
        events = [event for event in events if event not in FORM and event not in SECTION]
    cuts = passages(score, reading)

    def so(event: Event) -> bool:
        return is_true(event, score, reading.spans, (level,), language)

    told: list[Paragraph] = []
    spoken: set[str] = set()
    if bars is None:
        wide = [event for event in events if _is_wide(event, score) and event not in KEY]
        chosen = _choose(wide, MOST_OF_PIECE[level], 3, LEAST, so)
        sentences = _key_sentence(score, reading, book) + [
            replace(sentence, place="") for sentence in _sentences(chosen, score, level, language, spoken)
        ]
        if sentences:
            told.append(_paragraph(book.headings["piece"], Fraction(0), score.end, score, sentences))
    for start, end in cuts:
        if bars is not None and (end <= bars[0] or start >= bars[1]):
            continue
        lo, hi = (max(start, bars[0]), min(end, bars[1])) if bars else (start, end)
        here = [event for event in events if not _is_wide(event, score) and lo <= _anchor(event) < hi]
        if bars and start <= bars[0]:
            here += [event for event in events if _lasts(event) and event.start < lo < event.end]
        close = bars is not None and score.bars_between(*bars) <= _FEW_BARS
        least = 0.0 if close else LEAST
        chosen = _choose(_worth_telling(here, close), MOST[level], SAME[level], least, so)
        sentences = _sentences(chosen, score, level, language, spoken)
        sentences += _counts(
            [event for event in here if not _is_counted(event) or so(event)], chosen, level, book
        )
        if sentences:
            heading = _heading(score, reading, lo, hi, book)
            told.append(_paragraph(heading, lo, hi, score, sentences))
    return _with_glosses(told, book)


def passages(score: Score, reading: Reading) -> tuple[tuple[Fraction, Fraction], ...]:
    """Cut a piece where its phrases end, very short ones drawn together; without any, every eight bars."""
    phrases = sorted({(event.start, event.end) for event in reading.events if event in PHRASE})
    if not phrases:
        starts = [measure.start for measure in score.measures[::_FALLBACK_BARS]]
        return tuple(zip(starts, [*starts[1:], score.end], strict=True))
    cuts: list[tuple[Fraction, Fraction]] = []
    for start, end in phrases:
        short = cuts and score.bars_between(*cuts[-1]) < _FEWEST_BARS
        if cuts and (short or end - start < score.measure_at(start).full_length):
            cuts[-1] = (cuts[-1][0], end)
        else:
            cuts.append((start, end))
    return ((Fraction(0), cuts[0][1]), *cuts[1:])


def keys_in(reading: Reading, start: Fraction, end: Fraction) -> tuple[Key, ...]:
    """Return the keys of a stretch of time in order, neighbours that are alike once; none without keys."""
    keys: list[Key] = []
    for span in () if by_roots() else reading.spans:
        if span.start < end and span.end > start and (not keys or keys[-1] != span.key):
            keys.append(span.key)
    return tuple(keys)


def key_stretches(reading: Reading) -> tuple[tuple[Key, Fraction, Fraction], ...]:
    """Return the keys with where each begins and ends, neighbouring spans of one key drawn together.

    There are none where there are no keys to speak of.
    """
    runs: list[tuple[Key, Fraction, Fraction]] = []
    for span in () if by_roots() else reading.spans:
        if runs and runs[-1][0] == span.key:
            runs[-1] = (span.key, runs[-1][1], span.end)
        else:
            runs.append((span.key, span.start, span.end))
    return tuple(runs)


def key_sentence(score: Score, reading: Reading, book: Phrasebook) -> str:
    """Say where the piece begins, which keys it visits and, where it comes to an end, in which it does.

    Keys that it only touches are told where it visits none; that there are hardly any, where that is so.
    """
    if by_roots():
        return book.phrases["hardly_keys"]
    runs = key_stretches(reading)
    if not runs:
        return ""
    settled = {found.key for event, found in KEY.all(reading.events) if event.label != "tonicization"}
    home = runs[0][0]
    visits: dict[Key, str] = {}
    touched: dict[Key, str] = {}
    for key, start, end in runs[1:]:
        if key != home:
            named = key_name(key, book.language)
            where = book.bars(*heading_bars(score, start, end))
            told = visits if not settled or key in settled else touched
            told.setdefault(key, book.phrases["visit"].format(key=named, bars=where))
    if not visits and not touched:
        return book.phrases["keys_one"].format(home=key_name(home, book.language))
    text = book.phrases["keys_many" if visits else "keys_touched"].format(
        home=key_name(home, book.language), visits=book.join(list((visits or touched).values()))
    )
    last = ending_key(score, reading.spans)
    if last is None:
        return text
    return f"{text} {book.phrases['keys_last'].format(last=key_name(last, book.language))}"


def _key_sentence(score: Score, reading: Reading, book: Phrasebook) -> list[Sentence]:
    text = key_sentence(score, reading, book)
    events = tuple(event for event in reading.events if event in KEY)
    notes = tuple(dict.fromkeys(i for event in events for i in event.notes))
    return [Sentence(text, "", Fraction(0), notes, events)] if text else []


def _lasts(event: Event) -> bool:
    kind = kind_of(event)
    return kind is not None and kind.lasting


def _is_counted(event: Event) -> bool:
    kind = kind_of(event)
    return kind is not None and kind.counted


def _is_wide(event: Event, score: Score) -> bool:
    kind = kind_of(event)
    if kind is not None and kind.of_piece:
        return True
    return (kind is None or not kind.of_passage) and event.end - event.start >= score.end * Fraction(3, 5)


def _anchor(event: Event) -> Fraction:
    """Return where an event is told: at its beginning, a phrase and a cadence where they arrive."""
    found = PHRASE.of(event) or CADENCE.of(event)
    arrival = None if found is None else found.arrival
    if arrival is not None:
        return arrival if arrival < event.end else event.start
    return event.start


def _worth_telling(events: Sequence[Event], close: bool) -> list[Event]:
    """Leave out what is only counted, unless we look close, and what another event says better."""
    sure = [event for event in events if is_sure(event)]
    return [
        event
        for event in sure
        if (close or not _is_counted(event) or weight(event) > 1) and not _is_said(event, sure)
    ]


def _is_said(event: Event, others: Sequence[Event]) -> bool:
    """Whether another event says it better: a phrase is told by its cadence, a drone by its pedal point."""
    return any(_says(o, event) for o in others if o is not event)


def _says(other: Event, event: Event) -> bool:
    if event in PHRASE:
        cadence = CADENCE.of(other)
        return cadence is not None and cadence.phrase_end == event.end
    if event in KEY:
        return other in MODE_SWITCH and other.start == event.start
    if event in SIX_FOUR and event.label == "pedal":
        return other in PEDAL_POINT and other.start <= event.start < other.end
    if event in DRONE or event in REPEATED_NOTE or event in NON_CHORD_TONE:
        shared = bool(set(other.notes) & set(event.notes))
        held = event not in NON_CHORD_TONE or event.label == "pedal tone"
        if held and other in PEDAL_POINT:
            return shared and other.start <= event.start < other.end
        return event in REPEATED_NOTE and other in MELODY and other.label == "repeated notes" and shared
    return False


def _choose(
    events: Iterable[Event], most: int, same: int, least: float, so: Callable[[Event], bool]
) -> list[Event]:
    """Return the most telling events in order of time: no more than `same` alike, none under `least`, none
    that is not `so`.
    """
    ranked = sorted(events, key=lambda event: (-weight(event) * event.confidence, event.start))
    chosen: list[Event] = []
    alike: Counter[tuple[str, str]] = Counter()
    for event in ranked:
        if len(chosen) == most:
            break
        if (
            not is_sure(event)
            or weight(event) * event.confidence < least
            or alike[event.kind, event.label] >= same
        ):
            continue
        if not so(event):
            continue
        alike[event.kind, event.label] += 1
        chosen.append(event)
    return sorted(chosen, key=lambda event: (_anchor(event), event.end))


def _sentences(
    events: Sequence[Event], score: Score, level: Level, language: Language, spoken: set[str]
) -> list[Sentence]:
    book = phrasebook(language)
    found: list[Sentence] = []
    for event in events:
        first = f"{event.kind}.{event.label}" not in spoken
        text = (say if first else say_again)(event, score, level, language)
        spoken.add(f"{event.kind}.{event.label}")
        if text and text not in [sentence.text for sentence in found]:
            found.append(
                Sentence(text, place(score, _anchor(event), book), _anchor(event), event.notes, (event,))
            )
    return found


def _counts(
    events: Sequence[Event], chosen: Sequence[Event], level: Level, book: Phrasebook
) -> list[Sentence]:
    """Sum up what is not told one by one: so many passing tones, so many suspensions."""
    found = []
    for kind in kinds():
        if not kind.counted:
            continue
        rest = [event for event in events if event in kind and event not in chosen and is_sure(event)]
        counts = Counter(event.label for event in rest)
        if not counts or kind.name not in book.summaries:
            continue
        parts = [counted(n, label, book) for label, n in counts.most_common() if label in book.units]
        if not parts:
            continue
        total = counted(sum(counts.values()), "note", book)
        text = book.summaries[kind.name][level].format(list=book.join(parts), count=total)
        if not text:
            continue
        notes = tuple(dict.fromkeys(i for event in rest for i in event.notes))
        found.append(Sentence(text, "", rest[0].start, notes, tuple(rest)))
    return found


def heading_bars(score: Score, start: Fraction, end: Fraction) -> tuple[str, str]:
    """Return the printed bars of a passage; an upbeat of less than half a bar counts to the bar after it."""
    measure = score.measure_at(start)
    if measure.start < start < measure.end < end and measure.end - start < measure.full_length / 2:
        start = measure.end
    return printed_bars(score, start, end)


def _heading(score: Score, reading: Reading, start: Fraction, end: Fraction, book: Phrasebook) -> str:
    bars = book.bars(*heading_bars(score, start, end))
    keys = " → ".join(key_name(k, book.language) for k in keys_in(reading, start, end))
    title = f"{bars[0].upper()}{bars[1:]}"
    return f"{title} · {keys}" if keys else title


def _paragraph(
    heading: str, start: Fraction, end: Fraction, score: Score, sentences: Iterable[Sentence]
) -> Paragraph:
    first, last = heading_bars(score, start, end)
    return Paragraph(heading, start, end, first, last, tuple(sentences), ())


def _with_glosses(told: Sequence[Paragraph], book: Phrasebook) -> tuple[Paragraph, ...]:
    """Give each paragraph the glosses of the terms that it is the first to use."""
    known: set[str] = set()
    found = []
    for paragraph in told:
        new = [gloss for gloss in book.glosses_in(paragraph.text) if gloss.term not in known]
        known.update(gloss.term for gloss in new)
        found.append(replace(paragraph, glosses=tuple(new)))
    return tuple(found)
