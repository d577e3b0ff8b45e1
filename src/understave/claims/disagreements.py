"""Claims -> pairs that answer one question about one place in two ways."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass

from understave.claims.claim import Claim


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Two claims that cannot both be true, with where each is told (``"story"``, ``"stops"`` ...)."""

    one: Claim
    other: Claim
    told: tuple[str, str]


def disagreements(claims: Iterable[tuple[str, Claim]]) -> tuple[Disagreement, ...]:
    """Return the pairs of claims, given with where they are told, that answer the same question otherwise."""
    known: dict[Hashable, tuple[str, Claim]] = {}
    found: list[Disagreement] = []
    for where, claim in claims:
        subject = claim.subject()
        if subject is None:
            continue
        first = known.setdefault(subject, (where, claim))
        if first[1].answer() != claim.answer():
            found.append(Disagreement(first[1], claim, (first[0], where)))
    return tuple(found)
