"""Chromatic chords in worked examples.

The facts are those of Hutchinson, Music Theory for the 21st-Century Classroom, chapters 17 and 18 (applied
chords), 19 (mode mixture), 20 (Neapolitan), 21 (augmented sixths) and 23 (enharmonic modulation), and of Open
Music Theory, parts IV and V; the settings are our own.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from build import build, spans_of
from tests.once import read

from understave.claims import facts
from understave.findings.applied import find_applied
from understave.findings.chromatic import find_chromatic
from understave.findings.reheard import find_reheard
from understave.harmony.reading import Event, Span
from understave.score.model import Score
from understave.teaching.narrative import entry_of, filled
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral
from understave.wording import say
from understave.wording.claiming import claims_of
from understave.wording.phrasebook import phrasebook

INTERVALS = ("P1", "M2", "m3", "P4", "-m2", "-P4", "-m3")


def moved(voice: str, interval: str) -> str:
    """Return a voice moved by an interval."""
    found = []
    for token in voice.split():
        names, colon, length = token.partition(":")
        if names not in ("|", "r"):
            names = "+".join((Pitch.parse(n) + Interval.parse(interval)).name for n in names.split("+"))
        found.append(names + colon + length)
    return " ".join(found)


def key_of(name: str, interval: str) -> Key:
    """Return a key moved by an interval."""
    key = Key.parse(name)
    return Key(key.tonic + Interval.parse(interval), key.mode)


def setting(voices: tuple[str, ...], spans: str, interval: str = "P1") -> tuple[Score, tuple[Span, ...]]:
    """Return a score and its spans, moved by an interval."""
    score = build(*(moved(v, interval) for v in voices))
    text = [
        key_of(t[:-1], interval).symbol + ":" if t.endswith(":") and t != "|" else t for t in spans.split()
    ]
    return score, spans_of(score, " ".join(text))


def pcs(*names: str, by: str = "P1") -> tuple[PitchClass, ...]:
    """Return pitch classes moved by an interval."""
    return tuple(PitchClass.parse(n) + Interval.parse(by) for n in names)


def only(events: tuple[Event, ...]) -> Event:
    """Return the single event."""
    assert len(events) == 1, [e.label for e in events]
    return events[0]


NEAPOLITAN = (("C5:1 Db5 B4 C5", "G4 Ab4 G4 G4", "Eb4 F4 D4 Eb4", "C3 F3 G3 C3"), "c: i:1 N6 V i")
ITALIAN = (("C5:1 C5 B4 C5", "G4 F#4 G4 G4", "Eb4 C4 D4 Eb4", "C3 Ab2 G2 C3"), "c: i:1 It6 V i")
FRENCH = (("C5:1 C5 B4 C5", "G4 F#4 G4 G4", "Eb4 D4 D4 Eb4", "C3 Ab2 G2 C3"), "c: i:1 Fr43 V i")
GERMAN = (
    ("C5:1 C5 C5 B4 C5", "G4 F#4 G4 G4 G4", "Eb4 Eb4 Eb4 D4 Eb4", "C3 Ab2 G2 G2 C3"),
    "c: i:1 Ger65 Cad64 V i",
)


@pytest.mark.parametrize("interval", INTERVALS)
def test_neapolitan_in_minor(interval: str) -> None:
    """The lowered second degree in first inversion, bass doubled, its root falling to the leading tone."""
    e = only(find_chromatic(*setting(*NEAPOLITAN, interval)))
    assert (e.kind, e.label, e.start, e.end) == ("chromatic chord", "neapolitan", 1, 2)
    assert e.get("changes") == (pcs("Db", "D", by=interval),)
    assert e.get("replaces") == RomanNumeral.parse("iio")
    assert e.get("position") == "first inversion"
    assert e.get("leads") == "dominant"
    assert e.get("second") == "v1n2"
    assert e.get("goes_to") == Pitch.parse("B4") + Interval.parse(interval)
    assert e.get("doubled") == pcs("F", by=interval)[0]
    assert e.notes == ("v1n2",)


def test_neapolitan_in_major() -> None:
    """In major two notes differ from the diatonic second-degree chord; a six-four may come between."""
    score, spans = setting(
        ("E5:1 F5 E5 D#5 E5", "B4 C5 B4 B4 B4", "G#4 A4 G#4 F#4 G#4", "E3 A3 B3 B2 E3"),
        "E: I:1 N6 Cad64 V I",
    )
    e = only(find_chromatic(score, spans))
    assert (e.label, e.get("leads")) == ("neapolitan", "six-four")
    assert set(e.get("changes") or ()) == {pcs("F", "F#"), pcs("C", "C#")}  # type: ignore[arg-type]
    assert e.get("replaces") == RomanNumeral.parse("ii")
    assert set(e.notes) == {"v1n2", "v2n2"}


def test_neapolitan_before_the_applied_chord() -> None:
    """The bass may rise chromatically through the leading-tone chord of the dominant."""
    score, spans = setting(
        ("C5:1 Db5 C5 B4", "G4 Ab4 A4 G4", "Eb4 F4 Eb4 D4", "C3 F3 F#3 G3"), "c: i:1 N6 viio7/V V"
    )
    assert [(e.label, e.get("leads")) for e in find_chromatic(score, spans)] == [("neapolitan", "applied")]


def test_neapolitan_as_the_last_chord_of_another_key() -> None:
    """Labelled as the subdominant of A flat, it proves a Neapolitan by the dominant of C that follows."""
    voices = ("C5:1 Db5 C5 B4", "Ab4 Ab4 A4 G4", "Eb4 F4 Eb4 D4", "Ab3 F3 F#3 G3")
    e = only(find_chromatic(*setting(voices, "Ab: I:1 IV6 c: viio7/V V")))
    assert (e.label, e.get("key"), str(e.get("chord"))) == ("neapolitan", Key.parse("c"), "N6")
    assert (e.get("heard_in"), str(e.get("heard_as"))) == (Key.parse("Ab"), "IV6")


NOT_NEAPOLITAN = {
    "the subdominant of its own key": (
        ("C5:1 Db5 C5", "Ab4 Ab4 Ab4", "Eb4 F4 Eb4", "Ab3 Db3 Ab3"),
        "Ab: I:1 IV I",
    ),
    "a label that the notes do not bear out": (
        ("C5:1 D5 B4 C5", "G4 Ab4 G4 G4", "Eb4 F4 D4 Eb4", "C3 F3 G3 C3"),
        "c: i:1 N6 V i",
    ),
    "the deceptive answer to the dominant of iv": (
        ("G4:1 Ab4 G4 G4", "E4 F4 F4 Eb4", "Bb3 Ab3 B3 C4", "C3 Db3 D3 Eb3"),
        "c: V7/iv:1 bII V43 i6",
    ),
    "a chord that leads to its own key": (
        ("C5:1 Db5 C5 Db5", "G4 Ab4 Ab4 Ab4", "Eb4 F4 Gb4 F4", "C3 Db3 Eb3 Db3"),
        "c: i:1 bII Db: V43 I",
    ),
    "the subdominant of a key that is left for another": (
        ("C5:1 Db5 C5 Bb4", "Ab4 Ab4 Ab4 G4", "Eb4 F4 F4 Eb4", "Ab3 F3 F3 Eb3"),
        "Ab: I:1 IV6 f: i Eb: I",
    ),
    "the submediant": (("C5:1 C5 B4 C5", "G4 Ab4 G4 G4", "Eb4 Eb4 D4 Eb4", "C3 Ab2 G2 C3"), "c: i:1 VI V i"),
}


@pytest.mark.parametrize("case", NOT_NEAPOLITAN)
def test_no_neapolitan(case: str) -> None:
    """Major chords on a lowered second degree that do not serve the dominant, or are none."""
    found = find_chromatic(*setting(*NOT_NEAPOLITAN[case]))
    assert "neapolitan" not in [e.label for e in found]


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize(
    ("example", "label", "leads"),
    [
        (ITALIAN, "italian sixth", "dominant"),
        (FRENCH, "french sixth", "dominant"),
        (GERMAN, "german sixth", "six-four"),
    ],
)
def test_augmented_sixths(
    example: tuple[tuple[str, ...], str], label: str, leads: str, interval: str
) -> None:
    """The lowered sixth and raised fourth degrees push outward to the octave on the fifth."""
    e = only(find_chromatic(*setting(*example, interval)))
    assert (e.label, e.start, e.get("leads"), e.get("outward")) == (label, 1, leads, 1)
    assert (e.get("lower"), e.get("upper")) == ("v4n2", "v2n2")
    interval_found = e.get("interval")
    assert isinstance(interval_found, Interval)
    assert interval_found.name == "A6"
    assert e.get("target") == pcs("G", by=interval)[0]
    assert e.get("lower_goes") == Pitch.parse("G2") + Interval.parse(interval)
    assert e.get("upper_goes") == Pitch.parse("G4") + Interval.parse(interval)
    assert e.get("spelling") == "augmented sixth"


def test_german_sixth_with_the_raised_fourth_below() -> None:
    """Inverted, the two notes make a diminished third, which closes to the unison."""
    e = only(
        find_chromatic(
            *setting(
                ("C5:1 C5 B4", "G4 Ab4 G4", "Eb4 Eb4 D4", "C3 F#3 G3"),
                "c: i:1 Ger7 V",
            )
        )
    )
    interval = e.get("interval")
    assert isinstance(interval, Interval)
    assert (e.label, interval.name, e.get("outward")) == ("german sixth", "d3", 1)


def test_augmented_sixth_that_sinks_to_the_seventh() -> None:
    """Before a dominant seventh the raised fourth may slide down to the natural one."""
    e = only(
        find_chromatic(
            *setting(("C5:1 C5 B4 C5", "G4 F#4 F4 Eb4", "Eb4 Eb4 D4 C4", "C3 Ab2 G2 C3"), "c: i:1 Ger65 V7 i")
        )
    )
    assert (e.label, e.get("outward"), e.get("leads")) == ("german sixth", None, "dominant")
    assert "both reach" not in say(e, build("C5:1"))


def test_german_sixth_written_as_a_dominant_seventh() -> None:
    """What counts is where it goes: G flat written, but led up to G like F sharp."""
    voices = ("C5:1 C5 C5 B4", "G4 Gb4 G4 G4", "Eb4 Eb4 Eb4 D4", "C3 Ab2 G2 G2")
    e = only(find_chromatic(*setting(voices, "c: i:1 Ger65 Cad64 V")))
    assert (e.get("spelling"), e.get("outward")) == ("minor seventh", 1)


@pytest.mark.parametrize("example", [ITALIAN, FRENCH, GERMAN])
@pytest.mark.parametrize(
    ("numeral", "label"), [("It6", "italian sixth"), ("Fr43", "french sixth"), ("Ger65", "german sixth")]
)
def test_an_augmented_sixth_is_told_as_it_is_labelled(
    example: tuple[tuple[str, ...], str], numeral: str, label: str
) -> None:
    """The reader names it after what sounds; another name is the teacher's, and is kept in what is told."""
    voices, spans = example
    given = next(t for t in spans.split() if t[:2] in ("It", "Fr", "Ge"))
    e = only(find_chromatic(*setting(voices, spans.replace(given, numeral))))
    assert (e.label, str(e.get("chord"))) == (label, numeral)


