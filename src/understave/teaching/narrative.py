"""The story of a piece as a fine teacher tells it, in three lengths: a minute, five minutes, the whole.

In: a Score, its Reading, a length, a level and a language. Out: `Chapter`s, paragraphs that flow: where we
are, what is heard, why it moves us, what follows for the hands, and at the end what to listen for next.
What is printed for the whole piece leads. Which ideas are told is decided by `telling_order`; the words
stand in ``told.toml``. An idea is told in full once; where it comes back, the story refers to the first
time. Numbers of bars stand beside the text (`Line.place`), hardly ever in it. What the notes do not bear
out is left out: every sentence passes `claims`.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import zip_longest
from math import inf
from typing import Any, Literal, TypeAlias
from zlib import crc32

from understave.claims import Claim, facts, failing
from understave.claims.chords_and_keys import KeyAbout, KeyIs, OneKey
from understave.claims.moods import CAUSES, Mood
from understave.claims.on_the_page import Sung
from understave.findings.applied import APPLIED_CHORD
from understave.findings.cadences import CADENCE, PICARDY
from understave.findings.catalogue import key_of
from understave.findings.chromatic import CHROMATIC_CHORD
from understave.findings.dissonance import SHARP_DISSONANCE
from understave.findings.form import FORM, SECTION, FormDetails
from understave.findings.instructions import INSTRUCTION
from understave.findings.keyplan import KEY, ending_key
from understave.findings.melody import MELODY
from understave.findings.modes import MODE_SWITCH
from understave.findings.motives import MOTIVE
from understave.findings.movements import movements_of
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.printed_words import DICTIONARY
from understave.findings.reheard import ENHARMONIC_PIVOT
from understave.findings.returns import RETURN
from understave.findings.sung_sections import is_song
from understave.findings.sung_words import stanzas_of, upbeat_to, words_at
from understave.findings.texture import TEXTURE, has_figure_of
from understave.findings.variations import VARIATION
from understave.harmony.reading import Detail, Event, Reading
from understave.interpretation.planning import for_hands, for_keyboard
from understave.interpretation.tension import home_of
from understave.score.model import Score
from understave.teaching.links import link_between
from understave.teaching.place_in_piece import (
    OPENING_BARS,
    is_near,
    is_new_figure,
    of_place,
    time_of,
    where_of,
)
from understave.teaching.telling_order import Thread, Told, anchor, foremost, ranked, spread
from understave.theory.key import Key
from understave.theory.names import key_name, names_key
from understave.theory.vocabulary import Language
from understave.wording.claiming import claims_of, is_true, is_true_of
from understave.wording.gaps import can_fill, fill, printed_bars
from understave.wording.phrasebook import Level, Phrasebook, phrasebook, raised
from understave.wording.sentences import values_of
from understave.wording.telling import key_stretches

Length: TypeAlias = Literal["minute", "five", "whole"]
LENGTHS: tuple[Length, ...] = ("minute", "five", "whole")
Role: TypeAlias = Literal["where", "heard", "why", "hands", "next"]

WORDS: Mapping[Length, int] = {"minute": 150, "five": 620, "whole": 1500}
"""Words at most: one speaks about 125 to 150 a minute, and a teacher plays in between."""
MOMENTS: Mapping[Length, int] = {"minute": 4, "five": 12, "whole": 32}
"""Ideas at most; words decide first."""
_TRIED: Mapping[Length, int] = {**MOMENTS, "minute": 8}
"""Ideas that are tried at most: in a minute a long one makes room for a shorter one after it."""
_FEWER: Mapping[Level, float] = {"beginner": 0.7, "intermediate": 1.0, "advanced": 1.15}
_AGAIN: Mapping[Length, int] = {"minute": 0, "five": 1, "whole": 2}
"""How often an idea is taken up again where it comes back."""
_WORTH_AGAIN = 0.5
"""Share of its lead's worth that a place needs to be told again."""
_ENOUGH = 0.12
"""Share of the best idea's worth under which nothing is told even in the whole story."""
_APART = 3
"""Bars between two places of one idea, so that it is a return and no repetition."""
_PARTS = 4
"""Paragraphs at least into which a story of five minutes or more falls."""


@dataclass(frozen=True, slots=True)
class Line:
    """One sentence: what part it plays, its text, where it happens (printed bars, ``""`` for the whole
    piece), the events it rests on, and what it claims.
    """

    role: Role
    text: str
    place: str
    start: Fraction
    events: tuple[Event, ...] = ()
    claims: tuple[Claim, ...] = ()


@dataclass(frozen=True, slots=True)
class Chapter:
    """A paragraph of the story; `bars` names the printed bars it is about, ``""`` for the whole piece."""

    bars: str
    start: Fraction
    lines: tuple[Line, ...]

    @property
    def text(self) -> str:
        """All its sentences in a row."""
        return " ".join(line.text for line in self.lines)


@dataclass(frozen=True, slots=True)
class _Moment:
    """A place to tell, its thread, and the earlier place of the same idea that was told before."""

    told: Told
    thread: Thread
    before: Told | None = None

    @property
    def start(self) -> Fraction:
        return anchor(self.told.event)


