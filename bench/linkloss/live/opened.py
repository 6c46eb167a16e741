"""A live session whose bus is open to programs and real nodes outside the bench.

The endpoints are opened again for each session that begins.

A user names them with ``--open``: ``udp``, ``slcan``, ``socketcan:vcan0``.

Everything on the bus happens in the thread of the session. The endpoints' threads only enter what
they hear, each frame with its own instant.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from importlib.util import find_spec
from typing import Self

from linkloss.bus import Frame
from linkloss.live.driven import LiveSession
from linkloss.live.endpoints import FIRST_PORT, AdapterEndpoint, Endpoint, Line, UdpEndpoint
from linkloss.problem import BadInput, ensure_linux, unknown
from linkloss.recording import Outside, OutsideEvent, Presence
from linkloss.units import show_duration

KINDS = ("udp", "slcan", "socketcan")


def endpoints(words: Sequence[str]) -> list[Endpoint]:
    """One endpoint for each word; each is for one program.

    :raises BadInput: for an unknown word, a missing library, or two programs at one endpoint.
    """
    found: list[Endpoint] = []
    for word in words:
        kind, _, where = word.partition(":")
        number = 1 + sum(one.name.startswith(kind) for one in found)
        if kind == "udp":
            if find_spec("msgpack") is None:
                raise _bad("'udp' needs a library: pip install 'linkloss[open]'")
            found.append(UdpEndpoint(f"udp{number}", _port(word, where, FIRST_PORT + number - 1)))
        elif kind == "slcan" and not where:
            found.append(_serial_line(f"slcan{number}"))
        elif kind == "socketcan" and where:
            ensure_linux(f"--open {word}", "for CAN interfaces of the kernel")
            found.append(AdapterEndpoint(where, "socketcan", where, f"--open {word}", {}))
        elif kind in KINDS:
            raise _bad(f"got '{word}'; expected udp, udp:PORT, slcan or socketcan:vcan0")
        else:
            raise _bad(unknown("way to open the bus", kind, KINDS))
    names = {endpoint.name for endpoint in found}
    ports = [endpoint.port for endpoint in found if isinstance(endpoint, UdpEndpoint)]
    if len(names) < len(found) or len(set(ports)) < len(ports):
        raise _bad("two programs would share an endpoint; expected one for each")
    return found


def _serial_line(name: str) -> Endpoint:
    ensure_linux("--open slcan", "for a pseudo-terminal")
    from linkloss.live.serial_line import SerialLineEndpoint  # not on every system

    return SerialLineEndpoint(name)


def _port(word: str, where: str, usual: int) -> int:
    if not where:
        return usual
    if not (where.isdecimal() and 1024 <= int(where) < 65_536):
        raise _bad(f"got '{word}'; expected a port from 1024 to 65535, such as udp:{FIRST_PORT}")
    return int(where)


def _bad(text: str) -> BadInput:
    return BadInput.one("linkloss", "--open", text)


class OpenBus:
    """The endpoints of a live session; a context manager that closes them.

    :param endpoints: one for each name in the session's ``outside``.
    :param say: called from any thread with a text for the user.
    :raises BadInput: if an endpoint cannot be opened.
    """

    def __init__(
        self,
        live: LiveSession,
        endpoints: Sequence[Endpoint],
        say: Callable[[str], object] = lambda _: None,
    ) -> None:
        self.live = live
        self.endpoints = endpoints
        self.heard_ns: dict[str, int] = {}
        """The instant at which a frame of each endpoint was last heard."""
        self.say = say
        self._outsiders = live.session.outsiders
        try:
            for endpoint in endpoints:
                endpoint.open(self._line(endpoint.name))
                self._outsiders.ears[endpoint.name] = endpoint.take
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close all endpoints. Idempotent."""
        for endpoint in self.endpoints:
            endpoint.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def accounts(self) -> list[str]:
        """Sentences on what was lost, and on how well the bench kept up with real time."""
        told = [
            f"{name}: {count} frames found no free place in the queue of its controller"
            for name, count in self._outsiders.refused.items()
        ]
        told += [f"{end.name}: {end.lost} frames were lost" for end in self.endpoints if end.lost]
        pacer = self.live.pacer
        late_ms = pacer.lateness.percentile(0.99) / 1e6
        told.append(f"99 of 100 turns of the bus were at most {late_ms:.2f} ms late")
        if pacer.given_up_ns:
            lost_s = pacer.given_up_ns / 1e9
            told.append(f"the computer was too slow: the bus stood still for {lost_s:.3f} s")
        return told

    def as_it_went(self, outside: Outside) -> Outside:
        """``outside``, corrected after the session: lateness of the bus adds to the delay to the
        real nodes, and lost frames put all results in doubt.
        """
        pacer, doubt = self.live.pacer, ""
        lost = sum(end.lost for end in self.endpoints if end.name in outside.nodes)
        if lost:
            doubt = f"because {lost} frames did not get through to a real node"
        elif pacer.given_up_ns:
            doubt = f"because the bus stood still for {show_duration(pacer.given_up_ns)}"
        return replace(outside, delay_ns=outside.delay_ns + pacer.lateness.worst_ns, doubt=doubt)

    def _line(self, name: str) -> Line:
        return Line(
            bit_rate=self.live.vehicle.buses[0].bit_rate,
            heard=partial(self._heard, name),
            present=partial(self._present, name),
            say=self.say,
            fd=self.live.vehicle.fd,
        )

    def by_hand(self, node: str, text: str, *, there: bool) -> int:
        """A person has done something to a real node, or undone it. Return the instant in ns."""
        presence: Presence = "off" if there else "on"
        return self._enter(OutsideEvent(0, node, None, presence, text))

    def _heard(self, name: str, frame: Frame) -> None:
        self.heard_ns[name] = self._enter(OutsideEvent(0, name, frame))

    def _present(self, name: str, presence: Presence) -> None:
        if name in self._outsiders.outside.programs:
            self._enter(OutsideEvent(0, name, None, presence))

    def _enter(self, event: OutsideEvent) -> int:
        return self.live.pacer.enter(lambda _: self._outsiders.act(event))


def outside_of(
    programs: Sequence[Endpoint], nodes: Sequence[Endpoint] = (), delay_ns: int = 0
) -> Outside:
    """The programs and real nodes behind these endpoints. The way to a real node takes up to
    ``delay_ns``.
    """
    return Outside(
        programs=tuple(endpoint.name for endpoint in programs),
        nodes=tuple(endpoint.name for endpoint in nodes),
        delay_ns=delay_ns,
    )


class Doors:
    """The endpoints named with ``--open``. ``tell`` gets texts for the user: how to join, and what
    is seen.
    """

    def __init__(self, words: Sequence[str], tell: Callable[[str], object]) -> None:
        self._words = words
        self._tell = tell
        self._bus: OpenBus | None = None

    def begin(self, make: Callable[[Outside | None], LiveSession]) -> LiveSession:
        """A new session with its bus open. The bus of the previous session is closed.

        :raises BadInput: if an endpoint cannot be opened.
        """
        self.close()
        ends = endpoints(self._words)
        live = make(outside_of(ends) if ends else None)
        if ends:
            self._bus = OpenBus(live, ends, self._tell)
            for endpoint in ends:
                self._tell(f"{endpoint.name}: {endpoint.how_to_join()}")
        return live

    def close(self) -> None:
        """Close what is open. Idempotent."""
        if self._bus is not None:
            self._bus.close()
            self._bus = None
