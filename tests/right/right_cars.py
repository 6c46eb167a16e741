"""Small cars whose loads are drawn from a seed, with right nodes, and the cases to try them in."""

from __future__ import annotations

from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from random import Random

from right_node import RightNode

from linkloss.campaign.cases import instances, wiring_instances
from linkloss.campaign.plan import plan
from linkloss.faults.catalogue import make_fault
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session import simulate
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import load_vehicle
from linkloss.vehicle.tables import RequestTable, SituationTable

MS = 1_000_000
BIT_NS = 4_000
NODES = ("front", "rear")
REQUESTS = {
    "LampRequest.Lamp": "lights == on",
    "LampRequest.Beam": "beam == on",
    "LampRequest.Blink": "blinker == on",
    "BodyRequest.Horn": "horn_button == on",
    "BodyRequest.Pump": "engine == on",
    "PlainRequest.Fan": "heat == on",
}
ASKS = [
    *(name for name in REQUESTS if name != "LampRequest.Blink"),
    "PlainRequest.Door == 2",
    "PlainRequest.Door > 0",
    "LampRequest.Lamp == 1 and BodyRequest.Pump == 1",
]
MOVES = {
    "lights": ("off", "on"),
    "beam": ("off", "on"),
    "blinker": ("off", "on"),
    "horn_button": ("off", "on"),
    "engine": ("off", "on"),
    "heat": ("off", "on"),
    "dimmer": (0.0, 4.0, 30.0, 60.0, 100.0),
    "lid": (0.0, 1.0, 2.0, 3.0),
    "pedal": ("up", "down"),
    "gear": ("out", "engaged"),
    "crash": ("no", "no", "yes"),
}


@cache
def plain_car():
    return load_vehicle(Path(__file__).parent / "car" / "vehicle.toml")


def ms(number: int) -> str:
    return f"{number} ms"