@dataclass
class Voice:
    """A teller: what has been said so far: words of time and sentences, so that none is said twice."""

    score: Score
    reading: Reading
    book: Phrasebook
    used: dict[str, int] = field(default_factory=dict)
    said: set[str] = field(default_factory=set)
    figures: tuple[Fraction, ...] = ()
    """Where the figures told so far were met first."""
    just_pointed: bool = False
    plain: bool = False
    """Whether names of degrees are left out, which a beginner does not know."""
    longest: bool = False
    """Whether the longest of several words for a thing are taken, to reckon what fits."""

    def when(self, start: Fraction, before: Fraction | None) -> str:
        """Return a word of time for a moment after the one told before it."""
        pool = self.book.told["when"]
        name = time_of(self.score, start, before)
        if name in ("start", "middle", "end", "late") and self.used.get(name, 0) >= len(pool[name]):
            name = "later" if before is None or not is_near(self.score, start, before) else "soon"
        words = pool[name]
        count = self.used.get(name, 0)
        self.used[name] = count + 1
        return str(words[count % len(words)])

    def numbered(self, event: Event) -> str:
        """Return words that say which variation it is, ``""`` for anything else and beyond the twelfth."""
        found = VARIATION.of(event)
        pool = self.book.told["when"]["variation"]
        return str(pool[found.number - 1]) if found is not None and found.number <= len(pool) else ""

    def into_movement(self, start: Fraction, before: Fraction | None) -> str:
        """Return words for the movement of a moment, ``""`` where the moment before it lay there too."""
        cuts = movements_of(self.score)
        number = sum(cut <= start for cut in cuts)
        pool = self.book.told["when"]["movement"]
        known = before is not None and sum(cut <= before for cut in cuts) == number
        return str(pool[number]) if cuts and not known and number < len(pool) else ""

    def pointing(self, words: str) -> str:
        """Return words that point to the singer's."""
        pool = self.book.told["when"]["sung" if " " in words else "word"]
        count = self.used.get("sung", 0)
        self.used["sung"] = count + 1
        return fill(str(pool[count % len(pool)]), {"words": words}, self.score, self.book)

    def link(self, before: Event, event: Event) -> str:
        """Return words that join a moment to the one before by more than time, ``""`` where none are left."""
        name = link_between(self.score, self.reading, before, event)
        words = self.book.told["link"].get(name, ())
        count = self.used.get(f"link {name}", 0)
        if count >= len(words):
            return ""
        self.used[f"link {name}"] = count + 1
        return str(words[count])

    def one_of(self, event: Event, role: str) -> str:
        """Return the next template for what is said of an event in a role; another piece begins elsewhere."""
        forms = variants(entry_of(event, self.book), role)
        if self.longest or not forms:
            return max(forms, key=lambda form: len(form.split()), default="")
        name = f"{role} {event.kind} {event.label}"
        first = crc32(f"{name} {self.score.title}".encode())
        return forms[(first + self.used.get(name, 0)) % len(forms)]

    def tell(self, event: Event) -> None:
        """Take note that an event was told, so that the next of its kind is told in other words."""
        for role in ("hear", "why", "hands"):
            name = f"{role} {event.kind} {event.label}"
            self.used[name] = self.used.get(name, 0) + 1
        if is_new_figure(event):
            self.figures = (*self.figures, anchor(event))

    def words(self, moment: Fraction, end: Fraction) -> str:
        """Return the singer's words at what lasts from a moment to an end: new ones, not twice running."""
        words = "" if self.just_pointed else words_at(self.score, moment, end)
        if words in self.said or (
            words and not Sung(moment, max(moment, end), words).holds(facts(self.score, self.reading.spans))
        ):
            words = ""
        self.just_pointed = bool(words)
        if words:
            self.said.add(words)
        return words

    def fresh(self, text: str) -> bool:
        """Whether a sentence has not been said yet; from now on it has."""
        known = text in self.said
        self.said.add(text)
        return bool(text) and not known


def narrate(
    score: Score,
    reading: Reading,
    length: Length = "minute",
    level: Level = "intermediate",
    language: Language = "en",
) -> tuple[Chapter, ...]:
    """Tell a piece in one of three lengths; empty where the reading has nothing to tell."""
    if not reading.spans:
        return ()
    book = phrasebook(language)
    voice = Voice(score, reading, book, plain=level == "beginner")
    most = int(WORDS[length] * (_FEWER[level] if length != "minute" else 1))
    order = _enough(ranked(score, reading, language))
    first = foremost(order, is_song(score))
    if _variations(voice):
        order, first = _variations_first(order), _variations_first(first)
    order = first if length == "minute" else tuple(dict.fromkeys((*first[: MOMENTS["minute"]], *order)))
    opening = _opening(voice, length, level, first[:1])
    threads = spread(score, order, int(_TRIED[length] * _FEWER[level]))
    close = _close(voice, threads, length)
    left = most - _count(opening) - _count(close)
    told = _told_within(voice, threads, length, left)
    chapters = [Chapter("", Fraction(0), tuple(opening))] if opening else []
    chapters += _chapters(score, reading, told, length, book)
    if close and chapters:
        last = chapters[-1]
        chapters[-1] = replace(last, lines=(*last.lines, *close))
    return tuple(chapters)


