"""Standard MIDI file bytes in, a `Score` out.

A MIDI file holds no spelling, staves, note values or bars (MIDI 1.0 detailed specification, Standard MIDI
Files 1.0): they are guessed here, and every guess is said in `Score.warnings`. Types 0 and 1 with a
division in ticks per quarter note are read; time in SMPTE frames is refused.
"""

from __future__ import annotations

import io
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import mido
import numpy as np

from understave.errors import ScoreError
from understave.score.hands import Span, number_voices, split_hands
from understave.score.model import Direction, Measure, Note, Part, Score
from understave.score.plain_text import printable
from understave.score.readers.midi_beats import gather, track_beats
from understave.score.readers.midi_meter import guess_meter, is_compound, stretched
from understave.score.readers.midi_time import (
    PLAIN,
    Grid,
    Played,
    exactness,
    follows_beats,
    simplest,
    write_exact,
    write_played,
)
from understave.score.remarks import Remark
from understave.score.spelling import Sounding, estimate_key, spell
from understave.score.timeline import lay_out, meter_filled_by, sort_key
from understave.score.write import with_source
from understave.theory.key import Key

_SHORTEST_BAR = Fraction(1, 16)  # of a whole note; a damaged meter of less would make bars without end
_LONGEST = 20000  # quarter notes; the longest piano works have far fewer
_UNENDED = 4  # quarter notes that a note lasts at most whose end is lost
LONGEST_WAIT = 0x0FFFFFFF
"""Ticks that may pass between two events: four bytes of variable length (Standard MIDI Files 1.0)."""
DRUMS = 9  # channel 10, counted from 0
_SUSTAIN = 64
_KEYBOARDS = range(8)  # General MIDI level 1: programs 1 to 8 are pianos and other keyboards


@dataclass
class _Track:
    """The notes of one track and channel, in ticks: start, end, MIDI number, velocity."""

    name: str
    program: int = 0
    notes: list[tuple[int, int, int, int]] = field(default_factory=list)


@dataclass
class _File:
    """What a file says, in ticks."""

    ticks: int
    tracks: list[_Track] = field(default_factory=list)
    tempos: list[tuple[int, int]] = field(default_factory=list)
    meters: list[tuple[int, int, int]] = field(default_factory=list)
    keys: list[tuple[int, Key]] = field(default_factory=list)
    pedals: list[tuple[int, bool]] = field(default_factory=list)
    title: str = ""
    composer: str = ""
    endless: int = 0


def read_midi(data: bytes, name: str = "score.mid") -> Score:
    """Read MIDI bytes; raise UnderstaveError with one sentence if they hold no notes that can be read."""
    file = _events(parsed(data, name), name)
    if not file.tracks:
        raise ScoreError(
            Remark(
                "midi_no_notes",
                "{file} has no notes in it (percussion aside); there is nothing to read.",
                file=name,
            )
        )
    warnings: list[str] = []
    if file.endless:
        warnings.append(
            Remark(
                "midi_endless",
                "{count} notes have no end in the file: they last until their key is struck again, and no "
                "longer than {most} quarter notes.",
                count=file.endless,
                most=_UNENDED,
            )
        )
    played = _played(file)
    # A meter begins with a bar, wherever the bar before it stopped.
    origins = sorted({_moment(tick, file.ticks) for tick, *_ in file.meters} | {Fraction(0)})
    grid = Grid(1.05 / file.ticks, tuple(origins))
    exact = exactness(played, grid) >= 0.8
    on_beats = exact or follows_beats(played)
    seconds_a_beat: float | None = None
    if not on_beats:
        played, seconds_a_beat = _on_tracked_beats(file, warnings)
    parts, staves = _staves(file, played, warnings)
    played = [replace(n, line=s) for n, s in zip(played, staves, strict=True)]
    if exact:
        written = write_exact(played, grid)
    else:
        written = write_played(played) if on_beats else write_played(played, spread=0.09)
        warnings.append(
            Remark(
                "midi_played",
                "The times are as played, not as written: they were quantised to the nearest binary or "
                "triplet division of each beat, and note values and rests are guesses.",
            )
        )
    warnings.insert(
        0,
        Remark(
            "midi_guess",
            "MIDI holds no note values, rests, slurs or marks; what is printed for them is a guess.",
        ),
    )
    return with_source(_score(file, name, written, parts, seconds_a_beat, warnings))