@pytest.mark.parametrize(("numeral", "key", "told"), [("Ger65/V", "F", "Ger65"), ("It6/iv", "g", "It6")])
def test_the_sixth_of_another_degree_is_told_in_the_key_of_that_degree(
    numeral: str, key: str, told: str
) -> None:
    """Named with its key: "Ger65/V in C" would be the sixth of G."""
    (voices, spans) = GERMAN if numeral.startswith("Ger") else ITALIAN
    label = next(t for t in spans.split() if t[:2] in ("It", "Ge"))
    dominant = {"Ger65/V": "Cad64/V V/V V", "It6/iv": "V/iv iv"}[numeral]
    first = {"F": "v", "g": "iv"}[key]
    score, found = setting(voices, f"{key}: {first}:1 {numeral} {dominant}")
    e = only(tuple(e for e in find_chromatic(score, found) if "sixth" in e.label))
    assert label in spans
    assert (str(e.get("chord")), e.get("key")) == (told, Key.parse("c" if key == "g" else "C"))


def test_no_german_sixth_where_a_seventh_chord_resolves() -> None:
    """The same sound, spelled and resolved as the dominant seventh of D flat."""
    voices = ("C5:1 C5 Db5", "G4 Gb4 F4", "Eb4 Eb4 Db4", "C3 Ab2 Db3")
    score, spans = setting(voices, "c: i:1 Ger65 Db: I")
    assert not [e for e in find_chromatic(score, spans) if e.label == "german sixth"]


