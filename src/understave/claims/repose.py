"""Claims that music comes to rest: a line stops, tension lets go, the piece ends.

Each asks the notes and the print alone, and asks for more than one sign: what runs on, swells or climbs comes
to no rest, whatever the chords are called.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from statistics import median
from typing import ClassVar

from understave.claims.claim import Claim
from understave.claims.facts import Facts, voice
from understave.claims.on_the_page import STRUCK_HARD, level_of
from understave.claims.single_notes import ROUGH
from understave.score.model import Note, Score
from understave.theory.chord import Quality

_FADES = re.compile(r"\b(dim|decresc)")
_RETURNS = re.compile(r"\bd\.? ?[cs]\b|\bda capo\b|\bdal segno\b|\battacca\b|\bsegue\b|\bv\.? ?s\.?$")
_MARKS = tuple(',;:.!?…–—"”“»«)')
"""What ends a sentence or a part of one in print."""
_OPENING = " \"“„»«('‘"
_INSTANT = Fraction(1, 64)
_BEFORE = 4
"""Notes of a line against whose usual length its last one is long."""
_LONG = 2
"""How many times as long as they it is."""
_BUSIER = 1.5
"""How many times as many onsets as in the bar before make music press on rather than let go."""


@dataclass(frozen=True, slots=True)
class LineStops(Claim):
    """The leading line, a singer's or the highest, stops before a moment, for everybody to hear.

    It rests for half a beat, stands under a fermata, waits on a note of a beat and of twice the length of
    those before, or ends a slur of a bar; and no slur, tied note, word, sentence or printed crescendo runs
    across (common practice, no source).
    """

    kind: ClassVar[str] = "line stops"

    def holds(self, facts: Facts) -> bool:
        last = self._last(facts)
        if last is None or last.end > self.end or swells_into(facts, self.end):
            return False
        after = facts.next_in_voice(last)
        if last.part in facts.singers and _sung_on(facts, last, after):
            return False
        beat = facts.bar(last.onset).beat_length
        goes_on = after[0].onset if after else facts.score.end
        if last.fermata or 2 * (goes_on - last.end) >= beat:
            return True
        if goes_on >= facts.score.end:
            # Of what was cut off nobody knows how it goes on, unless it waits for a bar.
            waits = last.duration >= facts.bar(last.onset).full_length
            return waits or PieceEnds(self.start, facts.score.end).holds(facts)
        slurred = _slurred(facts, last)
        if slurred is None:
            return False
        before = facts.in_voice(last, last.onset - 2 * facts.bar(last.onset).full_length, last.onset)
        usual = median([note.duration for note in before[-_BEFORE:]] or [beat])
        long = last.duration >= max(beat, _LONG * usual)
        return long or (2 * last.duration >= beat and slurred >= facts.bar(last.onset).full_length)

    def _last(self, facts: Facts) -> Note | None:
        """The line's last note before the moment: of who sings in the last two bars, else of the voice that
        was highest in the last one.
        """
        bar = facts.bar(max(Fraction(0), self.end - _INSTANT)).full_length
        struck = facts.struck_in(max(Fraction(0), self.end - 2 * bar), self.end)
        sung = [note for note in struck if note.part in facts.singers]
        if not sung:
            late = facts.heard(max(Fraction(0), self.end - bar), self.end)
            top = max(late, key=lambda note: (note.midi, note.onset), default=None)
            sung = [note for note in (*struck, *late) if top is not None and voice(note) == voice(top)]
        return max(sung, key=lambda note: (note.onset, note.midi), default=None)


def stops_within(facts: Facts, start: Fraction, end: Fraction) -> bool:
    """Whether the leading line stops at some moment after `start`, at `end` at the latest."""
    moments = (*facts.moments(start, end)[1:], end)
    return any(LineStops(start, moment).holds(facts) for moment in moments)


def _slurred(facts: Facts, last: Note) -> Fraction | None:
    """How long the slur is that ends with a note, 0 for none; None where one goes on from it."""
    if len(last.ids) > 1:
        # A tied note does not carry the slur that ends with its last part.
        return Fraction(0)
    row = facts.in_voice(last, last.onset - 4 * facts.bar(last.onset).full_length, last.onset + _INSTANT)
    begun: list[Fraction] = []
    ended = Fraction(0)
    for note in row:
        for _ in range(note.articulations.count("slur-stop")):
            if begun:
                start = begun.pop()
                ended = note.end - start if note.onset == last.onset else Fraction(0)
        begun += [note.onset] * note.articulations.count("slur-start")
    return None if begun else ended


def _sung_on(facts: Facts, last: Note, after: Sequence[Note]) -> bool:
    """Whether a syllable, its word or its sentence goes on in a singer's next note."""
    if last.lyrics and last.lyrics[0].rstrip().endswith("-"):
        return True
    if after and not after[0].lyrics and after[0].onset == last.end:
        return True
    return not _verse_ends(facts, last)


