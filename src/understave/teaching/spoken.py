"""The talk in words: how it opens, how one comes to each stop, what is said there, how it closes.

In: a Score, its Reading, the stops in their order, a level and a language. Out: texts for the ear
(`Spoken`), without bars and numerals; bars stand in the margin of the script. The opening makes one curious
for the idea that `telling_order` ranks highest among those that have a stop; the stop of that idea is
announced as what was promised, and the close takes it up again. Words stand in ``talk.toml``; which of them
are taken depends on the piece's title and on what was said before, never on chance.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import TYPE_CHECKING
from zlib import crc32

from understave.claims import facts
from understave.claims.whole_forms import OuterVoices
from understave.findings.cadences import CADENCE
from understave.findings.keyplan import KEY
from understave.findings.returns import RETURN
from understave.findings.sounding_notes import soundings
from understave.findings.sung_sections import is_song
from understave.harmony.reading import Event, Reading
from understave.interpretation.planning import for_hands, for_keyboard
from understave.interpretation.tension import TENSION, home_of
from understave.score.model import Score
from understave.teaching.narrative import (
    Voice,
    entry_of,
    filled,
    head_sentences,
    mood_sentence,
    name_among,
    sentence,
    to_listen_for,
    variants,
)
from understave.teaching.place_in_piece import of_place, time_of
from understave.teaching.speech import Pointing, Spoken, sentences
from understave.teaching.telling_order import Thread, foremost, ranked
from understave.teaching.threads import Idea, idea_of
from understave.theory.names import pitch_class_name
from understave.theory.vocabulary import Language
from understave.wording import Phrasebook, phrasebook, say
from understave.wording.phrasebook import raised

if TYPE_CHECKING:
    from understave.teaching.stops import Stop

POINTED_BEFORE = 2.2
"""Seconds before the moment at which one says where to listen: long enough to turn the ear (set by ear)."""


@dataclass(frozen=True, slots=True)
class Frame:
    """What is said before the first bars, after them, and at the end of a talk."""

    before: str
    after: str
    close: str


# --- at a stop -------------------------------------------------------------------------------------------


def at_stop(
    score: Score,
    reading: Reading,
    events: Sequence[Event],
    asked: tuple[str, str],
    moment: Fraction,
    book: Phrasebook,
) -> Spoken:
    """Return what is said at a stop about some events, the most telling first; `asked` are question and
    answer. What leads there, and what is said before the bars come again, is added by `connected`.
    """
    voice = _voice_of(score, events[0], moment)
    told, hands = _told(score, reading, events, book)
    return Spoken(
        lead=book.talk["lead"]["own"][0].format(when=""),
        question=asked[0],
        answer=asked[1],
        told=told,
        hands=hands if for_hands(score, events[0].notes) else "",
        sing=max(book.talk["sing"][voice or "all"], key=len),
        again=max(book.talk["once_more"], key=len),
        points=_points(voice, moment, book),
    )


def _told(score: Score, reading: Reading, events: Sequence[Event], book: Phrasebook) -> tuple[str, str]:
    """What the answer leaves to be told and why it moves us, and what follows for the hands.

    What has no words of its own for the ear is told as it is told to beginners, without names of chords.
    """
    lead = events[0]
    words = book.talk["here"]
    here = words[score.measure_at(lead.start).index % len(words)]
    entry = entry_of(lead, book)
    if not entry:
        return say(lead, score, "beginner", book.language), ""
    template = entry.get("aloud", entry.get("hear", ""))
    heard = sentence(score, reading, lead, template, book, here)
    if template and not heard:
        return say(lead, score, "beginner", book.language), ""
    more, turn = of_place(score, reading, lead), score.measure_at(lead.start).index
    why, hands = (
        filled(score, lead, forms[turn % len(forms)], book, more) if forms else ""
        for forms in (variants(entry, "why"), variants(entry, "hands"))
    )
    return f"{heard} {why}".strip(), hands


def outer_voices(score: Score, reading: Reading, moment: Fraction, book: Phrasebook) -> Iterator[str]:
    """Tell how bass and top voice move from the chord of a moment to the next one; nothing at the end, nor
    where the notes deny it.
    """
    claimed = outer_claim(score, reading, moment)
    if claimed is not None and claimed.holds(facts(score, reading.spans)):
        names = [pitch_class_name(tone, book.language) for tone in (*claimed.bass, *claimed.top)]
        yield book.talk["outer"][claimed.motion].format(
            bass=names[0], bass_to=names[1], top=raised(names[2]), top_to=names[3]
        )


def outer_claim(score: Score, reading: Reading, moment: Fraction) -> OuterVoices | None:
    """Return what is to be told of the outer voices from a moment's chord to the next, None for nothing."""
    here = reading.span_at(moment)
    following = None if here is None else reading.span_at(here.end)
    if here is None or following is None:
        return None
    before, after = soundings(score).at(moment), soundings(score).at(following.start)
    if len(before) < _VOICES or len(after) < _VOICES:
        return None
    voices = (before[0], after[0]), (before[-1], after[-1])
    ways = [b.midi - a.midi for a, b in voices]
    product = ways[0] * ways[1]
    motion = "together" if product > 0 else "apart" if product < 0 else "oblique"
    if ways == [0, 0]:
        return None
    bass, top = ((a.pitch.pitch_class, b.pitch.pitch_class) for a, b in voices)
    return OuterVoices(moment, following.start, bass, top, motion)


