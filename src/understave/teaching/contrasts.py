"""Contrasts to hear: some bars as written, against the same bars as one might have expected them.

In: a Score and its Reading. Out: `Contrast` values: two Scores of the same bars with their readings, the
notes that differ, and a label with `details` for the words (`wording`, tables ``contrasts``).
Both are ordinary Scores: they are engraved, planned and sounded like any other.

Labels (details in brackets; all have ``key``, and ``at``, the moment in the piece that it is about):

- ``"altered notes"``: the notes foreign to the key put back into it (``chord``, ``plain`` the chord that
  results, ``changes`` pairs of the note written and the note of the key).
- ``"diatonic neighbour"``: a chord on a foreign root replaced by its diatonic neighbour (the same,
  ``changes`` only where altered notes alone make the difference).
- ``"mode"``: the bars after a switch of mode in the mode that was left (``before``).
- ``"dissonance"``: the note foreign to the chord left out, its resolution at once (``pitch``, ``resolution``,
  ``kind`` suspension, appoggiatura ...).
- ``"arrival"``: a deceptive or evaded cadence kept to its promise (``chord`` what comes, ``plain`` the
  tonic).
- ``"continuation"``: where a passage that came before goes on differently, the way it took first
  (``earlier``: that moment).
- ``"block chords"``: the figuration against its chords alone.
- ``"bass"``, ``"melody"``: the bars with one voice alone.

Contrasts of sound, ``"pedal"`` and ``"piano"``, are made in `sound_contrasts`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from understave.claims import Claim, facts, failing
from understave.findings.applied import APPLIED_CHORD
from understave.findings.cadences import CADENCE
from understave.findings.catalogue import kind_of, weight
from understave.findings.chromatic import CHROMATIC_CHORD
from understave.findings.lines import is_same, is_step
from understave.findings.modes import MODE_SWITCH
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.returns import DIFFERENCE, RETURN
from understave.findings.texture import texture_of
from understave.harmony.reading import Detail, Event, Reading, Span
from understave.interpretation.plan import PedalMove
from understave.score.model import Note, Score
from understave.score.passage import passage
from understave.score.transpose import interval_between, moved_pitch
from understave.score.write import with_source
from understave.teaching.carried import carry, reading_of, with_notes
from understave.teaching.details import (
    ChordPutBack,
    Compared,
    Comparison,
    DissonanceLeftOut,
    ModeKept,
    WayTakenBefore,
)
from understave.teaching.reduction import reduced
from understave.theory.chord import Chord
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.wording.claiming import contrast_claims
from understave.wording.gaps import fill
from understave.wording.phrasebook import Level, phrasebook

LABELS = (
    "altered notes",
    "diatonic neighbour",
    "mode",
    "dissonance",
    "arrival",
    "continuation",
    "block chords",
    "bass",
    "melody",
)
_OF_TEXTURE = ("block chords", "bass", "melody")
OF_SOUND = ("pedal", "piano")


@dataclass(frozen=True, slots=True)
class Way:
    """How one side of a contrast is played: with these moves of the pedal (None: the plan's own), on which
    piano (a name in `acoustics.piano.INSTRUMENTS`; "" for the one that is asked for).
    """

    pedal: tuple[PedalMove, ...] | None = None
    piano: str = ""


@dataclass(frozen=True)
class Contrast:
    """Two ways to hear bars `first` to `last` (indexes of measures in the piece).

    `written` is as printed (for block chords, bass and melody the whole texture), `other` what it is held
    against. `differs` are the ids of notes of `written` that are changed or silent in `other`; `changed`
    those of `other`. `shows` is the label of the event that it rests on. `ways` are how the two are
    played, where that is what differs.
    """

    label: str
    first: int
    last: int
    details: Comparison
    written: Score
    written_reading: Reading
    other: Score
    other_reading: Reading
    differs: tuple[str, ...]
    changed: tuple[str, ...]
    weight: float = 1.0
    shows: str = ""
    ways: tuple[Way, Way] = (Way(), Way())

    @property
    def values(self) -> tuple[tuple[str, Detail], ...]:
        """The details by name, for the gaps of its words."""
        return self.details.as_pairs()

    def words(self, score: Score, level: Level = "intermediate", language: Language = "en") -> str:
        """Say what to listen for; numerals stand between ⟨ and ⟩."""
        book = phrasebook(language)
        return fill(book.contrasts[self.label][level], dict(self.values), score, book, "contrast")

    def claims(self, score: Score) -> tuple[Claim, ...]:
        """Return what its words claim of the piece."""
        stretch = score.measures[self.first].start, score.measures[self.last].end
        return contrast_claims(score, self.label, self.shows, self.values, stretch)

    def is_so(self, score: Score, reading: Reading) -> bool:
        """Whether the notes bear out all that its words claim."""
        return not failing(self.claims(score), facts(score, reading.spans))


def contrasts(score: Score, reading: Reading, at_most: int = 12) -> tuple[Contrast, ...]:
    """Return the contrasts of a piece in order of time, those that matter most where there are too many.

    At most three have one label, two of them on one kind of event; block chords, bass and melody are
    given for the bars where they tell most.
    """
    found = [contrast for contrast in possible_contrasts(score, reading) if contrast.is_so(score, reading)]
    return tuple(_with_events(contrast) for contrast in _chosen(found, at_most))


def possible_contrasts(score: Score, reading: Reading) -> tuple[Contrast, ...]:
    """Return every contrast that could be made, those too of which the notes deny something (`claims`); their
    readings have spans and no events, which are found for those that are taken.
    """
    found: list[Contrast] = []
    for event in reading.events:
        kind = kind_of(event)
        offered = {} if kind is None else kind.contrasts
        maker = _MAKERS.get(offered.get(event.label) or offered.get("", ""))
        if maker is None or event.confidence < 0.4:
            continue
        made = maker(score, reading, event)
        if made is not None:
            found.append(replace(made, weight=weight(event) * event.confidence, shows=event.label))
    found += _whole_texture(score, reading)
    return tuple(found)


def _chosen(found: Iterable[Contrast], at_most: int) -> tuple[Contrast, ...]:
    chosen: list[Contrast] = []
    for contrast in sorted(found, key=lambda contrast: (-contrast.weight, contrast.first)):
        alike = [o for o in chosen if o.label == contrast.label]
        same_event = sum(o.shows == contrast.shows for o in alike)
        same_place = any(o.first == contrast.first and o.last == contrast.last for o in alike)
        if len(alike) < 3 and same_event < 2 and not same_place and len(chosen) < at_most:
            chosen.append(contrast)
    return in_order(chosen)


def _with_events(one: Contrast) -> Contrast:
    """Return a contrast whose sides are read with their events; what is left of a texture shows none."""
    written = reading_of(one.written, one.written_reading.spans)
    if one.label in _OF_TEXTURE:
        return replace(one, written_reading=written)
    return replace(one, written_reading=written, other_reading=reading_of(one.other, one.other_reading.spans))


def in_order(found: Iterable[Contrast]) -> tuple[Contrast, ...]:
    """Return contrasts in order of time."""
    return tuple(
        sorted(found, key=lambda contrast: (contrast.first, (*LABELS, *OF_SOUND).index(contrast.label)))
    )


# --- parts that all contrasts are made of ------------------------------------------------------------------


def _bars(score: Score, start: Fraction, end: Fraction, before: int = 1, after: int = 1) -> tuple[int, int]:
    """The measures around a stretch, some before and after for the context."""
    first, last = score.measures_over(start, end)
    return max(0, first.index - before), min(len(score.measures) - 1, last.index + after)


def _make(  # noqa: PLR0913
    label: str,
    score: Score,
    reading: Reading,
    bars: tuple[int, int],
    details: Comparison,
    change: Callable[[Score, Fraction], list[Note]],
    respan: Callable[[Span], Span] = lambda span: span,
) -> Contrast | None:
    """Return a contrast whose other side is made by `change` from the bars, or None where nothing changes.

    `change` gets the excerpt and the moment of the piece at which it begins.
    """
    first, last = bars
    written = passage(score, first, last)
    start, end = score.measures[first].start, score.measures[last].end
    notes = change(written, start)
    notes.sort(key=lambda note: (note.onset, not note.grace, note.midi))
    other = with_source(replace(written, notes=tuple(notes), source=b""))
    before = {note.id: note for note in written.notes}
    after = {note.id: note for note in other.notes}
    differs = tuple(i for i, note in before.items() if i not in after or not _alike(note, after[i]))
    changed = tuple(i for i, note in after.items() if i not in before or not _alike(note, before[i]))
    if not differs and not changed:
        return None
    spans = carry(reading.spans, written, start, end)
    moved = [replace(respan(replace(span, start=span.start + start, end=span.end + start))) for span in spans]
    moved = [replace(span, start=span.start - start, end=span.end - start) for span in moved]
    return Contrast(
        label,
        first,
        last,
        details,
        written,
        Reading(spans),
        other,
        Reading(with_notes(other, moved)),
        differs,
        changed,
    )


def _alike(a: Note, b: Note) -> bool:
    return (a.pitch, a.onset, a.duration) == (b.pitch, b.onset, b.duration)


def _with_pitch(note: Note, pitch: Pitch) -> Note:
    written = note.written + Interval.between(note.pitch, pitch)
    return replace(note, pitch=pitch, written=written)


def _near(pitch: Pitch, target: PitchClass) -> Pitch:
    """The pitch of a class nearest to a pitch, the lower of two at the same distance."""
    near = [Pitch(target.letter, target.alter, pitch.octave + k) for k in (-1, 0, 1)]
    return min(near, key=lambda p: (abs(p.midi - pitch.midi), p.midi))


def _in_time(note: Note, start: Fraction, end: Fraction) -> bool:
    return note.onset < end and note.end > start if not note.grace else start <= note.onset < end


# --- chromatic chords --------------------------------------------------------------------------------------


def _altered(score: Score, reading: Reading, event: Event) -> Contrast | None:
    """The chord's chromatic notes put back to the key; on a foreign root, the diatonic neighbour instead."""
    found = CHROMATIC_CHORD.of(event) or APPLIED_CHORD.of(event)
    if found is None:
        return None
    key, chord, table = found.key, found.chord, dict(found.changes)
    sounding = chord.chord(key)
    plain = _named(
        {table.get(tone, tone) for tone in sounding.members}, table.get(sounding.bass, sounding.bass), key
    )
    if plain is None or any(tone not in key for tone in plain.chord(key).members):
        return _neighbour(score, reading, event, key, chord)

    def change(written: Score, start: Fraction) -> list[Note]:
        return [
            _with_pitch(note, _near(note.pitch, table[note.pitch.pitch_class]))
            if note.pitch.pitch_class in table and _in_time(note, event.start - start, event.end - start)
            else note
            for note in written.notes
        ]

    details = ChordPutBack(key=key, at=event.start, chord=chord, plain=plain, changes=tuple(table.items()))
    label = "altered notes" if sounding.root in key else "diatonic neighbour"
    return _make(
        label,
        score,
        reading,
        _bars(score, event.start, event.end),
        details,
        change,
        _relabel(event.start, event.end, key, plain),
    )


def _named(members: set[PitchClass], bass: PitchClass, key: Key) -> RomanNumeral | None:
    chords = Chord.from_pitch_classes(members, bass)
    names = [numeral for chord in chords for numeral in RomanNumeral.of(chord, key) if not numeral.applied]
    return names[0] if names else None


def _relabel(start: Fraction, end: Fraction, key: Key, numeral: RomanNumeral) -> Callable[[Span], Span]:
    def respan(span: Span) -> Span:
        if start <= span.start < end:
            return replace(span, key=key, numeral=numeral, alternatives=(), confidence=1.0)
        return span

    return respan


def diatonic_neighbour(chord: RomanNumeral, key: Key) -> RomanNumeral | None:
    """Return the chord of the key that stands nearest to a chromatic one, or None where there is none.

    It is the triad on a degree of the key with most notes on the same letters, its bass on the letter of the
    chord's own: ii6 or iio6 for the Neapolitan sixth, vi for flat VI, iv6 for the Italian sixth.
    """
    sounding = chord.chord(key)
    letters = {tone.letter for tone in sounding.members}
    numerals = {
        "major": ("I", "ii", "iii", "IV", "V", "vi", "viio"),
        "minor": ("i", "iio", "III", "iv", "V", "VI", "viio"),
    }[key.mode]
    best: tuple[int, int, RomanNumeral] | None = None
    for order, text in enumerate(numerals):
        plain = RomanNumeral.parse(text)
        members = plain.chord(key).members
        shared = len(letters & {tone.letter for tone in members})
        same_root = members[0].letter == sounding.root.letter
        bass = next((k for k, tone in enumerate(members) if tone.letter == sounding.bass.letter), None)
        if bass is None or shared < 2:
            continue
        candidate = (2 * shared + int(same_root), -order, plain.with_inversion(bass))
        if best is None or candidate[:2] > best[:2]:
            best = candidate
    if best is None or set(best[2].chord(key).members) == set(sounding.members):
        return None
    return best[2]


def _neighbour(
    score: Score, reading: Reading, event: Event, key: Key, chord: RomanNumeral
) -> Contrast | None:
    plain = diatonic_neighbour(chord, key)
    if plain is None:
        return None
    table = _mapping(chord.chord(key), plain.chord(key), key)

    def change(written: Score, start: Fraction) -> list[Note]:
        return _mapped(written, table, event.start - start, event.end - start)

    return _make(
        "diatonic neighbour",
        score,
        reading,
        _bars(score, event.start, event.end),
        ChordPutBack(key=key, at=event.start, chord=chord, plain=plain),
        change,
        _relabel(event.start, event.end, key, plain),
    )


def _mapping(old: Chord, new: Chord, key: Key) -> Mapping[PitchClass, PitchClass]:
    """Where each note of a chord goes in another: to the same letter, else the nearest member; foreign
    notes go back into the key.
    """
    table: dict[PitchClass, PitchClass] = {}
    for tone in old.members:
        same = [q for q in new.members if q.letter == tone.letter]
        distance = {
            q: min((q.semitone - tone.semitone) % 12, (tone.semitone - q.semitone) % 12) for q in new.members
        }
        table[tone] = same[0] if same else min(new.members, key=lambda tone: distance[tone])
    table[old.bass] = new.bass
    for degree in key.scale:
        for alter in (-1, 1):
            chromatic = PitchClass(degree.letter, degree.alter + alter)
            if chromatic not in table and chromatic not in key:
                table[chromatic] = degree
    return table


def _mapped(
    written: Score, table: Mapping[PitchClass, PitchClass], start: Fraction, end: Fraction
) -> list[Note]:
    notes = []
    for note in written.notes:
        target = table.get(note.pitch.pitch_class)
        # A note held in from before stays what it was.
        here = start <= note.onset < end
        notes.append(note if target is None or not here else _with_pitch(note, _near(note.pitch, target)))
    return notes


# --- mode ------------------------------------------------------------------------------------------------


_MODE_BARS = 4


def _mode(score: Score, reading: Reading, event: Event) -> Contrast | None:
    """The first bars after a switch of mode as they would be without it."""
    found = MODE_SWITCH.of(event)
    if found is None:
        return None
    key, before = found.key, found.before
    first = score.measure_at(event.start).index
    last = min(first + _MODE_BARS - 1, len(score.measures) - 1)
    end = min(found.until, score.measures[last].end)
    table = {a: b for a, b in zip(key.scale, before.scale, strict=True) if a != b}
    if before.mode == "minor":
        # The leading tone is the same in both modes.
        table.pop(key.leading_tone, None)

    def change(written: Score, start: Fraction) -> list[Note]:
        return [
            _with_pitch(note, _near(note.pitch, table[note.pitch.pitch_class]))
            if note.pitch.pitch_class in table and event.start - start <= note.onset < end - start
            else note
            for note in written.notes
        ]

    def respan(span: Span) -> Span:
        if not event.start <= span.start < end or span.key != key:
            return span
        if span.numeral.special == "Cad":
            return replace(span, key=before, alternatives=())
        chord = span.numeral.chord(key)
        members = {table.get(tone, tone) for tone in chord.members}
        named = _named(members, table.get(chord.bass, chord.bass), before)
        if named is None:
            return replace(span, key=before)
        return replace(span, key=before, numeral=named, alternatives=(), confidence=1.0)

    details = ModeKept(key=key, before=before, at=event.start)
    return _make("mode", score, reading, (max(0, first - 2), last), details, change, respan)


# --- dissonance ------------------------------------------------------------------------------------------


def _dissonance(score: Score, reading: Reading, event: Event) -> Contrast | None:
    """The note of the resolution in place of the dissonance."""
    found = NON_CHORD_TONE.of(event)
    if found is None or found.manner != "direct" or found.metric == "unaccented":
        return None
    note_id, pitch, chord, key = found.note, found.pitch, found.chord, found.key
    resolution_id, resolution, when = found.resolution, found.resolution_pitch, found.resolution_time
    if resolution_id is None or resolution is None or when is None:
        return None
    if resolution.midi % 12 not in chord.chord(key).semitones:
        # What the next chord alone resolves would be as foreign as the dissonance, put here at once.
        return None

    def change(written: Score, start: Fraction) -> list[Note]:
        turned = event.start - start
        goal = next((note for note in written.notes if resolution_id in note.ids), None)
        joined: set[str] = set()
        notes: list[Note] = []
        for note in written.notes:
            foreign = note_id in note.ids or note.id in event.notes
            if not foreign or note.end <= turned:
                notes.append(note)
                continue
            other = _with_pitch(note, note.pitch + Interval.between(pitch, resolution))
            end = note.end
            if goal is not None and goal.onset == note.end and goal.pitch == other.pitch:
                # One long note: the resolution is there from the first.
                end, joined = goal.end, joined | {goal.id}
            if note.onset >= turned:
                notes.append(replace(other, duration=end - note.onset))
                continue
            # Held over: the note lets go where it turns foreign, and what it resolves to comes at once.
            name = f"{note.id}-r"
            measure = written.measure_at(turned).index
            notes.append(replace(note, duration=turned - note.onset))
            late = replace(other, id=name, ids=(name,), onset=turned, duration=end - turned, measure=measure)
            notes.append(replace(late, articulations=(), ornaments=(), fingering=(), lyrics=()))
        return [note for note in notes if note.id not in joined]

    details = DissonanceLeftOut(
        key=key,
        at=event.start,
        chord=chord,
        pitch=pitch.pitch_class,
        resolution=resolution.pitch_class,
        kind=event.label,
    )
    return _make("dissonance", score, reading, _bars(score, event.start, when, 1, 0), details, change)


# --- what was promised -------------------------------------------------------------------------------------


def _arrival(score: Score, reading: Reading, event: Event) -> Contrast | None:
    """A cadence led astray, with the tonic where it was expected."""
    found = CADENCE.of(event)
    if found is None:
        return None
    key, goal, arrival = found.key, found.goal, found.arrival
    expected = found.expected or RomanNumeral.parse("I" if key.mode == "major" else "i")
    span = reading.span_at(arrival)
    if span is None:
        return None
    table = dict(_mapping(span.numeral.chord(span.key), expected.chord(key), key))

    def change(written: Score, start: Fraction) -> list[Note]:
        return _mapped(written, table, arrival - start, span.end - start)

    return _make(
        "arrival",
        score,
        reading,
        _bars(score, event.start, min(span.end, arrival + score.measure_at(arrival).length), 1, 0),
        ChordPutBack(key=key, at=arrival, chord=goal, plain=expected),
        change,
        _relabel(arrival, span.end, key, expected),
    )


_LEAD_BARS, _NEW_BARS = 2, 3


def _continuation(score: Score, reading: Reading, event: Event) -> Contrast | None:
    """The way that the passage took the first time, after the same bars as now."""
    found = DIFFERENCE.of(event)
    if found is None:
        return None
    left = found.from_end
    home = next(
        (details for event, details in RETURN.all(reading.events) if event.start == found.return_start), None
    )
    now = score.measure_at(event.start).index
    then = score.measure_at(left).index
    count = min(_NEW_BARS, len(score.measures) - now, now - then)
    if home is None or count < 1 or then + count > len(score.measures):
        return None
    if any(score.measures[now + k].length != score.measures[then + k].length for k in range(count)):
        return None
    first, last = max(0, now - _LEAD_BARS), now + count - 1
    key, old_key = home.key, home.from_key
    if key is None or old_key is None or key.mode != old_key.mode:
        # What came in the other mode would have to be rewritten, not repeated.
        return None
    interval = interval_between(old_key, key)
    if not _part_ways(score, then, now, count, interval):
        return None
    earlier = passage(score, then, then + count - 1)
    old_start = score.measures[then].start

    def moved(note: Note, shift: Fraction, bar: int) -> Note:
        name = f"then-{note.id}"
        pitch = moved_pitch(note.pitch, interval)
        whole = tuple(f"then-{i}" for i in note.ids)
        return replace(
            _with_pitch(note, pitch), id=name, ids=whole, onset=note.onset + shift, measure=note.measure + bar
        )

    def change(written: Score, start: Fraction) -> list[Note]:
        cut = score.measures[now].start - start
        kept = [
            note if note.end <= cut else replace(note, duration=cut - note.onset)
            for note in written.notes
            if note.onset < cut
        ]
        return kept + [moved(note, cut, now - first) for note in earlier.notes]

    span = reading.span_at(event.start)
    details = WayTakenBefore(at=event.start, key=span.key if span else None, earlier=left)
    made = _make("continuation", score, reading, (first, last), details, change)
    if made is None:
        return None
    start = score.measures[first].start
    cut = score.measures[now].start
    lead = carry(reading.spans, made.other, start, cut)
    new = carry(reading.spans, earlier, old_start, old_start + earlier.end, interval)
    shifted = [replace(span, start=span.start + cut - start, end=span.end + cut - start) for span in new]
    spans = with_notes(made.other, [*lead, *shifted])
    return replace(made, other_reading=Reading(spans))


def _part_ways(score: Score, then: int, now: int, count: int, interval: Interval) -> bool:
    """Whether each of two passages, bars by index, strikes what the other, `interval` away, does not.

    Where a voice only falls silent or joins in, the way is the same.
    """

    def struck(first: int, by: Interval | None) -> set[tuple[Fraction, int]]:
        start = score.measures[first].start
        return {
            (n.onset - start, (n.pitch if by is None else moved_pitch(n.pitch, by)).midi % 12)
            for n in score.struck
            if first <= n.measure < first + count
        }

    before, here = struck(then, interval), struck(now, None)
    return not before <= here and not here <= before


# --- one voice, one chord -----------------------------------------------------------------------------------


_TEXTURE_BARS = 4


def _whole_texture(score: Score, reading: Reading) -> list[Contrast]:
    """Block chords against the figuration, the bass alone and the melody alone, for the richest bars."""
    if not reading.spans:
        return []
    first, last = _richest(score, reading)
    start, end = score.measures[first].start, score.measures[last].end
    written = passage(score, first, last)
    spans = carry(reading.spans, written, start, end)
    whole = Reading(spans)
    details = Compared(at=start, key=spans[0].key if spans else reading.spans[0].key)
    found: list[Contrast] = []
    if spans:
        blocks, labels = reduced(score, reading, first=first, last=last)
        differs = tuple(note.id for note in written.notes)
        changed = tuple(note.id for note in blocks.notes)
        sides = (written, whole, blocks, labels)
        found.append(Contrast("block chords", first, last, details, *sides, differs, changed, 3.0))
    roles = texture_of(score, reading.spans).roles
    for label in ("bass", "melody"):
        own = {
            note.id
            for note in written.notes
            if any(roles.get(_first_id(score, i)) == label for i in note.ids)
        }
        others = tuple(note.id for note in written.notes if note.id not in own)
        if not own or not others:
            continue
        line = tuple(note for note in written.notes if note.id in own)
        if label == "bass" and not _steps_and_leaps(line):
            continue
        alone = with_source(replace(written, notes=line, source=b""))
        labels = Reading(with_notes(alone, spans))
        found.append(Contrast(label, first, last, details, written, whole, alone, labels, others, (), 2.5))
    return found


def _steps_and_leaps(notes: Sequence[Note]) -> bool:
    """Whether a line does both: one that stays, or only climbs a scale, tells nothing when it is alone."""
    moves = [(one, two) for one, two in pairwise(notes) if not is_same(one, two)]
    steps = sum(is_step(one, two) for one, two in moves)
    return 0 < steps < len(moves)


def _first_id(score: Score, note_id: str) -> str:
    note = score.note_by_id.get(note_id)
    return note_id if note is None else note.id


def _richest(score: Score, reading: Reading) -> tuple[int, int]:
    """The bars, four at most, in which most harmonies lie."""
    size = min(_TEXTURE_BARS, len(score.measures))
    starts = [span.start for span in reading.spans]

    def changes(first: int) -> int:
        lo, hi = score.measures[first].start, score.measures[first + size - 1].end
        return sum(lo <= t < hi for t in starts)

    first = max(range(len(score.measures) - size + 1), key=lambda k: (changes(k), -k))
    return first, first + size - 1


_Maker = Callable[[Score, Reading, Event], Contrast | None]
_MAKERS: Mapping[str, _Maker] = {
    "altered": _altered,
    "mode": _mode,
    "dissonance": _dissonance,
    "arrival": _arrival,
    "continuation": _continuation,
}
"""Makers by the names that kinds offer them under (`Kind.contrasts`)."""
