"""The door: refuses a foreign Host and a peer that is not the named proxy, and puts safe headers on every answer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from reports.serve_access import Access

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
)


def host_of(header: str) -> str:
    """A Host header without its port.

    >>> host_of("127.0.0.1:8080"), host_of("[::1]:8080"), host_of("Van.Example")
    ('127.0.0.1', '[::1]', 'van.example')
    """
    header = header.strip().lower()
    if header.startswith("["):
        return header.split("]", 1)[0] + "]"
    return header.split(":", 1)[0]


class Door:
    """Stands before the application."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self.app = app
        self.access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, or refuse it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        refused = self._refused(scope)
        if refused is not None:
            from starlette.responses import PlainTextResponse

            status, text = refused
            await PlainTextResponse(text + "\n", status)(scope, receive, _with_headers(send))
            return
        await self.app(scope, receive, _with_headers(send))

    def _refused(self, scope: Scope) -> tuple[int, str] | None:
        hosts = [value.decode("latin-1") for name, value in scope["headers"] if name == b"host"]
        if len(hosts) != 1 or host_of(hosts[0]) not in self.access.hosts:
            return 400, "Unknown host name. Start the page with --host-name NAME to let it answer to NAME."
        peer = (scope.get("client") or ("",))[0]
        if self.access.proxy is not None and peer != self.access.proxy:
            return 403, "Only the named proxy may ask."
        return None


def _with_headers(send: Send) -> Send:
    async def wrapped(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {name.lower() for name, _ in message["headers"]}
            message["headers"] = [*message["headers"], *(pair for pair in HEADERS if pair[0] not in given)]
            if b"cache-control" not in given:
                message["headers"].append((b"cache-control", b"no-store"))
        await send(message)

    return wrapped
