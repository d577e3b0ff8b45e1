"""What analysts wrote, counted: the numbers behind the engine's theory scores.

In: the training split of the analysed scores (`benchmarks.corpora`), only the sets whose statistics
may ship, and only analyses that fit their score. Out: one JSON file of counts, printed or written:

    python -m training.statistics --out stats.json

Metric classes: ``bar`` (beat 1), ``half`` (the middle beat of a bar of four or of two dotted beats),
``beat`` (any other beat), ``off`` (halfway or a third into a beat), ``sub`` (anything finer).
Motion classes of a note within its voice: how it is reached and left, each ``same``, ``step``,
``leap`` or ``rest`` (nothing adjoins it), as in ``step-step``. Counts are by note; ``quarters`` are
time in quarter notes.
"""

from __future__ import annotations

import argparse
import json
import sys
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

from benchmarks import corpora
from rich.progress import track

from understave.errors import UnderstaveError
from understave.harmony.reading import Span
from understave.score.model import Note, Score

Table = dict[str, Counter[str]]


def metric_class(score: Score, moment: Fraction) -> str:
    """Return the metric class of a moment; see the module's definitions."""
    measure = score.measure_at(moment)
    beat = score.beat_at(moment) - 1
    beats = measure.full_length / measure.beat_length
    if beat == 0:
        return "bar"
    if beat.denominator == 1:
        return "half" if beats in (2, 4) and beat == beats / 2 else "beat"
    return "off" if beat.denominator in (2, 3) else "sub"


def joined(spans: tuple[Span, ...]) -> Iterator[Span]:
    """Yield spans with equal neighbours made one."""
    held: Span | None = None
    for span in spans:
        if held and held.end == span.start and (held.key, held.numeral) == (span.key, span.numeral):
            held = Span(held.start, span.end, held.key, held.numeral, 1.0)
            continue
        if held:
            yield held
        held = span
    if held:
        yield held


def head(span: Span) -> str:
    """Return the numeral without its inversion: degree, quality and applied part."""
    n = span.numeral
    applied = "".join(f"/{t}" for t in n.applied)
    if n.special:
        return n.special + applied
    name = "b" * -n.alter if n.alter < 0 else "#" * n.alter
    return f"{name}{n.degree}:{n.chord(span.key).quality.value}{applied}"


def motions(score: Score) -> dict[str, str]:
    """Return the motion class of each sounding note by id."""
    voices: dict[tuple[int, int, str], list[Note]] = defaultdict(list)
    for note in score.notes:
        if note.duration > 0:
            voices[(note.part, note.staff, note.voice)].append(note)
    found: dict[str, str] = {}
    for notes in voices.values():
        by_onset: dict[Fraction, list[Note]] = defaultdict(list)
        for note in notes:
            by_onset[note.onset].append(note)
        onsets = sorted(by_onset)
        for k, onset in enumerate(onsets):
            for note in by_onset[onset]:
                before = by_onset[onsets[k - 1]] if k else []
                before = [n for n in before if n.end >= note.onset]
                after = by_onset[onsets[k + 1]] if k + 1 < len(onsets) else []
                after = [n for n in after if n.onset <= note.end]
                found[note.id] = f"{_motion(note, before)}-{_motion(note, after)}"
    return found


def _motion(note: Note, others: list[Note]) -> str:
    if not others:
        return "rest"
    nearest = min(abs(n.midi - note.midi) for n in others)
    return "same" if nearest == 0 else "step" if nearest <= 2 else "leap"


