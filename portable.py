"""Build a folder that runs Understave on a computer without Python, for the system that this runs on.

    python portable.py [--out FOLDER] [--wheel FILE] [--zip]

The folder holds this Python (its program, standard library and the libraries beside it that are not the
system's own), Understave with every package that it needs as pip takes them from the index, and a command
to start it: ``understave`` on Linux and macOS, ``understave.cmd`` on Windows. It may be moved; nothing
outside of it is read or changed. On Linux it runs where the C library is as new as here or newer. It was
built and tried on Linux only; what it does on macOS and Windows has never been run.

    python portable.py --wheels PLATFORM [--out FOLDER]

For a system that is not at hand: a folder of wheels for it and a command that makes an environment of them
without the network, from a Python 3.12 that must be installed there. It is no more than that: the index
carries no Python as a package.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import sysconfig
from collections.abc import Iterable, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent
WINDOWS = sys.platform == "win32"
_LEFT_OUT = (
    "test",
    "tests",
    "idlelib",
    "tkinter",
    "turtledemo",
    "lib2to3",
    "ensurepip",
    "__pycache__",
    "site-packages",
)
"""Folders of the standard library that no command needs."""
PLATFORMS = {
    "linux-x86_64": ("manylinux_2_28_x86_64", "manylinux_2_27_x86_64", "manylinux2014_x86_64"),
    "linux-aarch64": ("manylinux_2_28_aarch64", "manylinux_2_27_aarch64", "manylinux2014_aarch64"),
    "macos-arm64": tuple(f"macosx_{v}_0_{a}" for v in (14, 13, 12, 11) for a in ("arm64", "universal2")),
    "windows-x86_64": ("win_amd64",),
}
"""Wheel tags by system (Python Packaging User Guide, "Platform compatibility tags")."""
_FOR = "3.12"
"""The Python that folders of wheels are for: all that we need has wheels for it."""
_SYSTEM = re.compile(
    r"/(ld-linux|libc|libm|libdl|libpthread|librt|libutil|libresolv|libnsl|libanl)[-.][^/]*$"
)
"""The C library and its parts, which belong to the system (they work together with its kernel and loader)."""

_START_SH = """\
#!/bin/sh
# Starts Understave with the Python of this folder, whatever is installed elsewhere.
me=$0
if [ -h "$me" ]; then me=$(readlink -f -- "$me"); fi
here=$(CDPATH= cd -- "${me%/*}" && pwd) || exit 70
unset PYTHONPATH PYTHONSTARTUP
export PYTHONHOME="$here/python" PYTHONNOUSERSITE=1
export LD_LIBRARY_PATH="$here/python/lib${LD_LIBRARY_PATH:+:$LD_LIBRARY_PATH}"
exec "$here/python/bin/python3" -P -m understave "$@"
"""
_START_CMD = """\
@echo off
rem Starts Understave with the Python of this folder, whatever is installed elsewhere.
setlocal
set "PYTHONPATH="
set "PYTHONNOUSERSITE=1"
set "PYTHONHOME=%~dp0python"
"%~dp0python\\python.exe" -P -m understave %*
exit /b %ERRORLEVEL%
"""
_INSTALL_SH = """\
#!/bin/sh
# Needs Python {version}. Makes ./environment of the wheels here, without the network.
here=$(CDPATH= cd -- "${0%/*}" && pwd) || exit 70
new="$here/environment"
python{version} -m venv "$new" &&
  "$new/bin/python" -m pip install --quiet --no-index --find-links "$here/wheels" understave &&
  echo "Start it with $new/bin/understave"