def _variations_first(threads: Sequence[Thread]) -> tuple[Thread, ...]:
    """Put what stays and what varies first, which such a piece is about; that it comes back is no news."""
    told = (t for t in threads if t.lead.event not in RETURN)
    return tuple(sorted(told, key=lambda t: t.lead.event not in VARIATION))


def words_of(chapters: Sequence[Chapter]) -> int:
    """Return how many words a story has."""
    return sum(_count(chapter.lines) for chapter in chapters)


def _count(lines: Sequence[Line]) -> int:
    return sum(len(line.text.split()) for line in lines)


def after_minute(minute: Sequence[Chapter], longer: Sequence[Chapter]) -> tuple[Chapter, ...]:
    """Return a longer story as it stands below the minute: its opening says nothing that was just said."""
    said = {line.text for chapter in minute[:1] for line in chapter.lines}
    first = tuple(
        replace(chapter, lines=tuple(x for x in chapter.lines if x.text not in said))
        for chapter in longer[:1]
    )
    return tuple(chapter for chapter in (*first, *longer[1:]) if chapter.lines)


# --- where we are ----------------------------------------------------------------------------------------


def _opening(voice: Voice, length: Length, level: Level, first: Sequence[Thread]) -> list[Line]:
    """What is so of the whole piece: key, what is printed at its head, mood, form, what matters most, the
    keys it visits.
    """
    keys = tuple(_keys(voice)) if length != "minute" else ()
    texts = [
        *_title(voice),
        *head_sentences(voice.score, voice.reading, voice.book, modern=level != "beginner"),
        *mood_sentence(voice),
        *_varied(voice),
        *(_form(voice, length) if not movements_of(voice.score) else _of_movements(voice)),
        *(said for said in _heart(voice, first) if not any(said[1][0] in events for _, events, _ in keys)),
        *keys,
    ]
    known = facts(voice.score, voice.reading.spans)
    return [
        Line("where", t, "", Fraction(0), e, c)
        for t, e, c in texts
        if not failing(c, known) and voice.fresh(t)
    ]


_Said: TypeAlias = tuple[str, tuple[Event, ...], tuple[Claim, ...]]


def _title(voice: Voice) -> Iterator[_Said]:
    """Tell the title and the key in which a piece begins, or in which it stays."""
    words = voice.book.told["open"]
    runs = key_stretches(voice.reading)
    if not runs:
        return
    first = next(
        (event for event in voice.reading.events if event in KEY and event.start <= runs[0][1]), None
    )
    title = voice.score.title.strip()
    name = "untitled" if not title else "title_named" if names_key(title, runs[0][0]) else "title"
    one = len({r[0] for r in runs}) == 1
    form = words[f"{name}_one" if one else name]
    text = form.format(title=title, key=key_name(runs[0][0], voice.book.language))
    key, start, _ = runs[0]
    claimed = (KeyIs(start, start, key), *((OneKey(start, voice.score.end, key),) if one else ()))
    yield text, (first,) if first is not None else (), claimed


def _heart(voice: Voice, first: Sequence[Thread]) -> Iterator[_Said]:
    """Tell what matters most: what the idea most worth telling is about, where there are words for it."""
    hearts: Mapping[str, str] = voice.book.told["heart"]
    # One place of one movement is not what all of them are about.
    for thread in first if not movements_of(voice.score) else ():
        name, lead = name_among(thread, hearts), thread.lead.event
        if name and _fills_most(voice, lead):
            where = {"where": voice.book.told["where"][where_of(voice.score, anchor(lead))]}
            yield filled(voice.score, lead, hearts[name], voice.book, where), (lead,), ()


def _fills_most(voice: Voice, event: Event) -> bool:
    """Whether a key that is told as the goal of a journey fills most of it; true of all else."""
    goal = KEY.of(event)
    if goal is None or event.label == "home":
        return True
    home, lasting = home_of(voice.reading), defaultdict[Key, Fraction](Fraction)
    for key, start, end in key_stretches(voice.reading):
        if key != home:
            lasting[key] += end - start
    return goal.key == max(lasting, key=lambda key: lasting[key], default=goal.key)


def name_among(thread: Thread, names: Container[str]) -> str:
    """Return under which of the names words are kept for what a thread is about, ``""`` for none of them.

    A figure that comes only a few times is not what a piece is about, nor is one chord or note of a kind.
    """
    event = thread.lead.event
    if _times(thread) < _OFTEN:
        return ""
    if (event in APPLIED_CHORD or event in NON_CHORD_TONE) and len(thread.places) == 1:
        return ""
    by_kind = (event.kind,) if event in ENHARMONIC_PIVOT else ()
    own = (f"{event.kind}.{event.label}", *by_kind, str(thread.idea[0]), event.kind)
    return next((name for name in own if name in names), "")


def _times(thread: Thread) -> float:
    """Return how often the figure comes that a thread is about; where it is about none, often enough."""
    counts = [found.count or 0 for told in thread.places if (found := MOTIVE.of(told.event)) is not None]
    return max(counts, default=inf)


_OFTEN = 4
"""How often a figure comes, at least, in a piece that it holds together (set by ear)."""
_FEWEST_TIMES = 3
"""How often a figure comes, at least, to be told of: one that comes twice holds nothing together."""


