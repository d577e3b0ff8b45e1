"""What is not a score, or not one that can be read, ends in one clear sentence."""

import random
import zipfile
from pathlib import Path

import pytest
from musicxml_text import attributes, bar, note, ratio, score

from understave.errors import UnderstaveError
from understave.score.model import Score
from understave.score.reader import read_score
from understave.score.readers.musicxml import read_musicxml

GOOD = score(
    bar(
        attributes(divisions=2, more="<staves>2</staves>")
        + note("C4", 4, "half", staff="1")
        + note("D4", 4, "half", staff="1")
    )
    + bar(note("E4", 8, "whole", middle='<tie type="start"/>', staff="2"), "2")
    + bar(note("E4", 8, "whole", middle='<tie type="stop"/>', staff="2"), "3")
)


SIMPLE = bar(attributes() + note("C4", 16))


def message(tmp_path, data, name="piece.musicxml"):
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(UnderstaveError) as caught:
        read_score(path)
    text = str(caught.value)
    assert name in text
    assert text.endswith(".")
    assert text.count(". ") == 0
    assert "\n" not in text
    assert len(text) < 220
    return text


def test_the_good_one_is_read(tmp_path):
    path = tmp_path / "piece.musicxml"
    path.write_bytes(GOOD)
    assert len(read_score(path).notes) == 3
    assert read_score(str(path)) == read_score(path)


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "empty"),
        (b"\n \t\n", "empty"),
        (b"\xef\xbb\xbf", "empty"),
        (b"hello, this is a letter", "not a score"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "not a score"),
        (b"%PDF-1.7 ...", "PDF"),
        (bytes(1000), "empty"),
        (b'<?xml version="1.0"?><html><body/></html>', "html"),
        (b'<svg xmlns="http://www.w3.org/2000/svg"/>', "svg"),
        (b"<opus/>", "opus"),
        (GOOD[: len(GOOD) // 2], "cut short"),
        (GOOD[:150], "cut short"),
        (score(version="9.0"), "version '9.0'"),
        (score(bar(attributes() + note("C4", 4)), version="next"), "version 'next'"),
        (score(), "no bars"),
        (score(""), "no bars"),
        (score(bar(attributes() + note("R", 16))), "no notes"),
        (score(bar("")), "no notes"),
        (
            score(bar(attributes() + "<note><unpitched/><duration>16</duration></note>")),
            "percussion",
        ),
        (
            score(bar(attributes(more="<clef><sign>percussion</sign></clef>") + note("C4", 16))),
            "percussion",
        ),
        (score(bar(attributes() + note("H4", 16))), "without a readable pitch"),
        (
            score(bar(attributes() + note("C4", 16)).replace("<octave>4</octave>", "")),
            "without a readable pitch",
        ),
        (
            score(bar(attributes() + note("C4", 16)).replace(">4</octave>", ">999999</octave>")),
            "readable pitch",
        ),
    ],
)
def test_one_clear_sentence(tmp_path, data, word):
    assert word in message(tmp_path, data)


def test_the_bar_with_the_bad_pitch_is_named(tmp_path):
    data = score(bar(attributes(divisions=1) + note("C4", 4)) + bar(note("X4", 4), "12"), names=("Piano",))
    text = message(tmp_path, data)
    assert "Bar 12" in text
    assert "Piano" in text


def bars_of(quarters, beats=4):
    """A score whose bars hold so many quarters under one meter."""
    first = attributes(divisions=1, beats=beats)
    return read_musicxml(
        score(
            "".join(bar((first if not k else "") + note("C4", q), str(k + 1)) for k, q in enumerate(quarters))
        )
    )


def test_each_bar_of_a_wrong_length_is_told():
    warnings = bars_of([4, 3, 4, 6, 4]).warnings
    assert [w.split(" quarter")[0] for w in warnings] == ["Bar 2 holds 3", "Bar 4 holds 6"]
    # Two short bars that make up one are a split bar, as before and after a repeat.
    assert not bars_of([4, 3, 1, 4]).warnings


