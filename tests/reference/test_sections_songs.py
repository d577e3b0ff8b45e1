"""The sections that are found, against those that analysts named in songs and variations of the open data.

Source of the reference: the ``Form:`` lines of the analyses of "When in Rome" (Gotham et al., TISMIR 2023).
Skipped where the data is absent.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from rich.console import Console

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchmarks import corpora, form


@pytest.mark.corpus
@pytest.mark.parametrize(("name", "least"), [("lieder", 0.45), ("variations", 0.4)])
def test_sections_agree_with_the_analysts(name: str, least: float) -> None:
    try:
        corpora.data_folder()
    except corpora.NoDataError as error:
        pytest.skip(str(error))
    result = form.measure(name, "dev", 0, own=False, console=Console(quiet=True))
    assert result.pieces
    assert result.near.f1 >= least
    # A section every eight bars would do worse by far in songs, where verses are of any length.
    if name == "lieder":
        assert result.near.f1 >= result.regular.f1 + 0.15


def test_boundaries_are_paired_once() -> None:
    assert form.matched([8, 16], [8, 9, 17], tolerance=1) == 2
    assert form.matched([8], [10], tolerance=1) == 0
    assert form.matched([8, 9], [9, 10], tolerance=1) == 2
