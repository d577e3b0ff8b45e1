"""The tutorial notebook: every cell runs in a fresh kernel, and shows what the text around it says."""

from __future__ import annotations

import os
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
from nbformat import NotebookNode

ROOT = Path(__file__).parents[2]
NOTEBOOK = ROOT / "examples" / "tutorial.ipynb"
LONGEST_CELL = 120
"""Seconds after which a cell is taken to hang."""


@pytest.fixture(scope="module")
def written() -> NotebookNode:
    return nbformat.read(NOTEBOOK, as_version=4)


@pytest.fixture(scope="module")
def shown(written: NotebookNode) -> list[dict[str, str]]:
    """What each code cell shows, by MIME type, printed text as ``text/plain``; raises where a cell does."""
    path = os.pathsep.join([str(ROOT / "src"), os.environ.get("PYTHONPATH", "")])
    client = NotebookClient(
        nbformat.from_dict(written),
        timeout=LONGEST_CELL,
        resources={"metadata": {"path": str(NOTEBOOK.parent)}},
    )
    ran = client.execute(env={**os.environ, "PYTHONPATH": path})
    return [_shown(cell) for cell in ran.cells if cell.cell_type == "code"]


def _shown(cell: NotebookNode) -> dict[str, str]:
    found = {"source": cell.source}
    for output in cell.outputs:
        if output.output_type == "stream":
            assert output.name == "stdout", output.text
            found["text/plain"] = found.get("text/plain", "") + output.text
        else:
            found |= output.data
    return found


def _cell(shown: list[dict[str, str]], source: str) -> dict[str, str]:
    (found,) = [c for c in shown if source in c["source"]]
    return found


def test_it_is_kept_without_what_it_shows(written):
    nbformat.validate(written)
    code = [c for c in written.cells if c.cell_type == "code"]
    assert [c for c in code if c.outputs or c.execution_count is not None] == []
    assert len(code) > 10


def test_notes_reading_and_plan_are_shown_as_what_they_are(shown):
    bare = next(c for c in shown if c["source"] == "score")
    labelled = _cell(shown, "Piece(score, reading)")
    assert all("<svg" in c["image/svg+xml"] for c in (bare, labelled))
    assert "V43" not in bare["image/svg+xml"]
    assert len(labelled["image/svg+xml"]) > len(bare["image/svg+xml"])
    table = next(c for c in shown if c["source"] == "reading")["text/html"]
    assert all(f"<td>{cell}</td>" in table for cell in ("Eb", "V43", "eb", "viio65"))
    assert "pedal over 120 quarter notes" in _cell(shown, "plan = understave.plan")["image/svg+xml"]


def test_the_correction_changes_bar_7_to_what_the_analysis_has(shown):
    # examples/lock-water/analysis.txt, written by hand: "m7 vi7 b3 V65/V".
    assert "m7 vi7" in (ROOT / "examples" / "lock-water" / "analysis.txt").read_text(encoding="utf-8")
    assert _cell(shown, "Correction(")["text/plain"].strip() == "vi became vi7; it is yours"


def test_events_story_and_tables_name_what_happens(shown):
    events = _cell(shown, "for event in reading.events")["text/plain"]
    # Both as in about.md: half cadence in bar 8, pedal on the dominant from 21 to 30.
    assert "from bar 8 to 8: cadence, half" in events
    assert "from bar 21 to 30: pedal point, dominant" in events
    assert "in E flat major" in _cell(shown, "tell(score, reading")["text/plain"]
    assert "quarter notes" in _cell(shown, "groupby")["text/html"]


def test_both_sounds_can_be_played_and_carry_a_caution(shown):
    sounds = [c["text/html"] for c in shown if "audio" in c.get("text/html", "")]
    assert len(set(sounds)) == 2
    assert all("data:audio/mpeg;base64," in s and "volume low" in s for s in sounds)


def test_a_file_that_is_no_score_is_told_in_a_sentence(shown):
    assert _cell(shown, "ScoreError")["text/plain"].startswith("about.md is not a score")