def test_many_bars_of_a_wrong_length_are_told_in_one_sentence():
    (warning,) = bars_of([5, *[3] * 20, 5], beats=5).warnings
    assert warning.startswith("Bar 2 holds 3 quarter notes where its meter 5/4 asks for 5, and 19 more bars")
    assert len(warning) < 220
    # A whole piece under a wrong meter is no row of pickups.
    (warning,) = bars_of([3] * 20, beats=5).warnings
    assert "17 more bars" in warning


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(UnderstaveError, match="no file"):
        read_score(tmp_path / "nothing.mxl")
    with pytest.raises(UnderstaveError, match="folder"):
        read_score(tmp_path)
    with pytest.raises(UnderstaveError, match=r"cannot be opened|no file"):
        read_score("\0")
    with pytest.raises(UnderstaveError, match=r"cannot be opened|no file"):
        read_score(tmp_path / ("x" * 5000))


def test_a_file_that_may_not_be_read(tmp_path, monkeypatch):
    path = tmp_path / "locked.mxl"
    path.write_bytes(GOOD)

    def locked(self):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", locked)
    with pytest.raises(UnderstaveError, match="cannot be opened"):
        read_score(path)


# Encodings ---------------------------------------------------------------------------------------------

TITLED = GOOD.decode().replace("<part-list>", "<movement-title>Frühe Stunde</movement-title><part-list>")


@pytest.mark.parametrize(
    ("declared", "written"),
    [
        ("UTF-8", "utf-8"),
        ("UTF-8", "utf-8-sig"),
        ("UTF-16", "utf-16"),
        ("UTF-16", "utf-16-le"),
        ("UTF-16LE", "utf-16-le"),
        ("UTF-16", "utf-16-be"),
        ("ISO-8859-1", "latin-1"),
        ("windows-1252", "cp1252"),
        ("UTF-16", "utf-8"),
        ("UTF-8", "utf-16"),
        ("UTF-8", "latin-1"),
        ("no-such-code", "utf-8"),
    ],
)
def test_encodings_declared_rightly_and_wrongly(tmp_path, declared, written):
    path = tmp_path / "piece.xml"
    path.write_bytes(TITLED.replace('encoding="UTF-8"', f'encoding="{declared}"').encode(written))
    got = read_score(path)
    assert got.title == "Frühe Stunde"
    assert len(got.notes) == 3


def test_without_a_declaration_and_with_a_doctype(tmp_path):
    text = TITLED.split("?>", 1)[1]
    doctype = (
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        '"http://www.musicxml.org/dtds/partwise.dtd">'
    )
    path = tmp_path / "piece.xml"
    path.write_text("\n" + doctype + text, encoding="utf-8")
    got = read_score(path)
    assert got.title == "Frühe Stunde"
    assert b"DTD MusicXML 4.0" in got.source


def test_default_namespace_is_no_obstacle(tmp_path):
    path = tmp_path / "piece.xml"
    path.write_text(TITLED.replace("<score-partwise ", '<score-partwise xmlns="urn:x" '), encoding="utf-8")
    assert len(read_score(path).notes) == 3


# Hostile files -----------------------------------------------------------------------------------------


def test_entities_are_not_resolved(tmp_path):
    secret = tmp_path / "secret.txt"
    secret.write_text("do not show", encoding="utf-8")
    doctype = f'<!DOCTYPE score-partwise [<!ENTITY a SYSTEM "{secret.as_uri()}">]>'
    text = TITLED.replace("?>", "?>" + doctype, 1).replace("Frühe Stunde", "x &a; y")
    path = tmp_path / "piece.xml"
    path.write_text(text, encoding="utf-8")
    got = read_score(path)
    assert "do not show" not in got.title
    assert b"do not show" not in got.source