def head_events(score: Score, reading: Reading) -> tuple[Event, ...]:
    """Return the instructions printed at the head of a piece that hold for all of it, tempo first.

    They stand before the second bar; of how loud it is, of how only the notes at hand are played (*m.s.*,
    *tenuto*), and of words that are not understood beyond a few, nothing is said here.
    """
    if not score.measures:
        return ()
    bar = score.measures[0]
    order = ("pedal", "soft pedal", "tempo", "character", "touch", "text")
    printed = [
        event
        for event, found in INSTRUCTION.all(reading.events)
        if event.start < bar.end and event.label in order and not _of_notes(found.terms)
        if not _NUMBER.fullmatch(str(values_of(event).get("text", "")))
    ]
    first = [event for event in printed if event.start < bar.beat_length]
    later = [
        event
        for event in printed
        if event not in first and event.label in ("pedal", "soft pedal", "character")
    ]
    return tuple(sorted((*first, *later), key=lambda event: order.index(event.label)))


_NUMBER = re.compile(r"\W*(?:No\.?|Nr\.?|N°)?\s*(?:[IVX]+|\d+)\W*")
"""What only numbers a movement: "I.", "No. 3"."""


def _of_notes(terms: Sequence[str]) -> bool:
    return bool(terms) and all(DICTIONARY[t].of_notes for t in terms)


def head_sentences(score: Score, reading: Reading, book: Phrasebook, modern: bool = True) -> Iterator[_Said]:
    """Tell what is printed at the head of a piece: what it means and, of pedals, what a modern piano asks."""
    words = book.told["open"]
    count = 0
    printed: set[str] = set()
    for event in head_events(score, reading):
        if not is_true(event, score, reading.spans, language=book.language):
            continue
        values = values_of(event)
        same = str(values.get("text", "")).strip(" .").casefold()
        if not same or same in printed:
            # What stands over both staves of a song stands there once.
            continue
        printed.add(same)
        # A full stop after a heading is no part of it; after a short word it may be an abbreviation's.
        values = {**values, "text": re.sub(r"(?<=\w{6})\.$", "", str(values["text"]).strip())}
        name = "head_words" if not values.get("terms") else "head" if count == 0 else "head_also"
        if values.get("terms") and _is_plain(fill("{terms:gloss}", values, score, book), str(values["text"])):
            name += "_same"
        claimed = claims_of(event, score, language=book.language, template=words[name])
        yield fill(words[name], values, score, book, event.kind), (event,), claimed
        count += 1
        if modern and event.label in ("pedal", "soft pedal") and "instrument" in values:
            yield fill(words["instrument"], values, score, book, event.kind), (event,), ()
        if count == _HEADS:
            return


_HEADS = 2


def _is_plain(gloss: str, text: str) -> bool:
    """Whether a printed word needs no explanation, for it means itself: "Langsam" to a German reader."""
    return gloss.casefold() == text.casefold().strip(" .,:;")


def mood_sentence(voice: Voice) -> Iterator[_Said]:
    """A word of mood for the opening, where all its causes are there."""
    score, spans = voice.score, voice.reading.spans
    bars = score.measures[:OPENING_BARS]
    known = facts(score, spans)
    for word in CAUSES:
        if bars and Mood(bars[0].start, bars[-1].end, word).holds(known):
            claimed = (Mood(bars[0].start, bars[-1].end, word),)
            yield voice.book.told["moods"][word], (), claimed
            return


def _varied(voice: Voice) -> Iterator[_Said]:
    """Tell that a piece is a theme with variations."""
    varied = _variations(voice)
    if varied:
        claimed = tuple(c for e in varied for c in claims_of(e, voice.score, language=voice.book.language))
        yield voice.book.told["open"]["theme_varied"], varied, claimed


def _form_is(voice: Voice, *names: str) -> bool:
    return any(found.form_name in names for _, found in FORM.all(voice.reading.events))


def _stanzas(voice: Voice) -> Iterator[_Said]:
    """Tell with which of the singer's words the stanzas begin that have the same music."""
    begun = stanzas_of(voice.score)
    if _form_is(voice, "strophic song") and all(begun) and len(begun) <= _STANZAS:
        quote = voice.book.phrases["quote"]
        stanzas = voice.book.join([quote.format(text=text) for text in begun])
        yield voice.book.told["open"]["stanzas"].format(stanzas=stanzas), (), ()


_STANZAS = 4
"""Beginnings of stanzas that are quoted at most."""


def _variations(voice: Voice) -> tuple[Event, ...]:
    """Return the variations of a theme, where two or more were found that the notes bear out; none over a
    ground, which is then what stays and is told by its form.
    """
    if _form_is(voice, "ground"):
        return ()
    spans, language = voice.reading.spans, voice.book.language
    found = (event for event, _ in VARIATION.all(voice.reading.events))
    true = tuple(event for event in found if is_true(event, voice.score, spans, language=language))
    return true if len(true) > 1 else ()


def _of_movements(voice: Voice) -> Iterator[_Said]:
    """Tell how many movements a file has, each of which has a form of its own."""
    count = len(movements_of(voice.score)) + 1
    yield fill(voice.book.told["open"]["movements"], {"movements": count}, voice.score, voice.book), (), ()


