"""No correction that was confirmed is lost, and none that was not is half there, whatever the disk does."""

from __future__ import annotations

import json
import threading
from fractions import Fraction
from multiprocessing import get_context
from pathlib import Path

import pytest
from tests.faulty_disk import FaultyDisk, put

from understave import disk
from understave.errors import UnderstaveError
from understave.harmony.corrections import (
    append,
    append_step,
    load,
    read_entries,
    set_aside,
    withdraw_step,
)
from understave.harmony.reading import Correction
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

ONE = Correction("1", Fraction(1), "1", Fraction(3), Key.parse("C"), RomanNumeral.parse("I"))
TWO = Correction("2", Fraction(1), "2", Fraction(3), Key.parse("g"), RomanNumeral.parse("viiø7"), "schön {x}")
THREE = Correction("3", Fraction(1), "4", Fraction(1), None, RomanNumeral.parse("V7"))


@pytest.fixture
def path(tmp_path):
    (tmp_path / "lesson").mkdir()
    return tmp_path / "lesson" / "corrections.jsonl"


def faulty(monkeypatch, path: Path, **how) -> FaultyDisk:
    made = FaultyDisk(path.parent, **how)
    monkeypatch.setattr(disk, "os", made)
    return made


@pytest.mark.parametrize("before", [[], [ONE]])
def test_what_was_confirmed_outlasts_a_loss_of_power(path, tmp_path, monkeypatch, before):
    for c in before:
        append(path, c)
    made = faulty(monkeypatch, path)
    append_step(path, [TWO, THREE])
    for world in made.worlds():
        put(world, tmp_path / "after")
        assert load(tmp_path / "after" / path.name) == (*before, TWO, THREE)


@pytest.mark.parametrize("before", [[], [ONE]])
def test_a_step_is_there_whole_or_not_at_all_whenever_the_power_fails(path, tmp_path, monkeypatch, before):
    for c in before:
        append(path, c)
    made = faulty(monkeypatch, path)
    states: list[dict[str, bytes]] = []
    made.on_step = lambda: states.extend(made.worlds())
    append_step(path, [TWO, THREE])
    monkeypatch.undo()
    after = tmp_path / "after" / path.name
    outcomes = set()
    for state in states:
        put(state, after.parent)
        held = after.read_bytes() if after.exists() else b""
        found = load(after)
        assert found in ((*before,), (*before, TWO, THREE))
        outcomes.add(len(found))
        # The lesson goes on: the tail is kept in a file of its own, every byte of it, and the user is told.
        said = set_aside(after)
        kept = after.with_name("corrections.unfinished-1")
        now = after.read_bytes() if after.exists() else b""
        assert load(after) == found
        assert now + (kept.read_bytes() if kept.exists() else b"") == held
        assert ("corrections.unfinished-1" in said) == kept.exists()
        assert set_aside(after) == ""
        append(after, ONE)
        assert load(after) == (*found, ONE)
    assert outcomes == {len(before), len(before) + 2}


def test_a_full_disk_takes_all_of_a_step_or_nothing(path, monkeypatch):
    append(path, ONE)
    whole = path.read_bytes()
    append_step(path, [TWO, THREE])
    need = len(path.read_bytes()) - len(whole)
    for room in range(need):
        path.write_bytes(whole)
        with monkeypatch.context() as patched:
            faulty(patched, path, room=room)
            with pytest.raises(UnderstaveError, match=r"could not be saved.*No space left"):
                append_step(path, [TWO, THREE])
        assert path.read_bytes() == whole
    path.write_bytes(whole)
    faulty(monkeypatch, path, room=need)
    append_step(path, [TWO, THREE])
    assert load(path) == (ONE, TWO, THREE)


def test_a_refused_first_correction_leaves_no_file(path, monkeypatch):
    faulty(monkeypatch, path, room=3)
    with pytest.raises(UnderstaveError, match="could not be saved"):
        append(path, ONE)
    assert not path.exists()


@pytest.mark.parametrize("refused", [("fsync",), ("fsync", "ftruncate")])
def test_what_the_disk_did_not_take_is_not_there_later(path, monkeypatch, refused):
    append(path, ONE)
    with monkeypatch.context() as patched:
        faulty(patched, path, refuse=refused)
        with pytest.raises(UnderstaveError, match="could not be saved"):
            append_step(path, [TWO, THREE])
    if "ftruncate" not in refused:
        assert load(path) == (ONE,)
    append(path, TWO)  # whatever is left there, one can go on
    assert load(path)[0] == ONE
    assert load(path)[-1] == TWO


