"""Who is let in: names that were made to point here, foreign pages, wrong tokens, paths, sizes.

The headers are those a browser sends: Fetch (WHATWG) for Origin, W3C Fetch Metadata for Sec-Fetch-Site; what
DNS rebinding looks like is common knowledge of the trade (Jackson et al., "Protecting browsers from DNS
rebinding attacks", 2007): the foreign name stands in Host.
"""

from __future__ import annotations

import asyncio

import httpx
import pytest
from tests.desk.desk_lesson import OWN, PORT, app_for, desk_in

from understave.desk.app import inside
from understave.desk.guard import LARGEST_MESSAGE, LARGEST_SCORE, LARGEST_VOICE
from understave.media.teacher_voice import MOST_SECONDS


def ask(tmp_path, path, method="GET", headers=OWN, **more):
    desk, lesson = desk_in(tmp_path)

    async def once():
        async with httpx.AsyncClient(
            transport=httpx.ASGITransport(app_for(desk)), base_url=f"http://127.0.0.1:{PORT}"
        ) as client:
            request = client.build_request(method, path, headers=headers, **more)
            if "host" not in headers:
                del request.headers["host"]
            answer = await client.send(request)
            await lesson.close()
            return answer

    return asyncio.run(once())


def without(*names):
    return {k: v for k, v in OWN.items() if k not in names}


def test_the_desk_s_own_page_is_answered(tmp_path):
    answer = ask(tmp_path, "/api/lesson")
    assert answer.status_code == 200
    assert answer.json()["title"]
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(
    "host",
    ["evil.example", f"evil.example:{PORT}", "127.0.0.1", f"127.0.0.1:{PORT + 1}", f"[::1]:{PORT}", ""],
)
@pytest.mark.parametrize("path", ["/", "/api/lesson", "/desk/desk.js"])
def test_a_foreign_host_is_refused(tmp_path, host, path):
    assert ask(tmp_path, path, headers={**OWN, "host": host}).status_code == 421


@pytest.mark.parametrize(
    "origin", ["http://evil.example", f"http://127.0.0.1:{PORT + 1}", f"https://127.0.0.1:{PORT}", "null"]
)
def test_a_foreign_origin_is_refused(tmp_path, origin):
    for method, path in (("GET", "/api/lesson"), ("POST", "/api/edit"), ("POST", "/api/import")):
        assert ask(tmp_path, path, method, {**OWN, "origin": origin}).status_code == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_a_foreign_site_is_refused_even_without_origin(tmp_path, site):
    headers = {**without("origin"), "sec-fetch-site": site}
    assert ask(tmp_path, "/api/lesson", headers=headers).status_code == 403
    assert ask(tmp_path, "/desk/desk.js", headers=headers).status_code == 403


@pytest.mark.parametrize(
    "token", [None, "", "a-token", OWN["x-understave-token"][:-1], OWN["x-understave-token"] + "x"]
)
def test_nothing_is_told_without_the_token(tmp_path, token):
    headers = without("x-understave-token") | ({} if token is None else {"x-understave-token": token})
    for method, path in (("GET", "/api/lesson"), ("GET", "/api/recent"), ("POST", "/api/edit")):
        assert ask(tmp_path, path, method, headers).status_code == 401


def test_a_change_must_say_where_it_comes_from(tmp_path):
    assert (
        ask(tmp_path, "/api/edit", "POST", without("origin"), json={"last": 0, "what": "undo"}).status_code
        == 403
    )


@pytest.mark.parametrize(
    "path",
    [
        "/desk/../app.py",
        "/desk/..%2fapp.py",
        "/desk/%2e%2e/app.py",
        "/viewer/....//model.js",
        "/viewer/..%5cdisk.py",
        "/harmony/engine.py",
        "/desk/desk.html",
        "/desk/app.py",
        "//etc/passwd",
    ],
)
def test_no_path_leaves_the_page_s_own_files(tmp_path, path):
    assert ask(tmp_path, path).status_code in (404, 405)


