"""Places to pause in a lesson: which bars, what to say, what to hear, what to ask, how to play it.

In: a Score, its Reading and its Plan, the minutes there are, a level and a language. Out: `Stop`s in order
of the piece. What could be a stop is every event of the reading that a teacher would stop for and every peak
of the plan's tension; events near each other make one stop. `choose` takes those of most interest, spread
over the piece and over the kinds of interest, as long as they fit into the time.

Kinds of interest (`Stop.why`): ``"rare chord"``, ``"strong tension"``, ``"change of key"``, ``"sharp
dissonance"``, ``"return with a difference"``, ``"cadence"``, ``"pedal point"``, ``"pattern"``; ``"own"`` is
the teacher's. How much each event matters, and which kinds are a reason to stop, stands
with their entries in `findings` (`kinds.Stop`); the rest is our own judgement.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import sqrt
from typing import NamedTuple

from understave.claims import Claim
from understave.errors import UnderstaveError
from understave.findings.applied import APPLIED_CHORD, AppliedChordDetails
from understave.findings.cadences import CADENCE, PICARDY
from understave.findings.catalogue import is_sure, kind_of, weight
from understave.findings.chromatic import CHROMATIC_CHORD
from understave.findings.keyplan import KEY, first_new_note
from understave.findings.kinds import Stop as Pause
from understave.findings.pedalpoints import PEDAL_POINT
from understave.findings.phrases import PHRASE
from understave.findings.reheard import ENHARMONIC_PIVOT
from understave.findings.returns import DIFFERENCE, RETURN, ReturnDetails
from understave.findings.rhythm import HARMONIC_RHYTHM
from understave.findings.sounding_notes import soundings
from understave.findings.texture import texture_of
from understave.harmony.reading import Detail, Event, Reading
from understave.interpretation.perform import Clock, clock
from understave.interpretation.plan import Plan
from understave.interpretation.planning import for_keyboard, keyboard_staves
from understave.interpretation.tension import CALM, TENSION
from understave.score.model import Score
from understave.teaching import spoken as talk
from understave.teaching import story
from understave.teaching.contrasts import Contrast
from understave.teaching.place_in_piece import where_of
from understave.teaching.speech import RATE, Spoken, check_rate, speaking_seconds
from understave.theory.convention_choices import by_roots
from understave.theory.pitch import Pitch, PitchClass
from understave.theory.vocabulary import Language
from understave.wording import LEVELS, Level, Phrasebook, phrasebook
from understave.wording.claiming import claims_of, is_true, is_true_of
from understave.wording.gaps import GAP, can_fill, fill, name_value, place
from understave.wording.phrasebook import raised
from understave.wording.playing import Advice, tell_plan
from understave.wording.sentences import can_say, say, values_of
from understave.wording.telling import heading_bars

KINDS_OF_INTEREST = (
    "rare chord",
    "strong tension",
    "change of key",
    "sharp dissonance",
    "return with a difference",
    "cadence",
    "pedal point",
    "pattern",
)
EXCERPT = "excerpt"
"""The name of the sound of a stop's own bars, as the plan plays them."""
THINKING = 8.0
"""Seconds that a student is given before the answer."""
TURNING = 1.5
"""Seconds between speaking and playing."""
MINUTES = (1.0, 180.0)
WHOLE_PIECE = 75.0
"""Seconds up to which a piece is played through at the start; nobody listens longer without a word."""
BEGINNING = (10.0, 35.0)
"""Seconds of a longer piece that are played at the start, at least and at most (set by ear)."""

_FAMILIAR: Mapping[Level, Mapping[str, float]] = {
    "beginner": {"strong tension": 1.2, "return with a difference": 1.3, "cadence": 1.2, "pattern": 0.7},
    "intermediate": {},
    "advanced": {"cadence": 0.8, "pattern": 1.2},
}
"""How much more or less a kind of interest gives at a level."""
_LEAST = 1.6
"""Weight times confidence under which an event is no reason to stop."""
_SENTENCES: Mapping[Level, int] = {"beginner": 2, "intermediate": 3, "advanced": 4}
_LONGEST = 4
"""Bars of a stop at most."""
_WHOLE_PEDAL = 8
"""Bars up to which a pedal point is heard whole, so that one can say how long it lasts."""
_TOLD = 0.6
"""How much more interest a stop has that is about what is most worth telling in the piece (set by ear)."""
_PEAK = 6.0
"""Weight of the highest tension of a piece; less high peaks weigh less."""


