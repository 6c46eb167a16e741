"""A node's way into life: power-up, boot, a program built anew, resets and what survives them."""

from __future__ import annotations

import can
import pytest
from life_car import Log, program, run

from linkloss_nodes import MS, Node


def test_the_program_starts_after_the_boot_time():
    ran = run(program())
    assert ran.states() == [(0, "reset", "power-up"), (20, "running", "boot")]


def test_init_and_start_run_once_at_the_end_of_the_boot():
    log = Log()

    def init(self, board):
        Node.__init__(self, board)
        log(board, "init")

    run(program(__init__=init, start=lambda self: log(self.board, "start")))
    assert log == [(20, "init"), (20, "start")]


def test_the_board_shows_name_settings_messages_and_an_ideal_supply():
    seen = {}

    def start(self):
        board = self.board
        seen.update(name=board.name, settings=dict(board.settings), volts=board.supply_volts())
        seen["message"] = board.messages.get_message_by_name("Beat").frame_id

    run(program(start=start))
    assert seen == {"name": "unit", "settings": {"gain": 3}, "volts": 13.5, "message": 256}


def test_a_program_is_built_anew_at_each_start():
    builds = []

    def start(self):
        assert not hasattr(self, "mark")
        self.mark = True
        builds.append(self)

    run(program(start=start), ("reset", 100, None))
    assert len(builds) == 2
    assert builds[0] is not builds[1]
    assert builds[0].board is not builds[1].board


def test_the_memory_survives_a_reset_and_belongs_to_one_node():
    log = Log()

    def start(self):
        self.board.memory["starts"] = self.board.memory.get("starts", 0) + 1
        log(self.board, dict(self.board.memory))

    ran = run(program(start=start), ("reset", 100, None), ("reset", 200, None))
    assert log == [(20, {"starts": 1}), (120, {"starts": 2}), (220, {"starts": 3})]
    assert ran.session.hosts["other"]._memory == {}


def test_two_sessions_share_no_memory():
    seen = []

    def start(self):
        seen.append(dict(self.board.memory))
        self.board.memory["left"] = "over"

    unit = program(start=start)
    run(unit)
    run(unit)
    assert seen == [{}, {}]


def test_timers_of_before_a_reset_are_gone():
    log = Log()

    def start(self):
        self.board.every(40 * MS, log, self.board, "tick")
        self.board.after(90 * MS, log, self.board, "once")

    run(program(start=start), ("reset", 100, None), lasts_ms=220)
    assert log == [(60, "tick"), (160, "tick"), (200, "tick"), (210, "once")]


def test_a_timer_due_at_the_instant_of_a_reset_does_not_run():
    log = Log()
    run(
        program(start=lambda self: self.board.after(80 * MS, log, self.board, "late")),
        ("reset", 100, None),
        lasts_ms=150,
    )
    assert log == []


def test_a_frame_that_nobody_acknowledged_during_the_boot_arrives_once_the_program_runs():
    log = Log()
    run(
        program(on_frame=lambda self, message: log(self.board, message.data[0])),
        ("reset", 75, None),  # the second beat is due at 80 ms
        lasts_ms=150,
    )
    assert [(int(at_ms), count) for at_ms, count in log.entries] == [(30, 1), (95, 2), (130, 3)]


def test_outputs_fall_to_the_hardware_default_at_a_reset_until_the_program_sets_them():
    def start(self):
        self.board.after(30 * MS, self.board.write, "lamp", 1.0)
        self.board.after(30 * MS, self.board.write, "heater", 0.0)

    ran = run(program(start=start), ("reset", 100, None), lasts_ms=200)
    assert ran.load("lamp") == [(0, 0.0), (50, 1.0), (100, 0.0), (150, 1.0)]
    assert ran.load("heater") == [(0, 1.0), (50, 0.0), (100, 1.0), (150, 0.0)]


def test_a_released_output_falls_to_its_hardware_default():
    def start(self):
        self.board.write("lamp", 1.0)
        self.board.write("heater", 0.0)
        self.board.after(10 * MS, self.board.release, "lamp")
        self.board.after(10 * MS, self.board.release, "heater")

    ran = run(program(start=start))
    assert ran.load("lamp") == [(0, 0.0), (20, 1.0), (30, 0.0)]
    assert ran.load("heater") == [(0, 1.0), (20, 0.0), (30, 1.0)]


def test_an_output_with_a_local_default_follows_its_input_while_no_program_drives_it():
    ran = run(
        program(start=lambda self: self.board.write("brake", 0.0)),
        ("reset", 100, None),
        switch=[(5, "on"), (105, "off"), (110, "on"), (150, "off"), (160, "on")],
        lasts_ms=200,
    )
    assert ran.load("brake") == [
        (0, 0.0), (5, 1.0), (20, 0.0), (100, 1.0), (105, 0.0), (110, 1.0), (120, 0.0),
    ]  # fmt: skip


