"""Pages and excerpts: every id, the right place, the paper, the words, and no fonts needed."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from engraved_collisions import SVG, lanes_of
from engraving_scores import THREE_ROWS, crowded, held, quarters, reading_of, song
from lxml import etree

from understave.engraving import Options, engrave, excerpt
from understave.engraving.geometry import Box, affine, glyph_boxes, ink
from understave.engraving.notation import choose_breaks
from understave.engraving.pages import _MM, _ROMAN, _SMALL, _in_line, share_out, typeset
from understave.errors import UnderstaveError
from understave.harmony.reading import Reading, Span
from understave.interpretation.planning import make_plan
from understave.score.model import Score
from understave.score.reader import read_score
from understave.score.readers.musicxml import read_musicxml
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral
from understave.wording.phrasebook import phrasebook

SIMPLE = ("I", "V65/V", "ii6", "V7")


def trees(pages: Iterable[str]) -> list[etree._Element]:
    return [etree.fromstring(page.encode()) for page in pages]


def group_ids(pages: Iterable[str]) -> list[str]:
    """Ids of all groups but the glyphs' definitions, which pages share."""
    return [
        g.get("id")
        for tree in trees(pages)
        for body in tree.findall(f"{SVG}g")
        for g in body.iter(f"{SVG}g")
        if g.get("id")
    ]


def of_class(tree: etree._Element, name: str) -> list[etree._Element]:
    return [g for g in tree.iter(f"{SVG}g") if g.get("class", "").split(" ")[0] == name]


def reading(score: Score, step: Fraction = Fraction(1)) -> Reading:
    return reading_of(score, step, SIMPLE, ("D", "b"), 6)


def wanted_ids(score: Score) -> set[str]:
    return {i for n in score.notes for i in n.ids} | {m.id for m in score.measures}


@pytest.mark.parametrize("make", [crowded, held, quarters, song])
def test_every_note_and_measure_is_there_once(make) -> None:  # type: ignore[no-untyped-def]
    score = make()
    found = group_ids(engrave(score, reading(score)))
    for name in wanted_ids(score):
        assert found.count(name) == 1


@pytest.mark.parametrize(
    "name",
    [
        "schumann_clara/polonaise_op1n1.mxl",
        "schumann_robert/opus48no2.mxl",
        "schubert/Lindenbaum.xml",
        "haydn/opus1no1/movement1.mxl",
        "bach/bwv66.6.mxl",
    ],
)
def test_ids_of_scores_of_a_reference_corpus(name: str) -> None:
    music21 = pytest.importorskip("music21")
    score = read_score(Path(music21.__file__).parent / "corpus" / name)
    found = group_ids(engrave(score, reading(score)))
    assert wanted_ids(score) <= set(found)
    # An id used twice would let the engraver draw one thing in the place of another.
    assert len(found) == len(set(found))


def test_a_title_is_not_said_again_under_itself() -> None:
    titled = replace(
        song(), title="Six Songs: Evening", metadata={"work": "Six Songs", "movement": "Evening"}
    )
    with_more = replace(titled, metadata={**titled.metadata, "subtitle": "for a low voice"})
    once, more = (engrave(s, reading(s))[0].count("<g") for s in (titled, with_more))
    bare = engrave(replace(titled, metadata={}), reading(titled))[0].count("<g")
    assert once == bare
    assert more > once


def test_nothing_is_left_to_the_readers_fonts() -> None:
    score = song()
    for page in [
        *engrave(score, reading(score), Options(chord_symbols=True)),
        excerpt(score, reading(score), 0, 1),
    ]:
        assert "<text" not in page
        assert "font" not in page
        assert "<style" not in page
        used = set(re.findall(r'href="#([^"]+)"', page))
        defined = {d.get("id") for t in trees([page]) for defs in t.iter(f"{SVG}defs") for d in defs}
        assert used == defined


def test_writing_without_a_font_stays_text_that_shows() -> None:
    score = quarters()
    strange = replace(score, title="\U000fabcd Study")
    page = engrave(strange, reading(score))[0]
    text = next(etree.fromstring(page.encode()).iter(f"{SVG}text"))
    assert text.text == "\U000fabcd Study"
    assert float(text.get("font-size")) > 100
    assert 'font-size="0px"' not in page


