"""Programs in other processes take part: a listener and a periodic sender, by plain python-can,
over ``udp_multicast`` and over ``slcan`` on a pseudo-terminal.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

from linkloss.recording import read_frames, read_recording
from linkloss.scenario import load_scenario
from linkloss.session import simulate

pytest.importorskip("msgpack", reason="python-can's udp_multicast needs msgpack")
pytest.importorskip("serial", reason="python-can's slcan needs pyserial")

LISTENER = """
import can, sys
with eval(sys.argv[1]) as bus:
    missing = {0x0A0, 0x651, 0x652}  # the car's lamp request, and both senders
    for message in bus:
        print(f"{message.arbitration_id:03X}#{message.data.hex()}", flush=True)
        missing.discard(message.arbitration_id)
        if not missing:
            break
"""
SENDER = """
import can, sys, time
with eval(sys.argv[1]) as bus:
    message = can.Message(arbitration_id=int(sys.argv[2], 16), data=[0], is_extended_id=False)
    def count(it):
        it.data[0] = (it.data[0] + 1) % 256
    bus.send_periodic(message, 0.02, modifier_callback=count)
    sys.stdin.read()  # until the test lets go
"""


def program(text, *arguments):
    return subprocess.Popen(
        [sys.executable, "-c", text, *arguments],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


@pytest.fixture
def serve(request, tmp_path):
    """``linkloss serve`` in a process of its own, as a user starts it; ended by Ctrl-C."""
    command = [sys.executable, "-m", "linkloss.cli", "serve", "scenarios/wren/vehicle.toml"]
    port = 40_000 + os.getpid() % 20_000
    words = [f"udp:{port}", f"udp:{port + 1}", "slcan", "slcan"]
    process = subprocess.Popen(
        [*command, "--open", *words, "--save", str(tmp_path), "--json", str(tmp_path / "run.json"),
         "-q"],
        cwd=request.config.rootpath, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    yield process
    process.kill()
    process.communicate()


@pytest.mark.slow  # test_endpoints.py and test_opened.py have the same ways in, in one process
def test_listeners_and_senders_over_udp_and_a_serial_line(serve, tmp_path):
    joins = {}
    while len(joins) < 4:
        line = serve.stdout.readline()
        assert line, serve.stderr.read()
        name, _, call = line.strip().partition(": ")
        joins[name] = call
    listeners = [program(LISTENER, joins["udp1"]), program(LISTENER, joins["slcan1"])]
    senders = [program(SENDER, joins["udp2"], "651"), program(SENDER, joins["slcan2"], "652")]
    heard = []
    for listener in listeners:
        out, err = listener.communicate(timeout=120)
        assert listener.returncode == 0, err
        heard.append(out.split())
    for sender in senders:
        sender.communicate(input="", timeout=120)
    serve.send_signal(signal.SIGINT)
    out, err = serve.communicate(timeout=120)
    assert serve.returncode in (0, 3), err
    assert "ended by hand" in out
    assert "two programs share" not in out
    for lines in heard:  # nothing twice: the counter of a sender goes up by one
        for identifier in ("651", "652"):
            counts = [int(text[4:], 16) for text in lines if text.startswith(identifier)]
            assert counts == [(counts[0] + n) % 256 for n in range(len(counts))]
    _runs_again(tmp_path, out)


def _runs_again(folder, out):
    """The session as it was saved, without the programs, gives the same frames on the bus."""
    path = folder / "served.toml"
    assert f"linkloss run {path}" in out
    frames = read_frames((folder / "served.outside.log").read_text().splitlines())
    assert {event.name for event in frames} == {"udp2", "slcan2"}
    recording = simulate(load_scenario(path))
    result = folder / "run.json"
    live, _ = read_recording(result)
    assert live.frames == recording.frames
    assert live.outputs == recording.outputs
    sent = [record.sender for record in recording.frames if record.error is None]
    assert sent.count("udp2") == sum(event.name == "udp2" for event in frames)
    assert sent.count("slcan2") == sum(event.name == "slcan2" for event in frames)
