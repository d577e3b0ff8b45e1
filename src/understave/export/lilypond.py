"""Bars of a score as LilyPond, with the harmony under the staves: text that LilyPond engraves.

In: a Score, its Reading and the bars wanted. Out: a document for LilyPond 2.24 (LilyPond Notation Reference).
Pitches are those that sound, named in English (``cs``, ``ef``). Staves, voices, clefs, keys, meters, grace
notes, tuplets, ties, slurs, staccato, accents and holds are kept; words, dynamics, ornaments and lyrics are
not. Music without keys to speak of (`convention_choices.by_roots`) has its chords by root and kind, and a
signature without a mode claims no key. It starts from our own MusicXML of the bars, which has a printed value
for every note.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby

from lxml import etree

from understave.harmony.reading import Reading
from understave.score.model import Measure, Part, Score
from understave.score.passage import passage
from understave.theory.chord_symbol import chord_symbol
from understave.theory.conventions import numeral_text, symbol_text
from understave.theory.key import Key, Mode
from understave.theory.pitch import LETTERS

_ALTERED = {-2: "ff", -1: "f", 0: "", 1: "s", 2: "ss"}
_TYPES = ("breve", "whole", "half", "quarter", "eighth", "16th", "32nd", "64th", "128th", "256th")
_VALUES = {name: (Fraction(8, 2**k), str(2 ** (k - 1)) if k else "\\breve") for k, name in enumerate(_TYPES)}
"""Quarter notes and LilyPond's name of each ``type``; longer ones are written as quarters and stretched."""
_CLEFS = {"G": "treble", "F": "bass", "C": "alto", "percussion": "percussion"}
_LINES = {("C", "1"): "soprano", ("C", "2"): "mezzosoprano", ("C", "4"): "tenor", ("F", "3"): "baritone"}
_SIDES = ("\\voiceOne", "\\voiceTwo", "\\voiceThree", "\\voiceFour")
_SIGNS = {"staccato": "\\staccato", "accent": "\\accent", "tenuto": "\\tenuto", "strong-accent": "\\marcato"}


@dataclass(frozen=True, slots=True)
class _Played:
    """What stands at one moment of a voice: a rest or the notes of a chord, as MusicXML; graces come before.

    Grace notes at the end of a bar stand before nothing.
    """

    at: Fraction
    length: Fraction
    heads: tuple[etree._Element, ...]
    graces: tuple[tuple[etree._Element, ...], ...]

    @property
    def ratio(self) -> tuple[str, str]:
        """How many notes in the time of how many (``time-modification``); ``("1", "1")`` for plain ones."""
        found = self.heads[0].find("time-modification") if self.heads else None
        if found is None:
            return "1", "1"
        return found.findtext("actual-notes") or "1", found.findtext("normal-notes") or "1"


def lilypond(score: Score, reading: Reading, first: int = 0, last: int | None = None) -> str:
    """Return the measures from `first` to `last` (indexes, both included; the last one if None) as LilyPond.

    Raises UnderstaveError if there are no such measures.
    """
    last = len(score.measures) - 1 if last is None else last
    bars = passage(score, first, last)
    root = etree.fromstring(bars.source)
    staves = "\n".join(
        _part(part, element, bars.measures)
        for part, element in zip(bars.parts, root.findall("part"), strict=True)
    )
    harmony = _harmony(reading, score.measures[first].start, bars.measures[-1].end)
    number = bars.measures[0].number
    begins = f"\n    \\set Score.currentBarNumber = #{number}" if number.isdigit() else ""
    return (
        f'\\version "2.24.0"\n\\language "english"\n\\header {{\n  title = {_quoted(score.title)}\n'
        f"  composer = {_quoted(score.composer)}\n  tagline = ##f\n}}\n\\score {{\n  <<{begins}\n{staves}\n"
        f"    \\new Dynamics {{ {harmony} }}\n  >>\n  \\layout {{ }}\n  \\midi {{ }}\n}}\n"
    )


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _value(length: Fraction) -> str:
    """A length in quarter notes as a share of a whole note, for what is not printed."""
    return f"1*{length / 4}"


