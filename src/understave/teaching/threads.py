"""Findings that are one idea, drawn together: kinship.

In: an event and the home key of its piece. Out: the idea that it belongs to, a value that is the same for all
its relatives. A lowered second degree is one idea as chord, as melody note and as key; a switch of mode and
the switch back are one; a note that is repeated as a tune and held in the bass is one; so is a motive in
every voice. What has no relatives is an idea by its kind and label.
"""

from __future__ import annotations

from typing import TypeAlias

from understave.findings.applied import APPLIED_CHORD
from understave.findings.cadences import CADENCE, PICARDY
from understave.findings.chromatic import CHROMATIC_CHORD
from understave.findings.form import SECTION
from understave.findings.keyplan import KEY
from understave.findings.melody import MELODY
from understave.findings.modes import MODE_SWITCH
from understave.findings.motives import MOTIVE
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.pedalpoints import DRONE, PEDAL_POINT, REPEATED_NOTE
from understave.findings.reheard import ENHARMONIC_PIVOT
from understave.findings.returns import RETURN
from understave.findings.sequences import SEQUENCE
from understave.findings.variations import VARIATION
from understave.harmony.reading import Event
from understave.theory.key import Key

Idea: TypeAlias = tuple[str | int, ...]

_FLAT_SECOND = -5
"""The lowered second degree lies five fifths below the tonic."""
_MODES = frozenset(
    {(KEY.name, "parallel"), (PICARDY.name, "picardy third"), (RETURN.name, "in the other mode")}
)
_ENTRIES = frozenset({(SECTION.name, "introduction"), (MELODY.name, "enters")})
_SIXTHS = frozenset({"italian sixth", "french sixth", "german sixth"})


def idea_of(event: Event, home: Key) -> Idea:
    """Return the idea that an event belongs to, in a piece whose home key is `home`."""
    label = event.label
    if _is_flat_second(event, home):
        return ("lowered second",)
    if event in MODE_SWITCH or (event.kind, label) in _MODES:
        return ("mode",)
    if (motive := MOTIVE.of(event)) is not None:
        return ("motive", motive.number)
    tune = MELODY.of(event) if label == "repeated notes" else None
    staying = REPEATED_NOTE.of(event) or PEDAL_POINT.of(event) or DRONE.of(event) or tune
    if staying is not None:
        return ("staying note", staying.pitch.pitch_class.semitone if staying.pitch is not None else -1)
    if (event.kind, label) in _ENTRIES:
        return ("introduction",)
    if event in CADENCE and label in ("deceptive", "evaded"):
        return ("led astray",)
    if (event in ENHARMONIC_PIVOT and "german sixth" in label) or label in _SIXTHS:
        return ("augmented sixth",)
    if event in APPLIED_CHORD or event in SEQUENCE or event in RETURN or event in VARIATION:
        return (event.kind,)
    if (key := KEY.of(event)) is not None:
        return (event.kind, str(key.key))
    if (foreign := NON_CHORD_TONE.of(event)) is not None:
        # A sigh is one idea; what sinks or rises to its goal otherwise is another.
        return (event.kind, label, foreign.direction or "", foreign.sigh or 0)
    if event in MELODY and label not in ("range", "leap"):
        return ("melody moves",)
    return (event.kind, label)


def _is_flat_second(event: Event, home: Key) -> bool:
    """Whether the lowered second degree is what an event is about: chord, key, or melody note on top."""
    if event in CHROMATIC_CHORD and event.label == "neapolitan":
        return True
    if (key := KEY.of(event)) is not None:
        return key.key.tonic.fifths - home.tonic.fifths == _FLAT_SECOND
    foreign = NON_CHORD_TONE.of(event)
    return (
        foreign is not None
        and foreign.metric == "accented"
        and foreign.pitch.pitch_class.fifths - foreign.key.tonic.fifths == _FLAT_SECOND
    )
