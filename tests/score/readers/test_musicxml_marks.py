"""Pitch, marks on notes, directions and ids of MusicXML scores.

The meaning of each element is that of the MusicXML 4.0 specification (W3C Music Notation Community
Group final report, 2021), named beside each check.
"""

from fractions import Fraction

import pytest
from lxml import etree
from musicxml_text import attributes, bar, direction, note, score

from understave.score.readers.musicxml import read_musicxml


def first_note(after="", before="", middle="", more=""):
    text = score(
        bar(attributes(divisions=1, more=more) + note("C4", 4, before=before, middle=middle, after=after))
    )
    return read_musicxml(text).notes[0]


def directions(content):
    got = read_musicxml(score(bar(attributes(divisions=4, beats=4, more="<staves>2</staves>") + content)))
    return [(d.kind, d.text, d.onset, d.end, d.staff, d.value) for d in got.directions]


FOUR = "".join(note(p, 4, "quarter", staff="1") for p in ("C4", "D4", "E4", "F4"))


# Pitch -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("transpose", "sounding"),
    [
        # A clarinet in B flat: "chromatic -2, diatonic -1" sounds a major second lower.
        ("<diatonic>-1</diatonic><chromatic>-2</chromatic>", "Bb3"),
        ("<chromatic>-2</chromatic>", "Bb3"),
        # A horn in F: a fifth lower.
        ("<diatonic>-4</diatonic><chromatic>-7</chromatic>", "F3"),
        # A double bass: "octave-change": how many octaves to add.
        ("<diatonic>0</diatonic><chromatic>0</chromatic><octave-change>-1</octave-change>", "C3"),
        # A baritone saxophone: a sixth and an octave.
        ("<diatonic>-5</diatonic><chromatic>-9</chromatic><octave-change>-1</octave-change>", "Eb2"),
        ("<diatonic>2</diatonic><chromatic>3</chromatic>", "Eb4"),
    ],
)
def test_transpose_gives_the_sounding_pitch(transpose, sounding):
    n = first_note(more=f"<transpose>{transpose}</transpose>")
    assert n.pitch.name == sounding
    assert n.written.name == "C4"


def test_transpose_may_hold_for_one_staff():
    more = (
        '<staves>2</staves><transpose number="2"><diatonic>-1</diatonic><chromatic>-2</chromatic></transpose>'
    )
    content = (
        note("C5", 4, staff="1")
        + "<backup><duration>4</duration></backup>"
        + note("C4", 4, voice="2", staff="2")
    )
    got = read_musicxml(score(bar(attributes(divisions=1, more=more) + content)))
    assert {n.pitch.name for n in got.notes} == {"C5", "Bb3"}


def test_the_key_is_the_sounding_one():
    more = "<transpose><diatonic>-1</diatonic><chromatic>-2</chromatic></transpose>"
    clarinet = bar(attributes(divisions=1, fifths=2, more=more) + note("D4", 4))
    violin = bar(attributes(divisions=1, fifths=0) + note("C4", 4))
    assert read_musicxml(score(clarinet)).measures[0].signature == 0
    assert read_musicxml(score(clarinet, violin)).measures[0].signature == 0
    assert read_musicxml(score(violin, clarinet)).measures[0].signature == 0


def test_octave_lines_change_what_is_printed_only():
    # "octave-shift": 8va is printed an octave below the pitch data, type "down".
    line = direction('<octave-shift type="{}" size="8"/>')
    text = score(
        bar(
            attributes(divisions=1)
            + note("C5", 1)
            + line.format("down")
            + note("D6", 1)
            + note("E6", 1)
            + line.format("stop")
            + note("F5", 1)
        )
    )
    got = read_musicxml(text)
    assert [(n.pitch.name, n.written.name) for n in got.notes] == [
        ("C5", "C5"),
        ("D6", "D5"),
        ("E6", "E5"),
        ("F5", "F5"),
    ]
    (d,) = got.directions
    assert (d.kind, d.text, d.onset, d.end) == ("ottava", "8va", 1, 3)


def test_missing_alteration_is_taken_from_the_accidental():
    assert first_note(after="<accidental>sharp</accidental>").pitch.name == "C#4"
    assert first_note(after="<accidental>natural</accidental>").pitch.name == "C4"


