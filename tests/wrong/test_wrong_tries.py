"""A shorted socket in the rear of the demo car: who tries it again, how often and how soon.

Its switch holds the current back and gets hot in a few ms. Three tries are declared, 500 ms apart,
then it is off until the request was off.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
import triers
from base_power import HomeRear
from wrong_cars import car

from linkloss.campaign.cases import CaseMaker
from linkloss.campaign.placed import electrical_drafts
from linkloss.campaign.rotation import Rotation, Undisturbed
from linkloss.faults.catalogue import make_fault
from linkloss.judge import Outcome, judge
from linkloss.scenario import TimedAction, TimedFault
from linkloss.session import simulate
from linkloss.vehicle.electrical import SolidStateTable
from linkloss.vehicle.load import TriesTable
from linkloss_nodes import MS

TRIES = {"most": 3, "pause": "500 ms"}
SWITCH = {"limit": "14 A", "trip": "12 A"}
ON, OFF = {"ignition": "accessory"}, {"ignition": "off"}


def socket_car(program, tries=TRIES, **switch):
    """The demo car with this program in its rear, and a socket whose switch outlives its fuse."""
    vehicle = car({"rear": program})
    load = vehicle.loads[triers.SOCKET]
    table = SolidStateTable.model_validate({**SWITCH, **switch})
    update = {
        "electrical": load.electrical.model_copy(update={"solid_state": table}),
        "tries": None if tries is None else TriesTable.model_validate(tries),
    }
    loads = {**vehicle.loads, triers.SOCKET: load.model_copy(update=update)}
    return replace(vehicle, file=vehicle.file.model_copy(update={"loads": loads}))


def shorted(vehicle, *, mended_ms=14_000):
    """A drive: on at 917 ms, shorted at 1500 ms; the request goes off behind the repair, and comes
    again.
    """
    short = TimedFault(
        make_fault("load_short", {"load": triers.SOCKET}, vehicle), 1500 * MS, mended_ms * MS
    )
    actions = ((2212, ON), (mended_ms + 500, OFF), (mended_ms + 1500, ON))
    more = tuple(TimedAction(at_ms * MS, values) for at_ms, values in actions)
    return CaseMaker(vehicle).case("parked", (short,), more=more)


def drive(vehicle, **rest):
    """What is judged of that drive."""
    return judge(vehicle, simulate(shorted(vehicle, **rest)))


def told(verdicts):
    return {(entry.subject, entry.rule): entry.text for entry in verdicts if entry.broken}


def outcome(verdicts):
    return next(v.outcome for v in verdicts if (v.subject, v.rule) == (triers.SOCKET, "tries"))


@pytest.mark.parametrize("retries", [0, 3])
@pytest.mark.parametrize(
    "program", [triers.ThreeTries, triers.WaitsForTheLatch, triers.FromTryToTry]
)
def test_a_node_that_stops_in_time_is_right(program, retries):
    verdicts = drive(socket_car(program, retries=retries))
    assert told(verdicts) == {}
    assert outcome(verdicts) is Outcome.KEPT


@pytest.mark.parametrize("program", [HomeRear, triers.NeverTries])
def test_a_node_that_leaves_all_to_its_switch_is_right_and_shows_no_limit(program):
    verdicts = drive(socket_car(program))
    assert told(verdicts) == {}
    assert outcome(verdicts) is Outcome.NOT_EXERCISED


@pytest.mark.parametrize("mended_ms", [1700, 2300])
def test_a_short_that_goes_away_shows_no_limit_either(mended_ms):
    verdicts = drive(socket_car(triers.ThreeTries), mended_ms=mended_ms)
    assert told(verdicts) == {}
    assert outcome(verdicts) is Outcome.NOT_EXERCISED


@pytest.mark.parametrize(
    "program", [triers.ThreeTries, triers.FreesTheLatch, triers.EndlessTries, triers.NoPause]
)
@pytest.mark.parametrize("retries", [0, 3])
def test_without_limits_a_node_may_try_as_it_likes(program, retries):
    """But not give up, as those do that count."""
    broken = told(drive(socket_car(program, None, retries=retries)))
    gives_up = {(triers.SOCKET, "tries")} if getattr(program, "MOST", None) == 3 else set()
    assert set(broken) == gives_up


WRONG = [
    (triers.EndlessTries, "was tried again 4 times in a row; right: 3 at most"),
    (triers.OneTryMore, "was tried again 4 times in a row; right: 3 at most"),
    (triers.TriesOnAndOn, "was tried again 4 times in a row; right: 3 at most"),
    (triers.NoPause, "ms after the time before; right: 500 ms"),
    (triers.ShortPause, "ms after the time before; right: 500 ms"),
    (triers.SlowToTry, "was off instead of on"),
    (triers.GivesUpAtOnce, "was off instead of on"),
    (triers.LeavesItLatched, "was on instead of off"),
]


@pytest.mark.parametrize("program, text", WRONG, ids=[row[0].__name__ for row in WRONG])
def test_a_node_that_tries_wrongly_is_found(program, text, catches):
    broken = told(drive(socket_car(program)))
    assert (triers.SOCKET, "tries") in broken, broken
    row = (program.__name__, "rear", "parked/load_short (own drive)", triers.SOCKET, "tries")
    catches(*row, broken[triers.SOCKET, "tries"], text)


def test_a_node_that_gives_up_without_a_trip_is_found(catches):
    """By the rule of its request: there is nothing to try."""
    broken = told(drive(socket_car(triers.GivesUpByCurrent)))
    assert (triers.SOCKET, "fresh") in broken, broken
    row = ("GivesUpByCurrent", "rear", "parked/load_short (own drive)", triers.SOCKET, "fresh")
    catches(*row, broken[triers.SOCKET, "fresh"], "went off without cause")


@cache
def planned():
    """The case of the whole check in which the socket is shorted."""
    maker = CaseMaker(socket_car(HomeRear))
    short = make_fault("load_short", {"load": triers.SOCKET}, maker.vehicle)
    rotation = Rotation(Undisturbed(maker), 0)
    drafts = electrical_drafts(maker, rotation)
    return next(draft for draft in drafts if draft.faults[0].fault == short)


@pytest.mark.parametrize("program", [triers.ThreeTries, triers.WaitsForTheLatch])
def test_a_check_shorts_a_load_for_long_enough_that_its_node_gives_up(program):
    draft, vehicle = planned(), socket_car(program)
    verdicts = judge(vehicle, simulate(CaseMaker(vehicle).case(draft.situation, draft.faults)))
    assert told(verdicts) == {}
    assert outcome(verdicts) is Outcome.KEPT
