"""The shipped reader: the network under its decoder, and what happens when its weights are damaged."""

from __future__ import annotations

import json
import tracemalloc
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from tests.harmony.small_scores import chords
from tests.once import opening

from understave.errors import UnderstaveError
from understave.findings import read
from understave.harmony.model import network
from understave.harmony.model.decoding import (
    AT_ONCE,
    MOST_KEYS,
    TRUST,
    Settled,
    decode,
    kept_chords,
    likely_keys,
    second_opinion,
)
from understave.harmony.model.encoding import encode, frame_times
from understave.harmony.model.label_indices import KEYS, key_index, key_of, reduce
from understave.harmony.reading import Correction
from understave.harmony.trained import judge_score, read_judged, read_trained
from understave.score.reader import read_score
from understave.theory.key import Key
from understave.theory.pitch import Interval
from understave.theory.roman import RomanNumeral

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
# I V65 I IV I64 V7 I: the cadence every harmony handbook prints (common practice, no source).
CADENCE = "C3 E4 G4 C5 | B2 F4 G4 D5 | C3 E4 G4 C5 | F3 F4 A4 C5 | G2 E4 G4 C5 | G2 D4 F4 B4 | C3 E4 G4 C5"
LABELS = ["I", "V65", "I", "IV", "Cad64", "V7", "I"]


@pytest.fixture(scope="module")
def study():
    return read_score(EXAMPLES / "lock-water" / "score.musicxml")


@pytest.mark.parametrize("name", ["P1", "m2", "P4", "m6", "A4"])
def test_a_cadence_in_many_keys(name):
    score = chords(CADENCE, length=2, interval=Interval.parse(name))
    assert [str(s.numeral) for s in read_trained(score).spans] == LABELS


def test_keys_of_the_table_are_themselves():
    assert [key_index(key_of(i)) for i in range(KEYS)] == list(range(KEYS))
    assert key_index(Key.parse("B####")) is None


def test_frames_begin_at_every_onset_and_beat(study):
    times = frame_times(study)
    assert {n.onset for n in study.notes if not n.grace} <= set(times)
    assert {m.start for m in study.measures} <= set(times)
    encoding = encode(study)
    assert encoding.times[-1] == study.end
    assert encoding.codes.shape[0] == len(times)


def test_reading_is_the_same_every_time(study):
    assert read_trained(study) == read_trained(study)


def test_spans_fill_the_piece_and_carry_their_notes(study):
    spans = read(study).spans
    assert spans[-1].end == study.end
    assert all(a.end == b.start for a, b in pairwise(spans))
    for span in spans:
        total = span.confidence + sum(a.confidence for a in span.alternatives)
        assert 0 <= span.confidence <= 1
        assert total <= 1 + 1e-6
        # The label is the best of the whole path: nothing beside it is told as likelier.
        assert all(a.confidence <= span.confidence for a in span.alternatives)
        members = span.numeral.chord(span.key).semitones
        assert all(study.note_by_id[i].midi % 12 in members for i in span.notes)
        assert not any(study.note_by_id[i].midi % 12 in members for i in span.foreign)


@pytest.fixture(scope="module")
def beginning():
    return read_score(opening(8))


NUMERALS = ["I", "V7", "viio7", "Ger65", "bII6", "V65/V", "iv", "I64", "V7[no5]", "#ivo7", "IVmaj7"]


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    bar=st.integers(1, 6),
    length=st.integers(1, 2),
    key=st.sampled_from([None, "Eb", "c", "F#", "g#", "D", "Cb"]),
    numeral=st.sampled_from([None, *NUMERALS]),
)
@example(bar=1, length=2, key=None, numeral="#ivo7")
def test_a_correction_is_never_overwritten(beginning, bar, length, key, numeral):
    given_key = Key.parse(key) if key else None
    given_numeral = RomanNumeral.parse(numeral) if numeral else None
    correction = Correction(str(bar), Fraction(1), str(bar + length), Fraction(1), given_key, given_numeral)
    spans = read_trained(beginning, [correction]).spans
    start, end = beginning.measures[bar - 1].start, beginning.measures[bar + length - 1].start
    inside = [s for s in spans if s.start < end and s.end > start]
    if given_key:
        assert all(s.key == given_key for s in inside)
    if given_numeral:
        assert [(s.start, s.end, s.numeral, s.fixed) for s in inside] == [(start, end, given_numeral, True)]
    assert spans[-1].end == beginning.end