_VOICES = 2


def _voice_of(score: Score, event: Event, moment: Fraction) -> str:
    """Where an event's notes lie: ``"bass"``, ``"top"``, ``"inner"``; ``""`` where it is in all of them."""
    if event in CADENCE or event in KEY or event in RETURN or len(event.notes) > _FEW_NOTES:
        return ""
    pulling = TENSION.of(event)
    wanted = None if pulling is None else pulling.pitch
    chord = soundings(score).at(moment)
    own = [note for note in chord if note.id in event.notes and (wanted is None or note.pitch == wanted)]
    if not own:
        return ""
    if own[-1].midi == chord[-1].midi:
        return "top"
    return "bass" if own[0].midi == chord[0].midi else "inner"


_FEW_NOTES = 12


def _points(voice: str, moment: Fraction, book: Phrasebook) -> tuple[Pointing, ...]:
    there = book.talk["there"]
    now = Pointing(moment, 0.0, there[crc32(repr(moment).encode()) % len(there)])
    if not voice:
        return (now,)
    return (Pointing(moment, POINTED_BEFORE, book.talk["point"][voice]), now)


# --- from stop to stop -----------------------------------------------------------------------------------


@dataclass
class _Used:
    """How often each list of words was drawn from, so that none is used twice before all were."""

    first: int
    counts: dict[str, int] = field(default_factory=dict)

    def next_of(self, name: str, words: Sequence[str]) -> str:
        count = self.counts.get(name, 0)
        self.counts[name] = count + 1
        return words[(self.first + count) % len(words)]


def connected(
    score: Score, reading: Reading, stops: Sequence[Stop], language: Language = "en"
) -> tuple[Stop, ...]:
    """Return the stops of a talk with what leads from each to the next, none in the words of another."""
    book = phrasebook(language)
    home = home_of(reading) if reading.spans else None
    riddle = _riddle(score, reading, stops, language)
    # Words that only open promise nothing.
    promised = riddle.idea if riddle is not None and _curious_name(riddle, book) != "plain" else None
    voice, used = Voice(score, reading, book), _Used(crc32(score.title.encode()))
    met: set[Idea] = set()
    journey = riddle is not None and riddle.lead.event in KEY
    left_home = False
    found: list[Stop] = []
    before: Fraction | None = None
    for stop in stops:
        ideas = [idea_of(event, home) for event in stop.events[:1]] if home is not None else []
        lead = stop.spoken.lead
        if stop.events:
            name = "lead"
            at_start = time_of(score, stop.moment, before) == "start"
            told_before = left_home and journey
            if promised in ideas and promised not in met and not at_start and not told_before:
                name = "promised"
            elif met & set(ideas):
                name = "again"
            lead = _lead(voice, used, stop, name, before)
        spoken = _joined(stop, lead, used, book)
        if stop.events:
            told = _fresh(voice, spoken.told) or _still_unsaid(voice, stop.events[0], "why")
            hands = _fresh(voice, spoken.hands)
            if spoken.hands and not hands:
                hands = _still_unsaid(voice, stop.events[0], "hands")
            spoken = replace(spoken, told=told, hands=hands)
        found.append(replace(stop, spoken=spoken))
        met |= set(ideas)
        here = reading.span_at(stop.moment)
        left_home |= here is not None and here.key != home
        before = stop.moment
    return tuple(found)


