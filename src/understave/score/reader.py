"""A path in, a `Score` out: the format is told by what the file holds, then by its name."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from understave.errors import UnderstaveError
from understave.score import xmltree
from understave.score.model import Score
from understave.score.readers import mxl
from understave.score.readers.musicxml import read_musicxml

HIGHEST = 127
"""The highest MIDI number of a note (MIDI 1.0, from 0); written it would be G9, far above any piano."""
OCTAVES = range(10)
"""Octaves that MusicXML can write (MusicXML 4.0, octave type: 0 to 9); all goes on from there."""
SHORTEST = Fraction(1, 512)
"""Quarter notes of the shortest note read: half a 1024th, MusicXML 4.0's shortest (note-type-value)."""
NEARLY_FULL = Fraction(1, 8)
"""Quarter notes by which a bar must fall short of its meter to be engraved as short as it is, whatever is in
it; four times what `readers.musicxml` takes as a slip. Held by 282 of 282 damaged and random files."""
LARGEST = 128 * 1024 * 1024
_KINDS = "MusicXML (.musicxml, .xml, .mxl), MEI (.mei), Humdrum (.krn), ABC (.abc) or MIDI (.mid)"


def read_bytes(path: Path) -> bytes:
    """Return a file's bytes; raise UnderstaveError if there is no such readable, non-empty file."""
    try:
        if path.is_dir():
            raise UnderstaveError(f"{path} is a folder; give the score file in it.")
        if path.exists() and not path.is_file():
            raise UnderstaveError(f"{path} is not an ordinary file; give a score file.")
        if path.exists() and path.stat().st_size > LARGEST:
            raise UnderstaveError(f"{path.name} is larger than {LARGEST >> 20} MiB; that is no score.")
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise UnderstaveError(f"There is no file {path}; check its name and folder.") from error
    except (OSError, ValueError) as error:
        shown = str(path)[:80].replace("\0", "")
        raise UnderstaveError(
            f"{shown} cannot be opened; check its name and that you may read it."
        ) from error
    if not data.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise UnderstaveError(f"{path.name} is empty; export it again from your notation program.")
    return data


def kind_of(data: bytes, suffix: str) -> str:
    """Return ``mxl musicxml mei humdrum abc midi xml`` or ``""`` for bytes and a file name's suffix."""
    if mxl.is_zip(data):
        return "mxl"
    if data.startswith((b"MThd", b"RIFF")):
        return "midi"
    head = xmltree.decode(data[:20000]).lstrip("\ufeff \t\r\n")
    if mxl.is_score(data):
        return "musicxml"
    if "<mei" in head or ":mei" in head[:2000]:
        return "mei"
    if head.startswith("<"):
        return "xml"
    if "**kern" in head or head.startswith("!!!"):
        return "humdrum"
    if head.startswith(("X:", "%abc")) or "\nX:" in head or (suffix == ".abc" and "K:" in head):
        return "abc"
    return ""


def read_score(path: str | Path) -> Score:
    """Read a score file of any kind Understave knows.

    Raises UnderstaveError with one clear sentence for anything that is not a readable score.
    """
    path = Path(path)
    score = _read(path)
    far = next((n for n in score.notes if not (0 <= n.midi <= HIGHEST and n.written.octave in OCTAVES)), None)
    if far is not None:
        raise UnderstaveError(
            f"{path.name} has a note that no instrument plays, {far.pitch.name} in bar "
            f"{score.measures[far.measure].number}; correct its octave."
        )
    return score


def as_engraved(score: Score, name: str) -> Score:
    """Return a score read from another format in the time of its own MusicXML `source`.

    Both agree where bars fill their meters. Where bars are too long or too short (rests that overfill a
    bar, notes without length), what is read must be what is engraved and exported, so the source rules.
    """
    brief = next((n for n in score.notes if not n.grace and 0 < n.duration < SHORTEST), None)
    if brief is not None:
        raise UnderstaveError(
            f"{name} has a note in bar {score.measures[brief.measure].number} that is shorter than any that "
            "can be written; correct its length."
        )
    last = len(score.measures) - 1
    # A bar well short of its meter is engraved as it is; only one that nearly fills it may be taken as full.
    whole = all(
        m.length == m.full_length
        or (m.length < m.full_length and m.index in (0, last))
        or 0 < m.length <= m.full_length - NEARLY_FULL
        for m in score.measures
    )
    if whole and all(n.grace or n.duration > 0 for n in score.notes):
        return score
    again = read_musicxml(score.source, name)
    if _timing(again) == _timing(score):
        return score
    return replace(
        again,
        title=score.title,
        composer=score.composer,
        metadata=score.metadata,
        warnings=tuple(dict.fromkeys((*score.warnings, *again.warnings))),
    )


def _timing(score: Score) -> tuple[object, ...]:
    bars = tuple((m.start, m.length) for m in score.measures)
    return bars, tuple(sorted((n.onset, n.duration, n.midi) for n in score.notes))


def _read(path: Path) -> Score:
    data = read_bytes(path)
    suffix = path.suffix.lower()
    kind = kind_of(data, suffix)
    if kind == "mxl":
        return read_musicxml(mxl.unpack(data, path.name), path.name)
    if kind == "musicxml":
        return read_musicxml(data, path.name)
    if kind == "mei":
        from understave.score.readers.mei import read_mei

        return as_engraved(read_mei(data, path.name), path.name)
    if kind == "humdrum":
        from understave.score.readers.humdrum import read_humdrum

        return as_engraved(read_humdrum(data, path.name), path.name)
    if kind == "abc":
        from understave.score.readers.abc import read_abc

        return as_engraved(read_abc(data, path.name), path.name)
    if kind == "midi":
        from understave.score.readers.midi import read_midi

        return as_engraved(read_midi(data, path.name), path.name)
    if kind == "xml":
        return read_musicxml(data, path.name)
    raise UnderstaveError(f"{path.name} is not a score that can be read; give {_KINDS}.")
