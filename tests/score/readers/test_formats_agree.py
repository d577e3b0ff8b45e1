"""One small piece of our own, written out by hand in five formats, reads to the same notes.

Two staves, a pickup, a grace note, a triplet, a tie over the barline, an accidental and its
cancellation, a repeat whose last bar is short by the pickup.
"""

from __future__ import annotations

import io
from fractions import Fraction

import mido
import pytest

from understave.score.model import Score
from understave.score.readers.abc import read_abc
from understave.score.readers.humdrum import read_humdrum
from understave.score.readers.mei import read_mei
from understave.score.readers.midi import read_midi
from understave.score.readers.musicxml import read_musicxml

THIRD = Fraction(1, 3)
# Onset, duration, pitch, staff; the grace note has no duration.
NOTES = [
    (0, 1, "D5", 1),
    (1, 0, "F#5", 1),
    (1, 3, "G3", 2),
    (1, 3, "B3", 2),
    (1, 1, "G5", 1),
    (2, THIRD, "A5", 1),
    (2 + THIRD, THIRD, "B5", 1),
    (2 + 2 * THIRD, THIRD, "A5", 1),
    (3, 2, "F#5", 1),
    (4, 1, "C#4", 2),
    (5, 2, "C4", 2),
    (5, 2, "E5", 1),
    (7, 2, "D3", 2),
    (7, 2, "D5", 1),
]

KERN = """\
!!!OTL: Threshold
**kern\t**kern
*staff2\t*staff1
*clefF4\t*clefG2
*k[f#]\t*k[f#]
*G:\t*G:
*M3/4\t*M3/4
=!|:\t=!|:
4r\t4dd
=1\t=1
.\t8ff#q
2.G 2.B\t4gg
.\t12aaL
.\t12bb
.\t12aaJ
.\t[4ff#
=2\t=2
4c#\t4ff#]
2cn\t2ee
=3\t=3
2D\t2dd
=:|!\t=:|!
*-\t*-
"""

ABC = """\
X:1
T:Threshold
M:3/4
L:1/4
%%score {RH LH}
K:G
V:RH clef=treble
V:LH clef=bass
V:RH
|:d|{f}g (3a/b/a/ f-|f e2|d2:|
V:LH
|:z|[G,B,]3|^C =C2|D,2:|
"""

MEI = """\
<mei xmlns="http://www.music-encoding.org/ns/mei" meiversion="5.0">
 <meiHead><fileDesc><titleStmt><title>Threshold</title></titleStmt><pubStmt/></fileDesc></meiHead>
 <music><body><mdiv><score>
  <scoreDef keysig="1s" meter.count="3" meter.unit="4"><staffGrp symbol="brace">
   <staffDef n="1" lines="5" clef.shape="G" clef.line="2"/>
   <staffDef n="2" lines="5" clef.shape="F" clef.line="4"/>
  </staffGrp></scoreDef>
  <section>
   <measure n="0" metcon="false" left="rptstart">
    <staff n="1"><layer n="1"><note pname="d" oct="5" dur="4"/></layer></staff>
    <staff n="2"><layer n="1"><rest dur="4"/></layer></staff>
   </measure>
   <measure n="1">
    <staff n="1"><layer n="1">
     <note pname="f" oct="5" dur="8" grace="unacc" accid.ges="s"/><note pname="g" oct="5" dur="4"/>
     <tuplet num="3" numbase="2"><beam><note pname="a" oct="5" dur="8"/><note pname="b" oct="5" dur="8"/>
      <note pname="a" oct="5" dur="8"/></beam></tuplet>
     <note xml:id="held" pname="f" oct="5" dur="4" accid.ges="s" tie="i"/></layer></staff>
    <staff n="2"><layer n="1"><chord dur="2" dots="1"><note pname="g" oct="3"/>
     <note pname="b" oct="3"/></chord>
     </layer></staff>
   </measure>
   <measure n="2">
    <staff n="1"><layer n="1"><note pname="f" oct="5" dur="4" accid.ges="s" tie="t"/>
     <note pname="e" oct="5" dur="2"/></layer></staff>
    <staff n="2"><layer n="1"><note pname="c" oct="4" dur="4" accid="s"/>
     <note pname="c" oct="4" dur="2" accid="n"/>
     </layer></staff>
   </measure>
   <measure n="3" metcon="false" right="rptend">
    <staff n="1"><layer n="1"><note pname="d" oct="5" dur="2"/></layer></staff>
    <staff n="2"><layer n="1"><note pname="d" oct="3" dur="2"/></layer></staff>
   </measure>
  </section></score></mdiv></body></music></mei>
"""


def _xml_note(
    pitch: str, duration: int, staff: int, kind: str, extra: str = "", *, chord: bool = False
) -> str:
    step, octave = pitch[0], pitch[-1]
    alter = "<alter>1</alter>" if "#" in pitch else ""
    return (
        f"<note>{'<grace/>' if not duration else ''}{'<chord/>' if chord else ''}"
        f"<pitch><step>{step}</step>{alter}"
        f"<octave>{octave}</octave></pitch>{f'<duration>{duration}</duration>' if duration else ''}"
        f"{extra if extra.startswith('<tie ') else ''}<voice>{4 * staff - 3}</voice><type>{kind}</type>"
        f"{extra if extra.startswith('<time') else ''}<staff>{staff}</staff></note>"
    )