def test_what_lies_around_a_correction_is_read_anew(study):
    plain = read_trained(study).spans
    fixed = read_trained(
        study, [Correction("10", Fraction(1), "12", Fraction(1), Key.parse("c"), RomanNumeral.parse("V7"))]
    ).spans
    before = {(s.start, s.end) for s in plain}
    assert any((s.start, s.end) not in before or s.confidence != 1 for s in fixed if not s.fixed)
    assert sum(s.fixed for s in fixed) == 1


def _shipped(tmp_path, monkeypatch):
    for path in Path(network.__file__).parent.glob("*"):
        if path.suffix in (".onnx", ".json"):
            (tmp_path / path.name).write_bytes(path.read_bytes())
    monkeypatch.setattr(network, "files", lambda _: tmp_path)
    network.load.cache_clear()
    return tmp_path


@pytest.fixture
def weights(tmp_path, monkeypatch):
    yield _shipped(tmp_path, monkeypatch)
    network.load.cache_clear()


def test_whole_weights_load(weights):
    assert len(network.load().sessions) == len(json.loads((weights / "labels.json").read_text())["networks"])


def _cut(path):
    path.write_bytes(path.read_bytes()[:-100])


def _remove(path):
    path.unlink()


def _flip(path):
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 255
    path.write_bytes(bytes(data))


@pytest.mark.parametrize("name", ["reader-1.onnx", "labels.json"])
@pytest.mark.parametrize("damage", [_cut, _remove])
def test_damaged_weights_are_an_error_and_never_a_worse_reading(weights, study, name, damage):
    damage(weights / name)
    with pytest.raises(UnderstaveError, match=r"weights are missing or damaged.*install Understave again"):
        read_trained(study)


def test_a_single_changed_byte_is_noticed(weights, study):
    _flip(weights / "reader-1.onnx")
    with pytest.raises(UnderstaveError, match="not the file it should be"):
        read_trained(study)


def test_weights_fit_the_limit():
    folder = Path(network.__file__).parent
    assert sum(p.stat().st_size for p in folder.glob("*.onnx")) <= 12_000_000


def _judged(frames, rng):
    sizes = {
        "key": KEYS,
        "tonicised": KEYS,
        "numeral": 0,
        "root": 49,
        "bass": 49,
        "quality": 18,
        "inversion": 4,
    }
    numerals = network.load().numerals
    sizes["numeral"] = len(numerals.reduced)
    found = {
        n: network.log_softmax(rng.normal(size=(frames, k)).astype(np.float32)) for n, k in sizes.items()
    }
    found["starts"] = rng.uniform(0.05, 0.95, (frames, 3)).astype(np.float32)
    return found, numerals


def test_pinning_any_frame_of_the_best_path_changes_nothing():
    rng = np.random.default_rng(5)
    found, numerals = _judged(3, rng)
    some = sorted(rng.choice(np.flatnonzero(numerals.seen[0]), 4, replace=False))
    allowed = np.zeros((3, len(numerals.reduced)), bool)
    allowed[:, some] = True
    keys = np.zeros((3, KEYS), bool)
    keys[:, [key_index(Key.parse("C")), key_index(Key.parse("G"))]] = True
    settled = Settled(keys, allowed, np.zeros(3, bool))
    lengths = np.ones(3, np.float32)
    path = decode(found, numerals, lengths, settled, TRUST)
    for t in range(3):
        pinned = allowed.copy()
        pinned[t] = False
        pinned[t, path.numeral[t]] = True
        again = decode(found, numerals, lengths, replace(settled, numerals=pinned), TRUST)
        assert again.numeral.tolist() == path.numeral.tolist()
        assert again.key.tolist() == path.key.tolist()
    assert np.allclose(path.beliefs(range(4)).reshape(3, -1).sum(1), 1, atol=1e-4)


def _peak(frames):
    """Bytes that decoding so many frames holds at most, with a second opinion and twelve keys."""
    found, numerals = _judged(frames, np.random.default_rng(7))
    free = Settled(
        np.ones((frames, KEYS), bool), np.ones((frames, len(numerals.reduced)), bool), np.zeros(frames, bool)
    )
    keys, lengths = likely_keys(found, free), np.ones(frames, np.float32)
    assert len(keys) == MOST_KEYS
    chords = {(0, "major", 0): np.full(frames, 0.5, np.float32)}
    tracemalloc.start()
    try:
        opinion = second_opinion(chords, {}, numerals, keys, TRUST)
        path = decode(found, numerals, lengths, free, TRUST, [opinion])
        path.beliefs(range(0, frames + 1, AT_ONCE))
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_decoding_a_long_piece_holds_no_table_of_what_every_label_is_worth_in_every_frame():
    """A frame more costs a byte for each label, whence its best path came; its worth would be four."""
    labels = MOST_KEYS * len(network.load().numerals.reduced)
    assert _peak(3 * AT_ONCE) - _peak(2 * AT_ONCE) < 2 * labels * AT_ONCE


