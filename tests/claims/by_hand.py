"""Claims judged by hand on small scores of our own: each is true, and the music shows why.

Handbook facts: Hutchinson, "Music Theory for the 21st-Century Classroom", chapters on cadences, non-chord
tones and six-fours; *Open Music Theory*, part IV.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from tests.findings.build import build, spans_of

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
from understave.score.model import Direction, Score
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral

F, P, C, K, R = Fraction, Pitch.parse, PitchClass.parse, Key.parse, RomanNumeral.parse

LEADS_ON = build(
    "C5:2 B4 | A4:4 | A4:4", "A4:2 G#4 | E4:1 G4:3 | F4:4", "F4:2 E4 | C#4:4 | D4:4", "D3:2 E3 | A2:4 | D3:4"
)
"""A minor phrase reaches A major, which takes G and goes on to D minor."""
CLIMBING = build("C5:2 G5:2 | A5:2 G5:2 | E5:1 C5 D5 C5 | G5:2 C5:2", "C3:4 | C3:4 | C3:4 | C3:4")
"""G stands high, but the tune climbs on to A; the last G is left for good."""
UPBEAT = build("Ab4:3/2 G4:1/2 F4:2", "C4:3/2 Bb3:1/2 Ab3:2", "Eb4:2 D4:2", "Bb2:2 Bb2:2", signature=-3)
"""A flat major over B flat; G comes as it is left for the dominant."""
SWAPPED = build(
    "Bb4:3 C5:1 | Bb4:3 C5:1 | C5:3 Bb4:1 | B4:4 | G4:4 | G4:4 | G4:3 A4:1",
    "F4:3 E4:1 | F4:3 E4:1 | D4:3 E4:1 | G4:4 | D4:3 E4:1 | D4:3 E4:1 | F4:3 E4:1",
    "staff2 A3:4 | A3:4 | A3:4 | G3:4 | B3:4 | B3:4 | B3:3 E4:1",
    "staff2 D3:3 E3:1 | D3:3 E3:1 | F3:3 G3:1 | G3:4 | F3:3 E3:1 | F3:3 E3:1 | D3:3 C3:1",
)
"""Two figures come back as high as before, in each other's voices, under a top that stands still."""
MOVED = build(
    "E5:2 D5:1 C5 | D5:2 G5:1 F5 | B4:4 | B5:2 A5:1 G5 | A5:1 C6 D6 C6 | B5:2 A5:1 G5",
    "C3:2 G3:1 E3 | B2:4 | G2:4 | G3:2 D4:1 B3 | F#3:4 | G3:2 D4:1 B3",
)
"""Two bars come back a fifth higher, their tune adorned; then the first of them once more."""
LIFTED = build(
    "E5:2 D5:1 C5 | B4:1 C5 D5 B4 | B5:2 A5:1 G5 | F#5:1 G5 A5 F#5",
    "C3:1 G3 E3 G3 | D3 G3 B3 G3 | C3:1 G3 E3 G3 | D3 G3 B3 G3",
)
"""The tune alone comes back a fifth higher."""
OUTER = build(
    "E5:2 D5 | C5:4 | G5:2 F5 | E5:4",
    "G4:1 A4 B4 A4 | E4:1 F4 G4 F4 | D5:1 D5 A4 D5 | C5:1 A4 A4 C5",
    "C3:4 | E3:4 | E3:4 | G3:4",
)
"""Tune and bass come back a third higher, with another voice between."""
BELOW = build(
    "A5:1 A5 A5 A5 | A5 A5 A5 A5",
    "E5:1 D5 C5 D5 | G5:1 F5 E5 F5",
    "C5:1 B4 A4 B4 | E5:1 D5 C5 D5",
    "F3:4 | F3:4",
)
"""Two voices come back a third higher between a top and a bass that stay."""
TAKEN_UP = build(
    "G5:1 F5 E5 D5 | F5:1 E5 D5 C5 | C5:4 | E5:4", "B4:4 | G4:4 | G4:4 | G4:4", "G3:4 | C3:8 | C3:4"
)
"""A dominant and its tonic, with one figure over both; then the line waits."""
CLOSE = build(
    "F5:2 E5:1 D5:1 | C5:4", "A4:2 C5:1 B4:1 | G4:4", "D4:2 G4:1 G4:1 | E4:4", "F3:2 G3:1 G2:1 | C3:4"
)
"""ii6, cadential six-four, V, I in C major."""
SUSPENDED = build("F5:6 E5:2", "A4:4 | G4:4", "D4:4 | C4:4")
"""The F of D minor is held over C, a fourth above it, and sinks to E."""
SINKING = build("E5:4 | E5:4", "A3:1 G#3 G3 F#3 | F3:2 E3:2")
"""The bass sinks by semitones from A to E."""
MINOR = build("C5:2 B4:2 | C#5:4", "A4:2 G#4:2 | A4:4", "A3:2 E3:2 | A2:4")
"""A minor ends on A major."""
PEDALLED = build("r:1 E4+G4:1 E4+G4:1 r:1 | r:1 D4+F4:1/2 D4+F4:1/2 B4:1 r:1", "C2:1 r:3 | G2:1 r:3")
DETACHED = build("E5:1/2 r:1/2 F5:3 | G5:4", "C4:1/2 r:1/2 A3:3 | C4:4")
LEAPING = build("C5:2 A5:2 | G5:4", "C3:4 | E3:4")
SWELLING = build("C5:4 | C5+E5+G5:1/4 D5 E5 F5 " + "E5:1/4 D5 E5 F5 " * 3, "C3:4 | C3:4")
"""Fuller and faster in its second bar."""
THICK = build("C5+E5+G5:4 | C5:1 D5 E5", "C3:4 | C3:4")
"""A full chord that lasts, then a line: many notes are not many strikings."""
RINGING = build("Db5:1 C5:1 r:2", "F2:1/2 C3:1/2 r:3", pedal=(("start", 0), ("stop", 2)))
"""C and D flat are struck alone, but the pedal keeps the F below them."""
SIXTH = build("C#5:4 | B4:4", "E4+G#4:4 | E4+G#4:4", "E3:4 | E3:4")
"""C sharp sounds all through what has no B: no E major chord yet."""
LEFT = build("B4:4 | E5:2 G#5:2 | A5:4", "A3:2 r:2 | r:4 | r:4", "A2:2 r:2 | r:4 | r:4")
"""The bass lets its A go after half a bar; what is high goes on."""
HELD_BELOW = build("r:1 G4 E5 C5 | F5 D5 B4 G4", "staff2 r:1 C4+E4 r C4+E4 | B3+D4 r B3+D4 r", "staff2 C2:8")
"""A bass that lasts two bars under chords that its hand plays two octaves higher."""
CHORDS_BELOW = build("E5:1/2 D5 C5 D5 E5 F5 G5 E5", "staff2 C4+E4+G4:2 B3+D4+G4:2")
"""Whole chords below a line that moves."""
ALONE = build("G4:1 A4 B4 C5 | D4:4 | D4:2 F#4:1 G4 | A4:4")
"""One voice and no other."""
RISEN = build("E5:4 | F5:4 | E5:2 D5", "G4:4 | A4:4 | C4:4", "C2:4 | C2:4 | r:4")
"""The bass is let go, and its tone two octaves up is the lowest."""
CLASHING = build("E5:1 F5:1 B4:1 C5:1", "C4:1 D4:1 C4:2")
"""B and C clash on the third beat."""
THIRDS = build("G5:4", "staff2 C4+E4:1 D4+F4 E4 D4")
"""Two thirds, then two notes of one line."""
DOUBLED = build("D5:2 F5:2 | E5:4", "staff1 Bb3:4 | Bb3:4", "staff2 Bb2:3 F2:1 | Bb2:4")
"""B flat in the middle is the bass once more, an octave up."""
BACK = build(
    "C5:4 | A4:4 | G4:2 F4 | E4:4",
    "G4:4 | F#4:4 | D4:2 D4 | C4:4",
    "E4:4 | C4:4 | B3:2 B3 | G3:4",
    "C3:4 | D3:4 | G3:2 F3 | E3:4",
)
"""The dominant of the dominant, the dominant, and at once its seventh in the bass."""
OTHERS = build("A4:1 Bb4 D5:2", "Eb4:1 D4:3", "C4:1 Bb3:3", "D3:4")
"""What begins is the dominant seventh over D; B flat, D and F come later."""
BROKEN = build("G4:3", "Ab3:1/2 C4 Eb4 Ab4 C4 Eb4", "C3:3", meter="3/4")
"""A flat belongs to what is broken, in two octaves."""
LATE = build("E5:4 | D5:4 | C5:1 D5 E5 D5", "C3:4 | G2:4 | A2:1 F2 G2 G2")
TAKEN = build("D5:4 | E5:4 | D5:4", "G4:4 | G4:4 | G4:4", "B3:4 | C4:4 | B3:4", "G2:4 | G2:4 | G2:4")
"""A six-four between two chords of its dominant."""
TOUCHED = build(
    "E5:1 D5 C5 B4 | B4:1 C#5 B4 A4 | A4:1 B4 C5 D5 | E5:4",
    "E4:4 | D4:2 C#4 | F4:4 | E4:4",
    "C3:4 | E3:2 A2 | D3:4 | C3:4",
)
"""The dominant is led to by its own, and the line runs on."""
SIXTH_ALONE = build("B4:2 A4:2 | G4:4", "B3:2 C4:2 | B3:4", "D3:2 D3:2 | G2:4")
"""Over the dominant a sixth sounds, and no fourth."""
CARRYING = build("C6:8", "staff2 C3:1 G3 E3 C4 F3 C3 A3 F3")
"""A bass that leaps from chord note to chord note."""
SETTLED = build("D#5:2 C#5:1 E5:1 | E5:4", "E4+G#4:4 | C#4+A4:4", "E3:4 | A3:4")
"""D sharp sinks to C sharp, which is at rest: the E after it is another matter."""
MARKED = replace(
    LEAPING,
    directions=(
        Direction("d1", "tempo", F(0), None, 1, "Andante", 72.0),
        Direction("d2", "dynamic", F(0), None, 1, "pp"),
        Direction("d3", "dynamic", F(4), None, 1, "ff"),
        Direction("d4", "pedal", F(0), None, 2, "start"),
        Direction("d5", "pedal", F(4), None, 2, "change"),
    ),
)
BEYOND = build("E5:1 G5 D5 C5", "C3:4")
HIDDEN = build("C6:4", "staff2 E4:2 A4:2", "staff3 C3:4")
"""An inner voice that rises."""
TURNED = build("G4:1 F4:1 A4:2", "F#4:2 F4:2", "D3:4")
"""G rubs against F sharp and steps down; the A after it is another matter."""
MORDENT = build("C#5:3 | G#4:1/3 A4 G#4 F#4:2", "C#3:3 | F#2:3", meter="3/4", signature=3)
"""G sharp leans on F sharp; A adorns it."""
BITTEN = build("C4:3 | F4:1/2 E4:1/2 F4:1 E4:1", "D3+B3:3 | C3+E3:3", meter="3/4")
"""F leans on E, which its mordent touches already."""
ROOTED = build("F5:1 Eb5:3", "A4:4", "Eb4:4", "C3:4", signature=-3)
"""Called a diminished chord on A, F, A, C and E flat are a dominant seventh of which F is the root."""
MISNAMED = build("F4:2 D5:1 C5:1", "Bb4:2 F4:2", "D3:2 A2:2")
"""B flat major over D, then F major over A with a D that leans on its C."""
PEDALS = (("start", 0), ("stop", 4), ("start", 16), ("stop", 20), ("start", 40), ("stop", 44))
HAIRPINS = replace(
    build(" | ".join(["C5:1 D5 E5 C5"] * 14), " | ".join(["C3:4"] * 14)),
    directions=(
        Direction("d1", "dynamic", F(0), None, 1, "p"),
        Direction("d2", "wedge", F(16), F(20), 1, "crescendo"),
        Direction("d3", "dynamic", F(20), None, 1, "f"),
        Direction("d4", "dynamic", F(29), None, 1, "sf"),
        Direction("d5", "words", F(40), None, 1, "sempre f"),
        Direction("d6", "wedge", F(45), F(50), 1, "diminuendo"),
    ),
)
SIGNED = build(
    "E5:1 | C5:4 | D5:4 | E5:4 | C5:4",
    "r:1 | C3:4 | G3:4 | C3:4 | C3:4",
    pickup=1,
    pedal=(("start", 1), ("stop", 8)),
)
"""An upbeat, then a pedal that is let go on the last beat of the second bar."""
GAPS = replace(HAIRPINS, directions=build("C5:56", pedal=PEDALS).directions)
"""Pedals with a gap of three bars between them, and one of five."""
STILL = build("E5:1 D5 C5 D5 | E5:4 | D5:4", "G4:4 | G4:4 | F4:4", "C3:4 | C3:4 | C3:4")
"""C stays in the bass for three bars."""
GROUND = build(
    " | ".join(f"{a}5:2 {b}5:2" for a, b in zip("GEFDEGCDEFGEDCEGFDEC", "EGDFGECEDFEGCDGEDFCE", strict=True)),
    " | ".join(["A3:4 | G3:4 | F3:4 | E3:4"] * 5),
)
"""Four bars of bass, A G F E, five times, under a tune that changes."""
HALTING = build(
    " | ".join(["G5:4 | r:4 | D5:4 | C5:4"] * 5),
    " | ".join(["A3:4 | r:4 | F3:4 | E3:4"] * 5),
)
"""The same with one bar silent: three notes and a silence, which is no fourth note."""
ROSALIA = build("C5:1 E5 D5 C5 | D5:1 F5 E5 D5 | E5:1 G5 F5 E5", "C3:4 | D3:4 | E3:4")
"""A figure, twice repeated a step higher."""

