"""Folders for people without Python: nothing that their system asks for is left out, and they start."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

pytest.importorskip(
    "pip._vendor.packaging", reason="this environment has no pip, which portable.py builds with"
)
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import portable


def wheel(folder, name, *requires, version="1.0"):
    with zipfile.ZipFile(folder / f"{name}-{version}-py3-none-any.whl", "w") as packed:
        head = f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n"
        lines = "".join(f"Requires-Dist: {line}\n" for line in requires)
        packed.writestr(f"{name}-{version}.dist-info/METADATA", head + lines)


@pytest.mark.parametrize(
    ("platform", "version", "missing"),
    [
        # Environment markers: PyPA specifications, "Dependency specifiers".
        ("linux-x86_64", "3.12", ["deep>=2"]),
        ("windows-x86_64", "3.12", ["deep>=2", "terminal"]),
        ("macos-arm64", "3.12", ["deep>=2", "silicon"]),
        ("macos-x86_64", "3.12", ["deep>=2"]),
        ("linux-x86_64", "3.11", ["deep>=2", "older"]),
    ],
)
def test_what_is_asked_for_there_and_not_here_is_missed(tmp_path, platform, version, missing):
    wheel(
        tmp_path,
        "understave",
        "middle[more]",
        'terminal; platform_system == "Windows"',
        'silicon; sys_platform == "darwin" and platform_machine == "arm64"',
        'older; python_version < "3.12"',
        'never; extra == "film"',
    )
    wheel(tmp_path, "middle", 'deep>=2; extra == "more"', 'others; extra == "less"')
    wheel(tmp_path, "deep", version="1.9")
    assert portable.missing_wheels(tmp_path, portable.markers_of(platform, version)) == missing
    wheel(tmp_path, "deep", version="2.0")
    rest = portable.missing_wheels(tmp_path, portable.markers_of(platform, version))
    assert rest == missing[1:]


FAKE_UV = """\
#!/bin/sh
echo "$@" >>"$(dirname "$0")/asked"
case "$2" in venv) for last; do :; done; mkdir -p "$last/bin"
printf '#!/bin/sh\\necho started "$@" $PYTHONPATH$PYTHONHOME\\n' >"$last/bin/python"
chmod +x "$last/bin/python";; esac
"""


@pytest.mark.skipif(os.name == "nt", reason="this is the start for Linux and macOS")
def test_the_folder_is_set_up_once_and_again_where_it_was_moved(tmp_path):
    folder = tmp_path / "a folder"
    folder.mkdir()
    for name, text in (("uv", FAKE_UV), ("understave", portable.first_start(False, "3.12"))):
        portable._write(folder / name, text)

    def start(where):
        strange = {**os.environ, "PYTHONPATH": "/elsewhere", "PYTHONHOME": "/elsewhere"}
        done = subprocess.run(
            [where / "understave", "show", "a b"], capture_output=True, text=True, env=strange
        )
        assert (done.returncode, done.stdout) == (0, "started -P -m understave show a b\n")
        return done.stderr, (where / "asked").read_text().count("venv --clear --python 3.12")

    assert start(folder) == ("Setting up; this is done once.\n", 1)
    assert start(folder) == ("", 1)
    link = tmp_path / "bin" / "understave"
    link.parent.mkdir()
    link.symlink_to(folder / "understave")
    assert subprocess.run([link], capture_output=True, text=True).stdout == "started -P -m understave\n"
    assert start(folder) == ("", 1)
    moved = folder.rename(tmp_path / "else where")
    assert start(moved) == ("Setting up; this is done once.\n", 2)
    # Where setting up fails, the next start tries again.
    (moved / "environment" / "ready").unlink()
    portable._write(moved / "uv", "#!/bin/sh\nexit 3\n")
    assert subprocess.run([moved / "understave"], capture_output=True).returncode == 1
    assert not (moved / "environment" / "ready").exists()