# --- the file ------------------------------------------------------------------------------------


def parsed(data: bytes, name: str) -> mido.MidiFile:
    """Return the messages of MIDI bytes; raise UnderstaveError with one sentence where they cannot be
    read.
    """
    start = data.find(b"MThd", 0, 4096)
    if start < 0:
        raise ScoreError(
            Remark(
                "midi_other", "{file} is not a Standard MIDI file: it does not begin with MThd.", file=name
            )
        )
    data = data[start:]
    if len(data) < 14:
        raise ScoreError(
            Remark(
                "midi_header", "{file} is cut short inside its header; copy or export it again.", file=name
            )
        )
    kind, division = int.from_bytes(data[8:10], "big"), int.from_bytes(data[12:14], "big")
    if division & 0x8000:
        raise ScoreError(
            Remark(
                "midi_frames",
                "{file} counts time in SMPTE frames and has no beats; export it with ticks per quarter note.",
                file=name,
            )
        )
    if kind > 1:
        raise ScoreError(
            Remark(
                "midi_type",
                "{file} is a MIDI file of type {type}, which holds unconnected patterns; export it as type "
                "0 or 1.",
                file=name,
                type=kind,
            )
        )
    if division == 0:
        raise ScoreError(
            Remark(
                "midi_division",
                "{file} is a MIDI file without a time division; export it as type 0 or 1.",
                file=name,
            )
        )
    try:
        return mido.MidiFile(file=io.BytesIO(data), clip=True)
    except Exception as error:
        # mido reports what is broken with exceptions of many types, some of them its own.
        raise _damaged(name) from error


def _damaged(name: str) -> ScoreError:
    return ScoreError(
        Remark("midi_damaged", "{file} is a cut or damaged MIDI file; copy or export it again.", file=name)
    )


def _events(midi: mido.MidiFile, shown: str) -> _File:
    file = _File(midi.ticks_per_beat)
    names: list[str] = []
    for messages in midi.tracks:
        listened = _Listened(printable(str(messages.name or "")).strip())
        names.append(listened.name)
        for m in messages:
            if m.time > LONGEST_WAIT:
                raise _damaged(shown)
            listened.tick += m.time
            if not listened.take(m):
                _of_the_file(file, m, listened.tick)
        listened.end_all(file)
        file.tracks += [t for _, t in sorted(listened.lines.items()) if t.notes]
    silent = [n for n, t in zip(names, midi.tracks, strict=True) if not any(m.type == "note_on" for m in t)]
    file.title = next((n for n in silent if n), names[0] if names and len(file.tracks) == 1 else "")
    file.tempos.sort()
    file.meters = sorted(dict.fromkeys(file.meters))
    file.keys = sorted(dict.fromkeys(file.keys), key=lambda k: k[0])
    file.pedals.sort(key=lambda p: p[0])
    return file


@dataclass(slots=True)
class _Listened:
    """A track while it is listened to: the notes of each channel, those still held, and the time in ticks."""

    name: str
    tick: int = 0
    lines: dict[int, _Track] = field(default_factory=dict)
    held: dict[tuple[int, int], list[tuple[int, int]]] = field(default_factory=dict)
    programs: dict[int, int] = field(default_factory=dict)

    def take(self, m: Any) -> bool:
        """Take in a message of a channel; False for one of another kind."""
        if m.type == "note_on" and m.velocity > 0:
            self.held.setdefault((m.channel, m.note), []).append((self.tick, m.velocity))
        elif m.type in ("note_off", "note_on"):
            if self.held.get((m.channel, m.note)):
                self._end(self.held[m.channel, m.note].pop(0), m.channel, m.note)
        elif m.type == "program_change":
            self.programs.setdefault(m.channel, m.program)
        else:
            return False
        return True

    def _line(self, channel: int) -> _Track:
        return self.lines.setdefault(channel, _Track(self.name, self.programs.get(channel, 0)))

    def _end(self, start: tuple[int, int], channel: int, note: int) -> None:
        if channel != DRUMS and self.tick > start[0]:
            self._line(channel).notes.append((start[0], self.tick, note, start[1]))

    def end_all(self, file: _File) -> None:
        """End what is still held at the end of the track."""
        for (channel, note), starts in self.held.items():
            if starts and channel != DRUMS:
                file.endless += len(starts)
                _end_anew(self._line(channel), note, starts, self.tick, _UNENDED * file.ticks)


