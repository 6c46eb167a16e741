"""Running cases on a Dask cluster whose workers see the vehicle's files under the same path."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from linkloss.campaign.order import Order, cases_of
from linkloss.campaign.result import CaseResult
from linkloss.campaign.run import failed_case, run_case
from linkloss.campaign.workers import chunked
from linkloss.model.problem import BadInput
from linkloss.scenario import Scenario


class Cluster:
    """The workers of a Dask scheduler.

    A piece whose worker dies is run again elsewhere, and counts once. One that brings worker
    after worker down is run again case by case, and the case that does it is a finding.
    """

    def __init__(self, address: str) -> None:
        """Connect. Raises BadInput when Dask is not installed or the scheduler does not answer."""
        self._client = _connect(address)

    def run(self, order: Order, cases: Sequence[Scenario], done: int) -> Iterator[CaseResult]:
        """The results of ``cases[done:]``, the order's cases, in their order."""
        client = self._client
        futures = [
            (chunk, client.submit(run_piece, order, chunk, pure=False))
            for chunk in chunked(cases, done)
        ]
        while futures:
            chunk, future = futures.pop(0)
            if future.exception() is None:
                yield from future.result()
            else:
                yield from _one_by_one(client, order, cases, chunk)
            del future  # its result need not stay on the cluster

    def close(self) -> None:
        """Disconnect; the cluster drops what is still waiting."""
        self._client.close()


def run_piece(order: Order, chunk: range) -> list[CaseResult]:
    """Run a piece of an order; called on a worker, which may have threads and so does not fork."""
    cases = cases_of(order)
    return [run_case(cases[index]) for index in chunk]


def _one_by_one(
    client: Any, order: Order, cases: Sequence[Scenario], chunk: range
) -> Iterator[CaseResult]:
    for index in chunk:
        future = client.submit(run_piece, order, range(index, index + 1), pure=False)
        error = future.exception()
        if error is None:
            yield from future.result()
        else:
            text = f"could not be run on the cluster: {type(error).__name__}: {error}"
            yield failed_case(cases[index], text)


def _connect(address: str) -> Any:
    try:
        from distributed import Client  # noqa: PLC0415 - an extra, and slow to import
    except ImportError:
        text = "needs Dask, which is not installed; install the extra 'cluster'"
        raise BadInput.one("linkloss", "--workers", text) from None
    make: Any = Client
    try:
        return make(address, timeout="5s", set_as_default=False)
    except (OSError, ValueError) as error:
        text = f"no Dask scheduler answers at '{address}': {error}"
        raise BadInput.one("linkloss", "--workers", text) from None
