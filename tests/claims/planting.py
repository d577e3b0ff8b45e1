"""False claims made of true ones by changing one fact: another note, moment, key, number or word."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from understave.claims import against_themes as v
from understave.claims import chords_and_keys as h
from understave.claims import growing as g
from understave.claims import on_the_page as pr
from understave.claims import repose as rp
from understave.claims import single_notes as n
from understave.claims import stretches as p
from understave.claims import whole_forms as w
from understave.claims.claim import Claim
from understave.claims.facts import Facts
from understave.score.model import Note
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral

Way = Callable[[Claim, random.Random, Facts], Claim | None]


def bent(pitch: Pitch, rng: random.Random) -> Pitch:
    """The same letter in another shade."""
    return Pitch(pitch.letter, pitch.alter + rng.choice((-1, 1)), pitch.octave)


def moved(pitch: Pitch, rng: random.Random) -> Pitch:
    """A pitch a step away."""
    return pitch + Interval(1, 2) if rng.random() < 0.5 else pitch - Interval(1, 2)


def tone_bent(tone: PitchClass, rng: random.Random) -> PitchClass:
    return PitchClass(tone.letter, tone.alter + rng.choice((-1, 1)))


def other_key(key: Key, rng: random.Random) -> Key:
    return Key(PitchClass.from_fifths(key.tonic.fifths + rng.choice((-5, -2, 2, 5))), key.mode)


def other_chord(numeral: RomanNumeral, rng: random.Random) -> RomanNumeral:
    """A plain triad on another degree than the chord's own."""
    chords = ("ii", "IV", "V", "vi", "bVI", "bII", "iii")
    return RomanNumeral.parse(
        rng.choice([c for c in chords if RomanNumeral.parse(c).degree != numeral.degree])
    )


def other_note(one: str, rng: random.Random, facts: Facts) -> Note:
    """Another note within a bar, of another name."""
    note = facts.score.note_by_id[one]
    bar = facts.bar(note.onset).full_length
    near = facts.struck_in(max(Fraction(0), note.onset - bar), note.onset + bar)
    others = [m for m in near if m.pitch.pitch_class != note.pitch.pitch_class]
    return rng.choice(others or [m for m in facts.struck if m.pitch.pitch_class != note.pitch.pitch_class])


def _bent(name: str) -> Way:
    def way(c: Claim, rng: random.Random, facts: Facts) -> Claim:
        value = getattr(c, name)
        return replace(c, **{name: bent(value, rng) if isinstance(value, Pitch) else tone_bent(value, rng)})

    return way


def _moved(name: str) -> Way:
    return lambda c, rng, facts: replace(c, **{name: moved(getattr(c, name), rng)})


def _note(name: str) -> Way:
    return lambda c, rng, facts: replace(c, **{name: other_note(getattr(c, name), rng, facts).id})


def _key(name: str = "key") -> Way:
    return lambda c, rng, facts: replace(c, **{name: other_key(getattr(c, name), rng)})


def _chord(name: str = "numeral") -> Way:
    return lambda c, rng, facts: replace(c, **{name: other_chord(getattr(c, name), rng)})


