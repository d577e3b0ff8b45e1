"""Pages engraved by others, read back: the outside reference is what verovio and LilyPond were given.

Names of symbols: W3C SMuFL 1.4, as the fonts in the verovio package state them in their own metadata.
"""

import re
import subprocess
from collections import Counter
from fractions import Fraction
from functools import cache
from io import BytesIO
from pathlib import Path
from types import SimpleNamespace

import pypdf
import pytest
import typst
from benchmarks import engraved
from benchmarks.data import data_folder
from lxml import etree
from musicxml_text import attributes, bar, direction, note, ratio, score

from understave.errors import ScoreError
from understave.score.reader import read_score
from understave.score.readers.musicxml import read_musicxml
from understave.score.readers.page import smufl
from understave.score.readers.page.page_reader import read_bars, read_page
from understave.score.readers.page.told_signs import Told
from understave.score.readers.page.unprinted_meter import Fitted, infer_meter

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
needs_lilypond = pytest.mark.skipif(not engraved.lilypond(), reason="LilyPond is not installed here")


@cache
def original(name):
    return read_score(EXAMPLES / name / "score.musicxml")


@cache
def read_back(name, engraver):
    if engraver == "LilyPond":
        return read_page(engraved.lilypond_pdf(original(name).source))
    return read_page(engraved.verovio_pdf(original(name).source, engraver), without=(engraver,))


def notes(score):
    return Counter((str(n.pitch), n.onset, n.duration, n.staff, n.grace) for n in score.notes)


def said(score, *kinds):
    return Counter((d.kind, d.onset, d.text) for d in score.directions if d.kind in kinds)


def on_notes(score):
    return Counter(
        (str(note.pitch), note.onset, mark)
        for note in score.notes
        for mark in (*note.articulations, *note.ornaments, *note.fingering, note.fermata, note.arpeggiated)
    )


@pytest.mark.parametrize(
    ("name", "engraver"),
    [
        ("lock-water", "Leipzig"),
        ("lock-water", "Bravura"),
        pytest.param("lock-water", "LilyPond", marks=needs_lilypond),
        pytest.param("chain-ferry", "LilyPond", marks=needs_lilypond),
    ],
)
def test_every_note_of_the_examples_comes_back(name, engraver):
    """The shapes of verovio's font are taken away: they are known by those of the other fonts."""
    there, read = original(name), read_back(name, engraver)
    assert notes(read) == notes(there)
    assert [m.signature for m in read.measures] == [m.signature for m in there.measures]
    assert [(m.beats, m.beat_type) for m in read.measures] == [(m.beats, m.beat_type) for m in there.measures]
    assert [(p.first_staff, p.last_staff) for p in read.parts] == [(1, 2)]


def test_what_stands_around_the_notes_comes_back():
    there, read = original("lock-water"), read_back("lock-water", "Leipzig")
    for kind, least in (("dynamic", 1), ("wedge", 1), ("words", 1), ("pedal", 0.7)):
        wanted, found = said(there, kind), said(read, kind)
        assert (wanted & found).total() >= least * wanted.total(), (kind, wanted - found)
        assert (found - wanted).total() <= 1, (kind, found - wanted)
    assert (read.title, read.composer) == (there.title, there.composer)
    assert (on_notes(there) - on_notes(read)).total() == 0
    tempos = [(d.onset, d.value) for d in there.directions if d.kind == "tempo" and "=" in d.text]
    assert len(tempos) == 2
    assert [(d.onset, d.value) for d in read.directions if d.kind == "tempo" and d.value] == tempos


def test_what_is_read_is_written_as_musicxml_that_reads_the_same(tmp_path):
    read = read_back("lock-water", "Leipzig")
    path = tmp_path / "as-read.musicxml"
    path.write_bytes(read.source)
    assert notes(read_score(path)) == notes(read)


