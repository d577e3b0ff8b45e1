"""MusicXML that we write: valid, the same when read back, and read alike by other readers.

The schema comes from `tests/conftest.py`.
"""

import random
import sys
from collections import Counter
from dataclasses import replace
from fractions import Fraction

import pytest
from lxml import etree
from musicxml_text import attributes, bar, direction, note, score

from understave.score.model import Direction, Measure, Note, Part, Score
from understave.score.notated import choose_clefs, split_value, value_of
from understave.score.readers.musicxml import read_musicxml
from understave.score.timeline import lay_out, sort_key
from understave.score.write import Insertion, insert_all, to_musicxml, with_source
from understave.theory.pitch import Interval, Pitch


def check(schema, data):
    tree = etree.fromstring(data)
    assert schema.validate(tree), str(schema.error_log.last_error)
    return tree


def test_the_schema_refuses_what_is_wrong(schema):
    good = with_source(piece([(0, 4, "C4")])).source
    assert schema.validate(etree.fromstring(good))
    for old, new in (
        (b"<duration>", b"<length>"),
        (b"<octave>4", b"<octave>44"),
        (b"<type>whole", b"<type>long-ish"),
    ):
        assert old in good
        end = new.replace(b"<", b"</") if new == b"<length>" else b""
        bad = good.replace(old, new).replace(b"</duration>", end or b"</duration>")
        assert not schema.validate(etree.fromstring(bad))


# Scores made by hand -----------------------------------------------------------------------------------


def measures(count, beats=4, beat_type=4, signature=0, lengths=None):
    full = Fraction(4 * beats, beat_type)
    bars = [
        Measure(
            f"m{k + 1}", k, str(k + 1), Fraction(0), (lengths or {}).get(k, full), beats, beat_type, signature
        )
        for k in range(count)
    ]
    return lay_out(bars)[0]