def test_path_and_beliefs_do_not_depend_on_how_many_frames_are_worked_on_at_once(monkeypatch):
    frames = 50
    found, numerals = _judged(frames, np.random.default_rng(8))
    keys = np.zeros((frames, KEYS), bool)
    keys[:, [key_index(Key.parse("C")), key_index(Key.parse("G"))]] = True
    settled = Settled(keys, np.ones((frames, len(numerals.reduced)), bool), np.zeros(frames, bool))
    lengths = np.random.default_rng(9).uniform(0.1, 4, frames).astype(np.float32)
    whole = decode(found, numerals, lengths, settled, TRUST)
    each, limits = whole.beliefs(range(frames + 1)), [3, 12, 45, frames]
    monkeypatch.setattr("understave.harmony.model.decoding.AT_ONCE", 7)
    parted = decode(found, numerals, lengths, settled, TRUST)
    assert parted.numeral.tolist() == whole.numeral.tolist()
    assert np.allclose(parted.beliefs(range(frames + 1)), each, atol=1e-6)
    means = [np.average(each[a:b], axis=0, weights=lengths[a:b]) for a, b in pairwise(limits)]
    assert np.allclose(parted.beliefs(limits), means, atol=1e-6)


def test_a_given_key_names_the_chord_that_was_found_before():
    numerals = network.load().numerals
    keys = np.array([key_index(Key.parse("C")), key_index(Key.parse("G"))])

    def place(name, text):
        return next(
            i
            for i, r in enumerate(numerals.reduced)
            if r == reduce(Key.parse(name), RomanNumeral.parse(text))
        )

    dominant, tonic = place("C", "V"), place("G", "I")
    free = (np.array([keys[0], keys[0]]), np.array([dominant, dominant]))
    worth = kept_chords(free, np.array([True, False]), numerals, keys, replace(TRUST, kept=1.5))(slice(0, 2))
    assert worth.shape == (2, 2, len(numerals.reduced))
    # V of C is I of G; where the key is the one found anyway, its own name counts for more than another.
    assert worth[0, 0, dominant] == 3.0
    assert worth[0, 1, tonic] == 1.5
    assert worth[0, 0, place("C", "V7")] == worth[0, 0, place("C", "V6")] == worth[0, 1, dominant] == 0
    assert not worth[1].any()


def test_only_a_key_without_a_chord_keeps_what_was_found_before(study):
    key = Correction("5", Fraction(1), "20", Fraction(1), Key.parse("f"), None)
    both = replace(key, numeral=RomanNumeral.parse("V7"))
    assert judge_score(study).free is None
    assert judge_score(study, (both,)).free is None
    judged = judge_score(study, (key,))
    assert judged.free is not None
    plain = read_trained(study).spans
    found = {(s.start, key_index(s.key)) for s in plain}
    begins = [judged.encoding.times.index(s.start) for s in plain]
    assert {(s.start, int(judged.free[0][t])) for s, t in zip(plain, begins, strict=True)} == found

    # The firmer the chord found before is kept, the fewer chords change.
    def changed(kept):
        spans = read_judged(study, replace(judged, trust=replace(TRUST, kept=kept))).spans
        now = {s.start: s.numeral.chord(s.key) for s in spans}
        return sum(now.get(s.start) != s.numeral.chord(s.key) for s in plain)

    assert changed(30.0) < changed(0.0)


def test_a_score_without_notes_is_refused(study):
    silent = replace(study, notes=())
    with pytest.raises(UnderstaveError, match="no sounding notes"):
        read_trained(silent)


def test_a_key_alone_is_told_to_the_network_and_confirming_every_key_changes_no_chord(study):
    """In training keys were revealed without chords too, so that a key by itself helps."""
    plain = read_trained(study).spans
    keys = [Correction(*study.anchor(s.start), *study.anchor(s.end), s.key, None) for s in plain]
    again = read_trained(study, keys).spans
    assert [(s.start, s.key, s.numeral) for s in again] == [(s.start, s.key, s.numeral) for s in plain]
    with_chord = Correction("10", Fraction(1), "12", Fraction(1), Key.parse("c"), RomanNumeral.parse("V7"))
    alone = Correction("10", Fraction(1), "12", Fraction(1), Key.parse("c"), None)
    asked = {
        name: judge_score(study, given).heads["root"]
        for name, given in (("nothing", ()), ("key", (alone,)), ("both", (with_chord,)))
    }
    assert (asked["nothing"] != asked["key"]).any()
    assert (asked["key"] != asked["both"]).any()
