"""The electrical tables of a vehicle file: battery, feeds, grounds, switches and loads.

All of them are optional. A vehicle without ``[supply]`` is on an ideal supply, a node without
``[nodes.X.supply]`` is on the battery without a lead, a load without ``[loads.X.electrical]`` draws
nothing. :mod:`linkloss.power` explains what the values mean.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from linkloss.power.leads import parse_size
from linkloss.units import (
    Capacitance,
    Charge,
    Current,
    Duration,
    Length,
    Power,
    Resistance,
    Share,
    Temperature,
    Voltage,
    parse_share,
    parse_voltage,
)
from linkloss.vehicle.toml import ConditionText, Table, as_written

MS = 1_000_000
USUAL_CHARGING_V = 14.2
"""What the regulator of a 12 V car holds: common practice."""
CONTACT_OHM = 0.005
"""Of a contact with its terminals: common practice."""
MOST_A = 5_000.0
LEAST_OHM = 1e-5
"""Beyond these limits there is no real car, and the arithmetic of the circuit would lose digits."""
LoadKind = Literal["filament", "led", "motor", "solenoid", "heater", "electronics"]


Size = Annotated[
    str,
    as_written(parse_size),
    Field(json_schema_extra={"examples": ["1.5 mm²", "16 AWG"]}),
]


def drop_volts(text: object, nominal: float = 12.0) -> float:
    """An allowed voltage drop in V: ``"0.5 V"``, or ``"3 %"`` of so many V.

    :raises ValueError: for anything else, or a drop of nothing or of more than half.
    """
    is_share = isinstance(text, str) and text.strip().endswith("%")
    volts = parse_share(text) * nominal if is_share else parse_voltage(text)
    if not 0 < volts <= nominal / 2:
        raise ValueError(f"got {text!r}; expected a drop like '3 %' or '0.5 V', half at most")
    return volts


Drop = Annotated[
    str, as_written(drop_volts), Field(json_schema_extra={"examples": ["3 %", "0.5 V"]})
]


class LeadTable(Table):
    """A copper lead."""

    size: Size = Field(description="cross-section: '1.5 mm²' or '16 AWG'")
    length: Length = Field(ge=0.01, le=100, description="length of the one conductor")
    colour: str = Field(default="", description="colour of its insulation, for the lead list")
    bundled: int = Field(
        default=1, ge=1, description="leads in the loom that carry current at the same time"
    )
    contacts: Resistance = Field(
        default=0.0, ge=0, le=10, description="resistance of its terminals and connectors"
    )

    @property
    def area_mm2(self) -> float:
        """The cross-section in mm2."""
        return parse_size(self.size)


class FeedTable(LeadTable):
    """The lead from the battery to a node, with the fuse at its beginning."""

    fuse: Current | None = Field(
        default=None, ge=0.1, le=500, description="rating of the fuse in it"
    )
    fuse_type: Literal["blade", "maxi"] = Field(default="maxi", description="its kind")


class LinkTable(LeadTable):
    """A conductor from a node's ground to that of another node, beside both ground leads."""

    to: str = Field(description="the other node")


class AlternatorTable(Table):
    """The alternator with its regulator."""

    volts: Voltage = Field(
        default=USUAL_CHARGING_V, gt=0, le=32, description="what its regulator holds"
    )
    current: Current = Field(gt=0, le=MOST_A, description="the most it gives")
    internal_resistance: Resistance = Field(default=0.02, ge=LEAST_OHM, le=1)
    lead: LeadTable | None = Field(default=None, description="from the alternator to the battery")
    runs_while: ConditionText = Field(description="condition over inputs, such as engine speed")


class StarterTable(Table):
    """The starter motor, straight on the battery."""

    switched_by: str = Field(description="the load that is its relay or solenoid")
    current: Current = Field(ge=1, le=MOST_A, description="while it turns the engine")
    stall: Current = Field(ge=1, le=MOST_A, description="with its rotor held, at 'volts'")
    volts: Voltage = Field(default=12.0, ge=1, le=32, description="of the nameplate")
    start_time: Duration = Field(default=60 * MS, ge=MS, description="time constant of run-up")
    lead: LeadTable | None = None
    contact: Resistance = Field(
        default=CONTACT_OHM,
        ge=LEAST_OHM,
        le=1,
        description="of its contact, its terminals and the way back through engine and strap",
    )
    may_reset: tuple[str, ...] = Field(
        default=(), description="the nodes that may reset while it turns the engine"
    )


