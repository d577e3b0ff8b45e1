"""The command ``serve-tools``: reading, explaining, excerpts and search for an assistant.

The Model Context Protocol, revision 2025-06-18 (from memory), on its stdio transport: one JSON-RPC 2.0
message a line, on standard output nothing else. All tools only read; none writes a file, so there is
nothing to confirm. What a tool refuses is one sentence with ``isError``; what is no request of the protocol
gets an error of JSON-RPC.
"""

from __future__ import annotations

import argparse
import base64
import contextlib
import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

from rich.console import Console

from understave import __version__
from understave.cli.arguments import chosen
from understave.cli.sources import bars_named, read_source, stretch_named
from understave.disk import typed_path
from understave.errors import UnderstaveError
from understave.faults import fault_sentence, keep_fault

REVISIONS = ("2025-06-18", "2025-03-26", "2024-11-05")
"""Revisions of the protocol whose shapes of these messages are the same; the first is what we offer."""
_PARSE, _REQUEST, _METHOD, _PARAMETERS = -32700, -32600, -32601, -32602
"""Error codes of JSON-RPC 2.0, section 5.1."""
_LONGEST = 10_000_000
"""Characters of a line at most; a request is a few hundred."""

Values = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Tool:
    """A tool: what it does, its arguments as JSON Schema properties, which must be given, and the call."""

    name: str
    description: str
    properties: Mapping[str, Mapping[str, Any]]
    required: tuple[str, ...]
    call: Callable[[Values], list[Values]]

    @property
    def shown(self) -> Values:
        """The tool as ``tools/list`` shows it."""
        return {
            "name": self.name,
            "description": self.description,
            "inputSchema": {
                "type": "object",
                "properties": dict(self.properties),
                "required": list(self.required),
                "additionalProperties": False,
            },
            "annotations": {"readOnlyHint": True, "openWorldHint": False},
        }


