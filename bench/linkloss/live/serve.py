"""Running the web server of a live session: its socket, its limits, its end."""

from __future__ import annotations

import asyncio
import socket
from ipaddress import ip_address

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from linkloss.live.gate import Gate
from linkloss.live.limits import (
    CLOSE_TIMEOUT_S,
    HEADER_TIMEOUT_S,
    LONGEST_HEADER,
    LONGEST_MESSAGE,
    MOST_CONNECTIONS,
)
from linkloss.live.running import Running
from linkloss.live.server import make_app
from linkloss.model.problem import BadInput

_LOOPBACK = "127.0.0.1"
_BACKLOG = 128


class _Connection(H11Protocol):
    """A connection that is closed when there are too many, or when it asks for nothing."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            transport.abort()
            return
        self.loop.call_later(HEADER_TIMEOUT_S, self._expect_request)

    def _expect_request(self) -> None:
        # After an upgrade the transport belongs to another protocol, with limits of its own.
        mine = self.transport.get_protocol() is self
        if mine and not self.headers and not self.transport.is_closing():
            self.transport.abort()


class _Stream(WebSocketsSansIOProtocol):
    """A WebSocket that is cut off when its other end does not let it close."""

    async def run_asgi(self) -> None:
        await super().run_asgi()
        # Whoever takes nothing would keep a closing connection open for ever.
        self.loop.call_later(CLOSE_TIMEOUT_S, self.transport.abort)


def bind(listen: str, port: int) -> socket.socket:
    """A socket to listen on; port 0 takes a free one. Raises BadInput where that cannot be."""
    try:
        address = ip_address(listen)
    except ValueError:
        text = f"got '{listen}'; expected an address such as 127.0.0.1, ::1 or 0.0.0.0"
        raise BadInput.one("linkloss", "--listen", text) from None
    family = socket.AF_INET6 if address.version == 6 else socket.AF_INET
    bound = socket.socket(family, socket.SOCK_STREAM)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((listen, port))
        bound.listen(_BACKLOG)
    except (OSError, OverflowError) as error:
        bound.close()
        text = f"cannot listen on {listen}, port {port}: {error}"
        raise BadInput.one("linkloss", "--port", text) from None
    return bound


class Site:
    """A web server over one socket."""

    def __init__(self, running: Running, bound: socket.socket, *, exposed: bool = False) -> None:
        self.socket = bound
        self.port: int = bound.getsockname()[1]
        names = frozenset({socket.gethostname().lower()}) if exposed else frozenset[str]()
        self.gate = Gate(self.port, exposed=exposed, names=names)
        app, self.hub = make_app(running, self.gate)
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                http=_Connection,
                ws=_Stream,
                ws_max_size=LONGEST_MESSAGE,
                ws_per_message_deflate=False,
                h11_max_incomplete_event_size=LONGEST_HEADER,
                limit_concurrency=MOST_CONNECTIONS,
                backlog=_BACKLOG,  # the loop takes so many in one go, before any is turned away
                timeout_graceful_shutdown=1,
                lifespan="off",
                log_config=None,
                log_level="critical",
                access_log=False,
                server_header=False,
            )
        )

    @property
    def address(self) -> str:
        """What to open in a browser on this computer."""
        host = str(self.socket.getsockname()[0])
        if ip_address(host).is_unspecified:
            host = "::1" if ":" in host else _LOOPBACK
        host = f"[{host}]" if ":" in host else host
        return f"http://{host}:{self.port}/{self.gate.token}/"

    def run(self) -> None:
        """Serve until an interrupt, or :meth:`stop`."""
        self._server.run(sockets=[self.socket])

    def stop(self) -> None:
        """Let :meth:`run` return; callable from any thread."""
        self._server.should_exit = True

    @property
    def started(self) -> bool:
        """Whether it listens by now."""
        return self._server.started
