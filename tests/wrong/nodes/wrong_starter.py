"""Engine nodes whose starter is not safe."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from base_engine import HomeEngine


class CranksOn(HomeEngine):
    """The starter stays on while nobody is heard any more."""

    LISTENS: ClassVar[Mapping[str, int]] = {"StartRequest": 1_000_000}


class NoLockOut(HomeEngine):
    """After a reset in the middle of a start it cranks on without a fresh press."""

    def may_crank(self) -> bool:
        heard = self.heard["StartRequest"]
        fresh = heard.values is not None and heard.fresh(self.now_ms)
        self.armed = True
        return fresh and super().may_crank()


class CranksRunningEngine(HomeEngine):
    """Leaves it to the dash to know that the engine runs."""

    def may_crank(self) -> bool:
        heard = self.heard["StartRequest"]
        if heard.values is None or not heard.fresh(self.now_ms):
            self.armed = False
            return False
        asked = bool(heard.values["Starter"])
        self.armed = self.armed or not asked
        return asked and self.armed
