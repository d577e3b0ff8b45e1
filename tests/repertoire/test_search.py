"""Questions to the small index: what is found, where, in which order; and its counts and excerpts."""

import re

import pytest
from lxml import etree

from understave.errors import UnderstaveError
from understave.repertoire import (
    Question,
    ask,
    connect,
    count_devices,
    count_keys,
    count_next,
    count_textures,
    excerpt_of,
    find,
    plot,
)
from understave.repertoire.device_names import device, known_devices
from understave.repertoire.excerpts import score_of, stored_reading
from understave.score.composers import lives, period_of


@pytest.fixture
def db(indexed):
    with connect(indexed[1].index) as db:
        yield db


def titles(answer):
    return {p.title for p in answer.places}


def test_a_device_in_a_mode(db):
    answer = ask(db, Question(device="Neapolitan sixth in minor"))
    assert {p.key for p in answer.places} == {"c", "e"}
    assert {p.path for p in answer.places} <= {"minor/neapolitan.musicxml", "minor/neapolitan-in-e.musicxml"}
    assert ask(db, Question(device="Neapolitan sixth in major")).count == 0
    assert {p.key for p in ask(db, Question(device="Neapolitans in E minor")).places} == {"e"}


def test_places_carry_their_bars(db):
    answer = ask(db, Question(device="neapolitan in c minor", each=5))
    # Two half-note chords to a bar: the Neapolitan is the second of four, in bars 1 and 3.
    assert {p.bar_number for p in answer.places} == {"1", "3"}


def test_a_progression_in_any_key_with_its_bars(db):
    answer = ask(db, Question(progression="IV V I", each=1))
    assert {"Cadence", "In D"} <= titles(answer)
    first = next(p for p in answer.places if p.title == "Cadence")
    assert re.fullmatch(r"IV V7? I", first.what)
    assert (first.bar_number, first.last_bar_number) in {("1", "2"), ("3", "4")}
    assert titles(ask(db, Question(progression="IV V I", key="D"))) == {"In D"}


def test_every_piece_gives_its_best_before_any_gives_its_second(db):
    answer = ask(db, Question(progression="V I", each=3, limit=50))
    seen = [p.piece for p in answer.places]
    firsts = len(set(seen))
    assert len(set(seen[:firsts])) == firsts
    assert max(seen.count(p) for p in seen) <= 3
    assert answer.count >= len(answer.places)


def test_a_bass_line(db):
    answer = ask(db, Question(bass="1 7 6 5"))
    assert titles(answer) == {"Lament"}
    assert answer.places[0].bar_number in {"1", "3"}


def test_conditions_are_joined(db):
    assert titles(ask(db, Question(progression="V I", composer="schubert"))) == {"Cadence"}
    assert titles(ask(db, Question(progression="V i", period="romantic"))) == {"Neapolitan"}
    assert titles(ask(db, Question(progression="V I", texture="broken chords"))) <= {"Broken"}
    hard = max(p.difficulty for p in ask(db, Question(progression="V I", limit=50)).places)
    easy = ask(db, Question(progression="V I", difficulty=(0, hard - 0.01), limit=50))
    assert easy.places
    assert all(p.difficulty < hard for p in easy.places)
    slow = ask(db, Question(progression="V I", components=(("speed", 3.0),), limit=50))
    assert "Fast" not in titles(slow)


def test_the_same_question_in_one_call(indexed):
    question = Question(progression="V I")
    with connect(indexed[1].index) as db:
        assert find(indexed[1].index, question) == ask(db, question)


@pytest.mark.parametrize(
    "question",
    [
        Question(),
        Question(device="neapoliton"),
        Question(device="neapolitan in H sharp"),
        Question(progression="ii W I"),
        Question(device="cadence", bass="1 2"),
        Question(progression="V I", period="jurassic"),
        Question(progression="V I", key="Q"),
        Question(progression="V I", mode="dorian"),
        Question(progression="V I", texture="velvet"),
        Question(progression="V I", components=(("smell", 3.0),)),
    ],
)
def test_what_cannot_be_understood_gets_one_sentence(db, question):
    with pytest.raises(UnderstaveError) as caught:
        ask(db, question)
    assert str(caught.value).endswith(".")


def test_quotes_and_wildcards_in_names_are_only_names(db):
    for text in ("'", "%", "x' OR '1'='1"):
        assert ask(db, Question(progression="V I", composer=text)).count == 0


@pytest.mark.parametrize("name", sorted(known_devices()))
def test_every_named_device_can_be_asked_for(db, name):
    ask(db, Question(device=name))