@dataclass(frozen=True, slots=True)
class Stop:
    """A place to pause.

    `id` stays the same as long as the bar and what happens there do. `first` to `last` are indexes of
    measures, both included; `moment` is what it is about, in quarter notes. `say` has a text for each level;
    in all texts numerals stand between ⟨ and ⟩. `hear` names sounds: ``"excerpt"`` and those of
    contrasts (`contrast_name`). `play` says how to play it, from the plan. `notes` are the ids to mark.
    `seconds` is what it takes at its level: words, music, thinking. `interest` is comparable within a piece;
    `why` is a kind of interest and `events` are what it rests on. `spoken` is what is said aloud in a talk;
    `asks` names the form of its question. `ways` are what could stand under `play`, the best first: the form
    of each advice, and its text. `elsewhere` is a sentence on other pieces in which the same happens.
    """

    id: str
    first: int
    last: int
    moment: Fraction
    title: str
    say: Mapping[Level, str]
    hear: tuple[str, ...] = (EXCERPT,)
    play: str = ""
    question: str = ""
    answer: str = ""
    notes: tuple[str, ...] = ()
    seconds: float = 0.0
    interest: float = 0.0
    why: str = "own"
    events: tuple[Event, ...] = ()
    level: Level = "intermediate"
    spoken: Spoken = field(default_factory=Spoken)
    asks: str = ""
    ways: tuple[tuple[str, str], ...] = ()
    elsewhere: str = ""

    @property
    def script(self) -> tuple[str, ...]:
        """What is spoken at the stop's level outside its music, in order."""
        return self.spoken.texts


@dataclass(frozen=True)
class Timing:
    """What the length of a stop is reckoned from: the clock of the piece, a rate in words a minute, and the
    seconds that each other sound lasts.

    `own` are the clocks of bars that the teacher plays, by the stop's id: there the music goes by them.
    """

    time: Clock
    rate: float = RATE
    sounds: Mapping[str, float] | None = None
    own: Mapping[str, Clock] | None = None

    def at_stop(self, stop: str) -> Timing:
        """Return what times a stop: on the teacher's clock where the teacher plays its bars."""
        return replace(self, time=(self.own or {}).get(stop, self.time))

    def bars(self, score: Score, first: int, last: int) -> float:
        """Return the seconds that some bars last."""
        return self.time.at(score.measures[last].end) - self.time.at(score.measures[first].start)

    def of(self, score: Score, stop: Stop) -> float:
        """Return the seconds of a stop: its words, its bars before and after them, other sounds, thinking."""
        music = 2 * (self.bars(score, stop.first, stop.last) + TURNING) if EXCERPT in stop.hear else 0.0
        others = [(self.sounds or {}).get(name, 0.0) + TURNING for name in stop.hear if name != EXCERPT]
        thinking = THINKING if stop.question else 0.0
        words = sum(speaking_seconds(t, self.rate) for t in stop.script)
        return music + sum(others) + thinking + words


def propose_stops(
    score: Score,
    reading: Reading,
    plan: Plan,
    *,
    minutes: float = 15,
    level: Level = "intermediate",
    language: Language = "en",
    rate: float = RATE,
    heard: Sequence[Contrast] = (),
    keep: Collection[str] = (),
    leave_out: Collection[str] = (),
) -> tuple[Stop, ...]:
    """Return the stops of a lesson of so many minutes; raise UnderstaveError for a length that is no lesson.

    `heard` are the contrasts that there are to hear; `keep` and `leave_out` are ids that the teacher chose.
    """
    timing = Timing(clock(score, plan), rate, contrast_seconds(score, plan, heard))
    found = possible_stops(score, reading, plan, level=level, language=language, timing=timing, heard=heard)
    chosen = choose(score, reading, found, minutes, language, timing, keep, leave_out)
    return in_talk(score, reading, chosen, timing, language)


def in_talk(
    score: Score, reading: Reading, stops: Sequence[Stop], timing: Timing, language: Language
) -> tuple[Stop, ...]:
    """Return the stops of a talk with what leads from each to the next, and the seconds each then takes."""
    joined = talk.connected(score, reading, stops, language)
    return tuple(replace(stop, seconds=timing.of(score, stop)) for stop in joined)


