"""Single sentences: exact wording of made events, and that nothing is said that the event does not hold.

German names of notes follow the language's usage (B natural is H, B flat is B; common practice, no source).
"""

from __future__ import annotations

import re
from fractions import Fraction

import pytest
from tests.partial import event as made
from tests.wording.readings import EXAMPLES, NAMES, piece

from understave.errors import UnderstaveError
from understave.harmony.reading import Detail, Event
from understave.score.model import Measure, Score
from understave.theory.key import Key, all_keys
from understave.theory.names import key_name
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral
from understave.wording import LEVELS, SPOKEN, in_a_line, phrasebook, plain, say
from understave.wording.gaps import GAP
from understave.wording.sentences import say_again, values_of

F = Fraction


def score_of(bars: int) -> Score:
    measures = tuple(Measure(f"m{i}", i, str(i + 1), F(4 * i), F(4), 4, 4, 0) for i in range(bars))
    return Score("", "", (), measures, ())


def event(kind: str, label: str, start: int, end: int, **detail: Detail) -> Event:
    return made(kind, label, F(start), F(end), (), 0.9, tuple(detail.items()))


CADENCE = event(
    "cadence",
    "perfect authentic",
    8,
    16,
    key=Key.parse("b"),
    goal=RomanNumeral.parse("i"),
    leader=RomanNumeral.parse("V7"),
    arrival=F(12),
    melody=Pitch.parse("B4"),
    melody_degree=1,
    ends_phrase=1,
)
SUSPENSION = event(
    "non-chord tone",
    "suspension",
    4,
    5,
    pitch=Pitch.parse("Bb4"),
    resolution_pitch=Pitch.parse("A4"),
    resolution_time=F(5),
    figures="4-3",
    place="top",
    manner="direct",
    chord=RomanNumeral.parse("V"),
)


@pytest.mark.parametrize(
    ("told", "level", "language", "text"),
    [
        (
            CADENCE,
            "beginner",
            "en",
            "The music comes home. The chord of tension gives way to the home chord, and the tune lands on "
            "B, the home note of B minor.",
        ),
        (
            CADENCE,
            "intermediate",
            "en",
            "Perfect authentic cadence in B minor: ⟨V7⟩ leads to ⟨i⟩, and bass and melody both land on the "
            "tonic B.",
        ),
        (
            CADENCE,
            "intermediate",
            "de",
            "Vollkommene authentische Kadenz in h-Moll: ⟨V7⟩ führt zu ⟨i⟩, Bass und Melodie landen beide auf "
            "dem Grundton H.",
        ),
        (
            SUSPENSION,
            "intermediate",
            "en",
            "Suspension 4-3 in the top voice: B flat is held over from the chord before and sinks to A.",
        ),
        (
            SUSPENSION,
            "intermediate",
            "de",
            "Vorhalt 4-3 in der Oberstimme: Der Ton B bleibt vom Akkord davor liegen und sinkt zu A.",
        ),
        (
            SUSPENSION,
            "advanced",
            "en",
            "4-3 suspension of B flat in the top voice over ⟨V⟩, resolved to A at bar 2, beat 2.",
        ),
    ],
)
def test_made_events_read_as_they_should(told, level, language, text):
    assert say(told, score_of(6), level, language) == text


def test_optional_parts_fall_away_without_their_values():
    bare = event("cadence", "half", 0, 4, key=Key.parse("G"), goal=RomanNumeral.parse("V"), arrival=F(0))
    assert say(bare, score_of(2), "advanced", "en") == "Half cadence in G major–⟨V⟩."


@pytest.mark.parametrize("language", SPOKEN)
@pytest.mark.parametrize("level", LEVELS)
def test_a_close_under_a_silent_melody_is_told_at_every_level(level, language):
    silent = event(
        "cadence",
        "imperfect authentic",
        0,
        4,
        key=Key.parse("G"),
        goal=RomanNumeral.parse("I"),
        leader=RomanNumeral.parse("V"),
        arrival=F(0),
        weak=("top not on the tonic",),
        top=Pitch.parse("B4"),
        top_degree=3,
    )
    told = say(silent, score_of(2), level, language)
    assert not GAP.search(told)
    if level == "beginner" and language == "en":
        assert told.endswith("but not quite for good: the highest note is B, not the home note.")


def test_pairs_intervals_and_counts_are_named():
    mixed = event(
        "chromatic chord",
        "borrowed chord",
        0,
        4,
        key=Key.parse("C"),
        chord=RomanNumeral.parse("iv"),
        source=Key.parse("c"),
        changes=((PitchClass.parse("Ab"), PitchClass.parse("A")),),
        brief=1,
    )
    assert say(mixed, score_of(2), "intermediate", "en") == (
        "Borrowed chord ⟨iv⟩ in C major, taken from C minor: A flat in place of A."
    )
    assert say(mixed, score_of(2), "beginner", "de") == (
        "Das Licht wechselt: As statt A, als stünde die Musik für einen Augenblick in c-Moll."
    )
    model = event(
        "sequence", "falling", 0, 12, statements=3, interval=Interval.parse("-M2"), imitation="exact"
    )
    assert say(model, score_of(3), "intermediate", "en") == (
        "Falling sequence: the model is stated three times, each time a major second lower."
    )


