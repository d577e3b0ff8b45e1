"""The tools as a scripted client meets them, over pipes; messages in the shapes of the protocol.

The Model Context Protocol, revision 2025-06-18, and the error codes of JSON-RPC 2.0, both from memory.
"""

import base64
import importlib
import json
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
from tests.once import EXAMPLES, make_plan, read, read_score

from understave.acoustics.midi_bytes import midi_bytes
from understave.cli import main
from understave.cli.tools import TOOLS, answered
from understave.export.schemas import schema
from understave.interpretation.perform import perform
from understave.theory.convention_choices import in_force

STUDY = Path(__file__).resolve().parents[2] / "examples" / "lock-water" / "score.musicxml"


def ask(method, **params):
    return answered(json.dumps({"jsonrpc": "2.0", "id": 7, "method": method, "params": params}))


def call(name, **values):
    return ask("tools/call", name=name, arguments=values)["result"]


def test_a_conversation_over_pipes_has_one_message_a_line(tmp_path):
    messages = [
        {"jsonrpc": "2.0", "id": 1, "method": "initialize",
         "params": {"protocolVersion": "2025-06-18", "capabilities": {},
                    "clientInfo": {"name": "t", "version": "1"}}},
        {"jsonrpc": "2.0", "method": "notifications/initialized"},
        {"jsonrpc": "2.0", "id": "two", "method": "tools/list"},
        {"jsonrpc": "2.0", "id": 3, "method": "tools/call",
         "params": {"name": "read_score", "arguments": {"score": str(STUDY), "bars": "1-4"}}},
        {"jsonrpc": "2.0", "id": 4, "method": "ping"},
    ]  # fmt: skip
    given = "".join(json.dumps(m) + "\n" for m in messages)
    run = [sys.executable, "-P", "-m", "understave", "serve-tools"]
    done = subprocess.run(run, input=given, capture_output=True, text=True, cwd=tmp_path, check=True)
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    assert [a["id"] for a in answers] == [1, "two", 3, 4]
    assert all(a["jsonrpc"] == "2.0" and "error" not in a for a in answers)
    assert answers[0]["result"]["protocolVersion"] == "2025-06-18"
    assert answers[0]["result"]["serverInfo"]["name"] == "understave"
    assert "tools" in answers[0]["result"]["capabilities"]
    for tool in answers[1]["result"]["tools"]:
        jsonschema.Draft202012Validator.check_schema(tool["inputSchema"])
        assert tool["annotations"]["readOnlyHint"] is True
    jsonschema.validate(json.loads(answers[2]["result"]["content"][0]["text"]), schema("reading"))
    assert answers[3]["result"] == {}
    assert not list(tmp_path.iterdir())


def test_stories_and_pictures_come_as_content():
    told = call("explain_score", score=str(STUDY), bars="1-8", language="de")
    jsonschema.validate(json.loads(told["content"][0]["text"]), schema("story"))
    picture = call("excerpt", score=str(STUDY), bars="1")["content"][0]
    assert (picture["type"], picture["mimeType"]) == ("image", "image/png")
    assert base64.b64decode(picture["data"]).startswith(b"\x89PNG\r\n")


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("read_score", {"score": "there is none"}),
        ("read_score", {}),
        ("read_score", {"score": str(STUDY), "bars": "99"}),
        ("read_score", {"score": 5}),
        ("read_score", {"score": "-"}),
        ("read_score", {"score": str(STUDY), "out": "/tmp/x"}),
        ("explain_score", {"score": str(STUDY), "level": "genius"}),
        ("search", {"index": "there is none", "device": "cadence"}),
        ("search", {"index": "there is none", "limit": True}),
    ],
)
def test_what_a_tool_refuses_is_one_sentence(name, values):
    refused = call(name, **values)
    assert refused["isError"] is True
    said = refused["content"][0]["text"]
    assert said.endswith(".")
    assert "\n" not in said


def test_a_folder_of_nobody_is_no_fault_of_ours():
    assert "no file" in call("read_score", score="~nobody-of-this-name/song.abc")["content"][0]["text"]


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("{", -32700),
        ("[" * 100_000, -32700),
        ("[]", -32600),
        ('{"id": 1, "method": "ping"}', -32600),
        ('{"jsonrpc": "2.0", "id": true, "method": "ping"}', -32600),
        ('{"jsonrpc": "2.0", "id": 1, "method": "resources/write"}', -32601),
        ('{"jsonrpc": "2.0", "id": 1, "method": "tools/call", "params": {"name": "correct"}}', -32602),
        ('{"jsonrpc": "2.0", "id": 1, "method": "tools/call", "params": []}', -32602),
    ],
)
def test_what_is_no_request_gets_its_code(line, code):
    assert answered(line)["error"]["code"] == code


def test_notifications_get_no_answer():
    assert answered('{"jsonrpc": "2.0", "method": "notifications/cancelled", "params": {}}') is None


def test_no_tool_writes():
    assert set(TOOLS) == {"read_score", "explain_score", "excerpt", "search"}


def test_what_is_told_and_engraved_is_written_about_its_piece(monkeypatch, tmp_path):
    """As ``explain`` and ``excerpt`` do it: the mode of the home key, F minor by our own analysis."""
    seen = []

    def watched(module, name):
        function = getattr(importlib.import_module(module), name)

        def called(*given, **named):
            seen.append((name, in_force()[1]))
            return function(*given, **named)

        monkeypatch.setattr(f"{module}.{name}", called)

    watched("understave.wording", "tell")
    watched("understave.export.lilypond", "lilypond")
    watched("understave.takes.paper", "take_pdf")
    piece = EXAMPLES / "chain-ferry" / "score.musicxml"
    call("explain_score", score=str(piece), bars="1-4")
    out = ["--bars", "1-4", "--out", str(tmp_path / "a.ly")]
    assert main(["excerpt", str(piece), *out]) == 0
    score = read_score(piece)
    (tmp_path / "a.mid").write_bytes(midi_bytes(perform(score, make_plan(score, read(score)))))
    assert main(["take", str(piece), str(tmp_path / "a.mid"), "--picture", str(tmp_path / "a.pdf")]) == 0
    assert seen == [("tell", "minor"), ("lilypond", "minor"), ("take_pdf", "minor")]