def test_no_augmented_sixth_in_a_minor_subdominant() -> None:
    """The Phrygian bass over a plain minor subdominant has no raised fourth."""
    voices = ("C5:1 C5 B4", "G4 F4 G4", "Eb4 C4 D4", "C3 Ab2 G2")
    assert find_chromatic(*setting(voices, "c: i:1 iv6 V")) == ()


def test_three_notes_that_pass_by_are_no_common_tone_chord() -> None:
    """The chord is fully diminished (Open Music Theory, part V): without its A, two notes only pass."""
    voices = ("G4:1 C5 G4", "E4 F#4 E4", "C4 C4 C4", "C3 D#3 E3")
    assert find_chromatic(*setting(voices, "C: I:1 #iio7 I6")) == ()


@pytest.mark.parametrize("interval", INTERVALS)
def test_common_tone_diminished_seventh(interval: str) -> None:
    """D sharp, F sharp, A and C around the tonic triad of C, which keeps its root."""
    voices = ("G4:1 A4 G4", "E4 F#4 E4", "C4 C4 C4", "C3 D#3 E3")
    e = only(find_chromatic(*setting(voices, "C: I:1 #iio7 I6", interval)))
    assert (e.label, e.get("around")) == ("common-tone diminished seventh", 1)
    assert e.get("common") == pcs("C", by=interval)[0]
    assert e.get("held") == ("v3n2", "v3n3")


