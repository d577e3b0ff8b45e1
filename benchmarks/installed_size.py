"""Disk that an installation takes, package by package, measured in a new virtual environment.

    python -m benchmarks.installed_size [--extras tables,film] [--environment FOLDER]

Installs this checkout with pip and adds up the files that each package says are its own. Packages that
a new environment brings itself (pip, setuptools) are left out.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import venv
from collections.abc import Sequence
from importlib.metadata import distributions
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
_OWN = ("pip", "setuptools", "wheel")
_LEAST = 1.0
"""Megabytes under which packages are added up in one line."""


def sizes(site_packages: Path) -> dict[str, float]:
    """Return megabytes (10^6 bytes) of every package in a folder of packages."""
    found = {}
    for package in distributions(path=[str(site_packages)]):
        name = package.metadata["Name"]
        if name not in _OWN:
            paths = [Path(str(package.locate_file(f))) for f in package.files or ()]
            found[name] = sum(p.stat().st_size for p in paths if p.is_file()) / 1e6
    return found


def install(folder: Path, extras: str) -> Path:
    """Install this checkout as a wheel into a new environment; return its folder of packages."""
    venv.create(folder, with_pip=True)
    python = folder / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    what = f"{ROOT}[{extras}]" if extras else str(ROOT)
    subprocess.run([python, "-m", "pip", "install", "--quiet", "--no-compile", what], check=True)
    return next(p for p in folder.rglob("site-packages") if p.is_dir())


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--extras", default="", help="extras to install too, such as tables")
    parser.add_argument("--environment", type=Path, help="measure this environment instead of a new one")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as made:
        if options.environment:
            place = next(p for p in options.environment.rglob("site-packages") if p.is_dir())
        else:
            place = install(Path(made) / "bare", options.extras)
        found = sizes(place)
    print(f"{'package':28} {'MB':>7}")
    large = {n: s for n, s in found.items() if s >= _LEAST}
    for name, size in sorted(large.items(), key=lambda item: -item[1]):
        print(f"{name:28} {size:7.1f}")
    print(f"{len(found) - len(large)} smaller ones{'':13} {sum(found.values()) - sum(large.values()):7.1f}")
    print(f"{'all':28} {sum(found.values()):7.1f}")


if __name__ == "__main__":
    main()