def test_staves_count_over_all_parts():
    piano = bar(
        attributes(divisions=1, more="<staves>2</staves>")
        + note("C5", 4, staff="1")
        + "<backup><duration>4</duration></backup>"
        + note("C3", 4, voice="5", staff="2")
    )
    voice = bar(attributes(divisions=1) + note("G4", 4))
    got = read_musicxml(score(voice, piano, voice, names=("Voice", "Piano", "Flute")))
    assert [(p.name, p.first_staff, p.last_staff) for p in got.parts] == [
        ("Voice", 1, 1),
        ("Piano", 2, 3),
        ("Flute", 4, 4),
    ]
    assert sorted((n.pitch.name, n.staff) for n in got.notes) == [("C3", 3), ("C5", 2), ("G4", 1), ("G4", 4)]


def test_cross_staff_notes_keep_their_voice():
    content = note("C4", 1, staff="2") + note("E4", 1, staff="1") + note("G4", 2, staff="2")
    got = read_musicxml(score(bar(attributes(divisions=1, more="<staves>2</staves>") + content)))
    assert [(n.staff, n.voice) for n in got.notes] == [(2, "1"), (1, "1"), (2, "1")]


# Marks on notes ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("inner", "expected"),
    [
        ("<trill-mark/>", ("trill",)),
        ("<mordent/>", ("mordent",)),
        ("<inverted-mordent/>", ("inverted-mordent",)),
        ("<turn/>", ("turn",)),
        ("<delayed-turn/>", ("delayed-turn",)),
        ('<tremolo type="single">3</tremolo>', ("tremolo-3",)),
        ('<tremolo type="start">2</tremolo>', ("tremolo-start-2",)),
        ('<trill-mark/><wavy-line type="start"/>', ("trill", "wavy-line-start")),
    ],
)
def test_ornaments(inner, expected):
    n = first_note(after=f"<notations><ornaments>{inner}</ornaments></notations>")
    assert n.ornaments == expected


def test_articulations_slurs_fingering_and_more():
    n = first_note(
        after='<notations><slur type="start" number="1"/><articulations><accent/><staccato/></articulations>'
        "<technical><fingering>1</fingering><fingering>3</fingering></technical><fermata/><arpeggiate/></notations>"
        '<lyric number="1"><syllabic>begin</syllabic><text>A</text></lyric>'
        '<lyric number="2"><syllabic>single</syllabic><text>to</text></lyric>'
    )
    assert n.articulations == ("accent", "staccato", "slur-start")
    assert n.fingering == ("1", "3")
    assert n.fermata
    assert n.arpeggiated
    assert n.lyrics == ("A-", "to")


def test_cue_notes_are_marked():
    assert first_note(before="<cue/>").cue


def test_two_note_tremolo_keeps_the_sounding_lengths():
    # "tremolo": a double-note tremolo shows each note's full value, with a time-modification of 2 to 1.
    change = (
        "<time-modification><actual-notes>2</actual-notes><normal-notes>1</normal-notes></time-modification>"
    )
    content = "".join(
        note(
            p,
            2,
            "whole",
            after=change + f'<notations><ornaments><tremolo type="{t}">3</tremolo></ornaments></notations>',
        )
        for p, t in (("C4", "start"), ("E4", "stop"))
    )
    got = read_musicxml(score(bar(attributes(divisions=1) + content)))
    assert [(n.onset, n.duration) for n in got.notes] == [(0, 2), (2, 2)]


def test_a_fermata_holds_the_whole_chord_and_stands_once():
    text = score(
        bar(
            attributes(divisions=1)
            + note("C4", 4, after="<notations><fermata/></notations>")
            + note("E4", 4, before="<chord/>")
        )
    )
    got = read_musicxml(text)
    assert [n.fermata for n in got.notes] == [True, True]
    assert [(d.kind, d.onset) for d in got.directions] == [("fermata", 0)]


def test_fermatas_over_rests_and_barlines_are_directions():
    fermata = "<notations><fermata/></notations>"
    text = score(
        bar(
            attributes(divisions=1)
            + note("C4", 3)
            + note("R", 1, after=fermata)
            + '<barline location="right"><fermata/></barline>'
        )
    )
    assert [(d.kind, d.onset) for d in read_musicxml(text).directions] == [("fermata", 3), ("fermata", 4)]


# Directions --------------------------------------------------------------------------------------------


