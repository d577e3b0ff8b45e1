"""Undo and redo without limit, told from the file alone."""

from __future__ import annotations

from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from understave.desk.history import history
from understave.harmony.corrections import append_step, load, read_entries, withdraw_step
from understave.harmony.reading import Correction
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


def correction(number, numeral="V"):
    return Correction(
        str(number), Fraction(1), str(number + 1), Fraction(1), Key.parse("C"), RomanNumeral.parse(numeral)
    )


def test_a_step_of_two_is_undone_and_done_again_as_one(tmp_path):
    file = tmp_path / "corrections.jsonl"
    append_step(file, [correction(1)])
    append_step(file, [correction(2), correction(3)])
    assert len(load(file)) == 3
    withdraw_step(file, history(read_entries(file)).done[-1])
    assert load(file) == (correction(1),)
    withdraw_step(file, history(read_entries(file)).undone[-1])
    assert len(load(file)) == 3
    assert history(read_entries(file)).done == ((1,), (2, 3))


def test_a_new_step_after_an_undo_ends_the_doing_again(tmp_path):
    file = tmp_path / "corrections.jsonl"
    append_step(file, [correction(1)])
    withdraw_step(file, history(read_entries(file)).done[-1])
    append_step(file, [correction(2)])
    now = history(read_entries(file))
    assert now.undone == ()
    assert load(file) == (correction(2),)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.sampled_from(["one", "two", "undo", "redo"]), max_size=30))
def test_the_file_follows_a_plain_model(tmp_path_factory, steps):
    """The model: a list of steps and how many of them hold."""
    file = tmp_path_factory.mktemp("log") / "corrections.jsonl"
    model, held = [], 0
    for number, step in enumerate(steps):
        now = history(read_entries(file))
        if step in ("one", "two"):
            made = [correction(number), correction(number, "IV")][: 1 if step == "one" else 2]
            append_step(file, made)
            model, held = [*model[:held], made], held + 1
        elif step == "undo" and now.done:
            withdraw_step(file, now.done[-1])
            held -= 1
        elif step == "redo" and now.undone:
            withdraw_step(file, now.undone[-1])
            held += 1
        assert bool(history(read_entries(file)).done) == (held > 0)
        assert len(history(read_entries(file)).undone) == len(model) - held
        assert sorted(map(repr, load(file))) == sorted(repr(c) for made in model[:held] for c in made)
