"""Stands before the page's server: nothing is fetched from elsewhere, by the server or the browser."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, MutableMapping
    from typing import Any

    Message = MutableMapping[str, Any]
    Receive = Callable[[], Awaitable[Message]]
    Send = Callable[[Message], Awaitable[None]]
    Server = Callable[[Message, Receive, Send], Awaitable[None]]

OWN_ONLY = (
    b"default-src 'self' data: blob: 'unsafe-inline' 'unsafe-eval'; "
    b"base-uri 'self'; form-action 'self'; frame-ancestors 'self'"
)
"""Tells the browser to load from and send to this server only. Source: W3C, Content Security Policy
Level 3. The toolkit's page is made of inline scripts, which is why those are allowed."""

REFUSED = b"This page fetches nothing from elsewhere."


class OwnOnly:
    """An ASGI application around the page's server.

    The toolkit's route for files would also fetch a web address that is given instead of a path;
    such requests are refused here.
    """

    def __init__(self, app: Server) -> None:
        self._app = app

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Refuse web addresses in the path, and put the rule for the browser on every answer."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        if asks_for_elsewhere(str(scope.get("path", ""))):
            await send({"type": "http.response.start", "status": 403, "headers": []})
            await send({"type": "http.response.body", "body": REFUSED})
            return

        async def send_with_rule(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = [*message.get("headers", []), (b"content-security-policy", OWN_ONLY)]
                message = {**message, "headers": headers}
            await send(message)

        await self._app(scope, receive, send_with_rule)


def asks_for_elsewhere(path: str) -> bool:
    """Tell whether a request's path asks for a file by a web address."""
    _, marker, wanted = path.partition("file=")
    scheme = wanted.lstrip("/\\ ").lower()
    return bool(marker) and scheme.startswith(("http:", "https:", "ftp:"))
