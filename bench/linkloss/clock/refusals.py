"""What virtual time cannot offer: everything whose duration only the wall clock knows.

A socket, a process or a thread answers when it likes. Waiting for one inside a run would either
stop virtual time for ever or make its outcome depend on the machine, so each such method of the
asyncio interface refuses at once and says why.
"""

from __future__ import annotations

from asyncio import AbstractEventLoop
from typing import Any, NoReturn


def _refuse(method: str, missing: str) -> Any:
    def refusal(self: object, *args: object, **kwargs: object) -> NoReturn:
        del self, args, kwargs
        msg = (
            f"virtual time has no {missing}: {method}() would wait for the wall clock, and the run "
            f"would no longer be the same each time"
        )
        raise NotImplementedError(msg)

    refusal.__name__ = method
    refusal.__qualname__ = f"VirtualLoop.{method}"
    refusal.__doc__ = f"Raise NotImplementedError: virtual time has no {missing}."
    return refusal


class OutsideWorld(AbstractEventLoop):
    """The part of the asyncio interface that reaches outside the run, refused method by method."""

    run_in_executor = _refuse("run_in_executor", "threads")
    set_default_executor = _refuse("set_default_executor", "threads")

    getaddrinfo = _refuse("getaddrinfo", "network")
    getnameinfo = _refuse("getnameinfo", "network")
    create_connection = _refuse("create_connection", "network")
    create_server = _refuse("create_server", "network")
    create_datagram_endpoint = _refuse("create_datagram_endpoint", "network")
    start_tls = _refuse("start_tls", "network")
    sendfile = _refuse("sendfile", "network")

    create_unix_connection = _refuse("create_unix_connection", "sockets")
    create_unix_server = _refuse("create_unix_server", "sockets")
    connect_accepted_socket = _refuse("connect_accepted_socket", "sockets")
    sock_recv = _refuse("sock_recv", "sockets")
    sock_recv_into = _refuse("sock_recv_into", "sockets")
    sock_recvfrom = _refuse("sock_recvfrom", "sockets")
    sock_recvfrom_into = _refuse("sock_recvfrom_into", "sockets")
    sock_sendall = _refuse("sock_sendall", "sockets")
    sock_sendto = _refuse("sock_sendto", "sockets")
    sock_connect = _refuse("sock_connect", "sockets")
    sock_accept = _refuse("sock_accept", "sockets")
    sock_sendfile = _refuse("sock_sendfile", "sockets")

    add_reader = _refuse("add_reader", "file descriptors")
    remove_reader = _refuse("remove_reader", "file descriptors")
    add_writer = _refuse("add_writer", "file descriptors")
    remove_writer = _refuse("remove_writer", "file descriptors")
    connect_read_pipe = _refuse("connect_read_pipe", "pipes")
    connect_write_pipe = _refuse("connect_write_pipe", "pipes")

    subprocess_shell = _refuse("subprocess_shell", "processes")
    subprocess_exec = _refuse("subprocess_exec", "processes")
    add_signal_handler = _refuse("add_signal_handler", "signals")
    remove_signal_handler = _refuse("remove_signal_handler", "signals")

    async def shutdown_default_executor(self, timeout: float | None = None) -> None:  # noqa: ASYNC109 - the interface's own name
        """Return at once: there never was a thread to wait for."""
