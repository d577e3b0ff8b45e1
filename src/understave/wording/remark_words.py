"""What was said of a score while it was read, in the reader's language.

In: a warning of a `Score` or an error, and a language. Out: the sentence, in English where it is no `Remark`.
"""

from __future__ import annotations

import re

from understave.score.remarks import Remark
from understave.theory.key import Key
from understave.theory.names import key_name
from understave.theory.vocabulary import Language
from understave.wording.phrasebook import Phrasebook, phrasebook

_BROKEN = re.compile(r"([0-9]+)\.([0-9]+)")


def in_words(said: str | Exception, language: Language) -> str:
    """Return what a warning or an error says, in a language if there are words for it."""
    if isinstance(said, Exception):
        said = said.args[0] if said.args and isinstance(said.args[0], Remark) else str(said)
    if language == "en" or not isinstance(said, Remark):
        return str(said)
    book = phrasebook(language)
    values = {gap: _value(value, book) for gap, value in said.values.items()}
    return book.remarks[said.name].format(**values) if said.name in book.remarks else str(said)


def _value(value: str | Key | Remark, book: Phrasebook) -> str:
    if isinstance(value, Remark):
        return in_words(value, book.language)
    if isinstance(value, Key):
        return key_name(value, book.language)
    return _BROKEN.sub(rf"\1{book.phrases['decimal']}\2", value) if _BROKEN.fullmatch(value) else value
