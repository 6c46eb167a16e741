"""Programs for the nodes of a car, and what a program of one's own is made of.

    from linkloss_nodes import MS, Node

    class RearNode(Node):
        def start(self) -> None:
            self.board.every(50 * MS, self.send_status)

:mod:`linkloss_nodes.api` tells what a node sees of its board.
"""

from linkloss_nodes.api import MS, US, Board, Node, S, SettingsError, Timer, read_settings

__all__ = ["MS", "US", "Board", "Node", "S", "SettingsError", "Timer", "read_settings"]