def test_a_pdf_is_known_by_what_it_holds_and_copyright_is_recalled(tmp_path):
    path = tmp_path / "piece.PDF"
    path.write_bytes(engraved.verovio_pdf(original("lock-water").source))
    read = read_score(path)
    assert len(read.measures) == len(original("lock-water").measures)
    assert any("copyright" in warning for warning in read.warnings)
    assert any("compare the score" in warning for warning in read.warnings)


def test_bars_that_do_not_add_up_are_named():
    bars = bar(attributes(more="") + "".join(note(p, 4, "quarter") for p in ("C4", "D4", "E4", "F4")))
    bars += bar("".join(note(p, 4, "quarter") for p in ("C4", "D4", "E4", "F4", "G4")), "2")
    bars += bar("".join(note(p, 4, "quarter") for p in ("C4", "D4", "E4", "F4")), "3")
    read = read_page(engraved.verovio_pdf(score(bars), font="Leipzig"))
    named = [w for w in read.warnings if "add up" in w]
    assert len(named) == 1
    assert "otherwise: 2; look" in named[0]
    assert [str(n.pitch) for n in read.notes if n.measure == 1] == ["C4", "D4", "E4", "F4", "G4"]


def clefs(*signs):
    return "".join(
        f'<clef number="{k}"><sign>{sign}</sign><line>{2 if sign == "G" else 4}</line></clef>'
        for k, sign in enumerate(signs, 1)
    )


PIANO = "<staves>2</staves>" + clefs("G", "F")


@pytest.mark.parametrize(("size", "text", "octaves"), [(8, "8va", 1), (15, "15ma", 2)])
def test_octave_lines_move_their_staff_alone_and_end_with_their_last_note(size, text, octaves):
    """Two beats of triplets of eighths under the line; a half in the other staff begins with them."""
    begin, end = (
        direction(f'<octave-shift type="{what}" size="{size}"/>', "<staff>1</staff>")
        for what in ("down", "stop")
    )
    triplet = [
        note(f"{p}{4 + octaves}", 2, "eighth", middle="", voice="1", staff="1", after="")
        for p in ("C", "E", "G", "E", "G", "E")
    ]
    triplet = [n.replace("<staff>", ratio(3, 2) + "<staff>") for n in triplet]
    for first in (0, 3):
        for k, tuplet in ((first, "start"), (first + 2, "stop")):
            mark = f'<notations><tuplet type="{tuplet}" number="1" bracket="yes"/></notations>'
            triplet[k] = triplet[k].replace("</note>", mark + "</note>")
    upper = begin + "".join(triplet) + end + note("C5", 12, "half", staff="1")
    lower = note("C3", 12, "half", voice="5", staff="2") + note("D3", 12, "half", voice="5", staff="2")
    back = "<backup><duration>24</duration></backup>"
    there = read_musicxml(score(bar(attributes(divisions=6, more=PIANO) + upper + back + lower)))
    read = read_page(engraved.verovio_pdf(there.source, "Leland"))
    assert notes(read) == notes(there)
    assert {str(n.pitch) for n in there.notes if n.staff == 1} == {f"{p}{4 + octaves}" for p in "CEG"} | {
        "C5"
    }
    lines = [(d.onset, d.end, d.staff, d.text) for d in read.directions if d.kind == "ottava"]
    assert lines == [(0, 2, 1, text)]
    assert lines == [(d.onset, d.end, d.staff, d.text) for d in there.directions if d.kind == "ottava"]


def sung(name, *verses, after=""):
    """A quarter with syllables: ``"ri-"`` begins or goes on, ``"-ver"`` ends a word."""
    lyrics = ""
    for number, text in enumerate(verses, 1):
        syllabic = (
            "middle" if text[0] == text[-1] == "-" else {text[-1]: "begin", text[0]: "end"}.get("-", "single")
        )
        lyrics += (
            f'<lyric number="{number}"><syllabic>{syllabic}</syllabic><text>{text.strip("-")}</text></lyric>'
        )
    return note(name, 4, "quarter", after=after + lyrics)


