"""What labels depend on beside the teacher's conventions: the piece that is written about.

In: a reading with its events. Out: a context in which labels fit it: the mode of its home key tells what a
numeral alone leaves open, and music without keys to speak of has its chords named by root and kind.
"""

from __future__ import annotations

from contextlib import AbstractContextManager

from understave.findings.without_keys import tells_of_keys
from understave.harmony.reading import Reading
from understave.interpretation.tension import home_of
from understave.theory.convention_choices import Conventions, current, following


def writing_about(reading: Reading, conventions: Conventions | None = None) -> AbstractContextManager[None]:
    """Put in force what writing about a reading takes, in `conventions` or those in force."""
    home = home_of(reading).mode if reading.spans else None
    return following(conventions or current(), home, roots=not tells_of_keys(reading))