OVERSHOOTING = build("Ab5:2 F#5:1 G5:1 | G5:4", "r:4 | Eb4:4", "G3:4 | C3:4", signature=-3)
"""A flat over G alone goes past G, to F sharp, and only then to G."""
ENTERING = build("r:4 | r:4 | G5:2 E5:2", "staff2 C3:1 G3 E3 G3 | C3:1 G3 E3 G3 | C3:1 G3 E3 G3")
"""Two bars of figures, then a melody in the staff that was silent."""

SONG = build(
    "C5:1 D5 E5 C5 | D5:2 C5:2 | G5:1 F5 E5 D5 | B4:1/2 D5 F5 A5 G5:2 | C5:1 D5 E5 C5 | D5:2 C5:2",
    "E4:4 | F4:2 E4:2 | B4:4 | F4:2 D4:2 | E4:4 | F4:2 E4:2",
    "C3:4 | G2:2 C3:2 | G3:1 F3 E3 D3 | G2:4 | C3:4 | G2:2 C3:2",
)
"""A tune that closes at home, two other bars, the tune again."""
VARIED = build(
    "E5:2 G5 | F5:2 D5 | D5:2 F5 | E5:4 | C5:4 | A4:4 | B4:4 | G4:4",
    "staff2 C3+G3:4 | D3+A3:4 | G2+B3:4 | C3+G3:4 | C3+G3:4 | D3+A3:4 | G2+B3:4 | C3+G3:4",
)
"""Four bars, and the same chords over the same bass under another tune, in slower notes."""
PAIRS = tuple((F(4 * k), F(16 + 4 * k)) for k in range(4))
VARIED_AS = (F(16), F(32), PAIRS, K("C"), K("C"))
RESTING = build("G4:4 | C5:4 | C5:4", "staff1 E4:4 | E4:4 | F4:4", "C3:4 | r:4 | A2:4", signature=-1)
RESTING = replace(
    RESTING,
    notes=tuple(replace(n, pitch=P("Bb3"), duration=F(4)) if n.id == "v2n2" else n for n in RESTING.notes),
)
"""The left hand rests while the right hand alone has the seventh chord, B flat lowest."""
SEVENTH = build("G4:4 | C5:4 | C5:4", "staff1 E4:4 | E4:4 | F4:4", "C3:4 | Bb2:4 | A2:4", signature=-1)
"""The same with B flat in the left hand."""
MISREAD = build("Fb5:4 | D5:4", "Db5:4 | B4:4", "Bb4:4 | G4:4", "Gb3:4 | G3:4")
"""G flat, B flat, D flat and F flat; then a triad on G."""
AMEN = build(
    "C5:4 | C5:4 | C5:4 | C5:4",
    "A4:4 | G4:4 | A4:4 | G4:4",
    "F4:4 | E4:4 | F4:4 | E4:4",
    "F3:4 | C3:4 | C3:4 | C3:4",
)
"""IV and I in root position; then the same chords over a C that stays."""
PLUCKED = build("E5:4 | F5:4 | E5:4 | D5:4", "A2:1 r:3 | A2:1 r:3 | A2:1 r:3 | A2:1 r:3")
"""A is struck at the head of each bar and let go at once."""