def _form(voice: Voice, length: Length) -> Iterator[_Said]:
    """Tell the form; in a minute only one that is told by its name."""
    if length != "minute" or _form_is(voice, *_TOLD_ALONE):
        yield from _parts(voice)
    if length != "minute":
        yield from _stanzas(voice)
        yield from _middle(voice)


def _middle(voice: Voice) -> Iterator[_Said]:
    """Tell where the middle of a piece of three parts begins, with which words, in which key."""
    score = voice.score
    parts = [(event, part) for event, part in SECTION.all(voice.reading.events) if part.letter]
    letters = [part.letter.rstrip("'") for _, part in parts]
    if len(letters) != _THREE or letters[0] != letters[2] or letters[1] == letters[0]:
        return
    event, part = parts[1]
    values: dict[str, Detail] = {"start": event.start}
    claimed: list[Claim] = []
    begun = upbeat_to(score, event.start)
    if words := words_at(score, begun, event.end):
        values["words"] = words
        claimed.append(Sung(begun, event.end, words))
    if part.key is not None and part.key != parts[0][1].key:
        values["key"] = part.key
        claimed.append(KeyAbout(event.start, event.end, part.key))
    yield fill(voice.book.told["open"]["middle"], values, score, voice.book), (event,), tuple(claimed)


_THREE = 3


def _parts(voice: Voice) -> Iterator[_Said]:
    """Tell the sections, with the name of the form where the notes bear it out."""
    known = facts(voice.score, voice.reading.spans)
    words = voice.book.told["open"]
    if _variations(voice):
        return
    for form, found in FORM.all(voice.reading.events)[:1]:
        # A piece of one part with a coda has no form to tell of: the farewell is told where it comes.
        alone = found.form_name in _TOLD_ALONE
        if found.sections - ("coda" in found.scheme.split()) < 2 and not alone:
            return
        letters = [letter.rstrip("'") for letter in found.scheme.split() if letter.rstrip("'").isupper()]
        backs = letters[1:].count(letters[0]) if letters else 0
        more: dict[str, Detail] = {"back": backs} if backs else {}
        for details in (found, *(() if alone else (replace(found, form_name=None),))):
            told = replace(form, details=details)
            template = words[_form_name(details, letters)]
            claimed = claims_of(told, voice.score, language=voice.book.language, template=template, more=more)
            if not failing(claimed, known):
                text = fill(template, {**values_of(told), **more}, voice.score, voice.book, form.kind)
                yield from [(text, (form,), claimed)] if text else []
                return


def _form_name(found: FormDetails, letters: Sequence[str]) -> str:
    """Return which words tell a form: its name alone where parts are many, else parts, and letters where
    one comes again.
    """
    if found.form_name in _TOLD_ALONE or (found.form_name and found.sections > _LETTERED):
        return "form_only"
    if found.sections > _LETTERED:
        return "form_long"
    framed = len(letters) < found.sections
    return "form_framed" if framed else "form" if len(set(letters)) < len(letters) else "form_parts"


_TOLD_ALONE = ("ground", "strophic song")
"""Forms that are told by their names and not by their parts."""
_LETTERED = 5
"""Sections up to which a form is told by letters; nobody keeps more letters in the ear (set by ear)."""


def _keys(voice: Voice) -> Iterator[_Said]:
    runs = key_stretches(voice.reading)
    if not runs:
        return
    visited = KEY.all(voice.reading.events)
    settled = {found.key for event, found in visited if event.label != "tonicization"}
    home, last = runs[0][0], ending_key(voice.score, voice.reading.spans)
    closing = next(run for run in reversed(runs) if run[1] < voice.score.played_end)
    back = closing[0] == home
    others = list(dict.fromkeys(key for key, _, _ in runs if key in settled and key not in (home, last)))
    if not others:
        return
    names = voice.book.join([key_name(key, voice.book.language) for key in others[:_KEYS_NAMED]])
    words = voice.book.told["open"]
    events = tuple(event for event, found in visited if found.key in others)
    end = voice.score.end
    claimed: tuple[Claim, ...] = tuple(KeyAbout(Fraction(0), end, key) for key in others[:_KEYS_NAMED])
    claimed += (KeyIs(closing[1], closing[1], closing[0]),)
    if back:
        yield words["keys_home"].format(keys=names), events, claimed
    else:
        values: dict[str, Detail] = {"keys": names}
        if last is not None:
            values["last"] = last
        yield fill(words["keys"], values, voice.score, voice.book), events, claimed


_KEYS_NAMED = 5


# --- what is told, and how much fits -----------------------------------------------------------------------


def _enough(threads: Sequence[Thread]) -> tuple[Thread, ...]:
    best = max((t.worth for t in threads), default=0.0)
    return tuple(t for t in threads if t.worth >= _ENOUGH * best and _times(t) >= _FEWEST_TIMES)


