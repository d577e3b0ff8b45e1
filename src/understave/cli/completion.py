"""The command ``completion``: what a shell completes, generated from the parser that reads the command line.

In: the parser. Out: a script for bash, zsh, fish or PowerShell. Commands, options and the values of options
are completed; everything else is a file or folder, as the shell completes them by itself.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rich.console import Console

from understave.cli.outputs import STANDARD, deliver

SHELLS = ("bash", "zsh", "fish", "powershell")


@dataclass(frozen=True, slots=True)
class Option:
    """An option: how it is written, what it does, whether a value follows, and which values there are."""

    names: tuple[str, ...]
    help: str
    takes_value: bool
    values: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Command:
    """A command: its name, what it does, its options, and the words that its arguments may be."""

    name: str
    help: str
    options: tuple[Option, ...]
    words: tuple[str, ...]


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``completion`` to the commands."""
    completion = commands.add_parser(
        "completion", help="write what lets your shell complete commands and options"
    )
    completion.add_argument("shell", choices=SHELLS, help=", ".join(SHELLS))
    completion.set_defaults(run=_completion)


def _completion(arguments: argparse.Namespace, console: Console) -> int:
    from understave.cli.program import parser

    deliver(STANDARD, script(arguments.shell, parser()))
    return 0


def script(shell: str, parser: argparse.ArgumentParser) -> str:
    """Return the completion script for one of `SHELLS`."""
    makers = {"bash": _bash, "zsh": _zsh, "fish": _fish, "powershell": _powershell}
    return makers[shell](commands_of(parser))


def commands_of(parser: argparse.ArgumentParser) -> tuple[Command, ...]:
    """Return what the parser knows, as plain values."""
    group = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    told = {a.dest: a.help or "" for a in group._choices_actions}
    named = _named_values()
    found = []
    for name, command in group.choices.items():
        options = tuple(
            Option(tuple(a.option_strings), _plain(a.help), a.nargs != 0, _values(a, named.get(a.dest, ())))
            for a in command._actions
            if a.option_strings
        )
        words = [v for a in command._actions if not a.option_strings for v in _values(a, ())]
        found.append(Command(name, _plain(told.get(name)), options, tuple(words)))
    return tuple(found)


def _named_values() -> dict[str, tuple[str, ...]]:
    """Return the values of options whose parser takes them by a function and not from a list."""
    from understave.acoustics.piano import instruments
    from understave.interpretation.pedal import STYLES
    from understave.media.clips import SHAPES
    from understave.wording import LEVELS, SPOKEN

    return {
        "level": LEVELS,
        "language": SPOKEN,
        "paper": ("A4", "Letter", "booklet"),
        "pedal": tuple(style.replace(" ", "-") for style in STYLES),
        "instrument": tuple(name.replace(" ", "-") for name in instruments()),
        "shape": tuple(SHAPES),
    }


def _values(action: argparse.Action, named: Sequence[str]) -> tuple[str, ...]:
    return tuple(str(c) for c in action.choices) if action.choices else tuple(named)


def _plain(text: str | None) -> str:
    """Return a help text in one line without the signs that a shell gives a meaning."""
    line = " ".join((text or "").split()).replace("%%", "%")
    line = re.sub(r"(?<=\w)'(?=\w)", "’", line)
    return "".join(c for c in line if c not in "'\"`$\\[]:")


def _bash(commands: Sequence[Command]) -> str:
    cases, values = [], []
    for c in commands:
        options = " ".join(n for option in c.options for n in option.names)
        cases.append(f'    {c.name}) options="{options}"; words="{" ".join(c.words)}" ;;')
        for option in c.options:
            if option.takes_value:
                pattern = "|".join(f"{c.name}:{n}" for n in option.names)
                reply = f'words="{" ".join(option.values)}"' if option.values else "words="
                values.append(f"    {pattern}) {reply}; value=1 ;;")
    lines = [
        "# Completion for bash: source this file, or put it where bash-completion looks for 'understave'.",
        "_understave() {",
        "  local word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD-1]}",
        '  local command="" options="" words="" value="" i',
        "  for ((i = 1; i < COMP_CWORD; i++)); do",
        '    case "${COMP_WORDS[i]}" in -*) ;; *) command=${COMP_WORDS[i]}; break ;; esac',
        "  done",
        "  COMPREPLY=()",
        '  if [ -z "$command" ]; then',
        f'    COMPREPLY=($(compgen -W "{" ".join(c.name for c in commands)} --help --version" -- "$word"))',
        "    return",
        "  fi",
        '  case "$command" in',
        *cases,
        "    *) return ;;",
        "  esac",
        '  case "$command:$before" in',
        *values,
        "  esac",
        '  if [ -n "$value" ]; then',
        '    [ -z "$words" ] && compopt -o default 2>/dev/null',
        '    [ -n "$words" ] && COMPREPLY=($(compgen -W "$words" -- "$word"))',
        "    return",
        "  fi",
        '  case "$word" in',
        '    -*) COMPREPLY=($(compgen -W "$options" -- "$word")) ;;',
        '    *) if [ -n "$words" ]; then COMPREPLY=($(compgen -W "$words" -- "$word"))',
        "       else compopt -o default 2>/dev/null; fi ;;",
        "  esac",
        "}",
        "complete -F _understave understave",
    ]
    return "\n".join(lines) + "\n"


