"""Completion as the shells themselves give it; every option of the parser is in every script."""

import re
import shutil
import subprocess

import pytest

from understave.cli import main
from understave.cli.completion import SHELLS, commands_of, script
from understave.cli.program import parser


def completed_by_bash(words, tmp_path):
    """What bash offers for the last of the words."""
    path = tmp_path / "completion.bash"
    path.write_text(script("bash", parser()))
    line = " ".join(f"'{w}'" for w in words)
    asked = (
        f"source {path}; COMP_WORDS=({line}); COMP_CWORD={len(words) - 1}; _understave; "
        'printf "%s\\n" "${COMPREPLY[@]}"'
    )
    done = subprocess.run(["bash", "-c", asked], capture_output=True, text=True, check=True)
    return done.stdout.split()


@pytest.mark.skipif(not shutil.which("bash"), reason="bash is not installed")
@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (["understave", "ex"], ["explain", "excerpt", "export"]),
        (["understave", "show", "score.mxl", "--b"], ["--bars"]),
        (
            ["understave", "sound", "score.mxl", "--instrument", ""],
            ["concert-grand", "upright", "early-piano", "sampled-piano"],
        ),
        (["understave", "explain", "--level", "b"], ["beginner"]),
        (["understave", "completion", "p"], ["powershell"]),
        (["understave", "find", "folder", "--count", "k"], ["keys"]),
        (["understave", "show", "--bars", ""], []),
        (["understave", "unheard-of", "--b"], []),
    ],
)
def test_bash_completes(words, offered, tmp_path):
    assert completed_by_bash(words, tmp_path) == offered


@pytest.mark.skipif(not shutil.which("fish"), reason="fish is not installed")
@pytest.mark.parametrize(
    ("line", "offered"),
    [
        ("understave ex", {"explain", "excerpt", "export"}),
        ("understave show x --b", {"--bars"}),
        ("understave sound x --instrument ", {"concert-grand", "upright", "early-piano", "sampled-piano"}),
        ("understave completion p", {"powershell"}),
    ],
)
def test_fish_completes(line, offered, tmp_path):
    path = tmp_path / "understave.fish"
    path.write_text(script("fish", parser()))
    asked = f"source {path}; complete -C '{line}'"
    done = subprocess.run(["fish", "-c", asked], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert {said.split("\t")[0] for said in done.stdout.splitlines()} == offered


@pytest.mark.skipif(not shutil.which("zsh"), reason="zsh is not installed")
def test_zsh_takes_the_script_and_binds_it(tmp_path):
    path = tmp_path / "_understave"
    path.write_text(script("zsh", parser()))
    asked = f"autoload -U compinit; compinit -u -d {tmp_path}/dump; source {path}; print $_comps[understave]"
    done = subprocess.run(["zsh", "-f", "-c", asked], capture_output=True, text=True)
    assert (done.stdout.strip(), done.stderr) == ("_understave", "")
    subprocess.run(["zsh", "-n", str(path)], check=True)


@pytest.mark.parametrize("shell", SHELLS)
def test_every_command_option_and_value_is_there(shell, capsys):
    assert main(["completion", shell]) == 0
    text = capsys.readouterr().out
    for command in commands_of(parser()):
        assert re.search(rf"\b{command.name}\b", text)
        for option in command.options:
            long = option.names[-1]
            assert (f"-l {long[2:]}" if shell == "fish" else long) in text
            assert all(value in text for value in option.values)


def test_an_apostrophe_in_a_help_stays_one():
    """As a typographic one, which ends no string in bash, zsh and fish; in PowerShell it would."""
    helps = {command.name: command.help for command in commands_of(parser())}
    assert helps["explain"].startswith("tell a score’s story")
    assert "’" not in script("powershell", parser())


def test_quotes_and_brackets_pair_in_the_powershell_script():
    """No PowerShell can be had from Debian or the Python index: strings and brackets are counted instead."""
    depth, pairs = [], {")": "(", "}": "{", "]": "["}
    for line in script("powershell", parser()).splitlines():
        if line.startswith("#"):
            continue
        bare = re.sub(r"'[^']*'|\"[^\"]*\"", "", line)
        assert "'" not in bare
        assert '"' not in bare
        for sign in bare:
            if sign in "({[":
                depth.append(sign)
            elif sign in pairs:
                assert depth.pop() == pairs[sign]
    assert not depth