@pytest.mark.parametrize(("paper", "size"), [("a4", (210, 297)), ("us-letter", (215.9, 279.4))])
def test_paper(paper: str, size: tuple[float, float]) -> None:
    # ISO 216 (A4) and ANSI/ASME Y14.1 (A, "letter").
    score = crowded(6)
    options = Options(paper=paper)  # type: ignore[arg-type]
    for page in trees(engrave(score, reading(score), options)):
        assert [float(page.get(k).removesuffix("mm")) for k in ("width", "height")] == pytest.approx(size)
        assert [float(v) for v in page.get("viewBox").split()] == pytest.approx(
            [0, 0, *(100 * s for s in size)]
        )
    turned = trees(engrave(score, reading(score), replace(options, landscape=True)))[0]
    assert float(turned.get("width").removesuffix("mm")) == pytest.approx(size[1])


def systems(tree: etree._Element) -> list[tuple[etree._Element, Box, tuple[float, ...]]]:
    """Each system with the box of its staff lines on the page and its transform."""
    found = []
    for system in of_class(tree, "system"):
        m = affine(system.get("transform"))
        lines = [
            i.box.transformed(m)
            for staff in of_class(system, "staff")
            for path in staff.findall(f"{SVG}path")
            for i in ink(path, {})
        ]
        found.append((system, Box.around(lines), m))
    return found


def test_systems_are_justified_and_inside_the_margins() -> None:
    score = quarters(40)
    pages = trees(engrave(score, reading(score), Options(margin_mm=15)))
    edges = [box for page in pages for _, box, _ in systems(page)]
    assert len(edges) > 4
    for box in edges:
        assert box.x0 == pytest.approx(1500, abs=15)
        assert box.x1 <= 21000 - 1500 + 15
    for box in edges[:-1]:
        assert box.x1 == pytest.approx(21000 - 1500, abs=15)
    for page in pages:
        glyphs = glyph_boxes(page)
        everything = Box.around(i.box for g in page.findall(f"{SVG}g") for i in ink(g, glyphs))
        assert everything.x0 > 500
        assert everything.x1 < 20500
        assert everything.y1 <= 29700 - 1500 + 100


def test_lanes_lie_below_the_lowest_staff_in_order() -> None:
    score = song()
    pages = trees(engrave(score, reading(score), Options(chord_symbols=True)))
    assert all(systems(page) for page in pages)
    for page in pages:
        glyphs = glyph_boxes(page)
        for system, staves, m in systems(page):
            lane = {
                g.get("class"): Box.around(i.box.transformed(m) for i in ink(g, glyphs))
                for g in lanes_of(system)
            }
            assert lane["lane symbols"].y1 < staves.y0
            assert staves.y1 < lane["lane numerals"].y0
            assert lane["lane numerals"].y1 < lane["lane keys"].y0


def label_places(tree: etree._Element, kind: str = "numeral") -> dict[int, float]:
    """x at which the label of each span begins, in its system's coordinates."""
    return {
        int(g.get("data-index")): float(g[0].get("transform").split("(")[1].split(",")[0])
        for g in of_class(tree, kind)
    }


def head_places(tree: etree._Element) -> dict[str, Box]:
    """The head of each note, in its system's coordinates."""
    glyphs = glyph_boxes(tree)
    inside = (i for s in of_class(tree, "system") for child in s for i in ink(child, glyphs))
    return {i.id: i.box for i in inside if i.kind == "notehead"}


def test_labels_begin_where_their_notes_are() -> None:
    score = quarters(2)
    (page,) = trees(engrave(score, reading(score)))
    labels, heads = label_places(page), head_places(page)
    assert len(labels) == 8
    for k, x in labels.items():
        assert x == pytest.approx(heads[f"m{k // 4 + 1}l{k % 4}"].x0, abs=25)


def test_labels_between_notes_stand_at_their_share_of_the_time() -> None:
    """In a bar of whole notes every later label falls where no voice has a note."""
    score = held(1)
    triplets = reading_of(score, Fraction(2, 3), ("iv", "vi"), ("C",), 99)
    (page,) = trees(engrave(score, triplets))
    x = label_places(page)
    assert len(x) == 6
    steps = [x[k + 1] - x[k] for k in range(5)]
    assert min(steps) > 0
    assert max(steps) < 1.1 * min(steps)


