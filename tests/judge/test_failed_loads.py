"""Faults behind an output: what *hardware cannot*, what the *neighbours* still must, the *notice*.

The rear node drives two loads, ``lamp`` and ``fan``. Something happens to the lamp at 1000 ms.
"""

from __future__ import annotations

import pytest
from judge_lab import MS, NS, Tape, broken, car, edge, kept, stretches, untested

SUPPLY = {"rear": {"supply": {"range": [7.0, 16.0], "dip_limit": "100 ms"}}}
FED = {"electrical": {"kind": "heater", "amps": 5.0, "lead": {"size": "1 mm2", "length": 1.0}}}
TOLD = {"told": {"failed": ["lamp"], "signal": "DashStatus.Stuck", "within": "500 ms"}}


def failing(kind, *, lamp=(), fan=(), driven=(), until_ms=2000, end_ms=4000, notices=None):
    """Both are asked for and driven all the time; ``lamp`` and ``fan`` are what they got,
    ``driven`` is what the lamp would have got, and what its node drives.
    """
    vehicle = car(nodes=SUPPLY, notices=notices or {}, lamp=FED, fan=FED)
    tape = Tape(vehicle, end_ms).requests(60, end_ms, on=True)
    tape.fault(kind, 1000, until_ms, "output", loads=["lamp"])
    tape.output("lamp", (70, 1), *lamp).output("fan", (70, 1), *fan)
    return tape.driven("lamp", (0, 0), (70, 1), *driven).driven("fan", (0, 0), (70, 1))


# ---- hardware cannot ----


def test_a_load_without_a_fuse_is_judged_by_what_its_node_drives():
    assert failing("fuse_blown", lamp=[(1000, 0), (2000, 1)]).broken() == []


def test_a_node_that_drives_wrongly_meanwhile_is_found_all_the_same():
    tape = failing("fuse_blown", lamp=[(1000, 0), (2000, 1)], driven=[(1500, 0), (1600, 1)])
    assert stretches(tape) == [(1500 * MS, 1600 * MS)]


def test_a_load_that_its_relay_keeps_on_is_judged_by_what_its_node_drives():
    vehicle = car(nodes=SUPPLY, lamp=FED)
    tape = Tape(vehicle, 3000).requests(60, 3000, on=False).driven("lamp", (0, 0))
    tape.fault("relay_welded", 1000, 2000, "output", loads=["lamp"])
    assert tape.output("lamp", (1000, 1), (2000, 0)).broken() == []


def test_after_the_repair_it_gets_at_once_what_its_node_drives():
    """Repaired at 2000 ms. An excuse lasts as long as its reason."""
    assert failing("fuse_blown", lamp=[(1000, 0), (2000, 1)]).broken() == []
    tape = failing("fuse_blown", lamp=[(1000, 0), (2000 + NS, 1)])
    broken(tape.verdict("fed"), NS, 2000)
    assert tape.broken() == [("lamp", "fed")]


def test_after_the_repair_a_contact_has_the_time_that_it_takes():
    lamp = {"electrical": {**FED["electrical"], "relay": {}}}
    vehicle = car(nodes=SUPPLY, lamp=lamp)
    closed_ms = 2000 + vehicle.loads["lamp"].switching_ns // MS
    assert closed_ms > 2000
    for late, found in ((0, []), (NS, [("lamp", "fed")])):
        tape = Tape(vehicle, 3000).requests(60, 3000, on=True).driven("lamp", (0, 0), (70, 1))
        tape.fault("fuse_blown", 1000, 2000, "output", loads=["lamp"])
        tape.output("lamp", (70, 1), (1000, 0), (closed_ms + late, 1))
        assert tape.broken("lamp") == found


def latched(*levels, driven=()):
    """The lamp was shorted until 2000 ms, and its switch has latched; rejoin 300 ms."""
    lamp = {"electrical": {**FED["electrical"], "solid_state": {"trip": "9 A"}}}
    tape = Tape(car(nodes=SUPPLY, lamp=lamp), 4000).requests(60, 4000, on=True)
    tape.fault("load_short", 1000, 2000, "output", loads=["lamp"])
    tape.output("lamp", (70, 1), (1000, 0), *levels)
    return tape.driven("lamp", (0, 0), (70, 1), *driven)


