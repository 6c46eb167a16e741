"""Small message plans for the tests."""

from __future__ import annotations

from linkloss.sizing.message_plan import NO_ERRORS, Errors, Plan, Planned, Sending, Watch

MS = 1_000_000


def message(
    name: str,
    identifier: int,
    sender: str = "dash",
    period_ms: float | None = 10,
    *,
    length: int = 8,
    shortest_ms: float | None = None,
    deadline_ms: float | None = None,
    jitter_ms: float = 0,
    extended: bool = False,
    senders: tuple[str, ...] | None = None,
    watches: tuple[Watch, ...] = (),
) -> Planned:
    period_ns = None if period_ms is None else round(period_ms * MS)
    shortest_ns = period_ns if shortest_ms is None else round(shortest_ms * MS)
    deadline_ns = period_ns if deadline_ms is None else round(deadline_ms * MS)
    return Planned(
        name, identifier, extended, length, senders or (sender,), period_ns, shortest_ns,
        round(jitter_ms * MS), deadline_ns, watches,
    )  # fmt: skip


def plan(
    *messages: Planned,
    bit_rate: int = 125_000,
    errors: Errors = NO_ERRORS,
    worst_wait_ns: int | None = None,
    **nodes: Sending,
) -> Plan:
    senders = {name for each in messages for name in each.senders}
    offered = {name: Sending(8, "priority") for name in sorted(senders)} | nodes
    ordered = tuple(sorted(messages, key=lambda each: each.rank))
    return Plan(bit_rate, ordered, offered, errors, worst_wait_ns=worst_wait_ns)
