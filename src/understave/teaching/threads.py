"""Findings that are one idea, drawn together: kinship.

In: an event and the home key of its piece. Out: the idea that it belongs to, a value that is the same for all
its relatives. A lowered second degree is one idea as chord, as melody note and as key; a switch of mode and
the switch back are one; a note that is repeated as a tune and held in the bass is one; so is a motive in
every voice. What has no relatives is an idea by its kind and label.
"""

from __future__ import annotations

from typing import TypeAlias

from understave.harmony.reading import Event
from understave.theory.key import Key
from understave.theory.pitch import Pitch

Idea: TypeAlias = tuple[str | int, ...]

_FLAT_SECOND = -5
"""The lowered second degree lies five fifths below the tonic."""
_STAYING = frozenset({"repeated note", "pedal point", "drone"})
_MODES = frozenset({("key", "parallel"), ("picardy third", "picardy third"), ("return", "in the other mode")})
_ENTRIES = frozenset({("section", "introduction"), ("melody", "enters")})
_SIXTHS = frozenset({"italian sixth", "french sixth", "german sixth"})


def idea_of(event: Event, home: Key) -> Idea:
    """Return the idea that an event belongs to, in a piece whose home key is `home`."""
    kind, label = event.kind, event.label
    if _is_flat_second(event, home):
        return ("lowered second",)
    if kind == "mode switch" or (kind, label) in _MODES:
        return ("mode",)
    if kind == "motive":
        number = event.get("number")
        return ("motive", number if isinstance(number, int) else 0)
    tone = event.get("pitch")
    if (label == "repeated notes" or kind in _STAYING) and isinstance(tone, Pitch):
        return ("staying note", tone.pitch_class.semitone)
    if (kind, label) in _ENTRIES:
        return ("introduction",)
    if kind == "cadence" and label in ("deceptive", "evaded"):
        return ("led astray",)
    if (kind == "enharmonic pivot" and "german sixth" in label) or label in _SIXTHS:
        return ("augmented sixth",)
    if kind == "applied chord":
        return ("applied chord",)
    if kind == "sequence":
        return ("sequence",)
    if kind == "return":
        return ("return",)
    if kind == "key" and isinstance(key := event.get("key"), Key):
        return ("key", str(key))
    if kind == "melody" and label != "range" and label != "leap":
        return ("melody moves",)
    return (kind, label)


def _is_flat_second(event: Event, home: Key) -> bool:
    """Whether the lowered second degree is what an event is about: chord, key, or melody note on top."""
    if (event.kind, event.label) == ("chromatic chord", "neapolitan"):
        return True
    key = event.get("key")
    if event.kind == "key":
        return isinstance(key, Key) and key.tonic.fifths - home.tonic.fifths == _FLAT_SECOND
    tone = event.get("pitch")
    return (
        event.kind == "non-chord tone"
        and event.get("metric") == "accented"
        and isinstance(tone, Pitch)
        and isinstance(key, Key)
        and tone.pitch_class.fifths - key.tonic.fifths == _FLAT_SECOND
    )