def test_a_full_disk_that_cannot_even_be_put_right_leaves_no_half_step(path, monkeypatch):
    append(path, ONE)
    before = len(path.read_bytes())
    append_step(path, [TWO, THREE])
    whole = path.read_bytes()
    for cut in range(before, len(whole)):
        path.write_bytes(whole[:cut])
        assert load(path) == ((ONE,) if cut < len(whole) - 1 else (ONE, TWO, THREE))


def test_half_of_a_withdrawal_withdraws_nothing(path):
    append(path, ONE)
    append(path, TWO)
    before = len(path.read_bytes())
    withdraw_step(path, [1, 2])
    whole = path.read_bytes()
    assert load(path) == ()
    for cut in range(before, len(whole) - 1):
        path.write_bytes(whole[:cut])
        assert load(path) == (ONE, TWO)


@pytest.mark.parametrize(
    "tail",
    [
        b"\0",
        b"\0" * 4096,
        b'{"id": 2, "mea' + b"\0" * 100,
        b'{"id": 2, "note": "in braces {so}',
        b"\xff\xfe{",
        b"{",
    ],
)
def test_an_unfinished_tail_is_kept_aside(path, tail):
    append(path, ONE)
    sound = path.read_bytes()
    path.write_bytes(sound + tail)
    assert load(path) == (ONE,)
    said = set_aside(path)
    assert said.count(". ") == 0
    assert "corrections.unfinished-1" in said
    assert path.read_bytes() == sound
    assert path.with_name("corrections.unfinished-1").read_bytes() == tail
    path.write_bytes(sound + b"another")
    set_aside(path)
    assert path.with_name("corrections.unfinished-2").read_bytes() == b"another"
    assert path.with_name("corrections.unfinished-1").read_bytes() == tail


def test_the_same_tail_is_kept_once_where_the_cut_did_not_last(path):
    append(path, ONE)
    whole = path.read_bytes() + b'{"id": 2, "me'
    for _ in range(2):
        path.write_bytes(whole)
        set_aside(path)
    assert sorted(p.name for p in path.parent.iterdir()) == ["corrections.jsonl", "corrections.unfinished-1"]


def test_a_tail_is_copied_before_it_is_cut_off(path, tmp_path, monkeypatch):
    append(path, ONE)
    tail = b'{"id": 2, "me'
    path.write_bytes(path.read_bytes() + tail)
    made = faulty(monkeypatch, path)
    states: list[dict[str, bytes]] = []
    made.on_step = lambda: states.extend(made.worlds())
    set_aside(path)
    assert states
    for state in states:
        held = [d for n, d in state.items() if not n.startswith(".")]
        assert any(d.endswith(tail) for d in held)
    assert load(path) == (ONE,)


def test_pages_never_written_in_the_middle_hide_no_later_line(path):
    append(path, ONE)
    path.write_bytes(path.read_bytes() + b"\0" * 50 + b"\n")
    path.write_bytes(path.read_bytes() + json.dumps({"id": 7, "withdraw": 1}).encode() + b"\n")
    assert load(path) == ()
    assert set_aside(path) == ""


def test_a_line_that_a_hand_took_out_of_an_earlier_step_takes_no_other_with_it(path):
    append_step(path, [ONE, TWO])
    append(path, THREE)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + lines[2])
    assert load(path) == (ONE, THREE)


def test_numbers_are_chosen_one_process_at_a_time(path):
    append(path, ONE)
    writer = threading.Thread(target=append, args=(path, TWO))
    with disk.locked(path.parent):
        writer.start()
        writer.join(0.3)
        assert writer.is_alive(), "a correction was written while another process held the lock"
        assert load(path) == (ONE,)
    writer.join(10)
    assert load(path) == (ONE, TWO)


def test_two_processes_lose_none_and_use_no_number_twice(path):
    context = get_context("fork")
    writers = [context.Process(target=_many, args=(path, c)) for c in (ONE, TWO)]
    for w in writers:
        w.start()
    for w in writers:
        w.join(60)
    entries = read_entries(path)
    assert [e.id for e in entries] == list(range(1, 2 * 30 + 1))
    assert sum(e.correction == ONE for e in entries) == 30


def _many(path: Path, correction: Correction) -> None:
    for _ in range(30):
        append(path, correction)
