"""``linkloss serve`` as a command: its options, and a run with a real node that the test plays."""

from __future__ import annotations

import io
import itertools
import json
import threading

import can
import pytest
from serve_lab import rear_status, reporting_car

from linkloss.cli import main
from linkloss.clock.wallclock import monotonic_seconds

WREN = "scenarios/wren/vehicle.toml"
REAL = ["--real", "rear", "--interface", "virtual", "--channel", "real rear"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ([], "nothing to open; expected udp, slcan or socketcan:vcan0, or '--real NODE'"),
        (["--open", "upd"], "did you mean 'udp'?"),
        (["--open", "slcan", "--situation", "rian"], "did you mean 'rain'?"),
        (["--open", "slcan", "--speed", "20"], "got a speed of 20"),
        (["--open", "slcan", "--channel", "x"], "belongs to a real node"),
        (["--open", "slcan", "--checklist"], "belongs to a real node"),
        (["--real", "rear"], "expected '--interface' and '--channel'"),
        ([*REAL, "--speed", "2"], "'rear' is real and runs only at 1"),
        ([*REAL, "--bitrate", "500000"], "got 500000; the bus of Wren runs at 250000"),
        ([*REAL, "--fault", "hang(rear)@1s+1s"], "would happen inside of 'rear', which is real"),
        (["--real", "rear", "--interface", "vrtual", "--channel", "x"], "cannot open 'vrtual'"),
    ],
)
def test_what_cannot_be_meant_is_told_in_a_line(options, said, capsys):
    assert main(["serve", WREN, *options]) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert "Traceback" not in told.err


def test_a_real_node_in_the_place_of_a_simulated_one(tmp_path, capsys):
    vehicle = reporting_car(tmp_path)
    over, heard = threading.Event(), set()

    def rear():
        with can.Bus(interface="virtual", channel="real rear") as bus:
            next_s = monotonic_seconds()
            for count in itertools.count():
                frame = rear_status(vehicle, count, socket_on=False)
                bus.send(
                    can.Message(
                        arbitration_id=frame.identifier, data=frame.data, is_extended_id=False
                    )
                )
                next_s += 0.1
                while (left_s := next_s - monotonic_seconds()) > 0:
                    message = bus.recv(left_s)
                    if message is not None:
                        heard.add(message.arbitration_id)
                if over.is_set():
                    return

    node = threading.Thread(target=rear)
    node.start()
    result = tmp_path / "run.json"
    try:
        code = main(
            ["serve", str(vehicle.path), *REAL, "--lasts", "1500 ms", "--save", str(tmp_path),
             "--json", str(result), "-q"]
        )  # fmt: skip
    finally:
        over.set()
        node.join(5)
    told = " ".join(capsys.readouterr().out.split())
    assert code == 0, told
    assert told.index("Caution: 'rear' is real") < told.index("rear: the programs on virtual")
    assert "Judged by what it reports, one sample for each message: accessory_socket" in told
    not_done = told.partition("Not exercised on rear: ")[2].partition(";")[0].split(", ")
    assert {"bus_off", "hang", "brown_out", "open", "load_short"} <= set(not_done)
    assert not {"cut", "drop"} & set(not_done)
    assert {0x0A0, 0x0D0, 0x0C0} <= heard  # what the dash and the engine send
    assert 0x202 not in heard  # its own
    found = json.loads(result.read_text())
    assert found["logged"] == ["rear"]
    assert any(frame[2] == "rear" for frame in found["frames"])
    assert main(["run", str(tmp_path / "served.toml"), "-q"]) == code


def test_the_checklist_is_asked_on_the_terminal_and_goes_into_the_result(capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("no\n"))
    code = main(["serve", WREN, *REAL, "--checklist", "-q", "-v"])
    told = " ".join(capsys.readouterr().out.split())
    assert code == 3
    assert "Caution: 'rear' is real" in told
    assert "Is all of that done? Type yes:" in told
    assert "the checklist is not exercised" in told
    assert "Not exercised, because it was not done: rear (plug by hand), rear (supply by" in told