def compared(
    score: Score,
    stops: Sequence[Stop],
    find: Callable[[Event], Sequence[tuple[str, str]]],
    timing: Timing,
    language: Language,
    left: float,
) -> tuple[Stop, ...]:
    """Return stops of which the most telling name other pieces, (title, composer), in which the same happens,
    as far as the seconds that are `left` allow.

    Only what few pieces have is worth it: a close, a new key or a note that stays is in all of them.
    """
    words = phrasebook(language).talk["elsewhere"]
    rare = [stop for stop in stops if stop.why in _WORTH_COMPARING and stop.events]
    named: dict[str, str] = {}
    for stop in sorted(rare, key=lambda stop: -stop.interest):
        pieces = find(stop.events[0]) if len(named) < len(words) else ()
        if pieces:
            named[stop.id] = _named_pieces(pieces, language)
    found: list[Stop] = []
    for stop in stops:
        if stop.id in named:
            text = words[sum(bool(s.elsewhere) for s in found)].format(pieces=named[stop.id])
            said = replace(stop.spoken, told=f"{stop.spoken.told} {text}".strip())
            longer = replace(stop, elsewhere=text, spoken=said)
            longer = replace(longer, seconds=timing.of(score, longer))
            if longer.seconds - stop.seconds <= left:
                left -= longer.seconds - stop.seconds
                stop = longer
        found.append(stop)
    return tuple(found)


def _named_pieces(pieces: Sequence[tuple[str, str]], language: Language) -> str:
    book = phrasebook(language)
    return book.join(
        [
            book.talk["piece_by" if composer else "piece"].format(title=title, composer=composer)
            for title, composer in pieces
        ]
    )


_WORTH_COMPARING = frozenset({"rare chord", "sharp dissonance", "pattern"})
"""Kinds of interest that few pieces share."""


def choose(
    score: Score,
    reading: Reading,
    stops: Sequence[Stop],
    minutes: float,
    language: Language,
    timing: Timing,
    keep: Collection[str] = (),
    leave_out: Collection[str] = (),
    usual: Collection[str] = (),
    taken: float = 0.0,
) -> tuple[Stop, ...]:
    """Choose stops for a lesson of so many minutes, those to `keep` before all others, whatever they take.

    Then come the `usual` ones, those of last time, so that a small change does not shuffle a lesson. `taken`
    are seconds that something else takes, such as the teacher's own stops.
    """
    if not MINUTES[0] <= minutes <= MINUTES[1]:
        raise UnderstaveError(
            f"A lesson of {minutes:g} minutes cannot be planned; ask for {MINUTES[0]:g} to {MINUTES[1]:g}."
        )
    left = 60 * minutes - taken - frame_seconds(score, reading, stops, timing, language) - _SPARE
    chosen = [stop for stop in stops if stop.id in keep]
    left -= sum(stop.seconds for stop in chosen)
    waiting = [stop for stop in stops if stop.id not in keep and stop.id not in leave_out]
    most = _MOST.get(stops[0].level, len(stops)) if stops else 0
    while waiting and len(chosen) < most:
        best = max(
            waiting,
            key=lambda stop: (
                stop.id in usual,
                _gain(stop, chosen, len(score.measures), minutes),
                -stop.first,
            ),
        )
        waiting.remove(best)
        if best.seconds <= left and not any(
            _covers(stop, best) or _asks_alike(stop, best) for stop in chosen
        ):
            chosen.append(best)
            left -= best.seconds
    return _advised(sorted(chosen, key=lambda stop: (stop.first, stop.moment)))


_MOST: Mapping[Level, int] = {"beginner": 5}
"""Stops at most: a beginner keeps few things in mind (common practice of lessons, no source)."""
_SPARE = 6.0
"""Seconds kept free, since the words that lead to a stop are only known when all are chosen."""


def _asks_alike(one: Stop, other: Stop) -> bool:
    """Whether two stops ask the same thing in the same words."""
    said = one.spoken.question
    return (bool(one.asks) and one.asks == other.asks) or (bool(said) and said == other.spoken.question)


def _advised(stops: Sequence[Stop]) -> tuple[Stop, ...]:
    """Give each stop an advice whose form no stop before it has; none where all were used."""
    used: set[str] = set()
    found = []
    for stop in stops:
        form, text = next((w for w in stop.ways if w[0] not in used), ("", "" if stop.ways else stop.play))
        used |= {form}
        found.append(replace(stop, play=text))
    return tuple(found)


def _covers(one: Stop, other: Stop) -> bool:
    return abs(one.first - other.first) <= 1


def _gain(stop: Stop, chosen: Sequence[Stop], bars: int, minutes: float) -> float:
    """The interest of one more stop: more where none is near, less when its kind was chosen often."""
    apart = bars / max(3.0, 0.6 * minutes)
    near = min((abs(stop.first - c.first) for c in chosen), default=apart)
    alike = sum(c.why == stop.why for c in chosen)
    return sqrt(max(0.0, stop.interest)) * min(2.5, 0.05 + near / apart) * 0.85**alike


# --- the whole lesson -----------------------------------------------------------------------------------


