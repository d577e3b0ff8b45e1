"""Small scores of our own, written as MusicXML, and readings laid over them."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import cycle

from understave.harmony.reading import Reading, Span
from understave.score.model import Score
from understave.score.readers.musicxml import read_musicxml
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

DIVISIONS = 12
TYPES = {48: "whole", 36: "half", 24: "half", 18: "quarter", 12: "quarter", 6: "eighth", 3: "16th"}


def note(pitch: str, duration: int, staff: int, name: str, extra: str = "", chord: bool = False) -> str:
    """One note, ``"Bb2"`` or ``"r"`` for a rest; duration in twelfths of a quarter."""
    dot = "<dot/>" if duration in (36, 18) else ""
    if pitch == "r":
        what = "<rest/>"
    else:
        alter = {"#": 1, "b": -1}.get(pitch[1:2], 0)
        sound = f"<alter>{alter}</alter>" if alter else ""
        what = f"<pitch><step>{pitch[0]}</step>{sound}<octave>{pitch[-1]}</octave></pitch>"
    return (
        f'<note id="{name}">{"<chord/>" if chord else ""}{what}<duration>{duration}</duration>'
        f"<voice>{staff}</voice><type>{TYPES[duration]}</type>{dot}<staff>{staff}</staff>{extra}</note>"
    )


def attributes(fifths: int, beats: int, beat_type: int, staves: int = 2, clefs: str = "GF") -> str:
    lines = {"G": 2, "F": 4, "C": 3}
    many = f"<staves>{staves}</staves>" if staves > 1 else ""
    signs = "".join(
        f'<clef number="{k}"><sign>{c}</sign><line>{lines[c]}</line></clef>' for k, c in enumerate(clefs, 1)
    )
    return (
        f"<attributes><divisions>{DIVISIONS}</divisions><key><fifths>{fifths}</fifths></key>"
        f"<time><beats>{beats}</beats><beat-type>{beat_type}</beat-type></time>{many}{signs}</attributes>"
    )


def direction(what: str, staff: int, placement: str = "below") -> str:
    return (
        f'<direction placement="{placement}"><direction-type>{what}</direction-type>'
        f"<staff>{staff}</staff></direction>"
    )


def document(parts: Sequence[tuple[str, Sequence[str]]], title: str = "", composer: str = "") -> Score:
    """A score from parts, each a name and the contents of its measures."""
    listed = "".join(
        f'<score-part id="P{k}"><part-name>{name}</part-name></score-part>'
        for k, (name, _) in enumerate(parts)
    )
    written = ""
    for k, (_, measures) in enumerate(parts):
        inside = "".join(
            f'<measure number="{n}" id="p{k}m{n}">{content}</measure>'
            for n, content in enumerate(measures, 1)
        )
        written += f'<part id="P{k}">{inside}</part>'
    work = f"<work><work-title>{title}</work-title></work>" if title else ""
    by = f'<identification><creator type="composer">{composer}</creator></identification>' if composer else ""
    return read_musicxml(
        f'<?xml version="1.0" encoding="UTF-8"?><score-partwise version="4.0">{work}{by}'
        f"<part-list>{listed}</part-list>{written}</score-partwise>".encode()
    )


def crowded(measures: int = 4) -> Score:
    """Eighth notes in both hands down to deep ledger lines, with pedal marks, dynamics and slurs."""
    contents = []
    for m in range(1, measures + 1):
        body = attributes(-4, 4, 4) if m == 1 else ""
        body += direction("<dynamics><mf/></dynamics>", 1)
        body += direction('<pedal type="start" line="no"/>', 2) if m % 2 == 0 else ""
        slur = ('<notations><slur type="start" number="1"/></notations>',) + ("",) * 6
        slur += ('<notations><slur type="stop" number="1"/></notations>',)
        for k in range(8):
            body += note(f"{'CDEFGABC'[(k + m) % 8]}5", 6, 1, f"m{m}r{k}")
        body += "<backup><duration>48</duration></backup>"
        for k in range(8):
            octave = 1 if m == 3 and k % 3 == 0 else 2
            body += note(f"{'CDEFGABC'[(3 * k + m) % 8]}{octave}", 6, 2, f"m{m}l{k}", slur[k])
            if m % 2 == 0 and k == 6:
                body += direction('<pedal type="stop" line="no"/>', 2)
        contents.append(body)
    return document([("Piano", contents)], "Crowded Étude", "A. Writer")


def held(measures: int = 3) -> Score:
    """Whole notes only, so that every change of chord inside a bar falls between notes."""
    contents = []
    for m in range(1, measures + 1):
        body = attributes(0, 4, 4) if m == 1 else ""
        body += note("E5", 48, 1, f"m{m}r")
        body += "<backup><duration>48</duration></backup>" + note("C3", 48, 2, f"m{m}l")
        contents.append(body)
    return document([("Piano", contents)])


def quarters(measures: int = 3) -> Score:
    """Quarter notes in both hands in 4/4."""
    contents = []
    for m in range(1, measures + 1):
        body = attributes(2, 4, 4) if m == 1 else ""
        body += "".join(note(f"{'DEFG'[k]}5", 12, 1, f"m{m}r{k}") for k in range(4))
        body += "<backup><duration>48</duration></backup>"
        body += "".join(note(f"{'DCBA'[k]}3", 12, 2, f"m{m}l{k}") for k in range(4))
        contents.append(body)
    return document([("Piano", contents)])


SUNG = "<lyric><syllabic>single</syllabic><text>{}</text></lyric>"


def song(*sung: str) -> Score:
    """A voice with words over a piano; the key and meter change in the third measure."""
    words = cycle(sung or ("Größe",))
    voice, piano = [], []
    for m in range(1, 5):
        start = {1: attributes(1, 4, 4, 1, "G"), 3: attributes(-3, 3, 4, 1, "G")}.get(m, "")
        count = 4 if m < 3 else 3
        voice.append(
            start
            + "".join(
                note("G4", 12, 1, f"v{m}{k}", SUNG.format(next(words))).replace("<staff>1</staff>", "")
                for k in range(count)
            )
        )
        start = {1: attributes(1, 4, 4), 3: attributes(-3, 3, 4)}.get(m, "")
        body = start + "".join(note("B4", 12, 1, f"r{m}{k}") for k in range(count))
        body += f"<backup><duration>{12 * count}</duration></backup>"
        body += "".join(note("G2", 12, 2, f"l{m}{k}") for k in range(count))
        piano.append(body)
    return document([("Voice", voice), ("Piano", piano)], "Song", "A. Writer")


def reading_of(  # noqa: PLR0913
    score: Score,
    step: Fraction,
    numerals: Sequence[str],
    keys: Sequence[str] = ("C",),
    key_every: int = 5,
    confidence: float = 0.9,
    fixed_every: int = 0,
) -> Reading:
    """Change the chord at every step, going round the numerals, and the key every so many chords."""
    spans = []
    at = Fraction(0)
    while at < score.end:
        k = len(spans)
        end = min(at + step, score.end)
        key = Key.parse(keys[k // key_every % len(keys)])
        numeral = RomanNumeral.parse(numerals[k % len(numerals)])
        spans.append(
            Span(at, end, key, numeral, confidence, fixed=bool(fixed_every) and k % fixed_every == 0)
        )
        at = end
    return Reading(tuple(spans))


THREE_ROWS = (
    "V65[b9]/ii",
    "viiø43/V",
    "V9",
    "V65/V",
    "ii65[no5]",
    "V7[b9][no5]",
    "Ger65",
    "V42/bVI",
    "Cad64",
    "I",
)
