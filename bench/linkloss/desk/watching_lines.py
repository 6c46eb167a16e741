"""What the I/O board feels, as lines of text."""

from __future__ import annotations

from collections.abc import Iterator

from linkloss.desk.board_clock import Span
from linkloss.desk.board_link import BoardLink
from linkloss.desk.io_board import Felt
from linkloss.desk.wired_node import WiredNode

_LOOK_S = 0.1
_NS_PER_S = 1_000_000_000


def watch_lines(wired: WiredNode, lasts_ns: int | None) -> Iterator[str]:
    """The levels of all felt loads, then each change as it comes, with the instant since the start
    and how far it may be off; and what puts them in doubt. Ends after ``lasts_ns``, or when the
    board is gone.
    """
    link = wired.link
    begun_ns = link.now_ns()
    for load, level in wired.levels().items():
        yield f"{'now':>10}  {load}: {_state(level)}"
    while lasts_ns is None or link.now_ns() - begun_ns < lasts_ns:
        link.wait(lambda board: bool(board.felt or board.doubts), _LOOK_S)
        felt, doubts = link.take()
        for one in felt:
            if one.line in wired.loads:
                load = wired.loads[one.line]
                state = _state(wired.level(load, one))
                yield f"{_when(dated(wired.link, one), begun_ns)}  {load}: {state}"
        for doubt in doubts:
            at_s = (doubt.at_ns - begun_ns) / _NS_PER_S
            yield f"{at_s:9.3f}s  in doubt, {doubt.why}"
        if link.lost:
            yield f"the I/O board is gone: {link.lost}"
            return


def dated(link: BoardLink, felt: Felt) -> Span | None:
    """Between which instants of the bench something was felt; None if its clock tells nothing."""
    before = link.with_board(lambda board: board.clock.span(felt.board_us - felt.since_us))
    after = link.with_board(lambda board: board.clock.span(felt.board_us))
    return None if before is None or after is None else Span(before.from_ns, after.to_ns)


def _when(span: Span | None, begun_ns: int) -> str:
    if span is None:
        return f"{'?':>10}"
    middle_s = ((span.from_ns + span.to_ns) / 2 - begun_ns) / _NS_PER_S
    return f"{middle_s:9.3f}s +/- {(span.to_ns - span.from_ns) / 2e6:.1f} ms"


def _state(level: float) -> str:
    return "on" if level >= 1 else "off" if level <= 0 else f"{level:.0%}"