def test_words_dynamics_and_their_place():
    content = (
        direction("<words>dolce</words>", "<staff>1</staff>")
        + note("C4", 4, "quarter", staff="1")
        + direction("<dynamics><pp/></dynamics>", "<offset>2</offset><staff>2</staff>")
        + direction("<dynamics><other-dynamics>sffpp</other-dynamics></dynamics>")
        + note("D4", 12, "half", after="<dot/>", staff="1")
    )
    assert directions(content) == [
        ("words", "dolce", 0, None, 1, None),
        ("dynamic", "sffpp", 1, None, 1, None),
        ("dynamic", "pp", Fraction(3, 2), None, 2, None),
    ]


@pytest.mark.parametrize(
    ("inner", "sound", "text", "value"),
    [
        (
            "<metronome><beat-unit>quarter</beat-unit><per-minute>96</per-minute></metronome>",
            "",
            "quarter = 96",
            96,
        ),
        (
            "<metronome><beat-unit>quarter</beat-unit><beat-unit-dot/>"
            "<per-minute>c. 60</per-minute></metronome>",
            "",
            "quarter. = c. 60",
            90,
        ),
        (
            "<metronome><beat-unit>half</beat-unit><per-minute>50</per-minute></metronome>",
            "",
            "half = 50",
            100,
        ),
        ("<words>Allegro</words>", '<sound tempo="132"/>', "Allegro", 132),
    ],
)
def test_tempo_is_in_quarter_notes_a_minute(inner, sound, text, value):
    # "sound tempo": expressed in quarter notes per minute.
    assert directions(direction(inner, sound) + FOUR) == [("tempo", text, 0, None, 1, value)]


def test_a_sound_alone_gives_a_tempo():
    assert directions(note("C4", 8) + '<sound tempo="72.5"/>' + note("D4", 8)) == [
        ("tempo", "", 2, None, 1, 72.5)
    ]


def test_wedges_have_a_beginning_and_an_end():
    content = (
        direction('<wedge type="crescendo"/>')
        + note("C4", 8)
        + direction('<wedge type="stop"/>')
        + direction('<wedge type="diminuendo"/>')
        + note("D4", 8)
        + direction('<wedge type="stop"/>')
    )
    assert directions(content) == [
        ("wedge", "crescendo", 0, 2, 1, None),
        ("wedge", "diminuendo", 2, 4, 1, None),
    ]


def test_lines_whose_end_stands_before_their_beginning_in_the_file():
    content = (
        note("C5", 8, staff="1")
        + direction('<wedge type="stop" number="1"/>', "<staff>1</staff>")
        + note("D5", 8, staff="1")
        + "<backup><duration>16</duration></backup>"
        + direction('<wedge type="crescendo" number="1"/>', "<staff>1</staff>")
        + note("E4", 16, voice="2", staff="1")
    )
    assert directions(content) == [("wedge", "crescendo", 0, 2, 1, None)]


def test_dashes_prolong_their_words():
    content = (
        direction("<words>cresc.</words>")
        + direction('<dashes type="start" number="1"/>')
        + note("C4", 16)
        + direction('<dashes type="stop" number="1"/>')
    )
    assert directions(content) == [("words", "cresc.", 0, 4, 1, None)]


def test_pedal_marks_with_depth():
    # "damper-pedal": yes, no, or a percentage of the way down.
    content = (
        direction('<pedal type="start" line="yes"/>', "<staff>2</staff>" + '<sound damper-pedal="yes"/>')
        + note("C4", 4)
        + direction('<pedal type="change" line="yes"/>', "<staff>2</staff>" + '<sound damper-pedal="50"/>')
        + note("D4", 4)
        + direction('<pedal type="stop" line="yes"/>', '<staff>2</staff><sound damper-pedal="no"/>')
        + direction('<pedal type="sostenuto"/>', "<staff>2</staff>")
        + note("E4", 8)
    )
    assert directions(content) == [
        ("pedal", "start", 0, None, 2, 1.0),
        ("pedal", "change", 1, None, 2, 0.5),
        ("pedal", "stop", 2, None, 2, 0.0),
        ("pedal", "sostenuto", 2, None, 2, None),
    ]