def _fitting(voice: Voice, threads: Sequence[Thread], length: Length, words: int) -> list[_Moment]:
    """Choose the best moments that fit into the words, no two from one bar, in order of time."""
    chosen: list[_Moment] = []
    taken: set[int] = set()
    voice = replace(voice, longest=True)
    for thread in threads:
        # Every variation is told of, as long as there are words.
        more = len(thread.places) if thread.lead.event in VARIATION else _AGAIN[length]
        for again in sorted({0, _AGAIN[length], *range(_AGAIN[length], more + 1)}, reverse=True):
            moments = _moments(voice.score, thread, again, taken)
            counts = [_count(list(_lines(voice, moment, "", length))) for moment in moments]
            needed = sum(counts) + _WHEN * len(counts)
            # What cannot be said, for want of words or of truth, takes no place.
            if counts and all(counts) and needed <= words:
                chosen += moments
                words -= needed
                taken |= {_bar(voice.score, moment.told.event) for moment in moments}
                break
    return sorted(chosen, key=lambda moment: moment.start)


_WHEN = 4
"""Words that a word of time takes."""


def _bar(score: Score, event: Event) -> int:
    return score.measure_at(anchor(event)).index


def _moments(score: Score, thread: Thread, more: int, taken: set[int]) -> list[_Moment]:
    """The most telling places of a thread in bars not yet taken, so many besides the best, by time."""
    good: list[Told] = []
    if thread.idea[0] == "introduction":
        more = 0  # that it is left and that the tune enters is one thing, and told once
    for told in sorted(thread.places, key=lambda told: -told.worth):
        bar = _bar(score, told.event)
        free = bar not in taken and all(abs(bar - _bar(score, told.event)) >= _APART for told in good)
        worth = told.event in VARIATION or told.worth >= _WORTH_AGAIN * thread.lead.worth
        if free and worth and len(good) <= more:
            good.append(told)
    good.sort(key=lambda told: anchor(told.event))
    if good and good[0].event in MELODY and good[0].event.label == "back on top":
        good = good[1:]  # that the tune went away was not told
    return [_Moment(told, thread, good[k - 1] if k else _begun(thread, told)) for k, told in enumerate(good)]


def _begun(thread: Thread, told: Told) -> Told | None:
    """Return where figures stood before that are told of only later, None for what begins there."""
    if told.event not in TEXTURE:
        return None
    earlier = [place for place in thread.places if place.event.start < told.event.start]
    return earlier[-1] if earlier else None


# --- one moment in sentences -----------------------------------------------------------------------------


def _told_within(
    voice: Voice, threads: Sequence[Thread], length: Length, words: int
) -> list[tuple[_Moment, list[Line]]]:
    """Tell what fits into so many words: reckoned by the longest forms of its sentences, in a minute by those
    that are taken, for there every word counts.
    """
    if length != "minute":
        return _told(voice, _fitting(voice, threads, length, words), length)
    chosen: list[_Moment] = []
    told: list[tuple[_Moment, list[Line]]] = []
    for number, thread in enumerate(threads):
        taken = {_bar(voice.score, moment.told.event) for moment in chosen}
        # In a minute only the best idea is taken up again, and one more variation.
        for more in (1 + (thread.lead.event in VARIATION), 1, 0) if number == 0 else (0,):
            moments = [*chosen, *_moments(voice.score, thread, more, taken)]
            moments.sort(key=lambda moment: moment.start)
            teller = replace(voice, used=dict(voice.used), said=set(voice.said))
            tried = _told(teller, moments, length)
            fits = sum(_count(lines) for _, lines in tried) <= words
            if fits and len(tried) > len(told) and len(moments) <= MOMENTS[length]:
                chosen, told = moments, tried
                break
    return told


def _told(voice: Voice, moments: Sequence[_Moment], length: Length) -> list[tuple[_Moment, list[Line]]]:
    found = []
    before: _Moment | None = None
    passed: dict[int, Told | None] = {}
    for moment, after in zip_longest(moments, moments[1:]):
        if after is not None and _only_leads_to(moment, after):
            passed[id(moment.told)] = moment.before
            continue
        if id(moment.before) in passed:
            moment = replace(moment, before=passed[id(moment.before)])
        if before is not None and _says_the_same(before.told.event, moment.told.event):
            passed[id(moment.told)] = before.told if moment.thread == before.thread else moment.before
            continue
        came_from = None if before is None else before.start
        when = voice.numbered(moment.told.event) or voice.into_movement(moment.start, came_from)
        if before is not None and not when:
            when = voice.link(before.told.event, moment.told.event)
        words = "" if when else voice.words(moment.start, moment.told.event.end)
        if not when:
            when = voice.pointing(words) if words else voice.when(moment.start, came_from)
        lines = [line for line in _lines(voice, moment, when, length, words) if voice.fresh(line.text)]
        voice.tell(moment.told.event)
        if lines:
            found.append((moment, lines))
            before = moment
    return found


def _only_leads_to(moment: _Moment, after: _Moment) -> bool:
    """Whether a moment would keep the best place of its idea, which says the same, from being told."""
    best = after.told is after.thread.lead and moment.told is not moment.thread.lead
    return best and after.thread is moment.thread and _says_the_same(moment.told.event, after.told.event)


def _says_the_same(before: Event, event: Event) -> bool:
    """Whether an event would be told in nearly the words of the one just told; keys, closes and variations
    follow one another as steps of one way.
    """
    steps = event in KEY or event in CADENCE or event in VARIATION or event in RETURN
    return not steps and (before.kind, before.label) == (event.kind, event.label)