def _of_the_file(file: _File, m: Any, tick: int) -> None:
    """Take in a message that holds for all tracks."""
    if m.type == "control_change" and m.control == _SUSTAIN:
        file.pedals.append((tick, m.value >= 64))
    elif m.type == "set_tempo" and m.tempo > 0:
        file.tempos.append((tick, m.tempo))
    elif m.type == "time_signature" and Fraction(m.numerator, m.denominator) >= _SHORTEST_BAR:
        file.meters.append((tick, m.numerator, m.denominator))
    elif m.type == "key_signature":
        key = _key(m.key)
        if key:
            file.keys.append((tick, key))
    elif m.type in ("text", "copyright") and tick == 0 and not file.composer:
        text = printable(str(getattr(m, "text", "")))
        if text.lower().startswith(("composer:", "composed by ")):
            file.composer = text.split(":", 1)[-1].removeprefix("composed by ").strip()


def _end_anew(track: _Track, note: int, unended: list[tuple[int, int]], last: int, longest: int) -> None:
    """End the notes of a key anew of which some, `unended` (start and velocity), have no end.

    Ends are taken in the order of the starts, so that behind a lost one every note of the key has the end
    of an earlier one. But a key can only be struck again after it has gone up: a note whose next end lies
    behind that has lost its own, and lasts until then or until `last`, and no longer than `longest` (ticks).
    """
    own = [n for n in track.notes if n[2] == note]
    track.notes = [n for n in track.notes if n[2] != note]
    ends = sorted({n[1] for n in own})
    struck = dict((*((n[0], n[3]) for n in own), *unended))
    starts = sorted(struck)
    for start, again in zip(starts, [*starts[1:], max(last, starts[-1] + 1)], strict=True):
        k = bisect_right(ends, start)
        end = ends[k] if k < len(ends) and ends[k] <= again else min(again, start + longest)
        track.notes.append((start, end, note, struck[start]))


def _key(text: str) -> Key | None:
    try:
        return Key.parse(text[:-1].lower() if text.endswith("m") else text)
    except ValueError:
        return None


def _played(file: _File) -> list[Played]:
    """Return all notes in quarter notes, sorted, each with the index of its track as its line."""
    notes = [
        Played(start / file.ticks, end / file.ticks, midi, velocity, line)
        for line, track in enumerate(file.tracks)
        for start, end, midi, velocity in track.notes
    ]
    notes.sort(key=lambda played: (played.start, played.midi, played.end))
    # The same key struck twice at once in one line is one note.
    out: list[Played] = []
    seen: set[tuple[float, int, int]] = set()
    for played in notes:
        if (played.start, played.midi, played.line) not in seen:
            seen.add((played.start, played.midi, played.line))
            out.append(played)
    return out


def _seconds(file: _File) -> tuple[np.ndarray, np.ndarray]:
    """Return ticks at which the tempo changes, and the seconds there (for interpolation)."""
    ticks, seconds = [0.0], [0.0]
    tempo = 500000
    for tick, new in [*file.tempos, (10**9, 500000)]:
        if tick > ticks[-1]:
            seconds.append(seconds[-1] + (tick - ticks[-1]) / file.ticks * tempo / 1e6)
            ticks.append(float(tick))
        tempo = new
    return np.array(ticks), np.array(seconds)