def test_a_chord_that_goes_on_is_not_named_again() -> None:
    score = quarters(1)
    key = Key.parse("D")
    same = [Span(Fraction(k), Fraction(k + 1), key, RomanNumeral.parse("I"), 1.0) for k in range(3)]
    other = Span(Fraction(3), Fraction(4), key, RomanNumeral.parse("V"), 1.0)
    page = engrave(score, Reading((*same, other)))[0]
    assert re.findall(r'class="numeral" data-index="(\d)"', page) == ["0", "3"]


def test_keys_are_named_where_they_begin_and_again_on_new_systems() -> None:
    score = quarters(30)
    changes = reading_of(score, Fraction(4), SIMPLE, ("D", "f#"), 15)
    pages = engrave(score, changes)
    named = re.findall(r'class="key"[^>]*aria-label="([^"]*)"', "".join(pages))
    assert [n for n in named if "continued" not in n] == ["D major", "F♯ minor"]
    count = len(re.findall('class="system"', "".join(pages)))
    assert len([n for n in named if "continued" in n]) in (count - 2, count - 1)


def test_doubt_and_the_legend() -> None:
    score = quarters(2)
    unsure = reading_of(score, Fraction(1), SIMPLE, confidence=0.3, fixed_every=4)
    page = engrave(score, unsure)[0]
    assert page.count(", uncertain") == 6
    assert page.count(", set by the teacher") == 2
    assert 'aria-label="? uncertain"' in page
    assert "uncertain" not in engrave(score, unsure, Options(doubt_below=0.2))[0]
    sure = engrave(score, reading(score))[0]
    assert "uncertain" not in sure
    assert 'aria-label="applied to another degree"' in sure
    plain = engrave(score, reading(score), Options(colours=False, numerals=False, keys=False))[0]
    assert not re.search('class="(numeral|key)"', plain)
    assert "applied to another" not in plain


@pytest.mark.parametrize(
    ("language", "meaning"), [("de", "auf eine andere Stufe bezogen"), ("fr", "appliqué à un autre degré")]
)
def test_the_legend_speaks_the_language_of_the_page_and_fits_on_it(language, meaning) -> None:
    score = quarters(2)
    unsure = reading_of(score, Fraction(1), SIMPLE, confidence=0.3, fixed_every=4)
    page = engrave(score, unsure, Options(language=language), make_plan(score, unsure))[0]
    assert f'aria-label="{meaning}"' in page
    english, said = phrasebook("en").lanes, phrasebook(language).lanes
    foreign = {name for name in english if name.startswith("legend") and said[name] != english[name]}
    assert len(foreign) > 6
    assert [name for name in foreign if f'"{english[name]}"' in page] == []


@pytest.mark.parametrize("language", ["en", "de", "fr"])
def test_the_longest_legend_fits_on_a4(language) -> None:
    said = phrasebook(language).lanes
    meanings = ("tonic", "predominant", "dominant", "applied", "uncertain", "fixed")
    for names in (meanings, ("tension", "proposed", "pedal")):
        last = _in_line([(said[f"legend-{name}"], "#000000") for name in names], 0, 0)[-1]
        width = typeset([(last.text, _ROMAN)])[last.text, _ROMAN].advance / 1000
        assert last.x + _SMALL * width < _MM * (210 - 2 * 15)


def test_a_score_without_reading_is_engraved_without_lanes() -> None:
    score = crowded(2)
    pages = engrave(score, Reading(()))
    assert wanted_ids(score) <= set(group_ids(pages))
    assert "lane" not in pages[0]
    assert wanted_ids(score) - set(group_ids([excerpt(score, Reading(()), 0, 1)])) == set()


def test_title_and_composer() -> None:
    page = engrave(crowded(2), reading(crowded(2)))[0]
    assert 'aria-label="Crowded Étude"' in page
    assert 'aria-label="A. Writer"' in page
    long = replace(crowded(2), title="A very long title " * 8)
    boxes = [
        Box.around(i.box for i in ink(g, glyph_boxes(tree)))
        for tree in trees(engrave(long, reading(long)))
        for g in of_class(tree, "words")
    ]
    assert min(b.x0 for b in boxes) > 1400
    assert max(b.x1 for b in boxes) < 21000 - 1400


def test_same_input_same_pages() -> None:
    score = song()
    assert engrave(score, reading(score)) == engrave(score, reading(score))


