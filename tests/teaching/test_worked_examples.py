"""Worked examples of devices: read back, in other keys and textures, well led."""

from __future__ import annotations

import re
from functools import cache
from itertools import combinations, pairwise

import pytest
from lxml import etree
from tests.once import read, read_score
from tests.wording.readings import EXAMPLES, piece

from understave.teaching.textures import TEXTURES, Progression, times_of, write_out
from understave.teaching.worked_examples import DEVICES, Device, devices_in, examples_for, worked_example
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral
from understave.theory.voice_leading import Harmony
from understave.wording import SPOKEN, phrasebook

# Four keys, flat and sharp; the engine of the reading was not fitted to any of these bars.
KEYS = {"major": ("D", "Ab"), "minor": ("d", "c#")}
LEAST_READ_BACK = 0.75
"""Share of device, key and texture that has to be found again; 0.87 over four keys when this was written."""


@cache
def made(device: Device, key: str, texture: str) -> object:
    return worked_example(device, Key.parse(key), texture)


@pytest.mark.parametrize("device", DEVICES, ids=lambda d: d.name)
def test_every_device_is_read_back_in_every_key_in_some_texture(device):
    for key in KEYS[device.mode]:
        assert any(made(device, key, t) is not None for t in TEXTURES), key


def test_most_devices_are_read_back_in_most_textures():
    """In one key of each mode in all textures, and in the other in those asked for above."""
    found = [made(d, KEYS[d.mode][0], t) is not None for d in DEVICES for t in TEXTURES]
    assert sum(found) >= LEAST_READ_BACK * len(found)


def test_a_device_that_is_not_there_is_not_found():
    """The phrase without its device: the event that should show it must not come."""
    plain = {
        "neapolitan": ("minor", "i V i VI iio6 V7 i"),
        "applied dominant": ("major", "I IV I vi ii7 V V7 vi IV V7 I"),
        "deceptive cadence": ("major", "I IV V7 I ii6 V7 I IV Cad64 V7 I"),
        "borrowed chord": ("major", "I V I IV I V7 I"),
        "picardy third": ("minor", "i iv V i iv V7 i"),
    }
    by_name = {d.name: d for d in DEVICES}
    for name, (mode, phrase) in plain.items():
        device = by_name[name]
        for texture in TEXTURES:
            without = Device(name, device.shows, mode, phrase, device.core)
            assert worked_example(without, Key.parse(KEYS[mode][0]), texture) is None, (name, texture)


def test_a_worked_example_is_read_again_from_its_own_file(tmp_path):
    neapolitan = next(d for d in DEVICES if d.name == "neapolitan")
    worked = worked_example(neapolitan, Key.parse("g"), "chorale")
    assert worked is not None
    path = tmp_path / "example.musicxml"
    path.write_bytes(worked.score.source)
    again = read(read_score(path))
    assert any(neapolitan.shown_by(e) for e in again.events)


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_for_a_piece_stand_in_another_key_and_texture(name):
    _, reading = piece(name)
    used = devices_in(reading)
    assert len(used) >= 8
    found = examples_for(reading, at_most=5, texture_of_piece="broken")
    assert len(found) == 5
    for worked in found:
        source = dict(used)[worked.device].get("key")
        assert isinstance(source, Key)
        assert worked.key.tonic != source.tonic
        assert worked.texture != "broken"
        assert worked.device.shown_by(worked.event)
        own = {i for n in worked.score.notes for i in n.ids}
        assert set(worked.event.notes) <= own
    assert len({w.texture for w in found}) >= 2
    assert len({w.key for w in found}) >= 3


@pytest.mark.parametrize("texture", TEXTURES)
@pytest.mark.parametrize("device", [d for d in DEVICES if not d.held], ids=lambda d: d.name)
def test_the_voices_of_an_example_do_not_move_in_parallel(device, texture):
    """Notes are called after chord and voice; suspensions delay a voice but not where it goes."""
    music21 = pytest.importorskip("music21")
    if made(device, KEYS[device.mode][0], texture) is None:
        pytest.skip("not given to students")
    progression = device.progression(Key.parse(KEYS[device.mode][0]))
    score = write_out(progression, texture)
    chords: dict[int, dict[str, object]] = {}
    for n in score.notes:
        name = re.match(r"e(\d+)([btas])", n.id)
        assert name is not None
        number, letter = int(name[1]), name[2]
        chords.setdefault(number, {})[letter] = music21.note.Note(n.pitch.name.replace("b", "-"))
    assert sorted(chords) == list(range(1, len(progression.harmonies) + 1))
    for k, m in pairwise(sorted(chords)):
        for low, high in combinations("btas", 2):
            quartet = music21.voiceLeading.VoiceLeadingQuartet(
                chords[k][high], chords[m][high], chords[k][low], chords[m][low]
            )
            assert not quartet.parallelFifth()
            assert not quartet.parallelUnisonOrOctave()


def test_textures_are_what_they_say():
    harmonies = tuple(Harmony(Key.parse("C"), RomanNumeral.parse(t)) for t in ["I", "IV", "V7", "I"])
    progression = Progression(harmonies)
    block = write_out(progression, "block")
    assert {n.duration for n in block.notes} == {2}
    alberti = write_out(progression, "Alberti")
    for start, end in times_of(progression, "Alberti"):
        figure = [n.midi for n in alberti.notes if n.staff == 2 and start <= n.onset < min(end, start + 2)]
        low, high, middle, again = figure
        assert low < middle < high == again
    broken = write_out(progression, "broken")
    assert (broken.measures[0].beats, broken.measures[0].beat_type) == (3, 4)
    assert [n.duration for n in broken.notes if n.staff == 2] == [0.5] * 24
    chorale = write_out(progression, "chorale")
    assert {(n.staff, n.voice) for n in chorale.notes} == {(1, "1"), (1, "2"), (2, "7"), (2, "8")}


@pytest.mark.parametrize("texture", TEXTURES)
def test_examples_are_written_as_valid_musicxml(texture, schema):
    for device in DEVICES[::5]:
        score = write_out(device.progression(Key.parse(KEYS[device.mode][0])), texture)
        assert schema.validate(etree.fromstring(score.source)), schema.error_log
        assert len({i for n in score.notes for i in n.ids}) == sum(len(n.ids) for n in score.notes)


@pytest.mark.parametrize("language", SPOKEN)
def test_every_device_has_its_recipe(language):
    patterns = phrasebook(language).patterns
    assert set(patterns) == {d.name for d in DEVICES}
    assert all(
        set(p) == {"title", "recipe", "try"} and all(p[part].endswith(".") for part in ("recipe", "try"))
        for p in patterns.values()
    )
