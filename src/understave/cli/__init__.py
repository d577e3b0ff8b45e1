"""The command line: a module for each group of commands, every command one call into the rooms."""

from understave.cli.program import main

__all__ = ["main"]
