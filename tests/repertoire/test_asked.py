"""The index for a page: plain values in, plain values, pictures and sound out."""

import json

import pytest

from understave.errors import UnderstaveError
from understave.findings.catalogue import KINDS
from understave.repertoire import Question, find
from understave.repertoire.asked import choices, index_in, picture, question_of, search, sound
from understave.repertoire.search import connect
from understave.wording.phrasebook import phrasebook


def test_a_question_and_its_answer_travel_as_json(indexed):
    folder, done = indexed
    asked = {"progression": "IV V I", "composer": "schubert", "difficulty": [0, 10], "each": 3, "key": ""}
    answer = json.loads(json.dumps(search(folder, asked)))
    own = find(done.index, Question(progression="IV V I", composer="schubert", difficulty=(0, 10), each=3))
    assert (answer["count"], answer["pieces"]) == (own.count, own.pieces)
    assert [(p["piece"], p["bar"]) for p in answer["places"]] == [(p.piece, p.bar) for p in own.places]
    assert search(done.index, asked) == answer


def test_a_place_is_shown_and_played(indexed):
    folder, _ = indexed
    place = search(folder, {"device": "neapolitan in c minor"})["places"][0]
    where = place["piece"], place["bar"], place["last_bar"]
    assert picture(folder, *where).lstrip().startswith("<svg")
    assert len(sound(folder, *where)) > 10_000
    for wrong in (("no such piece", 0, 0), (place["piece"], 0, 999), (place["piece"], -1, 0)):
        with pytest.raises(UnderstaveError, match="not in the index"):
            picture(folder, *wrong)


@pytest.mark.parametrize(
    ("language", "title", "key"),
    # Names of the trade: common practice, no source.
    [
        ("en", "neapolitan (N6)", "C minor"),
        ("de", "Neapolitaner (N6)", "c-Moll"),
        ("fr", "accord napolitain (N6)", "do mineur"),
    ],
)
def test_a_place_is_titled_in_the_language_asked(indexed, language, title, key):
    folder, _ = indexed
    place = search(folder, {"device": "neapolitan in c minor"}, language)["places"][0]
    assert (place["what"], place["key"]) == (title, key)
    where = place["piece"], place["bar"], place["last_bar"]
    assert key in picture(folder, *where, language=language)
    keys = {"en": "keys ", "de": "Tonarten ", "fr": "tonalités "}[language]
    whole = search(folder, {"composer": "schubert"}, language)["places"][0]
    assert whole["what"].startswith(keys)


@pytest.mark.parametrize("language", ["de", "fr"])
def test_every_event_of_the_index_has_its_name_in_each_language(indexed, language):
    folder, _ = indexed
    with connect(index_in(folder)) as db:
        names = db.execute("SELECT kind, label FROM event_names").fetchall()
    called = phrasebook(language).lane_events
    told = {k.name for k in KINDS}
    assert [(k, v) for k, v in names if k in told and v not in called.get(k, {})] == []
    there = choices(folder, language)
    assert set(there["texture_names"]) == set(there["textures"])


def test_only_what_is_there_can_be_chosen(indexed):
    folder, _ = indexed
    there = choices(folder)
    assert there["pieces"] == 8
    assert "neapolitan sixth" in there["devices"]
    for name in there["devices"]:
        search(folder, {"device": name})
    for name in there["textures"]:
        assert search(folder, {"texture": name})["count"]


@pytest.mark.parametrize(
    "values",
    [
        {"sql": "DROP TABLE pieces"},
        {"progression": 5},
        {"progression": "I " * 1000},
        {"difficulty": "easy"},
        {"difficulty": [1]},
        {"components": [1]},
        {"limit": "many"},
    ],
)
def test_what_makes_no_sense_is_one_sentence(values):
    with pytest.raises(UnderstaveError) as caught:
        question_of(values)
    assert str(caught.value).endswith(".")


def test_no_page_asks_for_too_much():
    assert question_of({"progression": "V", "limit": 10**9}).limit == 50
    assert question_of({"progression": "V", "limit": -3, "each": 0}) == Question(
        progression="V", limit=1, each=1
    )
