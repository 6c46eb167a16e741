"""Stopping a coroutine in its tracks, as a hung program stops, and letting it go on later."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine, Generator
from types import coroutine
from typing import Any


class Gate:
    """While closed, a coroutine that runs behind it does not get past its next ``await``."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self._opened: asyncio.Future[None] | None = None

    def close(self) -> None:
        """Stop what runs behind the gate."""
        if self._opened is None:
            self._opened = self._loop.create_future()

    def open(self) -> None:
        """Let it go on."""
        if self._opened is not None and not self._opened.done():
            self._opened.set_result(None)
        self._opened = None

    async def run(self, program: Coroutine[Any, Any, None]) -> None:
        """Run a coroutine behind the gate."""
        await self._drive(program)

    @coroutine
    def _drive(self, program: Coroutine[Any, Any, None]) -> Generator[Any, Any, None]:
        """Hand everything through, but wait at the gate before the program takes its next step."""
        send: Any = None
        failure: BaseException | None = None
        while True:
            while self._opened is not None:
                yield from self._opened
            try:
                waiting = program.send(send) if failure is None else program.throw(failure)
            except StopIteration:
                return
            send, failure = None, None
            try:
                send = yield waiting
            except GeneratorExit:
                program.close()
                raise
            except BaseException as error:  # noqa: BLE001 - a cancellation belongs to the program
                failure = error
