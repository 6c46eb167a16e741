"""Flash rates against published rules: 60 to 120 per minute, and how an average is taken.

Sources: 76/756/EEC point 4.5.12 (90 +/- 30 flashes per minute; the same in UN Regulation 48,
6.5.9.1); SAE J945 as quoted by the NHTSA interpretation letters 01931.ztv and GF006498 (60 to 120
flashes per minute, the average of at least three cycles).
"""

from __future__ import annotations

import pytest

from linkloss.judge.flashing import AVERAGE_OF, judge_flashing, mean_rate, whole_cycles
from linkloss.judge.states import FLASH
from linkloss.judge.verdict import Outcome
from linkloss.judge.walk import Segment
from linkloss.recording import Series
from linkloss.vehicle.load import FlashRule

MS = 1_000_000


def lamp(*on_off_ms: tuple[int, int], times: int = 1) -> Series[float]:
    """A lamp that is lit and dark for these times in turn, and lights up once more at the end."""
    level: Series[float] = Series()
    at_ns = 0
    for on_ms, off_ms in on_off_ms * times:
        level.set(at_ns, 1.0)
        level.set(at_ns + on_ms * MS, 0.0)
        at_ns += (on_ms + off_ms) * MS
    level.set(at_ns, 1.0)
    level.set(at_ns + 1, 0.0)
    return level


def outcome(level: Series[float]) -> Outcome:
    """What the judge says of a lamp that has to flash all the time."""
    end_ns = level.times[-1]
    [verdict] = judge_flashing(
        "lamp", FlashRule(), [Segment(0, end_ns, frozenset({FLASH}), "fresh")], level
    )
    return verdict.outcome


UNEQUAL_1 = ((160, 200), (160, 200), (160, 620))
UNEQUAL_2 = ((200, 250), (200, 250), (200, 850))
INSIDE = ((200, 250), (200, 250), (200, 800))


def test_the_default_limits_are_those_of_the_rules():
    """90 +/- 30 per minute (76/756/EEC 4.5.12)."""
    assert FlashRule().per_minute == (90 - 30, 90 + 30)
    assert AVERAGE_OF == 3  # SAE J945: "at least three cycles"


@pytest.mark.parametrize(
    ("cycle_ms", "allowed"), [(499, False), (500, True), (667, True), (1000, True), (1001, False)]
)
def test_one_to_two_hertz(cycle_ms, allowed):
    """1.0 to 2.0 Hz (76/756/EEC 4.5.12), both limits included."""
    on_ms = cycle_ms // 2
    found = outcome(lamp((on_ms, cycle_ms - on_ms), times=8))
    assert found is (Outcome.KEPT if allowed else Outcome.BROKEN)


def test_the_rate_of_unequal_cycles_is_the_mean_of_their_rates():
    """NHTSA 01931.ztv: 360, 360 and 780 ms are 166.7, 166.7 and 76.9 per minute, mean 136.8; the
    mean period of 500 ms would make 120 and pass.
    """
    cycles = whole_cycles(lamp(*UNEQUAL_1), 0, 10_000 * MS)
    rates = [round(cycle.per_minute, 1) for cycle in cycles]
    assert rates == [166.7, 166.7, 76.9]
    assert round(mean_rate(cycles), 1) == 136.8
    periods_ms = [(cycle.to_ns - cycle.from_ns) / MS for cycle in cycles]
    assert 60_000 / (sum(periods_ms) / 3) == 120


def test_136_8_per_minute_are_not_allowed():
    """NHTSA 01931.ztv."""
    assert outcome(lamp(*UNEQUAL_1, times=4)) is Outcome.BROKEN


def test_the_second_published_pattern_is_inside_by_its_mean_and_out_by_its_longest_cycle():
    """NHTSA GF006498: 450, 450 and 1050 ms; by the same mean 107.9 per minute (worked out here:
    (133.33 + 133.33 + 57.14) / 3), by the mean period 92.3. Our rule asks for more than that mean:
    no longest period, 1000 ms, passes without a rise.
    """
    cycles = whole_cycles(lamp(*UNEQUAL_2), 0, 10_000 * MS)
    assert round(mean_rate(cycles), 1) == 107.9
    assert outcome(lamp(*UNEQUAL_2, times=4)) is Outcome.BROKEN
    assert outcome(lamp(*INSIDE, times=4)) is Outcome.KEPT


@pytest.mark.parametrize("turn", range(3))
def test_any_three_cycles_in_a_row_have_the_same_mean(turn):
    """The patterns above repeat, so it does not matter where the average begins."""
    turned = UNEQUAL_1[turn:] + UNEQUAL_1[:turn]
    assert outcome(lamp(*turned, times=4)) is Outcome.BROKEN
    turned = INSIDE[turn:] + INSIDE[:turn]
    assert outcome(lamp(*turned, times=4)) is Outcome.KEPT
