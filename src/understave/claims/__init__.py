"""What is said of a piece, as values that the notes can contradict, and the tests of them.

In: claims, a Score and the chords of its Reading. Out: which claims hold, and which pairs cannot both. This
room shares nothing with the code that found what is said, nor with the code that words it: it imports no
finder and no phrasebook, so that one mistake is not made twice. Each kind's rule and source stand in its
docstring; where the claims of a sentence are made is `wording.claiming`.
"""

from __future__ import annotations

from understave.claims.claim import Claim
from understave.claims.disagreements import Disagreement, disagreements
from understave.claims.facts import Facts, facts

__all__ = ["Claim", "Disagreement", "Facts", "disagreements", "facts", "failing"]


def failing(claims: tuple[Claim, ...], known: Facts) -> tuple[Claim, ...]:
    """Return the claims that the notes do not bear out."""
    return tuple(claim for claim in claims if not claim.holds(known))