def plays_whole(score: Score, timing: Timing) -> bool:
    """Whether the piece is played through before the first stop: a short one only."""
    return bool(score.measures) and timing.bars(score, 0, len(score.measures) - 1) <= WHOLE_PIECE


def opening_bars(score: Score, reading: Reading, timing: Timing) -> tuple[int, int]:
    """Return the first and last bar of what is played first: the piece if it is short, else its beginning,
    to a close if one comes in time.
    """
    last = len(score.measures) - 1
    if plays_whole(score, timing):
        return 0, last
    closes = sorted(score.measure_at(moment_of(event)).index for event in reading.events if event in CADENCE)
    reached = [k for k in range(last + 1) if timing.bars(score, 0, k) <= BEGINNING[1]]
    good = [k for k in closes if k in reached and timing.bars(score, 0, k) >= BEGINNING[0]]
    return 0, good[0] if good else max(0, len(reached) - 1)


def frame_seconds(
    score: Score, reading: Reading, stops: Sequence[Stop], timing: Timing, language: Language = "en"
) -> float:
    """Return the seconds of a talk outside its stops: its opening with what is played, and its close."""
    around = talk.frame(score, reading, stops, plays_whole(score, timing), language)
    words = sum(speaking_seconds(t, timing.rate) for t in (around.before, around.after, around.close) if t)
    music = timing.bars(score, *opening_bars(score, reading, timing)) + TURNING if score.measures else 0.0
    return words + TURNING + music


def contrast_name(score: Score, one: Contrast) -> str:
    """Return the name of a contrast's sounds: its bar and what it changes."""
    return f"b{_slug(score.measures[one.first].number)}-{_slug(one.label)}"


def contrast_seconds(score: Score, plan: Plan, heard: Sequence[Contrast]) -> dict[str, float]:
    """Return how long both sides of each contrast last, one after the other, at the plan's tempo."""
    time = clock(score, plan)
    return {
        contrast_name(score, contrast): 2
        * (time.at(score.measures[contrast.last].end) - time.at(score.measures[contrast.first].start))
        for contrast in heard
    }


# --- what could be a stop --------------------------------------------------------------------------------


def possible_stops(
    score: Score,
    reading: Reading,
    plan: Plan,
    *,
    level: Level = "intermediate",
    language: Language = "en",
    timing: Timing | None = None,
    heard: Sequence[Contrast] = (),
) -> tuple[Stop, ...]:
    """Return every stop that could be made, in order of the piece; see `choose`."""
    reckoned = timing or Timing(clock(score, plan))
    check_rate(reckoned.rate)
    found: list[Stop] = []
    used: set[str] = set()
    for group in _groups(score, reading, plan, language):
        stop = _stop(score, reading, plan, group, level, language, heard)
        if group[0] in TENSION and not stop.question:
            continue  # that it is tense, without a note to ask for, is no place to stop
        name, number = stop.id, 2
        while stop.id in used:
            stop = replace(stop, id=f"{name}-{number}")
            number += 1
        used.add(stop.id)
        found.append(replace(stop, seconds=reckoned.of(score, stop)))
    return tuple(found)


def moment_of(event: Event) -> Fraction:
    """Return where an event is to be heard: where a cadence arrives, where anything else begins."""
    found = CADENCE.of(event) or PICARDY.of(event) or PHRASE.of(event) or HARMONIC_RHYTHM.of(event)
    arrival = None if found is None else found.arrival
    return event.start if arrival is None else arrival


def _groups(score: Score, reading: Reading, plan: Plan, language: Language) -> list[list[Event]]:
    """Return events that belong together, the most telling first: those in one bar, or in the bar after it
    where they are about the same notes.
    """
    events = [
        event
        for event in (*reading.events, *_peaks(plan))
        if _is_reason(event)
        and can_say(event, language)
        and is_true(event, score, reading.spans, LEVELS, language)
    ]
    events.sort(key=lambda event: (-_interest(event), event.start))
    groups: list[list[Event]] = []
    for event in events:
        bar = score.measure_at(moment_of(event)).index
        for group in groups:
            lead = group[0]
            at = score.measure_at(moment_of(lead)).index
            if at == bar or (abs(at - bar) == 1 and set(lead.notes) & set(event.notes) and not _lasts(event)):
                if all((o.kind, o.label) != (event.kind, event.label) for o in group):
                    group.append(event)
                break
        else:
            groups.append([event])
    return sorted(groups, key=lambda g: moment_of(g[0]))


def _pause(event: Event) -> Pause | None:
    """What the entry of an event's kind says of stopping at it."""
    kind = TENSION if event in TENSION else kind_of(event)
    return None if kind is None else kind.stop