class DropsTable(Table):
    """The voltage that each kind of load may lose from the battery to it and back, where the load
    itself does not say ('drop').
    """

    filament: Drop | None = Field(
        default=None, description="default: 0.6 V below 15 W and from 45 W on, else 0.9 V"
    )
    led: Drop | None = Field(default=None, description="default: 0.6 V")
    motor: Drop | None = Field(default=None, description="default: 1.5 V")
    solenoid: Drop | None = Field(default=None, description="default: 1.7 V")
    heater: Drop | None = Field(default=None, description="default: 1.5 V")
    electronics: Drop | None = Field(default=None, description="default: 1.5 V")
    starter: Drop | None = Field(
        default=None, description="in the lead of the starter motor; default: 0.5 V"
    )
    alternator: Drop | None = Field(
        default=None, description="in the lead of the alternator; default: 0.4 V"
    )


class SupplyTable(Table):
    """The battery, and what feeds and loads it directly."""

    battery: Voltage = Field(default=12.6, gt=0, le=32, description="open-circuit voltage")
    capacity: Charge = Field(default=60.0, gt=0, le=10_000)
    internal_resistance: Resistance = Field(
        default=0.008, ge=LEAST_OHM, le=1, description="of the battery"
    )
    ambient: Temperature = Field(
        default=40.0, ge=-40, le=105, description="around fuses and leads, at its highest"
    )
    copper: Temperature = Field(
        default=20.0, ge=-40, le=150, description="of the leads in a run and in a drop"
    )
    parked_days: int = Field(
        default=30, ge=1, le=3650, description="after so many days parked it must still start"
    )
    drive: dict[str, Share] = Field(
        default_factory=dict,
        description="a drive that the alternator must feed: load = share of the time that it is on",
    )
    drops: DropsTable = Field(default_factory=DropsTable)
    alternator: AlternatorTable | None = None
    starter: StarterTable | None = None

    def allowed_drop(self, key: str) -> float | None:
        """What the file allows a kind of load to lose, in V; None where it does not say."""
        text = getattr(self.drops, key)
        return None if text is None else drop_volts(text, self.nominal)

    @property
    def nominal(self) -> float:
        """The system's nominal voltage, as names are given in the trade: 6, 12 or 24 V."""
        return 6.0 if self.battery < 9 else 12.0 if self.battery < 18 else 24.0

    @property
    def charging(self) -> float:
        """The voltage while the engine runs and the battery is full, in V: what the regulator
        holds, and at least the battery's own; without an alternator 14.2 V for each 12 V.
        """
        if self.alternator is None:
            return USUAL_CHARGING_V * self.nominal / 12
        return max(self.alternator.volts, self.battery)


class NodeSupplyTable(Table):
    """How a node is fed, and what its own electronics tolerate."""

    feed: FeedTable | None = None
    ground: LeadTable | None = None
    ground_link: LinkTable | None = None
    current: Current = Field(default=0.08, ge=0, le=MOST_A, description="own electronics, awake")
    sleeping: Current | None = Field(default=None, ge=0, description="own electronics, asleep")
    range: tuple[Voltage, Voltage] = Field(
        default=(9.0, 16.0), description="operating range at the node's terminals"
    )
    brown_out: Voltage = Field(
        default=6.5,
        gt=0,
        le=32,
        description="below it, at the node's terminals, the processor resets",
    )
    hysteresis: Voltage = Field(
        default=0.5, ge=0, le=32, description="how far above 'brown_out' it may start again"
    )
    hold_up: Capacitance = Field(
        default=0.0, ge=0, le=1, description="capacitor behind the diode that feeds the processor"
    )
    least: Voltage | None = Field(
        default=None,
        gt=0,
        le=32,
        description="least voltage of the processor, at the terminals",
        examples=["4.5 V"],
    )
    brown_out_detector: bool = Field(
        default=True,
        description="whether the processor is held in reset below 'brown_out'; without that its"
        " program runs wild between 'least' and 'brown_out'",
    )
    regulator_drop: Voltage = Field(
        default=1.3,
        ge=0,
        le=10,
        description="of a node with 'fuses.brown_out': how far the chip's supply lies below the"
        " terminals once the regulator can no longer hold it: diode and regulator",
    )
    logged: str | None = Field(
        default=None, description="'Message.Signal' of the node that shows its supply voltage"
    )
    tolerance: Voltage | None = Field(
        default=None,
        gt=0,
        description="how far that signal may be off; default: two of its steps, and what the"
        " recording does not note",
    )

    dip_limit: Duration = Field(
        default=100 * MS,
        description="longest time that a short on one load may take the current from its"
        " neighbours",
    )

    @model_validator(mode="after")
    def _limits(self) -> NodeSupplyTable:
        if not 0 < self.range[0] < self.range[1]:
            raise ValueError("'range' is the lowest and the highest voltage, the lowest first")
        if self.least is not None and self.least >= self.brown_out:
            raise ValueError("'least' lies below 'brown_out'")
        if self.least is None and not self.brown_out_detector:
            raise ValueError("without a brown-out detector 'least' has to be said")
        return self