def _on_tracked_beats(file: _File, warnings: list[str]) -> tuple[list[Played], float]:
    """Return the notes counted in the beats that a listener would tap, and how long a beat lasts."""
    ticks, seconds = _seconds(file)
    notes = [
        (float(a), float(b), n[2], n[3], line)
        for line, track in enumerate(file.tracks)
        for n in track.notes
        for a, b in [np.interp(n[:2], ticks, seconds)]
    ]
    notes.sort()
    beats = np.array(track_beats(gather([n[:4] for n in notes])))
    if len(beats) < 2:
        beats = np.array([notes[0][0], notes[0][0] + 0.5])
    period = float(np.median(np.diff(beats)))
    # Beats go on at both ends at the pace of their neighbours.
    before = beats[0] - (beats[1] - beats[0]) * np.arange(64, 0, -1)
    after = beats[-1] + (beats[-1] - beats[-2]) * np.arange(1, 65)
    grid = np.concatenate([before, beats, after])
    count = np.arange(len(grid)) - 64.0
    out = []
    for start, end, midi, velocity, line in notes:
        a, b = np.interp([start, end], grid, count)
        out.append(Played(float(a), max(float(b), float(a) + 0.02), midi, velocity, line))
    shift = -min(0.0, float(np.floor(min(played.start for played in out) + 0.1)))
    out = [replace(played, start=played.start + shift, end=played.end + shift) for played in out]
    warnings.append(
        Remark(
            "midi_beats",
            "The file is a performance whose beats are not marked: they were found by ear, as it were (about "
            "{pace} a minute), so that bars, beats and note values may be wrong in places.",
            pace=f"{60 / period:.0f}",
        )
    )
    return out, period


# --- parts and staves ----------------------------------------------------------------------------


def _staves(file: _File, played: Sequence[Played], warnings: list[str]) -> tuple[tuple[Part, ...], list[int]]:
    """Return the parts, and the staff (from 1) of every note."""
    tracks = file.tracks
    mean = [sum(n[2] for n in t.notes) / len(t.notes) for t in tracks]
    parts: list[Part] = []
    staff_of: dict[int, int] = {}
    split: set[int] = set()
    staff = 1
    i = 0
    while i < len(tracks):
        track = tracks[i]
        pair = i + 1 < len(tracks) and _are_hands(tracks, i)
        part = f"P{len(parts) + 1}"
        if pair:
            upper, lower = (i, i + 1) if mean[i] >= mean[i + 1] else (i + 1, i)
            staff_of[upper], staff_of[lower] = staff, staff + 1
            parts.append(Part(part, _part_name(track.name), staff, staff + 1))
            staff += 2
            i += 2
            continue
        pitches = [n[2] for n in track.notes]
        wide = max(pitches) - min(pitches) > 28
        if track.program in _KEYBOARDS and (len(tracks) == 1 or (wide and _is_thick(track))):
            split.add(i)
            staff_of[i] = staff
            parts.append(Part(part, _part_name(track.name), staff, staff + 1))
            staff += 2
        else:
            staff_of[i] = staff
            parts.append(Part(part, _part_name(track.name), staff, staff))
            staff += 1
        i += 1
    out = [staff_of[n.line] for n in played]
    for line in split:
        members = [k for k, n in enumerate(played) if n.line == line]
        members.sort(key=lambda k: played[k].start)
        spans = [
            Span(
                Fraction(round(played[k].start * 24), 24),
                Fraction(round(played[k].end * 24), 24),
                played[k].midi,
            )
            for k in members
        ]
        for k, hand in zip(members, split_hands(spans), strict=True):
            out[k] += hand
    if split:
        warnings.append(
            Remark(
                "midi_hands",
                "Both hands share one track: which hand plays a note was guessed from pitch and reach.",
            )
        )
    return tuple(parts), out