@pytest.mark.parametrize(
    "numbers",
    [
        {"sostenuto": ' number="2"', "start": ' number="1"'},
        # Without numbers a stop ends what was pressed last.
        {"sostenuto": "", "start": ""},
    ],
)
def test_the_stop_of_the_sostenuto_pedal_is_told_from_that_of_the_right_one(numbers):
    # MusicXML 4.0, attribute `number` of pedal: it tells pedals apart that overlap.
    def pedal(kind, which):
        return direction(f'<pedal type="{kind}"{numbers[which]}/>')

    content = (
        pedal("sostenuto", "sostenuto")
        + note("C4", 4)
        + pedal("start", "start")
        + note("C4", 4)
        + pedal("stop", "start")
        + note("C4", 4)
        + pedal("stop", "sostenuto")
        + note("C4", 4)
    )
    assert [(text, onset) for _, text, onset, *_ in directions(content)] == [
        ("sostenuto", 0),
        ("start", 1),
        ("stop", 2),
        ("sostenuto-stop", 3),
    ]


def test_rehearsal_marks_segno_and_coda():
    content = (
        direction("<rehearsal>B</rehearsal>") + direction("<segno/>") + direction("<coda/>") + note("C4", 16)
    )
    assert [(kind, text) for kind, text, *_ in directions(content)] == [
        ("rehearsal", "B"),
        ("segno", "segno"),
        ("coda", "coda"),
    ]


@pytest.mark.parametrize(
    ("inner", "text"),
    [
        ("<root><root-step>C</root-step></root><kind>major</kind>", "C"),
        (
            "<root><root-step>B</root-step><root-alter>-1</root-alter></root><kind>minor-seventh</kind>"
            "<bass><bass-step>D</bass-step><bass-alter>-1</bass-alter></bass>",
            "Bbm7/Db",
        ),
        ('<root><root-step>G</root-step></root><kind text="7">dominant</kind>', "G7"),
        (
            "<root><root-step>G</root-step></root><kind>dominant</kind><degree><degree-value>9</degree-value>"
            "<degree-alter>-1</degree-alter><degree-type>add</degree-type></degree>",
            "G7(b9)",
        ),
        ('<root><root-step text="">C</root-step></root><kind text="N.C.">none</kind>', "N.C."),
        ("<function>V</function><kind>dominant</kind>", "V7"),
        ('<numeral><numeral-root text="V">5</numeral-root></numeral><kind text="65">dominant</kind>', "V65"),
        (
            '<numeral><numeral-root text="">2</numeral-root><numeral-alter>-1</numeral-alter></numeral>'
            '<kind text="II6">major</kind>',
            "bII6",
        ),
        (
            '<numeral><numeral-root text="vii">7</numeral-root>'
            '<numeral-alter print-object="no">1</numeral-alter></numeral>'
            '<kind text="°7">diminished-seventh</kind>'
            '<numeral><numeral-root text="V">5</numeral-root></numeral><kind text="">major</kind>',
            "vii°7/V",
        ),
    ],
)
def test_harmony_elements_are_chord_symbols(inner, text):
    assert directions(f"<harmony>{inner}</harmony>" + FOUR) == [("chord-symbol", text, 0, None, 1, None)]


# Ids and the source ------------------------------------------------------------------------------------


def test_own_ids_are_kept_and_missing_ones_given_by_place():
    content = note("C4", 2).replace("<note>", '<note id="mine">') + note("D4", 2)
    text = score(bar(attributes(divisions=1) + content) + bar(note("E4", 4), "2", ' id="here"'))
    got = read_musicxml(text)
    assert [n.id for n in got.notes] == ["mine", "n1-2", "n2-1"]
    assert [m.id for m in got.measures] == ["m1", "here"]


def test_repeated_and_unusable_ids_are_replaced():
    content = "".join(note("C4", 1).replace("<note>", f'<note id="{i}">') for i in ("a", "a", "1x", "n1-1"))
    got = read_musicxml(score(bar(attributes(divisions=1) + content)))
    ids = [n.id for n in got.notes]
    assert ids[0] == "a"
    assert ids[3] == "n1-1"
    assert len(set(ids)) == 4
    assert all(i[0].isalpha() for i in ids)


def test_reading_again_gives_the_same_ids_and_notes():
    text = score(bar(attributes(divisions=1) + note("C4", 2) + note("D4", 2)))
    first, second = read_musicxml(text), read_musicxml(text)
    assert first == second
    assert read_musicxml(first.source).notes == first.notes


