"""The data of training: what it is, where it comes from, and whether a folder holds it unaltered.

    python -m training.data                            # names every set, its source and its licence
    python -m training.data --check FOLDER             # one sentence for each file that is missing or altered
    python -m training.data --gather DOWNLOADS FOLDER  # finds them among downloads, lays them out

In: ``data.toml`` (the sets) and ``checksums/`` (a line a file: digest and name). The digest of a score in
MusicXML is that of its music, so that the same notes exported on another day, packed or plain, are the same
file; that of any other file is of its bytes, whatever its line ends.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import shutil
import sys
import tomllib
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from lxml import etree

HOME = Path(__file__).parent
DIGITS = 32
"""Hexadecimal digits of SHA-256 that are kept: 128 bits, so that no two files meet by chance."""
_MUSIC = (
    *(
        "part",
        "measure",
        "divisions",
        "fifths",
        "mode",
        "beats",
        "beat-type",
        "note",
        "chord",
        "grace",
        "cue",
    ),
    *("rest", "step", "alter", "octave", "duration", "tie", "voice", "type", "dot", "time-modification"),
    *("actual-notes", "normal-notes", "staff", "backup", "forward"),
)
"""Elements of MusicXML that say what is played; text, layout and the day of the export are not among them."""
_SCORES = (".mxl", ".musicxml", ".xml")


@dataclass(frozen=True, slots=True)
class Source:
    """A set of files: its `folder` below the data folder, where it comes from and who reads it.

    `files` has the digest of each by its path below `folder`.
    """

    folder: str
    what: str
    source: str
    licence: str
    used_by: str
    files: Mapping[str, str]


@cache
def sources() -> tuple[Source, ...]:
    """Return every set that training reads."""
    table = tomllib.loads((HOME / "data.toml").read_text(encoding="utf-8"))
    return tuple(Source(**entry, files=_listed(entry["folder"])) for entry in table["sets"])


def checksums_of(folder: str) -> Path:
    """Return the file with the digests of a set."""
    return HOME / "checksums" / f"{folder.replace('/', '-')}.txt"


def _listed(folder: str) -> dict[str, str]:
    lines = checksums_of(folder).read_text(encoding="utf-8").splitlines()
    return {name: digest for digest, _, name in (line.partition("  ") for line in lines)}


@cache
def measured_songs() -> frozenset[str]:
    """Return the names of the songs that are measured on, which no training may see."""
    return frozenset((HOME / "checksums" / "measured-songs.txt").read_text(encoding="utf-8").split())


# --- digests -----------------------------------------------------------------------------------------------


def digest_of(path: Path) -> str:
    """Return the digest of a file; of a score in MusicXML, that of its music.

    A score whose XML cannot be read has the digest of its bytes. Raises OSError where there is no file.
    """
    data = path.read_bytes()
    if path.suffix in _SCORES:
        try:
            return _shortened(_music(_unpacked(data)))
        except (etree.XMLSyntaxError, zipfile.BadZipFile, StopIteration):
            pass  # damaged, which its bytes will tell
    return _shortened(data.replace(b"\r\n", b"\n"))


def _shortened(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()[:DIGITS]


def _unpacked(data: bytes) -> bytes:
    """Return the score in a compressed file, or the bytes as they are."""
    if not data.startswith(b"PK"):
        return data
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        names = archive.namelist()
        return archive.read(next(n for n in names if n.endswith(_SCORES) and not n.startswith("META-INF/")))


def _music(data: bytes) -> bytes:
    """Return what is played in a score of MusicXML, element by element."""
    told = []
    for _, element in etree.iterparse(
        io.BytesIO(data), load_dtd=False, no_network=True, resolve_entities=False
    ):
        if element.tag in _MUSIC:
            told.append(f"{element.tag} {(element.text or '').strip()} {element.get('type', '')}")
        elif element.tag == "score-partwise":
            break
    return "\n".join(told).encode()


# --- looking through a folder ------------------------------------------------------------------------------


def check(folder: Path, wanted: Source) -> Iterator[str]:
    """Yield a sentence for every file of a set that is missing or altered, or that does not belong to it.

    A file under another name is there: what counts is what it holds.
    """
    home = folder / wanted.folder
    kinds = {Path(name).suffix for name in wanted.files}
    found = {p.relative_to(home).as_posix(): digest_of(p) for p in _files(home) if p.suffix in kinds}
    if not found:
        yield f"{wanted.folder} is missing: {wanted.what} ({wanted.source})."
        return
    held = set(found.values())
    for name, digest in wanted.files.items():
        if digest in held:
            continue
        if name in found:
            yield f"{wanted.folder}/{name} is altered: it does not hold what training was done with."
        else:
            yield f"{wanted.folder}/{name} is missing."
    known = set(wanted.files.values())
    for name, digest in found.items():
        if digest not in known and name not in wanted.files:
            yield f"{wanted.folder}/{name} is none of this set; take it out, or training reads it too."


def gather(downloads: Path, folder: Path) -> int:
    """Copy every file of the sets that lies somewhere below `downloads` to its place; return how many."""
    places: dict[str, list[Path]] = {}
    for source in sources():
        for name, digest in source.files.items():
            places.setdefault(digest, []).append(folder / source.folder / name)
    suffixes = {place.suffix for each in places.values() for place in each} | set(_SCORES)
    copied = 0
    for path in _files(downloads):
        if path.suffix not in suffixes:
            continue
        for place in places.pop(digest_of(path), []):
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, place)
            copied += 1
    return copied


def _files(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*") if p.is_file() and not p.name.startswith("."))


def main() -> int:
    """Name the sets, or look through a folder; 1 where anything is missing or altered."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--check", type=Path, metavar="FOLDER", help="look through a data folder")
    parser.add_argument("--gather", type=Path, nargs=2, metavar=("DOWNLOADS", "FOLDER"))
    options = parser.parse_args()
    folder: Path | None = options.check
    if options.gather:
        downloads, folder = options.gather
        if not downloads.is_dir():
            print(f"There is no folder {downloads}; give the one your downloads lie in.", file=sys.stderr)
            return 2
        print(f"{gather(downloads, folder)} files were laid out in {folder}.")
    if folder is None:
        for s in sources():
            print(
                f"{s.folder}: {s.what}.\n  {s.source}\n  {s.licence}; {len(s.files)} files; for {s.used_by}"
            )
        return 0
    if not folder.is_dir():
        print(f"There is no folder {folder}; give the one that holds the sets.", file=sys.stderr)
        return 2
    wrong = 0
    for source in sources():
        said = list(check(folder, source))
        wrong += len(said)
        print(
            *said or [f"{source.folder}: all {len(source.files)} files are as they should be."],
            sep="\n",
            flush=True,
        )
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
