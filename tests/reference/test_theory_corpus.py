"""Every Roman numeral of the published analyses that lie beside the checkout.

Source: When in Rome (Gotham et al., TISMIR 2023), TAVERN (Devaney et al., ISMIR 2015), the chorale analyses
of Tymoczko and colleagues and the textbook examples of Nápoles López et al. (DLfM 2020), all CC BY-SA 4.0.
"""

import re
from collections import Counter

import pytest
from benchmarks.data import data_folder

from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

ANALYSES = data_folder() / "harmony" / "train"
NO_NUMERAL = re.compile(r"b\d+(\.\d+)*|:?\|\|:?|var\d+")

pytestmark = [
    pytest.mark.corpus,
    pytest.mark.skipif(not ANALYSES.is_dir(), reason="the published analyses are not on this machine"),
]


def tokens():
    """Each numeral of every analysis with the key it stands in."""
    for path in sorted(ANALYSES.rglob("analysis*.txt")):
        key = None
        for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
            if not re.match(r"m\d+", line.strip()) or "=" in line:
                continue
            for token in line.split()[1:]:
                if NO_NUMERAL.fullmatch(token):
                    continue
                if token.endswith(":"):
                    key = Key.parse(token[:-1])
                elif key is not None:
                    yield token, key


@pytest.fixture(scope="module")
def counted():
    return Counter(tokens())


def test_nearly_every_numeral_is_read(counted):
    refused = Counter()
    for (text, _), times in counted.items():
        try:
            RomanNumeral.parse(text)
        except ValueError:
            refused[text] += times
    share = 1 - refused.total() / counted.total()
    spellings = len({text for text, _ in counted})
    print(f"{counted.total()} numerals, {spellings} spellings, {share:.4%} read; refused: {dict(refused)}")
    assert counted.total() > 50_000
    assert share >= 0.999


def test_every_chord_is_named_again(counted):
    """The name found first is the analyst's own for nearly all chords, and always sounds the chord."""
    same = 0
    total = 0
    for (text, key), times in counted.items():
        try:
            n = RomanNumeral.parse(text)
        except ValueError:
            continue
        chord = n.chord(key)
        first = RomanNumeral.of(chord, key)[0]
        again = first.chord(key)
        assert (set(again.members), again.bass) == (set(chord.members), chord.bass), (text, key)
        assert RomanNumeral.parse(str(n)) == n
        total += times
        same += times * (str(first) == str(n))
    print(f"{same / total:.2%} named as the analyst did")
    assert same / total > 0.96