@pytest.mark.parametrize(
    ("phrase", "kind", "labels", "mode", "key"),
    [
        ("Neapolitan sixths in minor", "chromatic chord", ("neapolitan",), "minor", ""),
        ("a deceptive cadence in E flat major", "cadence", ("deceptive",), "major", "Eb"),
        (
            "augmented sixth in f#",
            "chromatic chord",
            ("italian sixth", "french sixth", "german sixth"),
            "minor",
            "f#",
        ),
        ("Neapolitan sixth in b-Moll", "chromatic chord", ("neapolitan",), "minor", "b"),
        ("Neapolitan sixth in Moll", "chromatic chord", ("neapolitan",), "minor", ""),
    ],
)
def test_phrases(phrase, kind, labels, mode, key):
    found = device(phrase)
    assert (found.kind, found.labels, found.mode, found.key) == (kind, labels, mode, key)


def test_every_device_names_an_event_that_some_finder_has():
    """Kinds and labels stand in the docstrings of the modules that find them."""
    from pathlib import Path

    import understave.findings as events

    text = "\n".join(p.read_text(encoding="utf-8") for p in Path(events.__file__).parent.glob("*.py"))
    for name, d in known_devices().items():
        for label in (d.kind, *d.labels):
            assert not label or label in text, f"{name}: {label}"


def test_counts_add_up(db):
    after = count_next(db, "V")
    assert sum(c.share for c in after) == pytest.approx(1)
    assert after[0].name in ("I", "i")
    keys = count_keys(db)
    assert sum(c.count for c in keys) == 8
    assert {c.name for c in count_keys(db, "neapolitan")} == {"c", "e"}
    assert all("cadence" not in c.name for c in count_devices(db, "cadence"))
    assert count_textures(db)
    (total,) = db.execute("SELECT count(*) FROM events").fetchone()
    assert sum(c.count for c in count_devices(db)) == total


def test_a_plot_is_a_picture_with_its_figures(db):
    counts = count_next(db, "V")
    tree = etree.fromstring(plot(counts, "After V < & >").encode())
    words = "".join(tree.itertext())
    assert "After V < & >" in words
    assert str(counts[0].count) in words
    bars = [float(r.get("width")) for r in tree.iter("{*}rect")][1:]
    assert bars == sorted(bars, reverse=True)


def test_an_excerpt_shows_the_bars_and_what_was_found(indexed, db):
    folder, _ = indexed
    place = ask(db, Question(device="neapolitan in c minor")).places[0]
    tree = etree.fromstring(excerpt_of(db, place, folder).encode())
    shown = {g.get("id") for g in tree.iter()} | {g.get("data-id") for g in tree.iter()}
    score = score_of(place, folder)
    for note in score.notes:
        assert (note.id in shown) == (place.bar <= note.measure <= place.last_bar)


def test_the_stored_reading_is_the_reading(indexed, db):
    from understave.findings import read
    from understave.score.reader import read_score

    folder, _ = indexed
    (piece,) = db.execute("SELECT name FROM pieces WHERE path = 'fast.musicxml'").fetchone()
    own = read(read_score(folder / "fast.musicxml")).spans
    kept = stored_reading(db, piece).spans
    assert [(s.start, s.end, s.key, str(s.numeral)) for s in kept] == [
        (s.start, s.end, s.key, str(s.numeral)) for s in own
    ]


def test_a_changed_file_is_not_shown_as_if_it_were_the_old_one(tmp_path):
    from repertoire_scores import CADENCE, piano, put

    from understave.repertoire import index_folder

    put(tmp_path, "a.musicxml", piano(CADENCE))
    done = index_folder(tmp_path, workers=1)
    put(tmp_path, "a.musicxml", piano(CADENCE, up="M2"))
    with connect(done.index) as db:
        place = ask(db, Question(progression="V I")).places[0]
        with pytest.raises(UnderstaveError, match="has changed"):
            excerpt_of(db, place, tmp_path)


@pytest.mark.parametrize(
    ("name", "period"),
    [
        ("Franz Schubert", "romantic"),
        ("Schubert, Franz", "romantic"),
        ("J. S. Bach", "baroque"),
        ("C.P.E. Bach", ""),
        ("Joseph Haydn", "classical"),
        ("Frédéric Chopin", "romantic"),
        ("Frederic Chopin", "romantic"),
        ("Clara Schumann", "romantic"),
        ("Someone Else (1905-1980)", "modern"),
        ("Nobody", ""),
        ("", ""),
    ],
)
def test_periods(name, period):
    """Lives from memory; the period is that of the fortieth year (common practice, no source)."""
    assert period_of(name, lives())[0] == period


def test_lives_of_ones_own(tmp_path):
    (tmp_path / "composers.toml").write_text('"Waterstone, Ann" = [1710, 1790]\n', encoding="utf-8")
    assert period_of("Ann Waterstone", lives(tmp_path))[0] == "baroque"
    (tmp_path / "composers.toml").write_text('"Waterstone" = 3\n', encoding="utf-8")
    with pytest.raises(UnderstaveError, match="not a list of lives"):
        lives(tmp_path)