def test_the_source_keeps_everything_and_adds_only_ids():
    text = score(
        bar(
            "<!-- a remark --><print new-system='yes'/>"
            + attributes(divisions=1, more="<clef><sign>G</sign><line>2</line></clef>")
            + direction("<words font-size='12'>x</words>")
            + note("C4", 4, after="<stem>up</stem>")
            + '<barline location="right"><bar-style>light-heavy</bar-style></barline>'
        ),
        head="<movement-title>Song</movement-title><identification><miscellaneous>"
        "<miscellaneous-field name='a'>b</miscellaneous-field></miscellaneous></identification>",
    )
    before = etree.fromstring(text)
    after = etree.fromstring(read_musicxml(text).source)
    for e in after.iter():
        if isinstance(e.tag, str) and e.tag not in ("part", "score-part"):
            e.attrib.pop("id", None)
    assert etree.tostring(before, method="c14n") == etree.tostring(after, method="c14n")


def test_comments_around_the_score_and_its_doctype_are_kept():
    text = score(bar(attributes() + note("C4", 16))).decode()
    doctype = (
        "<!-- one --><!DOCTYPE score-partwise PUBLIC "
        '"-//Recordare//DTD MusicXML 4.0 Partwise//EN" "http://www.musicxml.org/dtds/partwise.dtd">'
    )
    source = read_musicxml((text.replace("?>", "?>" + doctype, 1) + "<!-- two -->").encode()).source
    for kept in (b"<!-- one -->", b"<!-- two -->", b"DTD MusicXML 4.0 Partwise"):
        assert source.count(kept) == 1


def test_title_composer_and_other_words():
    head = (
        "<work><work-number>Op. 3</work-number><work-title>Night Ferry</work-title></work>"
        '<movement-title>Adagio</movement-title><identification><creator type="composer">A. Bee</creator>'
        '<creator type="lyricist">C. Dee</creator><rights>free</rights></identification>'
    )
    got = read_musicxml(score(bar(attributes() + note("C4", 16)), head=head))
    assert (got.title, got.composer) == ("Night Ferry: Adagio", "A. Bee")
    assert got.metadata["movement"] == "Adagio"
    assert got.metadata["lyricist"] == "C. Dee"
    assert got.metadata["work-number"] == "Op. 3"


def test_credits_stand_in_for_a_missing_title():
    head = (
        "<credit page='1'><credit-type>title</credit-type><credit-words>Night Ferry</credit-words></credit>"
        "<credit page='1'><credit-type>composer</credit-type><credit-words>A. Bee</credit-words></credit>"
    )
    got = read_musicxml(score(bar(attributes() + note("C4", 16)), head=head))
    assert (got.title, got.composer) == ("Night Ferry", "A. Bee")


@pytest.mark.parametrize(("movement", "title"), [("bwv7.7.mxl", ""), ("Ferry No. 2", "Ferry No. 2")])
def test_the_name_of_a_file_is_no_title(movement, title):
    """Some programs write the file's name as movement-title where a score has none (seen in open data)."""
    head = f"<movement-title>{movement}</movement-title>"
    assert read_musicxml(score(bar(attributes() + note("C4", 16)), head=head)).title == title


def test_credits_that_do_not_say_what_they_are():
    words = "<credit-words font-size='{}' justify='{}' valign='{}'>{}</credit-words>"
    head = "".join(
        f"<credit page='{page}'>{words.format(*rest)}</credit>"
        for page, *rest in (
            (1, 12, "right", "bottom", "A. Bee"),
            (1, 14, "center", "top", "Op. 3"),
            (1, 24, "center", "top", "Ferry"),
            (2, 30, "center", "top", "2"),
        )
    )
    got = read_musicxml(score(bar(attributes() + note("C4", 16)), head=head))
    assert (got.title, got.composer) == ("Ferry", "A. Bee")


def test_percussion_is_left_out_with_a_word():
    drum = bar(
        attributes(divisions=1)
        + "<note><unpitched><display-step>E</display-step><display-octave>4</display-octave></unpitched>"
        "<duration>4</duration></note>"
    )
    got = read_musicxml(score(bar(attributes(divisions=1) + note("C4", 4)), drum, names=("Piano", "Drum")))
    assert len(got.notes) == 1
    assert len(got.parts) == 2
    assert any("Drum" in w for w in got.warnings)