@pytest.mark.parametrize(("inner", "told"), [("A3:1 A3 A3", False), ("A3:1 G#3 A3", True)])
def test_a_chord_in_which_two_notes_stay_is_no_common_tone_chord(inner: str, told: bool) -> None:
    """Only the common tone stays, the others move by step (Open Music Theory, part V, from memory)."""
    voices = ("F#4:1 F4 F#4", "D#4:1 D4 D#4", inner, "B2:1 B2 B2")
    score, spans = setting(voices, "E: V7:1 viio43/ii V7")
    found = find_chromatic(score, spans)
    assert ("common-tone diminished seventh" in [e.label for e in found]) is told


@pytest.mark.parametrize(
    ("voices", "labels", "told"),
    [
        (("G4:1 A4 G4", "Eb4 Eb4 Eb4", "G3 F#3 G3", "C3 C3 C3"), "c: i:1 viio43/V i", True),
        (("G4:1 A4 G4", "Eb4 F#4 Eb4", "G3 Eb3 G3", "C3 C3 C3"), "c: i:1 viio43/V i", False),
        (("G4:1 A4 G4", "Eb4 Eb4 Eb4", "G3 F#3 G3", "B2 C3 C3"), "c: V65:1 viio43/V i", False),
        (("C5:1 D5 C5", "Ab4 Ab4 Ab4", "C4 B3 C4", "F3 F3 F3"), "c: iv:1 viio43 iv", False),
    ],
)
def test_about_a_minor_tonic_two_notes_stay(voices: tuple[str, ...], labels: str, told: bool) -> None:
    """A minor triad shares its root and third with the chord; about the fourth degree it is the key's own
    leading-tone seventh (Aldwell and Schachter, Harmony and Voice Leading, from memory). *Die Stadt* by
    Schubert begins so; an analyst remarks it in Chaminade's *Sur la plage* (When in Rome).
    """
    score, spans = setting(voices, labels)
    found = [e for e in find_chromatic(score, spans) if e.label == "common-tone diminished seventh"]
    assert len(found) == told
    for event in found:
        assert (event.get("common"), event.get("third")) == pcs("C", "Eb")
        assert "C and E flat stay" in say(event, score)
        assert all(claim.holds(facts(score, spans)) for claim in claims_of(event, score))


@pytest.mark.parametrize(
    ("voices", "spans"),
    [
        (("G4:1 A4 G4 G4", "E4 Eb4 E4 D4", "C4 C4 C4 B3", "C3 F#3 G3 G3"), "C: I:1 viio7/V Cad64 V"),
        (("G4:1 Ab4 G4", "E4 F4 E4", "C4 D4 C4", "C3 B2 C3"), "C: I:1 viio7 I"),
        (("G4:1 A4 G4", "E4 Eb4 D4", "C4 C4 B3", "C3 F#3 G3"), "C: I:1 viio7/V V"),
    ],
)
def test_no_common_tone_where_the_leading_tone_leads(voices: tuple[str, ...], spans: str) -> None:
    """Leading-tone sevenths of the tonic and the dominant, the latter also before the six-four."""
    found = find_chromatic(*setting(voices, spans))
    assert "common-tone diminished seventh" not in [e.label for e in found]


MIXTURE = [
    ("iv", "F3+Ab3+C4", (("Ab", "A"),), "IV"),
    ("bVI", "Ab3+C4+Eb4", (("Ab", "A"), ("Eb", "E")), "vi"),
    ("bIII", "Eb3+G3+Bb3", (("Eb", "E"), ("Bb", "B")), "iii"),
    ("bVII", "Bb2+D3+F3", (("Bb", "B"),), "viio"),
    ("iiø7", "D3+F3+Ab3+C4", (("Ab", "A"),), "ii"),
    ("iio", "D3+F3+Ab3", (("Ab", "A"),), "ii"),
    ("viio7", "B2+D3+F3+Ab3", (("Ab", "A"),), "viio"),
    ("i", "C3+Eb3+G3", (("Eb", "E"),), "I"),
    ("v", "G3+Bb3+D4", (("Bb", "B"),), "V"),
]


@pytest.mark.parametrize("interval", ["P1", "P4", "M3"])
@pytest.mark.parametrize(("numeral", "notes", "changes", "plain"), MIXTURE)
def test_mode_mixture(
    numeral: str, notes: str, changes: tuple[tuple[str, str], ...], plain: str, interval: str
) -> None:
    """Chords of the parallel minor in a major key (Hutchinson, chapter 19)."""
    score, spans = setting((f"C3+E3+G3:1 {notes} C3+E3+G3",), f"C: I:1 {numeral} I", interval)
    e = only(find_chromatic(score, spans))
    assert e.label == "borrowed chord"
    assert e.get("changes") == tuple(pcs(*c, by=interval) for c in changes)
    assert e.get("source") == key_of("c", interval)
    assert e.get("replaces") == RomanNumeral.parse(plain)
    assert len(e.notes) == len(changes)