def test_exported_files_are_shown_only_under_the_ticket_and_only_from_the_folder(tmp_path):
    desk, lesson = desk_in(tmp_path)
    exports = lesson.folder.exports
    exports.mkdir()
    (exports / "student.pdf").write_bytes(b"%PDF-")
    (tmp_path / "secret.txt").write_text("secret")
    (exports / "link.txt").symlink_to(tmp_path / "secret.txt")
    (exports / "folder").symlink_to(tmp_path)

    async def several(paths):
        async with httpx.AsyncClient(
            transport=httpx.ASGITransport(app_for(desk)), base_url=f"http://127.0.0.1:{PORT}"
        ) as client:
            found = [await client.get(p, headers={"host": OWN["host"]}) for p in paths]
            await lesson.close()
            return found

    ticket = desk.ticket
    shown, *refused = asyncio.run(
        several(
            [
                f"/shown/{ticket}/student.pdf",
                "/shown/x/student.pdf",
                f"/shown/{ticket}/../lesson.toml",
                f"/shown/{ticket}/..%2flesson.toml",
                f"/shown/{ticket}/%2fetc%2fpasswd",
                f"/shown/{ticket}/link.txt",
                f"/shown/{ticket}/folder/secret.txt",
                f"/shown/{ticket}/",
                f"/shown/{ticket}/a%00b",
            ]
        )
    )
    assert shown.status_code == 200
    assert shown.content == b"%PDF-"
    assert "sandbox" in shown.headers["content-security-policy"]
    assert "allow-same-origin" not in shown.headers["content-security-policy"]
    assert [r.status_code for r in refused] == [404] * len(refused)
    assert b"secret" not in b"".join(r.content for r in refused)


def test_only_what_lies_inside_counts_as_inside(tmp_path):
    home = tmp_path / "home"
    home.mkdir()
    (home / "a.txt").write_text("a")
    (tmp_path / "home-too").mkdir()
    (tmp_path / "home-too" / "b.txt").write_text("b")
    assert inside(home, "a.txt") == (home / "a.txt").resolve()
    for name in ("../home-too/b.txt", "/etc/passwd", "", ".", "a.txt/..", "..\\x", "no.txt", "x\0"):
        assert inside(home, name) is None


def test_what_is_too_large_is_refused_announced_or_not(tmp_path):
    large = b"x" * (LARGEST_MESSAGE + 1)
    assert ask(tmp_path, "/api/edit", "POST", content=large).status_code == 413
    announced = {**OWN, "content-length": str(LARGEST_SCORE + 1)}
    assert ask(tmp_path / "b", "/api/import?name=a.mei", "POST", announced, content=b"").status_code == 413

    async def chunks():
        for _ in range(LARGEST_MESSAGE // 65_536 + 2):
            yield b"x" * 65_536

    assert ask(tmp_path / "c", "/api/edit", "POST", content=chunks()).status_code == 413


@pytest.mark.parametrize(
    "body",
    [b"", b"[]", b"{", b'{"last": "x"}', b'{"last": 0}', b'{"last": 0, "what": "label"}',
     b'{"last": 0, "what": "no such", "start": "0"}',
     b'{"last": 0, "what": "split", "start": "1/0", "at": "1"}',
     b'{"last": 0, "what": "label", "start": "zero", "text": "V"}', b"[" * 100_000],
)  # fmt: skip
def test_nonsense_gets_one_sentence(tmp_path, body):
    answer = ask(tmp_path, "/api/edit", "POST", content=body)
    assert answer.status_code == 400
    assert answer.json()["error"].endswith(".")


@pytest.mark.parametrize(
    "data", [b"", b"not music", b"<score-partwise><part></score-partwise>", b"PK\x03\x04broken"]
)
def test_a_bad_score_gets_one_sentence_and_leaves_nothing(tmp_path, data):
    answer = ask(tmp_path, "/api/import?name=..%2f..%2fevil.musicxml", "POST", content=data)
    assert answer.status_code == 422
    assert answer.json()["error"].count("\n") == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["lesson"]


def test_the_longest_recording_may_be_sent(tmp_path):
    """One channel, 16 bits, 48,000 samples a second: what browsers record at most."""
    assert MOST_SECONDS * 2 * 48_000 + 44 < LARGEST_VOICE
    longest = {**OWN, "content-length": str(LARGEST_VOICE)}
    assert ask(tmp_path, "/api/voice?stop=b1-half", "POST", longest, content=b"").status_code != 413
    answer = ask(
        tmp_path, "/api/voice", "POST", {**OWN, "content-length": str(LARGEST_VOICE + 1)}, content=b""
    )
    assert answer.status_code == 413
    assert answer.json()["error"] == "That is larger than the 64 MiB that may be sent."