def count(sets: list[str], limit: int) -> dict[str, object]:  # noqa: C901
    """Count everything over the training split."""
    numerals: Table = defaultdict(Counter)
    numeral_quarters: Table = defaultdict(Counter)
    heads: Table = defaultdict(Counter)
    bigrams: Table = defaultdict(Counter)
    head_bigrams: Table = defaultdict(Counter)
    key_changes: Counter[str] = Counter()
    key_lengths: Counter[str] = Counter()
    changes = Counter[str]()
    durations: Table = defaultdict(Counter)
    chord_starts: Table = defaultdict(Counter)
    inversions: Table = defaultdict(Counter)
    firsts: Table = defaultdict(Counter)
    lasts: Table = defaultdict(Counter)
    phrase_ends: Table = defaultdict(Counter)
    first_keys: Counter[str] = Counter()
    tone_metric: Table = defaultdict(Counter)
    tone_motion: Table = defaultdict(Counter)
    tone_both: Table = defaultdict(Counter)
    tone_share: dict[str, Counter[str]] = defaultdict(Counter)
    bass: Table = defaultdict(Counter)
    profile: Table = defaultdict(Counter)
    above_root: Table = defaultdict(Counter)
    present: Table = defaultdict(Counter)
    pieces = Counter[str]()
    for piece in track(list(corpora.pieces("train", sets)), description="counting"):
        if piece.set not in corpora.SHIPPABLE or (limit and pieces[piece.set] >= limit):
            continue
        try:
            found = corpora.align(piece)
        except UnderstaveError as error:
            print(f"{piece.set}/{piece.name}: {error}", file=sys.stderr)
            continue
        if found.coverage < corpora.DROP:
            continue
        pieces[piece.set] += 1
        score, spans = found.score, list(joined(found.analyses[0].spans))
        if not spans:
            continue
        starts = [s.start for s in spans]
        ends = set(found.analyses[0].phrase_ends)
        firsts[spans[0].key.mode][str(spans[0].numeral)] += 1
        lasts[spans[-1].key.mode][str(spans[-1].numeral)] += 1
        first_keys[f"{spans[0].key.tonic.fifths - (score.measures[0].signature)} {spans[0].key.mode}"] += 1
        region = 0
        for k, span in enumerate(spans):
            mode = span.key.mode
            numeral = str(span.numeral)
            beat = score.measure_at(span.start).beat_length
            numerals[mode][numeral] += 1
            numeral_quarters[mode][numeral] += span.end - span.start  # type: ignore[assignment]
            heads[mode][head(span)] += 1
            chord = span.numeral.chord(span.key)
            inversions[f"{mode} {head(span)}"][str(chord.inversion)] += 1
            place = metric_class(score, span.start)
            durations[place][str(round(float((span.end - span.start) / beat), 3))] += 1
            chord_starts["chords"][place] += 1
            if span.end in ends:
                phrase_ends[mode][numeral] += 1
            if k:
                before = spans[k - 1]
                changes["chords"] += 1
                if before.key == span.key:
                    bigrams[mode][f"{before.numeral} {numeral}"] += 1
                    head_bigrams[mode][f"{head(before)} {head(span)}"] += 1
                else:
                    changes["keys"] += 1
                    distance = span.key.tonic.fifths - before.key.tonic.fifths
                    key_changes[f"{before.key.mode} {distance:+d} {mode}"] += 1
                    key_lengths[str(k - region)] += 1
                    region = k
        moving = motions(score)
        for onset in {
            n.onset for n in score.notes if n.duration > 0 and spans[0].start <= n.onset < spans[-1].end
        }:
            chord_starts["onsets"][metric_class(score, onset)] += 1
        sounding_pcs: dict[int, set[int]] = defaultdict(set)
        lowest: dict[int, Note] = {}
        for note in score.notes:
            if note.duration == 0:
                continue
            k = bisect_right(starts, note.onset) - 1
            if k < 0 or note.onset >= spans[k].end:
                continue
            span = spans[k]
            chord = span.numeral.chord(span.key)
            inside = "chord" if note.midi % 12 in chord.semitones else "foreign"
            place = metric_class(score, note.onset)
            motion = moving[note.id]
            tone_metric[place][inside] += 1
            tone_motion[motion][inside] += 1
            tone_both[f"{place} {motion}"][inside] += 1
            held = float(min(note.end, span.end) - note.onset)
            tone_share[place][inside] += held  # type: ignore[assignment]
            profile[span.key.mode][str(note.pitch.fifths - span.key.tonic.fifths)] += held  # type: ignore[assignment]
            above_root[chord.quality.value][str(note.pitch.fifths - chord.root.fifths)] += held  # type: ignore[assignment]
            sounding_pcs[k].add(note.midi % 12)
            if k not in lowest or note.midi < lowest[k].midi:
                lowest[k] = note
        for k, pcs in sounding_pcs.items():
            chord = spans[k].numeral.chord(spans[k].key)
            quality = chord.quality.value
            for member, pitch in enumerate(chord.members):
                present[quality][f"{member}:{'there' if pitch.semitone in pcs else 'absent'}"] += 1
            role = [p.semitone for p in chord.members]
            low = lowest[k].midi % 12
            bass[quality][
                "bass as figured" if low == chord.bass.semitone else "member" if low in role else "foreign"
            ] += 1
    return {
        "pieces": pieces,
        "numerals": numerals,
        "numeral quarters": {
            m: {k: round(float(v), 3) for k, v in c.items()} for m, c in numeral_quarters.items()
        },
        "heads": heads,
        "bigrams": bigrams,
        "head bigrams": head_bigrams,
        "first numerals": firsts,
        "last numerals": lasts,
        "phrase-end numerals": phrase_ends,
        "first key: fifths of tonic from signature, mode": first_keys,
        "key changes: mode, fifths, mode": key_changes,
        "key regions: length in chords": key_lengths,
        "changes": changes,
        "durations in beats by metric class of the start": durations,
        "chord starts and onsets by metric class": chord_starts,
        "inversions": inversions,
        "notes by metric class": tone_metric,
        "quarters by metric class": {
            m: {k: round(float(v), 2) for k, v in c.items()} for m, c in tone_share.items()
        },
        "notes by motion": tone_motion,
        "notes by metric class and motion": tone_both,
        "lowest note of each chord": bass,
        "members present in each chord": present,
        "quarters by fifths above the tonic": _rounded(profile),
        "quarters by fifths above the root": _rounded(above_root),
    }


def _rounded(table: Table) -> dict[str, dict[str, float]]:
    return {
        m: {k: round(float(v), 2) for k, v in sorted(c.items(), key=lambda kv: int(kv[0]))}
        for m, c in table.items()
    }


def ordered(value: object) -> object:
    """Sort every counter by count so that the file reads from the commonest down."""
    if isinstance(value, Counter):
        return dict(value.most_common())
    if isinstance(value, dict):
        return {k: ordered(v) for k, v in value.items()}
    return value


def main() -> int:
    """Count and write."""
    parser = argparse.ArgumentParser(
        prog="python -m training.statistics", description="Count what analysts wrote."
    )
    parser.add_argument("--sets", nargs="*", default=list(corpora.SHIPPABLE))
    parser.add_argument("--limit", type=int, default=0, help="pieces per set at most")
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    try:
        text = json.dumps(ordered(count(options.sets, options.limit)), indent=1)
    except corpora.NoDataError as error:
        print(error)
        return 2
    if options.out:
        options.out.write_text(text, encoding="utf-8")
    else:
        print(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
