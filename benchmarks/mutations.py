"""Important lines broken on purpose: ``python -m benchmarks.mutations [--only N ...]``.

In: a list of lines, one or two from every room, each with what to write in its place and the tests that guard
it. Every one is changed in a copy of the package, alone, and its tests are run. Out: a table of which tests
failed; a line whose tests still pass is guarded by nothing. Returns 1 if there is one, or if a line of the
list is no longer in the package. The tests must pass on the package as it is (``--sound`` runs them so).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from shutil import copytree, ignore_patterns
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.table import Table

ROOT = Path(__file__).resolve().parent.parent


@dataclass(frozen=True)
class Mutation:
    """A line of a module, what to write for it, and the tests that must fail then (a file, some of them)."""

    module: str
    line: str
    broken: str
    tests: str
    choice: str = ""


MUTATIONS = (
    Mutation(
        "theory/roman.py",
        "root = PitchClass.from_fifths(at + placed.root)",
        "root = PitchClass.from_fifths(at + placed.root + 12)",
        "tests/theory/test_roman.py",
    ),
    Mutation(
        "theory/key.py",
        'self.tonic.fifths - (3 if self.mode == "minor" else 0)',
        "self.tonic.fifths",
        "tests/theory/test_key.py",
    ),
    Mutation(
        "theory/pitch.py",
        "12 * (self.octave + 1) + _LETTER_SEMITONES[self.letter] + self.alter",
        "12 * (self.octave + 1) + _LETTER_SEMITONES[self.letter]",
        "tests/theory/test_pitch.py",
    ),
    Mutation(
        "score/readers/musicxml_time.py",
        'clock.move(-amount if e.tag == "backup" else amount)',
        "clock.move(amount)",
        "tests/score/readers/test_musicxml_time.py",
    ),
    Mutation(
        "score/timeline.py",
        "if before.onset < note.onset and gap <= ROUNDING:",
        "if before.onset < note.onset:",
        "tests/score/readers/test_musicxml_time.py",
    ),
    Mutation(
        "score/model.py",
        "return 1 + (time - m.start + m.offset) / m.beat_length",
        "return 1 + (time - m.start) / m.beat_length",
        "tests/score/readers/test_musicxml_time.py",
    ),
    Mutation(
        "score/readers/abc.py",
        "voice.tuplet = (Fraction(q, p), r)",
        "voice.tuplet = (Fraction(p, q), r)",
        "tests/score/readers/test_formats_agree.py",
    ),
    Mutation(
        "score/xmltree.py",
        "resolve_entities=False",
        "resolve_entities=True",
        "tests/score/readers/test_bad_input.py",
        "entities or entity",
    ),
    Mutation(
        "score/readers/mxl.py",
        "zlib.error, lzma.LZMAError, *_DAMAGED",
        "zlib.error, *_DAMAGED",
        "tests/score/test_hostile_files.py",
        "zip",
    ),
    Mutation(
        "score/reader.py",
        "0 <= n.midi <= HIGHEST and ",
        "",
        "tests/score/test_hostile_files.py",
        "pitches",
    ),
    Mutation(
        "score/notated.py",
        "places = ((piece.staff, piece.note.voice), (piece.staff,), ())",
        "places = ((piece.staff,), ())",
        "tests/score/test_hostile_files.py",
        "pair",
    ),
    Mutation(
        "harmony/engine.py",
        "settled = [*kept, Fixed(start, end, c.key, c.numeral)]",
        "settled = [*settled, Fixed(start, end, c.key, c.numeral)]",
        "tests/harmony/test_corrections.py",
        "later",
    ),
    Mutation(
        "harmony/engine.py",
        "(members if n.midi % 12 in chord.semitones else foreign).append(n.id)",
        "(members if n.midi % 12 == chord.bass.semitone else foreign).append(n.id)",
        "tests/harmony/test_engine.py",
    ),
    Mutation(
        "harmony/corrections.py",
        "for e in reversed(entries):",
        "for e in entries:",
        "tests/harmony/test_corrections.py",
        "withdrawing",
    ),
    Mutation(
        "wording/numerals.py",
        "    except ValueError:\n        return mark[0]",
        "    except KeyError:\n        return mark[0]",
        "tests/wording/test_sentences.py",
        "brackets",
    ),
    Mutation(
        "export/spreadsheet.py",
        "value.startswith(_FORMULA)",
        'value.startswith("=")',
        "tests/export/test_spreadsheet.py",
    ),
    Mutation(
        "score/proposals.py",
        'root.set("version", version)',
        "pass",
        "tests/export/test_plan_marks.py",
    ),
    Mutation(
        "lesson/build.py",
        "if there is None or ours is None or there in (ours, hashlib.sha256(new).hexdigest()):",
        "if True:",
        "tests/lesson/test_make.py",
        "by_hand",
    ),
    Mutation(
        "lesson/build.py",
        "    made = _made(folder, parts, due, before, on_progress, processes)\n    before_writing()",
        "    before_writing()\n    made = _made(folder, parts, due, before, on_progress, processes)",
        "tests/lesson/test_make.py",
        "refused",
    ),
    Mutation(
        "lesson/edits.py",
        "if s.id not in edits.leave_out:",
        "if True:",
        "tests/lesson/test_edits.py",
    ),
    Mutation(
        "disk.py",
        "os.replace(temporary, target)",
        "os.replace(temporary, path)",
        "tests/test_disk.py",
    ),
    Mutation(
        "desk/guard.py",
        'if not hmac.compare_digest(headers.get(TOKEN_HEADER, b""), self.token):',
        "if TOKEN_HEADER not in headers:",
        "tests/desk/test_guard.py",
    ),
    Mutation(
        "desk/app.py",
        "return file if file.is_relative_to(home) and file.is_file() else None",
        "return file if file.is_file() else None",
        "tests/desk/test_guard.py",
    ),
    Mutation(
        "desk/opened.py",
        "if last != self.history.last:",
        "if last > self.history.last:",
        "tests/desk/test_windows.py",
    ),
    Mutation(
        "desk/work.py",
        "again = not self._closed and one.attempts < ATTEMPTS",
        "again = False",
        "tests/desk/test_workers.py",
        "done_again",
    ),
)


@dataclass(frozen=True)
class Outcome:
    """What came of a mutation: killed, survived, or gone (its line is no longer there)."""

    mutation: Mutation
    result: str
    seconds: float


def main(arguments: list[str] | None = None) -> int:
    """Try the mutations and print the table; return 1 unless a test catches every one."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", type=int, nargs="+", help="only these, numbered from 1 as in the table")
    parser.add_argument("--sound", action="store_true", help="break nothing: the tests must pass so")
    asked = parser.parse_args(arguments)
    chosen = [(k, m) for k, m in enumerate(MUTATIONS, 1) if not asked.only or k in asked.only]
    table = Table("", "module", "broken line", "tests", "result", "seconds", title="lines broken on purpose")
    wanted = "survived" if asked.sound else "killed"
    faults = 0
    for number, mutation in chosen:
        done = tried(mutation, asked.sound)
        faults += done.result != wanted
        shown = mutation.line.strip().splitlines()[-1].strip()
        table.add_row(str(number), mutation.module, shown, mutation.tests, done.result, f"{done.seconds:.0f}")
        print(f"{number} {mutation.module}: {done.result}", file=sys.stderr, flush=True)
    Console(width=150, markup=False).print(table)
    return int(faults > 0)