@pytest.mark.parametrize(
    "spans",
    ["C: I:1 IV I", "C: I:1 ii I", "C: I:1 V7/IV IV", "c: i:1 iv i", "c: i:1 VI i", "c: i:1 viio7 i"],
)
def test_no_mixture(spans: str) -> None:
    """Diatonic chords, the leading-tone seventh in its own minor key, and an applied dominant."""
    key = Key.parse(spans.split(":")[0])
    numerals = [RomanNumeral.parse(t.split(":")[0]) for t in spans.split()[1:]]
    chords = [
        "+".join(f"{p.name}{4 if p.letter in 'CDE' else 3}" for p in n.chord(key).members) for n in numerals
    ]
    score = build(" ".join(f"{c}:1" for c in chords))
    assert find_chromatic(score, spans_of(score, spans)) == ()


@pytest.mark.parametrize(
    ("chord", "numeral", "way", "pair", "goes"),
    [
        ("G3+B3+D#4", "V+", "raised", ("D#", "D"), "E4"),
        ("G3+B3+D#4+F4", "V+7", "raised", ("D#", "D"), "E4"),
        ("G3+B3+Db4+F4", "V7[b5]", "lowered", ("Db", "D"), "C4"),
    ],
)
def test_altered_dominants(chord: str, numeral: str, way: str, pair: tuple[str, str], goes: str) -> None:
    """A raised fifth leads up to the third of the tonic, a lowered one down to its root."""
    score, spans = setting((f"{chord}:1 C4+E4+G4",), f"C: {numeral}:1 I")
    e = only(find_chromatic(score, spans))
    assert (e.label, e.get("way")) == ("altered dominant", way)
    assert e.get("changes") == (pcs(*pair),)
    assert e.get("goes_to") == Pitch.parse(goes)


def test_no_altered_dominant_in_a_minor_mediant() -> None:
    """III+ in minor has the leading tone as its own fifth: every note is in the key."""
    score, spans = setting(("C4+Eb4+G4:1 Eb4+G4+B4 C4+Eb4+G4",), "c: i:1 III+ i")
    assert find_chromatic(score, spans) == ()


APPLIED = [
    # voices, spans, label, target, resolution, changes
    (
        ("C5:1 C5 B4", "G4 A4 G4", "E4 F#4 G4", "C3 D3 G2"),
        "C: I:1 V7/V V",
        ("applied dominant", "V", "resolves", (("F#", "F"),)),
    ),
    (
        ("C5:1 A4 A4", "G4 G4 F4", "E4 E4 D4", "C3 C#3 D3"),
        "C: I:1 V65/ii ii",
        ("applied dominant", "ii", "resolves", (("C#", "C"),)),
    ),
    (
        ("G4:1 A4 G4 G4", "E4 Eb4 E4 D4", "C4 C4 C4 B3", "C3 F#3 G3 G3"),
        "C: I:1 viio7/V Cad64 V",
        ("applied leading-tone chord", "V", "six-four", (("F#", "F"), ("Eb", "E"))),
    ),
    (
        ("C5:1 B4 C5", "G4 G#4 A4", "E4 E4 F4", "C3 E3 F3"),
        "C: I:1 V/vi IV",
        ("applied dominant", "vi", "deceptive", (("G#", "G"),)),
    ),
    (
        ("G4:1 A4 A4", "E4 E4 F#4", "C4 C#4 C4", "C3 A2 D3"),
        "C: I:1 V/ii V7/V",
        ("applied dominant", "ii", "chain", (("C#", "C"),)),
    ),
    (
        ("C5:1 Bb4 A4", "G4 G4 F4", "E4 E4 F4", "C3 C3 F3"),
        "C: I:1 V7/IV IV",
        ("applied dominant", "IV", "resolves", (("Bb", "B"),)),
    ),
    (
        ("Eb5:1 F5 Eb5", "C5 D5 Bb4", "G4 Bb4 G4", "C3 Bb2 Eb3"),
        "c: i:1 V/III III",
        ("applied dominant", "III", "resolves", ()),
    ),
    (
        ("C5:1 C5 B4", "G4 A4 G4", "E4 F#4 G4", "C3 D3 E3"),
        "C: I:1 V7/V iii",
        ("applied dominant", "V", "deceptive", (("F#", "F"),)),
    ),
    (
        ("C5:1 C5 C5", "G4 A4 A4", "E4 F#4 F4", "C3 D3 F3"),
        "C: I:1 V7/V IV",
        ("applied dominant", "V", "elsewhere", (("F#", "F"),)),
    ),
    (
        ("C5:1 C5", "G4 A4", "E4 F#4", "C3 D3"),
        "C: I:1 V7/V",
        ("applied dominant", "V", "none", (("F#", "F"),)),
    ),
]


