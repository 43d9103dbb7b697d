"""Who may ask: the browser that the page was opened in, and nobody else.

The server listens on the loopback interface alone. The address that is opened holds a token which
counts once: it is exchanged for a cookie. Names of other hosts (DNS rebinding) and requests that
another site's page makes (cross-site request forgery) are refused; RFC 6454 names the origin.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from http import HTTPStatus

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from otdravg.words.catalogue import Language, say

COOKIE = "otdravg"
#: Everything comes from this server, nothing may be framed by others (W3C CSP Level 3).
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; frame-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'self'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}
_SAFE = ("GET", "HEAD")


def _secret() -> str:
    return secrets.token_urlsafe(32)


class Keys:
    """The token of the address, until it is used, and what the cookie holds afterwards."""

    def __init__(self) -> None:
        self.token: str | None = _secret()
        self.session = _secret()

    def redeem(self, token: str) -> bool:
        """Use the token up; false if it is not the one, or was used."""
        fits = self.token is not None and secrets.compare_digest(
            token.encode(), self.token.encode()
        )
        if fits:
            self.token = None
        return fits

    def knows(self, cookie: str | None) -> bool:
        """Tell whether a browser has been let in."""
        return cookie is not None and secrets.compare_digest(cookie.encode(), self.session.encode())


class Guard:
    """Pass on what comes from the page itself; refuse the rest.

    Parameters
    ----------
    app : ASGI application
    keys : Keys
    port : int
        Where the server listens.
    spoken : callable
        Returns the language of the page.
    """

    def __init__(self, app: ASGIApp, keys: Keys, port: int, spoken: Callable[[], Language]) -> None:
        self._app, self._keys, self._spoken = app, keys, spoken
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request (ASGI 3)."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        answer = self._refusal(request)
        if isinstance(answer, str):
            why = say("page", answer, self._spoken())
            answer = PlainTextResponse(f"{why}\n", HTTPStatus.FORBIDDEN, headers=HEADERS)
        if answer is not None:
            await answer(scope, receive, send)
            return
        await self._app(scope, receive, _with_headers(send))

    def _refusal(self, request: Request) -> Response | str | None:
        """Return why a request is refused, or where it is sent; None if it is passed on."""
        host = request.headers.get("host", "")
        if host not in self._hosts:
            return "other-address"
        origin = request.headers.get("origin")
        if origin is not None and origin != f"http://{host}":
            return "other-site"
        if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return "other-site"
        if request.method not in _SAFE and origin is None:
            return "no-origin"
        if self._keys.knows(request.cookies.get(COOKIE)):
            return None
        if request.url.path == "/" and self._keys.redeem(request.query_params.get("token", "")):
            answer = RedirectResponse("/", HTTPStatus.SEE_OTHER, headers=HEADERS)
            answer.set_cookie(COOKIE, self._keys.session, httponly=True, samesite="strict")
            return answer
        return "used-address"


def _with_headers(send: Send) -> Send:
    """Add the page's headers to every answer that has none of its own."""

    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, text in HEADERS.items():
                headers.setdefault(name, text)
        await send(message)

    return with_headers
