"""A live session with its web server, in threads of this process, and clients that misbehave."""

from __future__ import annotations

import base64
import contextlib
import json
import socket
import threading
from urllib.parse import urlsplit

import pytest
from live_lab import WREN

pytest.importorskip("starlette", reason="needs starlette, of the extra 'web'")
pytest.importorskip("uvicorn", reason="needs uvicorn, of the extra 'web'")
websockets = pytest.importorskip("websockets.sync.client", reason="needs websockets, of 'web'")

from linkloss.live.driven import LiveSession  # noqa: E402
from linkloss.live.server import Site, bind  # noqa: E402
from linkloss.live.service import Running  # noqa: E402


class Bench:
    """Everything that ``linkloss live`` starts."""

    def __init__(self, folder, vehicle=WREN, **settings) -> None:
        self.running = Running(vehicle, lambda: LiveSession(vehicle, **settings), folder)
        self.site = Site(self.running, bind("127.0.0.1", 0))
        self.thread = threading.Thread(target=self.site.run, daemon=True)

    def __enter__(self):
        self.running.start()
        self.thread.start()
        ready = threading.Event()
        for _ in range(500):
            if self.site.started:
                return self
            ready.wait(0.01)
        raise AssertionError("the server did not start")

    def __exit__(self, *_):
        self.site.stop()
        self.thread.join(5)
        self.running.stop()
        self.site.socket.close()

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.site.port}"

    @property
    def live(self) -> LiveSession:
        return self.running._live

    def get(self, path="", *, token=None, method="GET", body=b"", **headers):
        """(status, headers, body) of a plain request."""
        token = self.site.gate.token if token is None else token
        headers = {"host": f"127.0.0.1:{self.site.port}", **headers}
        lines = [f"{method} /{token}/{path} HTTP/1.1", "connection: close"]
        lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
        return self.raw("\r\n".join([*lines, "", ""]).encode() + body)

    def raw(self, request: bytes):
        with self.socket() as made:
            with contextlib.suppress(OSError):
                made.sendall(request)
            answer = b""
            with contextlib.suppress(OSError):
                while piece := made.recv(65536):
                    answer += piece
        head, _, body = answer.partition(b"\r\n\r\n")
        first, *lines = head.decode("latin-1").split("\r\n")
        pairs = [line.partition(": ")[::2] for line in lines]
        status = int(first.split(" ")[1]) if first else 0
        return status, {name.lower(): value for name, value in pairs}, body

    def socket(self):
        return socket.create_connection(("127.0.0.1", self.site.port), timeout=5)

    def client(self, *, origin=None, token=None, **settings):
        token = self.site.gate.token if token is None else token
        address = f"ws://127.0.0.1:{self.site.port}/{token}/bus"
        origin = self.origin if origin is None else origin
        return websockets.connect(
            address, origin=origin or None, compression=None, open_timeout=5, proxy=None, **settings
        )

    def bare_websocket(self, receive_buffer=None):
        """A connection after its handshake, to be written to by hand."""
        made = socket.socket()
        made.settimeout(5)
        if receive_buffer is not None:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer)
        made.connect(("127.0.0.1", self.site.port))
        key = base64.b64encode(b"0123456789abcdef").decode()
        parts = urlsplit(self.site.address)
        made.sendall(
            f"GET {parts.path}bus HTTP/1.1\r\nHost: {parts.netloc}\r\nOrigin: {self.origin}\r\n"
            f"Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Key: {key}\r\n"
            "Sec-WebSocket-Version: 13\r\n\r\n".encode()
        )
        assert made.recv(12) == b"HTTP/1.1 101"
        return made


def frame(text: str) -> bytes:
    """A masked text frame (RFC 6455, section 5.2), with a mask of zeros."""
    data = text.encode()
    assert len(data) < 126
    return bytes([0x81, 0x80 | len(data), 0, 0, 0, 0]) + data


class Watcher:
    """A client that behaves: it takes states and says that it has seen them."""

    def __init__(self, client) -> None:
        self.client = client

    def do(self, **message):
        self.client.send(json.dumps(message))

    def next(self, name, accept=lambda value: True, tries=400):
        """The next message of a kind that is acceptable."""
        for _ in range(tries):
            message = json.loads(self.client.recv(timeout=5))
            if "state" in message:
                self.do(do="seen", state=message["state"]["at"])
            if name in message and accept(message[name]):
                return message[name]
        raise AssertionError(f"no such {name}")