@pytest.mark.parametrize(("voices", "spans", "expected"), APPLIED)
def test_applied_chords(
    voices: tuple[str, ...], spans: str, expected: tuple[str, str, str, tuple[tuple[str, str], ...]]
) -> None:
    """Applied dominants and leading-tone chords, resolved, deceived and chained (chapters 17 and 18)."""
    e = find_applied(*setting(voices, spans))[0]
    label, target, resolution, changes = expected
    assert (e.label, e.get("resolution")) == (label, resolution)
    assert e.get("target") == RomanNumeral.parse(target)
    assert e.get("changes") == tuple(pcs(*c) for c in changes)
    assert (e.start, e.get("resolution_time")) == (1, None if resolution == "none" else 2)


@pytest.mark.parametrize(
    ("voices", "spans", "resolution"),
    [
        (("C5:1 C5 C5", "G4 A4 G4", "E4 F#4 E4", "C3 D3 G3"), "C: I:1 V7/V Cad64", "six-four"),
        (("C5:1 B4 D5", "G4 G#4 A4", "E4 E4 F4", "C3 D3 A3"), "C: I:1 V42/vi IV64", "elsewhere"),
    ],
)
def test_only_the_dominant_is_reached_by_way_of_its_six_four(
    voices: tuple[str, ...], spans: str, resolution: str
) -> None:
    """A six-four over another degree than the fifth is not cadential (Hutchinson, section 16.3)."""
    assert find_applied(*setting(voices, spans))[0].get("resolution") == resolution


def test_applied_leading_tone_is_followed() -> None:
    """The raised note is the target's leading tone and rises to it."""
    score, spans = setting(*APPLIED[0][:2])
    e = only(find_applied(score, spans))
    assert e.get("leading_tone") == PitchClass.parse("F#")
    assert e.get("leading_note") == "v3n2"
    assert e.get("goes_to") == Pitch.parse("G4")


@pytest.mark.parametrize(("after", "goes"), [("G4", "G4"), ("F4", "F4"), ("D4", None)])
def test_a_leading_tone_that_leaps_is_not_said_to_go_there(after: str, goes: str | None) -> None:
    """It rises, or gives way by a semitone; what leaps moves within chords (common practice, no source)."""
    chords = ("G5:1 A5 B5", "C5:1 C5 D5", f"G4:1 F#4 {after}", "C3:1 D3 G3")
    (e,) = find_applied(*setting(chords, "C: I:1 V7/V V"))
    assert e.get("goes_to") == (None if goes is None else Pitch.parse(goes))


def test_a_leading_tone_whose_line_rests_is_taken_over_by_another_voice() -> None:
    """F sharp ends, G begins in the same hand; what its own line has later is not where it goes."""
    score = build("A4:1 A4 G4 B4", "F#4:2 r:1 E4:1", "D3:2 G3:2", "C3:2 B2:2", signature=1)
    e = find_applied(score, spans_of(score, "C: V42/V:2 V6:2"))[0]
    assert (e.get("leading_pitch"), e.get("goes_to")) == (Pitch.parse("F#4"), Pitch.parse("G4"))


def test_no_applied_chord_in_plain_cadences() -> None:
    """The dominant and the leading-tone chord of the key itself are applied to nothing."""
    voices = ("C5:1 C5 B4 B4 C5", "G4 A4 G4 F4 E4", "E4 F4 D4 D4 C4", "C3 F3 G3 G3 C3")
    score, spans = setting(voices, "C: I:1 ii65 V V7 I")
    assert find_applied(score, spans) == ()


def test_the_dominant_of_the_tonic_is_applied_to_nothing() -> None:
    """G, B, D in C major is its own dominant, also where it is labelled as that of C minor."""
    voices = ("E5:1 D5 E5", "C5 B4 C5", "G4 G4 G4", "C3 G2 C3")
    score, spans = setting(voices, "C: I:1 V/i I")
    assert find_applied(score, spans) == ()


def test_dominant_seventh_leaves_as_german_sixth() -> None:
    """The dominant seventh of D flat sounds like the German sixth of C (chapter 23)."""
    voices = ("Db5:1 C5 C5 B4 C5", "Ab4 Gb4 G4 G4 G4", "F4 Eb4 E4 D4 E4", "Db3 Ab2 G2 G2 C3")
    e = only(find_reheard(*setting(voices, "Db: I:1 V7 C: Cad64 V I")))
    assert e.label == "dominant seventh as german sixth"
    assert (e.get("key"), e.get("new_key")) == (Key.parse("Db"), Key.parse("C"))
    assert (str(e.get("chord")), str(e.get("new_chord"))) == ("V7", "Ger65")
    assert e.get("respelled") == (pcs("Gb", "F#"),)
    assert (e.get("written"), e.notes) == ("before", ("v2n2",))


def test_german_sixth_leaves_as_dominant_seventh() -> None:
    """The way back: what C minor would lead outward to G, D flat takes for its own dominant."""
    voices = ("C5:1 C5 Db5", "G4 F#4 F4", "Eb4 Eb4 Db4", "C3 Ab2 Db3")
    e = only(find_reheard(*setting(voices, "c: i:1 Ger65 Db: I")))
    assert e.label == "german sixth as dominant seventh"
    assert (str(e.get("chord")), str(e.get("new_chord"))) == ("Ger65", "V7")
    assert e.get("respelled") == (pcs("F#", "Gb"),)


