"""Switch contacts bounce: an input counts once it has been the same for a while."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from linkloss_nodes.api import MS, Board
from linkloss_nodes.condition import Value

PATIENCE = 10
"""After so many debounce times at the start an input that still bounces is taken as it is."""


class Debouncer:
    """Several inputs of a node, each debounced on its own.

    ``changed(name, value)`` is called for each new settled value, and ``ready()`` once, when all
    inputs have settled after the start; no ``changed`` comes before it. ``values`` holds the
    settled ones.
    """

    def __init__(
        self,
        board: Board,
        names: Iterable[str],
        debounce_ms: float,
        changed: Callable[[str, Value], object],
        ready: Callable[[], object],
    ) -> None:
        self._board = board
        self._wait_ns = round(debounce_ms * MS)
        self._changed = changed
        self._ready = ready
        self._started_ns = 0
        self._is_ready = False
        self._moved_ns: dict[str, int] = {}
        self._raw: dict[str, Value] = dict.fromkeys(dict.fromkeys(names), "")
        self.values: dict[str, Value] = {}

    def start(self) -> None:
        """Read all inputs, and wait until they have settled."""
        self._started_ns = self._board.now_ns()
        for name in self._raw:
            self._raw[name] = self._board.read(name)
        if self._wait_ns == 0:
            self._begin()
        else:
            self._board.after(self._wait_ns, self._settle_all)

    def on_input(self, name: str, value: Value) -> None:
        """An input has moved."""
        if name not in self._raw:
            return
        self._raw[name] = value
        if self._wait_ns == 0:
            self._accept(name)
            return
        waiting = name in self._moved_ns
        self._moved_ns[name] = self._board.now_ns()
        if self._is_ready and not waiting:
            self._board.after(self._wait_ns, self._settle, name)

    def look(self) -> None:
        """Read all inputs again, in case the program was not there when one of them moved."""
        for name, known in self._raw.items():
            value = self._board.read(name)
            if value != known:
                self.on_input(name, value)

    def _settle_all(self) -> None:
        now_ns = self._board.now_ns()
        last_ns = max(self._moved_ns.values(), default=self._started_ns)
        left_ns = last_ns + self._wait_ns - now_ns
        if left_ns > 0 and now_ns - self._started_ns < PATIENCE * self._wait_ns:
            self._board.after(left_ns, self._settle_all)
            return
        self._moved_ns.clear()
        self._begin()

    def _begin(self) -> None:
        self.values.update(self._raw)
        self._is_ready = True
        self._ready()

    def _settle(self, name: str) -> None:
        left_ns = self._moved_ns[name] + self._wait_ns - self._board.now_ns()
        if left_ns > 0:
            self._board.after(left_ns, self._settle, name)
            return
        del self._moved_ns[name]
        self._accept(name)

    def _accept(self, name: str) -> None:
        value = self._raw[name]
        if self._is_ready and value != self.values[name]:
            self.values[name] = value
            self._changed(name, value)