def _lines(voice: Voice, moment: _Moment, when: str, length: Length, words: str = "") -> Iterator[Line]:
    """The sentences on one moment: what is heard, why it moves us, what follows for the hands."""
    event = moment.told.event
    place = voice.book.bars(*[voice.score.measure_at(moment.start).number] * 2)
    here = of_place(voice.score, voice.reading, event)
    for role, text, template in _texts(voice, moment, here, when, length):
        if text:
            claimed = claims_of(
                event, voice.score, language=voice.book.language, template=template, more=here
            )
            if words and role == "heard":
                claimed = (*claimed, Sung(moment.start, max(moment.start, event.end), words))
            yield Line(role, text, place, moment.start, (event,), claimed)


def _texts(
    voice: Voice, moment: _Moment, here: Mapping[str, Detail], when: str, length: Length
) -> Iterator[tuple[Role, str, str]]:
    """The part, the text and the template of each sentence; `here` is what depends on the place."""
    event, before = moment.told.event, moment.before
    entry = entry_of(event, voice.book)
    if before is not None and _is_again(voice.score, event, before.event) and "ending" not in here:
        more: dict[str, Detail] = {"before": anchor(before.event)}
        if key_of(before.event) != key_of(event):
            more["moved"] = 1
        template = entry.get("again", "")
        yield "heard", sentence(voice.score, voice.reading, event, template, voice.book, when, more), template
        return
    hear = voice.one_of(event, "hear")
    also: dict[str, Detail] = {"plain": 1} if voice.plain else {}
    if is_new_figure(event) and (voice.figures or voice.longest):
        hear, also["before"] = entry["hear_other"], (anchor(event), *voice.figures)[-1]
        if len(voice.figures) == 1:
            also["second"] = 1
    heard = sentence(voice.score, voice.reading, event, hear, voice.book, when, also)
    if not heard:
        return
    yield "heard", heard, hear
    kin = voice.book.told["kin"].get(str(moment.thread.idea[0])) if before is not None else None
    if before is not None and kin and _can_answer(event, before.event):
        yield "why", filled(voice.score, event, kin, voice.book, {"before": anchor(before.event)}), kin
        return
    if "why" in entry:
        why = voice.one_of(event, "why")
        yield "why", filled(voice.score, event, why, voice.book, here), why
    # Hands are a pianist's; nobody else's fingers are spoken of, nor a singer's breath.
    if not for_hands(voice.score, event.notes):
        return
    if "hands" in entry and (length != "minute" or "why" not in entry or moment.thread.idea[0] == "mode"):
        hands = voice.one_of(event, "hands")
        yield "hands", filled(voice.score, event, hands, voice.book, here), hands


def _can_answer(event: Event, before: Event) -> bool:
    """Whether a change of light is answered: by the other one, not by the same again."""
    return _light(event) == "" or _light(event) != _light(before)


def _light(event: Event) -> str:
    """Return the mode to which an event turns, ``""`` where it turns to none."""
    if event in PICARDY:
        return "major"
    if event in MODE_SWITCH:
        return event.label.rsplit(" ", 1)[-1]
    key = key_of(event)
    turned = (event in KEY and event.label == "parallel") or (
        event in RETURN and event.label == "in the other mode"
    )
    return key.mode if turned and key is not None else ""


def _is_again(score: Score, event: Event, before: Event) -> bool:
    """Whether an event is the same as one told before: a chord by its root, figures in the notes, a clash by
    what holds it, a close by its mode, its chords and the step of the melody.
    """
    alike = (before.kind, before.label) == (event.kind, event.label)
    if event in CHROMATIC_CHORD or event in SHARP_DISSONANCE:
        one, other = values_of(event), values_of(before)
        alike = alike and all(one.get(name) == other.get(name) for name in ("root", "held_by"))
    if event in CADENCE and event.label in _CLOSES:
        alike = alike and _close_of(event) == _close_of(before)
    return alike and (event not in TEXTURE or has_figure_of(score, event, before))


def _close_of(event: Event) -> tuple[object, ...]:
    """Return what is heard again where a close is: its mode, its chords and the melody's last step."""
    close = CADENCE.of(event)
    if close is None:
        return ()
    chords = (close.six_four is None, close.dominant, close.leader, close.goal)
    return (close.key.mode, *chords, close.melody_before, close.melody_degree)


_CLOSES = frozenset(("perfect authentic", "half"))
"""Cadences that are told as heard again, and not only as another of their kind."""


def variants(entry: Mapping[str, str], role: str) -> tuple[str, ...]:
    """Return the templates of a role in an entry: the first, and those numbered ``_2``, ``_3`` ..."""
    more = (entry.get(f"{role}_{k}") for k in range(2, 10))
    return tuple(form for form in (entry.get(role), *more) if form)


def filled(
    score: Score, event: Event, template: str, book: Phrasebook, more: Mapping[str, Detail] | None = None
) -> str:
    """Return a template filled with an event's own values and `more`, ``""`` where one lacks."""
    values = {**values_of(event), **(more or {})}
    return fill(template, values, score, book, event.kind) if can_fill(template, values) else ""


def entry_of(event: Event, book: Phrasebook) -> Mapping[str, str]:
    """Return the words for an event; an empty mapping where it has none."""
    found: Mapping[str, str] = book.told["events"].get(event.kind, {}).get(event.label, {})
    return found


