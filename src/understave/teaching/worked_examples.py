"""Harmonic devices for students who compose: each as a pattern, with a worked example of our own.

In: a Reading (which devices does the piece use?), a key and a texture. Out: `Worked` examples: our own
bars in another key and texture than the piece's, together with their reading. Every example is read back
by the same engine that read the piece, and only one in which the device is found again is given to a student.

The patterns are those of the textbooks (Hutchinson, *Music Theory for the 21st-Century Classroom*,
chapters 16 to 23; *Open Music Theory*, parts IV and V). Numerals stand on beats in turn, strong and weak;
``@M3`` goes on in the key a major third above the first, ``@parallel`` in the other mode of its tonic.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from itertools import product

from understave.findings import read
from understave.findings.applied import APPLIED_CHORD
from understave.findings.cadences import CADENCE, PICARDY
from understave.findings.catalogue import key_of, weight
from understave.findings.chromatic import CHROMATIC_CHORD
from understave.findings.keyplan import PIVOT_CHORD, home_key
from understave.findings.modes import MODE_SWITCH, regions_of
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.pedalpoints import PEDAL_POINT
from understave.findings.reheard import ENHARMONIC_PIVOT
from understave.findings.sequences import CHAIN, SEQUENCE
from understave.findings.sixfours import SIX_FOUR
from understave.harmony.reading import Event, Reading
from understave.score.model import Score
from understave.score.transpose import moved_key
from understave.teaching.textures import TEXTURES, Progression, Texture, faults_in, times_of, write_out
from understave.theory.key import Key, Mode
from understave.theory.pitch import Interval, PitchClass
from understave.theory.roman import RomanNumeral
from understave.theory.voice_leading import Harmony


@dataclass(frozen=True)
class Device:
    """A device: the events that show it, and a phrase that uses it.

    `phrase` is in `mode`, numerals in a row; `core` are the places in it (from 0) that make the device.
    `tops` are degrees wished for in the soprano (0 is no wish), `held` the degree held in the bass,
    `suspended` whether notes are held over.
    """

    name: str
    shows: tuple[tuple[str, str], ...]
    mode: Mode
    phrase: str
    core: tuple[int, ...]
    tops: tuple[int, ...] = ()
    held: int = 0
    suspended: bool = False

    @property
    def pattern(self) -> tuple[str, ...]:
        """The numerals of the core."""
        numerals = [t for t in self.phrase.split() if not t.startswith("@")]
        return tuple(numerals[k] for k in self.core)

    def progression(self, key: Key) -> Progression:
        """Return the phrase in a key of its mode."""
        if key.mode != self.mode:
            raise ValueError(f"{self.name} is written in {self.mode}, not in {key.name}.")
        now = key
        harmonies: list[Harmony] = []
        for token in self.phrase.split():
            if token == "@parallel":
                now = key.parallel
            elif token == "@relative":
                now = key.relative
            elif token.startswith("@"):
                now = moved_key(key, Interval.parse(token[1:]))
            else:
                harmonies.append(Harmony(now, RomanNumeral.parse(token)))
        tops = tuple(key.scale[d - 1] if d else None for d in self.tops)
        held = key.scale[self.held - 1] if self.held else None
        return Progression(tuple(harmonies), tops, held, self.suspended)

    def shown_by(self, event: Event) -> bool:
        """Whether an event is an instance of the device."""
        return (event.kind, event.label) in self.shows


@dataclass(frozen=True)
class Worked:
    """An example of a device: the music, its reading, and the event in it that shows the device."""

    device: Device
    key: Key
    texture: Texture
    score: Score
    reading: Reading
    event: Event
    numerals: tuple[tuple[Key, RomanNumeral], ...]


_CHROMATIC, _CADENCE, _APPLIED = CHROMATIC_CHORD.name, CADENCE.name, APPLIED_CHORD.name
_REHEARD = ENHARMONIC_PIVOT.name
DEVICES: tuple[Device, ...] = (
    Device("cadential six-four", ((SIX_FOUR.name, "cadential"),), "major", "I vi IV ii6 Cad64 V7 I", (4, 5)),
    Device("half cadence", ((_CADENCE, "half"),), "major", "I V6 I IV I ii6 V", (5, 6)),
    Device(
        "deceptive cadence", ((_CADENCE, "deceptive"),), "major", "I IV V7 I ii6 V7 vi IV Cad64 V7 I", (5, 6)
    ),
    Device("plagal cadence", ((_CADENCE, "plagal"),), "major", "I IV V7 I IV IV I", (4, 6)),
    Device("phrygian half cadence", ((_CADENCE, "phrygian half"),), "minor", "i V6 i iv i iv6 V", (5, 6)),
    Device("picardy third", ((PICARDY.name, "picardy third"),), "minor", "i iv V i iv V7 I", (5, 6)),
    Device(
        "applied dominant",
        ((_APPLIED, "applied dominant"),),
        "major",
        "I IV I vi V7/V V V7 vi IV V7 I",
        (4, 5),
    ),
    Device(
        "applied leading-tone chord",
        ((_APPLIED, "applied leading-tone chord"),),
        "major",
        "I V I IV viio7/V V V7 V7 I",
        (4, 5),
    ),
    Device("neapolitan", ((_CHROMATIC, "neapolitan"),), "minor", "i V i VI N6 V7 i", (4, 5)),
    Device("italian sixth", ((_CHROMATIC, "italian sixth"),), "minor", "i V i iv6 It6 V V7 V7 i", (4, 5)),
    Device("french sixth", ((_CHROMATIC, "french sixth"),), "minor", "i V i iv6 Fr43 V V7 V7 i", (4, 5)),
    Device("german sixth", ((_CHROMATIC, "german sixth"),), "minor", "i V i iv6 i Ger65 Cad64 V7 i", (5, 6)),
    Device("borrowed chord", ((_CHROMATIC, "borrowed chord"),), "major", "I V I iv I V7 I", (3, 4)),
    Device(
        "common-tone diminished seventh",
        ((_CHROMATIC, "common-tone diminished seventh"),),
        "major",
        "I #iio42 I IV Cad64 V7 I",
        (0, 1, 2),
    ),
    Device("altered dominant", ((_CHROMATIC, "altered dominant"),), "major", "I IV I ii6 V V+ I", (5, 6)),
    Device(
        "mode switch",
        ((MODE_SWITCH.name, "major to minor"), (MODE_SWITCH.name, "minor to major")),
        "major",
        "I IV V7 I I V7 I I @parallel i iv V7 i iv V7 i i iv V7 i",
        (7, 8),
    ),
    Device(
        "modulation by a common chord",
        ((PIVOT_CHORD.name, "common chord"),),
        "major",
        "I IV V7 I I vi @P5 V7 I IV V7 I I ii6 V7 I",
        (5, 6),
    ),
    Device(
        "enharmonic pivot",
        (
            (_REHEARD, "dominant seventh as german sixth"),
            (_REHEARD, "german sixth as dominant seventh"),
            (_REHEARD, "diminished seventh"),
        ),
        "major",
        "I IV V7 I I V7/IV @M3 Cad64 V7 I IV Cad64 V7 I",
        (5, 6),
    ),
    Device(
        "sequence by fifths",
        ((SEQUENCE.name, "descending fifths"),),
        "major",
        "I IV viio iii vi ii V7 V7 I",
        (1, 2, 3, 4, 5, 6),
    ),
    Device(
        "ascending 5-6 sequence",
        ((SEQUENCE.name, "ascending 5-6"),),
        "major",
        "I vi6 ii viio6 iii I6 IV ii6 V V7 I",
        (0, 1, 2, 3, 4, 5, 6),
    ),
    Device(
        "lament bass",
        ((CHAIN.name, "lament bass"),),
        "minor",
        "i v6 iv6 V i iv V7 V7 i",
        (0, 1, 2, 3),
    ),
    Device(
        "chain of suspensions",
        ((NON_CHORD_TONE.name, "suspension"),),
        "major",
        "I V6 vi iii6 IV I6 ii V7 I",
        (0, 1, 2, 3, 4, 5),
        tops=(3, 2, 1, 7, 6, 5, 4, 0, 0),
        suspended=True,
    ),
    Device(
        "tonic pedal point",
        ((PEDAL_POINT.name, "tonic"),),
        "major",
        "I V7 I IV I V7 I V7/IV IV V7 I",
        tuple(range(11)),
        held=1,
    ),
    Device(
        "dominant pedal point",
        ((PEDAL_POINT.name, "dominant"),),
        "major",
        "V I64 V7 I64 V IV V7 I64 V7 V",
        tuple(range(10)),
        held=5,
    ),
)
"""Every device, the plain ones first."""


def devices_in(reading: Reading) -> tuple[tuple[Device, Event], ...]:
    """Return the devices that a piece uses, each with its surest event, in the order of `DEVICES`."""
    found = []
    for device in DEVICES:
        events = [event for event in reading.events if device.shown_by(event)]
        if events:
            found.append((device, max(events, key=lambda event: (event.confidence, -event.start))))
    return tuple(found)


@cache
def worked_example(device: Device, key: Key, texture: Texture) -> Worked | None:
    """Return a device worked out in a key and texture, or None where its voices cannot be led cleanly or
    where it is not found when read back.

    Raises ValueError for a key of another mode than the device's phrase.
    """
    progression = device.progression(key)
    if faults_in(progression, texture):
        return None
    score = write_out(progression, texture)
    reading = read(score)
    times = times_of(progression, texture)
    start, end = times[device.core[0]][0], times[device.core[-1]][1]
    event = next(
        (
            event
            for event in reading.events
            if device.shown_by(event) and event.start < end and event.end > start
        ),
        None,
    )
    if event is None or not _agrees(progression, reading, times, device.core):
        return None
    numerals = tuple((harmony.key, harmony.numeral) for harmony in progression.harmonies)
    return Worked(device, key, texture, score, reading, event, numerals)


def _agrees(
    progression: Progression,
    reading: Reading,
    times: tuple[tuple[Fraction, Fraction], ...],
    core: Iterable[int],
) -> bool:
    """Whether the core's chords are read as written, by their roots; over a held bass the event is enough."""
    if progression.held is not None:
        return True
    for k in core:
        middle = (times[k][0] + times[k][1]) / 2
        span = reading.span_at(middle)
        if span is None:
            return False
        wanted, got = progression.harmonies[k].chord, span.numeral.chord(span.key)
        if len(wanted.semitones & got.semitones) < len(wanted.semitones) - 1:
            return False
    return True


