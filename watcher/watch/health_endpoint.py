"""The figures of health over HTTP, for monitors on this computer: `GET /metrics`, and nothing else.

It listens on the loopback address alone. Off unless the plan names a port.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, HTTPServer

from watcher.watch.health import CONTENT_TYPE

LOOPBACK = "127.0.0.1"
LONGEST_REQUEST_S = 5.0  # somebody who connects and says nothing is let go after this


class HealthEndpoint:
    """Answers on a port of this computer until it is closed.

    Parameters
    ----------
    port : int
        0 takes any free one.
    text : callable
        What to answer, asked at each request from a thread of its own.

    Notes
    -----
    Where the port cannot be had, `problem` says so in one sentence and nothing listens; the watch goes on.
    """

    def __init__(self, port: int, text: Callable[[], str]) -> None:
        self.problem: str | None = None
        self.port = port
        self._server: _Server | None = None
        try:
            self._server = _Server(port, text)
        except OSError as failure:
            self.problem = (
                f"health_port {port} cannot be listened on ({failure.strerror}); "
                "give another one, or end the program that has it"
            )
            return
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, name="health", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Answer no more; may be called twice."""
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None


class _Server(HTTPServer):
    def __init__(self, port: int, text: Callable[[], str]) -> None:
        self.text = text
        super().__init__((LOOPBACK, port), _Answer)

    def server_bind(self) -> None:
        # Without the look-up of the host's name that HTTPServer makes: it may wait for a network.
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.socket.bind(self.server_address)
        self.server_address = self.socket.getsockname()
        self.server_name, self.server_port = LOOPBACK, self.server_address[1]

    def handle_error(self, request: object, client_address: object) -> None:
        """Somebody who hangs up in the middle is no trouble of the watch."""


class _Answer(BaseHTTPRequestHandler):
    server: _Server
    timeout = LONGEST_REQUEST_S
    server_version, sys_version = "midwatch", ""

    def do_GET(self) -> None:
        if self.path.partition("?")[0] != "/metrics":
            self.send_error(404, "Only /metrics is here")
            return
        content = self.server.text().encode()
        self.send_response(200)
        self.send_header("Content-Type", CONTENT_TYPE)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, format: str, *args: object) -> None:
        """Requests are not logged: a monitor asks every few seconds."""