def test_one_sound_under_two_names() -> None:
    """Written out both ways over two bars, the pivot lasts as long as the sound."""
    voices = (
        "Db5:4 | Cb5 | B4 | C5 | B4",
        "Ab4:4 | Ab4 | Ab4 | Ab4 | G4",
        "F4:4 | F4 | F4 | F4 | E4",
        "Db3:4 | Db3 | Db3 | C3 | C3",
    )
    e = only(find_reheard(*setting(voices, "Db: I:4 V7/IV f: Ger65 Cad64 V")))
    assert (e.start, e.end, e.get("written")) == (4, 12, "both")
    assert str(e.get("chord")) == "V7/IV"


def test_diminished_seventh_leaves_for_another_key() -> None:
    """B, D, F, A flat is the leading-tone seventh of C, E flat, G flat (F sharp) and A (handbook fact)."""
    voices = ("E5:1 F5 E5 E5", "C5 D5 C5 B4", "G4 Ab4 A4 G#4", "C3 B2 A2 E3")
    e = only(find_reheard(*setting(voices, "C: I:1 viio7 a: i V")))
    assert (e.label, e.get("new_key")) == ("diminished seventh", Key.parse("a"))
    assert (str(e.get("chord")), e.get("respelled")) == ("viio7", (pcs("Ab", "G#"),))
    keys = e.get("keys")
    assert isinstance(keys, tuple)
    assert {k.tonic.semitone for k in keys if isinstance(k, Key)} == {0, 3, 6, 9}


@pytest.mark.parametrize(
    ("voices", "spans"),
    [
        (("E5:1 F5 E5", "C5 D5 C5", "G4 G#4 A4", "C3 B2 A2"), "C: I:1 a: viio7 i"),
        (("E5:1 F5 E5", "C5 D5 C5", "G4 Ab4 G4", "C3 B2 C3"), "C: I:1 viio7 I"),
        (("C5:1 C5 C5 B4", "G4 F#4 G4 G4", "Eb4 Eb4 Eb4 D4", "C3 Ab2 G2 G2"), "c: i:1 Ger65 Cad64 V"),
        (("C5:1 C5 B4", "G4 A4 G4", "E4 F#4 G4", "C3 D3 G2"), "C: I:1 G: V7 I"),
    ],
)
def test_no_enharmonic_pivot(voices: tuple[str, ...], spans: str) -> None:
    """One reading is enough: the chord resolves as it is spelled, or the key does not change."""
    assert find_reheard(*setting(voices, spans)) == ()


def test_times_are_exact() -> None:
    """A chord that changes position is told once, from its first note to its last."""
    voices = (
        "C5:1 Db5:1 F5 B4:2 C5:3",
        "G4:1 Ab4:2 G4:2 G4:3",
        "Eb4:1 F4:2 D4:2 Eb4:3",
        "C3:1 F3:1 Db3 G3:2 C3:3",
    )
    e = only(find_chromatic(*setting(voices, "c: i:1 N6:1 bII:1 V:2 i:3")))
    assert (e.start, e.end) == (Fraction(1), Fraction(3))


ENGINE = [
    (
        (
            "C5:2 C5 B4 C5 | C5:2 Db5 B4 C5",
            "G4:2 Ab4 G4 G4 | G4:2 Ab4 G4 G4",
            "Eb4:2 F4 D4 Eb4 | Eb4:2 F4 D4 Eb4",
            "C3:2 F3 G3 C3 | C3:2 F3 G3 C3",
        ),
        ("neapolitan", 10),
    ),
    (
        (
            "C5:2 C5 B4 C5 | C5:2 C5 C5 B4 | C5:4",
            "G4:2 Ab4 G4 G4 | G4:2 F#4 G4 G4 | G4:4",
            "Eb4:2 F4 D4 Eb4 | Eb4:2 Eb4 Eb4 D4 | Eb4:4",
            "C3:2 F3 G3 C3 | C3:2 Ab2 G2 G2 | C3:4",
        ),
        ("german sixth", 10),
    ),
    (
        (
            "G4:2 A4 G4 G4 | G4:2 Ab4 G4 F4 | E4:4",
            "E4:2 F4 F4 E4 | E4:2 F4 E4 D4 | C4:4",
            "C4:2 C4 B3 C4 | C4:2 C4 C4 B3 | C4:4",
            "C3:2 F3 G3 C3 | C3:2 F3 G3 G3 | C3:4",
        ),
        ("borrowed chord", 10),
    ),
]


