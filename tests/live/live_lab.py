"""A live session on a clock that the test turns by hand: real time passes when it is told to."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from linkloss.faults.catalogue import make_fault
from linkloss.live.driven import Excerpt, LiveSession
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.loading import Vehicle, load_vehicle

MS = 1_000_000
WREN = load_vehicle(demo_vehicle())


class StoryWall:
    """Real time that passes only in waits, and a story of what people do meanwhile."""

    def __init__(self) -> None:
        self.real_ns = 7_000_000_000
        self.story: list[tuple[int, Callable[[], object]]] = []

    def now_ns(self) -> int:
        return self.real_ns

    def wait(self, longest_ns: int) -> None:
        end_ns = self.real_ns + longest_ns
        if self.story and self.story[0][0] <= end_ns:
            at_ns, deed = self.story.pop(0)
            self.real_ns = max(self.real_ns, at_ns)
            deed()
            return
        self.real_ns = end_ns

    def ring(self) -> None:
        pass


def play(story, vehicle=WREN, **settings) -> tuple[LiveSession, Excerpt]:
    """Run a live session through a story of (milliseconds, what is done with it); at the end an
    excerpt is taken.
    """
    wall = StoryWall()
    live = LiveSession(vehicle, wall=wall, **settings)
    taken: list[Any] = []
    begun_ns = wall.real_ns
    steps: list[tuple[int, Callable[[], object]]] = [
        (begun_ns + ms * MS + 137, partial(deed, live)) for ms, deed in sorted_story(story)
    ]
    last_ns = steps[-1][0]
    steps.append((last_ns + 1, lambda: taken.append(live.excerpt())))
    steps.append((last_ns + 30 * MS, live.end))
    wall.story = steps
    live.run()
    return live, taken[0].result(timeout=0)


def sorted_story(story):
    return sorted(story, key=lambda step: step[0])


def act(**values):
    return lambda live: live.act(values)


def strict_car(folder: Path) -> Vehicle:
    """Wren with demands that its programs do not know of: tail lamps off without a link."""
    text = WREN.path.read_text(encoding="utf-8")
    head, tail = text.split("[loads.tail_left]")
    tail = tail.replace('on_stale = "on"', 'on_stale = "off"', 1)
    dbc = (WREN.path.parent / "../../dbc/wren.dbc").resolve().as_posix()
    text = f"{head}[loads.tail_left]{tail}".replace("../../dbc/wren.dbc", dbc)
    (folder / "vehicle.toml").write_text(text, encoding="utf-8")
    return load_vehicle(folder / "vehicle.toml")


def fault(kind, **parameters):
    return make_fault(kind, parameters, WREN)


def apply(kind, **parameters):
    return lambda live: live.apply(fault(kind, **parameters))


def clear(kind, **parameters):
    return lambda live: live.clear(fault(kind, **parameters))


def nothing(live):
    """The story goes on to here."""


TAIL_STORY = [
    (500, act(ignition="on")),
    (600, act(lights="position")),
    (1500, apply("cut", between=["gauge", "rear"])),
    (3000, apply("reset", node="rear")),
    (4000, clear("cut", between=["gauge", "rear"])),
    (6000, nothing),
]
