"""MEI reading against the MEI Guidelines (versions 3.0 to 5.0; chapter 4, common music notation)."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest

from understave.errors import UnderstaveError
from understave.score.model import Direction, Score
from understave.score.readers.mei import read_mei

HEAD = '<mei xmlns="http://www.music-encoding.org/ns/mei" meiversion="{version}"><music><body><mdiv><score>'
TAIL = "</score></mdiv></body></music></mei>"
OPEN = HEAD.format(version="5.0") + "<section>"
TAIL_OF_SECTION = "</section>" + TAIL
PIANO = (
    '<staffGrp symbol="brace"><staffDef n="1" lines="5" {one}/><staffDef n="2" lines="5" {two}/></staffGrp>'
)


def read(
    section: str, definition: str = "", *, version: str = "5.0", meter: str = "4/4", staff: str = ""
) -> Score:
    count, unit = meter.split("/")
    groups = definition or f'<staffGrp><staffDef n="1" lines="5" {staff}/></staffGrp>'
    score_def = f'<scoreDef meter.count="{count}" meter.unit="{unit}">{groups}</scoreDef>'
    text = HEAD.format(version=version) + score_def + f"<section>{section}</section>" + TAIL
    return read_mei(text.encode(), "test.mei")


def bar(layer: str, more: str = "", attributes: str = 'n="1"') -> str:
    return f'<measure {attributes}><staff n="1"><layer n="1">{layer}</layer></staff>{more}</measure>'


def note(pitch: str, dur: str | int = 4, more: str = "", inside: str = "") -> str:
    return f'<note pname="{pitch[0].lower()}" oct="{pitch[-1]}" dur="{dur}" {more}>{inside}</note>'


def heard(score: Score) -> list[tuple[Fraction, Fraction, str]]:
    return [(n.onset, n.duration, n.pitch.name) for n in score.notes]


def of_kind(score: Score, kind: str) -> list[Direction]:
    return [d for d in score.directions if d.kind == kind]


def test_dots_breves_and_nested_tuplets() -> None:
    inner = '<tuplet num="5" numbase="4">' + note("E4", 16) * 5 + "</tuplet>"
    outer = f'<tuplet num="3" numbase="2">{note("D4", 4)}{note("D4", 4)}<beam>{inner}</beam></tuplet>'
    score = read(bar(note("C4", 4, 'dots="2"') + note("C4", 16) + outer))
    assert [n.duration for n in score.notes] == [
        Fraction(7, 4), Fraction(1, 4), Fraction(2, 3), Fraction(2, 3), *[Fraction(2, 15)] * 5
    ]  # fmt: skip
    assert score.end == 4
    assert read(bar(note("C4", "breve")), meter="4/2").notes[0].duration == 8


def test_tuplet_spans_and_notes_with_a_ratio_of_their_own() -> None:
    spanned = note("C4", 8, 'xml:id="a"') + note("D4", 8) + note("E4", 8, 'xml:id="c"') + note("F4", 4)
    span = '<tupletSpan num="3" numbase="2" startid="#a" endid="#c"/>'
    assert [n.onset for n in read(bar(spanned, span), meter="2/4").notes] == [
        0, Fraction(1, 3), Fraction(2, 3), 1
    ]  # fmt: skip
    own = "".join(note("C4", 8, 'num="3" numbase="2"') for _ in range(3)) + note("D4", 4)
    assert read(bar(own), meter="2/4").notes[3].onset == 1


def test_sounding_durations_in_ticks_stand_where_written_ones_do_not_say_all() -> None:
    # att.duration.ges: @dur.ppq (version 4 and later) or "24p" (version 3), counted by staffDef/@ppq.
    ticks = "".join(note("C4", 8, f'dur.ppq="{t}"') for t in (341, 341, 342)) + note(
        "D4", 4, 'dur.ppq="1024"'
    )
    score = read(bar(ticks), meter="2/4", staff='ppq="1024"')
    assert [n.onset for n in score.notes] == [0, Fraction(1, 3), Fraction(2, 3), 1]
    old = "".join(note("C4", 8, 'dur.ges="8p"') for _ in range(3)) + note("D4", 4, 'dur.ges="24p"')
    score = read(bar(old), meter="2/4", staff='ppq="24"', version="3.0.0")
    assert [n.onset for n in score.notes] == [0, Fraction(1, 3), Fraction(2, 3), 1]


def test_a_tuplet_without_numbers_is_a_triplet_unless_its_notes_have_ticks() -> None:
    # MEI 5, att.duration.ratio: neither number need be given; that it then is a triplet: no source.
    def starts(ticks: str, staff: str = 'ppq="12"') -> list[Fraction]:
        tuplet = f"<tuplet>{note('C4', 8, ticks) * 3}</tuplet>"
        return [n.onset for n in read(bar(tuplet), meter="2/4", staff=staff).notes]

    third = [0, Fraction(1, 3), Fraction(2, 3)]
    assert starts("") == starts('dur.ppq="4"') == starts('dur.ppq="6"', staff="") == third
    # As the engine writes a bracket over plain quavers.
    assert starts('dur.ppq="6"') == [0, Fraction(1, 2), 1]


def test_ticks_below_none_are_no_statement() -> None:
    # MEI 4 and later: @dur.ppq is a nonNegativeInteger (att.duration.quality, data.DURATION.gestural).
    content = note("C4", 4, 'dur.ppq="-1"') + note("D4", 4, 'dur.ppq="2"')
    score = read(bar(content), meter="2/4", staff='ppq="2"')
    assert [(n.onset, n.duration) for n in score.notes] == [(0, 1), (1, 1)]


def test_ties_by_attribute_by_element_and_with_an_end_missing() -> None:
    by_attribute = (
        bar(note("C4", 1, 'tie="i"')) + bar(note("C4", 1, 'tie="m"')) + bar(note("C4", 1, 'tie="t"'))
    )
    assert heard(read(by_attribute)) == [(0, 12, "C4")]
    element = '<tie startid="#a" endid="#b"/>'
    by_element = bar(note("C4", 1, 'xml:id="a"'), element) + bar(note("C4", 1, 'xml:id="b"'))
    score = read(by_element)
    assert heard(score) == [(0, 8, "C4")]
    assert score.notes[0].ids == ("a", "b")
    lost_end = bar(note("C4", 1, 'xml:id="a"'), '<tie startid="#a"/>') + bar(note("C4", 1))
    assert heard(read(lost_end)) == [(0, 8, "C4")]
    slurred = bar(note("C4", 1, 'tie="i"')) + bar(note("D4", 1, 'tie="t"'))
    assert len(read(slurred).notes) == 2, "notes of different pitch are never tied"


def test_a_tie_whose_named_end_lies_elsewhere_ends_where_its_note_does() -> None:
    # As the notation engine writes a tie into another voice: its end is that of another tie, a bar later.
    first = bar(note("C4", 1, 'xml:id="a"'), '<tie startid="#a" endid="#d"/>')
    second = bar(note("C4", 2, 'xml:id="b"') + note("C4", 2, 'xml:id="c"'), '<tie startid="#c" endid="#d"/>')
    third = bar(note("C4", 1, 'xml:id="d"'))
    assert heard(read(first + second + third)) == [(0, 6, "C4"), (6, 6, "C4")]


def test_a_tie_to_a_note_that_begins_a_rounding_later_joins_both() -> None:
    # 5 of 120 ticks of silence, as between two bars whose rests were rounded; 8 are more than a 64th.
    def tied(ticks: int) -> list[tuple[Fraction, Fraction, str]]:
        tie = '<tie startid="#a" endid="#b"/>'
        silent = f'<space dur.ppq="{ticks}"/>'
        bars = bar(note("C4", 1, 'xml:id="a"'), tie) + bar(silent + note("C4", 2, 'xml:id="b"'))
        return heard(read(bars, staff='ppq="120"'))

    assert tied(5) == [(0, 6 + Fraction(1, 24), "C4")]
    assert len(tied(8)) == 2


def test_a_tie_goes_on_in_another_voice() -> None:
    first = bar(note("C4", 1, 'tie="i"'))
    second = (
        '<measure n="2"><staff n="1"><layer n="1"><rest dur="1"/></layer>'
        f'<layer n="2">{note("C4", 1, "tie=" + chr(34) + "t" + chr(34))}</layer></staff></measure>'
    )
    assert heard(read(first + second)) == [(0, 8, "C4")]


def test_accidentals_are_read_as_printed_where_none_are_given_as_sounding() -> None:
    # In D major: F sharp by the key, a natural that holds to the barline, a tie that carries over it.
    notes = note("F4") + note("F4", 4, 'accid="n"') + note("F4") + note("C5", 4, 'accid="n" tie="i"')
    score = read(bar(notes) + bar(note("C5", 2, 'tie="t"') + note("C5", 2)), staff='keysig="2s"')
    assert [n.pitch.name for n in score.notes] == ["F#4", "F4", "F4", "C5", "C#5"]
    assert any("sounding accidentals" in w for w in score.warnings)
    given = note("F4", 4, 'accid.ges="s"') + note("F4", 4, "", '<accid accid="ff"/>') + note("F4", 2)
    assert [n.pitch.name for n in read(bar(given), staff='keysig="2s"').notes] == ["F#4", "Fbb4", "F4"]


def test_an_accidental_that_an_editor_supplied_is_played_but_where_the_source_has_one() -> None:
    # MEI 5, att.accid.log: func "edit" is an editorial accidental, "caution" a cautionary one.
    edited = '<accid accid="f" func="edit" enclose="brack"/>'
    notes = note("E4", 4, "", edited) + note("E4", 4, 'accid.ges="f"')
    notes += note("B4", 4, "", edited + '<accid accid="n"/>') + note("B4", 4, 'accid.ges="n"')
    assert [n.pitch.name for n in read(bar(notes)).notes] == ["Eb4", "Eb4", "B4", "B4"]


@pytest.mark.parametrize(
    ("version", "definition", "signature", "mode"),
    [
        ("3.0.0", 'key.sig="3f" key.mode="minor"', -3, "minor"),
        ("4.0.1", 'key.sig="4s"', 4, None),
        ("5.0", 'keysig="5f"', -5, None),
    ],
)
def test_key_signatures_of_every_version(
    version: str, definition: str, signature: int, mode: str | None
) -> None:
    score = read(bar(note("C4", 1)), version=version, staff=definition)
    assert (score.measures[0].signature, score.measures[0].mode) == (signature, mode)


def test_meter_and_key_change_at_every_level() -> None:
    change = '<scoreDef meter.count="3" meter.unit="4"/>'
    in_layer = '<keySig sig="2f"/><meterSig count="6" unit="8"/>'
    score = read(
        bar(note("C4", 1))
        + change
        + bar(note("C4", 2, 'dots="1"'))
        + bar(in_layer + note("C4", 2, 'dots="1"'))
        + '<scoreDef><meterSig sym="cut"/></scoreDef>'
        + bar(note("C4", 1))
    )
    assert [(m.beats, m.beat_type, m.signature) for m in score.measures] == [
        (4, 4, 0), (3, 4, 0), (6, 8, -2), (2, 2, -2)
    ]  # fmt: skip


def test_transposing_staff_sounds_as_it_should() -> None:
    # MEI Guidelines, att.transposition: a clarinet in B flat has trans.diat -1, trans.semi -2.
    score = read(bar(note("F4", 1, 'accid.ges="s"')), staff='keysig="1s" trans.diat="-1" trans.semi="-2"')
    n = score.notes[0]
    assert (n.written.name, n.pitch.name) == ("F#4", "E4")
    assert score.measures[0].signature == -1
    semitones_only = read(bar(note("C4", 1)), staff='trans.semi="-9"')
    assert semitones_only.notes[0].pitch.name == "Eb3"


def test_ottava_lines_move_the_sound_unless_the_notes_say_it_themselves() -> None:
    line = '<octave dis="8" dis.place="above" staff="1" startid="#b" endid="#c"/>'
    notes = note("C5") + note("D5", 4, 'xml:id="b"') + note("E5", 4, 'xml:id="c"') + note("F5")
    score = read(bar(notes, line))
    assert [n.pitch.name for n in score.notes] == ["C5", "D6", "E6", "F5"]
    assert [n.written.name for n in score.notes] == ["C5", "D5", "E5", "F5"]
    assert [(d.text, d.onset, d.end) for d in of_kind(score, "ottava")] == [("8va", 1, 3)]
    said = notes.replace('oct="5" dur="4" xml:id', 'oct="5" oct.ges="6" dur="4" xml:id')
    assert [n.pitch.name for n in read(bar(said, line)).notes] == ["C5", "D6", "E6", "F5"]
    # oct.ges is the sounding octave where it differs from the written one (MEI 5, att.note.ges): a staff that
    # has it once is as written under another line.
    further = bar(
        note("C5") + note("D5", 4, 'xml:id="x"') + note("E5", 4, 'xml:id="y"') + note("F5"),
        line.replace("#b", "#x").replace("#c", "#y"),
    )
    names = [n.pitch.name for n in read(bar(said, line) + further).notes]
    assert names[4:] == ["C5", "D5", "E5", "F5"]


def test_a_grace_note_in_a_chord_takes_no_time() -> None:
    # As partitura 1.9 writes a grace note before a chord.
    chord = f'<chord dur="2">{note("G3", 2)}{note("G2", 8, """grace="acc" """)}</chord>'
    low, high = read(bar(chord + note("C4", 2))).notes[:2]
    assert (low.grace, low.duration, high.grace, high.duration) == (True, 0, False, 2)


def test_grace_notes_take_no_time() -> None:
    group = f'<graceGrp attach="pre">{note("B4", 16)}{note("A4", 16)}</graceGrp>'
    notes = note("G4", 8, 'grace="unacc"') + note("C4", 2) + group + note("D4", 2)
    assert [(n.onset, n.grace, n.pitch.name) for n in read(bar(notes)).notes] == [
        (0, True, "G4"), (0, False, "C4"), (2, True, "B4"), (2, True, "A4"), (2, False, "D4")
    ]  # fmt: skip


def test_tremolos_fill_the_written_value_once() -> None:
    between = f'<fTrem beams="3">{note("C4", 2)}{note("E4", 2)}</fTrem>'
    through = f"<bTrem>{note('G4', 2, 'stem.mod=' + chr(34) + '2slash' + chr(34))}</bTrem>"
    score = read(bar(between + through))
    assert heard(score) == [(0, 1, "C4"), (1, 1, "E4"), (2, 2, "G4")]
    assert [n.ornaments for n in score.notes] == [("tremolo-start-3",), ("tremolo-stop-3",), ("tremolo-2",)]


def test_repeated_bars_and_beats_are_written_out() -> None:
    score = read(
        bar(note("C4") + note("E4", 2) + note("G4")) + bar("<mRpt/>") + bar(note("D4") + "<beatRpt/>" * 3)
    )
    assert [(n.onset, n.pitch.name) for n in score.notes if n.onset >= 4] == [
        (4, "C4"), (5, "E4"), (7, "G4"), (8, "D4"), (9, "D4"), (10, "D4"), (11, "D4")
    ]  # fmt: skip
    assert len({n.id for n in score.notes}) == len(score.notes)
    two = bar(note("C4", 1)) + bar(note("D4", 1)) + bar("<mRpt2/>") + bar("<mSpace/>")
    assert [n.pitch.name for n in read(two).notes] == ["C4", "D4", "C4", "D4"]


def test_whole_bar_and_many_bar_rests() -> None:
    score = read(
        bar(note("C4", 1))
        + bar("<mRest/>", "", 'n="2"')
        + bar('<multiRest num="3"/>', "", 'n="3"')
        + bar(note("D4", 1), "", 'n="6"')
    )
    assert [m.number for m in score.measures] == ["1", "2", "3", "4", "5", "6"]
    assert score.notes[1].onset == 20


def test_repeats_endings_and_a_pickup() -> None:
    section = (
        bar(note("G4"), "", 'n="0" metcon="false"')
        + bar(note("C4", 1), "", 'n="1" left="rptstart"')
        + '<ending n="1">' + bar(note("D4", 1), "", 'n="2" right="rptend"') + "</ending>"
        + '<ending n="2-3">' + bar(note("E4", 1), "", 'n="3" right="rptboth"') + "</ending>"
        + bar(note("F4", 1), "", 'n="4" right="end"')
    )  # fmt: skip
    score = read(section)
    assert [m.ending for m in score.measures] == [(), (), (1,), (2, 3), ()]
    assert [m.repeat_start for m in score.measures] == [False, True, False, False, True]
    assert [m.repeat_end for m in score.measures] == [False, False, True, True, False]
    assert (score.measures[0].number, score.measures[0].offset, score.beat_at(Fraction(0))) == ("0", 3, 4)


def test_editions_give_one_reading() -> None:
    choice = f"<choice><sic>{note('C4')}</sic><corr>{note('D4')}</corr></choice>"
    apparatus = f'<app><rdg source="#a">{note("A4")}</rdg><rdg source="#b">{note("B4")}</rdg></app>'
    lemma = f"<app><rdg>{note('A4')}</rdg><lem>{note('G4')}</lem></app>"
    supplied = f"<supplied>{note('E4')}</supplied><del>{note('F4')}</del>"
    assert [n.pitch.name for n in read(bar(choice + apparatus + lemma + supplied)).notes] == [
        "D4",
        "A4",
        "G4",
        "E4",
    ]
    whole_bars = f"<app><lem>{bar(note('C4', 1))}</lem><rdg>{bar(note('D4', 1))}</rdg></app>"
    assert [n.pitch.name for n in read(whole_bars).notes] == ["C4"]


def test_cross_staff_notes_keep_their_voice() -> None:
    below = 'staff="2"'
    section = (
        f'<measure n="1"><staff n="1"><layer n="1">{note("C5", 2)}{note("G3", 2, below)}</layer></staff>'
        f'<staff n="2"><layer n="1">{note("C3", 1)}</layer></staff></measure>'
    )
    score = read(section, PIANO.format(one="", two=""))
    assert [(n.pitch.name, n.staff, n.part) for n in score.notes] == [
        ("C3", 2, 0),
        ("C5", 1, 0),
        ("G3", 2, 0),
    ]
    by_name = {n.pitch.name: n.voice for n in score.notes}
    assert by_name["C5"] == by_name["G3"] != by_name["C3"]


def test_parts_follow_braces_and_names() -> None:
    group = (
        '<staffGrp><staffDef n="1" lines="5"><label>Voice</label></staffDef>'
        '<staffGrp><grpSym symbol="brace"/><label>Piano</label>'
        '<staffDef n="2" lines="5"/><staffDef n="3" lines="5"/></staffGrp></staffGrp>'
    )
    section = '<measure n="1">' + "".join(
        f'<staff n="{n}"><layer>{note("C4", 1)}</layer></staff>' for n in (1, 2, 3)
    ) + "</measure>"  # fmt: skip
    score = read(section, group)
    assert [(p.name, p.first_staff, p.last_staff) for p in score.parts] == [("Voice", 1, 1), ("Piano", 2, 3)]


def test_marks_by_tstamp_and_by_id() -> None:
    notes = "".join(note("C4", 4, f'xml:id="n{i}"') for i in range(4))
    marks = (
        '<dynam tstamp="1" staff="1">pp</dynam><dynam tstamp="3" staff="1">cresc.</dynam>'
        '<hairpin form="cres" tstamp="1" tstamp2="1m+2" staff="1"/><dir startid="#n1">dolce</dir>'
        '<tempo tstamp="1" mm="60" mm.unit="4" mm.dots="1">Andante</tempo>'
        '<pedal dir="down" tstamp="1.5" staff="1"/>'
        '<pedal dir="bounce" tstamp="3" staff="1"/><pedal dir="up" tstamp="4" staff="1"/>'
        '<pedal func="sostenuto" dir="down" tstamp="1" staff="1"/>'
        '<pedal func="sostenuto" dir="up" tstamp="4.5" staff="1"/>'
        '<trill startid="#n0"/><mordent startid="#n1" form="upper"/><turn startid="#n2" form="lower"/>'
        '<fermata startid="#n3"/><fing startid="#n0">3</fing><arpeg startid="#n1"/>'
        '<slur startid="#n0" endid="#n3"/><harm tstamp="2" staff="1">G7</harm>'
        '<reh tstamp="1" staff="1">A</reh>'
    )
    score = read(bar(notes, marks) + bar(note("D4", 1)))
    n = score.notes
    assert n[0].ornaments == ("trill",)
    assert n[1].ornaments == ("inverted-mordent",)
    assert n[2].ornaments == ("inverted-turn",)
    assert n[0].fingering == ("3",)
    assert n[1].arpeggiated
    assert n[3].fermata
    assert (n[0].articulations, n[3].articulations) == (("slur-start",), ("slur-stop",))
    assert [(d.text, d.onset) for d in of_kind(score, "dynamic")] == [("pp", 0)]
    assert {(d.text, d.onset) for d in of_kind(score, "words")} == {("cresc.", 2), ("dolce", 1)}
    assert [(d.onset, d.end) for d in of_kind(score, "wedge")] == [(0, 5)]
    assert [(d.text, d.value) for d in of_kind(score, "tempo")] == [("Andante", 90.0)]
    assert [(d.text, d.onset) for d in of_kind(score, "pedal")] == [
        ("start", Fraction(1, 2)), ("change", 2), ("stop", 3),
        ("sostenuto", 0), ("sostenuto-stop", Fraction(7, 2)),
    ]  # fmt: skip
    assert [(d.text, d.onset) for d in of_kind(score, "chord-symbol")] == [("G7", 1)]
    assert [d.text for d in of_kind(score, "rehearsal")] == ["A"]


def test_lyrics_and_articulations() -> None:
    sung = note(
        "C4",
        2,
        'artic="stacc ten"',
        '<verse n="1"><syl wordpos="i" con="d">Mor</syl></verse><verse n="2"><syl>Lo</syl></verse>',
    )
    sung += note("D4", 2, "", '<artic artic="acc"/><verse n="1"><syl wordpos="t">gen</syl></verse>')
    score = read(bar(sung))
    assert [n.lyrics for n in score.notes] == [("Mor-", "Lo"), ("gen",)]
    assert [n.articulations for n in score.notes] == [("staccato", "tenuto"), ("accent",)]


def test_ids_are_kept_where_they_are_unique() -> None:
    section = bar(note("C4", 2, 'xml:id="x"') + note("D4", 2, 'xml:id="y"'), "", 'n="1" xml:id="bar"') + bar(
        note("E4", 2, 'xml:id="x"') + note("F4", 2), "", 'n="2"'
    )
    score = read(section)
    ids = [n.id for n in score.notes]
    assert ids[1] == "y"
    assert score.measures[0].id == "bar"
    assert len(set(ids)) == 4
    assert "x" not in ids
    assert any("more than once" in w for w in score.warnings)


@pytest.mark.parametrize("version", ["2013", "3.0.0", "4.0.1", "5.1", "5.0+basic", ""])
def test_known_versions_are_read(version: str) -> None:
    whole = OPEN + bar(note("C4")) + TAIL_OF_SECTION
    read_mei(re.sub('meiversion="[^"]*"', f'meiversion="{version}"', whole).encode(), "x.mei")


@pytest.mark.parametrize("version", ["99.0", "next", "51"])
def test_an_unknown_version_is_refused(version: str) -> None:
    whole = OPEN + bar(note("C4")) + TAIL_OF_SECTION
    with pytest.raises(UnderstaveError, match=rf"x\.mei says it is MEI version '{version}'"):
        read_mei(re.sub('meiversion="[^"]*"', f'meiversion="{version}"', whole).encode(), "x.mei")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("<mei", "cut short or damaged"),
        ("<html/>", "not MEI"),
        ('<mei xmlns="http://www.music-encoding.org/ns/mei"><meiHead/></mei>', "without a <score>"),
        (OPEN + TAIL_OF_SECTION, "no measures"),
        (OPEN + bar("<mRest/>") + TAIL_OF_SECTION, "no notes"),
        (OPEN + bar(note("C4", "semibrevis")) + TAIL_OF_SECTION, "semibrevis"),
        (OPEN + bar(note("C4")), "cut short or damaged"),
        (
            '<mei xmlns="http://www.music-encoding.org/ns/mei"><music><body><mdiv><parts><part/></parts></mdiv></body>'
            "</music></mei>",
            "separate parts",
        ),
    ],
)  # fmt: skip
def test_bad_files_get_one_sentence(text: str, says: str) -> None:
    with pytest.raises(UnderstaveError, match=says) as caught:
        read_mei(text.encode(), "bad.mei")
    assert "bad.mei" in str(caught.value)
    assert "\n" not in str(caught.value)