def _musicxml() -> bytes:
    triplet = (
        "<time-modification><actual-notes>3</actual-notes><normal-notes>2</normal-notes></time-modification>"
    )
    back = "<backup><duration>{}</duration></backup>"
    first = (
        "<attributes><divisions>6</divisions><key><fifths>1</fifths></key><time><beats>3</beats><beat-type>4"
        "</beat-type></time><staves>2</staves></attributes>"
        '<barline location="left"><bar-style>heavy-light</bar-style><repeat direction="forward"/></barline>'
        + _xml_note("D5", 6, 1, "quarter")
        + back.format(6)
        + "<note><rest/><duration>6</duration><voice>5</voice><type>quarter</type><staff>2</staff></note>"
    )
    second = (
        _xml_note("F#5", 0, 1, "eighth")
        + _xml_note("G5", 6, 1, "quarter")
        + "".join(_xml_note(p, 2, 1, "eighth", triplet) for p in ("A5", "B5", "A5"))
        + _xml_note("F#5", 6, 1, "quarter", '<tie type="start"/>')
        + back.format(18)
        + _xml_note("G3", 18, 2, "half")
        + _xml_note("B3", 18, 2, "half", chord=True)
    )
    third = (
        _xml_note("F#5", 6, 1, "quarter", '<tie type="stop"/>')
        + _xml_note("E5", 12, 1, "half")
        + back.format(18)
        + _xml_note("C#4", 6, 2, "quarter")
        + _xml_note("C4", 12, 2, "half")
    )
    fourth = (
        _xml_note("D5", 12, 1, "half")
        + back.format(12)
        + _xml_note("D3", 12, 2, "half")
        + '<barline location="right"><repeat direction="backward"/></barline>'
    )
    bars = "".join(
        f'<measure number="{n}" implicit="{"no" if n else "yes"}">{content}</measure>'
        for n, content in enumerate((first, second, third, fourth))
    )
    return (
        '<score-partwise version="4.0"><work><work-title>Threshold</work-title></work><part-list>'
        '<score-part id="P1"><part-name/></score-part></part-list>'
        f'<part id="P1">{bars}</part></score-partwise>'
    ).encode()


def _midi() -> bytes:
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    head = mido.MidiTrack()
    head.append(mido.MetaMessage("track_name", name="Threshold"))
    head.append(mido.MetaMessage("time_signature", numerator=1, denominator=4))
    head.append(mido.MetaMessage("key_signature", key="G"))
    head.append(mido.MetaMessage("time_signature", numerator=3, denominator=4, time=480))
    file.tracks.append(head)
    midi = {
        "D3": 50,
        "G3": 55,
        "B3": 59,
        "C4": 60,
        "C#4": 61,
        "D5": 74,
        "E5": 76,
        "F#5": 78,
        "G5": 79,
        "A5": 81,
        "B5": 83,
    }
    for staff in (1, 2):
        events = []
        for onset, duration, pitch, where in NOTES:
            if where == staff and duration:
                events.append((int(480 * onset), 1, midi[pitch]))
                events.append((int(480 * (onset + duration)), 0, midi[pitch]))
        track = mido.MidiTrack()
        now = 0
        for tick, on, note in sorted(events):
            track.append(mido.Message("note_on", note=note, velocity=64 * on, time=tick - now))
            now = tick
        file.tracks.append(track)
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def _heard(score: Score) -> list[tuple[Fraction, Fraction, str, int]]:
    return [(n.onset, n.duration, n.pitch.name, n.staff) for n in score.notes]


READINGS = {
    "musicxml": lambda: read_musicxml(_musicxml(), "threshold.musicxml"),
    "mei": lambda: read_mei(MEI.encode(), "threshold.mei"),
    "kern": lambda: read_humdrum(KERN.encode(), "threshold.krn"),
    "abc": lambda: read_abc(ABC.encode(), "threshold.abc"),
    "midi": lambda: read_midi(_midi(), "threshold.mid"),
}


@pytest.mark.parametrize("kind", READINGS)
def test_the_same_piece_in_every_format(kind: str) -> None:
    score = READINGS[kind]()
    expected = [n for n in NOTES if n[1] or kind != "midi"]
    assert _heard(score) == expected
    assert [(m.number, m.start, m.length, m.offset) for m in score.measures] == [
        ("0", 0, 1, 2), ("1", 1, 3, 0), ("2", 4, 3, 0), ("3", 7, 2, 0)
    ]  # fmt: skip
    assert {(m.beats, m.beat_type, m.signature) for m in score.measures} == {(3, 4, 1)}
    assert score.title == "Threshold"
    assert [(p.first_staff, p.last_staff) for p in score.parts] == [(1, 2)]
    if kind != "midi":
        assert [m.repeat_start for m in score.measures] == [True, False, False, False]
        assert [m.repeat_end for m in score.measures] == [False, False, False, True]
        assert [n.pitch.name for n in score.notes if n.grace] == ["F#5"]
    held = next(n for n in score.notes if n.onset == 3)
    assert len(held.ids) == 2, "a note tied over the barline has the ids of both its parts"


@pytest.mark.parametrize("kind", READINGS)
def test_what_is_written_for_engraving_reads_back_equal(kind: str) -> None:
    score = READINGS[kind]()
    back = read_musicxml(score.source, "written.musicxml")
    assert back.notes == score.notes
    assert back.measures == score.measures
