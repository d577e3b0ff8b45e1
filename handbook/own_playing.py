"""The guide page on own playing, with takes that are made, not played: by the plan, and deviations of ours.

In: *Lock-Water*, our own piece. Out: the page's text, with what is told of the take, and its pictures.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from understave.acoustics.midi_bytes import midi_bytes
from understave.acoustics.performance import Performance, Strike
from understave.engraving import Options, excerpt
from understave.findings import with_events
from understave.harmony.adopted import read_as
from understave.interpretation.perform import perform
from understave.interpretation.planning import make_plan
from understave.score.reader import read_score
from understave.takes import tie
from understave.takes.over_time import table, tell_over_time
from understave.takes.picture import draw_take
from understave.takes.recorded import recording_of
from understave.takes.slips import signed
from understave.takes.told import Beside, tell_take

PICTURES = ("take-first.svg", "take-both.svg", "take-slips.svg")
LAST = 15
"""The takes end with this bar (index)."""


def made_takes(piece: Path) -> tuple[tuple[Path, bytes], ...]:
    """Return two synthetic takes as MIDI files: the first slower, with slips, a wait, a long pedal; the other
    nearer to the plan.
    """
    score = read_score(piece / "score.musicxml")
    planned = perform(score, make_plan(score, read_as(score, (), _analysis(piece))[0]), first=0, last=LAST)
    melody = [s for s in planned.strikes if s.note and score.note_by_id[s.note].staff == 1]
    wrong, lost = melody[12].note, melody[30].note
    waits = float(score.measures[8].start)

    def first(strike: Strike) -> Strike | None:
        note = score.note_by_id[strike.note]
        late = 1.3 if note.at >= waits else 0.0
        if strike.note == lost:
            return None
        key = strike.midi + (1 if strike.note == wrong else 0)
        loud = strike.velocity + (6 if note.staff == 2 else -4)
        return replace(
            strike, midi=key, start=1.25 * strike.start + late, end=1.25 * strike.end + late, velocity=loud
        )

    def second(strike: Strike) -> Strike | None:
        return replace(strike, start=1.08 * strike.start, end=1.08 * strike.end)

    def taken(change: Callable[[Strike], Strike | None], pace: float, deep: float) -> bytes:
        strikes = tuple(changed for s in planned.strikes if (changed := change(s)) is not None)
        pedal = tuple(
            (pace * t + 0.1, min(1.0, deep * depth + 0.2 * (deep > 1))) for t, depth in planned.pedal
        )
        return midi_bytes(Performance(strikes, pedal))

    return (
        (Path("first-take.mid"), taken(first, 1.25, 1.2)),
        (Path("second-take.mid"), taken(second, 1.08, 0.9)),
    )


def playing_page(piece: Path, text: str, pictures: Path) -> str:
    """Return the page with what is told of the takes in the places of ``{told}`` and ``{times}``; draw its
    pictures.
    """
    score = read_score(piece / "score.musicxml")
    reading = with_events(score, read_as(score, (), _analysis(piece))[0], True)
    beside = Beside(make_plan(score, reading), reading)
    takes = [tie(score, recording_of(data, path.name), 0, LAST) for path, data in made_takes(piece)]
    look = Options(legend=False, tension=False, dynamics=False)
    drawn = (
        draw_take(score, takes[:1], beside),
        draw_take(score, takes, beside),
        excerpt(score, reading, 0, 10, signs=signed(takes[0]), options=look, width_mm=170),
    )
    pictures.mkdir(parents=True, exist_ok=True)
    for name, picture in zip(PICTURES, drawn, strict=True):
        (pictures / name).write_text(picture, encoding="utf-8")
    told = "\n".join(f"> {line}  " for line in tell_take(score, takes[0], beside=beside))
    headings, rows = table(score, [(take.recording.media, take) for take in takes], "en")
    lines = [*(f"> {line}  " for line in tell_over_time(score, takes)), ""]
    lines += [" | ".join(row).join(("| ", " |")) for row in (headings, ("---",) * len(headings), *rows)]
    return text.replace("{told}", told).replace("{times}", "\n".join(lines))


def _analysis(piece: Path) -> str:
    return (piece / "analysis.txt").read_text(encoding="utf-8")