def test_a_switch_that_has_latched_is_nobodys_fault_until_it_is_switched_off():
    assert latched().broken() == []
    tape = latched((3010, 1), driven=[(3000, 0), (3010, 1)])
    assert stretches(tape) == [(3000 * MS, 3010 * MS)]


def test_a_load_that_has_followed_again_behind_its_latch_is_judged_in_full():
    tape = latched((2500, 1), (3000, 0), (3010, 1))
    broken(tape.verdict("fed"), 10, 3000)
    assert tape.broken() == [("lamp", "fed")]


def test_a_neighbour_is_judged_in_full():
    tape = failing("fuse_blown", lamp=[(1000, 0), (2000, 1)], fan=[(1500, 0), (1510, 1)])
    tape.driven("fan", (1500, 0), (1510, 1))
    assert stretches(tape, "fan") == [(1500 * MS, 1510 * MS)]
    assert stretches(tape) == []


# ---- neighbours ----


def shorted(*fan, **how):
    """The lamp is shorted; its fuse blows at once."""
    return failing("load_short", lamp=[(1000, 0), (2000, 1)], fan=fan, **how)


def test_a_short_may_take_the_current_from_a_neighbour_for_so_long():
    edge(lambda late: shorted((1100, 0), (1200 + late, 1)), "neighbours", "rear", deadline_ms=1200)


def test_a_neighbour_that_goes_on_leaves_all_of_the_time():
    kept(shorted().verdict("neighbours", "rear"), 100)


def test_a_short_that_takes_the_supply_of_a_node_is_broken():
    tape = shorted((1100, 0), (1160, 1)).unsupplied("rear", 1100, 1110)
    broken(tape.verdict("neighbours", "rear"), at_ms=1100)


def test_a_loss_of_supply_before_the_short_is_not_its_fault():
    tape = shorted().unsupplied("dash", 900, 910)
    kept(tape.verdict("neighbours", "rear"), 100)


def test_a_loss_of_supply_by_another_fault_is_not_laid_to_the_short():
    tape = shorted().unsupplied("dash", 1100, 1110).fault("brown_out", 1050, 1105, "node")
    kept(tape.verdict("neighbours", "rear"), 100)


def test_a_short_of_a_load_that_nobody_drives_tests_nothing():
    tape = shorted(driven=[(500, 0)])
    untested(tape.verdict("neighbours", "rear"))


def test_a_neighbour_that_has_failed_itself_is_not_laid_to_the_short():
    tape = shorted((1300, 0), (1700, 1))
    tape.fault("fuse_blown", 1300, 1700, "output", loads=["fan"])
    kept(tape.verdict("neighbours", "rear"), 100)


def test_a_neighbour_that_is_driven_too_briefly_to_be_missed_tests_nothing():
    """From 1500 ms on for 100 ms, which is as long as it may be without current."""
    for off_ms, test in ((1600, untested), (1600 + NS, kept)):
        tape = shorted()
        tape.recording.driven["fan"].times.clear()
        tape.recording.driven["fan"].values.clear()
        tape.driven("fan", (0, 0), (1500, 1), (off_ms, 0))
        test(tape.verdict("neighbours", "rear"))


def test_a_blown_fuse_alone_tests_no_neighbour():
    tape = failing("fuse_blown", lamp=[(1000, 0), (2000, 1)])
    untested(tape.verdict("neighbours", "rear"))


def test_what_hangs_on_the_same_fuse_is_no_neighbour():
    tape = failing("none", fan=[(1100, 0), (1900, 1)])
    tape.fault("load_short", 1000, 2000, "output", loads=["lamp", "fan"])
    untested(tape.verdict("neighbours", "rear"))


def test_a_car_on_an_ideal_supply_declares_no_neighbours():
    tape = Tape(car(), 2000)
    assert "neighbours" not in {verdict.rule for verdict in tape.judged()}


# ---- notice ----


def told(*handed, kind="fuse_blown", driven=(), until_ms=2500, lamp=((1000, 0), (2500, 1))):
    """The dash has handed this over."""
    tape = failing(kind, lamp=lamp, driven=driven, until_ms=until_ms, notices=TOLD)
    return tape.hand("DashStatus", (60, 0), *((at_ms, 2 * on) for at_ms, on in handed))


def lies(tape):
    """What is broken of notices: by whom."""
    return [subject for subject, rule in tape.broken() if rule == "notice"]


