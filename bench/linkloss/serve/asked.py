"""What a user asks to be opened, as endpoints: ``udp``, ``slcan``, ``socketcan:vcan0``."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec

from linkloss.model.problem import BadInput, unknown
from linkloss.serve.adapter import AdapterEndpoint
from linkloss.serve.endpoint import Endpoint
from linkloss.serve.serial_line import SerialLineEndpoint
from linkloss.serve.udp import FIRST_PORT, UdpEndpoint

KINDS = ("udp", "slcan", "socketcan")


def endpoints(words: Sequence[str]) -> list[Endpoint]:
    """One endpoint for each word; each is for one program. Raises BadInput."""
    found: list[Endpoint] = []
    for word in words:
        kind, _, where = word.partition(":")
        number = 1 + sum(one.name.startswith(kind) for one in found)
        if kind == "udp":
            _need("msgpack", "udp")
            found.append(UdpEndpoint(f"udp{number}", _port(word, where, FIRST_PORT + number - 1)))
        elif kind == "slcan" and not where:
            found.append(SerialLineEndpoint(f"slcan{number}"))
        elif kind == "socketcan" and where:
            found.append(AdapterEndpoint(where, "socketcan", where, f"--open {word}", {}))
        elif kind in KINDS:
            raise _bad(f"got '{word}'; expected udp, udp:PORT, slcan or socketcan:vcan0")
        else:
            raise _bad(unknown("way to open the bus", kind, KINDS))
    _all_different(found)
    return found


def _port(word: str, where: str, usual: int) -> int:
    if not where:
        return usual
    if not (where.isdecimal() and 1024 <= int(where) < 65_536):
        raise _bad(f"got '{word}'; expected a port from 1024 to 65535, such as udp:{FIRST_PORT}")
    return int(where)


def _all_different(found: Sequence[Endpoint]) -> None:
    names = [endpoint.name for endpoint in found]
    ports = [endpoint.port for endpoint in found if isinstance(endpoint, UdpEndpoint)]
    if len(set(names)) < len(names) or len(set(ports)) < len(ports):
        raise _bad("two programs would share an endpoint; expected one for each")


def _need(library: str, extra: str) -> None:
    if find_spec(library) is None:
        raise _bad(f"'{extra}' needs a library: pip install 'linkloss[open]'")


def _bad(text: str) -> BadInput:
    return BadInput.one("linkloss", "--open", text)
