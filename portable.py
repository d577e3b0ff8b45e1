"""Build a folder that runs Understave on a computer without Python, for the system that this runs on.

    python portable.py [--out FOLDER] [--wheel FILE] [--zip]

The folder holds this Python (its program, standard library and the libraries beside it that are not the
system's own), Understave with every package that it needs as pip takes them from the index, and a command
to start it: ``understave`` on Linux and macOS, ``understave.cmd`` on Windows. It may be moved; nothing
outside of it is read or changed. On Linux it runs where the C library is as new as here or newer. It was
built and tried on Linux only; what it does on macOS and Windows has never been run.

    python portable.py --wheels PLATFORM [--python 3.12] [--out FOLDER]

For a system that is not at hand: a folder with every wheel that Understave needs there, the installer uv for
that system (from its wheel), and a command that makes an environment of them at its first start. It takes a
Python that is installed there or else has uv fetch one from those who publish it, once; nothing else comes
over the network. The package index carries no Python that we would hand on: that is why it is fetched. What
the wheels ask for there is worked out with that system's own markers, and the folder is only kept if nothing
is missing.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from email.parser import HeaderParser
from pathlib import Path

# Every environment that pip runs in has these; `packaging` by itself need not be there.
from pip._vendor.packaging.requirements import Requirement
from pip._vendor.packaging.utils import canonicalize_name, parse_wheel_filename

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
    # The oldest system first: a wheel for it runs on newer ones too.
    "macos-arm64": tuple(f"macosx_{v}_0_{a}" for v in (11, 12, 13, 14) for a in ("arm64", "universal2")),
    "macos-x86_64": tuple(
        f"macosx_{v}_{a}"
        for v in ("10_9", "10_13", "10_14", "10_15", "11_0", "12_0", "13_0", "14_0")
        for a in ("x86_64", "universal2")
    ),
    "windows-x86_64": ("win_amd64",),
}
"""Wheel tags by system (Python Packaging User Guide, "Platform compatibility tags")."""
_FOR = "3.12"
"""The Python that folders of wheels are for unless another is asked: all that we need has wheels for it."""
_ROUNDS = 5
"""How often what a round of wheels asks for in turn is looked for; two did for all systems."""
_SYSTEM = re.compile(
    r"/(ld-linux|libc|libm|libdl|libpthread|librt|libutil|libresolv|libnsl|libanl)[-.][^/]*$"
)
"""The C library and its parts, which belong to the system (they work together with its kernel and loader)."""

_HERE_SH = """\
#!/bin/sh
# Starts Understave with the Python of this folder, whatever is installed elsewhere.
me=$0
if [ -h "$me" ]; then me=$(readlink -f -- "$me"); fi
here=$(CDPATH= cd -- "${me%/*}" && pwd) || exit 70
unset PYTHONHOME PYTHONPATH PYTHONSTARTUP
export PYTHONNOUSERSITE=1
"""
_START_SH = (
    _HERE_SH
    + """\
export PYTHONHOME="$here/python"
export LD_LIBRARY_PATH="$here/python/lib${LD_LIBRARY_PATH:+:$LD_LIBRARY_PATH}"
exec "$here/python/bin/python3" -P -m understave "$@"
"""
)
_FIRST_SH = (
    _HERE_SH
    + """\
# At first, and after this folder was moved, it makes ./environment of the wheels here.
new="$here/environment"
if [ "$(cat "$new/ready" 2>/dev/null)" != "$here" ]; then
  echo "Setting up; this is done once." >&2
  # Python, if one has to be fetched, comes into this folder too.
  export UV_NO_CONFIG=1 UV_NO_CACHE=1 UV_PYTHON_INSTALL_DIR="$here/python"
  "$here/uv" --quiet venv --clear --python @PYTHON@ "$new" &&
    "$here/uv" --quiet pip install --python "$new" --no-index --find-links "$here/wheels" understave &&
    printf '%s\\n' "$here" >"$new/ready" || exit 1
fi
exec "$new/bin/python" -P -m understave "$@"
"""
)
_HERE_CMD = """\
@echo off
rem Starts Understave with the Python of this folder, whatever is installed elsewhere.
setlocal
set "here=%~dp0"
set "PYTHONHOME="
set "PYTHONPATH="
set "PYTHONSTARTUP="
set "PYTHONNOUSERSITE=1"
"""
_START_CMD = (
    _HERE_CMD
    + """\
set "PYTHONHOME=%here%python"
"%here%python\\python.exe" -P -m understave %*
exit /b %ERRORLEVEL%
"""
)
_FIRST_CMD = (
    _HERE_CMD
    + """\
