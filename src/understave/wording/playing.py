"""The plan in words, bar by bar: what to do, when, and why.

In: a Score and its Plan, a level and a language. Out: `Advice`, in order of time. What to do is said in
a few words of ours (``play_...`` in the phrasebook), why in the sentences of the plan's own reasons.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby
from typing import Literal

from understave.findings.endings import singer_of
from understave.findings.remembered import remembered
from understave.harmony.reading import Event, Span
from understave.interpretation.dynamics import level_at
from understave.interpretation.pedal_habit import born_about
from understave.interpretation.perform import HALF_WAY
from understave.interpretation.plan import Hairpin, Plan, Tension, Voice
from understave.interpretation.printed import nearest_mark, printed_loudness
from understave.interpretation.tension import CALM, TENSION
from understave.interpretation.timing import TIMING
from understave.interpretation.voicing import VOICING, VoicingDetails
from understave.score.model import Note, Score
from understave.theory.vocabulary import Language
from understave.wording.claiming import is_true
from understave.wording.gaps import octave_name, place
from understave.wording.phrasebook import Level, Phrasebook, phrasebook
from understave.wording.sentences import can_say, has_short_form, plain, say, say_again

Aspect = Literal["tension", "dynamics", "voicing", "timing", "pedal"]
_NOTES = ("dissonance", "resolution", "repeated")
"""Roles of a `Voice` that single notes have; the others are layers of the texture."""
MOST, LONG, APART = 4, 3, 2
"""Lines that begin in a bar, at most; bars from which on what is alike is told once; bars from one to the
next of what counts as alike, so that a pattern of every second bar is one."""
HIGH, NEAR = 0.5, 2
"""Tension from which on a peak is told, 0..1, and bars to either side within which it is the highest."""
_ONLY_PRINT = frozenset({"printed mark", "as printed", "printed release"})
"""Reasons that say no more than what the score prints."""
_WEIGHTS: dict[Aspect, float] = {"dynamics": 4.0, "timing": 3.5, "voicing": 3.0, "pedal": 2.5, "tension": 1.0}
_FIRST = frozenset(
    {
        "dissonance",
        "half",
        "sostenuto",
        "flutter",
        "held by print",
        "against the print",
        "final ritard",
        "phrase end",
    }
)
"""Reasons that come before others of their kind (set by reasoning: what is heard most, and what is least
usual)."""
_USUAL = ("press_down", "press_most", "change_down", "change_most", "up")
"""Turns of the foot that a pattern is made of: whether it goes all the way or three quarters is no other."""
_OWN_LINE = frozenset(
    {"half", "sostenuto", "quarter", "flutter", "against the print", "held by print", "clash"}
)
"""Reasons that no pattern hides."""
APART_FROM, NAMED, _MOSTLY = 6, 6, 0.75
"""Bars of another way from which on it is a pattern of its own and no exception; exceptions that are named,
at most; share of a pattern's turns that one reason has where it stands for all (set by reading plans)."""
_NO_PEDAL = 1725
"""Composers born before it wrote for harpsichord and clavichord in the main (common practice, no source)."""
_COUNTED = 24
"""Parts of a beat that are named, at most: signs can be printed anywhere."""
_DEPTHS = ((0.37, "little"), (0.62, "half"), (0.87, "most"), (1.0, "down"))
"""Depth of the pedal up to which it is named so."""
_ORDER: tuple[Aspect, ...] = ("dynamics", "voicing", "timing", "pedal", "tension")


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to do at a moment; `why` may be empty. `notes` are the ids it is about.

    `reason` is the label of the plan's reason, the same for all that have the same one.
    """

    moment: Fraction
    aspect: Aspect
    what: str
    why: str
    notes: tuple[str, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True)
class _Item:
    moment: Fraction
    aspect: Aspect
    what: str
    why: Event | None
    notes: tuple[str, ...] = ()
    lasts: bool = False
    turn: Literal["", "press", "change", "up"] = ""
    leans: bool = False


def tell_plan(
    score: Score,
    plan: Plan,
    level: Level = "intermediate",
    language: Language = "en",
    stretch: tuple[Fraction, Fraction] | None = None,
    *,
    marked: bool = False,
) -> tuple[Advice, ...]:
    """Tell a plan in order of time, or what of it begins in a stretch of the piece.

    With `marked`, numerals stand between ⟨ and ⟩, to be set by whoever prints them.

    At most `MOST` lines begin in a bar, what matters most for the ear first; what a pedal does in the same
    way for `LONG` bars or times or more is one line with its bars, and its exceptions keep their own. What is
    printed and needs no word is not said again. Of tension each peak from `HIGH` is told, and every release
    after one. A reason of a kind told before is told briefly; it is left out where it is the same as the one
    before it and has no short words, or where the notes deny it; with it goes advice that has no other
    ground: on a single voice, on time, to let go.
    """
    book = phrasebook(language)
    start, end = stretch or (Fraction(0), score.end)
    whole = _items(score, plan, book)
    items = [i for i in whole if start <= i.moment < end]
    items = [i for i in items if i.why is None or i.why.label not in _ONLY_PRINT]
    items = [i for i in items if not _stands_by_reason(i) or _is_so(i, score, plan, level, language)]
    items = _fewest(score, _lasting(score, items, book))
    items.sort(key=lambda i: (i.moment, _ORDER.index(i.aspect)))
    told: set[tuple[str, str]] = set()
    # Told once: where the pedal of the piece begins, also when only a part of it is asked for.
    without = born_about(score) < _NO_PEDAL and not any(
        i.aspect == "pedal" and i.moment < start for i in whole
    )
    last: dict[Aspect, str] = {}
    advice = []
    for item in items:
        why, reason = "", item.why if _is_so(item, score, plan, level, language) else None
        if reason is not None and can_say(reason, language):
            again = (reason.kind, reason.label) in told
            told.add((reason.kind, reason.label))
            why = (say_again if again else say)(reason, score, level, language)
            why = why if marked else plain(why)
            if last.get(item.aspect) == why and not has_short_form(reason, level, language):
                why = ""
            else:
                last[item.aspect] = why
        if without and item.aspect == "pedal" and why:
            # Whoever pedals what was written for an instrument without one should know it.
            why, without = " ".join(filter(None, [why, book.phrases["play_no_pedal_then"]])), False
        label = reason.label if reason is not None else ""
        advice.append(Advice(item.moment, item.aspect, item.what, why, item.notes, label))
    return tuple(advice)


def _stands_by_reason(item: _Item) -> bool:
    """Whether advice falls with its reason: nobody slows where no phrase ends, or lets go of nothing."""
    released = item.why is not None and item.why.label == "release"
    return item.aspect in ("voicing", "timing") or (item.aspect == "tension" and released)


def _is_so(item: _Item, score: Score, plan: Plan, level: Level, language: Language) -> bool:
    """Whether the notes bear out the reason of an item; without it there is nothing to lean on."""
    return item.why is None or is_borne_out(score, plan, item.why, level, language)


@remembered
def chords_of(plan: Plan) -> tuple[Span, ...]:
    """Return the chords that a plan was made for, as the reasons of its tension carry them."""
    found = []
    for t in plan.tension:
        why = TENSION.of(t.why)
        if why is not None:
            found.append(Span(t.start, t.end, why.key, why.chord, t.why.confidence))
    return tuple(found)


def is_borne_out(score: Score, plan: Plan, reason: Event, level: Level, language: Language) -> bool:
    """Whether the notes bear out a reason of a plan; one made for no chords cannot be tested."""
    spans = chords_of(plan)
    return not spans or is_true(reason, score, spans, (level,), language)


def _lasting(score: Score, items: list[_Item], book: Phrasebook) -> list[_Item]:
    """Put what the foot, or a leaning finger, does alike for bars on end into one item, where it begins."""
    items = _foot(score, items, book)
    alike: dict[tuple[str, str], list[_Item]] = defaultdict(list)
    for item in items:
        if item.why is not None and not item.lasts and (item.aspect == "pedal" or item.leans):
            alike[item.what, item.why.label if item.aspect == "pedal" else _yields_to(item.why)].append(item)
    gone: set[int] = set()
    whole: list[_Item] = []
    for group in alike.values():
        for run in _on_end(score, group):
            what = run[0].what
            each = what if run[0].aspect == "pedal" else book.phrases["play_each_time"].format(what=what)
            said = book.phrases["play_lasting"].format(bars=_bars(score, run, book), what=each)
            whole.append(replace(run[0], what=said, lasts=run[0].aspect == "pedal"))
            gone.update(id(i) for i in run)
    return [i for i in items if id(i) not in gone] + whole


def _yields_to(why: Event) -> str:
    """Name what a leaning note yields to, so that only what is said alike is said once."""
    details = VOICING.of(why)
    goal = None if details is None else details.resolution_pitch
    return "" if goal is None else goal.pitch_class.name


def _foot(score: Score, items: list[_Item], book: Phrasebook) -> list[_Item]:
    """Put the usual turns of the foot, bars on end, into one line: which of the two, changing or coming up
    between chords, it mostly does, and in which bars it does the other.
    """
    usual = {book.phrases[f"play_pedal_{turn}"] for turn in _USUAL}
    turns = [i for i in items if i.turn and i.what in usual and i.why and i.why.label not in _OWN_LINE]
    gone: set[int] = set()
    whole: list[_Item] = []
    for run in _on_end(score, sorted(turns, key=lambda i: i.moment)):
        # The first pedal after none is told by itself where from then on it is only changed.
        for part in _parts(score, run[1:] if [i.turn for i in run[:2]] == ["press", "change"] else run):
            mode = _mode(part)
            same = [i for bar in part if _touches(bar) is mode for i in bar]
            bars = score.measure_at(same[-1].moment).index - score.measure_at(same[0].moment).index + 1
            if len(same) < LONG and bars < LONG:
                continue
            inside = [i for bar in part for i in bar]
            what = book.phrases["play_lasting"].format(
                bars=_bars(score, inside, book), what=_pattern(score, part, same, book)
            )
            reason = next((i for i in same if i.turn == "up"), same[0]) if mode else same[0]
            whole.append(replace(reason, moment=inside[0].moment, what=what, lasts=True))
            gone.update(id(i) for i in inside)
    return [i for i in items if id(i) not in gone] + whole


def _touches(bar: list[_Item]) -> bool:
    """Whether the foot comes up within a bar, or goes down in it, and does not only change."""
    return any(i.turn == "up" for i in bar) or all(i.turn == "press" for i in bar)


def _mode(part: list[list[_Item]]) -> bool:
    """Whether the foot comes up in most bars of a passage."""
    return 2 * sum(_touches(bar) for bar in part) > len(part)


def _parts(score: Score, run: list[_Item]) -> Iterator[list[list[_Item]]]:
    """Part a run, bar by bar, where the foot does something else for `APART_FROM` bars or more."""
    by_bar = [list(bar) for _, bar in groupby(run, key=lambda i: score.measure_at(i.moment).index)]
    alike = [list(bars) for _, bars in groupby(by_bar, key=_touches)]
    parts: list[list[list[_Item]]] = []
    for bars in alike:
        new = len(bars) >= APART_FROM and parts and len(parts[-1]) >= APART_FROM
        if not parts or (new and _mode(parts[-1]) is not _touches(bars[0])):
            parts.append(list(bars))
        else:
            parts[-1] += bars
    yield from parts


def _pattern(score: Score, part: list[list[_Item]], same: list[_Item], book: Phrasebook) -> str:
    """Name what the foot does in a passage, and the bars in which it does the other."""
    words, mode = book.phrases, _mode(part)
    if mode:
        what = words["play_touches"]
    else:
        changes = [i for i in same if i.turn == "change"] or same
        labels = [i.why.label for i in changes if i.why is not None]
        with_chord = labels.count("new harmony") / len(changes)
        how = "each_chord" if with_chord >= _MOSTLY else "each_more" if with_chord > 1 - _MOSTLY else "more"
        named = Counter(i.what for i in changes).most_common(1)[0][0]
        what = words[f"play_{how}"].format(what=named) if len(part) > 1 else named
    usual = groupby(part, key=lambda bar: _touches(bar) is mode)
    others = [[i for bar in bars for i in bar] for alike, bars in usual if not alike]
    named_bars = [_bars(score, turns, book) for turns in others]
    if not named_bars:
        return what
    name = "through" if mode else "up"
    if len(named_bars) > NAMED:
        return words[f"play_some_{name}"].format(what=what)
    return words[f"play_but_{name}"].format(what=what, bars=", ".join(named_bars))


def _on_end(score: Score, group: list[_Item]) -> Iterator[list[_Item]]:
    """Part items into runs that go on bar by bar, and yield those of `LONG` bars, or turns, or more."""
    bars = [score.measure_at(i.moment).index for i in group]
    first = 0
    for k in range(1, len(group) + 1):
        if k < len(group) and bars[k] - bars[k - 1] <= APART:
            continue
        if bars[k - 1] - bars[first] + 1 >= LONG or k - first >= LONG:
            yield group[first:k]
        first = k


def _bars(score: Score, run: list[_Item], book: Phrasebook) -> str:
    first, last = score.measure_at(run[0].moment), score.measure_at(run[-1].moment)
    return book.bars(first.number, last.number)


def _fewest(score: Score, items: list[_Item]) -> list[_Item]:
    """Keep the `MOST` items of each bar that matter most."""
    by_bar: dict[int, list[_Item]] = defaultdict(list)
    for item in items:
        by_bar[score.measure_at(item.moment).index].append(item)
    return [i for bar in by_bar.values() for i in sorted(bar, key=_weight)[:MOST]]


def _weight(item: _Item) -> tuple[float, Fraction]:
    """Return what sorts items of a bar, the most important first."""
    label = item.why.label if item.why is not None else ""
    weight = _WEIGHTS[item.aspect] + (2.0 if item.lasts or label in _FIRST else 0.0)
    return -weight, item.moment


@dataclass(frozen=True, slots=True)
class Heading:
    """A bar of the plan: its name, how loud and tense it begins, and from when to when it lasts."""

    bar: str
    state: str
    start: Fraction
    end: Fraction


def headings(
    score: Score,
    plan: Plan,
    language: Language = "en",
    stretch: tuple[Fraction, Fraction] | None = None,
) -> tuple[Heading, ...]:
    """Name each bar, or those of a stretch, with its loudness as the nearest mark and its tension."""
    book = phrasebook(language)
    start, end = stretch or (Fraction(0), score.end)
    found = []
    for measure in score.measures:
        if start <= measure.start < end:
            loudness = nearest_mark(level_at(plan.levels, measure.start)) if plan.levels else "?"
            value = next((t.value for t in plan.tension if t.start <= measure.start < t.end), 0.0)
            state = book.phrases["play_heading"].format(loudness=loudness, tension=_strength(value, book))
            found.append(
                Heading(book.bars(measure.number, measure.number), state, measure.start, measure.end)
            )
    return tuple(found)


@remembered
def _items(score: Score, plan: Plan, book: Phrasebook) -> tuple[_Item, ...]:
    """All that could be told of a plan; kept, because a lesson asks for it bar by bar."""
    return tuple(_told(score, plan, book))


def _told(score: Score, plan: Plan, book: Phrasebook) -> Iterator[_Item]:
    words = book.phrases
    accents = {a.moment: a.text for a in printed_loudness(score).accents}
    for mark in plan.marks:
        if mark.origin == "printed" and accents.get(mark.moment, "").endswith(mark.mark):
            # The soft part of a printed fp; accents stand there for everybody to see.
            continue
        what = mark.mark if mark.origin == "proposed" else words["play_printed"].format(what=mark.mark)
        yield _Item(mark.moment, "dynamics", what, mark.why)
    yield from _hairpins(score, plan, book)
    yield from _voices(score, plan.voices, book)
    for bend in plan.timing:
        if bend.why is not None:
            found = TIMING.of(bend.why)
            # The end of a phrase is told with its last note, before the tempo has slowed all the way.
            slowed = found is not None and bend.why.label == "phrase end"
            factor = 1 - found.slower if found is not None and slowed else bend.factor
            yield _Item(bend.moment, "timing", words[_pace(factor)], bend.why)
    for held in plan.sustained:
        yield _Item(held.start, "pedal", words["play_sostenuto"], held.why, held.notes)
    depth = 0.0
    for move in plan.pedal:
        melts = move.late and depth > 0 and move.depth > HALF_WAY
        what = words["play_pedal_melt"] if melts else _pedal_words(depth, move.depth, book)
        if move.flutter:
            what = words["play_pedal_flutter" if move.origin == "printed" else "play_pedal_flutter_run"]
        if what and move.origin == "printed":
            what = words["play_printed"].format(what=what)
        if what:
            turn: Literal["press", "change", "up"] = (
                "up" if move.depth <= 0 else "change" if depth > 0 else "press"
            )
            yield _Item(move.moment, "pedal", what, move.why, turn=turn)
        depth = move.depth
    yield from _tension(score, plan.tension, book)


def _hairpins(score: Score, plan: Plan, book: Phrasebook) -> Iterator[_Item]:
    words = book.phrases
    advised: set[str] = set()
    for hairpin in _joined(plan.hairpins):
        if hairpin.origin == "printed":
            # How to play a printed hairpin is said once; that others stand there everybody sees.
            if hairpin.kind in advised:
                continue
            advised.add(hairpin.kind)
        peak = place(score, hairpin.peak, book) if hairpin.peak is not None else ""
        what = words[f"play_{hairpin.kind}"].format(place=_end_place(score, hairpin.end, book), peak=peak)
        if hairpin.origin == "printed":
            what = words["play_printed"].format(what=what)
        yield _Item(_at_a_note(score, hairpin.start), "dynamics", what, hairpin.why)


def _joined(hairpins: Sequence[Hairpin]) -> list[Hairpin]:
    """Put proposed hairpins of one kind that follow on each other into one."""
    found: list[Hairpin] = []
    for hairpin in hairpins:
        last = found[-1] if found else None
        follows = last is not None and (last.kind, last.end, last.origin) == (
            hairpin.kind,
            hairpin.start,
            "proposed",
        )
        if last is not None and follows and hairpin.origin == "proposed" and hairpin.kind != "swell":
            found[-1] = replace(last, end=hairpin.end)
        else:
            found.append(hairpin)
    return found


def _at_a_note(score: Score, moment: Fraction) -> Fraction:
    """The moment, or that of the nearest note where a sign is printed at none that anybody counts."""
    if score.beat_at(moment).denominator <= _COUNTED or not score.notes:
        return moment
    return min((n.onset for n in score.notes), key=lambda onset: abs(onset - moment))


def _end_place(score: Score, moment: Fraction, book: Phrasebook) -> str:
    """Where something ends: the last bar's end is no bar's beginning."""
    moment = _at_a_note(score, moment)
    if moment >= score.end:
        return book.bars(score.measures[-1].number, score.measures[-1].number)
    return place(score, moment, book)


def _pedal_words(before: float, after: float, book: Phrasebook) -> str:
    if after <= 0:
        return book.phrases["play_pedal_up"] if before > 0 else ""
    depth = next(name for most, name in _DEPTHS if after <= most)
    change = "change" if before > 0 else "press"
    return book.phrases[f"play_pedal_{change}_{depth}"]


def _voices(score: Score, voices: tuple[Voice, ...], book: Phrasebook) -> Iterator[_Item]:
    """What to do with single notes; and with the layers of the texture, where each first comes or moves."""
    known = [(score.note_by_id[voice.note], voice) for voice in voices if voice.note in score.note_by_id]
    layers: dict[str, str] = {}
    runs: set[Event] = set()
    weighed: set[tuple[Fraction, str]] = set()
    led = {
        (rub.resolution_pitch, rub.resolution_time)
        for _, v in known
        if v.lean and (rub := _rub(v)) is not None
    }
    together = _together(known)
    singer = singer_of(score)
    for note, voice in sorted(known, key=lambda n: n[0].onset):
        why = voice.why
        if note.staff == singer:
            continue  # A singer's notes are the singer's; nobody at the piano brings them out.
        if voice.lean or (why is not None and voice.role in _NOTES):
            if voice.role == "dissonance" and not voice.lean:
                continue
            if voice.role == "resolution" and ((note.pitch, note.onset) in led or _passes(score, note)):
                # The advice to lean says already that this note goes softer; a passing one nobody can weigh.
                continue
            if voice.role == "repeated" and why is not None:
                if why in runs:
                    continue
                runs.add(why)
            name = octave_name(note.pitch, book)
            what = book.phrases["play_lean" if voice.lean else f"play_{voice.role}"].format(note=name)
            if (note.onset, what) in weighed:
                continue  # Two voices on one key.
            weighed.add((note.onset, what))
            named = why.notes if why is not None else (note.id,)
            yield _Item(note.onset, "voicing", what, why, named, leans=voice.lean)
        elif why is not None and layers.get(voice.role) != why.label and note.id in together:
            told = voice.role in layers and voice.role != "melody"
            layers[voice.role] = why.label
            if not told:
                yield _Item(note.onset, "voicing", book.phrases[f"play_{voice.role}"], why, (note.id,))


def _together(known: Sequence[tuple[Note, Voice]]) -> frozenset[str]:
    """Return the notes beside which another layer sounds: where there is a melody and something under it.

    Nothing stays behind a melody that has not come yet, and a subject alone is brought out by itself.
    """
    melody = _stretches(note for note, voice in known if voice.role == "melody")
    rest = _stretches(note for note, voice in known if voice.role != "melody")
    return frozenset(
        note.id
        for note, voice in known
        if _meets(rest if voice.role == "melody" else melody, note.onset, note.end)
    )


def _stretches(notes: Iterable[Note]) -> list[tuple[Fraction, Fraction]]:
    """Join notes that follow on or overlap into stretches of time."""
    found: list[tuple[Fraction, Fraction]] = []
    for start, end in sorted((note.onset, note.end) for note in notes):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((start, end))
    return found


def _meets(stretches: Sequence[tuple[Fraction, Fraction]], start: Fraction, end: Fraction) -> bool:
    """Whether something of rising stretches lies between two moments."""
    at = bisect_left(stretches, start, key=lambda stretch: stretch[1])
    near = stretches[at : at + 2]
    return any(a < end and start < b for a, b in near)


def _rub(voice: Voice) -> VoicingDetails | None:
    return None if voice.why is None else VOICING.of(voice.why)


def _passes(score: Score, note: Note) -> bool:
    """Whether a note is over before it can be weighed: shorter than half a beat."""
    return note.duration < score.measures[note.measure].beat_length / 2


def _tension(score: Score, spans: tuple[Tension, ...], book: Phrasebook) -> Iterator[_Item]:
    """Tell where tension is highest within `NEAR` bars to either side, and where it lets go after a peak.

    Advice and reason are of one mind: to nothing that is at rest is led, and what climbs lets nothing go.
    """
    bars = [score.measure_at(t.start).index for t in spans]
    peak: Tension | None = None
    for i, t in enumerate(spans):
        if t.release and peak is not None:
            if t.why.label == "release":
                yield _Item(t.start, "tension", book.phrases["play_release"], t.why, t.why.notes)
            peak = None
        if t.value < HIGH or (peak is not None and peak.value >= t.value):
            continue
        around = spans[bisect_left(bars, bars[i] - NEAR) : bisect_right(bars, bars[i] + NEAR)]
        if t.value == max(near.value for near in around) and t.why.label not in CALM:
            peak = t
            what = book.phrases["play_tension"]
            yield _Item(t.start, "tension", what, t.why, t.why.notes)


def _strength(value: float, book: Phrasebook) -> str:
    """Return how tense in a word; nobody plays a percentage."""
    return book.phrases[f"strength_{min(3, int(4 * max(0.0, value)))}"]


def _pace(factor: float) -> str:
    """Return the phrase for a tempo beside the basic one."""
    if factor < 1:
        named = ((0.93, "play_slightly_slower"), (0.8, "play_slower"), (0.0, "play_much_slower"))
        return next(name for least, name in named if factor >= least)
    return "play_faster" if factor > 1 else "play_in_tempo"
