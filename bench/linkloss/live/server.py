"""The web server of a live session: its page, and a WebSocket for states and commands.

Every connection must pass the :class:`Gate`, and is held to limits, so that no watcher disturbs the
others.

A client is let in if it knows the token and comes from a page of the session itself.

A page of another site in the same browser can reach a server on this computer, too. It does not
know the token, and the browser says where it comes from:

- the *token* is part of the address that is printed, and of every address below it;
- the *Host* must be an address of this computer, not a name that someone else can point here (DNS
  rebinding);
- the *Origin*, if a browser sends one, must be the session's own. A WebSocket must have one,
  because browsers let any site open a WebSocket anywhere.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import secrets
import socket
from collections import Counter, deque
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from ipaddress import ip_address
from typing import Any, NamedTuple
from urllib.parse import urlsplit

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from linkloss.clock.wallclock import monotonic_seconds
from linkloss.live.address import new_token
from linkloss.live.page import files
from linkloss.live.service import LONGEST, Command, CommandError, Running, Seen, parse
from linkloss.live.view import State
from linkloss.problem import BadInput, printable

_LOCAL_NAMES = frozenset({"localhost", "localhost."})


class Refusal(NamedTuple):
    """Why a request was not let in."""

    status: int
    text: str


@dataclass(frozen=True, slots=True)
class Gate:
    """Checks requests to a server on ``port``.

    ``exposed``: other computers may connect, by an address of this computer or by one of its
    ``names``; otherwise only this computer itself may, by a loopback address.
    """

    port: int
    token: str = field(default_factory=new_token)
    exposed: bool = False
    names: frozenset[str] = frozenset()

    def refusal(
        self, path: str, headers: Iterable[tuple[bytes, bytes]], *, websocket: bool
    ) -> Refusal | None:
        """Why a request is not let in; None if it is. ``path`` is decoded, headers are raw."""
        found: dict[bytes, list[str]] = {}
        for name, value in headers:
            found.setdefault(name.lower(), []).append(value.decode("latin-1"))
        hosts, origins = found.get(b"host", []), found.get(b"origin", [])
        if len(hosts) != 1 or not self._is_host(hosts[0]):
            return Refusal(421, "this session is not at the address that you asked for")
        wanted = f"http://{hosts[0]}"
        if any(origin.lower() != wanted.lower() for origin in origins):
            return Refusal(403, "another page may not look in here")
        if websocket and len(origins) != 1:
            return Refusal(403, "expected the page of this session")
        came_from = found.get(b"sec-fetch-site", ["none"])[0]
        followed_link = found.get(b"sec-fetch-mode", [""])[0] == "navigate"
        if came_from not in ("same-origin", "none") and not followed_link:
            return Refusal(403, "another page may not look in here")
        token, slash, _ = path.removeprefix("/").partition("/")
        if not slash or not secrets.compare_digest(token.encode(), self.token.encode()):
            return Refusal(403, "open the address that linkloss printed, all of it")
        return None

    def inside(self, path: str) -> str:
        """The path below the token."""
        return "/" + path.removeprefix("/").partition("/")[2]

    def _is_host(self, host: str) -> bool:
        try:
            parts = urlsplit(f"//{host}")
            name, port = (parts.hostname or "").lower(), parts.port or 80
        except ValueError:
            return False
        if port != self.port or parts.netloc != host or "@" in host:
            return False
        if name in _LOCAL_NAMES or (self.exposed and name in self.names):
            return True
        try:
            address = ip_address(name)
        except ValueError:
            return False
        return address.is_loopback or self.exposed


MOST_WATCHERS = 64
MOST_CONNECTIONS = 200
"""Far fewer than the 1,024 files that a process can usually open."""
MOST_STRANGERS = 64
"""The most connections that have not shown the token yet."""
HEADER_TIMEOUT_S = 5.0
"""A connection without a request within this time is closed."""
SEND_TIMEOUT_S = 10.0
"""A client that takes nothing for this long is disconnected."""
CLOSE_TIMEOUT_S = 5.0
"""How long a WebSocket may take to close."""
MOST_UNSEEN = 3
"""The most unacknowledged states for one watcher. A slow watcher gets fewer states, never old
ones.
"""
MOST_WANTED = 32
"""The most commands of one watcher that wait to be carried out."""
LONGEST_MESSAGE = LONGEST
LONGEST_HEADER = 16_384
MESSAGES_PER_S = 80
MOST_AT_ONCE = 160


class Bucket:
    """A token bucket: lets ``rate`` messages a second through, and up to ``size`` at once after a
    rest.
    """

    def __init__(
        self,
        rate: float = MESSAGES_PER_S,
        size: float = MOST_AT_ONCE,
        now_s: Callable[[], float] = monotonic_seconds,
    ) -> None:
        self._rate = rate
        self._size = size
        self._now_s = now_s
        self._left = size
        self._at_s = now_s()

    def take(self) -> bool:
        """Whether one more message is let through now."""
        now_s = self._now_s()
        self._left = min(self._size, self._left + (now_s - self._at_s) * self._rate)
        self._at_s = now_s
        if self._left < 1:
            return False
        self._left -= 1
        return True


_SECURITY = {
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:;"
    " connect-src 'self' ws://{host}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_TOO_MANY, _TOO_FAST, _NOT_TEXT, _TRY_LATER = 1013, 1008, 1003, 1012


class Broadcaster:
    """Sends the newest state to all clients."""

    def __init__(self, running: Running) -> None:
        self._running = running
        self.clients: set[Client] = set()
        self.shown = 0
        """Number of states sent to all clients together."""

    def join(self, client: Client) -> None:
        """Add a client."""
        if not self.clients:
            self._loop = asyncio.get_running_loop()
            self._running.add(self._publish)
        self.clients.add(client)

    def leave(self, client: Client) -> None:
        """Remove a client."""
        self.clients.discard(client)
        if not self.clients:
            self._running.remove(self._publish)

    def _publish(self, state: State) -> None:
        text = json.dumps({"state": state}, separators=(",", ":"))
        with suppress(RuntimeError):  # the loop is closed: no one watches any more
            self._loop.call_soon_threadsafe(self._spread, text)

    def _spread(self, text: str) -> None:
        for client in self.clients:
            client.offer(text)


class Client:
    """One connection: the newest state, and the messages still to be sent to it."""

    def __init__(
        self,
        websocket: WebSocket,
        broadcaster: Broadcaster,
        running: Running,
        told: Mapping[str, object],
    ) -> None:
        """``told``: what it is told at first."""
        self._told = told
        self._websocket = websocket
        self._broadcaster = broadcaster
        self._running = running
        self._newest = ""
        self._said: deque[str] = deque(maxlen=20)
        self._unseen = 0
        self._awake = asyncio.Event()
        self._wanted: asyncio.Queue[Command] = asyncio.Queue(MOST_WANTED)

    def offer(self, state: str) -> None:
        """Offer a newer state."""
        self._newest = state
        self._awake.set()

    async def serve(self) -> None:
        """Send and receive until either side ends the connection."""
        self._say({"plan": self._told})
        tasks = [
            asyncio.create_task(each)
            for each in (self._send_on(), self._receive_on(), self._obey_on())
        ]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    def _say(self, message: Mapping[str, object]) -> None:
        self._said.append(json.dumps(message, separators=(",", ":")))
        self._awake.set()

    async def _send_on(self) -> None:
        while True:
            await self._awake.wait()
            self._awake.clear()
            while self._said:
                await self._send(self._said.popleft())
            if self._newest and self._unseen < MOST_UNSEEN:
                state, self._newest = self._newest, ""
                self._unseen += 1
                self._broadcaster.shown += 1
                await self._send(state)

    async def _send(self, text: str) -> None:
        async with asyncio.timeout(SEND_TIMEOUT_S):
            await self._websocket.send_text(text)

    async def _receive_on(self) -> None:
        bucket = Bucket()
        while True:
            message = await self._websocket.receive()
            if message["type"] == "websocket.disconnect":
                return
            text = message.get("text")
            if text is None:
                await self._websocket.close(_NOT_TEXT, "expected text")
                return
            if not bucket.take():
                await self._websocket.close(_TOO_FAST, "too many messages")
                return
            self._take(text)

    def _take(self, text: str) -> None:
        """What is seen counts at once; a command waits until those before it are carried out."""
        try:
            command = parse(text)
        except CommandError as error:
            self._say({"refused": printable(str(error))})
            return
        if isinstance(command, Seen):
            self._unseen = max(0, self._unseen - 1)
            self._awake.set()
        elif self._wanted.full():
            self._say({"refused": "the session is still busy with what was asked for before"})
        else:
            self._wanted.put_nowait(command)

    async def _obey_on(self) -> None:
        while True:
            command = await self._wanted.get()
            try:
                said = await asyncio.to_thread(self._running.do, command)
            except CommandError as error:
                self._say({"refused": printable(str(error))})
                continue
            if said:
                self._say({"said": printable(said)})


class Strangers:
    """The connections that have not shown the token yet. There is always room for one more: the
    oldest one of the computer that has the most of them has to go.
    """

    def __init__(self) -> None:
        self._waiting: dict[tuple[str, int], asyncio.Transport] = {}

    def add(self, peer: tuple[str, int], transport: asyncio.Transport) -> None:
        """A connection has been made."""
        if len(self._waiting) >= MOST_STRANGERS:
            most, _ = Counter(host for host, _ in self._waiting).most_common(1)[0]
            oldest = next(one for one in self._waiting if one[0] == most)
            self._waiting.pop(oldest).abort()
        self._waiting[peer] = transport

    def drop(self, peer: tuple[str, int]) -> None:
        """A connection has shown the token, or is gone."""
        self._waiting.pop(peer, None)


def plan(running: Running, page: str) -> dict[str, object]:
    """What does not change during a session, for the page's script: which ``page`` this is, and the
    faults with their places.
    """
    return {
        "page": page,
        "faults": [
            {
                "number": offer.number,
                "kind": offer.fault.kind,
                "text": printable(offer.fault.describe()),
                "places": [f"{kind}:{name}" for kind, name in offer.places],
            }
            for offer in running.offers
        ],
    }


def make_app(running: Running, gate: Gate, strangers: Strangers) -> tuple[ASGIApp, Broadcaster]:
    """The application, and the broadcaster to its clients."""
    broadcaster = Broadcaster(running)
    content = files(running.vehicle, running.offers)
    page = hashlib.sha256(repr(sorted(content.items())).encode()).hexdigest()[:16]

    async def show(request: Request) -> Response:
        name = request.path_params.get("name", "")
        if name not in content:
            return Response("there is no such page", 404, _SECURITY, "text/plain")
        kind, body = content[name]
        policy = _POLICY.format(host=request.headers["host"])
        return Response(body, 200, {**_SECURITY, "Content-Security-Policy": policy}, kind)

    async def bus(websocket: WebSocket) -> None:
        if len(broadcaster.clients) >= MOST_WATCHERS:
            await websocket.close(_TOO_MANY)
            return
        client = Client(websocket, broadcaster, running, plan(running, page))
        broadcaster.join(client)
        try:
            await websocket.accept()
            await client.serve()
        except WebSocketDisconnect:
            pass
        finally:
            broadcaster.leave(client)

    routes = [
        WebSocketRoute("/bus", bus),
        Route("/", show, methods=["GET"]),
        Route("/{name}", show, methods=["GET"]),
    ]
    inner = Starlette(routes=routes)

    async def guarded(scope: Scope, receive: Receive, send: Send) -> None:
        """Let nothing through that the gate refuses."""
        websocket = scope["type"] == "websocket"
        refusal = gate.refusal(scope["path"], scope["headers"], websocket=websocket)
        if refusal is not None:
            headers = {**_SECURITY, "Connection": "close"}
            answer = Response(refusal.text, refusal.status, headers, "text/plain")
            await answer(scope, receive, send)
            return
        if scope["client"] is not None:
            strangers.drop(tuple(scope["client"]))
        await inner({**scope, "path": gate.inside(scope["path"])}, receive, send)

    return guarded, broadcaster


_LOOPBACK = "127.0.0.1"
_BACKLOG = 128


class _Connection(H11Protocol):
    """A connection that is closed when there are too many, or when it asks for nothing."""

    def __init__(self, strangers: Strangers, **settings: Any) -> None:
        super().__init__(**settings)
        self._strangers = strangers

    def connection_lost(self, exc: Exception | None) -> None:
        if self.client is not None:
            self._strangers.drop(self.client)
        super().connection_lost(exc)

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            transport.abort()
            return
        if self.client is not None:
            self._strangers.add(self.client, transport)
        self.loop.call_later(HEADER_TIMEOUT_S, self._expect_request)

    def _expect_request(self) -> None:
        # After an upgrade the transport belongs to another protocol, which has its own limits.
        mine = self.transport.get_protocol() is self
        if mine and not self.headers and not self.transport.is_closing():
            self.transport.abort()


class _Stream(WebSocketsSansIOProtocol):
    """A WebSocket that is aborted if its other end does not let it close."""

    async def run_asgi(self) -> None:
        await super().run_asgi()
        # A client that takes nothing would keep a closing connection open for ever.
        self.loop.call_later(CLOSE_TIMEOUT_S, self.transport.abort)


def bind(listen: str, port: int) -> socket.socket:
    """A socket to listen on; port 0 takes a free one.

    :raises BadInput: if it cannot be opened.
    """
    text = f"cannot listen on {listen}, port {port}"
    if port not in range(65_536):
        raise BadInput.one("linkloss", "--port", f"{text}: expected a port from 0 to 65535")
    family, both = socket.AF_INET, False
    if ":" in listen:
        family, both = socket.AF_INET6, socket.has_dualstack_ipv6()
    try:
        return socket.create_server(
            (listen, port), family=family, backlog=_BACKLOG, dualstack_ipv6=both
        )
    except OSError as error:
        raise BadInput.one("linkloss", "--port", f"{text}: {error}") from None


class Site:
    """A web server on one socket."""

    def __init__(
        self, running: Running, bound: socket.socket, *, exposed: bool = False, token: str = ""
    ) -> None:
        """``token``: the one of its address; a new one if there is none."""
        self.socket = bound
        self.port: int = bound.getsockname()[1]
        names = frozenset({socket.gethostname().lower()}) if exposed else frozenset[str]()
        self.gate = Gate(self.port, token or new_token(), exposed=exposed, names=names)
        strangers = Strangers()
        app, self.broadcaster = make_app(running, self.gate, strangers)
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                http=partial(_Connection, strangers),  # type: ignore[arg-type]
                ws=_Stream,
                ws_max_size=LONGEST_MESSAGE,
                ws_per_message_deflate=False,
                h11_max_incomplete_event_size=LONGEST_HEADER,
                limit_concurrency=MOST_CONNECTIONS,
                backlog=_BACKLOG,  # the loop accepts this many at once, before it refuses any
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
        """The address to open in a browser on this computer."""
        host = str(self.socket.getsockname()[0])
        if ip_address(host).is_unspecified:
            host = "::1" if ":" in host else _LOOPBACK
        host = f"[{host}]" if ":" in host else host
        return f"http://{host}:{self.port}/{self.gate.token}/"

    def run(self) -> None:
        """Serve until an interrupt, or :meth:`stop`."""
        self._server.run(sockets=[self.socket])

    def stop(self) -> None:
        """Make :meth:`run` return. May be called from any thread."""
        self._server.should_exit = True

    @property
    def started(self) -> bool:
        """Whether it is listening."""
        return self._server.started
