"""Nodes that know no bus: outputs that follow inputs of their own."""

from __future__ import annotations

from linkloss_nodes import MS, Node
from linkloss_nodes.condition import parse_condition


class Idle(Node):
    """It does nothing."""


class Follower(Node):
    """Each output is on while a condition over the node's inputs holds."""

    def start(self) -> None:
        self.rules = {
            name: parse_condition(text) for name, text in self.board.settings["outputs"].items()
        }
        self.written: dict[str, float] = {}
        self.board.every(MS, self.look)
        self.look()

    def look(self) -> None:
        """Write what has changed."""
        for name, rule in self.rules.items():
            level = float(rule.holds({key: self.board.read(key) for key in rule.names}))
            if self.written.get(name) != level:
                self.written[name] = level
                self.board.write(name, level)