def _chord_of_elsewhere(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """A triad that no chord of the stretch has the tones of."""
    made = replace(c, numeral=other_chord(c.numeral, rng))
    read = {s.numeral.chord(s.key).semitones for s in facts.spans_in(c.start, c.end + Fraction(1, 8))}
    return None if made.numeral.chord(made.key).semitones in read else made


def _word(name: str, *words: str) -> Way:
    def way(c: Claim, rng: random.Random, facts: Facts) -> Claim:
        return replace(c, **{name: rng.choice([w for w in words if w != getattr(c, name)])})

    return way


def _flip(name: str) -> Way:
    return lambda c, rng, facts: replace(c, **{name: not getattr(c, name)})


def _count(name: str, most: int = 2) -> Way:
    def way(c: Claim, rng: random.Random, facts: Facts) -> Claim:
        value = getattr(c, name)
        steps = [s for s in range(-most, most + 1) if s and value + s > 0]
        return replace(c, **{name: value + rng.choice(steps)})

    return way


def _longer(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    return replace(c, bars=c.bars * rng.choice((1.5, 2, 3)) + 1)  # type: ignore[attr-defined]


def _start(*bars: int) -> Way:
    def way(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
        by = rng.choice(bars) * facts.bar(c.start).full_length
        if c.start + by < 0 or c.start + by >= facts.score.end:
            return None
        return replace(c, start=c.start + by, end=max(c.end, c.start) + by)

    return way


def _to_middle(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    """To a moment within the chord, after it has begun."""
    span = facts.span(c.start)
    assert span is not None
    return replace(c, start=span.start + (span.end - span.start) * Fraction(rng.randint(1, 5), 6))


def _within_chord(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    span = rng.choice(facts.spans)
    return replace(c, start=span.start, end=span.end - (span.end - span.start) * Fraction(1, 8))


def _one_of(name: str, change: Callable[[object, random.Random], object]) -> Way:
    def way(c: Claim, rng: random.Random, facts: Facts) -> Claim:
        items = list(getattr(c, name))
        k = rng.randrange(len(items))
        items[k] = change(items[k], rng)
        return replace(c, **{name: tuple(items)})

    return way


def _lighter(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    assert isinstance(c, n.Accented)
    bar = facts.bar(c.start)
    light = bar.start + bar.beat_length * Fraction(rng.choice((3, 5, 7, 9, 11)), 16)
    return replace(c, start=light, than=bar.start)


def _other_label(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    assert isinstance(c, h.Cadence)
    rivals = {
        "perfect authentic": ("half", "deceptive", "plagal", "phrygian half"),
        "imperfect authentic": ("half", "perfect authentic", "plagal"),
        "half": ("perfect authentic", "imperfect authentic", "plagal"),
        "phrygian half": ("perfect authentic", "plagal", "deceptive"),
        "deceptive": ("perfect authentic", "imperfect authentic", "half"),
        "evaded": ("perfect authentic", "half", "plagal"),
        "plagal": ("perfect authentic", "half", "imperfect authentic"),
    }
    return replace(c, label=rng.choice(rivals[c.label]))


def _thin(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    """To one of the bars in which least is struck."""
    bars = sorted(facts.score.measures, key=lambda m: len(facts.struck_in(m.start, m.end)))
    bar = rng.choice(bars[: max(1, len(bars) // 6)])
    return replace(c, start=bar.start, end=bar.end)


def _emptier(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """To a moment of the stretch, or of the piece, at which less sounds."""
    assert isinstance(c, p.Fullest)
    there = len(facts.sounding(c.at))
    less = [m for m in facts.moments(c.start, c.end) if len(facts.sounding(m)) < there]
    return replace(c, at=rng.choice(less)) if less else None


def _against_print(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """To where print is against it: growing to where a crescendo begins, falling into a mark that is loud."""
    assert isinstance(c, g.LoudnessOpen)
    loud = [d.onset for d in facts.score.directions if d.text.strip() in ("f", "ff", "fff")]
    ends = [d.onset for d in facts.crescendos] if c.way == "grows" else loud
    later = [end for end in ends if end >= 2]
    if not later:
        return None
    end = rng.choice(later)
    return replace(c, start=end - 2, end=end)


def _low_note(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    here = sorted(facts.struck, key=lambda m: m.midi)
    note = rng.choice(here[: len(here) // 4])
    return replace(c, pitch=note.pitch, start=note.onset, end=note.end)


def _sounding(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    note = rng.choice([m for m in facts.struck if not facts.singers or m.part in facts.singers])
    return replace(c, start=note.onset, end=note.end)


def _long_note(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    long = [m for m in facts.struck if m.duration > 1]
    if not long:
        return None
    note = rng.choice(long)
    if any(
        m.articulations or m.duration <= 1 for m in facts.struck_in(note.onset, note.onset + Fraction(1, 64))
    ):
        return None
    return replace(c, start=note.onset, end=note.onset)


def _among_others(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    """To a moment before which several notes sound."""
    chords = [m for m in facts.struck if len({o.midi % 12 for o in facts.sounding(m.onset)}) > 1]
    note = rng.choice(chords)
    after = min((m.onset for m in facts.struck if m.onset > note.onset), default=note.end)
    return replace(c, start=after, end=after)


def _beside(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """To a moment at which nothing is printed."""
    start = c.start + rng.choice((-1, 1)) * Fraction(rng.choice((3, 5)), 8)
    if any(abs(d.onset - start) <= Fraction(1, 4) for d in facts.score.directions):
        return None
    return replace(c, start=start)


def _other_place(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    assert isinstance(c, p.MelodyIn)
    other = {
        "on top": "in the bass",
        "in the bass": "on top",
        "in the left hand": "on top",
        "inside": "on top",
    }
    return replace(c, place=other[c.place]) if c.place else None


def _turned(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    """The line is said to go the other way."""
    assert isinstance(c, n.Moves)
    note, to = facts.score.note_by_id[c.note], facts.score.note_by_id[c.to]
    return replace(c, direction="down" if to.midi > note.midi else "up")


def _on_the_tonic(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    """The melody is said not to end on the tonic, though it does, or on a note that is not there."""
    assert isinstance(c, h.NotFinal)
    tonic = c.key.tonic if rng.random() < 0.5 else PitchClass.from_fifths(c.key.tonic.fifths + 6)
    pitch = Pitch(tonic.letter, tonic.alter, rng.choice((4, 5)))
    return replace(c, why="melody not on the tonic", melody=pitch)


def _later_strike(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    assert isinstance(c, p.FirstTime)
    return replace(c, at=c.at + Fraction(rng.randint(1, 8), 2))


def _next_printed(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    assert isinstance(c, pr.Printed)
    others = [
        d.text
        for d in facts.score.directions
        if d.kind in ("words", "dynamic", "tempo")
        and d.text
        and c.text.casefold() not in d.text.casefold()
        and abs(d.onset - c.start) > 1
        and (not c.sort or d.kind == c.sort)
    ]
    return replace(c, text=rng.choice(others)) if c.text and others else None


def _silent_now(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    """To a name that does sound there."""
    sounding = facts.heard(c.start, c.end)
    return replace(c, tone=rng.choice(sounding).pitch.pitch_class)


def _contrasting(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    assert isinstance(c, p.Pattern)
    chordal = c.pattern in ("block chords", "repeated chords")
    others = (
        ("running line", "broken octaves", "unison") if chordal else ("octaves", "repeated notes", "unison")
    )
    return replace(c, pattern=rng.choice([o for o in others if o != c.pattern]))


def _bars_late(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """The figure is said to begin in a bar before which it is there already."""
    assert isinstance(c, p.PatternBegins)
    bar = facts.bar(c.start).full_length
    late = [c.start + k * bar for k in range(1, 9)]
    going = [t for t in late if p.Pattern(t - bar, t, c.hand, c.pattern).holds(facts)]
    return replace(c, start=rng.choice(going), end=c.end) if going else None


def _half_bar(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    """The passage that is said to come back begins somewhere else."""
    assert isinstance(c, p.ComesBack)
    return replace(
        c, from_start=c.from_start + rng.choice((1, 2, 3)) * facts.bar(c.start).beat_length, how="literal"
    )


def _steps(c: Claim, rng: random.Random, facts: Facts) -> Claim:
    assert isinstance(c, p.InSequence)
    return replace(
        c, interval=Interval(c.interval.steps + rng.choice((-2, -1, 1, 2, 3)), c.interval.semitones)
    )


def _clean(tone: object, rng: random.Random) -> object:
    assert isinstance(tone, PitchClass)
    return PitchClass.from_fifths(tone.fifths + rng.choice((-6, 5, 6, -5)))


def _absent(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """To another shade, unless that sounds there too under another name."""
    wrong = _bent("tone")(c, rng, facts)
    assert wrong is not None
    tone = wrong.tone  # type: ignore[attr-defined]
    sounding = {m.midi % 12 for m in facts.heard(c.start, c.end)}
    return None if isinstance(tone, PitchClass) and tone.semitone in sounding else wrong


def _in_company(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """To two notes of a fuller chord."""
    full = [here for m in facts.struck if len(here := facts.sounding(m.onset)) > 2]
    one, two = rng.sample(list(rng.choice(full)), 2) if full else (None, None)
    return replace(c, lower=one.id, upper=two.id) if one is not None and two is not None else None


def _part_moved(part: object, rng: random.Random) -> object:
    """A section that begins inside a bar."""
    assert isinstance(part, tuple)
    return part[0], part[1] + Fraction(rng.choice((1, 3, 5)), 8)


def _voices(pair: object, rng: random.Random) -> tuple[PitchClass, PitchClass]:
    assert isinstance(pair, tuple)
    return tone_bent(pair[0], rng), pair[1]


def _mode(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """To a tonic a tritone away, of either mode."""
    tonic = PitchClass.from_fifths(c.key.tonic.fifths + 6)  # type: ignore[attr-defined]
    return replace(c, key=Key(tonic, rng.choice(("major", "minor"))))


def _taken_up(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """To the end of a bar of whose highest voice the next has the rhythm and the steps again."""
    found = []
    for bar, after in pairwise(facts.score.measures):
        top = max(facts.struck_in(bar.start, bar.end), key=lambda note: note.midi, default=None)
        figures = []
        for measure in (bar, after) if top is not None else ():
            line = facts.in_voice(top, measure.start, measure.end)
            figures.append(
                [(n.onset - measure.start, n.pitch.diatonic - line[0].pitch.diatonic) for n in line]
            )
        if figures and len(figures[0]) > 2 and figures[0] == figures[1]:
            found.append(bar)
    bar = rng.choice(found) if found else None
    return replace(c, start=bar.start, end=bar.end) if bar is not None else None


def _in_mid_line(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """To a moment at which the top goes on from note to note, neither of them long."""
    tops = [n for n in facts.struck if facts.top(n.onset) is n]
    flowing = [
        (one, two)
        for one, two in pairwise(tops)
        if (one.part, one.voice) == (two.part, two.voice)
        and one.end == two.onset
        and one.duration <= min(facts.usual_length, facts.bar(one.onset).beat_length)
        and not one.fermata
    ]
    one, two = rng.choice(flowing) if flowing else (None, None)
    return replace(c, start=one.onset, end=two.onset) if one is not None and two is not None else None


def _on_a_dominant(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    dominants = [s.start for s in facts.spans if str(s.numeral).startswith("V") and s.start > 0]
    at = rng.choice(dominants) if dominants else None
    return replace(c, start=at, end=at) if at is not None else None


def _half_way(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    middle = facts.score.measures[len(facts.score.measures) // 2].start
    earlier = rng.choice([m.start for m in facts.score.measures if m.start <= middle])
    return replace(c, start=Fraction(0), end=earlier) if facts.score.measures[2:] else None


def _calmer(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """Another beat of the stretch, on which less clashes; where it grows or falls, the wrong way round."""
    assert isinstance(c, p.Tensest)
    if c.how == "grows":
        return replace(c, start=c.at, at=c.start)
    if c.how == "falls":
        return replace(c, start=c.end, end=c.start)
    beats = p.Tensest._beats(facts, c.start, c.end)
    most = max(p.Tensest._clash(facts, m) for m in (c.at, *beats))
    calmer = [m for m in beats if p.Tensest._clash(facts, m) < most and abs(m - c.at) >= 1]
    return replace(c, at=rng.choice(calmer)) if calmer else None


def _after_a_release(c: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """A moment right after the printed pedal is let go and nothing presses it for a bar."""
    marks = sorted((d.onset, d.text) for d in facts.score.directions if d.kind == "pedal")
    alone = [
        onset
        for (onset, text), after in zip(marks, [*marks[1:], None], strict=False)
        if text == "stop" and (after is None or after[0] - onset > facts.bar(onset).full_length)
    ]
    if not alone or facts.score.pedal_words:
        return None
    moment = rng.choice(alone) + Fraction(rng.randrange(1, 8), 8)
    return replace(c, start=moment, end=moment)


WAYS: dict[type[Claim], tuple[Way, ...]] = {
    n.Sounds: (_absent,),
    n.Silent: (_silent_now,),
    n.Named: (_bent("pitch"), _moved("pitch"), _note("note")),
    n.Apart: (_note("lower"), _note("upper"), _word("interval", *n._DISTANCES)),
    n.Dissonant: (),
    n.Moves: (_note("to"), _turned),
    n.Resolved: (_note("to"), _word("manner", "direct", "late")),
    n.Overshoots: (_note("past"), _note("to")),
    n.Bare: (_in_company,),
    n.Unresolved: (),
    n.Between: (_word("how", "passes", "turns", "escapes"), _note("after")),
    n.Prepared: (_word("how", "held", "struck again", "silence"),),
    n.Pull: (_word("direction", "up", "down"), lambda c, r, f: replace(c, aim=_clean(c.aim, r))),
    n.BassIs: (_bent("tone"),),
    n.BassLine: (_one_of("basses", lambda b, r: bent(b, r)), _word("way", "up", "down")),
    n.Lies: (_word("place", "bass", "inner", "top"),),
    n.Figures: (_word("figures", "4-3", "7-6", "9-8", "6-5", "2-3"),),
    n.Accented: (_lighter,),
    n.Leap: (_word("direction", "up", "down"), _bent("second"), _moved("first")),
    n.Contradicted: (_note("second"), _note("first")),
    n.Rub: (_bent("pitch"), _bent("against")),
    n.GoesOn: (lambda c, r, f: replace(c, aim=_clean(c.aim, r)), _bent("pitch")),
    h.ChordIs: (_chord(), _key()),
    h.ColourIs: (_chord(), _key()),
    h.ChordAbout: (_chord_of_elsewhere,),
    h.NextChord: (_chord(),),
    h.Member: (_flip("belongs"),),
    h.Follows: (_flip("has"),),
    h.KeyIs: (_key(),),
    h.KeyAbout: (_key(),),
    h.KeyBefore: (_key(),),
    h.OneKey: (_key(),),
    h.OfTheKey: (lambda c, r, f: replace(c, numeral=RomanNumeral.parse(r.choice(("V7/V", "bII", "Ger65")))),),
    h.Labelled: (_chord(), _key()),
    h.CarriesBass: (_bent("pitch"), _moved("pitch")),
    w.Scheme: (_one_of("parts", _part_moved),),
    w.FormIs: (
        _word("name", "rondo", "theme and variations", "minuet and trio", "scherzo and trio", "ground"),
    ),
    v.StaysInBars: (
        lambda c, r, f: replace(c, what="tune", number=None),
        lambda c, r, f: replace(c, number=(c.number or len(c.pairs)) - r.choice((2, 3, 4))),
    ),
    v.Varies: (_word("how", "minor", "major", "metre", "faster", "higher"),),
    w.OuterVoices: (
        _word("motion", "together", "apart", "oblique"),
        lambda c, r, f: replace(c, bass=_voices(c.bass, r)),
        lambda c, r, f: replace(c, top=_voices(c.top, r)),
    ),
    p.SoundsOn: (_bent("tone"),),
    h.Degree: (_count("degree"), _key()),
    h.Consonant: (
        lambda c, r, f: replace(c, numeral=RomanNumeral.parse(r.choice(("V7", "viio7", "I64", "V43")))),
    ),
    h.Confirmed: (_key(), _start(-1, 1)),
    h.KeyEntered: (_key(),),
    h.TonicHeard: (_mode,),
    h.ForeignTo: (_flip("foreign"),),
    h.Instead: (_bent("plain"), lambda c, r, f: replace(c, tone=c.plain, plain=c.tone)),
    h.Related: (_key(), _word("relation", "dominant", "subdominant", "relative", "tritone", "tone above")),
    h.SameChord: (_chord("new_numeral"), _key("new_key")),
    h.ChordsChange: (_within_chord,),
    h.ChordCount: (lambda c, r, f: replace(c, count=c.count + r.choice((3, 4, 5))),),
    h.ChordRow: (_one_of("numerals", lambda m, r: other_chord(m, r)),),
    h.Roots: (_one_of("roots", _clean),),
    h.Quick: (lambda c, r, f: replace(c, pace=c.pace * r.choice((2, 3)) + 1, against=None),),
    h.MelodyNote: (_bent("pitch"), _moved("pitch")),
    h.Top: (_bent("pitch"), _moved("pitch")),
    h.Cadence: (_key(), _other_label),
    h.PhraseCloses: (_taken_up,),
    h.CadenceFamily: (_word("family", *h.FAMILIES),),
    h.NotFinal: (_on_the_tonic,),
    h.SixFour: (_bent("bass"), _moved("bass")),
    h.Picardy: (_bent("third"), _key(), lambda c, r, f: replace(c, third=c.plain, plain=c.third)),
    p.Lasts: (_longer,),
    p.Stays: (_bent("tone"), _moved("tone")),
    p.Repeated: (_count("count"),),
    p.Peak: (_moved("pitch"), _bent("pitch")),
    p.High: (_low_note,),
    p.Parts: (lambda c, r, f: replace(c, other=c.start),),
    p.Range: (_moved("high"), _bent("high")),
    p.Dense: (_thin,),
    p.Fullest: (_emptier,),
    p.ComesBack: (_half_bar,),
    p.TakenUp: (_start(-1, 1), lambda c, r, f: replace(c, from_start=c.from_start + r.choice((1, 2, 3)))),
    p.Moved: (lambda c, r, f: replace(c, start=c.from_start, end=c.from_end),),
    p.Tensest: (_calmer,),
    p.InSequence: (_steps,),
    p.SameFigure: (_one_of("steps", lambda s, r: s + r.choice((-3, -2, 2, 3))), _bent("first")),
    p.FigureGoes: (_word("way", "up", "down"), _bent("first")),
    p.FigureCount: (_count("count"), _one_of("steps", lambda s, r: s + r.choice((-3, -2, 2, 3)))),
    p.Pattern: (_contrasting,),
    p.PatternBegins: (_bars_late,),
    p.MelodyIn: (_other_place,),
    p.Enters: (_note("note"), lambda c, r, f: replace(c, bars=c.bars + 1)),
    p.RingsAgainst: (_bent("old"), lambda c, r, f: replace(c, new=c.old)),
    p.Short: (_long_note,),
    p.Rests: (_sounding,),
    p.StruckBass: (_bent("pitch"), _moved("pitch")),
    p.ChangesHere: (_to_middle,),
    p.RingsOn: (_bent("pitch"), _moved("pitch")),
    p.OutOfReach: (_bent("pitch"), _moved("pitch")),
    p.FirstTime: (_later_strike,),
    p.AloneBefore: (_among_others,),
    pr.Printed: (_next_printed, _beside),
    pr.Sung: (lambda c, r, f: replace(c, words=r.choice(("la la", "bin wieder", "da"))),),
    pr.Extreme: (_word("which", "softest", "loudest"),),
    pr.Tempo: (lambda c, r, f: replace(c, per_minute=c.per_minute + r.choice((-20, -8, 5, 12))),),
    pr.PhraseEnds: (_word("why", "fermata", "silence", "end of the piece"),),
    pr.Times: (_count("count"),),
    pr.PedalOpen: (_after_a_release,),
    g.LoudnessOpen: (_against_print,),
    g.LineTurns: (_bent("pitch"), _moved("pitch")),
    rp.LineStops: (_in_mid_line,),
    rp.LetsGo: (_on_a_dominant,),
    rp.PieceEnds: (_half_way,),
}
"""How a true claim of each kind is made false; see `plant` for those that need another one's truth."""


def plant(claim: Claim, rng: random.Random, facts: Facts) -> Claim | None:
    """Return a false claim of the same kind, or None where this one gives none."""
    if isinstance(claim, n.Dissonant):
        return _consonant_instead(claim, rng, facts)
    ways = WAYS[type(claim)]
    return rng.choice(ways)(claim, rng, facts) if ways else None


def _consonant_instead(claim: n.Dissonant, rng: random.Random, facts: Facts) -> Claim | None:
    """Another note, one of a plain triad that sounds alone: nothing rubs."""
    plain = [
        note
        for note in facts.struck
        if {(m.midi - facts.sounding(note.onset)[0].midi) % 12 for m in facts.heard(note.onset, note.end)}
        <= {0, 3, 7}
        or {(m.midi - facts.sounding(note.onset)[0].midi) % 12 for m in facts.heard(note.onset, note.end)}
        <= {0, 4, 7}
    ]
    if not plain:
        return None
    note = rng.choice(plain)
    return replace(claim, note=note.id, start=note.onset, end=note.end, against=None)


def unresolved(claim: n.Resolved) -> n.Unresolved:
    """What is said to be left hanging, though it resolves."""
    return n.Unresolved(claim.start, claim.end, claim.note)
