"""Who may speak to the desk: an ASGI layer around it.

It listens on 127.0.0.1 only, which keeps other machines out. This layer keeps other pages in the teacher's
browser out: a name that was made to point here (DNS rebinding) shows in the Host header, a foreign page in
the Origin and Sec-Fetch-Site headers (Fetch standard, WHATWG; W3C Fetch Metadata), and neither knows the
token, which is new at every start and travels in a header that no form and no link can send.
"""

from __future__ import annotations

import hmac
import json
from collections.abc import Mapping

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from understave.errors import DeskError

TOKEN_HEADER = b"x-understave-token"
LARGEST_UPLOAD = 20 * 1024 * 1024
LARGEST_SCORE = 128 * 1024 * 1024
LARGEST_MESSAGE = 256 * 1024
LARGEST_VOICE = 64 * 1024 * 1024
"""Ten minutes as they are recorded: one channel, 16 bits, 48,000 samples a second."""
LARGEST_TAKE = 512 * 1024 * 1024
"""A film of twenty minutes from a telephone."""
_LIMITS = {
    "/api/import": LARGEST_SCORE,
    "/api/results": LARGEST_UPLOAD,
    "/api/voice": LARGEST_VOICE,
    "/api/takes": LARGEST_TAKE,
    "/api/takes/record": LARGEST_UPLOAD,
}
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
    "media-src blob: data:; connect-src 'self'; frame-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
SHOWN_POLICY = (
    "sandbox allow-scripts allow-modals; default-src 'none'; script-src 'unsafe-inline'; "
    "style-src 'unsafe-inline'; img-src data:; media-src data: blob:; frame-ancestors 'self'"
)
"""For what was exported: its scripts run, but as a stranger who can ask the desk for nothing."""


class Guard:
    """Let through what comes from the desk's own page; answer everything else with one sentence."""

    def __init__(self, app: ASGIApp, token: str, port: int) -> None:
        self.app = app
        self.token = token.encode()
        self.hosts = {f"127.0.0.1:{port}".encode(), f"localhost:{port}".encode()}
        self.origins = {b"http://" + host for host in self.hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Judge one request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        headers: Mapping[bytes, bytes] = dict(scope["headers"])
        path: str = scope["path"]
        refused = self._refused(scope, headers, path)
        if refused:
            await _answer(send, *refused)
            return
        policy = SHOWN_POLICY if path.startswith("/shown/") else POLICY

        async def sealed(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [
                    *message.get("headers", []),
                    (b"content-security-policy", policy.encode()),
                    (b"x-content-type-options", b"nosniff"),
                    (b"referrer-policy", b"no-referrer"),
                    (b"cross-origin-resource-policy", b"same-origin"),
                    (b"cross-origin-opener-policy", b"same-origin"),
                    (b"cache-control", b"no-store"),
                ]
            await send(message)

        limit = _limit(path)
        read = 0

        async def limited() -> Message:
            nonlocal read
            message = await receive()
            read += len(message.get("body", b""))
            if read > limit:
                raise TooLargeError(_too_large(limit))
            return message

        await self.app(scope, limited, sealed)

    def _refused(self, scope: Scope, headers: Mapping[bytes, bytes], path: str) -> tuple[int, str] | None:
        hosts = [value for name, value in scope["headers"] if name == b"host"]
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            return 421, "The desk answers only under the address it was started with."
        origin = headers.get(b"origin")
        if origin is not None and origin not in self.origins and not path.startswith("/shown/"):
            return 403, "Another page asked; the desk answers only its own."
        site = headers.get(b"sec-fetch-site")
        # The private file that leads here counts as another site; an empty page by itself tells nothing.
        led_here = path == "/" and headers.get(b"sec-fetch-mode") == b"navigate" and origin is None
        if site not in (None, b"same-origin", b"none") and not path.startswith("/shown/") and not led_here:
            return 403, "Another page asked; the desk answers only its own."
        if path.startswith("/api/"):
            if scope["method"] not in ("GET", "HEAD") and origin is None:
                return 403, "A change must say from which page it comes."
            if not hmac.compare_digest(headers.get(TOKEN_HEADER, b""), self.token):
                return 401, "This page belongs to an earlier start of the desk; open the address it printed."
        try:
            length = int(headers.get(b"content-length", b"0"))
        except ValueError:
            return 400, "The length of the message is not a number."
        if length > _limit(path):
            return 413, _too_large(_limit(path))
        return None


def _limit(path: str) -> int:
    """Return how many bytes may be sent to an address."""
    return _LIMITS.get(path, LARGEST_MESSAGE)


def _too_large(limit: int) -> str:
    size = f"{limit >> 20} MiB" if limit >> 20 else f"{limit >> 10} KiB"
    return f"That is larger than the {size} that may be sent."


class TooLargeError(DeskError):
    """More was sent than was announced or allowed."""


async def _answer(send: Send, status: int, sentence: str) -> None:
    body = json.dumps({"error": sentence}).encode()
    headers = [(b"content-type", b"application/json"), (b"connection", b"close")]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
