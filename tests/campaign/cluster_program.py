"""A check on a real local Dask cluster of some workers, of which one is killed on the way if there
are two; run as a program, because a cluster's processes import the main module."""

from __future__ import annotations

import os
import signal
import sys
from typing import Any

from distributed import LocalCluster

from linkloss import check, load_vehicle


def main(vehicle_path: str, number: int, situations: list[str]) -> None:
    vehicle = load_vehicle(vehicle_path)
    choice: dict[str, Any] = {"only": ["cut"], "situations": situations}
    here = check(vehicle, jobs=1, **choice)
    killed: list[int] = []
    with LocalCluster(
        n_workers=number, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        workers = [nanny.pid for nanny in cluster.workers.values()]

        def progress(done: int, total: int | None) -> None:
            if done and not killed and number > 1:
                os.kill(workers[0], signal.SIGKILL)
                killed.append(done)

        there = check(vehicle, cluster=cluster.scheduler_address, progress=progress, **choice)
    print(len(killed), len(here.cases), list(here.cases) == list(there.cases))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3:])
