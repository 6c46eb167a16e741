"""Programs that wait by themselves: written as if they were alone, with a blocking delay.

Such a program keeps a stack of its own. It runs until it waits, then the clock goes on, and it is
resumed at the instant for which it waits. The host of a node treats all of them alike, whatever
keeps their stack.
"""

from __future__ import annotations

from abc import ABC, abstractmethod


class ProgramFailed(BaseException):  # a program that catches every Exception does not catch it
    """A program that ended by a mistake of its own; ``where`` is its place, ``file:line``."""

    def __init__(self, text: str, where: str) -> None:
        self.where = where
        super().__init__(text)


class BlockingProgram(ABC):
    """One life of a program that blocks, from the end of a boot to the next reset.

    All methods but :meth:`end` may raise whatever the program raised, and ProgramFailed.
    """

    @abstractmethod
    def start(self) -> None:
        """Run from the program's beginning to its first wait."""

    @abstractmethod
    def received(self) -> None:
        """A frame has come into the controller's FIFO."""

    @abstractmethod
    def controller_changed(self) -> None:
        """The error state of the controller has changed."""

    @abstractmethod
    def input_changed(self, name: str, value: str | float) -> None:
        """An input that is wired to the node has changed, also while the program hangs."""

    @abstractmethod
    def hang(self) -> None:
        """The main program stops where it is; interrupt handlers go on."""

    @abstractmethod
    def resume(self) -> None:
        """The main program goes on after a hang."""

    @abstractmethod
    def end(self) -> None:
        """The life is over: nothing of the program runs any more, and nothing of it is left."""
