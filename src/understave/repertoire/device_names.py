"""A device as a teacher names it -> which events or which progression it is, and in which key.

``"Neapolitan sixth in minor"``, ``"deceptive cadences in E flat major"``: a name that a kind has
(`Kind.searched`), a name of ``device_names.toml``, or the label or kind of an event as the index has it, with
``in minor``, ``in major`` or ``in`` a key after it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache
from importlib.resources import files

from understave.errors import RepertoireError, UnderstaveError
from understave.findings.catalogue import kinds
from understave.harmony.typed import MODE_WORDS, typed_key, usual_entry
from understave.wording.phrasebook import SPOKEN, phrasebook

_SPELLED = re.compile(r"^([a-g])[ -]?(flat|sharp)\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Device:
    """Events of a kind (and only with these labels, if any), or a progression; perhaps in one mode or key."""

    name: str
    kind: str = ""
    labels: tuple[str, ...] = ()
    chords: str = ""
    mode: str = ""
    key: str = ""


@lru_cache(maxsize=1)
def known_devices() -> dict[str, Device]:
    """Return the devices by name: those that a kind is asked for by, and those of ``device_names.toml``."""
    table = tomllib.loads(
        files("understave.repertoire").joinpath("device_names.toml").read_text(encoding="utf-8")
    )
    found = {
        name: Device(name, kind.name, labels) for kind in kinds() for name, labels in kind.searched.items()
    }
    return found | {name: Device(name, chords=d["chords"]) for name, d in table.items()}


def device(text: str, found: Iterable[tuple[str, str]] = ()) -> Device:
    """Return what a phrase asks for.

    `found` are the (kind, label) pairs that an index has: their names, in every language, can be asked for
    too. Raises UnderstaveError, with the nearest names, where nothing is called so.
    """
    known = dict(known_devices())
    for kind, label in found:
        known.setdefault(_plain(label), Device(label, kind, (label,)))
        known.setdefault(_plain(kind), Device(kind, kind))
        known.setdefault(_plain(f"{label} {kind}"), Device(f"{label} {kind}", kind, (label,)))
        for language in SPOKEN:
            named = phrasebook(language).event_name(kind, label)
            known.setdefault(_plain(named), Device(label, kind, (label,)))
    plainly = {_plain(n): device for n, device in reversed(known.items())}
    ways = [text.strip().partition(within)[::2] for within in (" in ", " en ")]
    name, where = next((way for way in ways if _plain(way[0]) in plainly), ways[0])
    plain = _plain(name)
    mode, key = _where(where)
    hit = plainly.get(plain)
    if hit is None:
        near = get_close_matches(plain, list(known), n=3, cutoff=0.5)
        advice = (
            f"nearest are {', '.join(near)}" if near else "'understave find INDEX --count devices' lists all"
        )
        raise RepertoireError(f"No device is called {name!r}; {advice}.")
    return Device(hit.name, hit.kind, hit.labels, hit.chords, mode, key)


def _where(text: str) -> tuple[str, str]:
    """Return mode and key symbol of ``"minor"``, ``"F minor"``, ``"e-flat major"``, ``"Ab"``."""
    text = text.strip().removeprefix("the key of ").removesuffix(" keys").strip()
    if not text:
        return "", ""
    if len(text) > 1 and text.casefold() in MODE_WORDS:
        return MODE_WORDS[text.casefold()], ""
    spelled = _SPELLED.sub(lambda m: m[1] + ("b" if m[2].lower() == "flat" else "#"), text)
    try:
        parsed = typed_key(spelled, usual_entry())
    except UnderstaveError as error:
        raise RepertoireError(f"{error} A device can also be asked for 'in minor' or 'in major'.") from error
    return parsed.mode, parsed.symbol


def _plain(text: str) -> str:
    """Return a name without capitals, article, hyphens and plural."""
    words = text.lower().replace("-", " ").split()
    words = [w for w in words if w not in ("a", "an", "the")]
    return " ".join(w[:-1] if len(w) > 3 and w.endswith("s") and not w.endswith("ss") else w for w in words)