SONG = bar(
    attributes(more=clefs("G"))
    + sung("C5", "Slow", "Still")
    + direction("<words>dolce e piano</words>").replace("<direction>", '<direction placement="below">')
    + sung("D5", "ri-", "wa-")
    + sung("E5", "-ver,", "-ters,")
    + sung("F5", "car-", "nev-")
) + bar(
    sung("G5", "-ry-", "-er-")
    + sung("A5", "-ing", "-more")
    + note("G5", 4, "quarter")
    + sung("F5", "home", "deep"),
    "2",
)


@pytest.mark.parametrize("engraver", ["Leland", pytest.param("LilyPond", marks=needs_lilypond)])
def test_the_words_of_a_song_are_read_to_their_notes(engraver):
    """What is set upright under a voice is sung; what is set in italics is said of the playing."""
    low = "<backup><duration>16</duration></backup>" + note("C3", 16, "whole", voice="5", staff="2")
    both = note("E4", 16, "whole", staff="1") + low
    piano = bar(attributes(more=PIANO) + both) + bar(both, "2")
    there = read_musicxml(score(SONG, piano, names=("Voice", "Piano")))
    if engraver == "LilyPond":
        made = engraved.lilypond_pdf(there.source)
    else:
        made = engraved.verovio_pdf(there.source, engraver)
    read = read_page(made)
    wanted = [(str(n.pitch), n.onset, n.lyrics) for n in there.notes if n.part == 0]
    assert wanted[1][2] == ("ri-", "wa-")
    assert wanted[4][2] == ("ry-", "er-")
    assert [(str(n.pitch), n.onset, n.lyrics) for n in read.notes if n.part == 0] == wanted
    assert not any(n.lyrics for n in read.notes if n.part == 1)
    assert [d.text for d in read.directions if d.kind == "words"] == ["dolce e piano"]


def hidden(text, *ends):
    """A note within a triplet for which no figure is printed; it may be its first and its last."""
    marks = "".join(f'<tuplet type="{end}" bracket="no" show-number="none"/>' for end in ends)
    ratio_of = re.sub("</type>(<dot/>)?", lambda m: m[0] + ratio(3, 2), text)
    return ratio_of.replace("</note>", f"<notations>{marks}</notations></note>")


def triplet(names, beams=("begin", "continue", "end")):
    """Three eighths, of which twelve are a whole."""
    return "".join(
        hidden(note(name, 4, "eighth", after=f'<beam number="1">{beam}</beam>' if beam else ""), *ends)
        for name, beam, ends in zip(names, beams, (("start",), (), ("stop",)), strict=True)
    )


@pytest.mark.parametrize("engraver", ["Leland", "Gootville"])
def test_triplets_without_figures_whose_first_head_has_a_flag_are_read(engraver):
    upper = triplet(("C5", "E4", "A4"), ("", "begin", "end"))
    upper += "".join(triplet([f"{letter}5" for letter in group]) for group in ("CAE", "GCE", "EAC"))
    low = "<backup><duration>48</duration></backup>"
    low += note("C3", 24, "half", voice="5", staff="2") + note("G2", 24, "half", voice="5", staff="2")
    there = read_musicxml(score(bar(attributes(divisions=12, more=PIANO) + upper + low)))
    assert {n.duration for n in there.notes if n.staff == 1} == {Fraction(1, 3)}
    assert notes(read_page(engraved.verovio_pdf(there.source, engraver))) == notes(there)


def test_dotted_values_go_on_in_triplets_without_figures():
    """The second bar has no run of three; a dotted half fills half of it, as the halves below show."""
    triplets = "".join(triplet([f"{letter}5" for letter in group]) for group in ("CEG", "EGE", "GEC", "ECE"))
    dotted = "".join(
        hidden(note(n, 24, "half").replace("</type>", "</type><dot/>"), "start", "stop") for n in ("C5", "E5")
    )
    low = "<backup><duration>48</duration></backup>" + "".join(
        note(n, 12, "quarter", voice="5", staff="2") for n in ("C3", "G2", "E3", "G2")
    )
    bars = bar(attributes(divisions=12, more=PIANO) + triplets + low) + bar(dotted + low, "2")
    there = read_musicxml(score(bars))
    assert [n.duration for n in there.notes if n.staff == 1][-2:] == [2, 2]
    assert notes(read_page(engraved.verovio_pdf(there.source, "Leland"))) == notes(there)