def _is_reason(event: Event) -> bool:
    if _pause(event) is None or not is_sure(event):
        return False
    if (key := KEY.of(event)) is not None and key.came_from is None:
        # The key in which a piece begins is no change.
        return False
    if by_roots() and event in TENSION and event.label.endswith("distance"):
        # How far a chord lies from home is nothing where there is no home.
        return False
    if event in RETURN and event.label == "literal":
        return False
    return _interest(event) >= _LEAST


def _lasts(event: Event) -> bool:
    pause = _pause(event)
    return pause is not None and pause.lasts


def _interest(event: Event) -> float:
    if (tension := TENSION.of(event)) is not None:
        return tension.weight or 0.0
    return weight(event) * event.confidence


def _peaks(plan: Plan) -> list[Event]:
    """The reasons of the spans at which tension is highest in their surroundings, with their weight.

    What is at rest, or lets go, has no reason to tell there.
    """
    highest = max((t.value for t in plan.tension), default=0.0)
    found = []
    for k, t in enumerate(plan.tension):
        around = plan.tension[max(0, k - 3) : k + 4]
        high = highest > 0 and t.value >= 0.6 * highest and t.value == max(span.value for span in around)
        if high and t.why.label not in CALM:
            share = (t.value / highest) ** 3
            details = TENSION.of(t.why)
            if details is not None:
                found.append(replace(t.why, details=replace(details, weight=_PEAK * share)))
    return found


def _stop(
    score: Score,
    reading: Reading,
    plan: Plan,
    events: Sequence[Event],
    level: Level,
    language: Language,
    heard: Sequence[Contrast],
) -> Stop:
    book = phrasebook(language)
    lead = events[0]
    moment = moment_of(lead)
    first, last = _bars(score, lead)
    pause = _pause(lead)
    why = pause.why if pause is not None else "own"
    interest = _interest(lead) + 0.25 * sum(_interest(event) for event in events[1:])
    interest *= 1 + _TOLD * talk.worth_of(score, reading, lead, language)
    asked = _asked(score, reading, lead, book)
    question, answer = _question(score, reading, lead, book, asked, level)
    at = score.measure_at(moment)
    hidden = _given_away(score, book, asked)
    aloud = _question(score, reading, lead, book, asked, "beginner")
    said = talk.at_stop(score, reading, events, aloud, moment, book)
    if level != "beginner":
        said = replace(said, sing="")
    ways = tuple(
        w
        for w in (
            *_advice(score, plan, moment, level, language),
            (f"hands {lead.kind} {lead.label}", said.hands),
        )
        if w[1] and hidden.isdisjoint(_WORD.findall(w[1]))
    )
    sounds = [
        contrast_name(score, contrast)
        for contrast in heard
        if contrast.label not in ("block chords", "bass", "melody", "piano")
        and _is_about(contrast, first, last, score)
    ]
    return Stop(
        id=f"b{_slug(at.number)}-{_slug(lead.label if lead.kind != lead.label else lead.kind)}",
        first=first,
        last=last,
        moment=moment,
        title=_title(score, lead, book, asked.name),
        say={v: _said(score, reading, events, v, language) for v in LEVELS},
        hear=(EXCERPT, *sounds),
        play=ways[0][1] if ways else "",
        question=question,
        answer=answer,
        notes=_marked(reading, lead),
        interest=round(interest * _FAMILIAR[level].get(why, 1.0), 3),
        why=why,
        events=tuple(events),
        level=level,
        spoken=said,
        asks=asked.name,
        ways=ways,
    )


def _bars(score: Score, event: Event) -> tuple[int, int]:
    """The bars to hear: from one bar before, from the start of what lasts, a cadence with its approach."""
    at = score.measure_at(moment_of(event)).index
    end = score.measures_over(event.start, event.end)[1].index
    end = max(at, min(end, len(score.measures) - 1))
    if event in CADENCE:
        return max(0, at - 2), min(end, at + 1)
    if event in PEDAL_POINT and end < at + _WHOLE_PEDAL:
        return at, end
    if _lasts(event):
        return max(0, at - (event in KEY)), min(end, at + _LONGEST - 1)
    return max(0, at - 1), min(max(end, at + 1), at + 2, len(score.measures) - 1)


def _is_about(one: Contrast, first: int, last: int, score: Score) -> bool:
    """Whether what a contrast changes stands in some bars."""
    return first <= score.measure_at(one.details.at).index <= last


def _marked(reading: Reading, event: Event) -> tuple[str, ...]:
    """The notes in question: the event's own, or the chord's where the event is about a whole passage."""
    if event.notes and not _lasts(event):
        return event.notes
    if event in PEDAL_POINT:
        return event.notes
    span = reading.span_at(moment_of(event))
    return span.notes if span is not None else event.notes