def test_a_failed_load_is_told_within_its_time():
    """It shows from 1000 ms on: due at 1500 ms."""
    edge(lambda late: told((1500 + late, 1), (2600, 0)), "notice", "lamp", deadline_ms=1500)


def test_a_failure_that_nobody_tells_may_be_the_fault_of_two_nodes():
    verdict = told().verdict("notice", "lamp")
    broken(verdict, 1000, 1500)
    assert verdict.culprit == ""


def test_a_failure_shows_only_while_the_load_is_driven():
    """Driven from 1400 ms on: due at 1900 ms."""

    def later(late):
        return told((1900 + late, 1), (2600, 0), driven=[(900, 0), (1400, 1)])

    edge(later, "notice", "lamp", deadline_ms=1900)


def test_a_load_that_is_driven_for_less_than_the_time_need_not_be_told():
    tape = told(driven=[(900, 0), (1400, 1), (1900, 0)])
    untested(tape.verdict("notice", "lamp"))
    assert lies(tape) == []


def test_a_notice_may_be_withdrawn_once_the_failure_no_longer_shows():
    """Driven until 1800 ms."""
    assert lies(told((1400, 1), (1800, 0), driven=[(1800, 0)])) == []
    tape = told((1400, 1), (1800 - NS, 0), driven=[(1800, 0)])
    broken(tape.verdict("notice", "lamp"), NS, 1800 - NS)


def test_a_notice_ends_within_its_time_once_the_load_is_seen_to_be_well():
    """Repaired at 2500 ms and driven: off by 3000 ms."""
    assert told((1400, 1), (3000, 0)).broken() == []
    kept(told((1400, 1), (2990, 0)).verdict("notice", "told"), 10)
    broken(told((1400, 1), (3000 + NS, 0)).verdict("notice", "told"), NS, 3000)


def test_a_load_that_shows_for_too_short_that_it_is_well_ends_no_notice():
    """Repaired at 2500 ms, driven until 2600 ms and from 3000 ms on: off by 3500 ms."""
    driven = [(2600, 0), (3000, 1)]
    assert lies(told((1400, 1), (3500, 0), driven=driven)) == []
    tape = told((1400, 1), (3500 + NS, 0), driven=driven)
    broken(tape.verdict("notice", "told"), NS, 3500)


def test_a_repair_that_nobody_can_see_ends_no_notice():
    """Not driven since before the repair: the node cannot know."""
    tape = told((1400, 1), driven=[(2400, 0)])
    assert lies(tape) == []


def test_a_welded_relay_shows_while_the_load_is_not_driven():
    """Driven until 1300 ms: due at 1800 ms."""

    def welded(late):
        return told((1800 + late, 1), (2600, 0), kind="relay_welded", driven=[(1300, 0)], lamp=())

    edge(welded, "notice", "lamp", deadline_ms=1800)


def test_a_welded_relay_behind_which_nothing_flows_need_not_be_told():
    """Driven until 1300 ms, and its fuse has blown before."""
    lamp = [(900, 0), (2500, 1)]
    tape = told(kind="relay_welded", driven=[(1300, 0)], lamp=lamp)
    tape.fault("fuse_blown", 900, 2500, "output", loads=["lamp"])
    assert lies(tape) == []


@pytest.mark.parametrize("at_ms", [800, 999])
def test_a_notice_without_a_failure_is_a_lie(at_ms):
    tape = told((at_ms, 1), (2600, 0))
    broken(tape.verdict("notice", "told"), at_ms=at_ms)


def test_a_load_that_gets_nothing_for_another_reason_may_be_told_and_need_not():
    """A switch that has tripped, say, from 700 ms to 800 ms."""
    dark = [(700, 0), (800, 1), (1000, 0), (2500, 1)]
    for handed in ([(700, 1), (1300, 0)], []):
        tape = told(*handed, lamp=dark, kind="none", until_ms=1001, driven=[])
        tape.recording.faults.clear()
        assert lies(tape) == [], handed


BOTH = {"told": {**TOLD["told"], "failed": ["lamp", "fan"]}}