def test_a_figure_over_one_end_of_a_beam_is_of_the_notes_below_it_alone():
    """Under one beam two eighths and a triplet, over which the figure stands."""
    names, beams = ("C5", "D5", "E5", "F5", "G5"), ("begin", *["continue"] * 3, "end")
    run = [
        note(name, 6 if k < 2 else 4, "eighth", after=f'<beam number="1">{beam}</beam>')
        for k, (name, beam) in enumerate(zip(names, beams, strict=True))
    ]
    for k, end in ((2, "start"), (3, ""), (4, "stop")):
        mark = f'<notations><tuplet type="{end}" bracket="no"/></notations>' if end else ""
        run[k] = re.sub("</type>", lambda m: m[0] + ratio(3, 2), run[k]).replace("</note>", mark + "</note>")
    there = read_musicxml(score(bar(attributes(divisions=12, more=clefs("G")) + "".join(run) * 2)))
    assert {n.duration for n in there.notes} == {Fraction(1, 2), Fraction(1, 3)}
    assert notes(read_page(engraved.verovio_pdf(there.source, "Leland"))) == notes(there)


def test_the_dot_of_a_short_rest_stands_beside_its_upper_bulb():
    short = "<note><rest/><duration>3</duration><voice>1</voice><type>16th</type><dot/></note>"
    figure = note("C5", 4, "eighth") + short + note("D5", 1, "32nd")
    there = read_musicxml(score(bar(attributes(divisions=8, more=clefs("G")) + figure * 4)))
    read = read_page(engraved.verovio_pdf(there.source, "Leland"))
    assert [n.onset for n in read.notes] == [n.onset for n in there.notes]
    assert notes(read) == notes(there)


def test_a_staccato_dot_over_the_next_note_prolongs_nothing():
    dot = "<notations><articulations><staccato/></articulations></notations>"
    beat = "".join(
        note(n, 4, "16th", after=dot).replace("</note>", f'<beam number="1">{b}</beam></note>')
        for n, b in zip(("E5", "B4", "D5", "C5"), ("begin", "continue", "continue", "end"), strict=True)
    ).replace("<duration>4</duration>", "<duration>2</duration>")
    there = read_musicxml(score(bar(attributes(divisions=8, more=clefs("G")) + beat * 4)))
    read = read_page(engraved.verovio_pdf(there.source, "Leland"))
    assert notes(read) == notes(there)
    assert all("staccato" in n.articulations for n in read.notes)


@needs_lilypond
def test_the_figure_of_a_triplet_is_no_fingering(tmp_path):
    """LilyPond sets the figures of tuplets in letters, as it does fingering in some styles."""
    (tmp_path / "piece.ly").write_text(
        "\\paper { indent = 0 } { \\time 2/4 \\tuplet 3/2 { c''8 e'' g'' } c''8-2 d'' }", encoding="utf-8"
    )
    subprocess.run(["lilypond", "--silent", "--output=piece", "piece.ly"], cwd=tmp_path, check=True)
    read = read_page((tmp_path / "piece.pdf").read_bytes())
    assert [n.duration for n in read.notes[:3]] == [Fraction(1, 3)] * 3
    assert [n.fingering for n in read.notes] == [(), (), (), ("2",), ()]


def lines_page(count, tmp_path):
    """Return a page with one staff of so many lines."""
    drawn = "".join(f"#place(dx: 30mm, dy: {40 + 2 * k}mm, line(length: 150mm))\n" for k in range(count))
    (tmp_path / "page.typ").write_text("#set page(margin: 0pt)\n" + drawn)
    return typst.compile(tmp_path / "page.typ")


