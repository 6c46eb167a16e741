"""Cars drawn at random around sound sizes, and sessions that run every start of them and everything
on.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from random import Random

from power_cars import PowerCar

from linkloss.power import fuses, leads
from linkloss.scenario import Scenario, TimedAction
from linkloss.session import simulate
from linkloss.vehicle.loading import Vehicle

MS = 1_000_000
AMBIENT = 40.0
KINDS = ("filament", "filament", "motor", "motor", "solenoid", "led", "heater", "electronics")
MOST_AMPS = {"filament": 10, "motor": 18, "solenoid": 5, "led": 3, "heater": 15, "electronics": 8}
PAUSE_MS, ON_MS, LONG_MS = 1200, 800, 2500


def _near(rng: Random, known: tuple[float, ...], wanted: float | None, shifts: list[int]) -> float:
    """A size near the wanted one, mostly that or a larger one."""
    place = len(known) - 1 if wanted is None else known.index(wanted)
    return known[min(max(place + rng.choice(shifts), 0), len(known) - 1)]


def _lead(rng: Random, amps: float, longest: float) -> str:
    carries = leads.smallest_for(amps, AMBIENT)
    size = _near(rng, leads.METRIC_SIZES, carries, [-1, 0, 0, 0, 1, 1, 2])
    return f'size = "{size} mm2", length = "{rng.uniform(0.3, longest):.2f} m"'


def _switch(rng: Random, kind: str, amps: float, system: int) -> str:
    choice = rng.random()
    if choice < 0.25:
        return ""
    if choice < 0.6:
        coil = 'pull_in = "15 V", drop_out = "6 V"' if system == 24 else ""
        return f"electrical.relay = {{ {coil} }}\n"
    parts = [f'on_resistance = "{rng.choice([2, 4, 8, 15, 40])} mohm"']
    if rng.random() < 0.6:
        parts.append(f'limit = "{amps * rng.uniform(3, 14):.2f} A"')
    if rng.random() < 0.6:
        parts.append(f'trip = "{amps * rng.uniform(1.1, 3):.2f} A"')
        parts.append(f'blanking = "{rng.choice([20, 50, 100, 300])} ms"')
    if rng.random() < 0.3:
        parts.append(f'open_load = "{amps * rng.uniform(0.05, 0.5):.3f} A"')
    soft = rng.random() < 0.2 and kind != "solenoid"
    more = 'electrical.soft_start = "150 ms"\n' if soft else ""
    return f"electrical.solid_state = {{ {', '.join(parts)} }}\n{more}"


def _load(rng: Random, system: int, shares: str) -> tuple[str, float]:
    """A load as text, and what it draws in A."""
    kind = rng.choice(KINDS)
    amps = round(rng.uniform(0.05, 1) * MOST_AMPS[kind] * 12 / system, 2)
    text = f'electrical.kind = "{kind}"\nelectrical.volts = "{system} V"\n'
    text += f'electrical.amps = "{amps} A"\n'
    if kind == "motor":
        text += f'electrical.start = "{amps * rng.uniform(2, 6):.1f} A"\n'
        text += f'electrical.start_time = "{rng.randint(30, 300)} ms"\n'
        text += "electrical.thermal_cut_out = true\n"
    if kind == "solenoid":
        text += f'electrical.start = "{max(amps, round(amps * rng.uniform(1, 4), 1))} A"\n'
        text += f'electrical.holds_from = "{system // 2} V"\n'
    rating = fuses.smallest_for(amps, "blade", AMBIENT)
    fuse = _near(rng, fuses.RATINGS["blade"], rating, [-1, 0, 0, 0, 1, 1])
    if shares:
        text += f'electrical.fuse_with = "{shares}"\n'
    else:
        text = f'fuse = "{fuse:g} A"\n{text}'
    text += f"electrical.lead = {{ {_lead(rng, fuse, 5)} }}\n"
    if rng.random() < 0.4:
        text += f"electrical.back = {{ {_lead(rng, fuse, 1)} }}\n"
        if rng.random() < 0.3:
            text += 'electrical.ground = "rear"\n'
    return text + _switch(rng, kind, amps, system), amps


def drawn_car(folder: Path, seed: int) -> PowerCar:
    """A car of one power node with one to five loads, at 12 or 24 V, with or without a starter."""
    rng = Random(seed)
    system = rng.choice([12, 12, 24])
    loads: dict[str, str] = {}
    total, first = 0.08, ""
    for number in range(rng.randint(1, 5)):
        shares = first if first and rng.random() < 0.15 else ""
        loads[f"load{number}"], amps = _load(rng, system, shares)
        first, total = first or f"load{number}", total + amps
    kind: fuses.Kind = "maxi" if rng.random() < 0.7 else "blade"
    wanted = fuses.smallest_for(total, kind, AMBIENT)
    feed = _near(rng, fuses.RATINGS[kind], wanted, [-1, 0, 0, 1, 1, 2, 3])
    low = rng.choice([7.5, 9, 10]) * system / 12
    supply = f"""
