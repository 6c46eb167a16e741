"""The web server of a live session: its page, and a WebSocket for states and commands.

Every connection comes through the gate (gate.py) and is held to the limits (limits.py).
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import Mapping
from contextlib import suppress

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from linkloss.live.commands import CommandError, Seen, parse
from linkloss.live.gate import Gate
from linkloss.live.limits import MOST_UNSEEN, MOST_WATCHERS, SEND_TIMEOUT_S, Bucket
from linkloss.live.page import files
from linkloss.live.running import Running
from linkloss.live.view import State
from linkloss.report.screen import printable

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


class Hub:
    """Hands the newest state to everybody who watches."""

    def __init__(self, running: Running) -> None:
        self._running = running
        self._clients: set[Client] = set()
        self._ticket = 0
        self.shown = 0
        """States handed to clients, all together."""

    @property
    def watchers(self) -> int:
        """How many there are."""
        return len(self._clients)

    def join(self, client: Client) -> None:
        """One more watches."""
        if not self._clients:
            loop = asyncio.get_running_loop()

            def publish(state: State) -> None:
                text = json.dumps({"state": state}, separators=(",", ":"))
                with suppress(RuntimeError):  # the loop is closed: nobody watches any more
                    loop.call_soon_threadsafe(self._spread, text)

            self._ticket = self._running.add(publish)
        self._clients.add(client)

    def leave(self, client: Client) -> None:
        """One watches no more."""
        self._clients.discard(client)
        if not self._clients:
            self._running.remove(self._ticket)

    def _spread(self, text: str) -> None:
        for client in self._clients:
            client.offer(text)


class Client:
    """One connection: the newest state and what is still to be said to it."""

    def __init__(self, websocket: WebSocket, hub: Hub, running: Running) -> None:
        self._websocket = websocket
        self._hub = hub
        self._running = running
        self._newest = ""
        self._said: deque[str] = deque(maxlen=20)
        self._unseen = 0
        self._awake = asyncio.Event()

    def offer(self, state: str) -> None:
        """There is a newer state."""
        self._newest = state
        self._awake.set()

    async def serve(self) -> None:
        """Until one of both sides has had enough."""
        self._say({"plan": plan(self._running)})
        sending = asyncio.create_task(self._send_on())
        receiving = asyncio.create_task(self._receive_on())
        try:
            await asyncio.wait((sending, receiving), return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (sending, receiving):
                task.cancel()
            await asyncio.gather(sending, receiving, return_exceptions=True)

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
                self._hub.shown += 1
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
            await self._obey(text)

    async def _obey(self, text: str) -> None:
        try:
            command = parse(text)
            if isinstance(command, Seen):
                self._unseen = max(0, self._unseen - 1)
                self._awake.set()
                return
            said = await asyncio.to_thread(self._running.do, command)
        except CommandError as error:
            self._say({"refused": printable(str(error))})
            return
        if said:
            self._say({"said": printable(said)})


def plan(running: Running) -> dict[str, object]:
    """What does not change in a session, for the page's script: the faults and their places."""
    return {
        "faults": [
            {
                "number": offer.number,
                "kind": offer.fault.kind,
                "text": printable(offer.fault.describe()),
                "places": [f"{kind}:{name}" for kind, name in offer.places],
            }
            for offer in running.offers
        ]
    }


class _Guard:
    """Lets nothing through to the application that the gate refuses."""

    def __init__(self, app: ASGIApp, gate: Gate) -> None:
        self._app = app
        self._gate = gate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        websocket = scope["type"] == "websocket"
        refusal = self._gate.refusal(scope["path"], scope["headers"], websocket=websocket)
        if refusal is not None:
            headers = {**_SECURITY, "Connection": "close"}
            answer = Response(refusal.text, refusal.status, headers, "text/plain")
            await answer(scope, receive, send)
            return
        await self._app({**scope, "path": self._gate.inside(scope["path"])}, receive, send)


def make_app(running: Running, gate: Gate) -> tuple[ASGIApp, Hub]:
    """The application, and the hub of those who watch."""
    hub = Hub(running)
    content = files(running.vehicle, running.offers)

    async def show(request: Request) -> Response:
        name = request.path_params.get("name", "")
        if name not in content:
            return Response("there is no such page", 404, _SECURITY, "text/plain")
        kind, body = content[name]
        policy = _POLICY.format(host=request.headers["host"])
        return Response(body, 200, {**_SECURITY, "Content-Security-Policy": policy}, kind)

    async def bus(websocket: WebSocket) -> None:
        if hub.watchers >= MOST_WATCHERS:
            await websocket.close(_TOO_MANY)
            return
        client = Client(websocket, hub, running)
        hub.join(client)
        try:
            await websocket.accept()
            await client.serve()
        except WebSocketDisconnect:
            pass
        finally:
            hub.leave(client)

    routes = [
        WebSocketRoute("/bus", bus),
        Route("/", show, methods=["GET"]),
        Route("/{name}", show, methods=["GET"]),
    ]
    return _Guard(Starlette(routes=routes), gate), hub