def _are_hands(tracks: Sequence[_Track], i: int) -> bool:
    """Say whether a track and the next one are the two hands of one keyboard player."""
    a, b = tracks[i], tracks[i + 1]
    if a.program not in _KEYBOARDS or b.program not in _KEYBOARDS:
        return False
    words = f"{a.name} {b.name}".lower()
    named = any(w in words for w in ("right", "left", "r.h", "l.h", "piano rh", "piano lh", "upper", "lower"))
    if len(tracks) == 2:
        return a.name == b.name or named or not (a.name and b.name) or a.program == b.program
    same_name = bool(a.name) and a.name == b.name
    last_two = i + 2 == len(tracks) and not a.name and not b.name
    return named or same_name or last_two


def _is_thick(track: _Track) -> bool:
    """Say whether chords are common in a track."""
    starts = [n[0] for n in track.notes]
    return len(set(starts)) < 0.8 * len(starts)


def _part_name(name: str) -> str:
    if name.lower().endswith((".mid", ".midi")):
        return ""
    words = [w for w in name.split() if w.lower().strip(".,()") not in ("right", "left", "hand", "rh", "lh")]
    return " ".join(words)


# --- bars, keys, notes ---------------------------------------------------------------------------


def _moment(tick: int, ticks: int) -> Fraction:
    """Return a tick as quarter notes, at the simplest place it may stand for."""
    return simplest(tick / ticks, 1.05 / ticks, PLAIN) or Fraction(round(tick * 96 / ticks), 96)


def _score(
    file: _File,
    name: str,
    written: list[Played],
    parts: tuple[Part, ...],
    seconds_a_beat: float | None,
    warnings: list[str],
) -> Score:
    """Return the score; `seconds_a_beat` is None where the file's own beats are those of the music."""
    on_beats = seconds_a_beat is None
    meters = [(_moment(t, file.ticks), b, u) for t, b, u in file.meters] if on_beats else []
    scale = Fraction(1)
    if not meters:
        written, meters, scale = _guessed_meter(written, warnings)
    end = max(played.onset + (played.duration or Fraction(1, 16)) for played in written)
    if end > _LONGEST:
        raise ScoreError(
            Remark(
                "midi_long",
                "{file} lasts more than {most} quarter notes; check that it is a sound file.",
                file=name,
                most=_LONGEST,
            )
        )
    bars = _bars(meters, end)
    keys = _keys(file, written, on_beats, warnings)
    starts = [b.start for b in bars]
    for i, bar in enumerate(bars):
        at = max(0, bisect_right([k[0] for k in keys], bar.start) - 1)
        bars[i] = replace(bar, signature=keys[at][1].signature, mode=keys[at][1].mode)
    measures, notes_on_bars = lay_out(bars, implicit={i for i, b in enumerate(bars) if not b.number})
    order = sorted(
        range(len(written)), key=lambda i: (written[i].onset, not written[i].grace, written[i].midi)
    )
    written = [written[i] for i in order]
    index = [max(0, bisect_right(starts, played.onset) - 1) for played in written]
    pitches = spell(
        [
            Sounding(played.onset, played.midi, played.line, bars[i].signature, played.grace)
            for played, i in zip(written, index, strict=True)
        ]
    )
    warnings.append(
        Remark(
            "midi_spelling",
            "Sharps and flats were chosen by the key and the voice leading, since MIDI does not tell them.",
        )
    )
    voices = _voices(written, parts)
    part_of = {s: p for p, part in enumerate(parts) for s in range(part.first_staff, part.last_staff + 1)}
    notes = [
        Note(
            id=f"n{k + 1}",
            onset=played.onset,
            duration=Fraction(0) if played.grace else played.duration,
            pitch=pitch,
            written=pitch,
            staff=played.line,
            voice=voice,
            part=part_of[played.line],
            measure=i,
            ids=(f"n{k + 1}",),
            grace=played.grace,
        )
        for k, (played, pitch, voice, i) in enumerate(zip(written, pitches, voices, index, strict=True))
    ]
    return Score(
        title=file.title,
        composer=file.composer,
        parts=parts,
        measures=measures,
        notes=tuple(sorted(notes, key=sort_key)),
        directions=_directions(file, measures, parts, on_beats, seconds_a_beat, scale),
        warnings=(*warnings, *notes_on_bars),
    )