def two(*handed, fan_ms, until_ms=3500, end_ms=6000):
    """One notice tells of both: the fuse of the lamp blows from 1000 ms to 2000 ms, that of the fan
    from ``fan_ms`` on.
    """
    lamp, fan = [(1000, 0), (2000, 1)], [(fan_ms, 0), (until_ms, 1)]
    tape = failing("fuse_blown", lamp=lamp, fan=fan, notices=BOTH, end_ms=end_ms)
    tape.fault("fuse_blown", fan_ms, until_ms, "output", loads=["fan"])
    return tape.hand("DashStatus", (60, 0), *((at_ms, 2 * on) for at_ms, on in handed))


def test_a_notice_is_kept_for_each_load_by_itself():
    """The lamp is told of by 1500 ms, the fan by 3100 ms, and is not: a second failure."""
    tape = two((1400, 1), (2400, 0), fan_ms=2600)
    kept(tape.verdict("notice", "lamp"), 100)
    broken(tape.verdict("notice", "fan"), 400, 3100)
    kept(tape.verdict("notice", "told"), 100)
    tape = two((1400, 1), (2400, 0), (3100, 1), (3900, 0), fan_ms=2600)
    kept(tape.verdict("notice", "lamp"), 100)
    kept(tape.verdict("notice", "fan"), 0)
    assert lies(tape) == []


def test_a_notice_that_another_load_accounts_for_tests_no_load_that_fails_beside_it():
    """The fan fails at 1300 ms and is never told of; the notice is given for the lamp."""
    tape = two((1200, 1), (2490, 0), fan_ms=1300, until_ms=2400)
    assert lies(tape) == []
    kept(tape.verdict("notice", "lamp"), 300)
    untested(tape.verdict("notice", "fan"))
    late = two((1350, 1), (2490, 0), fan_ms=1300, until_ms=2400)  # given for either of them
    untested(late.verdict("notice", "lamp"))
    untested(late.verdict("notice", "fan"))


def test_of_two_loads_the_one_that_never_fails_is_not_exercised():
    tape = failing("fuse_blown", lamp=[(1000, 0), (2000, 1)], notices=BOTH)
    tape.hand("DashStatus", (60, 0), (1400, 2), (2400, 0))
    kept(tape.verdict("notice", "lamp"), 100)
    untested(tape.verdict("notice", "fan"))
    assert tape.broken() == []


def test_a_load_that_two_notices_tell_of_has_a_rule_for_each():
    other = {**TOLD["told"], "signal": "DashStatus.RearLost"}
    tape = failing("fuse_blown", lamp=[(1000, 0), (2000, 1)], notices={**TOLD, "other": other})
    tape.hand("DashStatus", (60, 0), (1400, 2), (2400, 0))
    kept(tape.verdict("notice told", "lamp"), 100)
    broken(tape.verdict("notice other", "lamp"), 500, 1500)


def relayed(*handed, closes_ms):
    """A relay of up to 10 ms feeds the lamp from 800 ms on, ``closes_ms`` later."""
    relay = {**FED["electrical"], "relay": {"closes_in": "10 ms"}}
    tape = Tape(car(nodes=SUPPLY, notices=TOLD, lamp={"electrical": relay}), 3000)
    tape.requests(60, 785, on=False).requests(795, 3000, on=True)
    tape.driven("lamp", (0, 0), (800, 1)).output("lamp", (800 + closes_ms, 1))
    return tape.hand("DashStatus", (60, 0), *((at_ms, 2 * on) for at_ms, on in handed))


def test_a_relay_that_closes_is_no_failure_to_be_told():
    tape = relayed((805, 1), (1200, 0), closes_ms=10)
    broken(tape.verdict("notice", "told"), 395, 805)
    assert relayed(closes_ms=10).broken() == []


def test_a_relay_that_takes_longer_than_it_does_by_nature_may_be_told():
    assert relayed((805, 1), (1200, 0), closes_ms=11).broken() == [("lamp", "fed")]


def test_what_a_cut_cable_keeps_from_the_driver_need_not_be_told():
    """No status of the rear node from 960 ms to 1860 ms: due at 2360 ms."""

    def cut(late):
        tape = told((2360 + late, 1), (2600, 0)).fault("cut", 970, 1850, "cable")
        return tape.status("rear", (60, 970), (1860, 4000))

    edge(cut, "notice", "lamp", deadline_ms=2360)


def test_a_node_that_is_silent_of_its_own_accord_excuses_nothing():
    tape = told((1860, 1), (2600, 0)).status("rear", (60, 970), (1860, 4000))
    broken(tape.verdict("notice", "lamp"), 360, 1500)