class RelayTable(Table):
    """A relay in the output."""

    coil: Resistance = Field(default=90.0, ge=1, le=100_000, description="of its coil")
    pull_in: Voltage = Field(default=7.5, gt=0, description="coil voltage that closes it")
    drop_out: Voltage = Field(default=3.0, gt=0, description="coil voltage that no longer holds it")
    closes_in: Duration = Field(
        default=8 * MS, ge=MS // 10, description="from the coil voltage to the contact"
    )
    opens_in: Duration = Field(
        default=4 * MS, ge=MS // 10, description="from the coil voltage to the contact"
    )
    bounces: int = Field(default=0, ge=0, le=20, description="times the contact opens again")
    bounce: Duration = Field(default=MS // 2, ge=MS // 100, description="length of one bounce")
    contact: Resistance = Field(default=CONTACT_OHM, ge=LEAST_OHM, le=10)
    rating: Current | None = Field(
        default=None,
        gt=0,
        le=MOST_A,
        description="continuous current of its contact; default: 30 A at 12 V, 20 A at 24 V",
    )
    lamps: Current | None = Field(
        default=None, gt=0, le=MOST_A, description="the same for lamps; default: 'rating'"
    )
    motors: Current | None = Field(
        default=None, gt=0, le=MOST_A, description="the same for motors; default: 'rating'"
    )
    making: Current | None = Field(
        default=None,
        gt=0,
        le=MOST_A,
        description="the most current that its contact may close on; default: 4 times 'rating'",
    )

    @model_validator(mode="after")
    def _limits(self) -> RelayTable:
        if self.drop_out >= self.pull_in:
            raise ValueError("'drop_out' lies below 'pull_in'")
        return self

    def rated(self, nominal: float) -> float:
        """The continuous current of its contact, in A, in a car of so many V.

        A plug-in relay of 40 A at 23 degC carries 30 A at 85 degC (a data sheet, looked up); at 24
        V contacts are rated at two thirds of that (another, looked up).
        """
        if self.rating is not None:
            return self.rating
        return 20.0 if nominal > 12 else 30.0

    def makes(self, nominal: float) -> float:
        """The most current that its contact may close on, in A: 120 A for one of 30 A at 85 degC (a
        data sheet, looked up).
        """
        return 4 * self.rated(nominal) if self.making is None else self.making


class SolidStateTable(Table):
    """A solid-state switch in the output, with its protection and its diagnosis."""

    on_resistance: Resistance = Field(default=0.01, ge=LEAST_OHM, le=10)
    limit: Current | None = Field(
        default=None, ge=0.01, description="the most current it lets through; default: no limit"
    )
    trip: Current | None = Field(
        default=None, gt=0, description="more than this, after 'blanking', trips it"
    )
    blanking: Duration = Field(
        default=100 * MS, description="how long after switching on it lets an inrush through"
    )
    retry_after: Duration = Field(
        default=500 * MS, ge=MS, description="from a trip to the next try"
    )
    retries: int = Field(default=3, ge=0, le=100, description="then it latches until switched off")
    open_load: Current | None = Field(
        default=None, gt=0, description="less than this while on is reported as an open load"
    )
    open_load_off: bool = Field(
        default=False, description="an open load is seen while off, too, by a pull-up"
    )
    thermal: float = Field(
        default=20.0,
        gt=0,
        le=1000,
        description="rise of its junction in kelvin per watt lost in it",
    )
    thermal_time: Duration = Field(
        default=200 * MS, ge=MS // 10, description="time constant of the rise"
    )
    rise: float = Field(default=100.0, gt=0, le=500, description="rise in kelvin at which it trips")


class ElectricalTable(Table):
    """What a load draws, by its nameplate, and the lead to it."""

    kind: LoadKind = Field(description="what it is, electrically")
    volts: Voltage = Field(default=12.0, ge=1, le=32, description="of the nameplate")
    watts: Power | None = Field(
        default=None, ge=0.001, le=10_000, description="of one piece, at 'volts'"
    )
    amps: Current | None = Field(
        default=None, ge=0.0001, le=MOST_A, description="of one piece, at 'volts'"
    )
    count: int = Field(default=1, ge=1, le=20, description="pieces in parallel")
    start: Current | None = Field(
        default=None,
        gt=0,
        le=MOST_A,
        description="of one piece: motor at rest, solenoid pulling in",
    )
    start_time: Duration | None = Field(
        default=None,
        ge=MS // 10,
        description="filament: until hot; motor: time constant of run-up; solenoid: pull-in time",
    )
    starts: int = Field(
        default=100_000,
        ge=1,
        le=100_000,
        description="how often it starts in its life: what each start may take of its fuse's",
    )
    cold: float = Field(
        default=0.1, ge=0.02, lt=1, description="filament: cold resistance, as share of the hot one"
    )
    knee: Voltage | None = Field(
        default=None,
        gt=0,
        description="LED: no current below; default: half of 'volts'",
        examples=["2 V"],
    )
    holds_from: Voltage = Field(default=6.0, gt=0, description="solenoid: lowest pull-in voltage")
    holds_to: Voltage = Field(default=2.5, gt=0, description="solenoid: it lets go below")
    lead: LeadTable | None = Field(default=None, description="from the node to the load")
    back: LeadTable | None = Field(default=None, description="from the load to its ground")
    ground: str = Field(default="body", description="'body', or the node at whose ground it ends")
    fuse_type: Literal["blade", "maxi"] = Field(default="blade", description="kind of its fuse")
    fuse_with: str | None = Field(default=None, description="the load whose fuse feeds it, too")
    works_from: Voltage = Field(
        default=6.0, ge=0, description="with less at its terminals the load counts as off"
    )
    drop: Voltage | None = Field(
        default=None, gt=0, description="allowed loss from battery to load and back"
    )
    thermal_cut_out: bool = Field(
        default=False, description="motor: it cuts itself off before a held rotor burns it"
    )
    asleep: Current = Field(default=0.0, ge=0, description="what it draws while the car sleeps")
    contact: Resistance = Field(
        default=CONTACT_OHM,
        ge=LEAST_OHM,
        le=10,
        description="of what switches it, where there is neither 'relay' nor 'solid_state'",
    )
    relay: RelayTable | None = None
    solid_state: SolidStateTable | None = None
    soft_start: Duration = Field(default=0, description="how long it takes to dim up")

    @model_validator(mode="after")
    def _limits(self) -> ElectricalTable:
        if (self.watts is None) == (self.amps is None):
            raise ValueError("expected either 'watts' or 'amps' of the nameplate")
        if self.relay is not None and self.solid_state is not None:
            raise ValueError("expected one switch: 'relay' or 'solid_state'")
        if self.relay is not None and self.soft_start:
            raise ValueError("a relay cannot start softly; expected 'solid_state'")
        if self.kind not in ("motor", "solenoid") and self.start is not None:
            raise ValueError("'start' belongs to a motor or a solenoid")
        if self.kind != "motor" and self.thermal_cut_out:
            raise ValueError("'thermal_cut_out' belongs to a motor")
        if self.start is not None and self.start < self.current:
            raise ValueError("expected 'start' to be no less than the current of the nameplate")
        if self.knee is not None and self.knee >= self.volts:
            raise ValueError("'knee' lies below 'volts'")
        if self.holds_to >= self.holds_from:
            raise ValueError("'holds_to' lies below 'holds_from'")
        return self

    @property
    def switching_ns(self) -> int:
        """The longest time, in ns, that its relay takes to follow its node."""
        relay = self.relay
        if relay is None:
            return 0
        return max(relay.closes_in + 2 * relay.bounces * relay.bounce, relay.opens_in)

    @property
    def current(self) -> float:
        """Current of one piece at the volts of its nameplate, in A."""
        if self.amps is not None:
            return self.amps
        assert self.watts is not None
        return self.watts / self.volts