def test_the_chord_that_follows_is_told_in_the_key_of_the_sentence():
    told = event(
        "applied chord",
        "applied dominant",
        0,
        4,
        key=Key.parse("C"),
        chord=RomanNumeral.parse("V7/V"),
        target=RomanNumeral.parse("V"),
        resolution="resolves",
        to=RomanNumeral.parse("I"),
        to_key=Key.parse("G"),
    )
    assert say(told, score_of(2), "advanced", "en") == "⟨V7/V⟩ in C major, resolved to ⟨V⟩."


def test_numerals_in_a_line_of_plain_text():
    assert in_a_line("⟨V65/V⟩ and ⟨viio7⟩") == "V⁶₅/V and vii°⁷"
    assert plain("⟨V65/V⟩") == "V65/V"


@pytest.mark.parametrize(
    ("pace", "english", "german"),
    [
        (F(3), "three changes to a bar", "drei Wechsel je Takt"),
        (F(1), "one change to a bar", "ein Wechsel je Takt"),
        (F(9, 8), "one change to a bar", "ein Wechsel je Takt"),
        (F(3, 2), "1.5 changes to a bar", "1,5 Wechsel je Takt"),
        (F(1, 3), "one change in three bars", "ein Wechsel in drei Takten"),
        (F(0), "no change at all", "gar kein Wechsel"),
    ],
)
def test_paces_are_named_as_people_do(pace, english, german):
    told = event("harmonic rhythm", "slower", 0, 8, pace=pace, around=F(2), bars=2)
    assert english in say(told, score_of(2), "advanced", "en")
    assert german in say(told, score_of(2), "advanced", "de")


def test_a_tempo_is_told_in_felt_beats():
    measure = Measure("m", 0, "1", F(0), F(3), 6, 8, 0)
    score = Score("", "", (), (measure,), ())
    told = event("instruction", "tempo", 0, 3, text="Andante", terms=("andante",), per_minute=75.0)
    assert say(told, score, "intermediate", "en") == (
        "“Andante”: at a walking pace. About 50 dotted quarter notes a minute are given."
    )


def test_what_has_no_words_is_refused():
    with pytest.raises(KeyError):
        say(event("cadence", "unheard of", 0, 4), score_of(2))
    with pytest.raises(UnderstaveError, match="no words"):
        phrasebook("zz")


def _flat(value: Detail) -> list[Detail]:
    return [x for v in value for x in _flat(v)] if isinstance(value, tuple) else [value]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("language", SPOKEN)
def test_no_gap_is_left_and_all_that_is_named_is_in_the_event(name, language):
    score, reading = piece(name)
    keys = {key_name(k, language): k for k in all_keys()}
    named_keys = re.compile("|".join(rf"\b{re.escape(n)}\b" for n in sorted(keys, key=len, reverse=True)))
    bar = phrasebook(language).phrases["bar"].format(first=r"(\d\w*)")
    assert reading.events
    for e in reading.events:
        values = [v for x in values_of(e).values() for v in _flat(x)]
        chords = {str(v) for v in values if isinstance(v, RomanNumeral)}
        own_keys = {v for v in values if isinstance(v, Key)}
        bars = {score.measure_at(v).number for v in values if isinstance(v, Fraction)}
        for level in LEVELS:
            for text in (say(e, score, level, language), say_again(e, score, level, language)):
                assert text, e
                assert not re.search(r"[{}|\[\]]", re.sub("⟨[^⟩]*⟩", "", text)), text
                assert "  " not in text, text
                assert not re.search(r" [.,;:]|[,;:]\.|\.\.$", text), text
                assert set(re.findall("⟨([^⟩]*)⟩", text)) <= chords, text
                for key in named_keys.findall(text):
                    assert keys[key] in own_keys | {k.simplest for k in own_keys}, text
                for number in re.findall(rf"\b{bar}\b", text):
                    assert number in bars, text


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("language", SPOKEN)
def test_every_word_of_ours_is_worded_in_the_language(name, language):
    book = phrasebook(language)
    as_it_is = {"hand", "letter", "figures", "text"}
    """Names of parts, letters of sections, figures and printed words stand as they are."""
    for e in piece(name)[1].events:
        values = values_of(e)
        for text in book.events[f"{e.kind}.{e.label}"].values():
            for gap in GAP.finditer(text):
                if gap[2] not in (None, "cap", "first", "or") or gap[1] in as_it_is:
                    continue
                for word in _flat(values.get(gap[1], ())):
                    if isinstance(word, str):
                        own = book.values.get(f"{e.kind}.{gap[1]}", {})
                        assert word in own or word in book.values[gap[1]], (e.kind, gap[1], word)


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("language", SPOKEN)
def test_sentences_are_short(name, language):
    score, reading = piece(name)
    for e in reading.events:
        for sentence in re.split(r"(?<=[.?!]) ", plain(say(e, score, "beginner", language))):
            assert len(sentence.split()) <= 34, sentence


@pytest.mark.parametrize("text", ["⟨zz⟩", "⟨⟩ and ⟨V7", "⟩⟨", "⟨[/]⟩ {0} %s", "a ⟨⟨V⟩"])
def test_brackets_that_hold_no_numeral_stand_as_they_are(text):
    """Titles and the teacher's words may hold the same brackets."""
    assert in_a_line(text) == text