def _harmony(reading: Reading, start: Fraction, end: Fraction) -> str:
    out, at = [], start
    key: Key | None = None
    for span in reading.spans:
        begin, until = max(span.start, start), min(span.end, start + end)
        if begin >= until:
            continue
        if begin > at:
            out.append(f"s{_value(begin - at)}")
        if span.in_a_key:
            label = numeral_text(span.numeral, span.key.mode)
            label = label if span.key == key else f"{span.key}: {label}"
            key = span.key
        else:
            label = symbol_text(chord_symbol(span.numeral.chord(span.key)))
        out.append(f"s{_value(until - begin)}-\\markup {_quoted(label)}")
        at = until
    return " ".join(out)


def _part(part: Part, element: etree._Element, measures: Sequence[Measure]) -> str:
    """Return the staves of a part; each voice goes through all bars, so that ties and slurs find ends."""
    divisions = Fraction(1)
    bars = []
    for bar in element.findall("measure"):
        divisions = Fraction(bar.findtext("attributes/divisions") or divisions)
        bars.append((bar, _voices(bar, divisions)))
    staves = ""
    for staff in range(1, part.last_staff - part.first_staff + 2):
        names = sorted({name for _, found in bars for s, name in found if s == staff}) or ["1"]
        lines: dict[str, list[str]] = {name: [] for name in names}
        timing: tuple[str, Fraction] | None = None
        for measure, (bar, found) in zip(measures, bars, strict=True):
            meter = f"{measure.beats}/{measure.beat_type}"
            now, head = (meter, measure.length), _attributes(bar, staff)
            if now != timing:
                head += "" if timing and timing[0] == meter else f"\\time {meter} "
                head += f"\\set Timing.measureLength = #(ly:make-moment {measure.length / 4}) "
            timing = now
            here = [name for name in names if (staff, name) in found]
            for k, name in enumerate(names):
                side = "\\oneVoice" if len(here) < 2 else _SIDES[here.index(name) % 4] if name in here else ""
                music = _music(found.get((staff, name), ()), measure.length)
                lines[name].append(f"          {head if k == 0 else ''}{side} {music} |")
        voices = "\n".join("        \\new Voice {\n" + "\n".join(v) + "\n        }" for v in lines.values())
        staves += f"      \\new Staff <<\n{voices}\n      >>\n"
    return (
        f"    \\new {'PianoStaff' if part.last_staff > part.first_staff else 'StaffGroup'} <<\n{staves}    >>"
    )


def _attributes(bar: etree._Element, staff: int) -> str:
    """Return clef and key that stand in a bar; a clef that changes within it is set where the bar begins."""
    out = ""
    for attributes in bar.iterfind("attributes"):
        for clef in attributes.iterfind("clef"):
            if int(clef.get("number", 1)) == staff:
                sign, line = clef.findtext("sign") or "G", clef.findtext("line") or ""
                octaves = int(clef.findtext("clef-octave-change") or 0)
                name = _LINES.get((sign, line), _CLEFS.get(sign, "treble"))
                out += f'\\clef "{name}{"_8" if octaves < 0 else "^8" if octaves > 0 else ""}" '
        fifths = attributes.findtext("key/fifths")
        if fifths is not None:
            out += _signature(int(fifths), attributes.findtext("key/mode") or "")
    return out


def _signature(fifths: int, mode: str) -> str:
    """Return a signature; a key where its mode is known, else its accidentals alone, which claim none."""
    known: Mode | None = "major" if mode == "major" else "minor" if mode == "minor" else None
    if known is not None:
        tonic = Key.from_signature(fifths, known).tonic
        return f"\\key {tonic.letter.lower()}{_ALTERED[tonic.alter]} \\{known} "
    altered = (tone for tone in Key.from_signature(fifths, "major").scale if tone.alter)
    signs = [
        f"({LETTERS.index(tone.letter)} . ,{'SHARP' if fifths > 0 else 'FLAT'})"
        for tone in sorted(altered, key=lambda tone: abs(tone.fifths))
    ]
    return f"\\set Staff.keyAlterations = #`({' '.join(signs)}) "