def examples_for(
    reading: Reading, at_most: int = 8, texture_of_piece: Texture | None = None
) -> tuple[Worked, ...]:
    """Return worked examples of a piece's devices, the rarest where there are too many, each in another
    key than the piece's home and, by turns, in every texture but the piece's own.
    """
    textures = [t for t in TEXTURES if t != texture_of_piece]
    made: list[Worked] = []
    # The rare devices first: nobody needs eight lessons on cadences.
    for device, event in sorted(devices_in(reading), key=lambda pair: -weight(pair[1])):
        if len(made) >= at_most:
            break
        home = key_of(event) or home_key(regions_of(reading.spans))
        turn = len(made)
        order = [textures[(turn + k) % len(textures)] for k in range(len(textures))]
        keys = _other_keys(home, device.mode, turn)
        for texture, other in product(order, keys):
            worked = worked_example(device, other, texture)
            if worked is not None:
                made.append(worked)
                break
    return tuple(sorted(made, key=lambda worked: DEVICES.index(worked.device)))


def _other_keys(home: Key, mode: Mode, turn: int) -> tuple[Key, ...]:
    """Keys of a mode with few accidentals, none with the tonic of `home`, another first at each turn."""
    tonics = [PitchClass.parse(n) for n in ("D", "G", "F", "A", "C", "E", "Bb", "Eb")]
    keys = [Key(t, mode) for t in tonics if t != home.tonic]
    return tuple(keys[(turn + k) % len(keys)] for k in range(len(keys)))
