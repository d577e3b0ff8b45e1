"""ABC bytes in, a `Score` out.

Follows "The abc music standard 2.1" (abcnotation, December 2011). The first tune of a file is read.
An accidental holds to the end of its bar in every octave, which is that standard's default (section
11.3), unless the file says ``I:propagate-accidentals octave`` or ``not``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise

from understave.errors import ScoreError
from understave.score import xmltree
from understave.score.model import Direction, Measure, Note, Part, Score
from understave.score.readers.abc_fields import (
    AbcKey,
    Layout,
    fraction_of,
    key_of,
    layout_of,
    meter_of,
    staves_of,
    symbol_of,
    tempo_of,
    text_of,
)
from understave.score.remarks import Remark
from understave.score.ties import mark_both_ends
from understave.score.timeline import Written, join_ties, lay_out, meter_filled_by
from understave.score.write import with_source
from understave.theory.pitch import Interval, Pitch

_TOKEN = re.compile(
    r"""
      (?P<text>"[^"]*")
    | (?P<decoration>![^!\s]+!|\+[^+\s"|]+\+)
    | (?P<field>\[[A-Za-z]:[^\]]*\])
    | (?P<bar>\[\|[\]|:]*|\.?:*\|[\]|:]*|::+)[ \t]*(?P<ending>\[?\d[\d,.\-]*)?
    | \[(?P<volta>\d[\d,.\-]*|"[^"]*")
    | (?P<grace>\{[^}]*\})
    | (?P<chord>\[[^\]|]*\])(?P<chordlength>\d*(?:/\d*)*)(?P<chordtie>\.?-)?
    | \((?P<tuplet>\d+)(?P<ratio>(?::\d*){0,2})
    | (?P<note>(?:\^\^|\^|__|_|=)?[A-Ga-g][,']*)(?P<length>\d*(?:/\d*)*)(?P<tie>\.?-)?
    | (?P<rest>[zx])(?P<restlength>\d*(?:/\d*)*)
    | (?P<bars>[ZX])(?P<count>\d*)
    | (?P<spacer>y\d*(?:/\d*)*)
    | (?P<broken><+|>+)
    | (?P<overlay>\(?&\)?)
    | (?P<slur>\.?\()
    | (?P<slurend>\))
    | (?P<symbol>[.~H-Wh-w])
    | (?P<other>.)
    """,
    re.VERBOSE | re.DOTALL,
)
_NOTE = re.compile(r"(\^\^|\^|__|_|=)?([A-Ga-g])([,']*)(\d*(?:/\d*)*)(\.?-)?")
_ALTER = {"^^": 2, "^": 1, "=": 0, "_": -1, "__": -2}
_SYMBOLS = {
    ".": "staccato", "~": "roll", "H": "fermata", "L": "accent", "M": "lowermordent", "O": "coda",
    "P": "uppermordent", "S": "segno", "T": "trill", "u": "upbow", "v": "downbow",
}  # fmt: skip
_ARTICULATIONS = {
    "staccato": "staccato", "accent": "accent", ">": "accent", "emphasis": "accent", "tenuto": "tenuto",
    "wedge": "staccatissimo", "marcato": "strong-accent", "^": "strong-accent", "breath": "breath-mark",
}  # fmt: skip
# Named as in MusicXML 4.0, whose "mordent" is the one with the lower note.
_ORNAMENTS = {
    "trill": "trill", "trill(": "trill", "turn": "turn", "turnx": "turn", "invertedturn": "inverted-turn",
    "invertedturnx": "inverted-turn", "mordent": "mordent", "lowermordent": "mordent",
    "uppermordent": "inverted-mordent", "pralltriller": "inverted-mordent", "roll": "roll",
    "slide": "schleifer", "/": "tremolo-1", "//": "tremolo-2", "///": "tremolo-3",
}  # fmt: skip
_DYNAMIC = re.compile(r"p{1,4}|f{1,4}|m[pf]|sfz|sf|fp")
_WEDGES = {
    "crescendo(": "crescendo", "<(": "crescendo", "diminuendo(": "diminuendo", ">(": "diminuendo",
}  # fmt: skip
_WEDGE_ENDS = ("crescendo)", "<)", "diminuendo)", ">)")
_WORDS = {"D.S.": "D.S.", "D.C.": "D.C.", "dacapo": "D.C.", "dacoda": "To Coda", "fine": "Fine"}
_STEPS = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)


@dataclass
class _Head:
    """One note head."""

    written: Pitch
    tie: bool = False
    lyrics: list[str] = field(default_factory=list)


@dataclass
class _Event:
    """A note, chord, grace note or rest (no heads), with what is printed at it."""

    duration: Fraction
    heads: list[_Head]
    layer: int = 0
    grace: bool = False
    onset: Fraction = Fraction(0)
    decorations: tuple[str, ...] = ()
    marks: tuple[tuple[str, str, float | None], ...] = ()
    slur_starts: int = 0
    slur_ends: int = 0


@dataclass
class _Bar:
    """One bar of one voice."""

    meter: tuple[int, int] | None
    key: AbcKey
    events: list[_Event] = field(default_factory=list)
    repeat_start: bool = False
    repeat_end: bool = False
    ending: tuple[int, ...] = ()
    fresh: bool = False
    symbol: str = ""
    marks: list[tuple[str, str, float | None]] = field(default_factory=list)

    filled: dict[int, Fraction] = field(default_factory=dict)
    """How much each layer holds; kept as it grows, for a bar may go on over many lines."""

    @property
    def length(self) -> Fraction:
        return max(self.filled.values(), default=Fraction(0))

    def add(self, event: _Event) -> None:
        """Let an event follow in its layer."""
        self.events.append(event)
        self.filled[event.layer] = self.filled.get(event.layer, Fraction(0)) + event.duration

    def stretch(self, event: _Event, factor: Fraction) -> None:
        """Make an event that is there longer or shorter."""
        self.filled[event.layer] += (factor - 1) * event.duration
        event.duration *= factor


@dataclass
class _Voice:
    """One voice while reading: its bars so far and what is in force."""

    name: str
    layout: Layout
    key: AbcKey
    meter: tuple[int, int] | None
    unit: Fraction
    bars: list[_Bar] = field(default_factory=list)
    bar: _Bar | None = None
    symbol: str = ""
    layer: int = 0
    accidentals: dict[tuple[str, int | None], int] = field(default_factory=dict)
    tied: dict[tuple[str, int], int] = field(default_factory=dict)
    tuplet: tuple[Fraction, int] | None = None
    next_factor: Fraction = Fraction(1)
    decorations: list[str] = field(default_factory=list)
    marks: list[tuple[str, str, float | None]] = field(default_factory=list)
    slurs: int = 0
    ending: tuple[int, ...] = ()
    repeat_start: bool = False
    fresh: bool = False
    continued: bool = False
    line: list[_Head] = field(default_factory=list)
    bar_of_head: list[int] = field(default_factory=list)


@dataclass
class _Tune:
    """One tune while reading."""

    name: str
    number: str = ""
    titles: list[str] = field(default_factory=list)
    composer: str = ""
    metadata: dict[str, str] = field(default_factory=dict)
    key: AbcKey = field(default_factory=AbcKey)
    layout: Layout = field(default_factory=Layout)
    meter: tuple[int, int] | None = None
    symbol: str = ""
    unit: Fraction | None = None
    tempo: str = ""
    voices: dict[str, _Voice] = field(default_factory=dict)
    layouts: dict[str, str] = field(default_factory=dict)
    current: str = "1"
    in_body: bool = False
    staves: list[list[list[str]]] = field(default_factory=list)
    symbols: dict[str, str] = field(default_factory=lambda: dict(_SYMBOLS))
    propagate: str = "pitch"
    warnings: dict[str, None] = field(default_factory=dict)


def read_abc(data: bytes, name: str = "score.abc") -> Score:
    """Read ABC bytes; raise UnderstaveError with one sentence if they hold no readable tune."""
    lines, tunes = _first_tune(xmltree.decode(data), name)
    tune = _Tune(name)
    for line in lines:
        _line(tune, line)
    if not tune.in_body:
        raise ScoreError(
            Remark(
                "abc_no_key",
                "{file} has a tune without a key: every ABC tune needs a K: line before its music; add one.",
                file=name,
            )
        )
    for voice in tune.voices.values():
        _close_bar(tune, voice)
    voices = [voice for voice in tune.voices.values() if voice.bars]
    if not any(event.heads for voice in voices for b in voice.bars for event in b.events):
        raise ScoreError(
            Remark(
                "abc_no_notes", "{file} has no notes in its first tune; there is nothing to read.", file=name
            )
        )
    if tunes > 1:
        title = tune.titles[0] if tune.titles else name
        first = Remark(
            "abc_tunes",
            "The file holds {count} tunes; the first one ({title}) was read.",
            count=tunes,
            title=title,
        )
        tune.warnings[first] = None
    return with_source(_score(tune, voices))


def _first_tune(text: str, name: str) -> tuple[list[str], int]:
    """Return the lines that govern the first tune (file header and tune), and how many tunes there are."""
    lines = text.lstrip("\ufeff").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    starts = [i for i, line in enumerate(lines) if re.match(r"X:\s*\d*", line)]
    if not starts:
        first_key = next((i for i, line in enumerate(lines) if line.startswith("K:")), None)
        if first_key is None:
            raise ScoreError(
                Remark(
                    "abc_none",
                    "{file} holds no ABC tune: no X: line was found; check that it is an ABC file.",
                    file=name,
                )
            )
        return lines, 1
    head = [line for line in lines[: starts[0]] if re.match(r"[A-Za-z]:|%%", line)]
    body: list[str] = []
    for line in lines[starts[0] : starts[1] if len(starts) > 1 else None]:
        if not line.strip() and any(b.startswith("K:") for b in body):
            break
        body.append(line)
    return [*head, *body], len(starts)


# --- lines and fields ----------------------------------------------------------------------------


def _line(tune: _Tune, line: str) -> None:
    if line.startswith("%%"):
        _directive(tune, line[2:].strip())
        return
    line = re.sub(r"(?<!\\)%.*", "", line).rstrip()
    m = re.match(r"([A-Za-z+]):(.*)", line)
    if m and not (tune.in_body and re.match(r"[A-Ga-gzxZX]:[|:]", line)):
        _field(tune, m[1], m[2].strip())
    elif line.strip() and tune.in_body:
        _music(tune, line)


def _directive(tune: _Tune, text: str) -> None:
    word, _, rest = text.partition(" ")
    if word in ("score", "staves"):
        tune.staves = staves_of(rest)
    elif word in ("propagate-accidentals", "accidental-propagation"):
        tune.propagate = rest.strip()


def _voice(tune: _Tune) -> _Voice:
    if tune.current not in tune.voices:
        layout = layout_of(tune.layouts.get(tune.current, ""), tune.layout)
        unit = tune.unit or _default_unit(tune.meter)
        tune.voices[tune.current] = _Voice(
            tune.current, layout, tune.key, tune.meter, unit, symbol=tune.symbol
        )
    return tune.voices[tune.current]


def _default_unit(meter: tuple[int, int] | None) -> Fraction:
    """Return a sixteenth where the meter is less than 3/4, else an eighth (standard 2.1, section 3.1.7)."""
    return Fraction(1, 16) if meter and Fraction(*meter) < Fraction(3, 4) else Fraction(1, 8)


def _field(tune: _Tune, name: str, value: str) -> None:
    """Follow an information field of the header, of the body, or inline."""
    follow = _FIELDS.get(name)
    if follow is not None:
        follow(tune, value)
    elif name == "U":
        if m := re.match(r"([~H-Wh-w])\s*=\s*[!+]?([^!+]*)[!+]?", value):
            tune.symbols[m[1]] = m[2].strip()
    elif tune.in_body:
        if name == "w":
            _lyrics(_voice(tune), value)
        elif name == "P":
            _voice(tune).marks.append(("rehearsal", text_of(value), None))
    elif value:
        _head_field(tune, name, value)


def _unit_field(tune: _Tune, value: str) -> None:
    unit = fraction_of(value)
    if not unit:
        _not_understood(tune, "L", value)
    elif tune.in_body:
        _voice(tune).unit = unit
    else:
        tune.unit = unit


def _tempo_field(tune: _Tune, value: str) -> None:
    if tune.in_body:
        voice = _voice(tune)
        words, rate = tempo_of(value, voice.unit)
        voice.marks.append(("tempo", words, rate))
    else:
        tune.tempo = value


def _head_field(tune: _Tune, name: str, value: str) -> None:
    """Follow a field that only tells about the tune."""
    if name == "T":
        tune.titles.append(text_of(value))
    elif name == "C":
        tune.composer = tune.composer or text_of(value)
    elif name == "X":
        tune.number = value
    elif name in "ABDFGHNORSZ":
        before = f"{tune.metadata[name]} " if name in tune.metadata else ""
        tune.metadata[name] = before + text_of(value)


def _not_understood(tune: _Tune, name: str, value: str) -> None:
    said = Remark(
        "abc_field",
        "What the file says in {field} could not be understood; correct it there.",
        field=f"{name}:{value[:20]}",
    )
    tune.warnings[said] = None


def _voice_field(tune: _Tune, value: str) -> None:
    m = re.match(r"(\S+)\s*(.*)", value)
    if not m:
        return
    settings = f"{tune.layouts.get(m[1], '')} {m[2]}".strip()
    tune.layouts[m[1]] = settings
    if tune.in_body:
        first = tune.voices.get(tune.current)
        if first and len(tune.voices) == 1 and not first.bars and first.bar is None and first.name != m[1]:
            # Nothing was written in the voice assumed so far: what was said of it holds for this one.
            del tune.voices[tune.current]
            tune.current = m[1]
            _voice(tune).marks += first.marks
        tune.current = m[1]
        voice = _voice(tune)
        if m[2]:
            voice.layout = layout_of(m[2], voice.layout)
        voice.line, voice.bar_of_head = [], []


def _key_field(tune: _Tune, value: str) -> None:
    key = key_of(value)
    if not key and layout_of(value, tune.layout) == tune.layout and "=" not in value:
        _not_understood(tune, "K", value)
    if tune.in_body:
        voice = _voice(tune)
        if key:
            voice.key = key
            voice.accidentals.clear()
            if voice.bar and not voice.bar.events:
                voice.bar.key = key
        voice.layout = layout_of(value, voice.layout)
        return
    tune.key = key or AbcKey()
    tune.layout = layout_of(value, tune.layout)
    tune.in_body = True
    if tune.layouts:
        tune.current = next(iter(tune.layouts))
    first = _voice(tune)
    if tune.tempo:
        words, rate = tempo_of(tune.tempo, first.unit)
        first.marks.append(("tempo", words, rate))


def _meter_field(tune: _Tune, value: str) -> None:
    meter = meter_of(value)
    if not meter and value.strip().lower() not in ("", "none"):
        _not_understood(tune, "M", value)
    symbol = symbol_of(value)
    if not tune.in_body:
        tune.meter, tune.symbol = meter, symbol
        return
    voice = _voice(tune)
    voice.meter, voice.symbol = meter, symbol
    if voice.bar and not voice.bar.events:
        voice.bar.meter, voice.bar.symbol = meter, symbol


_FIELDS: dict[str, Callable[[_Tune, str], None]] = {
    "I": _directive,
    "K": _key_field,
    "L": _unit_field,
    "M": _meter_field,
    "Q": _tempo_field,
    "V": _voice_field,
}
"""Fields that mean something both before the tune and within it."""


def _lyrics(voice: _Voice, text: str) -> None:
    """Lay syllables under the notes of the line of music before (standard 2.1, section 5.1)."""
    heads = voice.line
    at = 0
    for token in re.findall(r"\\-|[-_*|]|(?:\\-|[^\s\-_*|])+-?|\s+", text):
        if at >= len(heads):
            break
        if token == "|":
            bar = voice.bar_of_head[max(0, at - 1)]
            while at < len(heads) and voice.bar_of_head[at] == bar:
                at += 1
        elif token in ("_", "*", "-"):
            at += token != "-" or (at > 0 and not heads[at - 1].lyrics)
        elif not token.isspace():
            shown = text_of(token.replace("\\-", "‑").replace("~", " "))
            heads[at].lyrics.append(shown)
            at += 1


# --- music ---------------------------------------------------------------------------------------


def _music(tune: _Tune, line: str) -> None:
    voice = _voice(tune)
    if not voice.continued:
        voice.line, voice.bar_of_head = [], []
    voice.continued = line.endswith("\\")
    for m in _TOKEN.finditer(line.rstrip("\\")):
        if m["field"]:
            _field(tune, m["field"][1], m["field"][3:-1].strip())
            voice = _voice(tune)
        elif m["bar"]:
            _barline(tune, voice, m["bar"], m["ending"])
        elif m["volta"]:
            _close_bar(tune, voice)
            voice.ending = _ending_numbers(m["volta"], voice)
        elif m["note"] or m["chord"] or m["rest"] or m["grace"]:
            for event in _events(tune, voice, m):
                _put(tune, voice, event)
        else:
            _sign(tune, voice, m)
    _end_line(tune, voice, "|" in line)


def _end_line(tune: _Tune, voice: _Voice, barred: bool) -> None:
    """Take the end of a line of music for a barline where the bar is full (older files leave it out)."""
    if voice.bar is None or voice.continued:
        return
    full = Fraction(4 * voice.meter[0], voice.meter[1]) if voice.meter else None
    if voice.bar.length == full or (full is None and not barred):
        _close_bar(tune, voice)


def _sign(tune: _Tune, voice: _Voice, m: re.Match[str]) -> None:
    if m["text"]:
        _quoted(voice, text_of(m["text"][1:-1]))
    elif m["decoration"]:
        voice.decorations.append(m["decoration"][1:-1])
    elif m["symbol"]:
        meaning = tune.symbols.get(m["symbol"], "")
        if meaning and meaning not in ("nil", "none"):
            voice.decorations.append(meaning)
    elif m["tuplet"]:
        _start_tuplet(voice, int(m["tuplet"]), m["ratio"])
    elif m["broken"]:
        _break_rhythm(voice, m["broken"])
    elif m["slur"]:
        voice.slurs += 1
    elif m["slurend"] or m["other"] == "-":
        last = _last_played(voice)
        if last:
            _end_slur_or_tie(voice, last, bool(m["slurend"]))
    elif m["overlay"]:
        voice.layer += 1
        voice.accidentals.clear()
    elif m["bars"]:
        _rest_bars(tune, voice, int(m["count"] or 1))


def _quoted(voice: _Voice, text: str) -> None:
    if text[:1] in ("^", "_", "<", ">", "@"):
        voice.marks.append(("words", text[1:].strip(), None))
    elif text:
        # Quoted text that begins with no note name (a fingering, a word) is no chord symbol.
        voice.marks.append(("chord-symbol" if text[0] in "ABCDEFG" else "words", text, None))


def _end_slur_or_tie(voice: _Voice, last: _Event, slur: bool) -> None:
    if slur:
        last.slur_ends += 1
        return
    # A tie set off from its note by a space, which the standard forbids and many files have.
    for head in last.heads:
        head.tie = True
        voice.tied[head.written.letter, head.written.octave] = head.written.alter


def _last_played(voice: _Voice) -> _Event | None:
    bars = [*voice.bars[-2:], *([voice.bar] if voice.bar else [])]
    return next(
        (event for b in reversed(bars) for event in reversed(b.events) if event.heads and not event.grace),
        None,
    )


def _length(text: str) -> Fraction:
    """Read a note length: ``""`` 1, ``"3/2"``, ``"/"`` a half, ``"//"`` a quarter."""
    m = re.match(r"(\d*)((?:/\d*)*)", text)
    assert m is not None
    value = Fraction(int(m[1][:4] or 1))
    for step in re.findall(r"/(\d*)", m[2]):
        value /= int(step[:4]) if step.strip("0") else 2
    return value if value and value.denominator <= 1024 else Fraction(1)


def _events(tune: _Tune, voice: _Voice, m: re.Match[str]) -> Iterator[_Event]:
    if m["grace"]:
        content = m["grace"][1:-1].lstrip("/")
        # Chords and lengths inside braces leave no time of their own.
        for piece in re.finditer(r"\[([^\]]*)\]|" + _NOTE.pattern, content):
            heads = [_head(tune, voice, n) for n in _NOTE.finditer(piece[0])]
            if heads:
                yield _Event(Fraction(0), heads, grace=True)
        return
    if m["rest"]:
        yield _Event(4 * voice.unit * _length(m["restlength"]), [])
        return
    if m["note"]:
        note = _NOTE.match(m["note"])
        assert note is not None
        head = _head(tune, voice, note)
        head.tie = bool(m["tie"])
        yield _Event(4 * voice.unit * _length(m["length"]), [head])
        return
    inside = m["chord"][1:-1]
    for d in re.finditer(r"![^!\s]+!|[~.H-Wh-w]", re.sub(r'"[^"]*"', "", inside)):
        meaning = d[0][1:-1] if d[0].startswith("!") else tune.symbols.get(d[0], "")
        if meaning:
            voice.decorations.append(meaning)
    notes = list(_NOTE.finditer(re.sub(r'![^!\s]+!|"[^"]*"', "", inside)))
    heads = [_head(tune, voice, n) for n in notes]
    for head, n in zip(heads, notes, strict=True):
        head.tie = bool(n[5] or m["chordtie"])
    if heads:
        # The chord is as long as its first note (standard 2.1, section 4.17).
        yield _Event(4 * voice.unit * _length(notes[0][4]) * _length(m["chordlength"]), heads)


def _head(tune: _Tune, voice: _Voice, m: re.Match[str]) -> _Head:
    letter = m[2].upper()
    octave = (5 if m[2].islower() else 4) + m[3].count("'") - m[3].count(",") + voice.layout.octave
    place = (letter, None if tune.propagate == "pitch" else octave)
    if m[1] is not None:
        alter = _ALTER[m[1]]
        if tune.propagate != "not":
            voice.accidentals[place] = alter
            voice.accidentals[letter, octave] = alter
    elif (letter, octave) in voice.tied:
        alter = voice.tied[letter, octave]
    elif (letter, octave) in voice.accidentals:
        alter = voice.accidentals[letter, octave]
    elif place in voice.accidentals:
        alter = voice.accidentals[place]
        if alter != voice.key.alteration(letter):
            carried = Remark(
                "abc_octaves",
                "An accidental was carried to another octave of its bar, as the ABC standard 2.1 rules.",
            )
            tune.warnings[carried] = None
    else:
        alter = voice.key.alteration(letter)
    return _Head(Pitch(letter, alter, octave))


def _bar(voice: _Voice) -> _Bar:
    if voice.bar is None:
        voice.bar = _Bar(
            voice.meter,
            voice.key,
            repeat_start=voice.repeat_start,
            ending=voice.ending,
            fresh=voice.fresh,
            symbol=voice.symbol,
        )
        voice.repeat_start = voice.fresh = False
    return voice.bar


def _put(tune: _Tune, voice: _Voice, event: _Event) -> None:
    bar = _bar(voice)
    event.layer = voice.layer
    if not event.grace:
        event.duration *= voice.next_factor
        voice.next_factor = Fraction(1)
        if voice.tuplet:
            ratio, left = voice.tuplet
            event.duration *= ratio
            voice.tuplet = (ratio, left - 1) if left > 1 else None
        event.decorations = tuple(voice.decorations)
        event.marks = tuple(voice.marks)
        event.slur_starts, voice.slurs = voice.slurs, 0
        voice.decorations.clear()
        voice.marks.clear()
        voice.tied = {
            (head.written.letter, head.written.octave): head.written.alter for head in event.heads if head.tie
        }
        if event.heads:
            voice.line.append(event.heads[0])
            voice.bar_of_head.append(len(voice.bars))
    bar.add(event)


def _start_tuplet(voice: _Voice, p: int, ratio: str) -> None:
    """Begin a tuplet of p notes in the time of q for the next r (standard 2.1, section 4.13)."""
    given = [int(x) if x else 0 for x in ratio.split(":")[1:]]
    compound = (
        bool(voice.meter) and voice.meter is not None and voice.meter[0] % 3 == 0 and voice.meter[0] > 3
    )
    usual = {2: 3, 3: 2, 4: 3, 6: 2, 8: 3}.get(p, 3 if compound else 2)
    q = (given[0] if given else 0) or usual
    r = (given[1] if len(given) > 1 else 0) or p
    if 0 < p < 100 and q < 100:
        voice.tuplet = (Fraction(q, p), r)


def _break_rhythm(voice: _Voice, signs: str) -> None:
    bar = voice.bar
    if bar is None:
        return
    last = next(
        (event for event in reversed(bar.events) if not event.grace and event.layer == voice.layer), None
    )
    if last is None:
        return
    short = Fraction(1, 2 ** min(len(signs), 6))
    long = 2 - short
    before, after = (long, short) if signs[0] == ">" else (short, long)
    bar.stretch(last, before)
    voice.next_factor = after


def _rest_bars(tune: _Tune, voice: _Voice, count: int) -> None:
    for i in range(min(count, 999)):
        bar = _bar(voice)
        beats, unit = voice.meter or (4, 4)
        bar.add(_Event(Fraction(4 * beats, unit), []))
        if i + 1 < min(count, 999):
            _close_bar(tune, voice)


def _ending_numbers(text: str, voice: _Voice) -> tuple[int, ...]:
    numbers: list[int] = []
    for first, last in re.findall(r"(\d+)(?:-(\d+))?", text):
        numbers += range(int(first), min(int(last or first), int(first) + 20) + 1)
    return tuple(numbers)


def _barline(tune: _Tune, voice: _Voice, bar: str, ending: str | None) -> None:
    plain = bar.lstrip(".") == "|"
    if voice.bar is not None:
        if re.match(r"\.?:", bar):
            voice.bar.repeat_end = True
        _close_bar(tune, voice)
    elif re.match(r"\.?:", bar) and voice.bars:
        voice.bars[-1].repeat_end = True
    if bar.endswith(":"):
        voice.repeat_start = True
    if not plain:
        voice.ending = ()
        voice.fresh = True
    if ending:
        voice.ending = _ending_numbers(ending, voice)


def _close_bar(tune: _Tune, voice: _Voice) -> None:
    if voice.bar is None:
        return
    if voice.bar.length:
        voice.bars.append(voice.bar)
        voice.bar = None
    voice.layer = 0
    voice.accidentals.clear()
    voice.tuplet = None
    voice.next_factor = Fraction(1)


# --- the score -----------------------------------------------------------------------------------


def _score(tune: _Tune, voices: list[_Voice]) -> Score:
    parts, places = _parts(tune, voices)
    for voice in voices:
        _trim_endings(voice)
    count = max(len(voice.bars) for voice in voices)
    if len({len(voice.bars) for voice in voices}) > 1:
        filled = Remark(
            "abc_filled", "The voices have different numbers of bars; shorter ones were filled up with rests."
        )
        tune.warnings[filled] = None
    bars: list[Measure] = []
    starts: list[Fraction] = []
    start = Fraction(0)
    for i in range(count):
        here = [voice.bars[i] for voice in voices if i < len(voice.bars)]
        lengths = {b.length for b in here}
        if len(lengths) > 1:
            unlike = Remark(
                "abc_lengths",
                "The voices do not agree on how long bar {bar} is; the longest one counts.",
                bar=i + 1,
            )
            tune.warnings[unlike] = None
        length = max(lengths)
        bars.append(_measure(here, i, start, length))
        starts.append(start)
        start += length
    implicit = _number(bars)
    measures, warnings = lay_out(
        bars,
        implicit=implicit,
        fresh={i for i in range(count) if i < len(voices[0].bars) and voices[0].bars[i].fresh},
    )
    written: list[Written] = []
    directions: list[Direction] = []
    for voice in voices:
        _place(voice, starts, places[voice.name], written, directions)
    return Score(
        title=tune.titles[0] if tune.titles else "",
        composer=tune.composer,
        parts=parts,
        measures=measures,
        notes=join_ties(mark_both_ends(written)),
        directions=tuple(sorted(directions, key=lambda direction: (direction.onset, direction.staff))),
        metadata=tune.metadata,
        warnings=(*tune.warnings, *warnings),
    )


def _trim_endings(voice: _Voice) -> None:
    """End a later ending that no barline closes after as many bars as the first ending has."""
    runs: list[list[int]] = []
    for i, bar in enumerate(voice.bars):
        if bar.ending and runs and runs[-1][-1] == i - 1 and voice.bars[i - 1].ending == bar.ending:
            runs[-1].append(i)
        elif bar.ending:
            runs.append([i])
    for before, run in pairwise(runs):
        after = run[-1] + 1
        closed = voice.bars[after].fresh if after < len(voice.bars) else voice.fresh
        if before[-1] == run[0] - 1 and not closed:
            for i in run[len(before) :]:
                voice.bars[i].ending = ()


def _measure(here: list[_Bar], index: int, start: Fraction, length: Fraction) -> Measure:
    first = here[0]
    beats, unit = first.meter or meter_filled_by(length)
    return Measure(
        id=f"m{index + 1}",
        index=index,
        number="",
        start=start,
        length=length,
        beats=beats,
        beat_type=unit,
        signature=first.key.signature,
        mode=first.key.mode,
        repeat_start=any(b.repeat_start for b in here),
        repeat_end=any(b.repeat_end for b in here),
        ending=next((b.ending for b in here if b.ending), ()),
        symbol=first.symbol if first.meter else "",
    )


def _number(bars: list[Measure]) -> set[int]:
    """Number bars from 1; a pickup is 0, and the second part of a bar split by a barline has no number."""
    implicit: set[int] = set()
    number = 0
    at = Fraction(0)
    for i, bar in enumerate(bars):
        full = bar.full_length
        goes_on = at > 0 and at + bar.length <= full and not bar.ending
        if i == 0 and bar.length < full and len(bars) > 1:
            implicit.add(0)
            at = full - bar.length
            bars[0] = replace(bar, number="0")
        elif goes_on:
            implicit.add(i)
        else:
            number += 1
            bars[i] = replace(bar, number=str(number))
            at = Fraction(0)
        at += bar.length
        if at >= full:
            at = Fraction(0)
    return implicit


def _parts(tune: _Tune, voices: list[_Voice]) -> tuple[tuple[Part, ...], dict[str, tuple[int, int, int]]]:
    """Return the parts, and for each voice its part, staff and number among the voices of its part."""
    known = {voice.name: voice for voice in voices}
    layout = [[[v for v in staff if v in known] for staff in part] for part in tune.staves]
    layout = [[staff for staff in part if staff] for part in layout]
    layout = [part for part in layout if part]
    listed = {v for part in layout for staff in part for v in staff}
    rest = [voice.name for voice in voices if voice.name not in listed]
    clefs = [known[v].layout.clef for v in rest]
    if not listed and len(rest) == 2 and clefs[1].startswith("bass") and not clefs[0].startswith("bass"):
        layout = [[[rest[0]], [rest[1]]]]
    else:
        layout += [[[v]] for v in rest]
    parts: list[Part] = []
    places: dict[str, tuple[int, int, int]] = {}
    staff_number = 1
    for p, part in enumerate(layout):
        first = staff_number
        for k, staff in enumerate(part):
            for n, v in enumerate(staff):
                places[v] = (p, staff_number, 4 * k + n + 1)
            staff_number += 1
        name = next((known[v].layout.name for staff in part for v in staff if known[v].layout.name), "")
        parts.append(Part(f"P{p + 1}", name, first, staff_number - 1))
    return tuple(parts), places


@dataclass(slots=True)
class _Directed:
    """Directions of a voice on a staff as they are added to `out`; `wedge` is the index of an open one."""

    staff: int
    out: list[Direction]
    wedge: int | None = None

    def _add(self, onset: Fraction, kind: str, text: str, value: float | None = None) -> int:
        self.out.append(Direction(f"d{len(self.out) + 1}", kind, onset, None, self.staff, text, value))
        return len(self.out) - 1

    def take(self, event: _Event, onset: Fraction) -> None:
        """Add the directions of an event."""
        for kind, text, value in event.marks:
            self._add(onset, kind, text, value)
        for d in event.decorations:
            if _DYNAMIC.fullmatch(d):
                self._add(onset, "dynamic", d)
            elif d in _WEDGES:
                self.wedge = self._add(onset, "wedge", _WEDGES[d])
            elif d in _WEDGE_ENDS and self.wedge is not None:
                self.out[self.wedge] = replace(self.out[self.wedge], end=onset + event.duration)
                self.wedge = None
            elif d in ("segno", "coda"):
                self._add(onset, d, d)
            elif d in _WORDS:
                self._add(onset, "words", _WORDS[d])
            elif d in ("fermata", "invertedfermata"):
                self._add(onset, "fermata", "fermata")
            elif d in ("ped", "ped-up"):
                self._add(onset, "pedal", "start" if d == "ped" else "stop")


def _place(
    voice: _Voice,
    starts: list[Fraction],
    place: tuple[int, int, int],
    written: list[Written],
    directions: list[Direction],
) -> None:
    """Write a voice's notes and directions; `place` is its part, staff and number."""
    part, staff, number = place
    semitones = voice.layout.transpose
    octave, step = divmod(semitones, 12)
    transposition = Interval(7 * octave + _STEPS[step], semitones)
    directed = _Directed(staff, directions)
    for index, bar in enumerate(voice.bars):
        at: dict[int, Fraction] = {}
        for event in bar.events:
            onset = starts[index] + at.get(event.layer, Fraction(0))
            at[event.layer] = at.get(event.layer, Fraction(0)) + event.duration
            directed.take(event, onset)
            for i, head in enumerate(event.heads):
                note_id = f"n{len(written) + 1}"
                first = i == 0
                articulations = (
                    [a for d in event.decorations if (a := _ARTICULATIONS.get(d))] if first else []
                )
                if first:
                    articulations += ["slur-stop"] * event.slur_ends + ["slur-start"] * event.slur_starts
                written.append(
                    Written(
                        Note(
                            id=note_id,
                            onset=onset,
                            duration=event.duration,
                            pitch=head.written + transposition,
                            written=head.written,
                            staff=staff,
                            voice=str(number + 10 * event.layer),
                            part=part,
                            measure=index,
                            ids=(note_id,),
                            grace=event.grace,
                            ornaments=tuple(o for d in event.decorations if (o := _ORNAMENTS.get(d)))
                            if first
                            else (),
                            articulations=tuple(articulations),
                            fingering=tuple(d for d in event.decorations if d in "012345" and len(d) == 1)
                            if first
                            else (),
                            fermata=first and bool({"fermata", "invertedfermata"} & set(event.decorations)),
                            arpeggiated="arpeggio" in event.decorations,
                            lyrics=tuple(head.lyrics),
                        ),
                        tie_start=head.tie,
                    )
                )
