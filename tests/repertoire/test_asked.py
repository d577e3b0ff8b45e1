"""The index for a page: plain values in, plain values, pictures and sound out."""

import json

import pytest

from understave.errors import UnderstaveError
from understave.repertoire import Question, find
from understave.repertoire.asked import choices, picture, question_of, search, sound


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