ROOTLESS = build("Ab4:4 | Gb4:4", "F4:4 | Eb4:4", "Cb4:4 | Bb3:4", signature=-5)
"""Three notes that D flat and D alike could be the root of, and neither sounds."""
OCTAVES = build("D5:2 Bb4:2 | Eb5:4", "D4:2 Bb3:2 | Eb4:4", "D3:2 Bb2:2 | Eb3:4", signature=-3)
"""Leading tone, dominant and tonic of E flat in octaves, without a chord."""
INTERRUPTED = build("F5:1 G5 A5 A5 | A5:4", "D4:1 Eb4 E4 r | r:1 F4:3", "D3:1 Eb3 E3 G3 | F3:4", signature=-1)
"""D, E flat, E and F in the bass, with G between the last two."""

CHANGING = build(
    "C5:1 B4:1 | C5:2 | B4:2 | C5:2 | B4:2", "C3:1 G3:1 | C3:2 | G3:2 | C3:2 | G3:2", meter="2/4"
)
CHANGING = replace(
    CHANGING,
    measures=tuple(
        replace(m, start=F(start), length=F(beats), beats=beats)
        for m, start, beats in zip(CHANGING.measures, (0, 2, 6), (2, 4, 4), strict=False)
    ),
)
"""A bar of two beats and two of four, with two chords in each."""

NEIGHBOUR = build("D5:1 C5 B4 B4 | G4:4", "B4:1 G4 G4 G4 | E4:4", "G4:1 E4 D4 F4 | C4:4", "G3:4 | C3:4")
"""A six-four between two dominants over one bass, on a lighter beat than the first."""

SUNG = build("C5:2 D5:2 | E5:2 F5:2 | G5:4 | r:4 | E5:4", "C3:4 | C3:4 | C3:4 | C3:4 | C3:4")
SYLLABLES = {"v1n1": "Die", "v1n2": "Fäh-", "v1n3": "re", "v1n4": "ruht,", "v1n5": "ruht.", "v1n6": "Still"}
SUNG = replace(
    SUNG,
    notes=tuple(
        replace(note, part=0, lyrics=(SYLLABLES[note.id],)) if note.id in SYLLABLES else replace(note, part=1)
        for note in SUNG.notes
    ),
)
"""Five words, one of them on two notes, the last after a bar of rest."""

VOICE_AFTER = build(
    "C5:1 E5 G5 F5 | E5:1 D5 C5:2 | r:4 | r:4",
    "r:4 | r:4 | C5:1 E5 G5 F5 | E5:1 D5 C5:2",
    "C3:4 | C3:4 | C3:4 | C3:4",
)
VOICE_AFTER = replace(
    VOICE_AFTER,
    notes=tuple(
        replace(note, part=0, lyrics=("la",)) if note.id.startswith("v2") else replace(note, part=1)
        for note in VOICE_AFTER.notes
    ),
)
"""The piano plays a tune of two bars, and the voice enters with it."""

_LINE = {"v1n1": "Still", "v1n2": "ruht", "v1n3": "die", "v1n4": "al-", "v1n5": "te,", "v1n6": "Bank."}
BREATHING = build("G4:1 A4 B4:2 | r:1 C5 D5 E5 | C5:4", "G3:4 | C3:4 | C3:4")
"""A line that rests after its long B, and goes straight from E to C."""
WAITING = build("G4:1 A4 B4:2 | C5:1 D5 E5 F5 | E5:1 F5 E5 D5 | C5:4", "G3:4 | C3:4 | C3:4 | C3:4")
"""A line that waits on B, and runs evenly over the next two barlines."""


def slurred(*ends: str) -> Score:
    """The same line with slurs from the first note of each pair to the second."""
    marks = {note: ("slur-start" if k % 2 == 0 else "slur-stop",) for k, note in enumerate(ends)}
    notes = (replace(note, articulations=marks.get(note.id, ())) for note in WAITING.notes)
    return replace(WAITING, notes=tuple(notes))


CADENCING = build("G4:1 A4 B4 D5 | C5:4 | D5:1 E5 F5 D5 | G5:4", "G3:4 | C3:4 | G3:4 | C3:4")
"""Twice a dominant and its tonic: down to C, and up to a higher G."""
PASSING = build(
    "D5:1 E5 D5 D5 | D5:1 C5 D5 D5 | C5:4", "B4:4 | B4:1 G4 A4 B4 | G4:4", "G3:4 | G3:1 C3 F3 G3 | C3:4"
)
"""A tonic on the way, a beat long, in a line that goes on."""
OPENING = build("F5:2 E5:2 | E5:4", "D5:4 | C5:4", "D3:4 | A2:4")
"""A minor after D minor in C, which nothing has led to."""
GROWING = replace(CADENCING, directions=(Direction("d1", "wedge", F(2), F(4), 1, "crescendo"),))
GROWING_ON = replace(CADENCING, directions=(Direction("d1", "wedge", F(4), F(8), 1, "crescendo"),))
"""The tonic begins to grow as it comes."""
ON_ITS_THIRD = build("G4:1 A4 B4 D5 | C5:4", "G3:4 | E3:1/2 C3:7/2")
"""C major comes in with E in the bass, and C below it half a beat later."""
GROWING_BY_WORD = replace(
    CADENCING, directions=(Direction("d1", "words", F(2), None, 1, "Poco a poco cresc."),)
)
COMING_HOME = build(
    "G4:4 | G4:4 | G4:4 | G4:4 | G4:1 A4 B4 D5 | C5:4", "C3:4 | C3:4 | C3:4 | C3:4 | G3:4 | C3:4"
)
GROWING_LONG = replace(COMING_HOME, directions=(Direction("d1", "wedge", F(2), F(20), 1, "crescendo"),))
"""A crescendo of more than four bars, right up to the tonic."""
LOUD = replace(
    CADENCING,
    directions=(
        Direction("d1", "dynamic", F(0), None, 1, "p"),
        Direction("d2", "dynamic", F(4), None, 1, "f"),
    ),
)
ENDING = build("C5:4 | F5:4 | D5:4 | C5:4", "E4:4 | A4:4 | B4:4 | G4:4", "C3:4 | F3:4 | G3:4 | C3:4")
SENT_BACK = replace(ENDING, directions=(Direction("d1", "words", F(16), None, 1, "D.C. al Fine"),))
ONE_WORD = replace(
    BREATHING,
    notes=tuple(
        replace(note, lyrics=(word,), part=0) if (word := _LINE.get(note.id)) else note
        for note in BREATHING.notes
    ),
)
"""The same line sung, with a word that goes on after the rest."""
RUNNING = build("G4:1 B4 D5 C5 | B4 A4 G4 F4 | E4:4", "G3:1 B3 D4 C4 | B3 A3 G3 F3 | C3:4")
"""A unison that runs over the dominant and on."""
LEANT_ON = build("F5:2 D5:2 | D5:1 C5:3", "A4:2 B4:2 | G4:4", "D4:2 F4:2 | E4:4", "F3:2 G3:2 | C3:4")
"""A full close whose melody leans on D before it comes to C."""
STEPPED_TO = build("A4:4 | Eb5:2 D5:2", "F5:4 | C5:2 B4:2", "D4:4 | G3:4", "D3:4 | G2:4")
"""E flat leapt to in its voice alone: F sounded a step above it on the same staff."""
LEAPT_TO = build("A4:4 | Eb5:2 D5:2", "C5:4 | C5:2 B4:2", "D4:4 | G3:4", "D3:4 | G2:4")
FLOWING = build("E5:4 | F5:4 | E5:4", "C3:4 | A3:1 C3 A3 C3 | C3:4")
"""A bass that leaves C at the head of the second bar."""
BETWEEN_KEYS = build(
    "E5:4 | E5:4 | D5:4 | D5:4",
    "C5:4 | C5:4 | C5:4 | B4:4",
    "G4:4 | A4:4 | A4:4 | G4:4",
    "C3:4 | A2:4 | F#2:4 | G2:4",
)
"""From C to G: A minor belongs to both."""
OPENED = replace(
    BETWEEN_KEYS,
    notes=tuple(replace(note, pitch=P("F#5")) if note.id == "v1n1" else note for note in BETWEEN_KEYS.notes),
)
"""The same with F sharp struck in the bar before."""

