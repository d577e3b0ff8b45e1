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

from understave.errors import RepertoireError
from understave.findings.catalogue import kinds
from understave.theory.key import Key

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

    `found` are the (kind, label) pairs that an index has: their names can be asked for too. Raises
    UnderstaveError, with the nearest names, where nothing is called so.
    """
    name, _, where = text.strip().partition(" in ")
    mode, key = _where(where)
    known = dict(known_devices())
    for kind, label in found:
        known.setdefault(_plain(label), Device(label, kind, (label,)))
        known.setdefault(_plain(kind), Device(kind, kind))
        known.setdefault(_plain(f"{label} {kind}"), Device(f"{label} {kind}", kind, (label,)))
    plain = _plain(name)
    hit = known.get(plain) or next((device for n, device in known.items() if _plain(n) == plain), None)
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
    if text.lower() in ("minor", "major"):
        return text.lower(), ""
    spelled = _SPELLED.sub(lambda m: m[1] + ("b" if m[2].lower() == "flat" else "#"), text)
    try:
        parsed = Key.parse(spelled)
    except ValueError as error:
        raise RepertoireError(f"{error} A device can also be asked for 'in minor' or 'in major'.") from error
    return parsed.mode, parsed.symbol


def _plain(text: str) -> str:
    """Return a name without capitals, article, hyphens and plural."""
    words = text.lower().replace("-", " ").split()
    words = [w for w in words if w not in ("a", "an", "the")]
    return " ".join(w[:-1] if len(w) > 3 and w.endswith("s") and not w.endswith("ss") else w for w in words)
