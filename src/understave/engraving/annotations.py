"""What the lanes say: a Reading turned into typeset labels, each with the room it wants.

In: a Reading, Options and the stretch of time shown. Out: `Annotations`, the entries of the three
lanes and the `Room`s that the notation must keep free for them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from lxml import etree

from understave.engraving.geometry import Box
from understave.engraving.labels import (
    Label,
    Wording,
    figures_wording,
    key_wording,
    numeral_wording,
    symbol_wording,
    typeset_label,
)
from understave.engraving.lanes import (
    KEY_SIZE,
    NUMERAL_SIZE,
    SIDE,
    SYMBOL_SIZE,
    Entry,
    figure_lane,
    key_lane,
    label_box,
    numeral_lane,
    symbol_lane,
)
from understave.engraving.lettering import Glyph, typeset
from understave.engraving.notation import Room, System
from understave.engraving.options import Options
from understave.harmony.reading import Reading, Span
from understave.score.model import Score
from understave.theory.chord_symbol import chord_symbol
from understave.theory.convention_choices import by_roots, current
from understave.theory.figured_bass import Figures, figures_of_chord
from understave.theory.key import Key

_NUMERALS, _KEYS, _SYMBOLS = "numeral-", "key-", "symbol-"
_SIZES = {_NUMERALS: NUMERAL_SIZE, _KEYS: KEY_SIZE, _SYMBOLS: SYMBOL_SIZE}


@dataclass(frozen=True)
class Annotations:
    """The entries of each lane, in order of time."""

    numerals: tuple[Entry, ...]
    keys: tuple[Entry, ...]
    symbols: tuple[Entry, ...]
    figures: tuple[Entry, ...] = ()

    def rooms(self) -> list[Room]:
        """The room each label wants, its distance to the next one included."""
        lanes = {_NUMERALS: self.numerals, _KEYS: self.keys, _SYMBOLS: self.symbols}
        return [
            Room(
                f"{name}{entry.index}",
                entry.start,
                number,
                label_box(entry.label, _SIZES[name]).x1 + SIDE,
                name == _SYMBOLS,
            )
            for number, (name, entries) in enumerate(lanes.items())
            for entry in entries
        ]

    def draw(self, system: System, glyphs: dict[str, Glyph]) -> tuple[list[etree._Element], Box]:
        """The lanes of one system and how far they reach; glyphs used are added to `glyphs`."""
        below = numeral_lane(system, _within(self.numerals, system), _NUMERALS, glyphs)
        figures = figure_lane(system, _within(self.figures, system), below.box, _NUMERALS, glyphs)
        under = Box.around((below.box, figures.box))
        keys = key_lane(system, _within(self.keys, system), under, _KEYS, glyphs)
        above = symbol_lane(system, _within(self.symbols, system), _SYMBOLS, glyphs)
        lanes = (above, below, figures, keys)
        return [drawn.group for drawn in lanes if len(drawn.group)], Box.around(drawn.box for drawn in lanes)


def _within(entries: Sequence[Entry], system: System) -> list[Entry]:
    return [entry for entry in entries if entry.end > system.start and entry.start < system.end]


Signatures = tuple[tuple[Fraction, int], ...]
"""From which moment on which key signature is printed, in sharps."""


def signatures_of(score: Score) -> Signatures:
    """Return the printed key signatures of a score."""
    return tuple((measure.start, measure.signature) for measure in score.measures)


def annotate(
    reading: Reading, options: Options, start: Fraction, end: Fraction, signatures: Signatures = ()
) -> Annotations:
    """Typeset every label of a stretch of time in one go; figured bass needs the printed `signatures`."""

    def shown(same: Callable[[Span, Span], bool]) -> list[tuple[int, Span, Fraction]]:
        return [c for c in _changes(reading.spans, same) if c[2] > start and c[1].start < end]

    chords = shown(lambda a, b: (a.key, a.numeral, a.fixed) == (b.key, b.numeral, b.fixed))
    keys = [] if by_roots() else shown(lambda a, b: a.key == b.key)
    numerals = [
        numeral_wording(
            span, options.colours, span.confidence < options.doubt_below and not span.fixed, options.language
        )
        for _, span, _ in chords
        if options.numerals
    ]
    names = [key_wording(span.key, options.language) for _, span, _ in keys if options.keys]
    again = [key_wording(span.key, options.language, continued=True) for _, span, _ in keys if options.keys]
    symbols = [
        symbol_wording(chord_symbol(span.numeral.chord(span.key)), options.language)
        for _, span, _ in chords
        if options.chord_symbols
    ]
    figures = [
        figures_wording(_figures(span, signatures), options.language)
        for _, span, _ in chords
        if options.numerals and signatures and current().bass_figures == "below"
    ]
    runs = typeset(t for wording in (*numerals, *names, *again, *symbols, *figures) for t in wording.texts())

    def entries(
        owners: Sequence[tuple[int, Span, Fraction]], words: Sequence[Wording], more: Sequence[Wording] = ()
    ) -> tuple[Entry, ...]:
        labels: list[Label] = [typeset_label(wording, runs) for wording in words]
        repeated: list[Label | None] = [typeset_label(wording, runs) for wording in more] or [None] * len(
            labels
        )
        return tuple(
            Entry(index, max(span.start, start), last, label, repeat)
            for (index, span, last), label, repeat in zip(owners, labels, repeated, strict=False)
        )

    return Annotations(
        entries(chords, numerals),
        entries(keys, names, again),
        entries(chords, symbols),
        tuple(entry for entry in entries(chords, figures) if entry.label.marks),
    )


def _figures(span: Span, signatures: Signatures) -> Figures:
    """Return what a player is given over the bass of a span, signs by the signature printed there."""
    after = bisect_right(signatures, span.start, key=lambda one: one[0])
    printed = Key.from_signature(signatures[max(0, after - 1)][1])
    return figures_of_chord(span.numeral.chord(span.key), printed)


def _changes(spans: Sequence[Span], same: Callable[[Span, Span], bool]) -> list[tuple[int, Span, Fraction]]:
    """The spans at which something changes, with their index and the end of what begins there."""
    found: list[tuple[int, Span, Fraction]] = []
    for index, span in enumerate(spans):
        if found and same(found[-1][1], span):
            found[-1] = (*found[-1][:2], span.end)
        else:
            found.append((index, span, span.end))
    return found
