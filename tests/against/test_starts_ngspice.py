"""Cranking, motors that start together on one fuse, and a short, each as a car is written, against
ngspice: within 1 % at the instants at which the circuit is solved, from the first instant of a
start until the motor has run up.

The resistances of the decks are written out here from the tables of leads and fuses.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from linkloss.power.network import Network
from linkloss.vehicle.wiring import build_network

sys.path.insert(0, str(Path(__file__).parents[1] / "sizing"))
from power_cars import SOUND, PowerCar, sound_car

NGSPICE = shutil.which("ngspice")
MS = 1_000_000
pytestmark = pytest.mark.skipif(NGSPICE is None, reason="ngspice is not installed")

HEAD = """a car
Vb b 0 12.6
Rb b p 8m
Rf p s {feed}
Rg g 0 {ground}
Id p 0 0.08
In s g 0.08
"""
FEED = 1.5 * 1.16e-3 + 0.65e-3
"""1.5 m of 16 mm2, and a MAXI fuse of 80 A."""
GROUND = 0.5 * 1.16e-3
TAIL = """.control
tran 10u {end}m 0 10u uic
{measures}
quit
.endc
.end
"""


def spice(tmp_path: Path, parts: str, wanted: dict[str, str], at_ms: list[float]) -> list[dict]:
    """What ngspice finds at each instant."""
    measures = "\n".join(
        f"meas tran {name}{place} find {what} at={instant}m"
        for place, instant in enumerate(at_ms)
        for name, what in wanted.items()
    )
    path = tmp_path / "deck.cir"
    options = ".options reltol=1e-6 abstol=1e-9\n"
    head = HEAD.format(feed=FEED, ground=GROUND)
    path.write_text(head + parts + options + TAIL.format(end=at_ms[-1] + 1, measures=measures))
    ran = subprocess.run(
        [str(NGSPICE), "-b", str(path)], capture_output=True, text=True, check=False, timeout=60
    )
    found = dict(re.findall(r"^([a-z]+\d+)\s*=\s*(\S+)", ran.stdout, re.MULTILINE))
    assert len(found) == len(wanted) * len(at_ms), ran.stdout[-2000:]
    return [
        {name: float(found[f"{name}{place}"]) for name in wanted} for place in range(len(at_ms))
    ]


def network_of(car: PowerCar) -> Network:
    vehicle = car.load()
    network = build_network(vehicle.supply, vehicle.nodes, vehicle.loads)
    assert network is not None
    network.settle()
    return network


def advanced(network: Network, at_ms: float) -> Network:
    """The network solved at an instant."""
    network.advance(round(at_ms * MS))
    network.settle()
    return network


MOTOR = """S{name} s {name}1 c{name} 0 contact
R{name} {name}1 {name} {ohm}
B{name} {name} 0 I=(V({name})-V(e{name}))/{winding}
C{name} e{name} 0 {time}
Be{name} 0 e{name} I=((V({name})-V(e{name}))/{winding}-{runs})*{winding}*u(V({name})-1)
V{name} c{name} 0 PULSE(0 1 10m 1n 1n 10 20)
.ic v(e{name})=0
"""
CONTACT = ".model contact sw vt=0.5 vh=0 ron=1u roff=100meg\n"


def test_cranking_as_the_car_is_written(tmp_path):
    """420 A with the rotor held, 1.5 m of 25 mm2, and the contact of the file's default."""
    network = network_of(sound_car(tmp_path))
    network.advance(10 * MS)
    network.drive("starter", 1.0)
    network.settle()
    crank = MOTOR.format(name="m", ohm=1.5 * 0.743e-3 + 5e-3, winding=12 / 420, time=0.06, runs=130)
    crank = crank.replace("Sm s", "Sm p").replace("PULSE(0 1 10m", "PULSE(0 1 40m")
    coil = 10e-3 + 7.6e-3 + 1.2 * 12.7e-3
    parts = f"Rc s k {coil}\nRk k 0 4\n{CONTACT}{crank}"
    at_ms = [41, 45, 60, 80, 120, 200, 400, 700, 1_000]
    known = spice(tmp_path, parts, {"plus": "v(p)", "feed": "v(s)", "ground": "v(g)"}, at_ms)
    lowest = []
    for at, spiced in zip(at_ms, known, strict=True):
        advanced(network, at)
        assert network.battery_volts == pytest.approx(spiced["plus"], rel=0.01), at
        assert network.volts("rear") == pytest.approx(spiced["feed"] - spiced["ground"], rel=0.01)
        lowest.append(network.battery_volts)
    assert min(lowest) < 10.3 < 11 < max(lowest)


def test_motors_that_start_together_on_one_fuse(tmp_path):
    motor = """electrical.kind = "motor"
electrical.amps = "3 A"
electrical.start = "12 A"
electrical.start_time = "100 ms"
electrical.lead = { size = "1.5 mm2", length = "2 m" }
"""
    supply, _ = SOUND["12 V"]
    loads = {"starter": SOUND["12 V"][1]["starter"], "one": f'fuse = "30 A"\n{motor}'}
    loads |= dict.fromkeys(("two", "three"), f'electrical.fuse_with = "one"\n{motor}')
    network = network_of(PowerCar(tmp_path, supply, loads))
    network.advance(10 * MS)
    for name in ("one", "two", "three"):
        network.drive(name, 1.0)
    network.settle()
    lead = 5e-3 + 2 * 12.7e-3
    parts = "Rx s x 1.9m\n" + CONTACT
    for name in "ijk":
        parts += MOTOR.format(name=name, ohm=lead, winding=1.0, time=0.1, runs=3).replace(
            f"S{name} s", f"S{name} x"
        )
    at_ms = [10.5, 15, 30, 60, 110, 210, 300, 500, 700, 1_000]
    known = spice(tmp_path, parts, {"feed": "v(s)", "fused": "v(x)"}, at_ms)
    for at, spiced in zip(at_ms, known, strict=True):
        advanced(network, at)
        amps = sum(network.amps(name) for name in ("one", "two", "three"))
        assert amps == pytest.approx((spiced["feed"] - spiced["fused"]) / 1.9e-3, rel=0.01), at


def test_a_short_at_the_end_of_a_lead(tmp_path):
    """10 mohm at the window's terminals, behind a fuse of 15 A, before that opens."""
    network = network_of(sound_car(tmp_path))
    network.advance(10 * MS)
    network.drive("window", 1.0)
    network.advance(20 * MS)
    network.short_load("window")
    network.settle()
    ohm = 5e-3 + 4.7e-3 + 2 * 7.6e-3 + 10e-3  # contact, fuse, 2 m of 2.5 mm2, short
    (spiced,) = spice(tmp_path, f"Rs s 0 {ohm}\n", {"plus": "v(p)", "feed": "v(s)"}, [5])
    advanced(network, 28.5)  # the relay has closed
    assert network.amps("window") == pytest.approx(spiced["feed"] / ohm, rel=0.01)
    assert network.battery_volts == pytest.approx(spiced["plus"], rel=0.01)
    assert network.amps("window") > 200