def _guessed_meter(
    written: list[Played], warnings: list[str]
) -> tuple[list[Played], list[tuple[Fraction, int, int]], Fraction]:
    """Return the notes moved onto bars of a guessed meter, that meter, and the length of a beat."""
    length, phase = guess_meter(written)
    compound = is_compound(written)
    scale = Fraction(3, 2) if compound else Fraction(1)
    meter = (3 * length, 8) if compound else (length, 4)
    # The first downbeat opens a bar; what stands before it is a pickup in a bar of its own.
    bar = length * scale
    shift = (
        -min(played.onset for played in written) // length * length * scale
        if min(played.onset for played in written) < 0
        else 0
    )
    moved = stretched(written, scale, Fraction(shift))
    first = min(played.onset for played in moved)
    pickup = (phase * scale) % bar
    meters = [(Fraction(0), *meter)]
    if pickup and first < pickup:
        meters = [(Fraction(0), *meter_filled_by(pickup)), (pickup, *meter)]
    warnings.append(
        Remark(
            "midi_meter",
            "The file states no meter that can be trusted; {meter} and its downbeats were guessed.",
            meter=f"{meter[0]}/{meter[1]}",
        )
    )
    return moved, meters, scale


def _bars(meters: Sequence[tuple[Fraction, int, int]], end: Fraction) -> list[Measure]:
    """Return bars up to `end`.

    Notation programs write a pickup or a bar split by a repeat sign as bars of a meter of their own; a
    bar that alone has a shorter meter than the bars around it is read as an incomplete bar of theirs.
    """
    if not meters or meters[0][0] > 0:
        meters = [(Fraction(0), 4, 4), *meters]
    raw: list[tuple[Fraction, Fraction, int, int]] = []
    for i, (start, beats, unit) in enumerate(meters):
        stop = meters[i + 1][0] if i + 1 < len(meters) else max(end, start + Fraction(1, 64))
        at = start
        while at < stop:
            length = Fraction(4 * beats, unit)
            if i + 1 < len(meters):
                length = min(length, stop - at)
            raw.append((at, length, beats, unit))
            at += length
    out: list[Measure] = []
    number = 0
    open_part = Fraction(0)
    for i, (start, length, *_) in enumerate(raw):
        b, u = _meter_around(raw, i)
        full = Fraction(4 * b, u)
        label = ""
        if i == 0 and length < full and len(raw) > 1:
            open_part, label = full - length, "0"
        elif open_part and open_part + length <= full:
            pass
        else:
            number += 1
            open_part, label = Fraction(0), str(number)
        open_part += length
        if open_part >= full:
            open_part = Fraction(0)
        out.append(Measure(f"m{i + 1}", i, label, start, length, b, u, 0))
    last = out[-1]
    if out[0].number == "0" and last.start < end == last.end - out[0].length:
        # The last bar leaves out what the pickup has (common practice, no source).
        out[-1] = replace(last, length=end - last.start)
    return out


def _meter_around(raw: Sequence[tuple[Fraction, Fraction, int, int]], i: int) -> tuple[int, int]:
    """Return the meter of a bar, or of its neighbours where it is a fragment of theirs."""
    _, length, beats, unit = raw[i]
    following = [r for r in raw[i + 1 : i + 5] if r[1] == Fraction(4 * r[2], r[3])]
    before = [r for r in raw[max(0, i - 4) : i] if r[1] == Fraction(4 * r[2], r[3])]
    alone = not (i and raw[i - 1][2:] == raw[i][2:]) and not (
        i + 1 < len(raw) and raw[i + 1][2:] == raw[i][2:]
    )
    if not alone:
        return beats, unit
    longer = [(r[2], r[3]) for r in (*before[::-1], *following) if r[1] > length]
    common = max(longer, key=longer.count, default=None)
    if common and (i == 0 or i + 1 == len(raw) or _pairs_up(raw, i, common)):
        return common
    return beats, unit