def piece(notes, bars=None, directions=(), parts=None, **more):
    """Notes are (onset, duration, name) and optionally staff, voice and fields by name."""
    bars = bars or measures(max(1, int(max(o + d for o, d, *_ in notes) + 3) // 4))
    made = []
    for k, (onset, duration, name, *rest) in enumerate(notes):
        staff = rest[0] if rest else 1
        voice = rest[1] if len(rest) > 1 else "1"
        fields = rest[2] if len(rest) > 2 else {}
        onset = Fraction(onset)
        index = max(m.index for m in bars if m.start <= onset)
        pitch = Pitch.parse(name)
        made.append(
            replace(
                Note(f"x{k}", onset, Fraction(duration), pitch, pitch, staff, voice, 0, index, (f"x{k}",)),
                **fields,
            )
        )
    staves = max(n.staff for n in made)
    return Score(
        title="Made",
        composer="Nobody",
        parts=parts or (Part("P1", "Piano", 1, staves),),
        measures=bars,
        notes=tuple(sorted(made, key=sort_key)),
        directions=tuple(directions),
        **more,
    )


def same(first, second):
    """All that a score says, ids of directions aside; notes in one order for all unisons."""

    def notes(s):
        return sorted(s.notes, key=lambda n: (sort_key(n), n.id))

    assert notes(first) == notes(second)
    assert first.measures == second.measures
    assert Counter(replace(d, id="") for d in first.directions) == Counter(
        replace(d, id="") for d in second.directions
    )
    assert (first.title, first.composer) == (second.title, second.composer)


def round_trip(schema, made):
    written = with_source(made)
    check(schema, written.source)
    got = read_musicxml(written.source)
    same(replace(written, parts=()), replace(got, parts=()))
    assert [(p.name, p.first_staff, p.last_staff) for p in got.parts] == [
        (p.name, p.first_staff, p.last_staff) for p in made.parts
    ]
    return got


def test_a_long_note_is_cut_at_barlines_and_tied(schema):
    made = piece([(1, 9, "C4")], measures(3))
    written = with_source(made)
    assert written.notes[0].ids == ("x0", "x0-t2", "x0-t3")
    tree = check(schema, written.source)
    types = [
        (n.findtext("type"), len(n.findall("dot"))) for n in tree.iter("note") if n.find("pitch") is not None
    ]
    assert types == [("half", 1), ("whole", 0), ("half", 0)]
    round_trip(schema, made)


@pytest.mark.parametrize(
    "duration", [Fraction(5, 4), Fraction(5, 2), Fraction(7, 8), Fraction(9, 8), Fraction(5, 6)]
)
def test_lengths_without_a_single_sign_are_tied(schema, duration):
    made = piece([(0, duration, "C4"), (duration, 4 - duration, "D4")])
    got = round_trip(schema, made)
    assert [n.duration for n in got.notes] == [duration, 4 - duration]


def test_tuplets_are_bracketed(schema):
    third, fifth = Fraction(1, 3), Fraction(1, 5)
    notes = [(k * third, third, "C5") for k in range(3)] + [(1 + k * fifth, fifth, "D5") for k in range(5)]
    notes += [(2, Fraction(2, 3), "E5"), (2 + Fraction(2, 3), third, "F5"), (3, 1, "G5")]
    tree = check(schema, with_source(piece(notes)).source)
    marks = [(t.get("type")) for t in tree.iter("tuplet")]
    assert marks == ["start", "stop"] * 3
    ratios = {
        (t.findtext("actual-notes"), t.findtext("normal-notes")) for t in tree.iter("time-modification")
    }
    assert ratios == {("3", "2"), ("5", "4")}
    round_trip(schema, piece(notes))


def test_beams_follow_the_beat(schema):
    half = Fraction(1, 2)
    tree = check(schema, with_source(piece([(k * half, half, "C5") for k in range(8)])).source)
    assert [b.text for b in tree.iter("beam")] == ["begin", "end"] * 4
    six_eight = piece([(k * half, half, "C5") for k in range(6)], measures(1, 6, 8))
    tree = check(schema, with_source(six_eight).source)
    assert [b.text for b in tree.iter("beam")] == ["begin", "continue", "end"] * 2
    dotted = piece([(0, Fraction(3, 4), "C5"), (Fraction(3, 4), Fraction(1, 4), "D5"), (1, 3, "E5")])
    tree = check(schema, with_source(dotted).source)
    assert [(b.get("number"), b.text) for b in tree.iter("beam")] == [
        ("1", "begin"),
        ("1", "end"),
        ("2", "backward hook"),
    ]


def test_accidentals_hold_to_the_barline(schema):
    notes = [(0, 1, "F#4"), (1, 1, "F#4"), (2, 1, "F4"), (3, 1, "F#5"), (4, 2, "F4"), (6, 2, "Bb4")]
    tree = check(schema, with_source(piece(notes, measures(2))).source)
    assert [n.findtext("accidental") for n in tree.iter("note")] == [
        "sharp",
        None,
        "natural",
        "sharp",
        None,
        "flat",
    ]
    tree = check(schema, with_source(piece(notes, measures(2, signature=1))).source)
    assert [n.findtext("accidental") for n in tree.iter("note")] == [
        None,
        None,
        "natural",
        None,
        "natural",
        "flat",
    ]


def test_clefs_follow_the_notes():
    assert choose_clefs([[28, 30], [35, 33]], "G") == ["G", "G"]
    assert choose_clefs([[14, 16], [15, 17]], "G") == ["F", "F"]
    assert (
        choose_clefs([[18, 20]] * 4 + [[40] * 8] * 4 + [[18]] * 4, "F") == ["F"] * 4 + ["G"] * 4 + ["F"] * 4
    )
    for usual in ("F", "G"):
        assert choose_clefs([[], [28]], usual) == [usual, usual]


def test_voices_chords_and_two_staves(schema):
    notes = [
        (0, 4, "C5", 1, "1"),
        (0, 2, "E4", 1, "2"),
        (0, 2, "G4", 1, "2"),
        (3, 1, "A4", 1, "2"),
        (0, 1, "C3", 2, "1"),
        (1, 3, "D3", 2, "1"),
        (4, 4, "C5", 1, "1"),
    ]
    got = round_trip(schema, piece(notes, measures(2)))
    voices = {(n.staff, n.voice) for n in got.notes}
    assert len({v for s, v in voices if s == 1} & {v for s, v in voices if s == 2}) == 0


def test_a_voice_that_crosses_staves_stays_one(schema):
    notes = [(0, 1, "C3", 2, "5"), (1, 1, "G4", 1, "5"), (2, 2, "C3", 2, "5"), (0, 4, "E5", 1, "1")]
    got = round_trip(schema, piece(notes))
    assert {n.voice for n in got.notes if n.pitch.octave < 5} == {"5"}


def test_overlaps_inside_one_voice_are_written_apart(schema):
    got = round_trip(schema, piece([(0, 4, "C4"), (1, 2, "E4"), (2, 2, "G4")]))
    assert [(n.onset, n.duration) for n in got.notes] == [(0, 4), (1, 2), (2, 2)]


def test_grace_notes_marks_and_lyrics(schema):
    notes = [
        (0, 0, "D5", 1, "1", {"grace": True}),
        (0, 0, "B4", 1, "1", {"grace": True}),
        (
            0,
            2,
            "C5",
            1,
            "1",
            {
                "ornaments": ("trill", "wavy-line-start", "tremolo-3"),
                "articulations": ("accent", "staccato", "slur-start"),
                "fingering": ("1", "3"),
                "fermata": True,
                "arpeggiated": True,
                "lyrics": ("Hal-", "Go"),
            },
        ),
        (2, 1, "D5", 1, "1", {"articulations": ("slur-stop", "slur-start"), "lyrics": ("lo",)}),
        (3, 1, "E5", 1, "1", {"articulations": ("slur-stop",), "cue": True}),
    ]
    marks = [Direction("f", "fermata", Fraction(0), None, 1, "fermata")]
    got = round_trip(schema, piece(notes, directions=marks))
    assert [n.pitch.name for n in got.notes] == ["D5", "B4", "C5", "D5", "E5"]


def test_directions_of_every_kind(schema):
    marks = [
        Direction("d1", "tempo", Fraction(0), None, 1, "Andante", 72.0),
        Direction("d2", "dynamic", Fraction(0), None, 2, "mf"),
        Direction("d3", "dynamic", Fraction(1, 2), None, 2, "sffpp"),
        Direction("d4", "wedge", Fraction(1), Fraction(3), 1, "crescendo"),
        Direction("d5", "wedge", Fraction(3), Fraction(5), 1, "diminuendo"),
        Direction("d6", "wedge", Fraction(2), Fraction(4), 2, "crescendo"),
        Direction("d7", "words", Fraction(2), Fraction(6), 1, "cresc."),
        Direction("d8", "words", Fraction(2), None, 1, "dolce"),
        Direction("d9", "pedal", Fraction(0), None, 2, "start", 1.0),
        Direction("d10", "pedal", Fraction(2), None, 2, "change", 0.5),
        Direction("d11", "pedal", Fraction(4), None, 2, "stop", 0.0),
        # Over the right pedal, and past its end.
        Direction("d19", "pedal", Fraction(1), None, 2, "sostenuto"),
        Direction("d20", "pedal", Fraction(6), None, 2, "sostenuto-stop"),
        Direction("d12", "ottava", Fraction(4), Fraction(6), 1, "8va"),
        Direction("d13", "rehearsal", Fraction(4), None, 1, "B"),
        Direction("d14", "segno", Fraction(4), None, 1, "segno"),
        Direction("d15", "chord-symbol", Fraction(4), None, 1, "Bbm7/Db"),
        Direction("d16", "chord-symbol", Fraction(6), None, 1, "F#dim7"),
        Direction("d17", "tempo", Fraction(6), None, 1, "", 60.0),
        Direction("d18", "other", Fraction(7), None, 1, "sing"),
    ]
    notes = [(k, 1, "C5", 1) for k in range(4)] + [(0, 8, "C3", 2)]
    notes += [(k, 1, "C6", 1, "1", {"written": Pitch.parse("C5")}) for k in (4, 5)] + [(6, 2, "C5", 1)]
    marks = [d if d.kind != "other" else replace(d, kind="words") for d in marks]
    round_trip(schema, piece(notes, measures(2), sorted(marks, key=lambda d: (d.onset, d.staff))))


def test_a_transposing_part(schema):
    down = Interval(-1, -2)
    notes = []
    for k, name in enumerate(("D4", "E4", "F#4", "G4")):
        notes.append((k, 1, (Pitch.parse(name) + down).name, 1, "1", {"written": Pitch.parse(name)}))
    made = piece(notes, measures(1, signature=0))
    written = with_source(made)
    tree = check(schema, written.source)
    assert tree.findtext(".//transpose/chromatic") == "-2"
    assert tree.findtext(".//fifths") == "2"
    round_trip(schema, made)


def test_pickups_repeats_endings_and_changes(schema):
    bars = list(measures(8, lengths={0: Fraction(1)}))
    bars = [replace(b, number=str(k)) for k, b in enumerate(bars)]
    bars[1] = replace(bars[1], repeat_start=True)
    bars[3] = replace(bars[3], ending=(1,), repeat_end=True)
    bars[4] = replace(bars[4], ending=(2,))
    bars[5] = replace(bars[5], beats=6, beat_type=8, length=Fraction(3), signature=-3, mode="minor")
    bars[6] = replace(bars[5], id="m7", number="6")
    bars[7] = replace(bars[5], id="m8", number="7")
    bars = lay_out(bars, implicit={0})[0]
    notes = [(b.start, b.length, "C4") for b in bars]
    got = round_trip(schema, piece(notes, bars))
    assert [m.number for m in got.measures] == [str(k) for k in range(8)]
    assert got.measures[0].offset == 3


def test_several_parts(schema):
    parts = (Part("P1", "Voice", 1, 1), Part("P2", "Piano", 2, 3), Part("P3", "Cello", 4, 4))
    notes = [
        (0, 4, "C5", 1, "1", {"part": 0}),
        (0, 2, "E4", 2, "1", {"part": 1}),
        (2, 2, "G3", 3, "2", {"part": 1}),
        (0, 4, "C3", 4, "1", {"part": 2}),
    ]
    marks = [
        Direction("a", "dynamic", Fraction(0), None, 1, "p"),
        Direction("b", "dynamic", Fraction(2), None, 3, "f"),
        Direction("c", "words", Fraction(1), None, 4, "pizz."),
    ]
    round_trip(schema, piece(notes, parts=parts, directions=marks))


def test_an_own_source_is_given_back():
    text = score(bar(attributes(divisions=1) + note("C4", 4)))
    got = read_musicxml(text)
    assert to_musicxml(got) == got.source
    assert read_musicxml(to_musicxml(replace(got, source=b""))).notes == got.notes


# Random scores -----------------------------------------------------------------------------------------


def random_score(rng):
    """Two staves, up to three voices, tuplets, ties over beats and barlines, rests and chords."""
    beats, beat_type = rng.choice(((4, 4), (3, 4), (6, 8), (2, 2), (5, 8), (9, 8)))
    count = rng.randrange(1, 5)
    signature = rng.randrange(-5, 6)
    bars = measures(count, beats, beat_type, signature)
    end = bars[-1].end
    sizes = [Fraction(a, b) for a, b in ((1, 2), (1, 1), (3, 2), (2, 1), (1, 4), (3, 4), (5, 2), (5, 4))]
    groups = [
        [Fraction(1, 3)] * 3,
        [Fraction(2, 3), Fraction(1, 3)],
        [Fraction(1, 5)] * 5,
        [Fraction(1, 6)] * 6,
    ]
    notes = []
    for voice in range(rng.randrange(1, 4)):
        staff = 1 if voice == 0 else rng.choice((1, 2))
        at = Fraction(0)
        while at < end:
            run = rng.choice(groups) if rng.random() < 0.25 else [rng.choice(sizes)]
            if at + sum(run) > end:
                run = [end - at]
            for length in run:
                if rng.random() > 0.2:
                    for octave in rng.sample((3, 4, 5), rng.choice((1, 1, 2))):
                        name = rng.choice("CDEFGAB") + rng.choice(("", "", "#", "b")) + str(octave)
                        notes.append((at, length, name, staff, str(voice + 1)))
                at += length
    return piece(notes or [(0, 1, "C4", 2)], bars, parts=(Part("P1", "Piano", 1, 2),))


@pytest.mark.parametrize("seed", range(40))
def test_random_scores_come_back_the_same(schema, seed):
    round_trip(schema, random_score(random.Random(seed)))


@pytest.mark.parametrize("seed", range(6))
def test_random_scores_are_read_alike_by_a_reference_reader(seed, tmp_path):
    music21 = pytest.importorskip("music21")
    made = with_source(random_score(random.Random(100 + seed)))
    path = tmp_path / "made.musicxml"
    path.write_bytes(made.source)
    theirs = Counter()
    for staff, part in enumerate(music21.converter.parse(path).parts, 1):
        for m in part.getElementsByClass("Measure"):
            for e in m.recurse().notes:
                onset = Fraction(m.offset + e.getOffsetInHierarchy(m)).limit_denominator(1000)
                for n in getattr(e, "notes", (e,)):
                    if n.tie is None or n.tie.type == "start":
                        theirs[onset, n.pitch.midi, staff] += 1
    ours = Counter((n.onset, n.midi, n.staff) for n in made.notes)
    assert ours == theirs


# Values ------------------------------------------------------------------------------------------------


def test_values():
    assert value_of(Fraction(3, 2)).type == "quarter"
    assert value_of(Fraction(3, 2)).dots == 1
    assert (value_of(Fraction(1, 3)).type, value_of(Fraction(1, 3)).actual) == ("eighth", 3)
    assert value_of(Fraction(5, 4)) is None
    assert split_value(Fraction(0), Fraction(5, 4)) == (1, Fraction(1, 4))
    assert split_value(Fraction(3, 4), Fraction(5, 4)) == (Fraction(1, 4), 1)


def test_odd_lengths_are_split_in_few_steps():
    made = 0

    def count(frame, event, _what):
        nonlocal made
        made += event == "call" and frame.f_code.co_filename.endswith("fractions.py")

    split_value(Fraction(1, 17), Fraction(509, 85))
    sys.setprofile(count)
    try:
        for n in range(100):
            split_value(Fraction(n, 255), Fraction(256 * n + 1, 1020))
    finally:
        sys.setprofile(None)
    assert made < 100 * 600


@pytest.mark.parametrize("denominator", [1, 2, 4, 8, 3, 6, 12, 5, 7, 9])
def test_every_length_splits_into_printable_values(denominator):
    for numerator in range(1, 6 * denominator):
        for start in (Fraction(0), Fraction(1, denominator), Fraction(1, 2)):
            pieces = split_value(start, Fraction(numerator, denominator))
            assert sum(pieces) == Fraction(numerator, denominator)
            assert all(value_of(p) is not None for p in pieces)


# Putting elements in -----------------------------------------------------------------------------------


def symbol(name="C"):
    return etree.fromstring(
        f"<harmony><root><root-step>{name}</root-step></root><kind>major</kind></harmony>"
    )


PIANO = (
    bar(
        attributes(divisions=4, more="<staves>2</staves>")
        + note("C5", 4, "quarter", staff="1")
        + note("D5", 12, "half", after="<dot/>".replace("<dot/>", ""), staff="1")
        + "<backup><duration>16</duration></backup>"
        + note("C3", 16, "whole", voice="5", staff="2")
    )
    + bar(
        note("R", 16, staff="1")
        + "<backup><duration>16</duration></backup>"
        + note("R", 16, voice="5", staff="2"),
        "2",
    )
    + bar("", "3")
)
VOICE = bar(attributes(divisions=1) + note("G4", 4)) + bar(note("G4", 4), "2") + bar(note("G4", 4), "3")


@pytest.mark.parametrize(
    ("measure", "offset", "staff"),
    [
        (0, 0, 1),
        (0, 0, 2),
        (0, 0, 3),
        (0, 1, 2),
        (0, Fraction(5, 2), 2),
        (0, 2, 3),
        (1, Fraction(7, 2), 3),
        (2, 1, 2),
    ],
)
def test_inserted_elements_are_read_at_their_moment(schema, measure, offset, staff):
    before = read_musicxml(score(VOICE, PIANO))
    root = etree.fromstring(before.source)
    insert_all(root, [Insertion(measure, Fraction(offset), staff, symbol())])
    after = read_musicxml(etree.tostring(root))
    assert after.notes == before.notes
    assert after.measures == before.measures
    (d,) = after.directions
    assert (d.kind, d.text, d.onset, d.staff) == ("chord-symbol", "C", 4 * measure + offset, staff)
    check(schema, etree.tostring(root))


def test_many_insertions_keep_their_order(schema):
    root = etree.fromstring(read_musicxml(score(VOICE, PIANO)).source)
    names = "CDEFGAB"
    wanted = [Insertion(k % 3, Fraction(k, 2), 3, symbol(name)) for k, name in enumerate(names)]
    insert_all(root, wanted)
    got = read_musicxml(etree.tostring(root))
    assert {(d.text, d.onset) for d in got.directions} == {
        (name, 4 * (k % 3) + Fraction(k, 2)) for k, name in enumerate(names)
    }
    check(schema, etree.tostring(root))


def test_insertions_keep_all_that_was_there():
    content = (
        direction("<words>dolce</words>")
        + note("C4", 2)
        + direction("<dynamics><p/></dynamics>")
        + note("D4", 2)
    )
    got = read_musicxml(score(bar(attributes(divisions=1) + content)))
    root = etree.fromstring(got.source)
    insert_all(root, [Insertion(0, Fraction(2), 1, symbol()), Insertion(0, Fraction(0), 1, symbol("G"))])
    for e in root.findall(".//harmony"):
        e.getparent().remove(e)
    assert etree.tostring(root, method="c14n") == etree.tostring(etree.fromstring(got.source), method="c14n")


def test_insertions_into_bars_that_are_not_there():
    root = etree.fromstring(read_musicxml(score(VOICE)).source)
    for measure, staff in ((3, 1), (-1, 1), (0, 2), (0, 0)):
        with pytest.raises(IndexError):
            insert_all(root, [Insertion(measure, Fraction(0), staff, symbol())])


# Ids in the engraving ----------------------------------------------------------------------------------


def svg_ids(source):
    verovio = pytest.importorskip("verovio")
    verovio.enableLog(verovio.LOG_OFF)
    toolkit = verovio.toolkit()
    toolkit.setOptions({"breaks": "none"})
    assert toolkit.loadData(source.decode())
    svg = etree.fromstring(toolkit.renderToSVG(1).encode())
    return {e.get("id") for e in svg.iter() if e.get("id")}


def test_the_engraver_keeps_every_id_of_a_read_score():
    chord = note("E4", 4, "quarter") + note("G4", 4, "quarter", before="<chord/>")
    grace = note("D5", None, "eighth", before="<grace/>")
    tie = note(
        "C5", 8, "half", middle='<tie type="start"/>', after='<notations><tied type="start"/></notations>'
    )
    end = note(
        "C5", 16, "whole", middle='<tie type="stop"/>', after='<notations><tied type="stop"/></notations>'
    )
    text = score(bar(attributes() + chord + grace + note("A4", 4, "quarter") + tie) + bar(end, "2"), PIANO)
    got = read_musicxml(text)
    wanted = {i for n in got.notes for i in n.ids} | {m.id for m in got.measures}
    assert len(wanted) == 9 + 3
    assert wanted <= svg_ids(got.source)


@pytest.mark.parametrize("seed", range(3))
def test_the_engraver_keeps_every_id_of_a_written_score(seed):
    made = with_source(random_score(random.Random(200 + seed)))
    wanted = {i for n in made.notes for i in n.ids} | {m.id for m in made.measures}
    assert wanted <= svg_ids(made.source)


def test_lengths_that_no_sign_can_print_are_still_written_exactly(schema):
    odd = Fraction(1, 9_600_007)
    made = piece([(0, 1 + odd, "C4"), (1 + odd, 1 - odd, "D4"), (2, 2, "E4")])
    got = round_trip(schema, made)
    assert [n.duration for n in got.notes] == [1 + odd, 1 - odd, 2]