def test_excerpt_shows_clef_signature_meter_and_only_its_measures() -> None:
    score = song()
    picture = excerpt(score, reading(score), 2, 3)
    (tree,) = trees([picture])
    assert [g.get("id") for g in of_class(tree, "measure")] == [score.measures[2].id, score.measures[3].id]
    first = of_class(tree, "measure")[0]
    staves = of_class(first, "staff")
    assert len(staves) == 3
    for staff in staves:
        assert len(of_class(staff, "clef")) == 1
        assert len(of_class(staff, "keyAccid")) == 3
        assert len(of_class(staff, "meterSig")) == 1
    inside = {i for n in score.notes for i in n.ids if n.measure >= 2}
    assert inside <= set(group_ids([picture]))
    assert not {i for n in score.notes for i in n.ids if n.measure < 2} & set(group_ids([picture]))


def test_excerpt_keeps_signature_and_meter_from_before() -> None:
    score = quarters(6)
    (tree,) = trees([excerpt(score, reading(score), 4, 5)])
    staff = of_class(of_class(tree, "measure")[0], "staff")[0]
    assert len(of_class(staff, "keyAccid")) == 2
    assert of_class(staff, "meterSig")
    assert re.search(r'class="numeral" data-index="16"', etree.tostring(tree, encoding="unicode"))


def test_excerpt_keeps_the_clef_from_before() -> None:
    changed = (
        quarters(4)
        .source.decode()
        .replace(
            '<measure number="2" id="p0m2">',
            '<measure number="2" id="p0m2"><attributes>'
            '<clef number="2"><sign>C</sign><line>3</line></clef></attributes>',
        )
    )
    score = read_musicxml(changed.encode())
    (tree,) = trees([excerpt(score, reading(score), 3, 3)])
    clefs = [
        use.get("{http://www.w3.org/1999/xlink}href")[1:5]
        for staff in of_class(of_class(tree, "measure")[0], "staff")
        for clef in of_class(staff, "clef")
        for use in clef.iter(f"{SVG}use")
    ]
    assert clefs == ["E050", "E05C"]  # SMuFL 1.4: gClef, cClef


@pytest.mark.parametrize("source", [b"", b"<score", b"<score-partwise/>", b"<html><body/></html>"])
def test_a_score_whose_source_is_no_score(source: bytes) -> None:
    score = replace(quarters(), source=source)
    with pytest.raises(UnderstaveError) as caught:
        engrave(score, Reading(()))
    assert str(caught.value).endswith(".")
    assert "\n" not in str(caught.value)


def test_long_excerpt_is_broken_into_even_systems() -> None:
    score = quarters(12)
    (tree,) = trees([excerpt(score, reading(score), 1, 9, width_mm=90)])
    counts = [len(of_class(s, "measure")) for s in of_class(tree, "system")]
    assert sum(counts) == 9
    assert len(counts) > 1
    assert max(counts) - min(counts) <= 1
    assert float(tree.get("width").removesuffix("mm")) < 90 + 5
    edges = [box.x1 for _, box, _ in systems(tree)]
    assert max(edges[:-1]) - min(edges[:-1]) < 5
    assert len(of_class(tree, "meterSig")) == 2


def test_short_excerpt_is_not_blown_up() -> None:
    score = quarters(12)
    widths = [
        float(
            etree.fromstring(excerpt(score, reading(score), 4, 4 + k).encode())
            .get("width")
            .removesuffix("mm")
        )
        for k in (0, 1)
    ]
    assert widths[0] < 80
    assert widths[0] < widths[1] < 170


def test_excerpt_is_cropped_tightly() -> None:
    score = crowded(3)
    (tree,) = trees([excerpt(score, reading(score), 1, 1)])
    x, y, width, height = (float(v) for v in tree.get("viewBox").split())
    glyphs = glyph_boxes(tree)
    drawn = Box.around(i.box for g in tree.findall(f"{SVG}g") for i in ink(g, glyphs))
    assert (drawn.x0 - x, drawn.y0 - y) == pytest.approx((150, 150), abs=40)
    assert (x + width - drawn.x1, y + height - drawn.y1) == pytest.approx((150, 150), abs=40)


