"""Takes kept in a lesson folder: a copy of the recording, never altered, and its tie as JSON beside it.

In: the folder, a score, a file. Out: `takes/NAME.mid` (or .wav, .mp4 ...) and `takes/NAME.tie.json`. The tie
carries the digests of recording and score; where either is another one, the take is tied again from the copy.
It also says when the take was added, which orders takes by age, and where the dampers half lay on its piano.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from understave.digests import digest
from understave.disk import locked, usable_name, write_atomically
from understave.errors import TakeError
from understave.score.model import Score
from understave.takes.half_pedal import USUAL, checked
from understave.takes.recorded import (
    SUFFIXES,
    bytes_of,
    known_recording,
    read_take,
    recording_of,
    sha256_of,
)
from understave.takes.take import Match, Ornament, Recording, Run, Take, WrongNote
from understave.takes.tying import tie

FOLDER, DROPPED, TIED = "takes", "dropped", ".tie.json"
VERSION = 2


def add_take(
    folder: Path,
    score: Score,
    source: Path,
    bars: tuple[int | None, int | None] = (None, None),
    half: float = USUAL,
) -> tuple[str, Take]:
    """Tie a recording to the score or its `bars` (indexes, both included) and keep it in a lesson folder;
    return its name there and the tie. `half` is where the dampers half lie (see `Recording`).

    What is there already keeps its name; the same recording again is tied again and not copied twice. Nothing
    is kept of what cannot be tied.
    """
    data = bytes_of(source)
    take = tie(score, replace(recording_of(data, source.name), half=half), *bars)
    return keep_take(folder, score, data, take, bars), take


def keep_take(
    folder: Path, score: Score, data: bytes, take: Take, bars: tuple[int | None, int | None] = (None, None)
) -> str:
    """Keep the bytes of a recording and its tie, made with `bars`, in a lesson folder; return its name."""
    home = folder / FOLDER
    home.mkdir(parents=True, exist_ok=True)
    # A MIDI file is known by its bytes, and found again by its ending.
    ending = Path(take.recording.media).suffix.lower()
    ending = ending if ending in SUFFIXES else ".mid"
    with locked(home):
        name = _name_for(home, Path(take.recording.media).stem, ending, data)
        path = home / f"{name}{ending}"
        if not path.exists():
            write_atomically(path, data)
        added = added_at(folder, name) or datetime.now(UTC).isoformat(timespec="milliseconds")
        values = {**tie_data(score, take), "bars": list(bars), "added": added}
        write_atomically(home / f"{name}{TIED}", json.dumps(values, ensure_ascii=False) + "\n")
    return name


def take_names(folder: Path) -> tuple[str, ...]:
    """Return the names of the takes that a lesson folder keeps, the oldest first."""
    home = folder / FOLDER
    names = [path.stem for path in _recordings(home)]
    return tuple(sorted(names, key=lambda name: (added_at(folder, name), name)))


def added_at(folder: Path, name: str) -> str:
    """Return when a take was added (ISO 8601, UTC), "" where nothing says so."""
    try:
        values = json.loads((folder / FOLDER / f"{name}{TIED}").read_text(encoding="utf-8"))
        return str(values["added"])
    except (OSError, ValueError, KeyError, TypeError):
        return ""


def take_files(folder: Path) -> tuple[Path, ...]:
    """Return all files that takes are made from: recordings and their ties, by name."""
    home = folder / FOLDER
    return tuple(sorted((*_recordings(home), *home.glob(f"*{TIED}"))))


def _recordings(home: Path) -> list[Path]:
    return [path for path in home.glob("*") if path.suffix in SUFFIXES and path.is_file()]


def _recording(home: Path, name: str) -> Path | None:
    return next((path for path in _recordings(home) if path.stem == name), None)


def kept_take(folder: Path, score: Score, name: str) -> Take:
    """Return a kept take; tied again where the score has changed since. Raises UnderstaveError if there is
    none.
    """
    path = _recording(folder / FOLDER, name)
    if path is None:
        names = ", ".join(take_names(folder)) or "none yet"
        raise TakeError(f"There is no take {name!r} in {folder}; it keeps: {names}.")
    sha256 = sha256_of(path)
    first: int | None = None
    last: int | None = None
    half = USUAL
    try:
        values = json.loads((folder / FOLDER / f"{name}{TIED}").read_text(encoding="utf-8"))
        first, last = values["bars"]
        half = checked(values.get("half", USUAL))
        if [values["version"], values["sha256"], values["score"]] == [VERSION, sha256, _of(score)]:
            return _read(values, replace(known_recording(path, values["kind"], sha256), half=half))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, IndexError, TakeError):
        pass  # whatever is wrong with it, the copy is tied again
    bars = [b if isinstance(b, int) and 0 <= b < len(score.measures) else None for b in (first, last)]
    return tie(score, replace(read_take(path), half=half), *bars)


@dataclass(frozen=True, slots=True)
class KeptTake:
    """A take of a lesson, its name there and when it was added (ISO 8601, UTC; "" where nothing says so)."""

    name: str
    added: str
    take: Take


def kept_takes(folder: Path, score: Score) -> tuple[tuple[KeptTake, ...], tuple[tuple[str, TakeError], ...]]:
    """Return the takes of a lesson, the oldest first; and the name of each that does not fit the score any
    more, with what is said of it.
    """
    found, lost = [], []
    for name in take_names(folder):
        try:
            found.append(KeptTake(name, added_at(folder, name), kept_take(folder, score, name)))
        except TakeError as error:
            lost.append((name, error))
    return tuple(found), tuple(lost)


def keep_half(folder: Path, score: Score, name: str, half: float) -> Take:
    """Keep where the dampers half lie on the piano of a take, and return it so; raises TakeError where that
    is no such depth.
    """
    take = kept_take(folder, score, name)
    take = replace(take, recording=replace(take.recording, half=checked(half)))
    path = folder / FOLDER / f"{name}{TIED}"
    with locked(folder / FOLDER):
        try:
            before = json.loads(path.read_text(encoding="utf-8"))
            others = {key: before[key] for key in ("bars", "added") if key in before}
        except (OSError, ValueError, TypeError):
            others = {"bars": [None, None]}
        write_atomically(path, json.dumps({**tie_data(score, take), **others}, ensure_ascii=False) + "\n")
    return take


def drop_take(folder: Path, name: str) -> Path:
    """Take a recording out of the lesson, into ``takes/dropped``, where it is kept; return its new place."""
    home = folder / FOLDER
    with locked(home):
        path = _recording(home, name)
        if path is None:
            raise TakeError(f"There is no take {name!r} in {folder}; 'understave take FOLDER' lists them.")
        aside = home / DROPPED
        aside.mkdir(exist_ok=True)
        place, number = aside / path.name, 2
        while place.exists():
            place, number = aside / f"{name}-{number}{path.suffix}", number + 1
        path.rename(place)
        (home / f"{name}{TIED}").unlink(missing_ok=True)
    return place


def _name_for(home: Path, stem: str, ending: str, data: bytes) -> str:
    """Return a name of plain letters that no other recording has."""
    plain = usable_name(re.sub(r"[^\w-]+", "-", stem), "take")
    name, number = plain, 2
    while others := [path for path in _recordings(home) if path.stem.casefold() == name.casefold()]:
        if others[0].suffix == ending and others[0].read_bytes() == data:
            return others[0].stem
        name, number = f"{plain}-{number}", number + 1
    return name


def _of(score: Score) -> str:
    return digest([(note.id, note.onset, note.midi) for note in score.notes])


def tie_data(score: Score, take: Take) -> dict[str, Any]:
    """Return a take as plain values for JSON: seconds, quarter notes, ids of notes, indexes of bars and
    strikes.
    """
    return {
        "version": VERSION,
        "kind": take.recording.kind,
        "media": take.recording.media,
        "offset": take.recording.offset,
        "half": take.recording.half,
        "sha256": take.recording.sha256,
        "score": _of(score),
        "sure": round(take.sure, 4),
        "runs": [asdict(run) for run in take.runs],
        "matches": [[m.strike, m.note, m.run] for m in take.matches],
        "wrong": [[note.strike, note.note, note.run] for note in take.wrong],
        "extra": list(take.extra),
        "missed": [list(m) for m in take.missed],
        "ornaments": [[ornament.note, list(ornament.strikes), ornament.run] for ornament in take.ornaments],
        "pedal": [[round(t, 4), round(d, 4)] for t, d in take.recording.pedal],
    }


def _read(values: dict[str, Any], recording: Recording) -> Take:
    runs = tuple(
        Run(
            **{
                **r,
                "moments": tuple(r["moments"]),
                "seconds": tuple(r["seconds"]),
                "could_be": tuple(r["could_be"]),
            }
        )
        for r in values["runs"]
    )
    return Take(
        recording,
        runs,
        tuple(Match(*m) for m in values["matches"]),
        tuple(WrongNote(*w) for w in values["wrong"]),
        tuple(values["extra"]),
        tuple((run, note) for run, note in values["missed"]),
        tuple(Ornament(note, tuple(strikes), run) for note, strikes, run in values["ornaments"]),
        float(values["sure"]),
    )