def _joined(stop: Stop, lead: str, used: _Used, book: Phrasebook) -> Spoken:
    others = [name for name in stop.hear if name != "excerpt"]
    sung = stop.spoken.sing
    voice = next((v for v, words in book.talk["sing"].items() if sung in words), "")
    return replace(
        stop.spoken,
        lead=lead,
        sing=used.next_of(f"sing {voice}", book.talk["sing"][voice]) if voice else sung,
        compare=used.next_of("compare", book.talk["before_contrast"]) if others else "",
        again=used.next_of("again", book.talk["once_more"]) if "excerpt" in stop.hear else "",
    )


def _still_unsaid(voice: Voice, event: Event, role: str) -> str:
    """Return what is said of an event in a role in words that no earlier stop had, ``""`` for none left."""
    more = of_place(voice.score, voice.reading, event)
    forms = variants(entry_of(event, voice.book), role)
    texts = (filled(voice.score, event, form, voice.book, more) for form in forms)
    return next((text for text in texts if voice.fresh(text)), "")


def _fresh(voice: Voice, text: str) -> str:
    """Leave out the sentences that were said at an earlier stop."""
    return " ".join(s for s in sentences(text) if voice.fresh(s))


def _lead(voice: Voice, used: _Used, stop: Stop, name: str, before: Fraction | None) -> str:
    words = voice.book.talk
    pool = words["lead"].get(stop.why, words["lead"]["own"]) if name == "lead" else words[name]
    if before is not None and stop.moment < before:
        when = used.next_of("back", words["back"])
    else:
        when = voice.into_movement(stop.moment, before) or voice.when(stop.moment, before)
    text = used.next_of(f"{name} {stop.why if name == 'lead' else ''}", pool).format(when=when)
    return raised(text)


def _of_piece(score: Score, what: str, words: Sequence[str]) -> str:
    """Choose words by the piece's title: the same wherever it is told, others for another piece."""
    return words[crc32(f"{what} {score.title}".encode()) % len(words)]


# --- opening and close -----------------------------------------------------------------------------------


def frame(
    score: Score,
    reading: Reading,
    stops: Sequence[Stop],
    whole: bool,
    language: Language = "en",
) -> Frame:
    """Return how a talk opens and closes; `whole` tells that the piece is played through at the start."""
    book = phrasebook(language)
    words = book.talk
    beginner = bool(stops) and stops[0].level == "beginner"
    riddle = _riddle(score, reading, stops, language)
    name = _curious_name(riddle, book)
    after = [text for text, *_ in head_sentences(score, reading, book, modern=not beginner)]
    after += [text for text, *_ in mood_sentence(Voice(score, reading, book))]
    close = [words["kept"][name]]
    nexts = to_listen_for(score, riddle, book) if riddle is not None else ""
    go = ("go" if nexts else "go_plain") + ("" if for_keyboard(score) else "_heard")
    close.append(_of_piece(score, "close", words["close"][go]).format(next=nexts))
    before = [
        _greeting(score, book),
        _of_piece(score, "curious", words["curious"][name]),
        _of_piece(score, "listen", words["whole" if whole else "begins"]),
    ]
    return Frame(" ".join(t for t in before if t), " ".join(after), " ".join(close))


def _greeting(score: Score, book: Phrasebook) -> str:
    title, composer = score.title.strip(), name_aloud(score.composer)
    if not title:
        return ""
    text = _of_piece(score, "today", book.talk["today_by" if composer else "today"])
    return text.format(title=title, composer=composer)


def name_aloud(name: str) -> str:
    """Return a composer's name as one says it: without years of life, and without brackets."""
    return re.sub(r"[()]", "", re.sub(r"\s*[(\[][^)\]]*\d[^)\]]*[)\]]", "", name)).strip()


def _riddle(score: Score, reading: Reading, stops: Sequence[Stop], language: Language) -> Thread | None:
    """The thread most worth telling of those that a stop is about."""
    if not reading.spans:
        return None
    home = home_of(reading)
    there = {idea_of(stop.events[0], home) for stop in stops if stop.events}
    return next(
        (t for t in foremost(ranked(score, reading, language), is_song(score)) if t.idea in there), None
    )


def worth_of(score: Score, reading: Reading, event: Event, language: Language) -> float:
    """Return how much an event's idea is worth telling, from 0 to 1 for the best of the piece."""
    threads = ranked(score, reading, language)
    if not threads:
        return 0.0
    return (
        max((t.worth for t in threads if any(told.event == event for told in t.places)), default=0.0)
        / threads[0].worth
    )


def _curious_name(riddle: Thread | None, book: Phrasebook) -> str:
    return (name_among(riddle, book.talk["curious"]) if riddle is not None else "") or "plain"