def _verse_ends(facts: Facts, last: Note) -> bool:
    """Whether the words end with a note: a mark stands after them, or the next ones begin large as a verse
    does. Where no such mark is printed in the whole piece, words tell nothing.
    """
    sung = facts.sung[last.part]
    if not any(note.lyrics[0].rstrip().endswith(_MARKS) for note in sung):
        return True
    now = [note.lyrics[0].rstrip() for note in sung if note.onset <= last.onset]
    then = [note.lyrics[0].lstrip(_OPENING) for note in sung if note.onset > last.onset]
    return not then or not now or now[-1].endswith(_MARKS) or then[0][:1].isupper()


def swells_into(facts: Facts, moment: Fraction) -> bool:
    """Whether a printed crescendo leads to a moment, to within a beat, or past it; a word, of the last four
    bars, does where nothing of loudness follows it.
    """
    bar = facts.bar(max(Fraction(0), moment - _INSTANT))
    since, late = moment - 4 * bar.full_length, moment - bar.beat_length
    before = [mark for mark in facts.crescendos if mark.onset < moment]
    if any(mark.kind == "wedge" and mark.end is not None and mark.end > late for mark in before):
        return True
    words = [mark.onset for mark in before if mark.kind != "wedge" and mark.onset >= since]
    return any(not _settled(facts, onset, moment) for onset in words)


def _settled(facts: Facts, start: Fraction, end: Fraction) -> bool:
    """Whether a mark or another word of loudness stands between a word and a moment."""
    return any(
        start < d.onset < end and (level_of(d) is not None or _FADES.search(d.text.casefold()))
        for d in facts.printed_near(start, end - start)
    )