def picture_page(tmp_path):
    (tmp_path / "page.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"><rect width="9" height="9"/></svg>'
    )
    (tmp_path / "small.typ").write_text('#set page(width: 40pt, height: 40pt)\n#image("page.svg")')
    (tmp_path / "page.png").write_bytes(typst.compile(tmp_path / "small.typ", format="png"))
    (tmp_path / "page.typ").write_text('#set page(margin: 0pt)\n#image("page.png", width: 100%)')
    return typst.compile(tmp_path / "page.typ")


def locked(data, tmp_path):
    writer = pypdf.PdfWriter(clone_from=pypdf.PdfReader(BytesIO(data)))
    writer.encrypt("secret", algorithm="RC4-128")
    with (tmp_path / "locked.pdf").open("wb") as file:
        writer.write(file)
    return (tmp_path / "locked.pdf").read_bytes()


@pytest.mark.parametrize(
    ("make", "word"),
    [
        (lambda path: lines_page(6, path), "tablature"),
        (lambda path: lines_page(4, path), "chant"),
        (lambda path: lines_page(5, path), "no notes"),
        (lambda path: lines_page(1, path), "no staff lines"),
        (picture_page, "No staves"),
        (lambda path: locked(lines_page(5, path), path), "password"),
        (lambda path: b"%PDF-1.7\n" + bytes(range(256)), "cannot be read"),
        (lambda path: lines_page(5, path)[:400], "PDF"),
    ],
)
def test_what_is_no_engraved_page_ends_in_one_sentence(make, word, tmp_path):
    with pytest.raises(ScoreError) as caught:
        read_page(make(tmp_path), "piece.pdf")
    text = str(caught.value)
    assert "piece.pdf" in text
    assert word in text
    assert text.endswith(".")
    assert text.count(". ") == 0
    assert "\n" not in text


def test_pages_that_are_not_read_are_named_with_the_reason(tmp_path):
    music = engraved.verovio_pdf(original("lock-water").source)
    writer = pypdf.PdfWriter()
    for data in (lines_page(1, tmp_path), music, picture_page(tmp_path), lines_page(6, tmp_path)):
        writer.append(BytesIO(data))
    writer.write(tmp_path / "mixed.pdf")
    count = len(writer.pages)
    read = read_page((tmp_path / "mixed.pdf").read_bytes())
    assert len(read.measures) == len(original("lock-water").measures)
    assert "Pages without staves were left out: p. 1." in read.warnings
    left_out = "Pictures among engraved pages were left out (give them in a file of their own)"
    assert f"{left_out}: p. {count - 1}." in read.warnings
    assert f"Staves of 6 lines were not read, only those of five: p. {count}." in read.warnings
    assert not [w for w in read_page(music).warnings if "left out" in w]


def test_symbols_are_called_what_the_fonts_call_them():
    """The fonts' own tables give a SMuFL name for each code point."""
    told = 0
    for path in sorted(smufl.fonts_folder().glob("*.xml")):
        for glyph in etree.fromstring(path.read_bytes()).iter("g"):
            code = int(glyph.get("c"), 16)
            if code in smufl.CODES and glyph.get("n"):
                told += 1
                assert smufl.CODES[code] == glyph.get("n"), hex(code)
    assert told > 300


@pytest.mark.corpus
def test_a_prelude_comes_back_from_its_page():
    path = data_folder() / "harmony/dev/preludes/the-well-tempered-clavier-i-01/score.mxl"
    if not path.is_file():
        pytest.skip("the open data is not here")
    there = read_score(path)
    read = read_page(engraved.verovio_pdf(there.source, "Leland"))
    assert (notes(read) & notes(there)).total() >= 0.99 * len(there.notes)


def eighths(*names):
    beams = ["begin", *["continue"] * (len(names) - 2), "end"]
    return "".join(
        note(n, 2, "eighth").replace("</note>", f'<beam number="1">{b}</beam></note>')
        for n, b in zip(names, beams, strict=True)
    )


def quarters(*names):
    return "".join(note(n, 4, "quarter") for n in names)


def dotted_half(name):
    return note(name, 12, "half").replace("</type>", "</type><dot/>")