def sentence(  # noqa: PLR0913
    score: Score,
    reading: Reading,
    event: Event,
    template: str,
    book: Phrasebook,
    when: str = "",
    more: Mapping[str, Detail] | None = None,
) -> str:
    """Return a template filled for an event, ``""`` where a value lacks or the notes deny what it claims.

    It begins with `when`; without one with a capital of its own.
    """
    values: dict[str, Detail] = {
        **values_of(event),
        **(more or {}),
        **of_place(score, reading, event),
        "when": when,
    }
    if values.get("from_start") == 0:
        values["opening"] = 1
    if event in RETURN and _brings_home(score, reading, event, book.language):
        values["home"] = 1
    if not template or not can_fill(template, values):
        return ""
    if not is_true_of(event, score, reading.spans, template, values):
        return ""
    text = fill(template, values, score, book, event.kind).strip()
    text = re.sub(r"\s+", " ", text) if book.language != "fr" else text
    return raised(text)


def _brings_home(score: Score, reading: Reading, event: Event, language: Language) -> bool:
    """Whether the home key comes back in the bar in which an event begins."""
    bar = score.measure_at(event.start).index
    homes = (
        event
        for event, found in KEY.all(reading.events)
        if event.label == "home" and found.came_from is not None
    )
    return any(
        score.measure_at(event.start).index == bar and is_true(event, score, reading.spans, language=language)
        for event in homes
    )


# --- paragraphs and the close ------------------------------------------------------------------------------


def _chapters(
    score: Score,
    reading: Reading,
    told: Sequence[tuple[_Moment, list[Line]]],
    length: Length,
    book: Phrasebook,
) -> list[Chapter]:
    """Put the moments into paragraphs: one for a minute, else cut where sections begin."""
    if not told:
        return []
    movements = movements_of(score)
    cuts = movements if length == "minute" else sorted({*movements, *_cuts(score, reading)})
    groups: dict[int, list[tuple[_Moment, list[Line]]]] = {}
    for moment, lines in told:
        groups.setdefault(sum(c <= moment.start for c in cuts), []).append((moment, lines))
    paragraphs = _joined(list(groups.values()), movements)
    found = []
    # What lasts into the next paragraph does not make its bars this one's.
    until = [*(members[0][0].start for members in paragraphs[1:]), score.end]
    for members, bound in zip(paragraphs, until, strict=True):
        first, last = members[0][0], members[-1][0]
        end = max(last.start, min(last.told.event.end, bound) - _INSTANT)
        bars = book.bars(*printed_bars(score, first.start, end))
        found.append(Chapter(bars, first.start, tuple(line for _, lines in members for line in lines)))
    return found


_INSTANT = Fraction(1, 64)
_Moments: TypeAlias = list[tuple[_Moment, list[Line]]]


def _joined(groups: Sequence[_Moments], apart: Sequence[Fraction]) -> list[_Moments]:
    """Join paragraphs of a sentence or two with the one before, the first with the one after it; none over a
    place at which music lies apart.
    """
    found: list[_Moments] = []
    for members in groups:
        few = sum(len(lines) for _, lines in members) < _SENTENCES
        first = len(found) == 1 and sum(len(lines) for _, lines in found[0]) < _SENTENCES
        over = found and any(found[-1][-1][0].start < cut <= members[0][0].start for cut in apart)
        if found and (few or first) and not over:
            found[-1] = [*found[-1], *members]
        else:
            found.append(members)
    return found


_SENTENCES = 3
"""Sentences of a paragraph at least (set by ear)."""


def _cuts(score: Score, reading: Reading) -> list[Fraction]:
    sections = [event.start for event in reading.events if event in SECTION and event.start > 0]
    if len(sections) + 1 >= _PARTS:
        return sections
    return sorted({*sections, *(score.end * k / _PARTS for k in range(1, _PARTS))})


def _close(voice: Voice, threads: Sequence[Thread], length: Length) -> list[Line]:
    """What to listen for next, about the best idea; in a longer story also about the best of another kind."""
    words: Mapping[str, Any] = voice.book.told["close"]
    # What several players play is heard, not played by one.
    heard = "" if for_keyboard(voice.score) else "_heard"
    nexts = []
    for t in foremost(threads, is_song(voice.score)):
        text = to_listen_for(voice.score, t, voice.book)
        if text and text not in nexts:
            nexts.append(text)
    if not nexts:
        return [Line("next", words[f"plain{heard}"], "", voice.score.end)]
    if length == "minute" or len(nexts) == 1:
        forms = words["listen_heard" if heard else "listen"]
        chosen = forms if heard else forms[crc32(voice.score.title.encode()) % len(forms)]
        text = chosen.format(next=nexts[0])
    else:
        text = words[f"listen_two{heard}"].format(next=nexts[0], other=nexts[1])
    return [Line("next", text, "", voice.score.end)]


def to_listen_for(score: Score, thread: Thread, book: Phrasebook) -> str:
    """Return what to listen for, as it follows "listen for", where an idea is met; ``""`` without words."""
    event = thread.lead.event
    return filled(score, event, entry_of(event, book).get("next", ""), book)
