"""How much an event matters in a story: what a teacher would stop for first.

In: an event. Out: a number, 0 for what is not told by itself. The order is our own judgement: what is rare
and changes the course of the piece comes before what happens in every bar.
"""

from __future__ import annotations

from collections.abc import Mapping

from understave.harmony.reading import Event

COUNTED = ("non-chord tone", "sharp dissonance")
"""Kinds of which those not told one by one are counted."""
PIECE_KINDS: frozenset[str] = frozenset({"form"})
"""Kinds that say something of the piece as a whole, whatever bars they cover."""
PASSAGE_KINDS = frozenset({"phrase", "section", "instruction"})
"""Kinds that belong to the passage in which they begin, however long they last."""
LASTING = frozenset({"pedal point", "drone", "texture", "sequence", "chain", "return", "key"})
"""Kinds that still matter in the bars after their first."""

KINDS: Mapping[str, float] = {
    "cadence": 6.5,
    "picardy third": 8.0,
    "phrase": 2.0,
    "six-four": 2.0,
    "seventh in the bass": 2.5,
    "sharp dissonance": 4.0,
    "non-chord tone": 0.8,
    "chromatic chord": 6.0,
    "applied chord": 3.0,
    "enharmonic pivot": 9.0,
    "mode switch": 7.0,
    "key": 5.0,
    "pivot chord": 4.0,
    "pedal point": 4.5,
    "drone": 3.5,
    "repeated note": 1.6,
    "texture": 1.8,
    "melody": 2.0,
    "sequence": 4.0,
    "chain": 5.0,
    "return": 4.5,
    "difference": 1.5,
    "form": 9.0,
    "instruction": 1.7,
    "pedal mark": 2.2,
    "section": 5.5,
    "motive": 3.0,
    "harmonic rhythm": 2.0,
}
DEFAULT = 3.0
LABELS: Mapping[tuple[str, str], float] = {
    ("chromatic chord", "neapolitan"): 8.5,
    ("chromatic chord", "italian sixth"): 8.5,
    ("chromatic chord", "french sixth"): 8.5,
    ("chromatic chord", "german sixth"): 8.5,
    ("key", "tonicization"): 2.5,
    ("key", "home"): 3.5,
    ("melody", "in the left hand"): 4.0,
    ("melody", "in the bass"): 4.0,
    ("melody", "in an inner voice"): 3.5,
    ("melody", "leap"): 1.5,
    ("difference", "different continuation"): 3.0,
    ("chain", "lament bass"): 6.0,
    ("instruction", "tempo"): 3.2,
    ("instruction", "tempo change"): 2.0,
    ("instruction", "character"): 2.4,
    ("instruction", "soft pedal"): 2.6,
    ("instruction", "dynamic"): 0.6,
    ("instruction", "how much"): 0.3,
    ("pedal mark", "with the harmony"): 3.0,
    ("motive", "statement"): 4.0,
    ("harmonic rhythm", "quickens before a cadence"): 3.0,
    ("cadence", "deceptive"): 8.0,
    ("cadence", "evaded"): 8.0,
    ("cadence", "phrygian half"): 7.5,
    ("cadence", "plagal"): 7.5,
    ("six-four", "cadential"): 3.0,
    ("six-four", "arpeggiated"): 1.2,
    ("seventh in the bass", "held"): 1.5,
    ("non-chord tone", "suspension"): 2.6,
    ("non-chord tone", "retardation"): 2.4,
    ("non-chord tone", "appoggiatura"): 2.4,
    ("non-chord tone", "changing tones"): 2.0,
    ("non-chord tone", "anticipation"): 1.2,
    ("non-chord tone", "free tone"): 0.0,
}


def weight(event: Event) -> float:
    """Return how much an event matters, before its confidence: 0 and more."""
    base = LABELS.get((event.kind, event.label), KINDS.get(event.kind, DEFAULT))
    exposure = event.get("exposure")
    if isinstance(exposure, float):
        base *= exposure
    if event.get("metric") == "unaccented" and event.kind == "non-chord tone":
        base *= 0.6
    if event.kind == "instruction":
        base *= 2 if event.get("extreme") else 1 if event.get("first") else 0.4
    if event.label == "appoggiatura" and event.get("manner") == "late":
        # Resolved only after a rest it is as likely a note of the chord.
        base *= 0.3
    if event.kind == "sequence" and event.get("statements") == 2:
        # One repetition makes no sequence yet.
        base *= 0.5
    if event.kind == "phrase" and event.get("reasons") == ("end of the piece",):
        # That the last phrase ends with the piece needs no telling.
        base = 0.0
    number = event.get("number")
    if event.kind == "motive" and isinstance(number, int):
        base /= number
    return base
