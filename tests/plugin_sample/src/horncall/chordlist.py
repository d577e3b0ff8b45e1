"""A chord list: one line a bar with the chords that begin in it, for the stand."""

from __future__ import annotations

from understave.export.exporters import Exporter
from understave.piece import Piece


def chord_list(piece: Piece) -> str:
    """Return the chords of a piece, bar by bar."""
    lines = [piece.score.title]
    for bar in piece.score.measures:
        chords = [str(s.numeral) for s in piece.reading.spans if bar.start <= s.start < bar.end]
        lines.append(f"{bar.number}: {' '.join(chords) or '%'}")
    return "\n".join(lines) + "\n"


CHORD_LIST = Exporter(name="chord list", suffix=".chords", write=chord_list)
