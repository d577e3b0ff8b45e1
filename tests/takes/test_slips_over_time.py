"""Slips by kind, in words and signs, and takes over time: our own piece played by its plan, with slips of
our own.

The truth is how the slips were made: which key was changed, left out, put in, held back.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest
from lxml import etree
from tests.once import make_plan, opening, read

from understave.acoustics.midi_bytes import midi_bytes
from understave.acoustics.performance import Performance, Strike
from understave.cli import main
from understave.engraving.palette import contrast
from understave.engraving.slip_signs import SIGNS
from understave.errors import TakeError
from understave.interpretation.perform import perform
from understave.lesson.folder import create_folder
from understave.score.reader import read_score
from understave.takes import Recording, tie
from understave.takes.half_pedal import USUAL, keep_own_half, own_file, own_half
from understave.takes.kept import add_take, keep_half, kept_take, kept_takes
from understave.takes.over_time import Since, since_before, table, tell_over_time
from understave.takes.paper import slips_drawn, take_pdf
from understave.takes.picture import draw_take
from understave.takes.slips import besides, signed, slips_by_bar
from understave.takes.told import Beside, tell_take

BARS = 12
LANGUAGES = ("en", "de", "fr")


@pytest.fixture(scope="module")
def piece():
    score = read_score(opening(BARS))
    reading = read(score)
    plan = make_plan(score, reading)
    return score, Beside(plan, reading), perform(score, plan)


def in_bar(piece, bar, number=1):
    """The index of a strike of a bar, away from its edges."""
    score, _, performance = piece
    found = [
        i
        for i, s in enumerate(performance.strikes)
        if s.note and score.note_by_id[s.note].measure == bar and score.note_by_id[s.note].midi == s.midi
    ]
    return found[number]


def taken(piece, wrong=(), missed=(), extra=(), waits=0.0, name="take.mid"):
    """A take with slips in these bars (indexes), and a wait before the middle of it."""
    score, _, performance = piece
    changed = {in_bar(piece, bar) for bar in wrong}
    lost = {in_bar(piece, bar, 2) for bar in missed}
    middle = performance.strikes[in_bar(piece, BARS // 2)].start
    later = [
        replace(s, start=s.start + waits, end=s.end + waits) if s.start >= middle else s
        for s in performance.strikes
    ]
    strikes = [replace(s, midi=s.midi + (i in changed)) for i, s in enumerate(later) if i not in lost]
    for bar in extra:
        near = later[in_bar(piece, bar, 1)]
        strikes.append(Strike(near.midi + 6, near.start + 0.1, near.start + 0.3, 50.0, ""))
    strikes.sort(key=lambda s: (s.start, s.midi))
    pedal = tuple((t + waits * (t >= middle), d) for t, d in performance.pedal)
    return tie(score, Recording(Performance(tuple(strikes), pedal), pedal, "midi", name))


@pytest.fixture(scope="module")
def takes(piece):
    return (
        taken(piece, wrong=(2, 4), missed=(7,), name="first.mid"),
        taken(piece, wrong=(2,), extra=(4,), name="second.mid"),
        taken(piece, wrong=(2,), name="third.mid"),
    )


def test_what_is_struck_besides_is_told_with_its_place_and_name(piece, takes):
    score, beside, performance = piece
    (one,) = besides(takes[1])
    near = score.note_by_id[performance.strikes[in_bar(piece, 4)].note]
    assert score.note_by_id[one.note].measure == 4
    assert abs(score.note_by_id[one.note].at - near.at) <= 0.5
    for language, words in zip(LANGUAGES, ("besides", "außer dem", "en plus"), strict=True):
        (told,) = (line for line in tell_take(score, takes[1], language, beside) if words in line)
        assert re.findall(r"\d+", told)[0] == score.bar_name(score.measures[4])
    # What lies outside all runs is no slip in a bar.
    (run,) = takes[1].runs
    away = replace(takes[1], runs=(replace(run, seconds=(0.0,) * len(run.seconds)),))
    assert besides(away) == ()


def test_each_kind_of_slip_has_a_sign_of_its_own(piece, takes):
    """Colour is not the only sign (WCAG 2.2, 1.4.1), and what is drawn is 3 : 1 or more on white (1.4.11)."""
    score, beside, _ = piece
    assert {k: len(v) for k, v in signed(takes[0]).items()} == {"wrong": 2, "missed": 1, "extra": 0}
    both = taken(piece, wrong=(2,), missed=(5,), extra=(8,))
    picture = etree.fromstring(slips_drawn(score, both, beside).encode())
    drawn = picture.findall(".//{*}g[@class='slips']/*")
    assert sorted(sign.get("class") for sign in drawn) == ["extra", "missed", "wrong"]
    looks = {(etree.QName(one).localname, one.get("fill"), "stroke-dasharray" in one.attrib) for one in drawn}
    assert len(looks) == 3
    assert len({sign.get("stroke") for sign in drawn}) == 3
    assert all(contrast(colour) >= 3 for colour in SIGNS.values())
    # Below, the signs that occur are explained.
    said = {group.get("aria-label") for group in picture.findall(".//{*}g[@class='words']")}
    assert said == {"another key struck", "not struck", "another key besides"}
    assert slips_drawn(score, taken(piece), beside) == ""


def test_bars_that_slipped_are_laid_beside_the_time_before(piece, takes):
    score = piece[0]
    assert [sorted(slips_by_bar(score, take)) for take in takes] == [[2, 4, 7], [2, 4], [2]]
    assert since_before(score, takes) == (Since((), ()), Since((7,), (2, 4)), Since((4,), (2,)))
    for language in LANGUAGES:
        told = [re.findall(r"\d+", line) for line in tell_over_time(score, takes, language)]
        assert told == [[score.bar_name(score.measures[4])], [score.bar_name(score.measures[2])]]
    assert tell_over_time(score, takes[:1]) == ()
    # A take that does not play a bar leaves it as it was; what is only heard says nothing of slips.
    excerpt = replace(takes[1], runs=(replace(takes[1].runs[0], first=6),))
    assert since_before(score, (takes[0], excerpt, takes[2]))[2] == Since((4,), (2,))
    heard = replace(takes[2], recording=replace(takes[2].recording, kind="sound"))
    assert since_before(score, (takes[0], heard))[1] == Since((), ())
    headings, rows = table(score, [(take.recording.media, take) for take in takes], "en")
    assert [row[0] for row in rows] == ["first.mid", "second.mid", "third.mid"]
    right = [[int(number) for number in row[headings.index("as written")].split(" / ")] for row in rows]
    assert [written - share for share, written in right] == [3, 1, 1]


def test_a_long_wait_is_told_in_words_and_does_not_flatten_the_tempo(piece):
    score, beside, _ = piece

    def drawn(waits):
        root = etree.fromstring(draw_take(score, (taken(piece, waits=waits),), beside).encode())
        (plan,) = root.findall(".//{*}polyline[@class='tempo'][@stroke-dasharray]")
        heights = [float(point.split(",")[1]) for point in plan.get("points").split()]
        return max(heights) - min(heights), root.findall(".//{*}text[@class='wait']")

    even, none = drawn(0.0)
    waiting, words = drawn(12.0)
    assert none == []
    assert waiting > 0.9 * even
    (word,) = words
    assert float(re.findall(r"[\d.]+", word.text)[0]) > 5
    assert 0 <= float(word.get("x")) <= 1200


def test_all_takes_stand_in_one_pdf_and_one_list(tmp_path, piece, takes, capsys):
    import pypdf

    score, beside, _ = piece
    path = tmp_path / "takes.pdf"
    path.write_bytes(take_pdf(score, takes, beside))
    pages = pypdf.PdfReader(path).pages
    # Over time, the words of each, the lanes of all, the slips of each.
    assert len(pages) == 1 + 3 + 1 + 3
    assert "Slipped the time before" in " ".join(pages[0].extract_text().split())
    folder = create_folder(tmp_path / "lesson", opening(BARS), score.title, score.composer).path
    for take in takes:
        (tmp_path / take.recording.media).write_bytes(midi_bytes(take.recording.performance))
        add_take(folder, score, tmp_path / take.recording.media)
    assert main(["take", str(folder), "--json", "--picture", str(tmp_path / "all.svg")]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert [row["slips"].keys() for row in rows] == [{"2", "4", "7"}, {"2", "4"}, {"2"}]
    assert [(row["mended"], row["again"]) for row in rows] == [([], []), ([7], [2, 4]), ([4], [2])]
    assert all(take.recording.media in (tmp_path / "all.svg").read_text() for take in takes)


def test_where_half_is_stays_with_a_take_and_is_taken_for_the_next(tmp_path, piece, capsys, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    score, _, performance = piece
    folder = create_folder(tmp_path / "lesson", opening(BARS), score.title, score.composer).path
    source = tmp_path / "one.mid"
    source.write_bytes(midi_bytes(performance))
    name, _ = add_take(folder, score, source)
    tied = folder / "takes" / f"{name}.tie.json"
    before = json.loads(tied.read_text())
    keep_half(folder, score, name, 0.3)
    assert json.loads(tied.read_text()) == {**before, "half": 0.3}
    assert kept_take(folder, score, name).recording.half == 0.3
    for wrong in (0.0, 1.0, 7.0, float("nan")):
        with pytest.raises(TakeError, match="is no depth of the pedal"):
            keep_half(folder, score, name, wrong)
    assert own_half(own_file()) == USUAL
    assert main(["take", str(folder), "--show", name, "--half", "0.4"]) == 0
    assert own_half(own_file()) == kept_take(folder, score, name).recording.half == 0.4
    other = tmp_path / "two.mid"
    other.write_bytes(midi_bytes(replace(performance, pedal=())))
    assert main(["take", str(folder), str(other)]) == 0
    assert [one.take.recording.half for one in kept_takes(folder, score)[0]] == [0.4, 0.4]
    # What cannot be read is the usual depth; a tie of another score is made again and keeps its piano.
    own_file().write_text("{")
    assert own_half(own_file()) == USUAL
    keep_own_half(own_file(), 0.6)
    tied.write_text(json.dumps({**json.loads(tied.read_text()), "score": "another"}))
    assert kept_take(folder, score, name).recording.half == 0.4
    capsys.readouterr()


def test_a_second_instrument_over_all_that_is_written_is_asked_about(piece):
    score, _, performance = piece
    other = tuple(Strike(84 + 2 * (k % 5), 0.37 * k, 0.37 * k + 0.3, 60.0, "") for k in range(150))

    def refusal(strikes):
        strikes = tuple(sorted(strikes, key=lambda s: (s.start, s.midi)))
        with pytest.raises(TakeError, match="is not tied") as refused:
            tie(score, Recording(Performance(strikes), (), "midi", "two.mid"))
        return str(refused.value)

    assert "another instrument may sound too" in refusal((*performance.strikes, *other))
    assert "another instrument" not in refusal(other)
