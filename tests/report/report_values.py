"""Hand-made results of the tiny car."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from linkloss.bus import BusRecord, Frame, RecordList
from linkloss.campaign.result import CaseResult, CheckReport, RunResult
from linkloss.judge import Outcome, Unjudged, Verdict
from linkloss.judge.verdict import Cause
from linkloss.recording import (
    ActionRecord,
    ControllerChange,
    Crash,
    FaultRecord,
    Handed,
    NodeChange,
    Recording,
    series,
)
from linkloss.scenario import Expectation, Scenario
from linkloss.vehicle.loading import Vehicle, load_vehicle

MS = 1_000_000
TINY = Path(__file__).parent / "tiny"
CUT = "the cable between dash and rear was cut"


@cache
def vehicle() -> Vehicle:
    """As if it had been read from a folder ``car`` beside the user, wherever the tests lie."""
    return replace(load_vehicle(TINY / "vehicle.toml"), path=Path("car/vehicle.toml"))


def kept(subject: str, rule: str, margin_ms: float | None = None) -> Verdict:
    margin_ns = None if margin_ms is None else round(margin_ms * MS)
    return Verdict(subject, rule, Outcome.KEPT, margin_ns)


def untested(subject: str, rule: str) -> Verdict:
    return Verdict(subject, rule, Outcome.NOT_EXERCISED)


def broken(
    subject: str,
    rule: str,
    text: str,
    *,
    at_ms: float | None = 812,
    wrong_ms: float | None = 4700,
    culprit: str = "",
) -> Verdict:
    wrong_ns = None if wrong_ms is None else round(wrong_ms * MS)
    return Verdict(
        subject,
        rule,
        Outcome.BROKEN,
        None if wrong_ns is None else -wrong_ns,
        None if at_ms is None else round(at_ms * MS),
        wrong_ns,
        **told(text),
        culprit=culprit,
    )


def told(text: str) -> dict[str, Any]:
    """The values of a verdict with these words, with or without their tail."""
    for cause in Cause:
        body, _, tail = cause.value.partition("|")
        names = re.findall(r"{(\w+)}", body + tail)
        if text and cause is not Cause.TOLD and len(set(names)) == len(names):
            found = re.fullmatch(_form(body) + f"({_form(tail)})?", text, re.DOTALL)
            if found:
                values = found.groupdict(default="")
                about = tuple(values[name] for name in sorted(values) if name[1:].isdigit())
                plain = {"_observed", "_allowed"} & values.keys()
                told = {name[1:]: values[name] for name in plain}
                return {"cause": cause, "about": about, **told}
    return {"cause": Cause.TOLD if text else None, "observed": text}


def _form(template: str) -> str:
    escaped = re.escape(template).replace(r"\{", "{").replace(r"\}", "}").replace("{more}", "")
    return re.sub(r"{(\w+)}", r"(?P<_\1>.*?)", escaped)


def case(fault: str, *verdicts: Verdict, at_ms: int | None = 500, text: str = CUT) -> CaseResult:
    name = "night" if fault == "none" else f"night/{fault}(dash,rear)@{at_ms}ms"
    return CaseResult(
        name=name,
        situation="night",
        fault=fault,
        text="" if fault == "none" else text,
        fault_ns=None if fault == "none" or at_ms is None else at_ms * MS,
        simulated_ns=6_000 * MS,
        frames=100,
        verdicts=verdicts,
    )


def report(*cases: CaseResult, declared: tuple[tuple[str, str], ...] | None = None) -> CheckReport:
    if declared is None:
        found = [(v.subject, v.rule) for entry in cases for v in entry.verdicts]
        declared = tuple(dict.fromkeys(place for place in found if place[1] != "program"))
    return CheckReport(vehicle(), 0, declared, cases)


def mixed_report() -> CheckReport:
    """Two cases: one rule kept, one broken, one not exercised, and a program that crashed."""
    dark = broken("tail_lamp", "stale", "was off instead of on; wrong for 4.7 s", culprit="rear")
    crash = broken(
        "dash",
        "program",
        "the program failed at dash.py:7: KeyError: 'lights'",
        at_ms=700,
        wrong_ms=None,
        culprit="dash",
    )
    return report(
        case("none", kept("tail_lamp", "fresh", 12.5), untested("buzzer", "then")),
        case(
            "cut",
            kept("tail_lamp", "fresh", 8),
            dark,
            untested("buzzer", "then"),
            kept("LampRequest.Position", "control", 69),
            kept("rear_lost", "notice"),
            kept("rear", "rejoin", 998.7),
            crash,
        ),
    )


def unjudged_report() -> CheckReport:
    """All kept, one thing unjudged in silence, another with a reason of the vehicle file."""
    whole = report(
        case("none", kept("tail_lamp", "fresh", 12.5)), declared=(("tail_lamp", "fresh"),)
    )
    silent = Unjudged("LampRequest", "it has no cycle time")
    return replace(whole, unjudged=(silent, Unjudged("supply", "there is none", "a toy")))


def every_fault_report() -> CheckReport:
    """Twenty kinds of faults with long names, and every subject of the car."""
    kinds = ["none", "wrong_bit_rate", "unterminated", "unplug+reset", "relay_welded"]
    kinds += [f"kind_{number}" for number in range(15)]
    subjects = ["tail_lamp", "buzzer", "indicator", "LampRequest.Position", "rear_lost", "rear"]
    return report(
        *(
            case(
                kind,
                *(kept(subject, "fresh", 100.5) for subject in subjects[1:]),
                broken("tail_lamp", "fresh", "was off instead of on", wrong_ms=777.7),
            )
            for kind in kinds
        )
    )


def scenario() -> Scenario:
    return Scenario(
        name="cut",
        title="The cable is cut",
        vehicle=vehicle(),
        situation="",
        inputs={"lights": "off", "speed": 30.0},
        actions=(),
        faults=(),
        lasts_ns=6_000 * MS,
        expectations=(Expectation("tail_lamp", "on", 300 * MS, 1400 * MS),),
    )


def frames() -> list[BusRecord]:
    """A good base frame, a failed attempt, a remote frame and an extended frame."""
    return [
        BusRecord(20 * MS, 20 * MS + 348_000, "dash", Frame(256, b"\x01"), ("rear",)),
        BusRecord(30 * MS, 30 * MS + 100_000, "dash", Frame(256, b"\x03"), (), "disturbed"),
        BusRecord(40 * MS, 40 * MS + 200_000, "rear", Frame(514, remote=True, dlc=1), ("dash",)),
        BusRecord(
            50 * MS,
            50 * MS + 500_000,
            "rear",
            Frame(0x1ABCDE01, b"\x00\xff\x10", extended=True),
            ("dash",),
            None,
            ("dash",),
        ),
    ]


def recording() -> Recording:
    blinks = [(at_ms * MS, float(index % 2)) for index, at_ms in enumerate(range(0, 4000, 333))]
    return Recording(
        vehicle="Tiny",
        seed=0,
        end_ns=6_000 * MS,
        inputs={"lights": series((0, "off"), (200 * MS, "on")), "speed": series((0, 30.0))},
        seen={("lights", "dash"): series((0, "off"), (201 * MS, "on"))},
        outputs={
            "tail_lamp": series((0, 0.0), (250 * MS, 1.0), (812 * MS, 0.0)),
            "buzzer": series((0, 0.0), (250 * MS, 0.4)),
            "indicator": series(*blinks),
        },
        commands={"tail_lamp": series((0, None), (250 * MS, 1.0))},
        nodes={
            "dash": [NodeChange(0, "reset", "power-up"), NodeChange(20 * MS, "running", "boot")],
            "rear": [
                NodeChange(0, "reset", "power-up"),
                NodeChange(20 * MS, "running", "boot"),
                NodeChange(900 * MS, "hung", "fault"),
                NodeChange(950 * MS, "crashed", "KeyError: 'lights'"),
            ],
        },
        controllers={
            "dash": [],
            "rear": [
                ControllerChange(600 * MS, "PASSIVE", 128, 0),
                ControllerChange(700 * MS, "BUS_OFF", 256, 0),
            ],
        },
        handed={
            "DashNotices": [
                Handed(100 * MS, b"\x00"),
                Handed(1100 * MS, b"\x01"),
                Handed(1200 * MS, b"\x01"),
                Handed(1700 * MS, b"\x00"),
            ]
        },
        frames=RecordList(frames()),
        faults=[
            FaultRecord("cut", CUT, "cable", False, (), 500 * MS, 1000 * MS),
            FaultRecord("reset", "rear was reset", "node", False, ("rear",), 800 * MS, 800 * MS),
            FaultRecord("mute", "rear fell silent", "node", False, ("rear",), 960 * MS, None),
        ],
        actions=[ActionRecord(200 * MS, {"lights": "on"})],
        crashes=[Crash("rear", 950 * MS, "rear.py:7", "KeyError: 'lights'")],
    )


def run_result() -> RunResult:
    return RunResult(
        scenario(),
        recording(),
        verdicts=(
            kept("tail_lamp", "fresh", 148.5),
            kept("tail_lamp", "reset"),
            broken("tail_lamp", "stale", "was off instead of on; wrong for 4.7 s", culprit="rear"),
            untested("buzzer", "then"),
        ),
        expected=(
            Verdict(
                "tail_lamp",
                "expected",
                Outcome.BROKEN,
                at_ns=812 * MS,
                **told("was off at 812 ms; expected: on"),
            ),
        ),
    )