[supply]
battery = "{12.6 * system / 12} V"
internal_resistance = "{rng.choice([5, 8, 10, 20])} mohm"
ambient = "{AMBIENT} degC"

[supply.alternator]
volts = "{14.2 * system / 12:.1f} V"
current = "{rng.choice([55, 90, 140])} A"
runs_while = "speed > 500"

[nodes.rear.supply]
feed = {{ {_lead(rng, feed, 6)}, fuse = "{feed:g} A", fuse_type = "{kind}" }}
ground = {{ {_lead(rng, feed, 1)} }}
current = "80 mA"
sleeping = "1 mA"
range = ["{low:g} V", "{16 * system // 12} V"]
brown_out = "{low - rng.choice([0.4, 1, 2]) * system / 12:g} V"
hysteresis = "0.3 V"
"""
    if rng.random() < 0.4:
        supply += f"""
[supply.starter]
switched_by = "coil"
volts = "{system} V"
current = "{rng.randint(60, 160)} A"
stall = "{rng.randint(200, 900)} A"
lead = {{ size = "25 mm2", length = "1.5 m" }}
"""
        loads["coil"] = (
            f'fuse = "10 A"\nelectrical.kind = "solenoid"\nelectrical.volts = "{system} V"\n'
            f'electrical.amps = "3 A"\nelectrical.start = "9 A"\n'
            f'electrical.holds_from = "{system // 2} V"\n'
            'electrical.lead = { size = "1.5 mm2", length = "1 m" }\n'
        )
    return PowerCar(folder, supply, loads)


def _actions(names: list[str], coil: bool) -> Iterator[tuple[int, dict[str, str]]]:
    """(ms, switches): each load alone, all at once, each while all others run, the engine
    started.
    """
    at = 300
    for name in names:
        yield at, {f"switch_{name}": "on"}
        yield at + ON_MS, {f"switch_{name}": "off"}
        at += ON_MS + PAUSE_MS
    yield at, {f"switch_{name}": "on" for name in names}
    at += LONG_MS
    for name in names:
        yield at, {f"switch_{name}": "off"}
        yield at + PAUSE_MS, {f"switch_{name}": "on"}
        at += PAUSE_MS + ON_MS
    yield at, {f"switch_{name}": "off" for name in names}
    if coil:
        yield at + PAUSE_MS, {"switch_coil": "on"}
        yield at + PAUSE_MS + ON_MS, {"switch_coil": "off"}


def benched(vehicle: Vehicle, *, charging: bool) -> Iterator[tuple[str, str]]:
    """(what, name) of all that goes wrong in a session: ``fuse``, ``trip``, ``reset``."""
    coil = "coil" in vehicle.loads and not charging
    names = [name for name in vehicle.loads if name != "coil"]
    actions = [TimedAction(at * MS, dict(switches)) for at, switches in _actions(names, coil)]
    scenario = Scenario(
        name="all",
        title="every start",
        vehicle=vehicle,
        situation="",
        inputs={"speed": 1000.0 if charging else 0.0},
        actions=tuple(actions),
        faults=(),
        lasts_ns=actions[-1].at_ns + 1000 * MS,
    )
    recording = simulate(scenario)
    for opened in recording.fuses:
        yield "fuse", opened.what
    for name, line in recording.trips.items():
        if any(value for _, value in line.changes()):
            yield "trip", name
    for name, changes in recording.nodes.items():
        if any(change.state == "off" and change.at_ns > 100 * MS for change in changes):
            yield "reset", name