@pytest.mark.parametrize("level, seen", [(0.4, 0.4), (7, 1.0), (-1, 0.0), (float("nan"), 0.0)])
def test_a_level_is_a_duty_from_zero_to_one(level, seen):
    ran = run(program(start=lambda self: self.board.write("lamp", level)))
    assert ran.load("lamp")[-1][1] == seen


def test_a_program_that_resets_its_board_runs_nothing_behind_the_call():
    log = Log()

    def tick(self):
        log(self.board, "before")
        if "restarted" not in self.board.memory:
            self.board.memory["restarted"] = True
            self.board.restart()
        log(self.board, "behind")

    def start(self):
        self.board.after(30 * MS, self.tick)
        self.board.after(30 * MS, log, self.board, "another")

    ran = run(program(start=start, tick=tick), lasts_ms=150)
    assert ran.states()[2:] == [(50, "reset", "program"), (70, "running", "boot")]
    assert log == [(50, "before"), (100, "before"), (100, "behind"), (100, "another")]


@pytest.mark.parametrize("method", ["__init__", "start"])
def test_a_program_may_reset_its_board_while_it_starts(method):
    def begin(self, board=None):
        board = board or self.board
        self.board = board
        board.memory["starts"] = board.memory.get("starts", 0) + 1
        if board.memory["starts"] < 3:
            board.restart()

    ran = run(program(**{method: begin}))
    assert [(at, state) for at, state, _ in ran.states()] == [
        (0, "reset"), (20, "running"), (20, "reset"), (40, "running"), (40, "reset"),
        (60, "running"),
    ]  # fmt: skip
    assert ran.recording.crashes == []


def test_a_reset_during_the_boot_begins_the_boot_anew():
    ran = run(program(), ("reset", 100, None), ("reset", 110, None))
    assert ran.states()[2:] == [
        (100, "reset", "fault"),
        (110, "reset", "fault"),
        (130, "running", "boot"),
    ]


def test_a_node_in_its_boot_neither_acknowledges_nor_counts_as_a_receiver():
    ran = run(program(), ("reset", 75, None), lasts_ms=110)
    errors = [(r.end_ns // MS, r.error) for r in ran.recording.frames if r.error is not None]
    assert errors
    assert all(75 <= at < 96 for at, _ in errors)
    assert 80 not in ran.beats()


def test_an_old_board_refuses_after_a_reset():
    boards, refusals = [], []
    uses = {
        "bus": lambda board: board.bus,
        "memory": lambda board: board.memory,
        "write": lambda board: board.write("lamp", 1.0),
        "release": lambda board: board.release("lamp"),
        "recover_bus": lambda board: board.recover_bus(),
        "start_watchdog": lambda board: board.start_watchdog(10 * MS),
        "restart": lambda board: board.restart(),
    }

    def probe(_session):
        for name, use in uses.items():
            with pytest.raises(RuntimeError, match="node 'unit' was reset; its program uses"):
                use(boards[0])
            refusals.append(name)

    ran = run(
        program(start=lambda self: boards.append(self.board)),
        ("reset", 100, None),
        at=[(200, probe)],
    )
    assert refusals == list(uses)
    assert len(ran.states()) == 4
    assert ran.load("lamp") == [(0, 0.0)]


def test_an_old_bus_sends_nothing_after_a_reset():
    kept = []

    def late(_session):
        with pytest.raises(can.CanOperationError, match="the port of node 'unit' is shut down"):
            kept[0].send(can.Message(arbitration_id=257, data=[1], is_extended_id=False))

    ran = run(
        program(start=lambda self: kept.append(self.board.bus)),
        ("reset", 100, None),
        at=[(200, late)],
    )
    assert ran.answers() == []


def test_timers_set_on_an_old_board_never_run():
    boards, log = [], Log()

    def late(_session):
        boards[0].after(5 * MS, log, boards[0], "after")
        boards[0].every(5 * MS, log, boards[0], "every")
        boards[0].feed_watchdog()

    run(
        program(start=lambda self: boards.append(self.board)),
        ("reset", 100, None),
        at=[(200, late)],
    )
    assert log == []


def test_python_cans_periodic_task_ends_with_its_program():
    def start(self):
        message = can.Message(arbitration_id=257, data=[7], is_extended_id=False)
        if "once" not in self.board.memory:
            self.board.memory["once"] = True
            self.board.bus.send_periodic(message, 0.01)

    ran = run(program(start=start), ("reset", 105, None))
    assert max(at for at, _ in ran.answers()) < 105
    assert len(ran.answers()) >= 8