@dataclass(frozen=True, slots=True)
class LetsGo(Claim):
    """Tension lets go on what sounds at a moment: all signs agree.

    What sounds within a beat, more than one note, is a major or minor triad over its root, in its key no
    dominant; it stays for two beats, or the line stops on it; its own leading tone sounded in the bar before,
    or, if it is the tonic, a dissonance; the print neither swells into it or from it on, nor gets louder or
    strikes hard there; and it is no higher and no busier than the bar before (common practice, no source; the
    parts of tension after Farbood, "A parametric, temporal model of musical tension", Music Perception 29,
    2012, from memory).
    """

    kind: ClassVar[str] = "lets go"

    def holds(self, facts: Facts) -> bool:
        bar = facts.bar(self.start)
        since = max(Fraction(0), self.start - bar.full_length)
        before, here = facts.heard(since, self.start), facts.heard(self.start, self.start + bar.beat_length)
        span = facts.span(self.start)
        if span is None or not before or len(here) < 2:
            return False
        chord, local = span.numeral.chord(span.key), span.numeral.local_key(span.key)
        calm = chord.quality in (Quality.MAJOR, Quality.MINOR) and chord.bass == chord.root
        stays = span.end - self.start >= 2 * bar.beat_length or LineStops(self.start, span.end).holds(facts)
        if not calm or not stays or chord.root.fifths - local.tonic.fifths == 1:
            return False
        sounding = {note.midi % 12 for note in here if note.until > float(self.start)}
        lows = (*facts.sounding(self.start)[:1], min(here, key=lambda note: note.midi))
        rooted = all(low.midi % 12 == chord.root.semitone for low in lows)
        if not rooted or not sounding <= set(chord.semitones):
            return False
        led = any(note.midi % 12 == (chord.root.semitone - 1) % 12 for note in before)
        tense = led or (chord.root == local.tonic and self._rubbed(facts, since))
        return tense and not self._presses(facts, since, before, here)

    def _rubbed(self, facts: Facts, since: Fraction) -> bool:
        """Whether a semitone, tone or tritone, octaves aside, sounded at a moment of the bar before."""
        for moment in facts.moments(since, self.start):
            tones = sorted({note.midi % 12 for note in facts.sounding(moment)})
            if any((a - b) % 12 in ROUGH for a in tones for b in tones if a != b):
                return True
        return False

    def _presses(self, facts: Facts, since: Fraction, before: Iterable[Note], here: Iterable[Note]) -> bool:
        beat = facts.bar(self.start).beat_length
        if swells_into(facts, self.start) or _louder(facts, self.start):
            return True
        if any(self.start <= mark.onset <= self.start + beat for mark in facts.crescendos):
            return True
        if max(note.midi for note in here) > max(note.midi for note in before):
            return True
        bar = facts.bar(self.start).full_length
        then = len(facts.moments(since, self.start))
        now = len(facts.moments(self.start, self.start + bar))
        return now > _BUSIER * then


def _louder(facts: Facts, moment: Fraction) -> bool:
    """Whether what is printed at a moment strikes hard or is louder than the mark before."""
    marks = [d for d in facts.score.directions if d.kind == "dynamic" and d.onset <= moment]
    here = [d.text.strip() for d in marks if d.onset == moment]
    if any(STRUCK_HARD.fullmatch(text) for text in here):
        return True
    levels = [(d.onset, level) for d in marks if (level := level_of(d)) is not None]
    now = [level for onset, level in levels if onset == moment]
    earlier = [level for onset, level in levels if onset < moment]
    return bool(now and earlier) and max(now) > earlier[-1]


@dataclass(frozen=True, slots=True)
class PieceEnds(Claim):
    """The piece ends with its last bar: on a triad over the tonic, on which it waits for a beat or under a
    fermata; nothing printed sends the player back or on, and no *Fine* stands earlier (common practice, no
    source).
    """

    kind: ClassVar[str] = "piece ends"

    def holds(self, facts: Facts) -> bool:
        score, bar = facts.score, facts.score.measures[-1]
        if self.end <= bar.start - bar.full_length or _leads_elsewhere(score):
            return False
        last = facts.struck[-1] if facts.struck else None
        if last is None or last.onset > self.end or not facts.spans:
            return False
        span, final = facts.spans[-1], facts.sounding(last.onset)
        waits = score.end - last.onset >= facts.bar(last.onset).beat_length
        fermata = any(note.fermata for note in final)
        low = facts.lowest(max(Fraction(0), last.onset - bar.full_length), score.end)
        home = span.key.tonic.semitone
        on_tonic = final[0].midi % 12 == home or (low is not None and low.midi % 12 == home)
        return on_tonic and span.numeral.chord(span.key).root.semitone == home and (waits or fermata)


def _leads_elsewhere(score: Score) -> bool:
    """Whether print ends the piece before its last bar, or sends the player back or on from its last two."""
    printed = [(d, d.text.casefold().strip()) for d in score.directions]
    if any(text.strip(" .") == "fine" and d.onset < score.measures[-1].start for d, text in printed):
        return True
    late = score.measures[-2:][0].start
    return any(_RETURNS.search(text) for d, text in printed if d.onset >= late or (d.end or 0) >= late)