@pytest.mark.parametrize("interval", ["P1", "M2", "-m3"])
@pytest.mark.parametrize(("voices", "expected"), ENGINE)
def test_through_the_tools_own_reading(
    voices: tuple[str, ...], expected: tuple[str, int], interval: str
) -> None:
    """The same chords where nobody gives the labels, and nothing else chromatic."""
    score = build(*(moved(v, interval) for v in voices))
    found = [e for e in read(score).events if e.kind == "chromatic chord"]
    assert [(e.label, e.start) for e in found] == [expected]


@pytest.mark.parametrize(
    ("figure", "told"),
    [("Ab4:1/2 C5 F5 C5 Ab4 C5 F5 C5", True), ("Ab4:1/2 B4 D5 G5 F5 D5 B4 D5", False)],
)
def test_a_borrowed_chord_has_the_weight_of_what_is_heard(figure: str, told: bool) -> None:
    """Over F, A flat with C is the minor tonic; with B and D it is another chord, and no C is heard."""
    score = build(f"A4:4 | {figure} | A4:4", "C5:4 | r:4 | C5:4", "F2:4 | F2:4 | F2:4", signature=-1)
    found = find_chromatic(score, spans_of(score, "F: I:4 | i:4 | I:4"))
    assert bool([e for e in found if e.start == 4]) is told


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("G#5:2 B5:1/2 A5 G#5:1", False),
        ("G#5:2 B5:1/2 G#5 G#5:1", True),
        ("G#5:2 B5+G#5:1/2 A5 G#5:1", True),
    ],
)
def test_a_line_by_step_that_nothing_accompanies_borrows_no_chord(line: str, told: bool) -> None:
    """A chord is two notes at least, at once or broken (any handbook); B, A and G sharp are a line."""
    score = build(f"G#4+B#4+D#5:4 | {line} | G#4+B#4+D#5:4", signature=8)
    found = find_chromatic(score, spans_of(score, "G#: I:4 | I:2 i:2 | I:4"))
    assert [e.label for e in found] == (["borrowed chord"] if told else [])


@pytest.mark.parametrize(
    ("before", "key", "told"),
    [("C3+E3+G3", "C: I", True), ("C3+G3+C4", "C: I", False), ("E3+G3+B3", "e: i", False)],
)
def test_nothing_is_borrowed_from_the_minor_where_only_the_minor_is_heard(
    before: str, key: str, told: bool
) -> None:
    """A third of the major is heard within two bars, while the key lasts, or the minor is the key."""
    score = build(f"C3+E3+G3:4 | C3+G3+C4:4 | {before}:4 | C3+Eb3+G3:4 | C3+G3+C4:4")
    found = find_chromatic(score, spans_of(score, f"C: I:4 I:4 {key}:4 C: i:4 I:4"))
    assert [e.label for e in found] == (["borrowed chord"] if told else [])


@pytest.mark.parametrize(
    ("music", "brief"),
    [
        ("F3+Ab3+C4:4 | C3+E3+G3:4 | F3+A3+C4:4", None),
        ("F3+Ab3+C4:4 | F3+A3+C4:4 | F3+A3+C4:4", 1),
        ("F3+Ab3+C4:4 | F3+A3+C4:2 F3+Ab3+C4:2 | F3+A3+C4:4", None),
        ("F3+Ab3+C4:4 | F3+Ab3+C4:2 F3+A3+C4:2 | F3+A3+C4:4", 1),
        ("F3+Ab3+C4:4 | F3+Ab3+C4:4 | F3+Ab3+C4:4", None),
        ("F3+Ab3+C4:4 | C3+E3+G3:4 | C3+E3+G3:4", None),
        ("F3+Ab3+C4:3 A3:1 | C3+E3+G3:4 | C3+E3+G3:4", None),
    ],
)
def test_a_borrowed_chord_is_brief_where_the_note_of_the_key_is_back(music: str, brief: int | None) -> None:
    """A flat is over when A is heard again, within two bars, and no A flat after it (common practice)."""
    score = build(f"C3+E3+G3:4 | {music}")
    event = find_chromatic(score, spans_of(score, "C: I:4 iv:4 IV:8"))[0]
    assert (event.start, event.get("brief")) == (4, brief)
    book = phrasebook("en")
    whys = [filled(score, event, entry_of(event, book)[name], book) for name in ("why", "why_2")]
    assert ["moment" in whys[0], "soon over" in whys[1]] == [bool(brief)] * 2
    assert ("for a moment" in say(event, score, "beginner")) is bool(brief)


def test_an_applied_dominant_is_answered_by_the_chord_as_it_begins() -> None:
    """A seventh that comes when the triad has been heard is no part of the answer (common practice)."""
    score, spans = setting(
        ("C5:1 C5 B4 B4", "G4 A4 G4 G4", "E4 F#4 D4 F4", "C3 D3 G2 G2"), "C: I:1 V7/V V V7"
    )
    (event,) = find_applied(score, spans)
    assert event.get("to") == RomanNumeral.parse("V")
