"""All wording of the lesson in one place, English first: plain sentences with named gaps."""

from __future__ import annotations

GLOSSARY: dict[str, tuple[str, str]] = {
    "neapolitan": (
        "Neapolitan sixth",
        "A major chord built on the lowered second degree of the key, usually with its third in the bass. "
        "It darkens the way to the dominant.",
    ),
    "augmented-sixth": (
        "Augmented sixth chord",
        "A chord whose bass and upper note stand an augmented sixth apart; both move outwards by a half step "
        "to the octave on the dominant. Italian, French and German kinds differ by one note.",
    ),
    "cadential": (
        "Cadential six-four",
        "The notes of the tonic chord over the dominant in the bass. They lean on the dominant: the sixth "
        "falls to the fifth, the fourth to the third.",
    ),
    "applied": (
        "Applied dominant",
        "A dominant, or a chord on the leading tone, that belongs to another chord of the key for a moment. "
        "V7/V is the dominant seventh of the dominant.",
    ),
    "diminished-seventh": (
        "Diminished seventh",
        "Four notes stacked in minor thirds. Its half steps pull strongly; the same keys on the piano "
        "can lead to four different places.",
    ),
    "borrowed": (
        "Borrowed chord",
        "A chord taken from the major or minor key on the same tonic, to change the light.",
    ),
    "suspended": (
        "Suspended fourth",
        "A chord whose third is held back: the fourth above the root sounds first and wants to fall.",
    ),
}

DEVICE_ORDER = (
    "neapolitan",
    "augmented-sixth",
    "borrowed",
    "diminished-seventh",
    "applied",
    "suspended",
    "cadential",
)

HEADINGS = {
    "keys": "The keys",
    "points": "Chords to stop at",
    "check": "Worth checking first",
    "glossary": "Words used here",
    "credits": "Credits",
    "score": "The score with its harmony",
}

KEYS_ONE = "The whole piece stays in {home}."
KEYS_MANY = "The piece begins in {home} and visits {visits}. It ends in {last}."
POINT_WORDS = "This is {words}."
POINT_NOTES = "The notes are {members}, with {bass} in the bass."
POINT_OUTSIDE = "{notes} {verb} not belong to {key}."
POINT_NEXT = "It goes on to {next}."
CHECK_INTRO = (
    "The tool is least sure of these places. Look at the notes and decide; a correction is kept for good "
    "and everything around it is read again."
)
CHECK_ITEM = "{place}: read as {label} ({percent} % sure){others}."
CHECK_OTHERS = "; it could also be {labels}"
CREDIT = "Harmony read by Understave from {file}. Check it before you teach it."
COPYRIGHT = (
    "A score may be under copyright, and so may its edition. Before you copy or publish pages of it, make "
    "sure that you may."
)
UNKNOWN_COMPOSER = "Composer not named in the file"


def join(items: list[str], word: str = "and") -> str:
    """Join as in a sentence: ``a``, ``a and b``, ``a, b and c``."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {word} {items[-1]}"


def bars(first: str, last: str) -> str:
    """Name a stretch of bars: ``bar 4`` or ``bars 4–7``."""
    return f"bar {first}" if first == last else f"bars {first}–{last}"
