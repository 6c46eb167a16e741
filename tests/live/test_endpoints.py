"""Each kind of endpoint by itself, with python-can at its other end."""

from __future__ import annotations

import os
import queue
import socket

import can
import pytest

from linkloss.bus import FdFrame, Frame
from linkloss.clock.wallclock import monotonic_seconds
from linkloss.live.endpoints import AdapterEndpoint, Line, UdpEndpoint
from linkloss.live.opened import endpoints
from linkloss.live.serial_line import SerialLineEndpoint
from linkloss.problem import BadInput

SOON = 5.0


@pytest.fixture
def opened():
    """Opens an endpoint with a line that keeps what comes."""
    all_opened = []

    def start(endpoint):
        endpoint.frames, endpoint.presence, endpoint.said = (queue.Queue() for _ in range(3))
        line = Line(250_000, endpoint.frames.put, endpoint.presence.put, endpoint.said.put)
        endpoint.open(line)
        all_opened.append(endpoint)
        return endpoint

    yield start
    for endpoint in all_opened:
        endpoint.close()


def message(identifier=0x123, data=b"\x01"):
    return can.Message(arbitration_id=identifier, data=data, is_extended_id=identifier > 0x7FF)


class TestUdp:
    @pytest.fixture
    def endpoint(self, opened):
        pytest.importorskip("msgpack")
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("", 0))
            port = free.getsockname()[1]
        return opened(UdpEndpoint("udp1", port))

    @pytest.fixture
    def program(self, endpoint):
        with eval(endpoint.how_to_join()) as bus:  # what the user is told
            yield bus

    def test_frames_go_both_ways_and_what_the_bench_sends_does_not_come_back(
        self, endpoint, program
    ):
        assert endpoint.presence.get(timeout=SOON) == "on"
        endpoint.take(Frame(0x1234567, b"\x02", True))
        assert program.recv(SOON).equals(message(0x1234567, b"\x02"), timestamp_delta=None)
        program.send(message())
        assert endpoint.frames.get(timeout=SOON) == Frame(0x123, b"\x01")
        assert endpoint.frames.empty()

    def test_a_second_program_is_told(self, endpoint, program):
        with eval(endpoint.how_to_join()):
            assert "two programs share this endpoint" in endpoint.said.get(timeout=SOON)

    def test_noise_on_the_port_is_left_out_and_told(self, endpoint, program):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as stranger:
            stranger.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 0)
            stranger.sendto(b"\xc1noise", (endpoint.group, endpoint.port))
        assert "not a CAN frame of this bus" in endpoint.said.get(timeout=SOON)
        program.send(message(0x55))
        assert endpoint.frames.get(timeout=SOON).identifier == 0x55


class TestSerialLine:
    @pytest.fixture
    def endpoint(self, opened):
        pytest.importorskip("serial")
        return opened(SerialLineEndpoint("slcan1"))

    def test_a_program_comes_takes_part_and_goes(self, endpoint):
        with eval(endpoint.how_to_join()) as bus:
            assert endpoint.presence.get(timeout=SOON) == "on"
            while not endpoint.presence.empty():
                endpoint.presence.get()
            bus.send(message(0x1ABCDEF, bytes(8)))
            assert endpoint.frames.get(timeout=SOON) == Frame(0x1ABCDEF, bytes(8), True)
            endpoint.take(Frame(0x55, b"\xaa"))
            while (got := bus.recv(SOON)).arbitration_id != 0x55:
                pass
            assert bytes(got.data) == b"\xaa"
        assert endpoint.presence.get(timeout=SOON) == "off"

    def test_one_that_vanishes_without_a_word_is_off_the_bus(self, endpoint):
        line = os.open(endpoint.path, os.O_RDWR | os.O_NOCTTY)
        os.write(line, b"O\r")
        assert endpoint.presence.get(timeout=SOON) == "on"
        os.close(line)
        assert endpoint.presence.get(timeout=SOON) == "off"
        again = os.open(endpoint.path, os.O_RDWR | os.O_NOCTTY)
        os.write(again, b"L\r")
        assert endpoint.presence.get(timeout=SOON) == "listen"
        os.close(again)

    def test_a_program_that_does_not_read_loses_frames_and_is_told(self, endpoint):
        line = os.open(endpoint.path, os.O_RDWR | os.O_NOCTTY)
        os.write(line, b"O\r")
        assert endpoint.presence.get(timeout=SOON) == "on"
        begun = monotonic_seconds()
        while endpoint.said.empty():
            endpoint.take(Frame(0x7FF, bytes(8)))  # never waits for the program
            assert monotonic_seconds() - begun < SOON
        assert "the program does not read them" in endpoint.said.get()
        os.close(line)

    def test_a_can_fd_frame_has_no_text_and_is_told_to_be_lost(self, endpoint):
        line = os.open(endpoint.path, os.O_RDWR | os.O_NOCTTY)
        os.write(line, b"O\r")
        assert endpoint.presence.get(timeout=SOON) == "on"
        endpoint.take(FdFrame(0x7FF, bytes(12)))
        assert "CAN FD frames were lost" in endpoint.said.get(timeout=SOON)
        assert endpoint.lost == 1
        os.close(line)

    def test_another_bit_rate_is_told(self, endpoint):
        call = endpoint.how_to_join().replace("250000", "500000")
        with eval(call):
            assert "asks for 500,000 bit/s" in endpoint.said.get(timeout=SOON)
        assert endpoint.presence.empty()


