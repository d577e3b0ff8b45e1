"""Score and spans -> applied dominants and leading-tone chords, and whether they resolve.

An applied chord is the dominant or the leading-tone chord of another degree than the tonic (Hutchinson,
Music Theory for the 21st-Century Classroom, chapters 17 and 18; Open Music Theory, part IV, "Tonicization").
Chords of the same target in a row are followed to the first that is none of them.

Event: kind ``"applied chord"``, label ``"applied dominant"`` (on the fifth degree of the target) or
``"applied leading-tone chord"``. `notes` are those that sound the target's leading tone, and the key's
own notes are altered in them; it lasts as long as the chord. Detail, where it applies:

- ``key`` Key, ``chord`` RomanNumeral, ``root`` PitchClass, ``bass`` PitchClass. ``target`` RomanNumeral: the
  degree it is applied to, ``target_key`` Key: that degree as a key.
- ``changes`` tuple of (PitchClass, PitchClass): each chromatic note with the note of the key in its place.
- ``leading_tone`` PitchClass; ``leading_note`` str and ``leading_pitch`` Pitch: where it sounds;
  ``goes_to`` Pitch: where that line goes.
- ``resolution`` str: ``"resolves"``, ``"six-four"`` (to the dominant by its cadential six-four),
  ``"chain"`` (to a chord on the target that is itself a dominant of something else), ``"deceptive"`` (to the
  sixth degree of the target), ``"elsewhere"``, ``"none"`` (nothing follows).
- ``to`` RomanNumeral, ``to_key`` Key, ``resolution_time`` Fraction: the chord that answers.

Sentences, one per label (the second half follows ``resolution``):

- applied dominant: "D7 is not the second degree of C but the dominant of its dominant; F sharp leads up
  to G."
- applied leading-tone chord: "The diminished chord on F sharp points to G, and G answers."

Resolutions: "It resolves as promised, to V." "It goes to the dominant by way of the six-four." "Its answer is
itself a dominant: the chain goes on." "Instead of V its own sixth degree answers." "It is left hanging."
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from understave.findings.kinds import Kind, Stop
from understave.findings.lines import is_step
from understave.findings.progression import Progression, Step, progression_of
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Score
from understave.theory.key import Key
from understave.theory.pitch import Pitch, PitchClass
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliedChordDetails(Details):
    """The chord, what it is applied to, and its answer."""

    key: Key
    chord: RomanNumeral
    root: PitchClass
    bass: PitchClass
    target: RomanNumeral
    target_key: Key
    changes: tuple[tuple[PitchClass, PitchClass], ...]
    leading_tone: PitchClass
    resolution: str
    leading_note: str | None = None
    leading_pitch: Pitch | None = None
    goes_to: Pitch | None = None
    to: RomanNumeral | None = None
    to_key: Key | None = None
    resolution_time: Fraction | None = None


DOMINANT = "applied dominant"
LEADING_TONE = "applied leading-tone chord"


def find_applied(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the applied dominants and leading-tone chords of a reading, in order."""
    piece = progression_of(score, spans)
    return tuple(event for i in range(len(piece.steps)) if (event := applied(piece, i)))


def applied(piece: Progression, i: int) -> Event | None:
    """Return the applied chord at a step, if its leading tone or a chromatic note of it sounds.

    In minor the dominant of the third degree has only notes of the key, so `changes` may be empty.
    """
    step = piece.steps[i]
    if not step.numeral.applied or not step.is_dominant:
        return None
    key, target = step.key, step.local
    changes = changed(piece, step)
    leading = piece.notes(step, target.leading_tone)
    if not changes and (not leading or target.tonic == key.tonic):
        # The dominant of the tonic itself points nowhere else.
        return None
    label = LEADING_TONE if step.chord.root == target.leading_tone else DOMINANT
    resolution, answer = resolve(piece, i)
    detail = AppliedChordDetails(
        key=key,
        chord=step.numeral,
        root=step.chord.root,
        bass=step.entry.bass,
        target=step.numeral.applied[0],
        target_key=target,
        changes=changes,
        leading_tone=target.leading_tone,
        resolution=resolution,
    )
    if leading:
        # The last to sound is the one that the answer is heard after.
        note = max(leading, key=lambda note: (note.end, note.midi))
        detail = replace(detail, leading_note=note.id, leading_pitch=note.pitch)
        going = piece.goes_to(note, step.end, answer.end if answer else step.end)
        if going is None or going.onset > note.end:
            # While its own line rests, another voice may bring what it leads to.
            going = piece.taken_over(note) or going
        # A leap leads to another line, or through a chord.
        detail = replace(detail, goes_to=going.pitch if going and is_step(note, going) else None)
    if answer is not None:
        # It is answered by the chord as it begins; a seventh that comes later answers nothing.
        first = piece.spans[answer.first].numeral
        detail = replace(detail, to=first, to_key=answer.key, resolution_time=answer.start)
    tones = {tone.semitone for tone, _ in changes}
    notes = {note.id for note in piece.sounding(step.start, step.end) if note.midi % 12 in tones}
    ids = tuple(dict.fromkeys([*(note.id for note in leading), *sorted(notes)]))
    sure = step.confidence * (1.0 if resolution != "elsewhere" else 0.8)
    return APPLIED_CHORD.event(label, step.start, step.end, ids, round(sure, 3), detail)


def changed(piece: Progression, step: Step) -> tuple[tuple[PitchClass, PitchClass], ...]:
    """Return the sounding members of a step's chord that its key does not have, each with the key's own."""
    found = []
    for member in step.chord.members:
        if member not in step.key.scale and piece.notes(step, member):
            own = next(tone for tone in step.key.scale if tone.letter == member.letter)
            found.append((member, own))
    return tuple(found)


def resolve(piece: Progression, i: int) -> tuple[str, Step | None]:
    """Return how the applied chord at a step is answered, and by which step."""
    target = piece.steps[i].local
    answer, j = piece.follow(i), i + 1
    while answer is not None and answer.local == target and _prolongs(answer, target):
        answer, j = piece.follow(j), j + 1
    if answer is None:
        return "none", None
    tonic = target.tonic.semitone
    if answer.chord.root.semitone == tonic:
        leads_on = answer.numeral.applied and answer.is_dominant and answer.local != target
        return ("chain" if leads_on else "resolves"), answer
    if answer.is_six_four_on(target.tonic) and target.tonic == piece.steps[i].key.tonic.shift(1):
        return "six-four", answer
    sixth = {target.tonic.shift(-4).semitone, target.tonic.shift(3).semitone}
    if answer.entry.bass.semitone in sixth and answer.entry.bass == answer.chord.root:
        return "deceptive", answer
    return "elsewhere", answer


def _prolongs(step: Step, target: Key) -> bool:
    """Whether a chord of the target key still belongs to its dominant: another dominant or its six-four."""
    return bool(step.numeral.applied) and (step.is_dominant or step.is_six_four_on(target.tonic.shift(1)))


APPLIED_CHORD: Kind[AppliedChordDetails] = Kind(
    "applied chord",
    AppliedChordDetails,
    find=find_applied,
    weight=3.0,
    told_near=True,
    stop=Stop("rare chord", chord=True),
    contrasts={"": "altered"},
    searched={
        "secondary dominant": ("applied dominant",),
    },
)