# --- words -----------------------------------------------------------------------------------------------


def _title(score: Score, event: Event, book: Phrasebook, asked: str) -> str:
    """The printed bars and what happens there, in few words.

    A title that is a question stands only over that question; where another is `asked`, or none, the event is
    named instead.
    """
    bars = book.bars(*heading_bars(score, moment_of(event), max(moment_of(event), event.end)))
    if not _lasts(event):
        bars = book.bars(*[score.measure_at(moment_of(event)).number] * 2)
    titles = book.stop_titles
    # A guest may have no title of its own for a stop.
    named = titles.get(f"{event.kind}.{event.label}") or titles.get(event.kind) or event.label
    if named.rstrip().endswith("?") and asked.partition(".")[0] != event.kind:
        named = titles.get(f"{event.kind}.named", event.kind)
    what = fill(named, values_of(event), score, book, event.kind)
    return book.phrases["titled"].format(place=raised(bars), text=what)


def _said(score: Score, reading: Reading, events: Sequence[Event], level: Level, language: Language) -> str:
    """What the most telling event says, the notes of its chord, then the others in order of time.

    A sentence about another place than the one before it ends with its place.
    """
    book = phrasebook(language)
    lead, *others = events[: _SENTENCES[level]]
    moment = moment_of(lead)
    sentences = [text for text in (say(lead, score, level, language),) if text]
    span = reading.span_at(moment)
    # Where something lasts, and where two chords make a cadence, one chord's notes explain little.
    if span is not None and level != "beginner" and not _lasts(lead) and lead not in CADENCE:
        form = "stop_members" if f"⟨{span.numeral}⟩" in "".join(sentences) else "stop_chord"
        names = story.members_text(score, span, book)
        sentences.append(book.phrases[form].format(label=story.label(span, book), members=names))
    if level == "advanced":
        sentences += talk.outer_voices(score, reading, moment, book)
    here = place(score, moment, book)
    for event in sorted(others, key=lambda event: (moment_of(event) != moment, moment_of(event))):
        text = say(event, score, level, language)
        if not text or text in sentences:
            continue
        where = place(score, moment_of(event), book)
        # What comes later than its event has its own place in its words.
        if where != here and values_of(event).get("later") is None:
            text = _placed(text, where)
            here = where
        sentences.append(text)
    return " ".join(sentences)


def _placed(text: str, where: str) -> str:
    """Put a place after the first sentence of a text: what follows it is about that place too, or later."""
    first, *rest = re.split(r"\. (?=[“„«⟨]?[A-ZÀ-Þ])", text, maxsplit=1)
    first = first.removesuffix(".")
    if rest:
        return f"{first} ({where}). {rest[0]}"
    return f"{first} ({where})." if text.endswith(".") else f"{text} ({where})"


_PLAIN_ADVICE = ("as printed", "printed mark")
"""Reasons that only point to what everyone sees in the score: told where there is nothing else to tell."""


def _advice(
    score: Score, plan: Plan, moment: Fraction, level: Level, language: Language
) -> tuple[tuple[str, str], ...]:
    """What the plan asks for in the bar of a moment and why, the nearest to the moment first: the form of
    each advice and its text. Tension is no instruction.

    Beginners are told in whole sentences, which say what and why at once. Where no keyboard plays, only what
    fits every instrument is told: loudness and time. A singer's notes are the singer's.
    """
    book = phrasebook(language)
    bar = score.measure_at(moment)
    told = tell_plan(score, plan, level, language, (bar.start, bar.end), marked=True)
    advice = [a for a in told if a.aspect != "tension" and _is_for_player(score, a)]
    better = [a for a in advice if a.why and a.reason not in _PLAIN_ADVICE]
    if not better:
        advice.sort(key=lambda a: (not a.why, a.reason == "printed mark"))
        advice = advice[:1]
    here = place(score, moment, book)
    found: list[tuple[str, str]] = []
    for a in sorted(better or advice, key=lambda a: (abs(a.moment - moment), a.aspect == "pedal")):
        whole = bool(a.why) and (level == "beginner" or a.reason == "printed mark")
        text = a.why if whole else f"{a.what[0].upper()}{a.what[1:]}.{' ' + a.why if a.why else ''}"
        where = place(score, a.moment, book)
        headed = text.casefold().startswith(f"{book.bars(bar.number, bar.number)}:".casefold())
        if where != here and where not in text and not headed:
            text = book.phrases["titled"].format(place=raised(where), text=text)
        found.append((f"{a.aspect} {a.reason}", text))
    return tuple(found)