class ProtocolError(UnderstaveError):
    """A message that gets an error of JSON-RPC: its code and a sentence."""

    def __init__(self, code: int, said: str) -> None:
        super().__init__(said)
        self.code = code


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``serve-tools`` to the commands."""
    serve = commands.add_parser(
        "serve-tools", help="let an assistant read, explain, excerpt and search (Model Context Protocol)"
    )
    serve.set_defaults(run=_serve)


def _serve(arguments: argparse.Namespace, console: Console) -> int:
    out = sys.stdout
    # Whatever else prints goes beside the protocol.
    with contextlib.redirect_stdout(sys.stderr):
        serve(sys.stdin, out)
    return 0


def serve(source: TextIO, out: TextIO) -> None:
    """Answer every line of `source` until it ends."""
    while line := source.readline(_LONGEST):
        answer = answered(line) if line.strip() else None
        if answer is not None:
            out.write(json.dumps(answer) + "\n")
            out.flush()


def answered(line: str) -> Values | None:
    """Return the response to one message; None for notifications, which get none."""
    try:
        message = json.loads(line)
    except (ValueError, RecursionError):
        return _error(None, _PARSE, "This is not JSON; send one message a line.")
    if not isinstance(message, dict) or message.get("jsonrpc") != "2.0":
        return _error(None, _REQUEST, "This is no JSON-RPC 2.0 request.")
    if "method" not in message:  # a response; we ask for nothing
        return None
    number, method = message.get("id"), message["method"]
    if "id" not in message:
        return None
    if isinstance(number, bool) or not isinstance(number, str | int):
        return _error(None, _REQUEST, "The id of a request is a text or a whole number.")
    given = message.get("params", {})
    try:
        if not isinstance(given, dict):
            raise ProtocolError(_PARAMETERS, "params must be an object.")
        return {"jsonrpc": "2.0", "id": number, "result": _result(str(method), given)}
    except ProtocolError as refused:
        return _error(number, refused.code, str(refused))


def _error(number: str | int | None, code: int, said: str) -> Values:
    return {"jsonrpc": "2.0", "id": number, "error": {"code": code, "message": said}}


def _result(method: str, given: Values) -> Values:
    if method == "initialize":
        asked = given.get("protocolVersion")
        return {
            "protocolVersion": asked if asked in REVISIONS else REVISIONS[0],
            "capabilities": {"tools": {"listChanged": False}},
            "serverInfo": {"name": "understave", "version": __version__},
            "instructions": "Give paths of scores or lesson folders on this computer. Nothing is written.",
        }
    if method == "ping":
        return {}
    if method == "tools/list":
        return {"tools": [tool.shown for tool in TOOLS.values()]}
    if method == "tools/call":
        return _called(given)
    raise ProtocolError(_METHOD, f"There is no method {method[:80]!r} here.")


def _called(given: Values) -> Values:
    tool = TOOLS.get(str(given.get("name")))
    if tool is None:
        raise ProtocolError(_PARAMETERS, f"There is no tool {str(given.get('name'))[:80]!r}; see tools/list.")
    values = given.get("arguments", {})
    if not isinstance(values, dict):
        raise ProtocolError(_PARAMETERS, "arguments must be an object.")
    try:
        _check(tool, values)
        return {"content": tool.call(values), "isError": False}
    except UnderstaveError as error:
        said = str(error)
    except Exception as error:
        said = fault_sentence(error, keep_fault(error, f"serve-tools {tool.name}"))
    return {"content": [_text(said)], "isError": True}


def _check(tool: Tool, values: Values) -> None:
    """Raise UnderstaveError for an argument that is missing, unknown or of the wrong type."""
    for name in tool.required:
        if name not in values:
            raise UnderstaveError(f"{tool.name} needs {name}; give it.")
    for name, value in values.items():
        if name not in tool.properties:
            raise UnderstaveError(f"{tool.name} has no argument {name[:80]!r}; see tools/list.")
        kind = tool.properties[name]["type"]
        if (kind == "string") != isinstance(value, str) or (kind == "integer" and type(value) is not int):
            raise UnderstaveError(f"{name} of {tool.name} must be of type {kind}.")


def _text(said: str) -> Values:
    return {"type": "text", "text": said}


def _path(values: Values, name: str = "score") -> Path:
    if values[name] == "-":
        raise UnderstaveError("Standard input is taken by the protocol; give the path of a score.")
    return typed_path(values[name])


def _read(values: Values) -> list[Values]:
    from understave.export.reading_data import reading_json

    score, reading = read_source(_path(values), values.get("bars"))
    return [_text(reading_json(score, reading, stretch_named(score, values.get("bars"))))]


def _explain(values: Values) -> list[Values]:
    from understave.export.story_data import story_json
    from understave.interpretation.written_about import writing_about
    from understave.wording import LEVELS, SPOKEN, tell

    level = chosen(values.get("level", "intermediate"), LEVELS, "level")
    language = chosen(values.get("language", "en"), SPOKEN, "language")
    score, reading = read_source(_path(values), values.get("bars"))
    with writing_about(reading):
        told = tell(score, reading, level, language, stretch_named(score, values.get("bars")))
        return [_text(story_json(score, told, level, language))]


def _excerpt(values: Values) -> list[Values]:
    from understave.engraving import excerpt, to_png
    from understave.interpretation.written_about import writing_about

    score, reading = read_source(_path(values), values["bars"])
    first, last = bars_named(score, values["bars"])
    with writing_about(reading):
        picture = to_png(excerpt(score, reading, first.index, last.index), 1200)
    data = base64.b64encode(picture).decode("ascii")
    return [{"type": "image", "data": data, "mimeType": "image/png"}]


def _search(values: Values) -> list[Values]:
    from understave.repertoire import Question, ask, connect
    from understave.repertoire.indexing import FOLDER_NAME
    from understave.repertoire.places_data import places_json

    folder = _path(values, "index")
    inside = folder / FOLDER_NAME
    limit = values.get("limit", 20)
    if not 1 <= limit <= 200:
        raise UnderstaveError("limit must lie between 1 and 200.")
    question = Question(
        device=values.get("device", ""),
        progression=values.get("chords", ""),
        bass=values.get("bass", ""),
        limit=limit,
    )
    with connect(inside if inside.is_dir() else folder) as db:
        return [_text(places_json(ask(db, question)))]


def _string(description: str) -> Values:
    return {"type": "string", "description": description}


_SCORE = _string(
    "Path of a score file (MusicXML, MEI, Humdrum, ABC, MIDI, a PDF that a notation program made, "
    "pages as PNG, JPEG or TIFF) or of a lesson folder."
)
_BARS = _string("Bars as printed, such as 12 or 9-16.")
TOOLS = {
    tool.name: tool
    for tool in (
        Tool(
            "read_score",
            "Read every chord, key and event of a score, with confidence, alternatives and notes, as JSON.",
            {"score": _SCORE, "bars": _BARS},
            ("score",),
            _read,
        ),
        Tool(
            "explain_score",
            "Tell in sentences what happens in a score; only what its notes bear out.",
            {
                "score": _SCORE,
                "bars": _BARS,
                "level": _string("beginner, intermediate or advanced"),
                "language": _string("en, de or fr"),
            },
            ("score",),
            _explain,
        ),
        Tool(
            "excerpt",
            "Engrave some bars with the harmony below the staves, as a PNG picture.",
            {"score": _SCORE, "bars": _BARS},
            ("score", "bars"),
            _excerpt,
        ),
        Tool(
            "search",
            "Find a device, a progression or a bass line in a folder that 'understave index' has read.",
            {
                "index": _string("Path of the indexed folder."),
                "device": _string("Such as: Neapolitan sixth in minor."),
                "chords": _string("A progression in any key, such as: ii ? V I."),
                "bass": _string("Degrees of a bass line, such as: 1 b7 b6 5."),
                "limit": {"type": "integer", "description": "Places at most (20 if not given)."},
            },
            ("index",),
            _search,
        ),
    )
}
