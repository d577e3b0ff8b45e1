"""Marks of the plan in MusicXML: valid, told apart, taken out again, read alike by others."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from lxml import etree
from music21 import converter, dynamics
from tests.once import read, read_score

from understave.errors import UnderstaveError
from understave.export.annotated import annotated_musicxml
from understave.export.plan_marks import PREFIX, remove_plan, with_plan
from understave.harmony.reading import Event
from understave.interpretation.plan import DynamicMark, Hairpin, PedalMove, Plan, Sustained, Voice

EXAMPLES = sorted((Path(__file__).resolve().parents[2] / "examples").glob("*/score.musicxml"))
ENDS = ("sostenuto", "sostenuto-stop")
WHY = Event("dynamics", "", Fraction(0), Fraction(0), (), 1.0)


def plan_for(score):
    """Something of everything, also between notes, over barlines and at the very end."""
    moves, depth = [], (1.0, 0.5, 1.0, 0.0, 0.35)
    at = Fraction(0)
    while at < score.end:
        k = len(moves)
        origin = "printed" if k % 11 == 10 else "proposed"
        moves.append(PedalMove(at, depth[k % 5], origin, flutter=k % 5 == 1))
        at += Fraction(5, 7)
    third = score.end / 3
    hairpins = (
        Hairpin(Fraction(1, 3), third / 2, third, "swell", "proposed", WHY),
        Hairpin(third / 2, None, third + 1, "crescendo", "proposed", WHY),
        Hairpin(third + 1, None, 2 * third, "diminuendo", "printed", WHY),
        Hairpin(2 * third, None, score.end, "diminuendo", "proposed", WHY),
    )
    marks = (
        DynamicMark(Fraction(0), "mf", "printed", WHY),
        DynamicMark(third, "pp", "proposed", WHY),
        DynamicMark(2 * third, "mezza voce", "proposed", WHY),
    )
    voices = tuple(Voice(n.id, "melody", 5.0, k % 17 == 0) for k, n in enumerate(score.notes))
    middle = (
        Sustained(Fraction(1, 2), third, (score.notes[0].id,), WHY),
        Sustained(third, score.end, (), WHY),
    )
    return Plan(hairpins=hairpins, marks=marks, voices=voices, pedal=tuple(moves), sustained=middle)


@pytest.fixture(scope="module", params=EXAMPLES, ids=lambda p: p.parent.name)
def made(request):
    score = read_score(request.param)
    plan = plan_for(score)
    return score, plan, with_plan(score.source, score, plan)


def ours(tree, path):
    return [e for e in tree.iter(path) if e.get("id", "").startswith(PREFIX)]


def test_it_is_valid_musicxml_4(made, schema):
    tree = etree.fromstring(made[2])
    assert schema.validate(tree), schema.error_log.last_error
    assert tree.get("version") == "4.0"


def test_removing_it_gives_back_every_byte(made):
    score, plan, data = made
    assert data != score.source
    assert remove_plan(data) == score.source
    assert remove_plan(score.source) == score.source
    assert with_plan(data, score, plan) == data


def test_beside_the_harmony_it_is_valid_and_comes_out_alone(made, schema):
    score, plan, _ = made
    annotated = annotated_musicxml(score, read(score))
    both = with_plan(annotated, score, plan)
    tree = etree.fromstring(both)
    assert schema.validate(tree), schema.error_log.last_error
    assert remove_plan(both) == annotated


@pytest.mark.parametrize("version", ['version="3.1"', "", 'version="2.0"'])
def test_the_version_and_the_layout_of_the_file_come_back(version):
    text = EXAMPLES[0].read_bytes().replace(b'version="4.0"', version.encode(), 1)
    score = read_score(EXAMPLES[0])
    spaced = text.replace(b"<note ", b"\n\t  <note ").replace(b"</note>", b"  </note>\n")
    score = replace(score, source=spaced)
    once = remove_plan(with_plan(spaced, score, plan_for(score)))
    assert etree.tostring(etree.fromstring(once), method="c14n") == etree.tostring(
        etree.fromstring(spaced), method="c14n"
    )


def test_every_mark_is_called_a_proposal_and_what_is_printed_is_not_repeated(made):
    _, _, data = made
    tree = etree.fromstring(data)
    added = [e for tag in ("direction", "notations") for e in ours(tree, tag)]
    assert added
    assert all(e.findtext("level") == "proposed" for e in added)
    assert len([e for e in added if e.find("direction-type/dynamics") is not None]) == 2
    wedges = [e.get("type") for d in added for e in d.iterfind("direction-type/wedge")]
    assert wedges.count("stop") == len(wedges) / 2 == 4


def test_the_depth_of_the_pedal_stands_in_its_sound(made):
    """MusicXML 4.0, `damper-pedal`: yes, no, or 0 to 100 for a pedal partly down."""
    _, plan, data = made
    tree = etree.fromstring(data)
    found = [
        (d.find("direction-type/pedal").get("type"), d.find("sound").get("damper-pedal"))
        for d in ours(tree, "direction")
        if d.find("direction-type/pedal") is not None and d.find("sound").get("damper-pedal")
    ]
    assert found[:5] == [
        ("start", "100"),
        ("change", "50"),
        ("change", "100"),
        ("stop", "0"),
        ("start", "35"),
    ]
    assert len(found) == sum(m.origin == "proposed" for m in plan.pedal)


def test_the_middle_pedal_has_a_number_of_its_own(made):
    """MusicXML 4.0, `number` of pedal: it tells pedals apart that overlap; without one it is 1."""
    tree = etree.fromstring(made[2])
    numbers = {True: set(), False: set()}
    for mark in ours(tree, "direction"):
        pedal = mark.find("direction-type/pedal")
        if pedal is not None:
            numbers[mark.find("sound").get("sostenuto-pedal") is not None].add(pedal.get("number", "1"))
    assert len(numbers[True]) == 1
    assert not numbers[True] & numbers[False]
    assert numbers[False]


def test_a_flutter_is_named_where_it_begins(made):
    """MusicXML 4.0 has no pedal of that kind: words stand beside the sign."""
    _, plan, data = made
    named = [e.get("id") for e in ours(etree.fromstring(data), "direction") if e.find(".//words") is not None]
    wanted = [k for k, move in enumerate(plan.pedal) if move.flutter and move.origin == "proposed"]
    assert named == [f"{PREFIX}pedal-{k}" for k in wanted] != []


def test_our_reader_finds_pedal_and_dynamics_where_they_were_put(made, tmp_path):
    score, plan, data = made
    # Our reader leaves out what it knows by its ids: here the marks go by another name.
    (tmp_path / "a.musicxml").write_bytes(data.replace(PREFIX.encode(), b"other-"))
    again = read_score(tmp_path / "a.musicxml")
    assert [(n.id, n.onset, n.duration, n.pitch) for n in again.notes] == [
        (n.id, n.onset, n.duration, n.pitch) for n in score.notes
    ]
    pedals = [d for d in again.directions if d.kind == "pedal" and d.id.startswith("other-")]
    middle = [d for d in pedals if d.text.startswith("sostenuto")]
    assert [(d.text, d.onset) for d in middle] == [
        (text, m) for held in plan.sustained for text, m in zip(ENDS, (held.start, held.end), strict=True)
    ]
    pedal = [d for d in pedals if d not in middle]
    wanted = [m for m in plan.pedal if m.origin == "proposed"]
    assert [float(d.onset) for d in pedal] == pytest.approx([float(m.moment) for m in wanted], abs=1e-3)
    assert [d.value for d in pedal] == [m.depth for m in wanted]
    wedges = [d for d in again.directions if d.kind == "wedge" and d.id.startswith("other-")]
    swell = plan.hairpins[0]
    legs = [(swell.start, swell.peak), (swell.peak, swell.end)]
    legs += [(plan.hairpins[k].start, plan.hairpins[k].end) for k in (1, 3)]
    assert sorted((float(d.onset), float(d.end)) for d in wedges) == [
        (pytest.approx(float(a), abs=1e-3), pytest.approx(float(b), abs=1e-3)) for a, b in sorted(legs)
    ]


def test_accents_are_on_the_notes_to_lean_on(made):
    score, plan, data = made
    tree = etree.fromstring(data)
    found = {e.getparent().get("id") for e in ours(tree, "notations")}
    own = ("accent", "strong-accent", "soft-accent", "stress", "tenuto")
    wanted = {
        v.note for v in plan.voices if v.lean and not set(own) & set(score.note_by_id[v.note].articulations)
    }
    assert found == wanted


def test_music21_reads_the_marks(made, tmp_path):
    _, _, data = made
    (tmp_path / "a.musicxml").write_bytes(data)
    found = converter.parse(tmp_path / "a.musicxml")
    before = converter.parse(remove_plan(data))
    count = [len(list(s.recurse().getElementsByClass(dynamics.Dynamic))) for s in (found, before)]
    assert count[0] - count[1] == 2
    wedges = [len(list(s.recurse().getElementsByClass(dynamics.DynamicWedge))) for s in (found, before)]
    assert wedges[0] - wedges[1] == 4


def test_a_score_without_notation_is_refused():
    score = read_score(EXAMPLES[0])
    with pytest.raises(UnderstaveError, match="no notation"):
        with_plan(b"", score, Plan())


def test_an_empty_plan_changes_no_music(made):
    score, _, _ = made
    assert remove_plan(with_plan(score.source, score, Plan())) == score.source


def test_read_in_again_our_own_marks_are_no_print_of_the_composer(made, tmp_path):
    score, _, written = made
    path = tmp_path / "plan.musicxml"
    path.write_bytes(written)
    again = read_score(path)
    assert again.directions == score.directions
    assert again.notes == score.notes
    assert again.measures == score.measures
    assert PREFIX.encode() not in again.source