KNOCKING = build(
    "G5:1 G5 G5 G5 | G5 G5 G5 G5 | G5 G5 G5 G5", "E4:4 | D4:2 E4:2 | r:4", "C4:4 | B3:2 C4:2 | r:4"
)
"""A top that stands still over one chord, over two that change, and alone."""
RAISED = build("D5:2 B5:2 | G#5:1 A5 F#5 G5", "B4:4 | B4:1 C5 A4 B4", "D4:4 | F4:1 E4 Eb4 D4", "G3:4 | G3:4")
"""G sharp over a held G, leapt to: it goes up to A at once, and the line comes down to G later."""

_STANDING = "E4:1 G4 E4 G4 | " * 6
OSTINATO = build(
    _STANDING,
    "G3:1 B3 G3 B3 | " * 6,
    "E5:1 F#5 G5:2 | B5:3 A5:1 | D5:1 C5 B4:2 | A4:2 B4:2 | F#5:1 E5 D5 C5 | E5:1 D#5 F#5:2",
)
"""A figure that stands on under a tune that is always another."""
WITH_ITS_TUNE = build(
    _STANDING,
    "G3:1 B3 G3 B3 | " * 6,
    "E5:1 F#5 G5:2 | B5:3 A5:1 | D5:1 C5 B4:2 | E5:1 F#5 G5 A5 | B5:3 A5:1 | D5:1 C5 A4:2",
)

HALTING_LATE = build(
    "C5:1 D5 E5 F5 | D5 B4 C5 D5 | B4 C5 D5 B4 | C5 D5 B4 A4 | G4:2 r:2",
    "C3:4 | G3:4 | G3:4 | G3:4 | G3:2 r:2",
)
"""A line that runs on over the dominant for three bars before it stops."""
CUT_OFF = build("C5:1 D5 E5 F5 | D5 B4 D5:2", "C3:4 | G3:4")
"""Music that breaks off on the dominant, and what waits on it for a bar."""
MARKED_AGAIN = replace(
    LEAPING,
    directions=tuple(Direction(f"d{t}", "dynamic", F(t), None, 1, "p") for t in (0, 4)),
)
RESTED = build("G4:1 A4 B4 D5 | r:4 | C5:4", "G3:4 | r:4 | C3:4")
HALTED = replace(RESTED, notes=tuple(replace(note, fermata=note.end == 4) for note in RESTED.notes))
"""A dominant, a bar of rest and a tonic; the dominant under a fermata."""
ON_HOLD = build("C5:1 D5 E5 F5 | D5:4", "C3:4 | G3:4")

NO_SUSPENSION = build("B4:1 A#4:3", "E#4:1 F#4:3", "C#3:1 F#3:3")
"""A dominant seventh on C sharp before F sharp: nothing of F sharp major sounds with its B but C sharp."""
TWO_SUSPENDED = build("F5:2 | D5:1 C5", "D5:2 | B4:1 C5", "F4:2 | F4:1 E4", "B3:2 | C4:2", meter="2/4")

OF_ONE_LINE = build("G4:4 | G4:4", "C4:1/2 D4 C4 E4 D4 F4 E4 F4 | D4:1 C4 D4 D4")
"""G held over a line of C, D, E and F, and over one of D with a turn to C."""

GONE_BACK = build("A4:3/2 C#5:1/4 B4 A4:2", "E4:1 G#4 A4:2", "C#4:1 D4 C#4:2", "E3:2 A2:2")
"""A over G sharp turns through C sharp and B back to A."""

GOING_ON = build(_STANDING, "G3:1 B3 G3 B3 | " * 6, "r:4 | r:4 | r:3 B4:1 | B4:4 | r:4 | r:4")

SAID_TWICE = build(
    "A5:1 F5 E5 D5 | A5 F5 E5 D5 | A5:2 Bb5:2 | C6:4 | A5:1 F5 E5 D5 | A5 F5 E5 C5", "F3:2 A3:2 | " * 6
)
"""A bar said twice, and both again after two others."""

ONE_LEFT = build("G4:1 A4 B4 D5 | r:4 | r:4", "G3:4 | C4:4 | E4+G4:4")
"""A dominant of which one note alone goes on to the tonic."""

HELD_OUT = build("C5:1 D5 E5 F5 | D5:8 | E5:4", "C3:4 | G3:8 | C3:4")

COME_DOWN = build("C5:1 D5 E5 D5 | C5 E5 G5 A5 | E5 D5 C5 D5 | C5:1 D5 E5 D5", "C3:4 | C3:4 | C3:4 | C3:4")

