"""Who may ask what: host, origin and password are checked before any page is made, headers are put on after.

A page of another site can make this person's browser ask us things. It cannot read the answers, cannot know
the token that every change carries, and gets nothing under a host name that is not ours.
"""

from __future__ import annotations

import base64
import binascii
import hmac
import ipaddress
import secrets
from collections.abc import Collection
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


def is_loopback(address: str) -> bool:
    """Whether only this machine can reach a server on the address."""
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


class ChangeToken:
    """A secret that our own forms carry and a page of another site cannot know."""

    def __init__(self) -> None:
        self.text = secrets.token_urlsafe(32)

    def fits(self, offered: str) -> bool:
        """Whether it is the one, compared in constant time."""
        return hmac.compare_digest(offered.encode(), self.text.encode())


class Guard:
    """Stands before the application.

    Parameters
    ----------
    application : ASGIApp
    hosts : collection of str or None
        Host names under which the page may be asked for; None for any, where a password is asked instead.
    password : str or None
    """

    def __init__(
        self, application: ASGIApp, *, hosts: Collection[str] | None, password: str | None = None
    ) -> None:
        self._application = application
        self._hosts = None if hosts is None else frozenset(hosts)
        self._password = password

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

        refusal = self._refusal(scope["method"], Headers(scope=scope))
        await (refusal or self._application)(scope, receive, send_with_headers)

    def _refusal(self, method: str, headers: Headers) -> PlainTextResponse | None:
        if method not in {"GET", "HEAD", "POST"}:
            return PlainTextResponse("Only reading and our own forms are taken.", 405)
        hosts = headers.getlist("host")
        host = _host_of(hosts[0]) if len(hosts) == 1 else None
        if host is None or (self._hosts is not None and host not in self._hosts):
            return PlainTextResponse("The page is not asked for under this name; use the address shown.", 421)
        if self._password is not None and not self._knows_password(headers.get("authorization", "")):
            challenge = {"www-authenticate": 'Basic realm="Midwatch review", charset="UTF-8"'}
            return PlainTextResponse("A password is needed; any user name will do.", 401, challenge)
        if method == "POST" and not _comes_from_here(headers, hosts[0]):
            return PlainTextResponse("A change is taken from our own pages only.", 403)
        return None

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