LILT = quarters("C5") + note("D5", 2, "eighth")
UNPRINTED = {
    "2/4": ["", quarters("C5", "E5"), eighths("C5", "D5") + quarters("E5"), quarters("F5", "D5")],
    "3/4": [quarters("G4"), quarters("C5", "E5", "G5"), eighths("C5", "D5") + quarters("E5", "G5")],
    "3/4 which only its upbeat would take for 6/8": [
        note("G4", 2, "eighth") + eighths("A4", "B4"),
        dotted_half("C5"),
        eighths("C5", "D5", "E5", "F5", "E5", "D5"),
    ],
    "6/8": [
        note("G4", 2, "eighth"),
        eighths("C5", "D5", "E5") + eighths("F5", "E5", "D5"),
        dotted_half("C5"),
    ],
    "6/8 without beams": ["", *[LILT * 2] * 3],
    "9/8": ["", *[eighths("C5", "D5", "E5") + eighths("F5", "E5", "D5") + eighths("C5", "D5", "E5")] * 2],
    "4/4": ["", note("C5", 16, "whole"), quarters("C5", "E5", "G5", "E5")],
}
"""Of each meter an upbeat, empty where there is none, and bars."""


@cache
def unprinted(case):
    """A score in the meter of a case, and its page with the meter hidden."""
    beats, unit = (int(number) for number in case.split()[0].split("/"))
    upbeat, *whole = UNPRINTED[case]
    signs = attributes(beats=beats, beat_type=unit).replace("<time>", '<time print-object="no">')
    first = bar(upbeat, "0", ' implicit="yes"') if upbeat else ""
    bars = first + "".join(bar(notes_in, str(k)) for k, notes_in in enumerate(whole, 1))
    there = read_musicxml(score(bars.replace('">', f'">{signs}', 1)))
    return there, engraved.verovio_pdf(there.source)


@pytest.mark.parametrize("case", UNPRINTED)
def test_a_meter_that_is_not_printed_is_inferred_from_the_bars(case):
    there, page = unprinted(case)
    meter = case.split()[0]
    read = read_page(page)
    assert {f"{m.beats}/{m.beat_type}" for m in read.measures} == {meter}
    assert [m.length for m in read.measures] == [m.length for m in there.measures]
    assert [m.number for m in read.measures] == [m.number for m in there.measures]
    assert notes(read) == notes(there)
    (inferred,) = (w for w in read.warnings if "No meter is printed" in w)
    assert f"so {meter} was inferred" in inferred


def test_a_meter_that_was_told_at_the_first_bar_is_not_inferred():
    _, page = unprinted("6/8")
    _, bars = read_bars(page)
    read, _ = read_bars(page, told=[Told(bars[0].frame.middle, meter=(3, 4))])
    assert {(m.beats, m.beat_type) for m in read.measures} == {(3, 4)}
    assert not [w for w in read.warnings if "No meter is printed" in w]


def test_of_meters_in_which_bars_fit_nearly_as_well_the_simpler_is_taken():
    event = SimpleNamespace(beam=None, is_rest=False)

    def cost(worse):
        return infer_meter(lambda *meter: [Fitted(worse * (meter == (4, 4)), [Fraction(0)], [1], [event])])

    assert cost(0) == cost(0.2) == (4, 4)
    assert cost(0.5) == (3, 4)


def test_a_meter_that_grows_too_dear_is_not_tried_to_the_end():
    event = SimpleNamespace(beam=None, is_rest=False)
    asked = Counter()

    def fitted(*meter):
        for _ in range(20):
            asked[meter] += 1
            yield Fitted(0.0 if meter == (2, 4) else 2.0, [Fraction(0)], [1], [event])

    assert infer_meter(fitted) == (2, 4)
    # With the best known, others may cost a quarter a bar more, 5 in all (`_TIE`): three bars are too many.
    assert asked == {(4, 4): 20, (3, 4): 20, (2, 4): 20, (3, 8): 3, (9, 8): 3, (3, 2): 3, (5, 4): 3}