class TestAdapter:
    @pytest.fixture
    def far(self, request):
        with can.Bus(interface="virtual", channel=request.node.name) as bus:
            yield bus

    @pytest.fixture
    def endpoint(self, opened, far, request):
        return opened(AdapterEndpoint("rear", "virtual", request.node.name, "--real", {}))

    def test_frames_go_both_ways(self, endpoint, far):
        assert endpoint.presence.get(timeout=SOON) == "on"
        far.send(message())
        assert endpoint.frames.get(timeout=SOON) == Frame(0x123, b"\x01")
        endpoint.take(Frame(0x321, b"\x07"))
        assert far.recv(SOON).arbitration_id == 0x321
        assert endpoint.frames.empty()

    def test_what_is_no_classical_frame_is_told_and_so_are_error_frames(self, endpoint, far):
        far.send(can.Message(arbitration_id=1, is_fd=True, data=bytes(12)))
        assert "left out: it is a CAN FD frame, and the bus" in endpoint.said.get(timeout=SOON)
        far.send(can.Message(is_error_frame=True))
        assert "reports error frames" in endpoint.said.get(timeout=SOON)
        assert endpoint.frames.empty()

    def test_a_node_behind_an_adapter_on_a_serial_line(self, opened):
        pytest.importorskip("serial")
        adapter = opened(SerialLineEndpoint("the adapter itself"))
        more = {"bitrate": 250_000, "sleep_after_open": 0}
        endpoint = opened(AdapterEndpoint("rear", "slcan", adapter.path, "--real", more))
        assert adapter.presence.get(timeout=SOON) == "on"
        adapter.take(Frame(0x202, b"\x01"))
        assert endpoint.frames.get(timeout=SOON) == Frame(0x202, b"\x01")
        endpoint.take(Frame(0x0A0, b"\x02"))
        assert adapter.frames.get(timeout=SOON) == Frame(0x0A0, b"\x02")
        adapter.close()  # pulled off the computer
        endpoint.take(Frame(0x0A0))
        told = [endpoint.said.get(timeout=SOON) for _ in range(2)]
        assert [text for text in told if text.startswith("rear: is lost")]
        endpoint.close()
        assert endpoint.lost >= 1

    @pytest.mark.parametrize(
        ("interface", "said"),
        [
            ("udp_multicast", "hands back what it is sent"),
            ("vrtual", "python-can cannot open 'vrtual'"),
        ],
    )
    def test_what_cannot_be_opened_is_told(self, opened, interface, said):
        with pytest.raises(BadInput, match=said):
            opened(AdapterEndpoint("rear", interface, "x", "--real", {}))


class TestAsked:
    def test_each_word_is_one_endpoint_of_its_own(self):
        found = endpoints(["udp", "udp", "slcan", "slcan", "socketcan:vcan0"])
        assert [one.name for one in found] == ["udp1", "udp2", "slcan1", "slcan2", "vcan0"]
        assert found[0].port != found[1].port

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            (["upd"], "did you mean 'udp'?"),
            (["udp:80"], "expected a port from 1024 to 65535"),
            (["slcan:x"], "expected udp, udp:PORT, slcan or socketcan:vcan0"),
            (["socketcan"], "expected udp, udp:PORT, slcan or socketcan:vcan0"),
            (["udp:5000", "udp:5000"], "two programs would share an endpoint"),
            (["socketcan:vcan0", "socketcan:vcan0"], "two programs would share an endpoint"),
        ],
    )
    def test_what_cannot_be_meant_is_told(self, words, said):
        with pytest.raises(BadInput) as caught:
            endpoints(words)
        assert said in str(caught.value.problems[0])
