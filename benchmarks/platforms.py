"""For which systems and Pythons the index has wheels of all that is needed, printed as a table.

    python -m benchmarks.platforms [--pythons 3.11,3.12,3.13,3.14]

Asks ``uv`` (which must be on the path or installed beside this Python) to resolve each dependency that is not
Python alone, from wheels only, for each system. Nothing is installed. Printed are those without a wheel, and
those of which only an older version than elsewhere has one.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from importlib.util import find_spec

COMPILED = ("numpy", "lxml", "verovio", "typst", "onnxruntime", "soundfile", "cffi", "duckdb", "protobuf")
"""What we need, and what that needs in turn, that is built for each system."""
SYSTEMS = {
    "Linux, x86-64": "x86_64-manylinux_2_28",
    "Linux, ARM": "aarch64-manylinux_2_28",
    "Windows, x86-64": "x86_64-pc-windows-msvc",
    "Windows on ARM": "aarch64-pc-windows-msvc",
    "Windows, 32 bit": "i686-pc-windows-msvc",
    "macOS, ARM": "aarch64-apple-darwin",
    "macOS, Intel": "x86_64-apple-darwin",
    "Alpine (musl), x86-64": "x86_64-unknown-linux-musl",
    "Alpine (musl), ARM": "aarch64-unknown-linux-musl",
}
"""Systems by the names that uv gives them."""
_MACOS = "14.0"


def version_for(package: str, system: str, python: str) -> str:
    """Return the newest version of a package that has a wheel there; empty where none has.

    Raises LookupError with a sentence where uv is missing or could not ask.
    """
    program = shutil.which("uv")
    if program is None and find_spec("uv") is None:
        raise LookupError("uv, which is asked for the wheels, is missing: pip install uv.")
    uv = [program] if program else [sys.executable, "-m", "uv"]
    call = [*uv, "pip", "compile", "-", "--no-deps", "--no-build", "--no-header", "--no-annotate", "--quiet"]
    call += ["--python-platform", system, "--python-version", python]
    done = subprocess.run(
        call,
        input=package,
        capture_output=True,
        text=True,
        env={**os.environ, "MACOSX_DEPLOYMENT_TARGET": _MACOS},
    )
    why = done.stderr.partition("hint:")[0].strip()
    if done.returncode and "wheels" not in why:
        raise LookupError(f"uv could not ask for {package}: {why}")
    found = re.search(r"==(\S+)", done.stdout)
    return found[1] if found else ""


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--pythons", default="3.11,3.12,3.13,3.14")
    pythons = parser.parse_args(arguments).pythons.split(",")
    best: dict[str, list[str]] = {}
    with ThreadPoolExecutor(4) as several:
        for name, system in SYSTEMS.items():
            for python in pythons:
                try:
                    here = list(several.map(partial(version_for, system=system, python=python), COMPILED))
                except LookupError as missing:
                    sys.exit(str(missing))
                usual = best.setdefault(python, here)  # Linux comes first
                less = [
                    f"no {package}" if not found else f"{package} no newer than {found}"
                    for package, found, other in zip(COMPILED, here, usual, strict=True)
                    if not found or found != other
                ]
                print(f"{name:22} {python:5} {', '.join(less) or 'all'}", flush=True)


if __name__ == "__main__":
    main()
