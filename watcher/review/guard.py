"""Who may ask what: host, origin and password are checked before any page is made, headers are put on after.

A page of another site can make this person's browser ask us things. It cannot read the answers, cannot know
the token that every change carries, and gets nothing under a host name that is not ours.
"""

from __future__ import annotations

import base64
import binascii
import hmac
import ipaddress
import math
import secrets
import time
from collections.abc import Callable, Collection
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "::1"})
SECURITY_HEADERS = {
    # Our own files alone; no script or style within a page, no frame around it (W3C, CSP Level 3).
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; media-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not "no-referrer": under that a browser sends its own forms with the origin "null" (WHATWG, Fetch).
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


class ChangeToken:
    """A secret that our own forms carry and a page of another site cannot know."""

    def __init__(self) -> None:
        self.text = secrets.token_urlsafe(32)

    def fits(self, offered: str) -> bool:
        """Whether it is the one, compared in constant time."""
        return hmac.compare_digest(offered.encode(), self.text.encode())


class WrongGuesses:
    """Makes whoever guesses a password wait: three wrong ones are free, then 1 s, 2 s, 4 s up to 5 minutes.

    While somebody waits, the right password is not taken from there either: a guess that is not looked at
    tells nothing. At 5 minutes a guess, a million guesses take nine years.

    Parameters
    ----------
    now_s : callable
        Seconds of a clock that never steps.
    """

    FREE = 3
    LONGEST_WAIT_S = 300.0
    MOST_REMEMBERED = 4096

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._of: dict[str, tuple[int, float]] = {}

    def wait_s(self, source: str) -> float:
        """How long an address must still wait, seconds; 0 where it need not."""
        _, until_s = self._of.get(_network_of(source), (0, 0.0))
        return max(0.0, until_s - self._now_s())

    def wrong(self, source: str) -> None:
        """Another wrong one came from an address."""
        source = _network_of(source)
        count = self._of.pop(source, (0, 0.0))[0] + 1
        beyond = count - self.FREE - 1
        wait_s = 0.0 if beyond < 0 else min(self.LONGEST_WAIT_S, 2.0 ** min(beyond, 16))
        self._of[source] = (count, self._now_s() + wait_s)
        if len(self._of) > self.MOST_REMEMBERED:
            del self._of[next(iter(self._of))]  # whoever has been silent longest

    def right(self, source: str) -> None:
        """The right one came from an address; what went before is forgotten."""
        self._of.pop(_network_of(source), None)


def _network_of(source: str) -> str:
    """An address of IP version 6 stands for its network: a single machine has all of it (RFC 4291, 2.5.4)."""
    try:
        address = ipaddress.ip_address(source.partition("%")[0])
    except ValueError:
        return source
    if address.version == 4:
        return source
    return str(ipaddress.ip_network((int(address), 64), strict=False))


class Guard:
    """Stands before the application.

    Parameters
    ----------
    application : ASGIApp
    hosts : collection of str or None
        Host names under which the page may be asked for; None for any, where a password is asked instead.
    password : str or None
    guesses : WrongGuesses or None
        Counts the wrong passwords.
    """

    def __init__(
        self,
        application: ASGIApp,
        *,
        hosts: Collection[str] | None,
        password: str | None = None,
        guesses: WrongGuesses | None = None,
    ) -> None:
        self._application = application
        self._hosts = None if hosts is None else frozenset(hosts)
        self._password = password
        self._guesses = guesses or WrongGuesses()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "websocket":
                return  # closed by the server; there is nothing here to speak to
            await self._application(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in SECURITY_HEADERS.items():
                    headers[name] = value
                if "cache-control" not in headers:
                    headers["cache-control"] = "no-store"
            await send(message)

        client = scope.get("client") or ("", 0)
        refusal = self._refusal(scope["method"], Headers(scope=scope), str(client[0]))
        await (refusal or self._application)(scope, receive, send_with_headers)

    def _refusal(self, method: str, headers: Headers, source: str) -> PlainTextResponse | None:
        if method not in {"GET", "HEAD", "POST"}:
            return PlainTextResponse("Only reading and our own forms are taken.", 405)
        hosts = headers.getlist("host")
        host = _host_of(hosts[0]) if len(hosts) == 1 else None
        if host is None or (self._hosts is not None and host not in self._hosts):
            return PlainTextResponse("The page is not asked for under this name; use the address shown.", 421)
        if self._password is not None and (stranger := self._stranger(headers.get("authorization"), source)):
            return stranger
        if method == "POST" and not _comes_from_here(headers, hosts[0]):
            return PlainTextResponse("A change is taken from our own pages only.", 403)
        return None

    def _stranger(self, offered: str | None, source: str) -> PlainTextResponse | None:
        """The answer to whoever does not give the password; None for whoever does."""
        if offered is not None:
            if wait_s := self._guesses.wait_s(source):
                wait = {"retry-after": str(math.ceil(wait_s))}
                return PlainTextResponse("Too many wrong passwords came from here; wait a while.", 429, wait)
            if self._knows_password(offered):
                self._guesses.right(source)
                return None
            self._guesses.wrong(source)
        challenge = {"www-authenticate": 'Basic realm="Midwatch review", charset="UTF-8"'}
        return PlainTextResponse("A password is needed; any user name will do.", 401, challenge)

    def _knows_password(self, offered: str) -> bool:
        scheme, _, encoded = offered.partition(" ")
        if scheme.lower() != "basic" or self._password is None:
            return False
        try:
            _, _, password = base64.b64decode(encoded, validate=True).partition(b":")
        except (binascii.Error, ValueError):
            return False
        return hmac.compare_digest(password, self._password.encode())


def _comes_from_here(headers: Headers, host: str) -> bool:
    origin = headers.get("origin")
    if origin is not None:
        try:
            return urlsplit(origin).netloc.lower() == host.lower()
        except ValueError:
            return False
    return headers.get("sec-fetch-site", "same-origin") == "same-origin"


def _host_of(header: str) -> str | None:
    """The name or address of a Host header, without its port."""
    try:
        parts = urlsplit(f"//{header}")
        _ = parts.port  # refused where it is no number
    except ValueError:
        return None
    if parts.username is not None or parts.path or parts.query or parts.fragment:
        return None
    return parts.hostname