def _is_for_player(score: Score, advice: Advice) -> bool:
    """Whether the pianist can follow an advice: its notes are the keyboard's, or it is about none."""
    if not for_keyboard(score):
        return advice.aspect in ("dynamics", "timing")
    staves = keyboard_staves(score)
    notes = [note for note in (score.note_by_id.get(i) for i in advice.notes) if note is not None]
    return all(note.staff in staves for note in notes)


class _Asked(NamedTuple):
    """The name and templates of a question and its answer, and their values; without a name there is none."""

    name: str
    form: Mapping[str, str]
    values: Mapping[str, Detail]


def _question(
    score: Score, reading: Reading, event: Event, book: Phrasebook, asked: _Asked, level: Level
) -> tuple[str, str]:
    """A question about the event and its answer, both filled from the reading; for beginners in the words
    that are spoken, where there are such, without names of chords.
    """
    _, form, values = asked
    if not form:
        return "", ""
    ask, answer = (fill(form[n], values, score, book, event.kind) for n in ("ask", "answer"))
    if level == "beginner" and "aloud" in form:
        said = f"{form['ask_aloud']} {form['aloud']}"
        if can_fill(said, values) and is_true_of(event, score, reading.spans, said, values):
            ask, answer = (fill(form[n], values, score, book, event.kind) for n in ("ask_aloud", "aloud"))
    return ask, raised(answer)


_WORD = re.compile(r"\w+(?: (?:sharp|flat|dièse|bémol|double))*")


def _given_away(score: Score, book: Phrasebook, asked: _Asked) -> frozenset[str]:
    """Return the names of notes that the answer at a stop tells and its question does not."""
    _, form, values = asked
    if not form:
        return frozenset()
    known, answered = ({g[1] for g in GAP.finditer(form[n])} for n in ("ask", "answer"))
    waiting = [v for name, v in values.items() if name in answered - known]
    found: set[str] = set()
    while waiting:
        value = waiting.pop()
        if isinstance(value, tuple):
            waiting += value
        elif isinstance(value, Pitch | PitchClass):
            found.add(name_value(value, "pitch", "", "", score, book))
    return frozenset(found)


def _asked(score: Score, reading: Reading, event: Event, book: Phrasebook) -> _Asked:
    """Return the first question of those for the event, its kind and its chord that can be filled and that
    the notes bear out.
    """
    values = dict(values_of(event))
    values.update(_computed(score, reading, event))
    if values.get("from_start") == 0:
        values["opening"] = 1
    for name in (f"{event.kind}.{event.label}", event.kind, "chord"):
        form = book.questions.get(name)
        if form is None:
            continue
        said = f"{form['ask']} {form['answer']}"
        if can_fill(said, values) and is_true_of(event, score, reading.spans, said, values):
            return _Asked(name, form, values)
    return _Asked("", {}, values)


def asked_claims(score: Score, reading: Reading, event: Event, language: Language) -> tuple[Claim, ...]:
    """Return what the question about an event and its answer claim."""
    _, form, values = _asked(score, reading, event, phrasebook(language))
    if not form:
        return ()
    return claims_of(event, score, language=language, template=f"{form['ask']} {form['answer']}", more=values)


def _computed(score: Score, reading: Reading, event: Event) -> dict[str, Detail]:
    """Values for questions that are worked out from the spans: the chord, what is foreign to the key, and the
    note that first tells a new key.
    """
    moment = moment_of(event)
    found: dict[str, Detail] = {}
    span = reading.span_at(moment)
    pause = _pause(event)
    of_chord = pause is not None and pause.chord
    chord = CHROMATIC_CHORD.of(event) or APPLIED_CHORD.of(event) or ENHARMONIC_PIVOT.of(event)
    if span is not None and chord is not None:
        # A Neapolitan on the way out of another key is asked about in the key in which it is one.
        span = replace(span, key=chord.key, numeral=chord.chord)
    if span is not None:
        heard, silent = story.heard_members(score, span)
        found["span_key"] = span.key
        found["span_start"], found["span_end"] = span.start, span.end
        found["span_chord"] = span.numeral
        found["members"] = tuple(heard)
        if silent:
            found["silent"] = tuple(silent)
        lowest = soundings(score).lowest(span.start, span.end)
        bass = span.numeral.chord(span.key).bass
        if lowest is not None and lowest.midi % 12 == bass.semitone:
            found["chord_bass"] = bass
        outside = tuple(tone for tone in story.foreign_to_key(span) if tone in heard)
        if outside and of_chord:
            found["outside"] = outside
            if len(outside) > 1:
                found["outside_many"] = 1
    if (applied := APPLIED_CHORD.of(event)) is not None:
        found |= _foreign_in(applied)
    if event in PEDAL_POINT:
        first, last = _bars(score, event)
        if score.measures[first].start <= event.start and event.end <= score.measures[last].end:
            found["whole"] = 1
    if (key := KEY.of(event)) is not None and key.came_from is not None:
        # What tells that the music has left home is no note of home, nor of a key on the way.
        known = [key.came_from] + ([key.home] if key.key != key.home else [])
        telling = first_new_note(score, event.start, event.end, known, key.key)
        if telling is not None:
            found["telling"], found["telling_at"] = telling
    if (back := RETURN.of(event)) is not None:
        found["heard"] = _heard_where(score, event, back)
        differences = DIFFERENCE.all(reading.events)
        hows = [
            o
            for o, details in differences
            if details.return_start == event.start and o.label != "different continuation"
        ]
        if hows:
            found |= _told_plainly(_most_different(score, event, hows), _in_both(score, reading, hows))
    return found