"""
_INSTALL_CMD = """\
@echo off
rem Needs Python {version}. Makes .\\environment of the wheels here, without the network.
setlocal
set "new=%~dp0environment"
py -{version} -m venv "%new%" || exit /b 1
set pip="%new%\\Scripts\\python.exe" -m pip
%pip% install --quiet --no-index --find-links "%~dp0wheels" understave || exit /b 1
echo Start it with %new%\\Scripts\\understave.exe
"""


def build(out: Path, wheel: str) -> None:
    """Make the folder; it must not be there yet."""
    out.mkdir(parents=True)
    home = out / "python"
    if WINDOWS or sys.platform == "darwin":
        _copied(Path(sys.base_prefix), home)
    else:
        _copy_linux(home)
    packages = home / ("Lib/site-packages" if WINDOWS else f"lib/{_library().name}/site-packages")
    packages.mkdir(parents=True, exist_ok=True)
    _pip(
        "install",
        "--no-compile",
        "--only-binary=:all:",
        "--no-binary=understave",
        "--target",
        str(packages),
        wheel,
    )
    shutil.rmtree(packages / "bin", ignore_errors=True)  # its scripts name this computer's Python
    if sys.platform == "linux":
        _copy_libraries(home)
    _write(out / ("understave.cmd" if WINDOWS else "understave"), _START_CMD if WINDOWS else _START_SH)


def _library() -> Path:
    return Path(sysconfig.get_path("stdlib"))


def _copied(source: Path, target: Path) -> None:
    shutil.copytree(
        source, target, ignore=shutil.ignore_patterns(*_LEFT_OUT), symlinks=sys.platform == "darwin"
    )


def _copy_linux(home: Path) -> None:
    """Copy the program and the standard library."""
    (home / "bin").mkdir(parents=True)
    shutil.copy2(Path(sys._base_executable).resolve(), home / "bin" / "python3")  # type: ignore[attr-defined]
    _copied(_library(), home / "lib" / _library().name)


def _copy_libraries(home: Path) -> None:
    """Copy what the program and all packages load from elsewhere on this computer, but for the C library."""
    inside = home.resolve()
    needed = {
        library
        for loaded in (home / "bin" / "python3", *(home / "lib").rglob("*.so*"))
        for library in _libraries(loaded)
        if inside not in library.resolve().parents
    }
    for library in needed:
        shutil.copy2(library.resolve(), home / "lib" / library.name)


def _libraries(file: Path) -> Iterable[Path]:
    there = {**os.environ, "LD_LIBRARY_PATH": str(sysconfig.get_config_var("LIBDIR") or "")}
    said = subprocess.run(["ldd", str(file)], capture_output=True, text=True, env=there).stdout
    for path in re.findall(r"=> (/.+) \(0x", said):
        if not _SYSTEM.search(path):
            yield Path(path)


def wheels(out: Path, platform: str, wheel: str) -> None:
    """Make a folder of wheels for another system, and the command that installs them there."""
    tags = [option for tag in PLATFORMS[platform] for option in ("--platform", tag)]
    out.mkdir(parents=True)
    chosen = ("--only-binary=:all:", "--python-version", _FOR, "--implementation", "cp", *tags)
    _pip("download", "--dest", str(out / "wheels"), *chosen, wheel)
    windows = platform.startswith("windows")
    text = _INSTALL_CMD if windows else _INSTALL_SH
    _write(out / ("install.cmd" if windows else "install.sh"), text.format(version=_FOR))


def _pip(*arguments: str) -> None:
    subprocess.run(
        [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check", *arguments], check=True
    )


def _write(path: Path, text: str) -> None:
    # Windows reads a batch file with either line end but for labels; CR LF is the one it writes.
    path.write_text(text, encoding="ascii", newline="\r\n" if path.suffix == ".cmd" else "\n")
    path.chmod(0o755)


def main(arguments: Sequence[str] | None = None) -> int:
    """Build one folder and say where it lies and how large it is."""
    reader = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    reader.add_argument("--out", type=Path, help="a folder that is not there yet (default: in dist)")
    reader.add_argument("--wheel", default=str(ROOT), help="the wheel of Understave (default: this checkout)")
    reader.add_argument(
        "--wheels", choices=sorted(PLATFORMS), metavar="PLATFORM", help=", ".join(sorted(PLATFORMS))
    )
    reader.add_argument("--zip", action="store_true", help="pack it too, as .zip on Windows, else as .tar.gz")
    options = reader.parse_args(arguments)
    system = options.wheels or f"{sysconfig.get_platform()}"
    kind = "wheels" if options.wheels else "portable"
    out = options.out or ROOT / "dist" / f"understave-{kind}-{system}"
    if out.exists():
        print(f"{out} is there already; remove it or choose another --out.", file=sys.stderr)
        return 2
    try:
        if options.wheels:
            wheels(out, options.wheels, options.wheel)
        else:
            build(out, options.wheel)
    except subprocess.CalledProcessError as error:
        print(f"pip could not provide the packages (it ended with {error.returncode}).", file=sys.stderr)
        shutil.rmtree(out, ignore_errors=True)
        return 1
    size = sum(p.stat().st_size for p in out.rglob("*") if p.is_file() and not p.is_symlink()) / 1e6
    print(f"{out}: {size:.0f} MB")
    if options.zip:
        form = "zip" if system.startswith("win") else "gztar"
        print(shutil.make_archive(str(out), form, out.parent, out.name))
    return 0


if __name__ == "__main__":
    sys.exit(main())