rem At first, and after this folder was moved, it makes .\\environment of the wheels.
set "new=%here%environment"
set "was="
if exist "%new%\\ready" set /p was=<"%new%\\ready"
if "%was%"=="%here%" goto start
echo Setting up; this is done once. 1>&2
rem Python, if one has to be fetched, comes into this folder too.
set "UV_NO_CONFIG=1"
set "UV_NO_CACHE=1"
set "UV_PYTHON_INSTALL_DIR=%here%python"
set uv="%here%uv.exe" --quiet
%uv% venv --clear --python @PYTHON@ "%new%" || exit /b 1
%uv% pip install --python "%new%" --no-index --find-links "%here%wheels" understave || exit /b 1
>"%new%\\ready" echo %here%
:start
"%new%\\Scripts\\python.exe" -P -m understave %*
exit /b %ERRORLEVEL%
"""
)


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


def wheels(out: Path, platform: str, wheel: str, version: str = _FOR) -> None:
    """Make a folder of wheels for another system, and the command that sets it up there and starts it.

    Raises LookupError where something that is needed there is missing.
    """
    tags = [option for tag in PLATFORMS[platform] for option in ("--platform", tag)]
    chosen = ("--only-binary=:all:", "--python-version", version, "--implementation", "cp", *tags)
    folder = out / "wheels"
    folder.mkdir(parents=True)
    _pip("download", "--dest", str(folder), *chosen, wheel)
    for _ in range(_ROUNDS):
        # pip works out what a wheel asks for with the markers of the system that it runs on.
        missing = missing_wheels(folder, markers_of(platform, version))
        if not missing:
            break
        _pip("download", "--dest", str(folder), *chosen, *missing)
    else:
        raise LookupError(", ".join(missing))
    needed = _needed(folder, markers_of(platform, version))
    for other in folder.glob("*.whl"):
        if parse_wheel_filename(other.name)[0] not in needed:
            other.unlink()
    windows = platform.startswith("windows")
    _pip("download", "--no-deps", "--dest", str(out / "uv-wheel"), *chosen, "uv")
    _take_program(out / "uv-wheel", out / ("uv.exe" if windows else "uv"))
    _write(out / ("understave.cmd" if windows else "understave"), first_start(windows, version))


def first_start(windows: bool, version: str) -> str:
    """Return the command that sets a folder of wheels up where that is still to do, and starts it."""
    return (_FIRST_CMD if windows else _FIRST_SH).replace("@PYTHON@", version)


def _take_program(folder: Path, program: Path) -> None:
    """Take a program out of the only wheel in a folder, and the folder away."""
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        (name,) = (n for n in packed.namelist() if n.endswith(f".data/scripts/{program.name}"))
        program.write_bytes(packed.read(name))
    program.chmod(0o755)
    shutil.rmtree(folder)


def markers_of(platform: str, version: str) -> dict[str, str]:
    """Return the environment markers of a system (PyPA specifications, "Dependency specifiers")."""
    system, machine = platform.split("-")
    name, platform_name = {"linux": ("posix", "linux"), "macos": ("posix", "darwin")}.get(
        system, ("nt", "win32")
    )
    return {
        "os_name": name,
        "sys_platform": platform_name,
        "platform_system": {"linux": "Linux", "macos": "Darwin"}.get(system, "Windows"),
        "platform_machine": "AMD64" if name == "nt" else machine,
        "python_version": version,
        "python_full_version": f"{version}.0",
        "implementation_name": "cpython",
        "platform_python_implementation": "CPython",
    }


def _needed(folder: Path, markers: Mapping[str, str]) -> dict[str, list[Requirement]]:
    """What Understave and the wheels in a folder ask for there, by package, itself included."""
    asked: dict[str, list[Requirement]] = {}
    waiting = [Requirement("understave")]
    seen = set()
    while waiting:
        wanted = waiting.pop()
        if str(wanted) in seen:
            continue
        seen.add(str(wanted))
        name = canonicalize_name(wanted.name)
        asked.setdefault(name, []).append(wanted)
        for wheel in folder.glob("*.whl"):
            if parse_wheel_filename(wheel.name)[0] != name:
                continue
            for line in _required_by(wheel):
                other = Requirement(line)
                extras = wanted.extras or {""}
                if other.marker is None or any(
                    other.marker.evaluate({**markers, "extra": e}) for e in extras
                ):
                    other.marker = None
                    waiting.append(other)
    return asked


def _required_by(wheel: Path) -> list[str]:
    with zipfile.ZipFile(wheel) as packed:
        (name,) = (n for n in packed.namelist() if n.count("/") == 1 and n.endswith(".dist-info/METADATA"))
        return HeaderParser().parsestr(packed.read(name).decode()).get_all("Requires-Dist") or []


def missing_wheels(folder: Path, markers: Mapping[str, str]) -> list[str]:
    """Return what Understave would ask for on a system and does not find in a folder of wheels."""
    there = [parse_wheel_filename(wheel.name)[:2] for wheel in folder.glob("*.whl")]
    return sorted(
        str(wanted)
        for name, asked in _needed(folder, markers).items()
        for wanted in asked
        if not any(found == name and wanted.specifier.contains(v, prereleases=True) for found, v in there)
    )


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
    reader.add_argument("--python", default=_FOR, help=f"the Python that --wheels are for (default: {_FOR})")
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
            wheels(out, options.wheels, options.wheel, options.python)
        else:
            build(out, options.wheel)
    except subprocess.CalledProcessError as error:
        print(f"pip could not provide the packages (it ended with {error.returncode}).", file=sys.stderr)
        shutil.rmtree(out, ignore_errors=True)
        return 1
    except LookupError as missing:
        print(f"The index has no wheels of {missing} for {system}.", file=sys.stderr)
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
