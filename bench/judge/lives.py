"""When a node's program could be held to its rules: its lives, its hangs, the quiet times."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from bench.model.loading import Vehicle
from bench.recording import NodeChange, Recording

_LAWFUL = ("power-up", "fault", "supply")


@dataclass(frozen=True, slots=True)
class Life:
    """From one reset to the next.

    ``boot_end_ns`` is the reset plus the declared longest boot: until then only the reset rule
    speaks. ``up_ns`` is when the program really ran (None: never in this life). ``back_ns`` is
    when the supply was there again, if its loss began this life; else it is ``reset_ns``.
    """

    reset_ns: int
    boot_end_ns: int
    up_ns: int | None
    end_ns: int
    cause: str
    back_ns: int


@dataclass(frozen=True, slots=True)
class Hang:
    """A program that was stopped by a fault, until its reset, its going on, or the end.

    ``ended_by`` is the state after it, for a reset its cause: ``watchdog``, ``fault``.
    """

    from_ns: int
    to_ns: int
    ended_by: str


@dataclass(frozen=True, slots=True)
class Biography:
    """A node's whole run. ``unlawful`` are resets that no fault, supply or watchdog caused."""

    lives: tuple[Life, ...]
    hangs: tuple[Hang, ...]
    unlawful: tuple[NodeChange, ...]

    def life_at(self, at_ns: int) -> Life:
        """The life that an instant belongs to."""
        return next(life for life in reversed(self.lives) if life.reset_ns <= at_ns)


def biography(vehicle: Vehicle, recording: Recording, node: str, end_ns: int) -> Biography:
    """Read a node's lives out of a recording that goes up to ``end_ns``.

    A watchdog reset is lawful only while the program hung: one that bites a running program is
    the program's own fault. So is a restart by itself, but in bus-off where the vehicle declares
    it (``restart_on_bus_off``). An unlawful reset begins no new life: it excuses nothing. A node
    that lost its supply begins a life at the loss, and boots once the supply is back.
    """
    boot_ns = vehicle.nodes[node].boot
    may_restart = vehicle.nodes[node].restart_on_bus_off
    changes = recording.nodes[node]
    births: list[NodeChange] = []
    unlawful: list[NodeChange] = []
    hangs: list[Hang] = []
    backs: dict[int, int] = {}
    previous = ""
    for index, change in enumerate(changes):
        if change.state == "off":
            if previous != "off":  # else the supply failed again before the boot began
                births.append(change)
                backs[change.at_ns] = end_ns
        elif previous == "off":
            backs[births[-1].at_ns] = change.at_ns
        elif change.state == "reset":
            lawful = change.cause in _LAWFUL or (
                change.cause == "watchdog" and previous in ("hung", "reset")
            )
            lawful = lawful or (may_restart and _bus_off(recording, node, change.at_ns))
            (births if lawful else unlawful).append(change)
        if change.state == "hung":
            following = changes[index + 1] if index + 1 < len(changes) else None
            hangs.append(_hang(change, following, end_ns))
        previous = change.state
    lives = []
    for index, birth in enumerate(births):
        over_ns = births[index + 1].at_ns if index + 1 < len(births) else end_ns
        ups = [
            change.at_ns
            for change in changes
            if change.state == "running"
            and change.cause == "boot"
            and birth.at_ns <= change.at_ns <= over_ns
        ]
        back_ns = backs.get(birth.at_ns, birth.at_ns)
        lives.append(
            Life(
                reset_ns=birth.at_ns,
                boot_end_ns=back_ns + boot_ns,
                up_ns=ups[0] if ups else None,
                end_ns=over_ns,
                cause=birth.cause,
                back_ns=back_ns,
            ),
        )
    return Biography(tuple(lives), tuple(hangs), tuple(unlawful))


def _bus_off(recording: Recording, node: str, at_ns: int) -> bool:
    """Whether a node's controller was bus-off when something happened."""
    state = ""
    for change in recording.controllers.get(node, []):
        if change.at_ns > at_ns or (change.at_ns == at_ns and state == "BUS_OFF"):
            break
        state = change.state
    return state == "BUS_OFF"


def _hang(hung: NodeChange, following: NodeChange | None, end_ns: int) -> Hang:
    if following is None:
        return Hang(hung.at_ns, end_ns, "end")
    ended_by = following.cause if following.state == "reset" else following.state
    return Hang(hung.at_ns, following.at_ns, ended_by)


def quiet_times(
    recording: Recording, lives: dict[str, Biography], lean: Iterable[tuple[int, int]] = ()
) -> list[tuple[int, int]]:
    """The spans in which no injected fault is active, as (from, to) in ns.

    A reset is active until the declared boot of its node is over, whether a fault, a watchdog
    or the power-up caused it; a hang until its program goes on or has booted anew; a supply that
    is out of range (the spans ``lean``) until it is back.
    """
    busy = [
        (fault.applied_ns, recording.end_ns if fault.cleared_ns is None else fault.cleared_ns)
        for fault in recording.faults
    ]
    busy += lean
    for story in lives.values():
        busy += [(life.reset_ns, life.boot_end_ns) for life in story.lives]
        busy += [(hang.from_ns, hang.to_ns) for hang in story.hangs]
    quiet: list[tuple[int, int]] = []
    reached = 0
    for start, end in sorted(busy):
        if start > reached:
            quiet.append((reached, start))
        reached = max(reached, end)
    if reached < recording.end_ns:
        quiet.append((reached, recording.end_ns))
    return quiet