ON = {
    "come down": (COME_DOWN, "C: I:16"),
    "held out": (HELD_OUT, "C: I:4 | V:8 | I:4"),
    "one left": (ONE_LEFT, "C: V:4 | I:8"),
    "said twice": (SAID_TWICE, "F: I:24"),
    "going on": (GOING_ON, "e: i:24"),
    "gone back": (GONE_BACK, "A: Cad64:1 V7:1 I:2"),
    "of one line": (OF_ONE_LINE, "C: V:4 | V:4"),
    "no suspension": (NO_SUSPENSION, "b: V:4"),
    "two suspended": (TWO_SUSPENDED, "C: viio:2 I:2"),
    "halting late": (HALTING_LATE, "C: I:4 | V:16"),
    "cut off": (CUT_OFF, "C: I:4 | V:4"),
    "on hold": (ON_HOLD, "C: I:4 | V:4"),
    "ostinato": (OSTINATO, "e: i:24"),
    "with its tune": (WITH_ITS_TUNE, "e: i:24"),
    "knocking": (KNOCKING, "C: I:4 | V:2 I:2 | I:4"),
    "raised": (RAISED, "G: I:4 | I:4"),
    "breathing": (BREATHING, "C: V:4 | I:4 | I:4"),
    "opening": (OPENING, "C: ii:4 | vi:4"),
    "passing": (PASSING, "C: V:5 I:1 ii6:1 V:1 | I:4"),
    "waiting": (WAITING, "C: V:4 | I:4 | V:4 | I:4"),
    "slurred on": (slurred("v1n1", "v1n4"), "C: V:4 | I:4 | V:4 | I:4"),
    "slurred to the end": (slurred("v1n4", "v1n7"), "C: V:4 | I:4 | V:4 | I:4"),
    "one word": (ONE_WORD, "C: V:4 | I:4 | I:4"),
    "cadencing": (CADENCING, "C: V:4 | I:4 | V:4 | I:4"),
    "growing": (GROWING, "C: V:4 | I:4 | V:4 | I:4"),
    "growing on": (GROWING_ON, "C: V:4 | I:4 | V:4 | I:4"),
    "on its third": (ON_ITS_THIRD, "C: V:4 | I:4"),
    "growing by word": (GROWING_BY_WORD, "C: V:4 | I:4 | V:4 | I:4"),
    "coming home": (COMING_HOME, "C: I:16 | V:4 | I:4"),
    "growing long": (GROWING_LONG, "C: I:16 | V:4 | I:4"),
    "loud": (LOUD, "C: V:4 | I:4 | V:4 | I:4"),
    "ending": (ENDING, "C: I:4 | IV:4 | V:4 | I:4"),
    "sent back": (SENT_BACK, "C: I:4 | IV:4 | V:4 | I:4"),
    "running": (RUNNING, "C: V:8 | I:4"),
    "leant on": (LEANT_ON, "C: ii6:2 V7:2 | I:4"),
    "stepped to": (STEPPED_TO, "G: V7:4 | I:4"),
    "leapt to": (LEAPT_TO, "G: V7:4 | I:4"),
    "flowing": (FLOWING, "C: I:4 | IV:4 | I:4"),
    "between keys": (BETWEEN_KEYS, "C: I:4 | vi:4 | G: V7:4 | I:4"),
    "opened": (OPENED, "C: I:4 | vi:4 | G: V7:4 | I:4"),
    "voice after": (VOICE_AFTER, "C: I:4 | I:4 | I:4 | I:4"),
    "sung": (SUNG, "C: I:4 | I:4 | I:4 | I:4 | I:4"),
    "neighbour": (NEIGHBOUR, "C: V:1 Cad64:1 V7:2 | I:4"),
    "changing": (CHANGING, "C: I:1 V:1 | I:2 V:2 | I:2 V:2"),
    "rootless": (ROOTLESS, "Db: viio43/ii:4 | ii6:4"),
    "octaves": (OCTAVES, "Eb: V:4 | I:4"),
    "interrupted": (INTERRUPTED, "d: i:1 V7/V:1 viio7/III:2 | III:4"),
    "song": (SONG, "C: I:4 | V:2 I:2 | G: I:4 | C: V7:4 | I:4 | V:2 I:2"),
    "varied": (VARIED, "C: I:4 ii:4 V7:4 I:4 I:4 ii:4 V7:4 I:4"),
    "exposition": (SONG, "C: I:4 | V:2 G: IV:2 | I:4 | C: V7:4 | I:4 | V:2 I:2"),
    "resting": (RESTING, "F: V:4 | V42:4 | I6:4"),
    "seventh": (SEVENTH, "F: V:4 | V42:4 | I6:4"),
    "misread": (MISREAD, "bb: i6:4 | G: V7/IV:4"),
    "amen": (AMEN, "C: IV:4 | I:4 | IV64:4 | I:4"),
    "plucked": (PLUCKED, "a: i:4 | iv64:4 | i:4 | iv64:4"),
    "overshooting": (OVERSHOOTING, "c: V:4 | i:4"),
    "entering": (ENTERING, "C: I:4 | I:4 | I:4"),
    "close": (CLOSE, "C: ii6:2 I64:1 V:1 | I:4"),
    "suspended": (SUSPENDED, "C: ii:4 | I:4"),
    "sinking": (SINKING, "a: i:4 | i:2 V:2"),
    "minor": (MINOR, "a: i:2 V:2 | I:4"),
    "leads on": (LEADS_ON, "a: iv:2 V:2 | d: V:1 V7:3 | i:4"),
    "climbing": (CLIMBING, "C: I:16"),
    "upbeat": (UPBEAT, "Eb: Cad64:2 V7:2"),
    "pedalled": (PEDALLED, "C: I:4 | V7:4"),
    "held below": (HELD_BELOW, "C: I:4 V7:4"),
    "detached": (DETACHED, "C: I:1 IV:3 | I:4"),
    "leaping": (LEAPING, "C: I:4 | I6:4"),
    "swelling": (SWELLING, "C: I:8"),
    "thick": (THICK, "C: I:8"),
    "ringing": (RINGING, "f: i:4"),
    "sixth": (SIXTH, "E: I:4 V64:4"),
    "left": (LEFT, "A: I:4 V:4 I:4"),
    "chords below": (CHORDS_BELOW, "C: I:2 V:2"),
    "risen": (RISEN, "C: I:4 IV64:4 I:4"),
    "clashing": (CLASHING, "C: I:4"),
    "thirds": (THIRDS, "C: I:4"),
    "swapped": (SWAPPED, "C: I:28"),
    "moved": (MOVED, "C: I:12 G: I:12"),
    "outer": (OUTER, "C: I:16"),
    "below": (BELOW, "C: I:8"),
    "taken up": (TAKEN_UP, "C: V:4 | I:4 | I:4 | I:4"),
    "lifted": (LIFTED, "C: I:16"),
    "touched": (TOUCHED, "D: I:4 V7/V:2 V:2 I:4 I:4"),
    "touched and reached": (TOUCHED, "D: I:4 A: V7:2 I:2 D: I:4 I:4"),
    "sixth alone": (SIXTH_ALONE, "G: Cad64:2 V7:2 I:4"),
    "alone": (ALONE, "G: I:4 V:4 V:4 ii:4"),
    "carrying": (CARRYING, "C: I:4 IV:4"),
    "settled": (SETTLED, "A: vi:2 I:2 I:4"),
    "signed upbeat": (SIGNED, "C: V:1 I:4 V:4 I:8"),
    "gaps": (GAPS, "C: " + "I:4 " * 14),
    "signed": (SIGNED, "C: I:5 V:4 I:8"),
    "turned": (TURNED, "d: i:4"),
    "rooted": (ROOTED, "Eb: viio6/V:4"),
    "bitten": (BITTEN, "C: V:3 | I:3"),
    "mordent": (MORDENT, "f#: V:3 | i:3"),
    "beyond": (BEYOND, "C: I:4"),
    "hidden": (HIDDEN, "C: I:4"),
    "misnamed": (MISNAMED, "C: IV6:4"),
    "hairpins": (HAIRPINS, "C: " + "I:4 " * 14),
    "marked": (MARKED, "C: I:4 | I6:4"),
    "marked again": (MARKED_AGAIN, "C: I:4 | I6:4"),
    "rested": (RESTED, "C: V:8 | I:4"),
    "halted": (HALTED, "C: V:8 | I:4"),
    "doubled": (DOUBLED, "Bb: I:8"),
    "back": (BACK, "C: I:4 | G: V7:4 | I:2 C: V42:2 | I6:4"),
    "others": (OTHERS, "Bb: I6:4"),
    "broken": (BROKEN, "g: iv:3"),
    "taken": (TAKEN, "C: V:4 | Cad64:4 | V:4"),
    "late": (LATE, "C: I:4 | V:4 | vi:1 ii6:1 Cad64:1 V7:1"),
    "still": (STILL, "C: I:4 | I:4 | ii42:4"),
    "rosalia": (ROSALIA, "C: I:4 | ii:4 | iii:4"),
    "halting": (HALTING, "a: " + "i:8 VI:4 V:4 " * 5),
    "ground": (GROUND, "a: " + "i:4 v6:4 VI:4 V:4 " * 5),
}
PARTS = (("A", F(0)), ("B", F(8)), ("A", F(16)))
"""The sections of the song."""
BY_HAND: tuple[tuple[str, Claim], ...] = (
    ("come down", p.High(F(14), F(15), P("E5"))),
    ("held out", h.Cadence(F(4), F(12), K("C"), "half")),
    ("gone back", n.GoesOn(F(1), F(2), P("G#4"), C("A"))),
    ("said twice", p.ComesBack(F(16), F(24), F(0), F(8), "varied")),
    ("of one line", h.ChordIs(F(4), F(4), K("C"), R("V"))),
    ("cadencing", h.CadenceFamily(F(4), F(8), K("C"), "authentic")),
    ("passing", h.Cadence(F(5), F(6), K("C"), "imperfect authentic", P("C5"))),
    ("two suspended", h.Member(F(2), F(2), P("D5"), belongs=False)),
    ("on hold", h.Cadence(F(4), F(8), K("C"), "half")),
    ("with its tune", p.ComesBack(F(12), F(24), F(0), F(12), "varied")),
    ("knocking", p.Repeated(F(0), F(4), P("G5"), 4)),
    ("knocking", p.Repeated(F(4), F(8), P("G5"), 4, moved=True)),
    ("risen", p.Stays(F(0), F(8), P("C2"))),
    ("touched and reached", h.Cadence(F(6), F(8), K("A"), "imperfect authentic")),
    ("close", p.ChangesHere(F(4), F(4))),
    ("clashing", p.Tensest(F(0), F(4), F(2))),
    ("clashing", p.Tensest(F(0), F(2), F(2), "grows")),
    ("clashing", p.Tensest(F(2), F(3), F(2), "falls")),
    ("alone", h.ChordIs(F(8), F(8), K("G"), R("V"))),
    ("alone", h.ColourIs(F(8), F(8), K("G"), R("V"))),
    ("close", h.ColourIs(F(4), F(4), K("C"), R("I"))),
    ("alone", h.ChordIs(F(0), F(0), K("G"), R("I"))),
    *(("signed", pr.PedalOpen(F(at), F(at))) for at in (1, 2, 3, 5, 6, 7, 12, 13, 14, 16)),
    ("leaping", pr.PedalOpen(F(4), F(4))),
    ("gaps", pr.PedalOpen(F(28), F(28))),
    ("leapt to", n.Between(F(4), F(6), "v1n1", "v1n2", "v1n3", "leapt to")),
    ("breathing", rp.LineStops(F(2), F(4))),
    ("waiting", rp.LineStops(F(2), F(4))),
    ("slurred to the end", rp.LineStops(F(7), F(8))),
    ("close", h.TonicHeard(F(0), F(4), K("C"))),
    ("cadencing", rp.LetsGo(F(4), F(4))),
    ("coming home", rp.LetsGo(F(20), F(20))),
    ("ending", rp.PieceEnds(F(4), F(12))),
    ("breathing", h.Cadence(F(0), F(4), K("C"), "half")),
    ("between keys", h.SameChord(F(4), F(8), K("C"), R("vi"), K("G"), R("ii"))),
    ("song", w.Scheme(F(0), F(24), PARTS)),
    ("song", w.FormIs(F(0), F(24), "ternary form", PARTS)),
    ("ground", w.FormIs(F(0), F(80), "ground", (("A", F(0)),))),
    ("varied", v.StaysInBars(*VARIED_AS, "harmony")),
    ("varied", v.StaysInBars(*VARIED_AS, "bass", 4)),
    ("varied", v.Varies(*VARIED_AS, "another tune")),
    ("varied", v.Varies(*VARIED_AS, "slower")),
    ("close", w.OuterVoices(F(3), F(4), (C("G"), C("C")), (C("D"), C("C")), "apart")),
    ("still", w.OuterVoices(F(4), F(8), (C("C"), C("C")), (C("E"), C("D")), "oblique")),
    ("seventh", h.CarriesBass(F(4), F(8), P("Bb2"), P("A2"))),
    ("seventh", h.ChordIs(F(4), F(4), K("F"), R("V42"))),
    ("close", h.OneKey(F(0), F(8), K("C"))),
    ("voice after", p.TakenUp(F(8), F(16), F(0))),
    ("sung", pr.Sung(F(0), F(0), "Die Fähre ruht")),
    ("sung", pr.Sung(F(5), F(5), "Fähre ruht")),
    ("sung", pr.Sung(F(13), F(13), "Still")),
    ("sung", pr.Sung(F(0), F(6), "Die Fähre")),
    ("song", p.Parts(F(8), F(12), F(0))),
    ("close", h.OfTheKey(F(0), F(0), K("C"), R("ii6"))),
    ("close", h.Labelled(F(3), F(3), K("C"), R("V"))),
    ("exposition", h.KeyEntered(F(8), F(12), K("C"))),
    ("close", p.ChangesHere(F(2), F(2))),
    ("changing", h.Quick(F(0), F(10), 2)),
    ("amen", h.Cadence(F(4), F(8), K("C"), "plagal", P("C5"))),
    ("still", p.SoundsOn(F(0), F(12), C("C"))),
    ("overshooting", n.Overshoots(F(0), F(2), "v1n1", "v1n2", "v1n3")),
    ("overshooting", n.Bare(F(0), F(2), "v3n1", "v1n1")),
    ("entering", p.Enters(F(8), F(12), "v1n1", 2)),
    ("close", n.Sounds(F(0), F(2), P("F5"))),
    ("close", n.Silent(F(0), F(2), C("B"))),
    ("close", n.Silent(F(2), F(3), C("D"))),
    ("close", n.Silent(F(4), F(8), C("F"))),
    ("close", n.BassIs(F(2), F(3), P("G3"))),
    ("close", n.Lies(F(0), F(2), "v1n1", "top")),
    ("close", n.Moves(F(2), F(3), "v1n2", "v1n3", "down", step=True)),
    ("close", n.Resolved(F(2), F(3), "v2n2", "v2n3")),
    ("close", h.SixFour(F(2), F(3), K("C"), "cadential", P("G3"))),
    ("close", h.Cadence(F(4), F(8), K("C"), "perfect authentic", P("C5"))),
    ("close", h.Confirmed(F(4), F(4), K("C"))),
    ("close", h.Top(F(4), F(4), P("C5"))),
    ("close", h.Top(F(2), F(2), P("E5"))),
    ("close", h.MelodyNote(F(4), F(8), P("C5"), K("C"), 1)),
    ("suspended", n.Prepared(F(4), F(6), "v1n1", "held")),
    ("suspended", n.Dissonant(F(4), F(6), "v1n1")),
    ("suspended", n.Dissonant(F(4), F(6), "v1n1", leant=True)),
    ("rooted", n.Dissonant(F(0), F(1), "v1n1")),
    ("suspended", n.Figures(F(4), F(6), "v1n1", "4-3")),
    ("suspended", n.Resolved(F(4), F(6), "v1n1", "v1n2")),
    ("mordent", n.Resolved(F(3), F(10, 3), "v1n2", "v1n5", "ornamented")),
    ("bitten", n.Resolved(F(3), F(7, 2), "v1n2", "v1n5", "ornamented")),
    ("mordent", n.Moves(F(3), F(4), "v1n2", "v1n5", "down", step=True, detour=True, rests=True)),
    ("suspended", h.Member(F(4), F(4), P("F5"), belongs=False)),
    (
        "sinking",
        n.BassLine(
            F(0),
            F(8),
            tuple(map(P, ("A3", "G#3", "G3", "F#3", "F3", "E3"))),
            (F(0), F(1), F(2), F(3), F(4), F(6)),
            "semitones",
            "down",
        ),
    ),
    ("minor", h.Picardy(F(4), F(8), K("a"), C("C#"), C("C"))),
    ("climbing", p.High(F(12), F(16), P("G5"))),
    ("minor", h.Cadence(F(4), F(8), K("a"), "imperfect authentic", P("C#5"))),
    ("minor", h.NotFinal(F(4), F(4), K("a"), "melody not on the tonic", P("C#5"))),
    ("pedalled", p.RingsOn(F(1), F(2), P("C2"))),
    ("pedalled", p.RingsOn(F(5), F(6), P("G2"))),
    ("held below", p.OutOfReach(F(0), F(8), P("C2"))),
    ("pedalled", p.Rests(F(3), F(3))),
    ("pedalled", p.Rests(F(7), F(7))),
    ("pedalled", p.Short(F(5), F(5))),
    ("detached", p.Short(F(0), F(0))),
    ("pedalled", p.StruckBass(F(4), F(5), P("G2"))),
    ("leaping", n.Leap(F(0), F(2), P("C5"), P("A5"), Interval.parse("M6"), "up")),
    ("swelling", p.Fullest(F(0), F(8), F(4))),
    ("swelling", p.Dense(F(4), F(8))),
    ("leaping", p.Peak(F(0), F(8), P("A5"))),
    ("leaping", p.Range(F(0), F(8), P("C5"), P("A5"))),
    ("marked", g.LoudnessOpen(F(0), F(2), "grows")),
    ("rested", h.Cadence(F(8), F(12), K("C"), "perfect authentic", P("C5"))),
    ("hairpins", g.LoudnessOpen(F(8), F(12), "grows")),
    ("hairpins", g.LoudnessOpen(F(4), F(8), "falls")),
    ("leaping", g.LineTurns(F(0), F(2), P("A5"), F(2), "grows")),
    ("close", n.Pull(F(0), F(1), P("Ab4"), C("G"), "down")),
    ("leaping", g.LineTurns(F(2), F(4), P("A5"), F(2), "falls")),
    ("misnamed", h.Member(F(2), F(2), P("D5"), belongs=False)),
    ("marked", pr.Tempo(F(0), F(0), 72.0)),
    ("marked", pr.Printed(F(0), F(0), "andante")),
    ("marked", pr.Printed(F(4), F(4), "ff", "dynamic")),
    ("marked", pr.Extreme(F(0), F(0), "pp", "softest")),
    ("marked", pr.Times(F(0), F(8), 2)),
    ("still", p.Stays(F(0), F(12), P("C3"))),
    ("still", p.Lasts(F(0), F(12), 3)),
    ("rosalia", p.InSequence(F(0), F(12), F(4), Interval.parse("M2"), (F(0), F(4), F(8)))),
    ("rosalia", p.SameFigure(F(4), F(8), P("D5"), (2, -1, -1), (F(1), F(1), F(1)))),
    ("rosalia", p.FigureGoes(F(5), F(8), P("F5"), (-1, -1), (F(1), F(1)), "down")),
    ("rosalia", p.FigureCount(F(0), F(12), (F(0), F(4), F(8)), 3, (2, -1, -1), (F(1), F(1), F(1)))),
    ("rosalia", h.Roots(F(0), F(12), (C("C"), C("D"), C("E")))),
    ("moved", p.Moved(F(12), F(20), F(0), F(8))),
    ("breathing", h.PhraseCloses(F(2), F(4))),
    ("cadencing", h.PhraseCloses(F(2), F(4))),
    ("taken up", h.PhraseCloses(F(4), F(8))),
    # By its chords alone, and by its line alone.
    ("waiting", h.PhraseCloses(F(4), F(4))),
    ("slurred to the end", h.PhraseCloses(F(7), F(8))),
    ("outer", p.Moved(F(8), F(16), F(0), F(8))),
    ("below", p.Moved(F(4), F(8), F(0), F(4))),
    ("rosalia", p.Moved(F(4), F(8), F(0), F(4))),
)
"""The name of a score in `ON`, and what is true of it."""