def _zsh(commands: Sequence[Command]) -> str:
    named = " ".join(f"'{command.name}:{command.help}'" for command in commands)
    cases = []
    for command in commands:
        specs = []
        for option in command.options:
            for name in option.names:
                action = f":value:({' '.join(option.values)})" if option.values else ":value:_files"
                specs.append(f"'{name}[{option.help}]{action if option.takes_value else ''}'")
        rest = f"'*:value:({' '.join(command.words)})'" if command.words else "'*:file:_files'"
        cases.append(f"    {command.name}) _arguments {' '.join(specs)} {rest} ;;")
    lines = [
        "#compdef understave",
        "# Completion for zsh: save as '_understave' in a folder of $fpath, or source it after compinit.",
        "_understave() {",
        "  local -a commands",
        f"  commands=({named})",
        "  if (( CURRENT == 2 )); then",
        "    _describe 'command' commands",
        "    return",
        "  fi",
        "  local command=$words[2]",
        "  shift words",
        "  (( CURRENT-- ))",
        "  case $command in",
        *cases,
        "  esac",
        "}",
        '[ "$funcstack[1]" = "_understave" ] && _understave "$@" || compdef _understave understave',
    ]
    return "\n".join(lines) + "\n"


def _fish(commands: Sequence[Command]) -> str:
    start = "complete -c understave"
    lines = [
        "# Completion for fish: save as ~/.config/fish/completions/understave.fish.",
        f"{start} -n __fish_use_subcommand -l version -d 'show the version'",
    ]
    for command in commands:
        lines.append(f"{start} -f -n __fish_use_subcommand -a {command.name} -d '{command.help}'")
        here = f"-n '__fish_seen_subcommand_from {command.name}'"
        if command.words:
            lines.append(f"{start} -f {here} -a '{' '.join(command.words)}'")
        for option in command.options:
            names = " ".join(f"-l {n[2:]}" if n.startswith("--") else f"-s {n[1:]}" for n in option.names)
            value = ""
            if option.takes_value:
                value = f" -x -a '{' '.join(option.values)}'" if option.values else " -r"
            lines.append(f"{start} {here} {names}{value} -d '{option.help}'")
    return "\n".join(lines) + "\n"


def _powershell(commands: Sequence[Command]) -> str:
    def listed(words: Sequence[str]) -> str:
        return "@(" + ", ".join(f"'{w}'" for w in words) + ")"

    options, values, words = [], [], []
    for c in commands:
        options.append(f"    '{c.name}' = {listed([n for o in c.options for n in o.names])}")
        words.append(f"    '{c.name}' = {listed(c.words)}")
        for o in c.options:
            if o.takes_value:
                values += [f"    '{c.name} {n}' = {listed(o.values)}" for n in o.names]
    lines = [
        "# Completion for PowerShell: understave completion powershell | Out-String | Invoke-Expression",
        "Register-ArgumentCompleter -Native -CommandName understave -ScriptBlock {",
        "  param($word, $ast, $position)",
        f"  $commands = {listed([c.name for c in commands])}",
        "  $options = @{",
        *options,
        "  }",
        "  $words = @{",
        *words,
        "  }",
        "  $values = @{",
        *values,
        "  }",
        "  $typed = @($ast.CommandElements | Select-Object -Skip 1 | ForEach-Object { $_.ToString() })",
        "  if ($word -ne '' -and $typed.Count -gt 0) { $typed = @($typed | Select-Object -SkipLast 1) }",
        "  $command = @($typed | Where-Object { -not $_.StartsWith('-') })[0]",
        "  $before = if ($typed.Count -gt 0) { $typed[-1] } else { '' }",
        "  if (-not $command) { $offered = $commands }",
        '  elseif ($values.ContainsKey("$command $before")) { $offered = $values["$command $before"] }',
        "  elseif ($word.StartsWith('-')) { $offered = $options[$command] }",
        "  else { $offered = $words[$command] }",
        '  $offered | Where-Object { $_ -like "$word*" } | ForEach-Object {',
        "    [System.Management.Automation.CompletionResult]::new($_, $_, 'ParameterValue', $_)",
        "  }",
        "}",
    ]
    return "\n".join(lines) + "\n"
