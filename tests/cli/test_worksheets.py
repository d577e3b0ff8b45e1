"""Worksheets of a class: a paper and its answers for each student, the same for the same seed."""

from __future__ import annotations

from pathlib import Path

from pypdf import PdfReader

from understave.cli import main

STUDY = Path(__file__).resolve().parents[2] / "examples" / "lock-water" / "score.musicxml"


def test_each_student_has_a_sheet_and_its_answers_are_kept_apart(tmp_path, capsys):
    names = tmp_path / "names.txt"
    made = []
    for text, out in (("Zoë\n# a comment\nZoe!\n", "one"), ("Zoë, beginner\n", "two")):
        names.write_text(text, encoding="utf-8")
        asked = [
            "worksheet",
            str(STUDY),
            "--students",
            str(names),
            "--seed",
            "3",
            "--out",
            str(tmp_path / out),
        ]
        assert main([*asked, "--paper", "letter", "--level", "beginner"]) == 0
        files = sorted(p.relative_to(tmp_path / out).as_posix() for p in (tmp_path / out).rglob("*.pdf"))
        made.append({name: (tmp_path / out / name).read_bytes() for name in files})
    assert list(made[0]) == ["answers/zoe-2.pdf", "answers/zoe.pdf", "zoe-2.pdf", "zoe.pdf"]
    assert made[1] == {name: made[0][name] for name in ("answers/zoe.pdf", "zoe.pdf")}
    assert made[0]["zoe.pdf"] != made[0]["zoe-2.pdf"]
    page = PdfReader(tmp_path / "one" / "zoe.pdf").pages[0]
    assert "Zoë" in page.extract_text()
    assert float(page.mediabox.width) == 612
    assert "copyright" in capsys.readouterr().out