def _heard_where(score: Score, event: Event, back: ReturnDetails) -> str:
    """Say where what comes back was heard: ``opening``, ``just`` before, ``early``, or ``before``."""
    if back.from_start == 0:
        return "opening"
    since = score.measure_at(event.start).index - score.measure_at(back.from_end).index
    if since <= _JUST:
        return "just"
    return "early" if where_of(score, back.from_start) == "early" else "before"


_JUST = 4
"""Bars after which what was heard is no longer just heard (set by ear)."""
_BOTH = ("melody varied", "accompaniment varied")


def _most_different(score: Score, back: Event, differences: Sequence[Event]) -> dict[str, Detail]:
    """Return how a return differs from its model, the sorts that fill a quarter of what differs at least, and
    the bar in which it does, where that is but one.
    """
    bars: dict[str, set[int]] = {}
    for event in differences:
        first, last = score.measures_over(event.start, event.end)
        for label in _BOTH if event.label == "both varied" else (event.label,):
            bars.setdefault(label, set()).update(range(first.index, last.index + 1))
    every = set().union(*bars.values())
    names = [name for name, own in bars.items() if 4 * len(own) >= len(every)]
    if set(_BOTH) <= set(names):
        names = ["both varied", *(name for name in names if name not in _BOTH)]
    found: dict[str, Detail] = {"differences": tuple(names)}
    if len(every) == 1 and back.end - back.start > score.measures[min(every)].length:
        found["only_in"] = score.measures[min(every)].start
    return found


def _told_plainly(found: Mapping[str, Detail], in_both: str) -> dict[str, Detail]:
    """Say of a return in which everything is new what is new in it; where that is not known, nothing is."""
    names = found["differences"]
    assert isinstance(names, tuple)
    if "both varied" not in names:
        return dict(found)
    plain = tuple(in_both if name == "both varied" else str(name) for name in names)
    plain = tuple(name for name in plain if name)
    return {**found, "differences": plain} if plain else {}


_MANY = Fraction(4, 3)
"""How many times as many notes are heard as more notes (set by ear)."""


def _in_both(score: Score, reading: Reading, differences: Sequence[Event]) -> str:
    """Return where a return has more notes or fewer than its model, ``""`` where in neither of its parts."""
    melody = {note.id for note in texture_of(score, reading.spans).melody}
    changed: dict[str, list[str]] = {}
    for part, is_tune in (("melody", True), ("accompaniment", False)):
        onsets = [note.onset for note in score.notes if (note.id in melody) == is_tune]
        before = after = 0
        for event, details in DIFFERENCE.all(differences):
            after += sum(event.start <= t < event.end for t in onsets)
            before += sum(details.from_start <= t < details.from_end for t in onsets)
        if before and after and not 1 / _MANY < Fraction(after, before) < _MANY:
            changed.setdefault("more" if after > before else "fewer", []).append(part)
    for way, parts in changed.items():
        return f"{way} notes in {'both' if len(parts) > 1 else f'the {parts[0]}'}"
    return ""


def _foreign_in(applied: AppliedChordDetails) -> dict[str, Detail]:
    """Return what is foreign to the key in an applied chord, and whether its leading tone is among it."""
    inside = story.scale_with_leading_tone(applied.key)
    foreign = tuple(tone for tone, _ in applied.changes if tone not in inside)
    if not foreign:
        return {}
    found: dict[str, Detail] = {"foreign": foreign}
    if len(foreign) > 1:
        found["foreign_many"] = 1
    if applied.leading_tone in foreign:
        found["leads"] = 1
    return found


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.casefold()).strip("-")
