"""Let in who may look, and say to browsers what a page may do.

Law: every answer passes here. A Host header must name an address, this machine or a name that was given: a page from
elsewhere that makes its own name point here (DNS rebinding) is refused, for such a name is none of these. The token is
compared in constant time, is moved from the address into a cookie at once, and is in no log.

SameSite=Lax: a link in a message must open the page; nothing can be commanded, so nothing can be forged.
"""

import hmac
import ipaddress
from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, quote, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "vatvigil"
QUERY = "token"
KEPT_S = 90 * 86_400
"""How long a browser keeps the cookie: longer than most batches. Common practice, no source."""
OURS = "x-vatvigil"
"""Header by which the page knows answers of ours from those of anything between."""
# https://www.w3.org/TR/CSP3/; https://cheatsheetseries.owasp.org/cheatsheets/HTTP_Headers_Cheat_Sheet.html
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
    OURS: "page",
}
_WHO = """<!doctype html><html lang="en"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="dark light"><title>vatvigil: who is there?</title>
<main id="main"><h1>Who is there?</h1><p>This page wants the address with its token. On the machine of the watch,
<code>vatvigil page --print-address</code> prints it.</p></main></html>"""


class Guard:
    """Wraps an application (ASGI)."""

    def __init__(self, app: ASGIApp, *, names: Iterable[str], token: str) -> None:
        """Guard an app; `names`: by which it may be called beside addresses; `token`: empty: who is here may look."""
        self._app = app
        self._names = frozenset(name.lower().rstrip(".") for name in (*names, "localhost"))
        self._token = token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        answer = self._refusal(scope) if scope["type"] == "http" else None
        await (answer or self._app)(scope, receive, sent)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if not self._is_our_name(headers.getlist("host")):
            return PlainTextResponse("This page is not served by that name: `vatvigil page --name` allows one.\n", 421)
        if not self._token or self._is_token(_cookie(headers.get("cookie", ""))):
            return None
        query = parse_qsl(scope["query_string"].decode("latin-1"))
        if any(name == QUERY and self._is_token(value) for name, value in query):
            return self._with_cookie(scope["path"], [(name, value) for name, value in query if name != QUERY])
        return HTMLResponse(_WHO, 401)

    def _is_our_name(self, hosts: list[str]) -> bool:
        if len(hosts) != 1:
            return False
        name = _without_port(hosts[0]).lower().rstrip(".")
        if name in self._names:
            return True
        try:
            return bool(ipaddress.ip_address(name))
        except ValueError:
            return False

    def _is_token(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), self._token.encode())

    def _with_cookie(self, path: str, query: list[tuple[str, str]]) -> Response:
        """Send the browser to the same page, with the token in a cookie: an address is kept, shown and passed on."""
        where = f"/{quote(path.lstrip('/'))}" + (f"?{urlencode(query)}" if query else "")
        answer = Response(status_code=303, headers={"Location": where})
        answer.set_cookie(COOKIE, self._token, max_age=KEPT_S, httponly=True, samesite="lax")
        return answer


def _without_port(host: str) -> str:
    if host.startswith("["):  # an address of IPv6
        return host[1:].partition("]")[0]
    return host.partition(":")[0]


def _cookie(header: str) -> str:
    try:
        found = SimpleCookie(header).get(COOKIE)
    except CookieError:
        return ""
    return "" if found is None else found.value
