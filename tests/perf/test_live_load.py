"""A live session under load: 500 kbit/s, 60 % busy, ten clients that watch.

Nothing is lost, however busy the computer is; how late things were, how many pictures came and what
it cost is printed (``-s``) and not asserted. ``LINKLOSS_LIVE_SECONDS=60`` makes it longer,
``LINKLOSS_LIVE_SPEED=10`` asks for ten times, and ``LINKLOSS_LIVE_SHARE=0`` leaves Wren alone.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

client = pytest.importorskip("websockets.asyncio.client", reason="needs the extra 'web'")
pytest.importorskip("uvicorn", reason="needs the extra 'web'")
ROOT = Path(__file__).parents[2]
SECONDS = float(os.environ.get("LINKLOSS_LIVE_SECONDS", "1"))
CLIENTS = 10


async def watch(address: str, ready: asyncio.Barrier) -> None:
    origin = "/".join(address.split("/")[:3])
    target = address.replace("http", "ws", 1) + "bus"
    async with client.connect(target, origin=origin, compression=None, proxy=None) as connection:
        await connection.recv()
        await ready.wait()
        async for text in connection:
            state = json.loads(text)["state"]
            await connection.send(json.dumps({"do": "seen", "state": state["at"]}))


async def watch_all(address: str, process: subprocess.Popen[str]) -> None:
    ready = asyncio.Barrier(CLIENTS + 1)
    watching = [asyncio.create_task(watch(address, ready)) for _ in range(CLIENTS)]
    await ready.wait()
    process.stdin.write("begin\n")
    process.stdin.flush()
    await asyncio.sleep(SECONDS)
    process.stdin.write("enough\n")
    process.stdin.flush()
    await asyncio.sleep(0.1)
    for task in watching:
        task.cancel()
    await asyncio.gather(*watching, return_exceptions=True)


def test_no_frame_is_lost_at_60_percent_with_ten_who_watch():
    command = [sys.executable, str(ROOT / "tests/perf/live_load.py")]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment
    ) as process:
        address = process.stdout.readline().strip()
        asyncio.run(watch_all(address, process))
        figures = json.loads(process.stdout.readline())
        process.stdin.close()
    print(json.dumps(figures, indent=2))
    assert figures["lost"] == figures["overruns"] == figures["failed"] == 0
    assert figures["watchers"] == CLIENTS
    assert figures["frames"] > 0
    assert figures["states_per_s"] > 0