def _voices(bar: etree._Element, divisions: Fraction) -> dict[tuple[int, str], list[_Played]]:
    """Return what every voice of a bar plays on each staff, in order of time."""
    out: dict[tuple[int, str], list[_Played]] = {}
    graces: dict[tuple[int, str], list[tuple[etree._Element, ...]]] = {}
    at = Fraction(0)
    for element in bar:
        length = Fraction(element.findtext("duration") or 0) / divisions
        if element.tag == "backup":
            at -= length
        elif element.tag == "forward":
            at += length
        elif element.tag == "note":
            place = int(element.findtext("staff") or 1), element.findtext("voice") or "1"
            grace, chord = element.find("grace") is not None, element.find("chord") is not None
            if grace:
                waiting = graces.setdefault(place, [])
                waiting[-1:] = [(*waiting[-1], element)] if chord and waiting else [*waiting[-1:], (element,)]
            elif chord and out.get(place) and out[place][-1].at == at - length:
                before = out[place][-1]
                out[place][-1] = _Played(before.at, before.length, (*before.heads, element), before.graces)
            else:
                begin = at - length if chord else at  # a chord whose other notes stand on the other staff
                found = _Played(begin, length, (element,), tuple(graces.pop(place, ())))
                out.setdefault(place, []).append(found)
                at = begin + length
    for place, waiting in graces.items():
        out.setdefault(place, []).append(_Played(at, Fraction(0), (), tuple(waiting)))
    return {place: sorted(found, key=lambda played: played.at) for place, found in out.items()}


def _music(voice: Sequence[_Played], length: Fraction) -> str:
    out, at = [], Fraction(0)
    for ratio, group in groupby(
        _filled(voice, length), key=lambda p: p.ratio if isinstance(p, _Played) else None
    ):
        written = []
        for played in group:
            if isinstance(played, Fraction):
                written.append(f"s{_value(played)}")
                at += played
            else:
                written.append(_written(played))
        inside = " ".join(written)
        plain = ratio is None or ratio == ("1", "1")
        out.append(inside if plain else f"\\tuplet {ratio[0]}/{ratio[1]} {{ {inside} }}")  # type: ignore[index]
    return " ".join(out)


def _filled(voice: Iterable[_Played], length: Fraction) -> Iterator[_Played | Fraction]:
    """Give what a voice plays, and between it how long it is silent without a rest."""
    at = Fraction(0)
    for played in voice:
        if played.at > at:
            yield played.at - at
        yield played
        at = max(at, played.at + played.length)
    if at < length:
        yield length - at


def _written(played: _Played) -> str:
    graces = " ".join(_chord(grace, _printed(grace[0])) for grace in played.graces)
    before = f"\\grace {{ {graces} }} " if graces else ""
    if not played.heads:
        return before
    rest = played.heads[0].find("rest")
    if rest is None:
        return before + _chord(played.heads, _printed(played.heads[0], played))
    if rest.get("measure") == "yes":
        return f"{before}R{_value(played.length)}"
    return f"{before}r{_printed(played.heads[0], played)}"


def _printed(note: etree._Element, played: _Played | None = None) -> str:
    """Return the printed value, multiplied where it does not last as long as it is played."""
    quarters, name = _VALUES.get(note.findtext("type") or "", _VALUES["quarter"])
    dots = len(note.findall("dot"))
    text = name + "." * dots
    if played is None:
        return text
    actual, normal = played.ratio
    lasts = quarters * (2 - Fraction(1, 2**dots)) * Fraction(int(normal), int(actual))
    return text if lasts == played.length else f"{text}*{played.length / lasts}"


def _chord(heads: Sequence[etree._Element], value: str) -> str:
    names = [_name(head) + ("~" if head.find("tie[@type='start']") is not None else "") for head in heads]
    marks = [
        *("(" for head in heads if head.find("notations/slur[@type='start']") is not None),
        *(")" for head in heads if head.find("notations/slur[@type='stop']") is not None),
        *(s for name, s in _SIGNS.items() if heads[0].find(f"notations/articulations/{name}") is not None),
        *("\\fermata" for _ in heads[0].findall("notations/fermata")),
    ]
    return f"<{' '.join(names)}>{value}{''.join(dict.fromkeys(marks))}"


def _name(note: etree._Element) -> str:
    step = (note.findtext("pitch/step") or "C").lower()
    alter, octave = int(note.findtext("pitch/alter") or 0), int(note.findtext("pitch/octave") or 4)
    return step + _ALTERED[alter] + ("'" * (octave - 3) if octave >= 3 else "," * (3 - octave))
