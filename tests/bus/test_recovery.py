"""The way back from bus-off: which recessive bits count."""

from __future__ import annotations

from linkloss.bus.controller import ErrorState
from linkloss.bus.frame import Frame
from linkloss.bus.record import BitError

FRAME = Frame(0x123, bytes.fromhex("DEADBEEF"))  # 78 bits, 81 with intermission


def recovered_at(bench, name):
    """The bit at which a controller comes back."""
    instants = []
    bench[name].on_state = lambda it: instants.append((bench.queue.now_ns // 1000, it.state))
    bench.run()
    assert [state for _, state in instants] == [ErrorState.ACTIVE]
    return instants[0][0]


def begin(bench, name):
    bench[name].force_bus_off()
    bench[name].request_recovery()


def test_an_idle_bus_takes_1408_bits(bench_of):
    bench = bench_of("a", "b", "c")
    begin(bench, "a")
    assert recovered_at(bench, "a") == 1408


def test_a_frame_counts_as_one_and_idle_bits_by_whole_elevens(bench_of):
    bench = bench_of("a", "b", "c")
    begin(bench, "a")
    bench.at(115, bench["b"].send, FRAME)  # ten groups and five bits, which are lost
    assert recovered_at(bench, "a") == 115 + 81 + (128 - 10 - 1) * 11


def test_behind_the_ack_slot_the_recessive_bits_count_from_the_first_one_heard(bench_of):
    """Eleven of them, to the end of the intermission, are one group; fewer go on in the idle."""
    for asked, expected in ((69, 81 + 127 * 11), (70, 81 + 127 * 11), (71, 71 + 1408), (80, 1488)):
        bench = bench_of("a", "b", "c")
        bench["a"].force_bus_off()
        bench["b"].send(FRAME)
        bench.at(asked, bench["a"].request_recovery)
        assert recovered_at(bench, "a") == expected


def test_a_failed_frame_counts_too(bench_of):
    bench = bench_of("a", "b", "c")
    begin(bench, "a")
    hits = iter([[BitError(72)]])
    bench.bus.disturbances.append(lambda *_: next(hits, ()))
    bench["b"].send(FRAME)
    # in the end of frame all notice at once: 72 + 18 bits, then the frame again
    assert recovered_at(bench, "a") == 90 + 81 + (128 - 2) * 11


def test_sending_nothing_after_all_changes_nothing(bench_of):
    bench = bench_of("a", "b", "c")
    begin(bench, "a")

    def change_of_mind():
        bench["b"].send(FRAME)
        bench["b"].abort_pending()

    bench.at(100, change_of_mind)
    assert recovered_at(bench, "a") == 1408


def test_it_goes_on_across_a_cut(bench_of):
    bench = bench_of("a", "b", "c", "d")
    begin(bench, "a")
    bench.at(550, bench.bus.cut, "c", "d")
    bench.at(660, bench["b"].send, FRAME)
    assert recovered_at(bench, "a") == 660 + 81 + (128 - 60 - 1) * 11


def test_each_controller_counts_for_itself(bench_of):
    bench = bench_of("a", "b", "c", "d")
    begin(bench, "a")
    bench["b"].force_bus_off()
    bench.at(100, bench["b"].request_recovery)
    bench.run(1408)
    assert bench["a"].state is ErrorState.ACTIVE
    assert recovered_at(bench, "b") == 1508


def test_it_starts_anew_after_the_controller_was_taken_off_the_bus(bench_of):
    bench = bench_of("a", "b")
    begin(bench, "a")
    bench.run(1000)
    bench.bus.detach(bench["a"])
    bench.run(1000)
    assert bench["a"].state is ErrorState.BUS_OFF
    bench.bus.attach(bench["a"])
    assert recovered_at(bench, "a") == 2000 + 1408


def test_a_recovered_controller_sends_and_receives_again(bench_of):
    bench = bench_of("a", "b")
    bench["b"].send(FRAME)
    bench.run()
    begin(bench, "a")
    bench.run(1408)
    bench["a"].send(FRAME)
    bench.run(100)
    bench["b"].send(FRAME)
    bench.run()
    assert bench.errors == [None, None, None]
    assert len(bench.heard("a")) == 2
