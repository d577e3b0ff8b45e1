"""A take in words: what went well first, then slips and hesitations with their bars. No grades."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction

from understave.harmony.reading import Reading
from understave.interpretation.plan import Plan
from understave.score.model import Score, beat_text
from understave.takes.slips import besides, slips_by_bar
from understave.takes.take import Run, Take
from understave.takes.views import hesitations, longest_run, melody_over_rest, pedal_blur, summary
from understave.theory.names import pitch_class_name
from understave.theory.pitch import LETTERS, Pitch, PitchClass
from understave.theory.vocabulary import Language
from understave.wording.pedals import decimal
from understave.wording.phrasebook import Phrasebook, phrasebook

MOST = 12
"""Slips that are told one by one; of more, how many there are."""
FOREIGN = 0.1
"""Share of keys struck that are not those of the score, from which on it is asked whose they are (set by
reasoning)."""
LACKING = 0.2
"""Share of written notes that did not sound, from which on it is asked whether this is the edition."""
CLEARLY = 0.75
"""Share of what is heard that is written, below which it is asked whose the rest is: of the three pianos and
Fluid R3, clean and as a "phone" has them, 0.83 at least is (two pianists); of two pieces at once 0.64."""
ALIKE = 0.15
"""Share by which two blurs may differ and still be told as alike (set by reasoning)."""


@dataclass(frozen=True, slots=True)
class Beside:
    """What a take is told beside: the plan, and the reading of its chords."""

    plan: Plan
    reading: Reading


def tell_take(
    score: Score, take: Take, language: Language = "en", beside: Beside | None = None
) -> tuple[str, ...]:
    """Return sentences about a take: what was played and went well, what slipped, where time stood still;
    with `beside` also how far the melody stands out, and the pedal against the planned one.
    """
    book = phrasebook(language)
    said = book.phrases
    if take.recording.kind == "sound":
        lines = [said["take_followed"].format(share=round(100 * take.sure))]
        if take.sure < CLEARLY:
            lines.append(said["take_foreign_heard"])
        if take.recording.there < 1:
            lines.append(said["take_cut"].format(share=round(100 * take.recording.there)))
    else:
        found = summary(score, take)
        lines = [said["take_right"].format(right=found.right, written=found.written)]
        lines += _what_was_played(score, take, said)
        clean = _clean_bars(score, take)
        if clean:
            lines.append(said["take_clean"].format(bars=book.bars(*clean)))
    for run in take.runs:
        lines.append(_run(score, run, book))
    slips = [*_wrong(score, take, book), *_missed(score, take, book), *_besides(score, take, book)]
    lines += [text for _, text in sorted(slips)[:MOST]]
    if len(slips) > MOST:
        lines.append(said["take_more"].format(count=len(slips) - MOST))
    for run in take.runs:
        for hesitation in hesitations(score, run):
            bar, beat = _place(score, hesitation.moment)
            times = decimal(hesitation.times, language, 1)
            lines.append(said["take_hesitation"].format(bar=bar, beat=beat, times=times))
    if beside is not None and take.recording.kind == "midi":
        lines += _touch_and_pedal(score, take, beside, language)
    return (*lines, book.phrases["caution_practice"])


def _touch_and_pedal(score: Score, take: Take, beside: Beside, language: Language) -> Iterator[str]:
    said = phrasebook(language).phrases
    over = round(melody_over_rest(score, take) or 0.0)
    if over:
        yield said["take_melody" if over > 0 else "take_melody_under"].format(amount=abs(over))
    blur = pedal_blur(score, beside.plan, beside.reading, take, longest_run(take))
    if blur is None:
        yield said["take_no_pedal"]
        return
    more = blur.own - blur.planned
    key = "alike" if abs(more) <= ALIKE * blur.planned else "more" if more > 0 else "less"
    values = {"own": decimal(blur.own, language), "planned": decimal(blur.planned, language)}
    yield said[f"take_blur_{key}"].format(**values)


def _what_was_played(score: Score, take: Take, said: Mapping[str, str]) -> Iterator[str]:
    """Yield that one staff alone was played, and that much of it is not in this score."""
    staves = {score.note_by_id[match.note].staff for match in take.matches}
    bars = {bar for run in take.runs for bar in range(run.first, run.last + 1)}
    written = {note.staff for note in score.notes if note.measure in bars}
    if len(staves) == 1 < len(written):
        yield said["take_staff"].format(staff=next(iter(staves)))
    struck, foreign = len(take.recording.performance.strikes), len(take.extra) + len(take.wrong)
    if foreign > FOREIGN * struck:
        yield said["take_foreign"].format(count=foreign, struck=struck)
    lacking = len(take.missed)
    if lacking > LACKING * (lacking + len(take.matches)):
        yield said["take_lacking"].format(
            count=lacking, written=lacking + len(take.matches) + len(take.wrong)
        )


def _run(score: Score, run: Run, book: Phrasebook) -> str:
    bars = book.bars(*(score.bar_name(score.measures[k]) for k in (run.first, run.last)))
    length = f"{run.seconds[-1] - run.seconds[0]:.0f}"
    if not run.could_be:
        return book.phrases["take_run"].format(bars=bars, seconds=length)
    other = [book.bars(*2 * (score.bar_name(score.measures[k]),)) for k in run.could_be]
    return book.phrases["take_unsure"].format(bars=bars, other=book.join(other, "or"))


def _clean_bars(score: Score, take: Take) -> tuple[str, str] | None:
    """Return the names of the first and last bar of the longest stretch without a slip."""
    spoilt = slips_by_bar(score, take)
    best: tuple[int, int, int] = (0, 0, 0)
    for run in take.runs:
        start = run.first
        for bar in range(run.first, run.last + 2):
            if bar > run.last or bar in spoilt:
                best = max(best, (bar - start, -start, bar - 1))
                start = bar + 1
    if not best[0]:
        return None
    return score.bar_name(score.measures[-best[1]]), score.bar_name(score.measures[best[2]])


def _wrong(score: Score, take: Take, book: Phrasebook) -> list[tuple[float, str]]:
    found = []
    for w in take.wrong:
        note = score.note_by_id[w.note]
        played = spelled_beside(take.recording.performance.strikes[w.strike].midi, note.pitch)
        names = [pitch_class_name(pitch.pitch_class, book.language) for pitch in (played, note.pitch)]
        if played.pitch_class == note.pitch.pitch_class:
            key = "take_octave"
        else:
            key = "take_wrong"
            names = _with_natural(names, (played, note.pitch), book)
        bar, beat = _place(score, note.at)
        found.append(
            (note.at, book.phrases[key].format(bar=bar, beat=beat, played=names[0], written=names[1]))
        )
    return found


def _with_natural(names: list[str], pitches: tuple[Pitch, Pitch], book: Phrasebook) -> list[str]:
    """Say "natural" where two notes of one letter would else differ by less than a word."""
    if pitches[0].letter != pitches[1].letter:
        return names
    natural = book.phrases["take_natural"]
    return [natural.format(note=n) if not pitch.alter else n for n, pitch in zip(names, pitches, strict=True)]


def _missed(score: Score, take: Take, book: Phrasebook) -> list[tuple[float, str]]:
    found = []
    for _, note_id in take.missed:
        note = score.note_by_id[note_id]
        bar, beat = _place(score, note.at)
        name = pitch_class_name(note.pitch.pitch_class, book.language)
        found.append((note.at, book.phrases["take_missed"].format(bar=bar, beat=beat, written=name)))
    return found


def _besides(score: Score, take: Take, book: Phrasebook) -> list[tuple[float, str]]:
    found = []
    for one in besides(take):
        note = score.note_by_id[one.note]
        played = spelled_beside(take.recording.performance.strikes[one.strike].midi, note.pitch)
        bar, beat = _place(score, note.at)
        name = pitch_class_name(played.pitch_class, book.language)
        found.append((note.at, book.phrases["take_besides"].format(bar=bar, beat=beat, played=name)))
    return found


def spelled_beside(midi: int, written: Pitch) -> Pitch:
    """Return a struck key spelled as players name it beside the written note: on its letter or a neighbour's.

    >>> from understave.theory.pitch import Pitch
    >>> spelled_beside(71, Pitch("B", -1, 4)).name
    'B4'
    """
    step = LETTERS.index(written.letter)
    # What has the fewest accidentals on the written letter or, failing that, on the letters about it.
    ways = []
    for distance in (0, 1, -1, 2, -2, 3, -3):
        octave, index = divmod(step + distance, 7)
        for octaves in (-1, 0, 1):
            pitch = Pitch(LETTERS[index], 0, written.octave + octave + octaves)
            alter = midi - pitch.midi
            if abs(alter) <= 1:
                price = 2.0 * abs(alter) + abs(distance) + (0.5 if alter * written.alter < 0 else 0.0)
                same = distance == 0 and octaves == 0
                ways.append(
                    (price - (0.8 if same else 0.0), abs(distance), Pitch(pitch.letter, alter, pitch.octave))
                )
    return (
        min(ways, key=lambda w: (w[0], w[1]))[2] if ways else Pitch(PitchClass("C").letter, 0, midi // 12 - 1)
    )


def _place(score: Score, moment: float) -> tuple[str, str]:
    exact = Fraction(moment).limit_denominator(960)
    return score.bar_name(score.measure_at(exact)), beat_text(score.beat_at(exact))
