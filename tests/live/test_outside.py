"""Who takes part from outside, in a scenario file and its log, and in a session again."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.bus import Frame
from linkloss.problem import BadInput
from linkloss.recording import OutsideEvent, read_frames, write_frames
from linkloss.scenario import load_scenario
from linkloss.session import simulate

VEHICLE = "scenarios/wren/vehicle.toml"


@pytest.fixture
def scenario_file(tmp_path, request):
    root = request.config.rootpath

    def write(outside, log):
        (tmp_path / "frames.log").write_text(log)
        path = tmp_path / "again.toml"
        path.write_text(
            f'title = "again"\nvehicle = "{root / VEHICLE}"\nlasts = "600 ms"\n[outside]\n{outside}'
        )
        return path

    return write


@given(
    st.lists(
        st.tuples(
            st.integers(0, 10**14),
            st.sampled_from(["udp1", "rear"]),
            st.integers(0, 0x7FF),
            st.binary(max_size=8),
        )
    )
)
def test_frames_read_back_to_the_nanosecond(entries):
    events = [OutsideEvent(at, name, Frame(one, data)) for at, name, one, data in entries]
    assert read_frames(write_frames(events)) == events


def test_extended_and_remote_frames_read_back_too():
    events = [
        OutsideEvent(1, "a", Frame(0x123, b"", False, True, 2)),
        OutsideEvent(1_000_000_001, "a", Frame(0x1234567, b"\x01", True)),
        OutsideEvent(1_000_000_002, "a", Frame(0x7, b"", True, True, 8)),
    ]
    assert read_frames(write_frames(events)) == events


def test_a_program_hears_and_is_heard_while_it_is_on_the_bus(scenario_file):
    path = scenario_file(
        'log = "frames.log"\nprograms = ["udp1"]\npresence = ['
        '{ at = "100 ms", name = "udp1", state = "on" },'
        '{ at = "300 ms", name = "udp1", state = "listen" },'
        '{ at = "400 ms", name = "udp1", state = "off" }]\n',
        "(0.050000000) udp1 650#01\n(0.200000001) udp1 650#02\n(0.350000000) udp1 650#03\n",
    )
    recording = simulate(load_scenario(path))
    own = [frame for frame in recording.frames if frame.sender == "udp1"]
    # off the bus and while it only listens it cannot send
    assert [(frame.frame.data, frame.start_ns >= 200_000_001) for frame in own] == [(b"\x02", True)]
    heard = [frame.end_ns for frame in recording.frames if "udp1" in frame.receivers]
    assert 100e6 < min(heard) < 200e6
    assert 300e6 < max(heard) <= 401e6
    assert len(recording.outside) == 6


def test_what_a_program_sent_goes_out_before_it_leaves(scenario_file):
    frames = "".join(f"(0.2000000{n:02d}) udp1 7F{n}#01\n" for n in range(5))
    path = scenario_file(
        'log = "frames.log"\nprograms = ["udp1"]\npresence = ['
        '{ at = "100 ms", name = "udp1", state = "on" },'
        '{ at = "200001 us", name = "udp1", state = "off" }]\n',
        frames,
    )
    recording = simulate(load_scenario(path))
    own = [frame for frame in recording.frames if frame.sender == "udp1"]
    assert [frame.frame.identifier for frame in own] == [0x7F0 + n for n in range(5)]
    after = [frame for frame in recording.frames if frame.start_ns > own[-1].end_ns]
    assert after
    assert not any("udp1" in frame.receivers for frame in after)


@pytest.mark.parametrize(
    ("outside", "log", "said"),
    [
        ('log = "none.log"', "", "'none.log' cannot be read"),
        ('log = "frames.log"', "(0.1) what\n", "line 1"),
        ('log = "frames.log"\nprograms = ["udp1"]', "(0.100000000) udp2 001#\n",
         "unknown sender 'udp2'"),
        ('log = "frames.log"\nnodes = ["raer"]', "", "unknown node 'raer'"),
        ('log = "frames.log"\nprograms = ["rear"]', "", "'rear' is a node of the vehicle"),
        ('log = "frames.log"\nprograms = ["a", "a"]', "", "there are two of the name 'a'"),
        ('log = "frames.log"\npresence = [{ at = "1 s", name = "b", state = "on" }]', "",
         "unknown program 'b'"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_told(scenario_file, outside, log, said):
    with pytest.raises(BadInput) as caught:
        load_scenario(scenario_file(outside, log))
    told = "\n".join(str(problem) for problem in caught.value.problems)
    assert said in told
    assert "outside" in told


def test_a_real_node_is_not_judged_and_its_frames_come_from_outside(scenario_file):
    path = scenario_file(
        'log = "frames.log"\nnodes = ["rear"]\n', "(0.250000000) rear 202#00000000\n"
    )
    recording = simulate(load_scenario(path))
    own = [frame for frame in recording.frames if frame.sender == "rear"]
    assert [str(frame.frame) for frame in own] == ["202#00000000"]
    assert own[0].start_ns >= 250_000_000
    assert recording.logged == ("rear",)
    assert "tail_left" not in recording.outputs
    assert "low_beam_left" in recording.outputs
