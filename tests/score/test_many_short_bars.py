"""Files of thousands of tiny bars, as damage makes them: read in a time that grows with the bars only."""

from __future__ import annotations

import random
import time

import pytest

from understave.score import reader
from understave.score.reader import read_score
from understave.score.readers.abc import read_abc
from understave.score.readers.musicxml import read_musicxml

HEAD = "X:1\nM:4/4\nL:1/4\n%%score {A B}\nK:C\n"


def heard(score):
    bars = [(m.start, m.length) for m in score.measures]
    return bars, sorted((n.onset, n.duration, n.midi) for n in score.notes)


def test_short_bars_are_read_once(tmp_path, monkeypatch):
    path = tmp_path / "short.abc"
    path.write_text(HEAD + "V:A\n" + "C1/255|" * 30 + "\nV:B\n" + "[E,G,]1/8|" * 30 + "\n")

    def again(*_):
        raise AssertionError("read again")

    monkeypatch.setattr(reader, "read_musicxml", again)
    assert len(read_score(path).measures) == 30


def test_bars_that_nearly_fill_their_meter_follow_what_is_engraved(tmp_path):
    """A bar of a 64th less than its meter is engraved as a full one, so it must be read as one."""
    path = tmp_path / "nearly.abc"
    path.write_text("X:1\nM:1/4\nL:1/4\nK:C\nC|D63/64|E|F|\n")
    score = read_score(path)
    assert heard(score) == heard(read_musicxml(score.source))


@pytest.mark.parametrize("seed", range(40))
def test_what_is_read_of_short_bars_is_what_is_engraved(seed, tmp_path):
    chance = random.Random(seed)

    def voice(bars):
        one = ("C", "[CE]", "z", "^F", "{d}c", "(3DEF")
        lengths = ("1/255", "1/64", "1/8", "1/3", "1/7", "1/2", "3/8", "1", "5/16")
        made = []
        for _ in range(bars):
            notes = [chance.choice(one) for _ in range(chance.choice((1, 2)))]
            made.append("".join(n if n[0] == "(" else n + chance.choice(lengths) for n in notes))
        return chance.choice(("|", "||", ":|")).join(made) + "|]"

    path = tmp_path / "random.abc"
    path.write_text(HEAD.replace("4/4", "6/4") + f"V:A\n{voice(5)}\nV:B\n{voice(5)}\n")
    score = read_score(path)
    assert heard(score) == heard(read_musicxml(score.source))


def test_many_fermatas_cost_no_more_than_many_notes():
    """Each note with a fermata of its own; four times as many take about four times as long."""

    def seconds(count):
        data = (f"X:1\nM:4/4\nL:1/4\nK:C\n{'!fermata!C1/8|' * count}]\n").encode()
        start = time.process_time()
        read_abc(data)
        return time.process_time() - start

    seconds(50)
    assert min(seconds(2000) for _ in range(2)) < 8 * min(seconds(500) for _ in range(2))