def drawn_load(draw: Random, node: str) -> LoadTable:
    """A load with a random table."""
    kind = draw.choice(["plain"] * 5 + ["flash", "level", "local"])
    table: dict[str, object] = {"node": node, "rejoin": "400 ms"}

    def maybe(share: float, **keys) -> None:
        if draw.random() < share:
            table.update(keys)

    table["latency"] = ms(draw.randint(6, 40))
    maybe(0.3, latency_off=ms(draw.randint(6, 40)))
    locals_ = ["pedal == down", "gear == engaged", "pedal == down and gear == engaged"]
    if kind == "local":
        table |= {"local": draw.choice(locals_), "debounce": ms(draw.choice([0, 10, 30]))}
        maybe(0.3, hardware_default="local")
    else:
        stale = draw.choice([160, 250, 300, 400])
        table |= {
            "request": draw.choice(ASKS),
            "stale_after": ms(stale),
            "reaction": ms(draw.randint(6, 50)),
            "on_stale": draw.choice(["off", "on", "hold", "pedal == down"]),
            "on_reset": draw.choice(["off", "off", "on"]),
        }
        maybe(0.4, early=ms(draw.randint(0, stale // 2)))
        maybe(0.3, confirm=draw.randint(1, 3))
        maybe(0.2, follow_again=ms(draw.randint(20, 250)))
        maybe(0.3, after_jump=draw.choice(["accept", "refuse one", "lost", "either"]))
        if draw.random() < 0.3:  # a small one makes of a few lost messages a lost link
            table |= {"max_step": draw.randint(1, 4), "rejoin": "900 ms"}
        maybe(0.3, hold_for=ms(draw.randint(60, 400)), then=draw.choice(["off", "on"]))
        maybe(0.2, bus_off="lost")
        maybe(0.2, survives_reset=True)
        maybe(0.2, latch=True)
        maybe(0.2, hardware_default="on")
        if stale > 200:
            maybe(0.15, link="DashStatus")
        maybe(0.3, local=draw.choice(locals_), local_use="or", debounce=ms(draw.choice([0, 20])))
        if kind == "flash":
            table |= {"request": "LampRequest.Blink", "flash": {}}
            maybe(0.3, on_stale="flash")
        if kind == "level":
            table |= {"request": "LampRequest.Lamp", "level": "LampRequest.Dim"}
            table["on_stale"] = draw.choice(["off", "on", "hold", "40 %"])
            maybe(0.3, on_reset="25 %")
    if kind in ("plain", "local"):
        maybe(0.2, trip={"when": "crash == yes", "off_until": "gear == engaged"})
        if table.get("hardware_default", "off") == "off":
            maybe(0.15, longest_on=ms(draw.randint(120, 600)))
            maybe(0.15, shortest_off=ms(draw.randint(30, 300)))
    if draw.random() < 0.2:
        state = draw.choice(["on", "on", "off"])
        when = draw.choice(["gear == engaged", "pedal == up and gear == engaged"])
        table["never"] = [{"state": state, "when": when, "within": ms(draw.randint(10, 120))}]
    return LoadTable.model_validate(table)


def drawn_car(seed: int, loads: int = 3):
    """A car with random loads on both its power nodes, and two random situations."""
    draw = Random(f"car {seed}")
    tables = {
        f"{node}_{number}": drawn_load(draw, node) for node in NODES for number in range(loads)
    }
    requests = {
        name: RequestTable.model_validate({"follows": text, "debounce": "0 ms"})
        for name, text in REQUESTS.items()
        if name.startswith("LampRequest")  # the others bear no content that is changed
    }
    situations = {
        name: SituationTable.model_validate(
            {"inputs": drawn_inputs(draw, 0.4), "actions": drawn_actions(draw), "lasts": "1200 ms"}
        )
        for name in ("first", "second")
    }
    plain = plain_car()
    update = {"loads": tables, "requests": requests, "situations": situations}
    return replace(plain, file=plain.file.model_copy(update=update))


def drawn_inputs(draw: Random, share: float) -> dict:
    return {name: draw.choice(v) for name, v in MOVES.items() if draw.random() < share}


def drawn_actions(draw: Random) -> list[dict]:
    times = sorted(draw.sample(range(150, 1000), 5))
    found = []
    for at_ms in times:
        moved = drawn_inputs(draw, 0.3) or {"lights": "on"}
        found.append({"at": ms(at_ms), "set": moved})
    return found


def with_right_nodes(scenario: Scenario, seed: int, make=RightNode) -> Scenario:
    """The scenario with right nodes in the car."""
    vehicle = scenario.vehicle
    kinds = {timed.fault.kind for timed in scenario.faults}
    programs = {}
    for node in NODES:
        table = vehicle.nodes[node]
        spare_ns = 0 if "slow_boot" in kinds else table.boot - table.usual_boot_ns
        programs[node] = partial(
            make, vehicle=vehicle, seed=seed, spare_ns=spare_ns, hangs="hang" in kinds
        )
    vehicle = replace(vehicle, programs={**vehicle.programs, **programs})
    return replace(scenario, vehicle=vehicle)


BIT_FAULTS = [
    *(("reset", node) for node in ("dash", *NODES)),
    *(("unplug", node) for node in ("dash", *NODES)),
    *(("bus_off", node) for node in ("dash", *NODES)),
    ("cut", "front"),
    ("cut", "rear"),
]


class Cases:
    """The cases of one drawn car: its situations with faults at instants drawn from a seed."""

    def __init__(self, seed: int) -> None:
        self.vehicle, self.seed = drawn_car(seed), seed
        self.draw = Random(f"cases {seed}")
        self.faults = [*instances(self.vehicle), *wiring_instances(self.vehicle)]
        self.bases = {name: self.base(name) for name in self.vehicle.situations}
        self.news = {name: self._news(base) for name, base in self.bases.items()}

    def base(self, name: str) -> Scenario:
        table = self.vehicle.situations[name]
        return Scenario(
            name=name, title="", vehicle=self.vehicle, situation=name, inputs=table.inputs,
            actions=tuple(TimedAction(action.at, action.set) for action in table.actions),
            faults=(), lasts_ns=table.lasts, seed=self.seed,
        )  # fmt: skip

    def _news(self, base: Scenario) -> list:
        """The frames of requests whose content is another than in the one before."""
        before: dict[int, bytes] = {}
        found = []
        for record in simulate(with_right_nodes(base, 0)).frames:
            frame = record.frame
            if record.sender != "dash" or frame.identifier >= 512:
                continue
            content = bytes([frame.data[0] & 0xF]) + frame.data[1:2]
            if before.get(frame.identifier) != content and record.start_ns > 60 * MS:
                found.append(record)
            before[frame.identifier] = content
        return found

    def some(self, number: int) -> list[Scenario]:
        """Cases without a fault, with faults at the bits of frames, with any fault at any time,
        with two of them.
        """
        found = [*self.bases.values()]
        while len(found) < number:
            name = self.draw.choice([*self.bases])
            kind = self.draw.choice(["bit", "bit", "any", "any", "both"])
            faults = []
            if kind != "any" and self.news[name]:
                faults.append(self.at_a_bit(self.draw.choice(self.news[name])))
            if kind != "bit":
                faults.append(self.at_any_time(name))
            found.append(self.case(name, faults))
        return [with_right_nodes(case, self.draw.randrange(1 << 30)) for case in found]

    def case(self, name: str, faults: list[TimedFault]) -> Scenario:
        base = self.bases[name]
        ends = [(timed.until_ns or timed.at_ns) + 750 * MS for timed in faults]
        told = [f"{t.fault.label()}@{t.at_ns}+{(t.until_ns or t.at_ns) - t.at_ns}" for t in faults]
        return replace(
            base, name="/".join([name, *told]), faults=tuple(faults),
            lasts_ns=max(base.lasts_ns, *ends, 0),
        )  # fmt: skip

    def at_a_bit(self, record) -> TimedFault:
        """From the start of a frame to some bits behind it; half of them around its end."""
        draw = self.draw
        bits = (record.end_ns - record.start_ns) // BIT_NS
        at_ns = record.start_ns + BIT_NS * draw.randint(0, bits + 4)
        if draw.random() < 0.5:
            at_ns = record.end_ns - BIT_NS * draw.randint(-3, 12)
        at_ns += draw.choice([-1, 0, 1, BIT_NS // 2])
        kind, node = draw.choice(BIT_FAULTS)
        parameters = {"between": ("dash", node)} if kind == "cut" else {"node": node}
        return self.timed(make_fault(kind, parameters, self.vehicle), at_ns)

    def at_any_time(self, name: str) -> TimedFault:
        at_ns = self.draw.randint(0, 1100 * 1000) * 1000
        if self.draw.random() < 0.5:
            at_ns = (
                self.draw.choice(self.bases[name].actions).at_ns + self.draw.randint(-60, 5) * MS
            )
        return self.timed(self.draw.choice(self.faults), max(0, at_ns))

    def timed(self, fault, at_ns: int) -> TimedFault:
        lasts_ns = self.draw.choice([2, 60, 150, 300, 600]) * MS + self.draw.randint(0, 1000)
        return TimedFault(fault, at_ns, at_ns + lasts_ns if fault.lasting else None)


def planned_cases(seed: int, number: int) -> list[Scenario]:
    """Some cases of a drawn car's own plan, but for the long ones."""
    draw = Random(f"plan {seed}")
    short = [case for case in plan(drawn_car(seed), seed) if case.lasts_ns < 6_000 * MS]
    return [
        with_right_nodes(case, draw.randrange(1 << 30))
        for case in draw.sample(short, min(number, len(short)))
    ]


def drawn_cases(seed: int, number: int) -> list[Scenario]:
    """The cases of one drawn car: of every twentieth, as its check plans them."""
    return planned_cases(seed, number) if seed % 20 == 19 else Cases(seed).some(number)
