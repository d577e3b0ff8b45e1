"""What a reader says about what it read, or why it cannot read it: English, and ready for other languages."""

from __future__ import annotations

from typing import Any

from understave.theory.key import Key


class Remark(str):
    """A sentence in English that carries what its words in other languages are found by.

    `name` is its entry under ``[remarks]`` in the languages, `english` the sentence with its gaps, `values`
    what fills them: texts, keys, remarks. It is among `Score.warnings`, or what a `ScoreError` is made of.
    Whoever knows the language says it with `wording.remark_words.in_words`.
    """

    name: str
    english: str
    values: dict[str, str | Key | Remark]

    def __new__(cls, name: str, english: str, /, **values: object) -> Remark:
        """Fill the gaps of the English sentence."""
        kept = {
            key: value if isinstance(value, Key | Remark) else str(value) for key, value in values.items()
        }
        shown = {key: value.name if isinstance(value, Key) else value for key, value in kept.items()}
        self = super().__new__(cls, english.format(**shown))
        self.name, self.english, self.values = name, english, kept
        return self

    def __getnewargs_ex__(self) -> tuple[tuple[str, str], dict[str, Any]]:
        """Return what it is made of again in another process."""
        return (self.name, self.english), self.values
