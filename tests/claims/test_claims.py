"""The tests of claims: they pass what is true by hand, find what is planted, share nothing with finders."""

from __future__ import annotations

import ast
import inspect
import random
from collections import defaultdict
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from tests.claims.by_hand import BY_HAND, FALSE_BY_HAND, facts_on
from tests.claims.planting import WAYS, other_chord, plant, unresolved
from tests.once import make_plan, read, read_score

import understave.claims
from understave.claims import Claim, against_themes, growing, on_the_page, repose, stretches, whole_forms
from understave.claims import chords_and_keys as h
from understave.claims import single_notes as n
from understave.claims.facts import Facts, facts
from understave.harmony.reading import Reading
from understave.teaching.account import PLACES, Statement, contradictions, counted_claims, statements
from understave.teaching.exercises import exercises
from understave.theory.key import Key
from understave.wording import LEVELS

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ("lock-water", "chain-ferry")
PLANTED, FOUND = 20, 19
KINDS = sorted(
    {
        c
        for module in (n, h, stretches, on_the_page, whole_forms, against_themes, repose, growing)
        for _, c in inspect.getmembers(module, inspect.isclass)
        if issubclass(c, Claim) and c is not Claim and not c.__name__.startswith("_")
    },
    key=lambda c: c.__name__,
)


@pytest.fixture(scope="module")
def told() -> dict[str, tuple[Facts, dict[str, tuple[Statement, ...]]]]:
    """The statements of both demo pieces, at every level."""
    found = {}
    for name in EXAMPLES:
        score = read_score(ROOT / "examples" / name / "score.musicxml")
        reading = read(score)
        plan = make_plan(score, reading)
        made = exercises(score, reading)
        levels = {v: statements(score, reading, plan, v, exercises=made) for v in LEVELS}
        found[name] = (facts(score, reading.spans), levels)
    return found


@pytest.fixture(scope="module")
def true_claims(told: dict) -> dict[type[Claim], list[tuple[Facts, Claim]]]:
    found: dict[type[Claim], list[tuple[Facts, Claim]]] = defaultdict(list)
    for known, levels in told.values():
        for c in dict.fromkeys(c for found_ in levels.values() for s in found_ for c in s.claims):
            if c.holds(known):
                found[type(c)].append((known, c))
    for name, claim in BY_HAND:
        found[type(claim)].append((facts_on(name), claim))
    return found


@pytest.mark.parametrize(("name", "claim"), BY_HAND, ids=lambda x: x if isinstance(x, str) else x.kind)
def test_what_is_true_by_hand_passes(name: str, claim: Claim) -> None:
    assert claim.holds(facts_on(name))


@pytest.mark.parametrize(("name", "claim"), FALSE_BY_HAND, ids=lambda x: x if isinstance(x, str) else x.kind)
def test_what_is_false_by_hand_is_found(name: str, claim: Claim) -> None:
    assert not claim.holds(facts_on(name))


@pytest.mark.parametrize("kind", KINDS, ids=lambda c: c.kind)
def test_planted_falsehoods_are_found(kind: type[Claim], true_claims: dict) -> None:
    rng = random.Random(kind.__name__)
    if kind is n.Unresolved:
        pool = [(known, unresolved(c)) for known, c in true_claims[n.Resolved]]
        false = [rng.choice(pool) for _ in range(PLANTED)]
    else:
        pool = true_claims[kind]
        assert pool, "no true claim of this kind is known: give one in by_hand.py"
        false = []
        for _ in range(50 * PLANTED):
            known, claim = rng.choice(pool)
            wrong = plant(claim, rng, known)
            if wrong is not None and wrong != claim:
                false.append((known, wrong))
            if len(false) == PLANTED:
                break
        assert len(false) == PLANTED
    missed = [claim for known, claim in false if claim.holds(known)]
    assert len(missed) <= PLANTED - FOUND, missed


def test_every_kind_has_its_rule_and_its_name() -> None:
    assert {c.kind for c in KINDS} == {c.kind for c in WAYS}
    assert len({c.kind for c in KINDS}) == len(KINDS)
    for c in KINDS:
        assert c.__doc__, c
        assert not c.__doc__.startswith(f"{c.__name__}("), c