def test_excerpt_highlights_notes_behind_their_heads() -> None:
    score = quarters(3)
    (tree,) = trees([excerpt(score, reading(score), 1, 1, highlight=["m2r0", "m2l3"])])
    (halos,) = of_class(tree, "halos")
    heads = head_places(tree)
    discs = [i.box for i in ink(halos, {})]
    assert len(discs) == 2
    for disc, name in zip(sorted(discs, key=lambda b: b.x0), ("m2r0", "m2l3"), strict=True):
        head = heads[name]
        assert disc.x0 < head.x0 < head.x1 < disc.x1
        assert disc.y0 < head.y0 < head.y1 < disc.y1


@pytest.mark.parametrize(("first", "last"), [(-1, 0), (2, 1), (0, 99)])
def test_excerpt_of_measures_that_do_not_exist(first: int, last: int) -> None:
    with pytest.raises(UnderstaveError, match="There are no measures"):
        excerpt(quarters(), reading(quarters()), first, last)


def test_a_key_that_goes_on_after_the_excerpt_stays_open() -> None:
    score = quarters(6)
    whole = reading_of(score, Fraction(1), SIMPLE, ("D",), 99)
    closing = r'<path d="M\d+ \d+ H\d+ V\d+"'
    assert not re.search(closing, excerpt(score, whole, 1, 2))
    assert re.search(closing, excerpt(score, whole, 4, 5))


def test_a_tie_to_a_much_later_note_is_not_drawn() -> None:
    """A tie left open in one bar and closed bars later is a slip of the file, not a line across the page."""

    def tied(source: str, name: str, kind: str) -> str:
        start = source.index(f'<note id="{name}">')
        end = source.index("</note>", start)
        marked = source[start:end].replace("</duration>", f'</duration><tie type="{kind}"/>')
        return f'{source[:start]}{marked}<notations><tied type="{kind}"/></notations>{source[end:]}'

    def ties(late: str) -> int:
        score = read_musicxml(tied(tied(quarters(3).source.decode(), "m1r0", "start"), late, "stop").encode())
        return sum(len(of_class(tree, "tie")) for tree in trees(engrave(score, reading(score))))

    assert ties("m3r0") == 0
    same = quarters(3).source.decode().replace("<step>E</step>", "<step>D</step>")
    score = read_musicxml(tied(tied(same, "m1r0", "start"), "m1r1", "stop").encode())
    assert score.note_by_id["m1r1"] is score.note_by_id["m1r0"]
    assert sum(len(of_class(tree, "tie")) for tree in trees(engrave(score, reading(score)))) == 1


@pytest.mark.parametrize(
    ("widths", "breaks"),
    [
        ([(30, 0)] * 6, [3]),
        ([(100, 0), (10, 0), (10, 0)], [1]),
        ([(150, 0), (20, 0)], [1]),
        ([(50, 10), (50, 10), (40, 10), (40, 10)], [2]),
    ],
)
def test_breaks_fill_systems_evenly(widths: list[tuple[float, float]], breaks: list[int]) -> None:
    assert choose_breaks(widths, 100)[0] == breaks


def test_no_system_is_overfull() -> None:
    widths = [(17 + 13 * (k * 7 % 5), 9.0) for k in range(60)]
    starts, fullest, fullness = choose_breaks(widths, 200)
    for a, b in zip([0, *starts], [*starts, 60], strict=True):
        assert sum(w for w, _ in widths[a:b]) + (9 if a else 0) <= 200
    assert fullest <= 200
    assert 0.5 < fullness <= 1


def test_systems_are_shared_out_to_few_even_pages() -> None:
    assert share_out([100] * 5, 250, 350, 10) == [2, 3]
    assert share_out([100] * 2, 250, 350, 10) == [2]
    assert share_out([400], 250, 350, 10) == [1]
    assert sum(share_out([90 + 7 * (k % 4) for k in range(23)], 700, 800, 30)) == 23


def test_an_orchestra_of_staves_still_fits_the_page() -> None:
    from engraving_scores import attributes, document, note

    part = [(attributes(0, 4, 4, 1, "G") if m == 0 else "") + note("C5", 48, 1, f"x{m}") for m in range(2)]
    parts = [
        (f"Part {k}", [c.replace('id="x', f'id="p{k}x').replace("<staff>1</staff>", "") for c in part])
        for k in range(26)
    ]
    score = document(parts)
    pages = trees(engrave(score, reading_of(score, Fraction(4), THREE_ROWS)))
    boxes = [box for page in pages for _, box, _ in systems(page)]
    assert boxes
    assert all(box.y1 < 29700 - 1500 for box in boxes)
