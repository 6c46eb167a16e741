"""What the virtual loop refuses, and how it ends and reports."""

from __future__ import annotations

import asyncio
import logging
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from linkloss.clock import NS_PER_S, VirtualLoop


@pytest.fixture
def loop():
    loop = VirtualLoop()
    yield loop
    if not loop.is_closed():
        for task in asyncio.all_tasks(loop):
            task.cancel()
        loop.call_soon(loop.stop)
        loop.run_forever()
        loop.close()


# The outside world


def test_a_run_opens_no_file_descriptor_and_starts_no_thread():
    folder = Path("/proc/self/fd")

    def open_descriptors():
        return set(folder.iterdir()) if folder.is_dir() else set()

    descriptors = open_descriptors()
    inside = []

    async def main():
        await asyncio.sleep(1)
        inside.append(threading.active_count())
        if descriptors:
            inside.append(open_descriptors())

    threads = threading.active_count()
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(main())
    assert inside[0] == threads
    # Listing the folder opens one descriptor itself, under the first free number both times.
    assert not descriptors or inside[1] == descriptors


_REFUSED = [
    ("run_in_executor", (None, int), "threads"),
    ("set_default_executor", (None,), "threads"),
    ("add_reader", (0, int), "file descriptors"),
    ("add_signal_handler", (2, int), "signals"),
    ("create_connection", (object, "localhost", 1), "network"),
    ("create_server", (object,), "network"),
    ("getaddrinfo", ("localhost", 1), "network"),
    ("sock_recv", (None, 1), "sockets"),
    ("connect_read_pipe", (object, None), "pipes"),
    ("subprocess_exec", (object, "true"), "processes"),
]


@pytest.mark.parametrize(("method", "args", "missing"), _REFUSED)
def test_what_needs_the_wall_clock_is_refused_with_the_reason(loop, method, args, missing):
    expected = rf"virtual time has no {missing}: {method}\(\) would wait for the wall clock"
    with pytest.raises(NotImplementedError, match=expected):
        getattr(loop, method)(*args)


def test_every_method_of_the_asyncio_interface_is_there_or_refused():
    inherited = [
        name
        for name, member in vars(asyncio.AbstractEventLoop).items()
        if callable(member) and not name.startswith("_") and getattr(VirtualLoop, name) is member
    ]
    assert inherited == []


def test_to_thread_is_refused_too(loop):
    with pytest.raises(NotImplementedError, match="virtual time has no threads"):
        loop.run_until_complete(asyncio.to_thread(int))


def test_another_thread_may_not_call_in(loop):
    errors = []

    def call_in():
        try:
            loop.call_soon_threadsafe(int)
        except RuntimeError as error:
            errors.append(str(error))

    thread = threading.Thread(target=call_in)
    thread.start()
    thread.join()
    assert len(errors) == 1
    assert errors[0].startswith("virtual time has one thread")
    ran = []
    loop.call_soon_threadsafe(ran.append, "same thread")
    loop.run_until_complete(asyncio.sleep(0))
    assert ran == ["same thread"]


def test_the_loop_imports_without_the_network_modules_opening_anything():
    code = (
        "import asyncio, linkloss.clock as c\n"
        "loop = c.VirtualLoop()\n"
        "print(loop.run_until_complete(asyncio.sleep(3600, 'an hour')), loop.queue.now_ns)\n"
        "loop.close()\n"
    )
    done = subprocess.run(
        [sys.executable, "-X", "dev", "-W", "error", "-c", code],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout == "an hour 3600000000000\n"
    assert done.stderr == ""


# Closing


def test_close_drops_what_is_scheduled_here_and_keeps_what_is_others(loop):
    ran = []
    loop.call_soon(pytest.fail, "must not run")
    loop.call_later(1, pytest.fail, "must not run")
    loop.call_at(0, pytest.fail, "must not run")
    loop.queue.at(2 * NS_PER_S, ran.append, "plain")
    other = VirtualLoop(loop.queue)
    other.call_later(1, ran.append, "other loop")
    loop.close()
    loop.close()
    assert loop.is_closed()
    loop.queue.run_until(3 * NS_PER_S)
    assert ran == ["other loop", "plain"]
    other.close()


@pytest.mark.parametrize(
    "use",
    [
        lambda loop: loop.call_soon(int),
        lambda loop: loop.call_soon_threadsafe(int),
        lambda loop: loop.call_later(1, int),
        lambda loop: loop.call_at(1, int),
        lambda loop: loop.run_forever(),
        lambda loop: loop.create_task(None),
        lambda loop: loop.run_until_complete(None),
    ],
)
def test_a_closed_loop_refuses_work(loop, use):
    loop.close()
    with pytest.raises(RuntimeError, match="Event loop is closed"):
        use(loop)


def test_the_default_exception_handler_logs_the_message_and_the_handle(loop, caplog):
    loop.set_debug(True)
    loop.call_soon(lambda: 1 // 0)
    with caplog.at_level(logging.ERROR, logger="asyncio"):
        loop.run_until_complete(asyncio.sleep(0))
    (record,) = caplog.records
    assert record.message.startswith("Exception in callback ")
    assert "Object created at (most recent call last):" in record.message
    assert "test_loop_closed_world.py" in record.message
    assert record.exc_info[0] is ZeroDivisionError


def test_a_failing_exception_handler_is_logged_and_the_run_goes_on(loop, caplog):
    loop.set_exception_handler(lambda loop, context: context["no such key"])
    loop.call_soon(lambda: 1 // 0)
    with caplog.at_level(logging.ERROR, logger="asyncio"):
        assert loop.run_until_complete(asyncio.sleep(0, "went on")) == "went on"
    assert "Unhandled error in exception handler" in caplog.text


def test_the_representation_tells_the_state(loop):
    loop.queue.run_until(5)
    assert repr(loop) == "<VirtualLoop now_ns=5 running=False closed=False debug=False>"
    assert "when=0.5" in repr(loop.call_later(0.5 - 5e-9, int))
    handle = loop.call_soon(int)
    handle.cancel()
    assert repr(handle) == "<ReadyHandle cancelled>"
