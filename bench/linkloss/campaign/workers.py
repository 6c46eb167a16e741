"""Running cases on all cores of this machine, or on a Dask cluster whose workers see the vehicle's
files under the same path. The results are in the order of the cases.
"""

from __future__ import annotations

import multiprocessing
import signal
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from multiprocessing import Event
from multiprocessing.synchronize import Event as EventType
from typing import Any, Literal, TypeVar

from linkloss.campaign.isolation import Stopped, beginning, can_branch, isolated
from linkloss.campaign.result import CaseResult
from linkloss.campaign.run import failed_case, run_case
from linkloss.campaign.selection import CheckRequest, cases_of
from linkloss.problem import BadInput
from linkloss.scenario import Scenario

CHUNK = 24
"""Cases that a worker takes at once: its first case fills caches that the others use."""

Item = TypeVar("Item")
Result = TypeVar("Result")
Tell = Callable[[CaseResult], object]


def tell_nobody(result: object) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True)
class Workers:
    """Processes of this machine. ``branch`` and ``limit_s`` are those of :func:`isolated`."""

    jobs: int
    branch: bool
    limit_s: float

    def close(self) -> None:
        """Do nothing: the processes end with each run."""

    def run(
        self, order: CheckRequest, cases: Sequence[Scenario], done: int, tell: Tell = tell_nobody
    ) -> Generator[CaseResult, None, None]:
        """The results of ``cases[done:]`` in their order. ``tell(result)`` is called as they come.

        Where processes can fork, each case runs away from its worker, and the workers inherit the
        cases. Forking is not safe in a program with several threads, and does not exist on every
        system: there the workers build the cases again and run them one after the other, with the
        same results.
        """
        chunks = list(chunked(cases, done, self.jobs))
        if can_branch():

            def piece(number: int, stop: Callable[[], bool]) -> list[CaseResult]:
                wanted = [cases[index] for index in chunks[number]]
                try:
                    return isolated(wanted, branch=self.branch, limit_s=self.limit_s, stop=stop)
                except Stopped:
                    return []

            found = forked(self.jobs, len(chunks), piece, partial(_tell_all, tell))
        elif len(chunks) > 1 and self.jobs > 1:
            work = partial(run_piece, order)
            found = _pooled("spawn", self.jobs, work, chunks, Event(), partial(_tell_all, tell))
        else:
            for result in map(run_case, cases[done:]):
                tell(result)
                yield result
            return
        for results in found:
            yield from results


def _tell_all(tell: Tell, results: Iterable[CaseResult]) -> None:
    for result in results:
        tell(result)


def forked(
    jobs: int,
    number: int,
    work: Callable[[int, Callable[[], bool]], Result],
    tell: Callable[[Result], object] = tell_nobody,
) -> Iterator[Result]:
    """``number`` calls ``work(0, stop)``, ``work(1, stop)``, ... in ``jobs`` forked processes,
    which inherit everything that it needs. ``stop()`` is true once the rest is no longer wanted.
    The results are in order; ``tell(result)`` is called as they come.
    """
    stop = Event()
    _Inherited.work = lambda place: work(place, stop.is_set)
    yield from _pooled("fork", jobs, _inherited, range(number), stop, tell)


class _Inherited:
    """What forked processes do; it does not have to be sent to them."""

    work: Callable[[int], Any]


def _inherited(number: int) -> Any:
    return _Inherited.work(number)


def _pooled(
    method: Literal["fork", "spawn"],
    jobs: int,
    work: Callable[[Item], Result],
    items: Sequence[Item],
    stop: EventType,
    tell: Callable[[Result], object],
) -> Iterator[Result]:
    pool = ProcessPoolExecutor(
        max(1, min(jobs, len(items))),
        mp_context=multiprocessing.get_context(method),
        initializer=signal.signal,  # only the parent handles an interrupt
        initargs=(signal.SIGINT, signal.SIG_IGN),
    )
    try:
        futures = deque(pool.submit(work, item) for item in items)
        running = set(futures)
        while futures:
            if futures[0] in running:
                done, running = wait(running, return_when=FIRST_COMPLETED)
                for future in done:
                    tell(future.result())
            else:
                yield futures.popleft().result()
    except BaseException:
        stop.set()  # interrupted, or the rest is no longer wanted
        raise
    finally:
        pool.shutdown(cancel_futures=True)


def chunked(cases: Sequence[Scenario], start: int = 0, jobs: int = 1) -> Iterator[range]:
    """The cases from ``start`` on in pieces for the workers.

    Cases with a long beginning in common form pieces of their own, and no more of them than
    ``jobs``: the beginning runs once in each. The others are cut into pieces small enough for all
    workers to be busy until the end. The first ones are smaller still: a result comes with its
    piece.
    """
    jobs, made = max(1, jobs), 0
    small = min(CHUNK, -(-(len(cases) - start) // (_ROUNDS * jobs)))
    for common, group in groupby(range(start, len(cases)), lambda place: beginning(cases[place])):
        places = list(group)
        first, end = places[0], places[-1] + 1
        while first < end:
            share = max(CHUNK, -(-len(places) // jobs))
            size = min(small, 1 << made // (_ROUNDS * jobs)) if common is None else share
            yield range(first, min(first + size, end))
            first, made = first + size, made + 1


_ROUNDS = 4
"""The least number of pieces for each worker, where there are enough cases."""


class Cluster:
    """The workers of a Dask scheduler.

    A piece whose worker dies runs again elsewhere, and counts once. A piece that brings down worker
    after worker runs again case by case, and the case that does it is a finding.
    """

    def __init__(self, address: str) -> None:
        """Connect. Raises BadInput if Dask is not installed or the scheduler does not answer."""
        self._client = _connect(address)

    def run(
        self, order: CheckRequest, cases: Sequence[Scenario], done: int, tell: Tell = tell_nobody
    ) -> Generator[CaseResult, None, None]:
        """The results of ``cases[done:]``, the order's cases, in their order. ``tell(result)`` is
        called with each.
        """
        for result in self._found(order, cases, done):
            tell(result)
            yield result

    def _found(
        self, order: CheckRequest, cases: Sequence[Scenario], done: int
    ) -> Iterator[CaseResult]:
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
            del future  # the cluster need not keep its result

    def close(self) -> None:
        """Disconnect; the cluster drops what is still waiting."""
        self._client.close()


def run_piece(order: CheckRequest, chunk: range) -> list[CaseResult]:
    """Run a piece of an order; called on a worker, which may have threads and so does not fork."""
    cases = cases_of(order)
    return [run_case(cases[index]) for index in chunk]


def _one_by_one(
    client: Any, order: CheckRequest, cases: Sequence[Scenario], chunk: range
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
        from distributed import Client  # an extra, and slow to import
    except ImportError:
        text = "needs Dask, which is not installed; install the extra 'cluster'"
        raise BadInput.one("linkloss", "--workers", text) from None
    make: Any = Client
    try:
        return make(address, timeout="5s", set_as_default=False)
    except (OSError, ValueError) as error:
        text = f"no Dask scheduler answers at '{address}': {error}"
        raise BadInput.one("linkloss", "--workers", text) from None
