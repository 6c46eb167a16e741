"""Where no bound can be given, and why.

The analysis holds while frames leave every node in order of priority and the declared gaps and
jitter are true. Where a controller breaks that, its messages reach the bus later than declared,
and everything that ranks below may be kept waiting by them: no bound there either. What ranks
above keeps its bound, because a frame of lower rank costs it one frame at most.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from linkloss.timing.plan import Plan, Planned
from linkloss.timing.response import Response


def known_limits(plan: Plan) -> dict[str, str]:
    """Why messages have no bound, as far as the plan alone tells: name -> reason.

    A message is named only for what lies with itself or its node; see :func:`spread`.
    """
    other = next((m for m in plan.messages if not m.classical), None)
    if other is not None:
        what = "is a CAN FD message" if other.fd else f"has {other.length} bytes"
        text = f"{other.name} {what}: only classical frames are covered"
        return {message.name: text for message in plan.messages}
    found = {}
    for message in plan.messages:
        reason = _own_reason(plan, message)
        if reason:
            found[message.name] = reason
    return found


def _own_reason(plan: Plan, message: Planned) -> str:
    if message.shortest_ns is None:
        return "neither a cycle time in the DBC nor a 'min_gap' is declared"
    if len(message.senders) > 1:
        return f"{' and '.join(message.senders)} both send it"
    node = message.senders[0]
    others = [m.name for m in plan.messages if m.senders == (node,) and m is not message]
    if plan.nodes[node].order == "fifo" and others:
        return f"{node} sends in order of arrival, not of priority"
    return ""


def mailbox_limits(plan: Plan, bounded: Mapping[str, Response]) -> dict[str, str]:
    """Messages whose node may run out of mailboxes: then one has to wait outside, whatever its
    priority. A message needs as many as instances of it can wait at one time; one without a bound
    may fill them all.
    """
    limits: dict[str, str] = {}
    for node, sending in plan.nodes.items():
        own = [m for m in plan.messages if m.senders == (node,)]
        endless = [m.name for m in own if m.name not in bounded]
        needed = sum(bounded[m.name].buffered for m in own if m.name in bounded)
        if endless and len(own) > 1:
            text = f"{endless[0]}, which has no bound, may fill the mailboxes of {node}"
        elif needed > sending.mailboxes:
            boxes = "mailbox" if sending.mailboxes == 1 else "mailboxes"
            text = f"{node} has {sending.mailboxes} {boxes} but {needed} frames may wait in it"
        else:
            continue
        limits.update({m.name: text for m in own if m.name in bounded})
    return limits


def spread(messages: Iterable[Planned], limits: Mapping[str, str]) -> dict[str, str]:
    """The same reasons, and for all that ranks below the first of them that it waits behind it."""
    found: dict[str, str] = {}
    first = ""
    for message in messages:
        if message.name in limits:
            found[message.name] = limits[message.name]
            first = first or message.name
        elif first:
            found[message.name] = f"it waits behind {first}, which has no bound"
    return found