def test_the_room_imports_no_finder_and_no_words() -> None:
    room = Path(understave.claims.__file__).parent
    allowed = ("understave.claims", "understave.score.", "understave.theory.", "understave.harmony.reading")
    for module in room.glob("*.py"):
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
            names = (
                [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else [a.name for a in node.names]
                if isinstance(node, ast.Import)
                else []
            )
            for name in names:
                assert not name.startswith("understave") or name.startswith(allowed), (module.name, name)


def everything(levels: dict[str, tuple[Statement, ...]]) -> list[Statement]:
    return [s for found in levels.values() for s in found]


@pytest.mark.parametrize("example", EXAMPLES)
def test_two_statements_of_the_demo_never_disagree(example: str, told: dict) -> None:
    known, levels = told[example]
    found = everything(levels)
    assert {s.where for s in found if s.told and s.claims} == set(PLACES)
    assert not contradictions(found, Reading(known.spans))


@pytest.mark.parametrize("where", PLACES)
def test_a_contradiction_planted_in_any_text_is_found(where: str, told: dict) -> None:
    """One answer is turned round in one text; some other text, or the page, has the true one."""
    known, levels = told[EXAMPLES[0]]
    found, reading = everything(levels), Reading(known.spans)
    others = [s for s in found if s.where != where]
    asked = {c.subject(): c for s in others if s.told for c in s.claims if c.subject() is not None}
    rng, turned = random.Random(where), 0
    for s in (s for s in found if s.where == where and s.told):
        for c in (c for c in s.claims if c.subject() in asked and type(c) in WAYS):
            wrong = plant(c, rng, known)
            if wrong is None or wrong.subject() != c.subject() or wrong.answer() == c.answer():
                continue
            beside = [o for o in others if any(other.subject() == c.subject() for other in o.claims)]
            twice = contradictions((*beside, replace(s, claims=(wrong,))), reading)
            assert any(where in pair.told and wrong.answer() == pair.other.answer() for pair in twice), wrong
            turned += 1
    assert turned, f"nothing told in {where} is told elsewhere too"


def test_two_names_of_one_chord_are_compared_from_any_of_its_moments(told: dict) -> None:
    known, _ = told[EXAMPLES[0]]
    span = next(s for s in known.spans if s.end - s.start > 1)
    page = h.Labelled(span.start, span.start, span.key, span.numeral)
    later = h.KeyIs(span.start, span.start, Key.parse("F#"))
    inside = replace(h.ChordIs(span.start, span.start, span.key, other_chord(span.numeral, random.Random(1))))
    inside = replace(inside, start=span.start + 1, end=span.start + 1)
    here = h.KeyIs(span.start + 1, span.start + 1, span.key)

    def said(where: str, claim: Claim) -> Statement:
        return Statement(where, claim.start, "", "", (claim,), (), True)

    reading = Reading(known.spans)
    assert contradictions([said("page", page), said("card", inside)], reading)
    assert contradictions([said("story", later), said("stop", here)], reading)
    assert not contradictions([said("page", page), said("plan", here)], reading)


def test_a_section_with_known_music_and_an_exact_return_do_not_contradict_one_another() -> None:
    known = facts_on("song")
    again, exact, other = (
        stretches.ComesBack(Fraction(16), Fraction(24), Fraction(0), Fraction(8), how)
        for how in ("again", "literal", "varied")
    )
    assert again.holds(known)
    assert exact.holds(known)

    def said(claim: Claim) -> Statement:
        return Statement("story", claim.start, "", "", (claim,), (), True)

    assert not contradictions([said(again), said(exact)], Reading(known.spans))
    assert contradictions([said(other), said(exact)], Reading(known.spans))


@pytest.mark.parametrize("example", EXAMPLES)
def test_what_fails_is_counted_and_not_told(example: str, told: dict) -> None:
    _, levels = told[example]
    for found in levels.values():
        assert all(not (s.failed and s.told) for s in found)
        counts = counted_claims(found)
        assert sum(c.failed for c in counts.values()) == sum(len(s.failed) for s in found)
        assert sum(s.told for s in found) >= 0.6 * len(found), "an empty story is no success"
        assert not [s for s in found if s.where == "exercise" and s.failed]
