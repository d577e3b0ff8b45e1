"""Bookkeeping of the benchmarks: what is kept of a long run, intervals of corrections, a new scale fitted."""

from __future__ import annotations

import argparse
import io
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchmarks import calibration, corpora, format_agreement, kept, teaching
from benchmarks.corpora import Piece
from benchmarks.format_agreement import Case, Choice
from benchmarks.teaching import Work

from understave.errors import ScoreError

PIECES = [Piece("dev", "songs", f"song {k}", Path(f"{k}.mxl"), ()) for k in range(6)]


def counted(piece: Piece) -> int:
    """Write down that a piece was measured, beside its score, and return its number."""
    with Path(piece.score).open("a") as file:
        file.write("x")
    return int(piece.score.stem)


def options(state: Path, minutes: float | None = None) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    kept.add_options(parser)
    given = ["--state", str(state), *(["--minutes", str(minutes)] if minutes is not None else [])]
    return parser.parse_args(given)


def test_a_run_goes_on_where_it_was_stopped(tmp_path: Path) -> None:
    pieces = [Piece(p.split, p.set, p.name, tmp_path / p.score, ()) for p in PIECES]
    state = tmp_path / "state"
    first = kept.measured(pieces[:2], counted, options(state))
    assert first == [(pieces[0], 0), (pieces[1], 1)]
    whole = state.read_bytes()
    # Stopped while it wrote a third result.
    state.write_bytes(whole + whole[: len(whole) // 3])
    assert kept.measured(pieces, counted, options(state)) == [(p, k) for k, p in enumerate(pieces)]
    assert kept.measured(pieces, counted, options(state)) == [(p, k) for k, p in enumerate(pieces)]
    assert [(tmp_path / f"{k}.mxl").read_text() for k in range(6)] == ["x"] * 6


def test_when_the_minutes_are_over_no_piece_is_begun(tmp_path: Path) -> None:
    pieces = [Piece(p.split, p.set, p.name, tmp_path / p.score, ()) for p in PIECES]
    assert kept.measured(pieces, counted, options(tmp_path / "state", minutes=-1)) == []


def test_how_far_it_is_stands_on_the_screen_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen = io.StringIO()
    monkeypatch.setattr(kept, "Console", lambda stderr: Console(file=screen, force_terminal=True))
    pieces = [Piece(p.split, p.set, p.name, tmp_path / p.score, ()) for p in PIECES[:2]]
    kept.measured(pieces, counted, options(tmp_path / "state"))
    assert "100%" in screen.getvalue()


def test_files_in_several_forms_go_on_where_they_were_stopped(tmp_path: Path) -> None:
    """Stopped between two forms of one file: the second is compared later, the first not again."""
    names = {"a.mxl": 0, "b.mxl": 1}
    compared: list[tuple[str, str]] = []

    def ours(form: str, name: str) -> format_agreement.Notes:
        compared.append((form, name))
        return []

    def cases(choice: Choice) -> Iterator[Case]:
        for name, _ in choice.of(names, ["musicxml", "midi"]):
            for form in ("musicxml", "midi"):
                if (form, name) not in choice.done:
                    yield Case(form, name, partial(ours, form, name), {})

    def found(state: Path) -> Iterator[tuple[str, str]]:
        for result in format_agreement.results("written", cases, 2, state):
            yield result.form, result.name

    state = tmp_path / "state"
    stopped = next(iter(found(state)))
    assert compared == [stopped]
    assert len(list(found(state))) == len(set(found(state))) == 4
    assert len(compared) == len(set(compared)) == 4
    assert list(format_agreement.results("another group", lambda _: iter(()), 2, state)) == []


def test_files_that_a_library_wrote_go_on_with_the_forms_that_are_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.mxl"
    monkeypatch.setattr(format_agreement, "sets", lambda: {"songs": [path]})
    loaded: list[Path] = []

    def load(path: Path) -> bytes:
        loaded.append(path)
        return b""

    forms: dict[str, Any] = {
        form: (lambda score, form, path: path.write_bytes(score), lambda data, name: None, list)
        for form in ("musicxml", "midi")
    }

    def written(*done: str) -> list[str]:
        choice = Choice(9, frozenset((form, str(path)) for form in done))
        held = (load, lambda score: [])
        return [c.form for c in format_agreement._written(choice, tmp_path, "other", held, forms)]

    assert written() == ["other-musicxml", "other-midi"]
    assert written("other-musicxml") == ["other-midi"]
    assert len(loaded) == 2
    assert written("other-musicxml", "other-midi") == written("other reads") == []
    assert len(loaded) == 2


def test_a_piece_that_cannot_be_read_is_told_and_left_out(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def read_trained(score: object) -> None:
        raise ScoreError("nothing sounds")

    monkeypatch.setattr(corpora, "fitting", lambda piece: argparse.Namespace(score=None, analyses=()))
    monkeypatch.setattr(calibration, "read_trained", read_trained)
    assert calibration.measure(PIECES[0]) == ([], None)
    assert "songs/song 0: nothing sounds" in capsys.readouterr().err


def test_corrections_are_told_with_their_interval() -> None:
    """Two pieces of 100 chords, 10 and 30 corrections: drawn again, 10 to 30; three alike, no doubt."""
    works = [
        ("songs", {"both": Work(chords=100, corrections=8, keys=2)}),
        ("songs", {"both": Work(chords=100, corrections=30)}),
        *[("rounds", {"both": Work(chords=50, corrections=5)})] * 3,
    ]
    (table,) = teaching.tables(works, ["both"])
    text = io.StringIO()
    Console(file=text, width=250).print(table)
    rows = {
        cells[0]: cells
        for line in text.getvalue().splitlines()
        if line.startswith("│") and (cells := [cell.strip() for cell in line.strip("│").split("│")])
    }
    assert rows["songs"][:5] == ["songs", "2", "200", "20.0", "10.0 to 30.0"]
    assert rows["rounds"][3:5] == ["10.0", "10.0 to 10.0"]
    assert rows["all"][1:4] == ["5", "350", f"{100 * 55 / 350:.1f}"]


def test_confidences_are_fitted_on_the_other_sets() -> None:
    """Three of four are right that are told as even: two such sets mend a third; one alone has no others."""
    rows = np.array([[1.0, 0.5, right, 1, 0, 0] for right in (1, 1, 1, 0)] * 5)
    spread = np.array([[1.0, 0.8, right, 1, 0, 0] for right in (1,) * 12 + (0,)])
    found = calibration.refitted({"one": rows, "two": np.concatenate([rows, spread]), "three": rows})
    assert found["one"][0, 1] == pytest.approx(0.75, abs=0.01)
    assert found["one"][:, 2].tolist() == rows[:, 2].tolist()
    assert calibration.figures(found["one"])[2] < 0.02 < calibration.figures(rows)[2]
    assert calibration.refitted({"one": rows}) == {}
