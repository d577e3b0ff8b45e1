"""Small print: figuration of a piano part is played, what only doubles another voice or cues a player is not.

That a cue note is silent and that notes printed small but played have type size "cue": MusicXML 4.0
(elements cue and type). That figuration is set small and played: common practice, no source.
"""

from dataclasses import replace

from musicxml_text import attributes, bar, note, score

from understave.harmony.units import timeline
from understave.interpretation.pedal_costs import played
from understave.interpretation.perform import perform
from understave.interpretation.plan import Plan
from understave.score.readers.musicxml import read_musicxml
from understave.score.write import to_musicxml

STAVES = "<staves>2</staves>"
CUE = "<cue/>"
BACK = "<backup><duration>16</duration></backup>"


def piano(*upper: tuple[str, str]):
    """A bar of quarter notes in the right hand, each with what goes before its pitch, over a held C3."""
    notes = "".join(note(name, 4, "quarter", before=before, staff="1") for name, before in upper)
    low = note("C3", 16, "whole", voice="5", staff="2")
    return bar(attributes(more=STAVES) + notes + BACK + low)


def test_small_figuration_of_a_piano_is_played_in_every_room():
    read = read_musicxml(score(piano(("E4", CUE), ("G4", CUE), ("C5", CUE), ("E5", ""))))
    assert [(n.midi, n.small, n.cue) for n in read.notes] == [
        (48, False, False),
        (64, True, False),
        (67, True, False),
        (72, True, False),
        (76, False, False),
    ]
    everything = [48, 64, 67, 72, 76]
    assert sorted(n.midi for n in played(read)) == everything
    assert sorted(s.midi for s in perform(read, Plan()).strikes) == everything
    assert {n.midi for n in timeline(read).notes} == set(everything)


def test_small_print_that_another_voice_plays_stays_silent():
    upper = "".join(note(name, 4, "quarter", before=CUE, staff="1") for name in ("C4", "E4", "C5", "G4"))
    loud = note("C4", 12, "half", voice="2", staff="1", after="<dot/>") + note(
        "G4", 4, "quarter", voice="2", staff="1"
    )
    read = read_musicxml(score(bar(attributes(more=STAVES) + upper + BACK + loud)))
    assert sorted((n.midi, n.cue) for n in read.notes if n.voice == "1") == [
        (60, True),
        (64, False),
        (67, True),
        (72, False),
    ]


def test_a_cue_in_a_singers_part_is_silent():
    voice = bar(attributes() + "".join(note(n, 4, "quarter", before=CUE) for n in ("E4", "G4", "C5", "E5")))
    read = read_musicxml(score(voice, piano(("C5", ""), ("C5", ""), ("C5", ""), ("C5", ""))))
    assert all(n.cue and not n.small for n in read.notes if n.part == 0)
    assert not any(n.cue for n in read.notes if n.part == 1)


def test_small_notes_that_are_played_are_written_as_the_standard_asks():
    read = read_musicxml(score(piano(("E4", CUE), ("G4", ""), ("C5", ""), ("E5", ""))))
    written = to_musicxml(replace(read, source=b""))
    assert b"<cue" not in written
    assert written.count(b'size="cue"') == 1
    assert [n.small for n in read_musicxml(written).notes] == [n.small for n in read.notes]


def test_the_upper_note_of_a_trill_that_is_not_printed_is_no_voice():
    """That ``print-object`` of a note tells whether it is printed: MusicXML 4.0; what hidden notes beside a
    trill are for: as notation programs write them, from memory.
    """
    trill = "<notations><ornaments><trill-mark/></ornaments></notations>"
    plain = note("G4", 16, "whole", staff="1", after=trill)
    upper = note("A4", 16, "whole", voice="2", staff="1")
    unseen = upper.replace("<note>", '<note print-object="no">')
    far = note("C5", 16, "whole", voice="2", staff="1").replace("<note>", '<note print-object="no">')

    def cues(second: str, first: str = plain):
        read = read_musicxml(score(bar(attributes(more=STAVES) + first + BACK + second)))
        return [(n.midi, n.cue) for n in read.notes]

    assert cues(unseen) == [(67, False), (69, True)]
    assert cues(upper) == [(67, False), (69, False)]
    assert cues(far) == [(67, False), (72, False)], "what is hidden elsewhere may be shared by two voices"
    assert cues(unseen, note("G4", 16, "whole", staff="1")) == [(67, False), (69, False)]
