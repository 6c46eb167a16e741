"""Closing asynchronous generators that nobody iterates any more.

The interpreter asks the running loop to do so, since only a loop can await the ``finally`` of an
abandoned generator (PEP 525; Python library reference, ``sys.set_asyncgen_hooks``).
"""

from __future__ import annotations

import asyncio
import sys
import warnings
from asyncio import AbstractEventLoop
from collections.abc import AsyncGenerator, Iterator
from contextlib import contextmanager
from typing import Any
from weakref import ref

Generator = AsyncGenerator[Any, Any]


class GeneratorShutdown(AbstractEventLoop):
    """Keeps the generators that are being iterated, in the order of their first iteration."""

    def __init__(self) -> None:
        super().__init__()
        # A dict and not a WeakSet: shutdown closes in a fixed order, whatever the addresses.
        self._generators: dict[int, ref[Generator]] = {}
        self._generators_shut_down = False

    @contextmanager
    def _generator_hooks(self) -> Iterator[None]:
        previous = sys.get_asyncgen_hooks()
        sys.set_asyncgen_hooks(firstiter=self._first_iteration, finalizer=self._finalize)
        try:
            yield
        finally:
            sys.set_asyncgen_hooks(*previous)

    def _first_iteration(self, generator: Generator) -> None:
        if self._generators_shut_down:
            warnings.warn(
                f"asynchronous generator {generator!r} was begun after shutdown_asyncgens()",
                ResourceWarning,
                stacklevel=2,
                source=self,
            )
        key = id(generator)
        self._generators[key] = ref(generator, lambda _: self._generators.pop(key, None))

    def _finalize(self, generator: Generator) -> None:
        self._generators.pop(id(generator), None)
        if not self.is_closed():
            self.call_soon_threadsafe(self.create_task, generator.aclose())

    async def shutdown_asyncgens(self) -> None:
        """Close all asynchronous generators still being iterated; their errors are reported."""
        self._generators_shut_down = True
        alive = [generator for entry in self._generators.values() if (generator := entry())]
        self._generators.clear()
        closings = [generator.aclose() for generator in alive]
        results = await asyncio.gather(*closings, return_exceptions=True)
        for generator, result in zip(alive, results, strict=True):
            if isinstance(result, Exception):
                self.call_exception_handler(
                    {
                        "message": f"an error occurred during closing of asynchronous "
                        f"generator {generator!r}",
                        "exception": result,
                        "asyncgen": generator,
                    }
                )