def test_entity_bombs_do_not_explode(tmp_path):
    levels = "".join(f'<!ENTITY e{k} "{f"&e{k - 1};" * 10}">' for k in range(1, 12))
    doctype = f'<!DOCTYPE score-partwise [<!ENTITY e0 "ha">{levels}]>'
    path = tmp_path / "piece.xml"
    path.write_text(TITLED.replace("?>", "?>" + doctype, 1).replace("Frühe", "&e11;"), encoding="utf-8")
    try:
        got = read_score(path)
    except UnderstaveError:
        return
    assert len(got.source) < 100_000


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("<duration>4<", "<duration>1e999999999<"),
        ("<duration>4<", "<duration>" + "9" * 400 + "<"),
        ("<duration>4<", "<duration>-4<"),
        ("<duration>4<", "<duration>many<"),
        ("<divisions>2<", "<divisions>0<"),
        ("<beats>4<", "<beats>" + "9" * 500 + "<"),
        ("<beats>4<", "<beats>0<"),
        ("<beat-type>4<", "<beat-type>0<"),
        ("<fifths>0<", "<fifths>123456789<"),
        ("<staves>2<", "<staves>1000000000<"),
        ("<staff>1<", "<staff>1000000000<"),
        ('number="2"', 'number=""'),
    ],
)
def test_absurd_numbers_are_survived(tmp_path, old, new):
    path = tmp_path / "piece.xml"
    text = GOOD.decode()
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    got = read_score(path)
    assert len(got.notes) == 3
    assert all(m.length > 0 for m in got.measures)


# Fuzzing -----------------------------------------------------------------------------------------------


MARKS = "<notations><ornaments><tremolo>3</tremolo></ornaments><fermata/></notations>"


def samples():
    """A small score as XML and as .mxl, and one with every kind of mark."""
    rich = score(
        bar(
            attributes(divisions=6, more="<staves>2</staves><transpose><chromatic>-2</chromatic></transpose>")
            + "<direction><direction-type><words>x</words><wedge type='crescendo'/></direction-type>"
            "<offset>3</offset><sound tempo='90' damper-pedal='50'/></direction>"
            "<harmony><root><root-step>C</root-step></root><kind>major</kind></harmony>"
            + note("C4", None, "eighth", before="<grace/>")
            + note(
                "C4",
                4,
                "quarter",
                after=ratio(3, 2),
            )
            + note("R", 20)
            + "<backup><duration>24</duration></backup>"
            + note(
                "E3",
                24,
                "whole",
                voice="2",
                staff="2",
                after=MARKS,
            )
            + '<barline location="right"><ending number="1" type="stop"/>'
            '<repeat direction="backward"/></barline>'
        )
    )
    return [GOOD, rich]


def damaged(data, rng):
    """Cut, flip, drop, repeat or swap some bytes."""
    data = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 5, 20))):
        if not data:
            break
        at = rng.randrange(len(data))
        kind = rng.randrange(6)
        if kind == 0:
            del data[at:]
        elif kind == 1:
            data[at] ^= 1 << rng.randrange(8)
        elif kind == 2:
            data[at] = rng.randrange(256)
        elif kind == 3:
            del data[at : at + rng.randrange(1, 40)]
        elif kind == 4:
            data[at:at] = data[at : at + rng.randrange(1, 40)]
        else:
            data[at] = rng.choice(b"0123456789<>/\"'&-. ")
    return bytes(data)


@pytest.mark.parametrize("seed", range(8))
def test_damaged_files_give_a_score_or_one_sentence(tmp_path, seed):
    rng = random.Random(seed)
    path = tmp_path / "piece.mxl"
    for _ in range(150):
        data = rng.choice(samples())
        if rng.random() < 0.3:
            packed = tmp_path / "packed.mxl"
            with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
                archive.writestr("META-INF/container.xml", "<container/>")
                archive.writestr("piece.xml", data)
            data = packed.read_bytes()
        path.write_bytes(damaged(data, rng))
        try:
            got = read_score(path)
        except UnderstaveError:
            continue
        assert isinstance(got, Score)
        assert got.notes
        assert read_musicxml(got.source, "its source").notes == got.notes