def tried(mutation: Mutation, sound: bool = False) -> Outcome:
    """Break a line in a copy of the package and run its tests on that."""
    start = time.monotonic()
    with TemporaryDirectory() as folder:
        copy = Path(folder) / "src"
        copytree(ROOT / "src", copy, ignore=ignore_patterns("__pycache__"))
        module = copy / "understave" / mutation.module
        text = module.read_text(encoding="utf-8")
        if text.count(mutation.line) != 1:
            return Outcome(mutation, f"there {text.count(mutation.line)} times", 0.0)
        if not sound:
            module.write_text(text.replace(mutation.line, mutation.broken), encoding="utf-8")
        command = [sys.executable, "-B", "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", mutation.tests]
        # The settings of the project put its own sources first.
        command += ["-o", f"pythonpath={copy} {ROOT}"]
        command += ["-k", mutation.choice] if mutation.choice else []
        places = os.pathsep.join((str(copy), str(ROOT)))
        environment = {**os.environ, "PYTHONPATH": places, "XDG_STATE_HOME": folder}
        ran = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, check=False)
    # 0: all passed; 1: some failed; anything else (no tests found, no pytest) tells nothing about the line.
    results = {0: "survived", 1: "killed"}
    return Outcome(
        mutation, results.get(ran.returncode, f"pytest ended with {ran.returncode}"), time.monotonic() - start
    )


if __name__ == "__main__":
    sys.exit(main())