FALSE_BY_HAND: tuple[tuple[str, Claim], ...] = (
    ("come down", p.High(F(8), F(9), P("E5"))),
    ("one left", rp.LetsGo(F(4), F(4))),
    ("gone back", n.GoesOn(F(1), F(3, 2), P("A4"), C("B"))),
    ("gone back", n.Resolved(F(1), F(3, 2), "v1n1", "v1n3", "ornamented")),
    ("of one line", h.ChordIs(F(0), F(0), K("C"), R("V"))),
    ("passing", h.CadenceFamily(F(5), F(6), K("C"), "authentic")),
    ("no suspension", h.Member(F(0), F(0), P("B4"), belongs=False)),
    ("halting late", h.Cadence(F(4), F(20), K("C"), "half")),
    ("cut off", h.Cadence(F(4), F(8), K("C"), "half")),
    ("ostinato", p.ComesBack(F(12), F(24), F(0), F(12), "varied")),
    ("going on", p.ComesBack(F(12), F(24), F(0), F(12), "varied")),
    # One chord stays under the first four, nothing sounds under the last.
    ("knocking", p.Repeated(F(0), F(4), P("G5"), 4, moved=True)),
    ("knocking", p.Repeated(F(8), F(12), P("G5"), 4, moved=True)),
    ("raised", n.Resolved(F(4), F(5), "v1n3", "v1n6", "ornamented")),
    ("alone", h.ChordIs(F(12), F(12), K("G"), R("ii"))),
    ("leads on", h.Picardy(F(4), F(8), K("a"), C("C#"), C("C"))),
    ("climbing", p.High(F(0), F(4), P("G5"))),
    ("upbeat", h.ChordsChange(F(1), F(1) + F(1, 64))),
    ("upbeat", h.SixFour(F(0), F(2), K("Eb"), "cadential", P("Bb2"))),
    ("alone", h.ColourIs(F(0), F(0), K("G"), R("I"))),
    ("risen", p.Stays(F(0), F(12), P("C2"))),
    ("doubled", p.Stays(F(0), F(8), P("Bb3"), "inner")),
    ("others", h.ChordIs(F(0), F(0), K("Bb"), R("I6"))),
    ("broken", h.ChordIs(F(0), F(0), K("g"), R("iv"))),
    # From one form of the dominant to the other nobody is led astray.
    ("taken", h.CadenceFamily(F(8), F(8), K("C"), "deceptive")),
    # The dominant that takes on its seventh at once is no close in its own key.
    ("back", h.Cadence(F(8), F(10), K("G"), "imperfect authentic", P("G4"))),
    # A third is no step.
    ("close", n.Pull(F(6), F(8), P("F3"), C("D"), "down")),
    # One chord in the first of two bars: they do not quicken there.
    ("late", h.Quick(F(4), F(12), 2, 1)),
    # The rhythm alone is no figure.
    ("rosalia", p.FigureGoes(F(4), F(8), P("D5"), (2, -1, -1), (F(1), F(1), F(1)), "up")),
    ("rosalia", p.FigureCount(F(0), F(12), (F(0), F(4), F(8)), 3, (2, -1, 1), (F(1), F(1), F(1)))),
    ("signed upbeat", p.ChangesHere(F(1), F(1))),
    ("taken up", h.PhraseCloses(F(2), F(4))),
    ("waiting", h.PhraseCloses(F(5), F(7))),
    ("swapped", p.Moved(F(16), F(28), F(0), F(12))),
    ("moved", p.Moved(F(16), F(24), F(0), F(8))),
    ("lifted", p.Moved(F(8), F(16), F(0), F(8))),
    ("song", p.Moved(F(16), F(24), F(0), F(8))),
    ("touched", h.Cadence(F(6), F(8), K("A"), "imperfect authentic")),
    ("touched", h.Cadence(F(6), F(8), K("A"), "perfect authentic", P("A4"))),
    ("sixth alone", h.SixFour(F(0), F(2), K("G"), "cadential", P("D3"))),
    ("alone", p.MelodyIn(F(0), F(4), "in the bass", ("v1n1", "v1n2", "v1n3", "v1n4"))),
    ("thirds", p.MelodyIn(F(0), F(4), "in the bass", ("v2n2", "v2n4", "v2n5", "v2n6"))),
    ("clashing", p.Tensest(F(0), F(4), F(1))),
    ("clashing", p.Tensest(F(0), F(1), F(1))),
    ("clashing", p.Tensest(F(2), F(3), F(3), "grows")),
    ("clashing", p.Tensest(F(0), F(2), F(0), "falls")),
    ("alone", p.Stays(F(4), F(10), P("D4"))),
    ("signed", pr.PedalOpen(F(0), F(0))),
    ("signed", pr.PedalOpen(F(9), F(9))),
    ("gaps", pr.PedalOpen(F(10), F(10))),
    ("gaps", pr.PedalOpen(F(21), F(21))),
    ("breathing", rp.LineStops(F(6), F(8))),
    ("waiting", rp.LineStops(F(7), F(8))),
    ("slurred on", rp.LineStops(F(2), F(4))),
    ("slurred to the end", rp.LineStops(F(11), F(12))),
    ("passing", rp.LetsGo(F(5), F(5))),
    ("opening", rp.LetsGo(F(4), F(4))),
    ("octaves", h.TonicHeard(F(0), F(8), K("Eb"))),
    ("close", h.TonicHeard(F(0), F(0), K("C"))),
    ("one word", rp.LineStops(F(2), F(4))),
    ("growing", rp.LetsGo(F(4), F(4))),
    ("growing on", rp.LetsGo(F(4), F(4))),
    ("on its third", rp.LetsGo(F(4), F(4))),
    ("growing by word", rp.LetsGo(F(4), F(4))),
    ("growing long", rp.LetsGo(F(20), F(20))),
    ("loud", rp.LetsGo(F(4), F(4))),
    ("cadencing", rp.LetsGo(F(8), F(8))),
    ("cadencing", rp.LetsGo(F(12), F(12))),
    ("sent back", rp.PieceEnds(F(4), F(12))),
    ("running", h.Cadence(F(0), F(8), K("C"), "half")),
    ("leant on", h.Cadence(F(4), F(8), K("C"), "perfect authentic", P("C5"))),
    ("stepped to", n.Between(F(4), F(6), "v1n1", "v1n2", "v1n3", "leapt to")),
    ("flowing", p.Stays(F(0), F(12), P("C3"))),
    ("opened", h.SameChord(F(4), F(8), K("C"), R("vi"), K("G"), R("ii"))),
    ("between keys", h.SameChord(F(4), F(8), K("C"), R("vi6"), K("G"), R("ii6"))),
    ("thick", p.Dense(F(0), F(4))),
    ("swelling", p.Fullest(F(4), F(8), F(4))),
    # A crescendo begins within a bar of the end; an f stands before and after, an sf between; sempre f.
    ("hairpins", g.LoudnessOpen(F(0), F(13), "grows")),
    ("marked again", g.LoudnessOpen(F(0), F(4), "grows")),
    ("halted", h.Cadence(F(8), F(12), K("C"), "perfect authentic", P("C5"))),
    ("hairpins", g.LoudnessOpen(F(12), F(16), "falls")),
    ("hairpins", g.LoudnessOpen(F(21), F(23), "falls")),
    ("hairpins", g.LoudnessOpen(F(28), F(30), "falls")),
    ("hairpins", g.LoudnessOpen(F(36), F(37), "falls")),
    ("hairpins", g.LoudnessOpen(F(44), F(46), "grows")),
    ("leaping", g.LineTurns(F(0), F(4), P("C5"), F(3), "grows")),
    ("turned", n.Resolved(F(0), F(1), "v1n1", "v1n3", "ornamented")),
    ("mordent", n.Resolved(F(3), F(10, 3), "v1n2", "v1n3")),
    ("mordent", n.Moves(F(3), F(10, 3), "v1n2", "v1n3", "up", step=True, rests=True)),
    # A stands between others, though its own staff is lower before.
    ("hidden", g.LineTurns(F(0), F(2), P("A4"), F(2), "grows")),
    # From E the staff goes on to G before it falls.
    ("beyond", g.LineTurns(F(0), F(4), P("E5"), F(0), "falls")),
    # From A flat to F sharp is no step: it would go by G.
    ("close", n.Pull(F(0), F(1), P("Ab4"), C("F#"), "down")),
    ("leaping", g.LineTurns(F(0), F(4), P("C5"), F(0), "falls")),
    # D, F and B flat are a triad of their own, of which F major in first inversion has F alone.
    ("misnamed", h.Member(F(0), F(0), P("D3"), belongs=False)),
    ("ringing", n.Bare(F(1, 2), F(1), "v2n2", "v1n1")),
    ("sixth", h.ChordIs(F(0), F(0), K("E"), R("I"))),
    ("left", p.Stays(F(0), F(12), P("A2"))),
    ("left", p.OutOfReach(F(0), F(2), P("A2"))),
    ("chords below", p.MelodyIn(F(0), F(4), "in the left hand", ("v2n1", "v2n2", "v2n3", "v2n4"))),
    ("carrying", p.MelodyIn(F(0), F(8), "in the bass", tuple(f"v2n{k}" for k in range(1, 9)))),
    ("settled", n.Resolved(F(0), F(2), "v1n1", "v1n3", "ornamented")),
    # Where the first section has left home, what comes back is a reprise and no ternary form.
    ("varied", v.StaysInBars(*VARIED_AS, "tune")),
    ("varied", v.StaysInBars(*VARIED_AS, "harmony", 1)),
    ("varied", v.Varies(*VARIED_AS, "metre")),
    ("exposition", w.FormIs(F(0), F(24), "ternary form", PARTS)),
    ("song", w.FormIs(F(0), F(24), "rondo", PARTS)),
    ("song", w.FormIs(F(0), F(24), "minuet and trio", PARTS)),
    ("song", w.FormIs(F(0), F(24), "ground", PARTS)),
    ("halting", w.FormIs(F(0), F(80), "ground", (("A", F(0)),))),
    ("song", w.Scheme(F(0), F(24), (("A", F(0)), ("B", F(8))))),
    ("song", w.Scheme(F(0), F(24), (("introduction", F(0)), ("A", F(8)), ("B", F(16))))),
    ("song", w.Scheme(F(0), F(24), (("A", F(0)), ("A'", F(8)), ("A", F(16))))),
    ("song", w.Scheme(F(0), F(24), (("A", F(0)), ("B", F(8)), ("C", F(16))))),
    ("song", w.Scheme(F(0), F(24), (("A", F(0)), ("B", F(7)), ("A", F(16))))),
    ("close", w.OuterVoices(F(3), F(4), (C("G"), C("C")), (C("D"), C("C")), "together")),
    ("resting", h.CarriesBass(F(4), F(8), P("Bb3"))),
    ("seventh", h.CarriesBass(F(4), F(8), P("Bb2"), P("F4"))),
    ("misread", h.ChordIs(F(0), F(0), K("bb"), R("i6"))),
    ("rootless", h.ChordIs(F(0), F(0), K("Db"), R("viio43/ii"))),
    ("octaves", h.Confirmed(F(4), F(4), K("Eb"))),
    (
        "interrupted",
        n.BassLine(
            F(0), F(8), tuple(map(P, ("D3", "Eb3", "E3", "F3"))), (F(0), F(1), F(2), F(4)), "semitones", "up"
        ),
    ),
    ("song", h.KeyEntered(F(4), F(8), K("G"))),
    ("neighbour", h.SixFour(F(1), F(2), K("C"), "cadential", P("G3"))),
    ("neighbour", h.ChordIs(F(1), F(1), K("C"), R("Cad64"))),
    ("seventh", h.ChordIs(F(0), F(0), K("F"), R("V6"))),
    ("song", p.Parts(F(16), F(20), F(0))),
    ("voice after", p.TakenUp(F(8), F(16), F(1))),
    ("voice after", p.TakenUp(F(12), F(16), F(0))),
    ("sung", pr.Sung(F(0), F(0), "ruht")),
    ("sung", pr.Sung(F(0), F(0), "Fähre ruht")),
    ("sung", pr.Sung(F(0), F(6), "Die Fähre ruht")),
    ("suspended", p.Stays(F(0), F(4), P("F5"), "inner")),
    ("misread", h.ChordIs(F(4), F(4), K("G"), R("V7/IV"))),
    ("exposition", h.OneKey(F(0), F(24), K("C"))),
    ("close", h.OfTheKey(F(0), F(0), K("C"), R("V/V"))),
    ("close", p.ChangesHere(F(0), F(0))),
    ("amen", h.Cadence(F(12), F(16), K("C"), "plagal", P("C5"))),
    ("plucked", p.SoundsOn(F(0), F(16), C("A"))),
    ("overshooting", n.Overshoots(F(0), F(2), "v1n1", "v1n3", "v1n4")),
    ("close", n.Bare(F(0), F(2), "v4n1", "v1n1")),
    ("entering", p.Enters(F(8), F(12), "v1n1", 1)),
    ("close", h.Cadence(F(4), F(8), K("C"), "half")),
    ("close", h.Cadence(F(3), F(4), K("C"), "perfect authentic", P("C5"))),
    ("close", n.Resolved(F(0), F(2), "v1n1", "v1n2")),
    ("suspended", n.Prepared(F(4), F(6), "v1n1", "struck again")),
    ("suspended", n.Unresolved(F(4), F(6), "v1n1")),
    ("suspended", n.Dissonant(F(0), F(4), "v1n1")),
    ("rooted", n.Dissonant(F(0), F(1), "v1n1", leant=True)),
    ("minor", h.Cadence(F(4), F(8), K("a"), "perfect authentic", P("C#5"))),
    ("leaping", n.Leap(F(0), F(2), P("C5"), P("A5"), Interval.parse("m6"), "up")),
    ("marked", pr.Printed(F(4), F(4), "f", "dynamic")),
    ("still", p.Stays(F(0), F(12), P("G4"))),
)
"""What a reader of the score would strike out."""


def facts_on(name: str) -> Facts:
    score, chords = ON[name]
    return Facts(score, spans_of(score, chords))