def _pairs_up(raw: Sequence[tuple[Fraction, Fraction, int, int]], i: int, meter: tuple[int, int]) -> bool:
    """Say whether a fragment and a fragment beside it make one bar of the meter."""
    full = Fraction(4 * meter[0], meter[1])
    beside = [raw[k][1] for k in (i - 1, i + 1) if 0 <= k < len(raw)]
    return any(raw[i][1] + other == full for other in beside) or (raw[0][1] + raw[i][1] == full)


def _keys(
    file: _File, written: Sequence[Played], on_beats: bool, warnings: list[str]
) -> list[tuple[Fraction, Key]]:
    heard = [0.0] * 12
    for played in written:
        heard[played.midi % 12] += float(played.duration) + 0.05
    likely = estimate_key(heard)
    stated = [(_moment(t, file.ticks), key) for t, key in file.keys] if on_beats else []
    empty = {key.signature for _, key in stated} == {0} and likely.signature != 0
    if empty:
        # Programs that know no key write C major: believe it only if the notes do not speak against it.
        inside = sum(heard[c] for c in (0, 2, 4, 5, 7, 9, 11)) / sum(heard)
        empty = inside < 0.85
    if not stated or empty:
        none = Remark(
            "midi_no_key", "The file states no key; {key} was estimated from its notes.", key=likely
        )
        other = Remark(
            "midi_other_key",
            "The file states C major, which its notes contradict; {key} was estimated from its notes.",
            key=likely,
        )
        warnings.append(other if empty else none)
        return [(Fraction(0), likely)]
    if stated[0][0] > 0:
        stated.insert(0, (Fraction(0), stated[0][1]))
    return stated


def _voices(written: Sequence[Played], parts: Sequence[Part]) -> list[str]:
    out = [""] * len(written)
    for part in parts:
        for above, staff in enumerate(range(part.first_staff, part.last_staff + 1)):
            members = [i for i, played in enumerate(written) if played.line == staff and not played.grace]
            spans = [
                Span(written[i].onset, written[i].onset + written[i].duration, written[i].midi)
                for i in members
            ]
            for i, voice in zip(members, number_voices(spans), strict=True):
                out[i] = str(4 * above + voice)
            for i, played in enumerate(written):
                if played.line == staff and played.grace:
                    out[i] = str(4 * above + 1)
    return out


def _directions(
    file: _File,
    measures: Sequence[Measure],
    parts: Sequence[Part],
    on_beats: bool,
    seconds_a_beat: float | None,
    scale: Fraction,
) -> tuple[Direction, ...]:
    end = measures[-1].end
    out: list[Direction] = []
    if not on_beats and seconds_a_beat:
        rate = round(60 / seconds_a_beat * float(scale))
        return (Direction("d1", "tempo", Fraction(0), None, 1, "", float(rate)),)
    last = None
    for tick, tempo in file.tempos:
        onset, rate_now = _moment(tick, file.ticks), round(60e6 / tempo, 2)
        if rate_now != last and onset < end:
            out.append(Direction(f"d{len(out) + 1}", "tempo", onset, None, 1, "", rate_now))
            last = rate_now
    out += _pedal_marks(file, measures, parts, len(out))
    return tuple(sorted(out, key=lambda direction: direction.onset))


def _pedal_marks(
    file: _File, measures: Sequence[Measure], parts: Sequence[Part], count: int
) -> list[Direction]:
    """Return presses and releases of the sustain pedal, if they are as sparse as printed marks are."""
    changes: list[tuple[int, bool]] = []
    down = False
    for tick, pressed in file.pedals:
        if pressed != down:
            changes.append((tick, pressed))
            down = pressed
    if len(changes) > 6 * len(measures):
        return []
    staff = parts[0].last_staff
    end = measures[-1].end
    return [
        Direction(f"d{count + k + 1}", "pedal", onset, None, staff, "start" if pressed else "stop")
        for k, (tick, pressed) in enumerate(changes)
        if (onset := Fraction(round(Fraction(tick, file.ticks) * 8), 8)) < end
    ]
