"""Parquet tables, read back by another engine (DuckDB) and compared with the reading."""

from __future__ import annotations

import json
from pathlib import Path

import duckdb
import pytest
from tests.once import read, read_score

from understave.export.parquet import EVENTS, SPANS, events_parquet, spans_parquet
from understave.harmony.reading import Reading

SCORE = Path(__file__).resolve().parents[2] / "examples" / "lock-water" / "score.musicxml"


@pytest.fixture(scope="module")
def piece():
    score = read_score(SCORE)
    return score, read(score)


def _rows(data: bytes, path: Path, columns: str) -> list[tuple]:
    path.write_bytes(data)
    return duckdb.execute(f"select {columns} from read_parquet(?)", [str(path)]).fetchall()


def test_spans_come_back_from_another_engine(piece, tmp_path):
    score, reading = piece
    rows = _rows(spans_parquet(*piece), tmp_path / "s.parquet", "*")
    assert len(rows) == len(reading.spans)
    for row, s in zip(rows, reading.spans, strict=True):
        values = dict(zip(SPANS, row, strict=True))
        assert (values["start"], values["end"]) == (float(s.start), float(s.end))
        assert values["bar"] == score.measure_at(s.start).number
        assert (values["numeral"], values["mode"]) == (str(s.numeral), s.key.mode)
        assert values["members"] == [m.name for m in s.numeral.chord(s.key).members]
        assert tuple(values["notes"]) == s.notes


def test_time_under_each_numeral_can_be_summed(piece, tmp_path):
    _, reading = piece
    sql = 'numeral, sum("end" - start)'
    (tmp_path / "s.parquet").write_bytes(spans_parquet(*piece))
    found = dict(
        duckdb.execute(
            f"select {sql} from read_parquet(?) group by numeral", [str(tmp_path / "s.parquet")]
        ).fetchall()
    )
    wanted: dict[str, float] = {}
    for s in reading.spans:
        wanted[str(s.numeral)] = wanted.get(str(s.numeral), 0) + float(s.end - s.start)
    assert found == pytest.approx(wanted)


def test_events_keep_their_detail(piece, tmp_path):
    _, reading = piece
    rows = _rows(events_parquet(*piece), tmp_path / "e.parquet", "kind, label, detail")
    assert [(k, label) for k, label, _ in rows] == [(e.kind, e.label) for e in reading.events]
    assert all(
        set(json.loads(d)) == {n for n, _ in e.detail}
        for (_, _, d), e in zip(rows, reading.events, strict=True)
    )
    assert list(EVENTS)[:2] == ["start", "end"]


def test_a_piece_without_chords_gives_an_empty_table(piece, tmp_path):
    assert _rows(spans_parquet(piece[0], Reading(())), tmp_path / "s.parquet", "numeral") == []
