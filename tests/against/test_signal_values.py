"""Every way in which we read a signal, against cantools' own decoding.

The judge, columns and comparisons read by :class:`SignalInfo`, the description of a log by
:class:`SignalColumn`, the bundled programs by :class:`Field`. Each file that the tests carry is
decoded on random payloads, and the open ones beside the checkout where they are there.
"""

from __future__ import annotations

from math import isnan
from pathlib import Path
from random import Random

import pytest

from linkloss.logs.protect import Columns, plain_signals
from linkloss.vehicle.dbc import read_dbc
from linkloss.vehicle.messages import compile_message
from linkloss_nodes.fields import find_field

ROOT = Path(__file__).parents[2]
OPEN = ROOT.parent / "shared" / "data" / "dbc"
FOLDERS = ("dbc", "bench", "tests")
OURS = sorted(path for folder in FOLDERS for path in (ROOT / folder).rglob("*.dbc"))
PLAIN, PAGED = 2, 20
"""Random payloads of a message without and with pages."""


def same(ours, theirs):
    return ours == pytest.approx(theirs, rel=1e-12) or (isnan(ours) and isnan(theirs))


def compared(path):
    """Hold all messages of a file against cantools; how many values were compared."""
    random = Random(path.name)
    count = 0
    for message in read_dbc(path).database.messages:
        if not message.is_container and message.signals and message.length:
            info, _ = compile_message(message)
            paged = any(signal.page for signal in info.signals.values())
            payloads = [random.randbytes(message.length) for _ in range(PAGED if paged else PLAIN)]
            payloads += [bytes(message.length), b"\xff" * message.length]
            count += sum(values_compared(message, info, data) for data in payloads)
    return count


def values_compared(message, info, data):
    """Hold what we read in a payload against cantools; how many values there were."""
    unmarked = {
        signal.name
        for signal in message.signals
        for switch, _ in info.signals[signal.name].page
        if not info.signals[switch].switch  # the file forgets to say that it selects pages
    }
    try:
        theirs = message.decode_simple(data, decode_choices=False)
    except Exception:
        return 0
    columns = {column.name: column for column in plain_signals(message)}
    for name, signal in info.signals.items():
        if name in unmarked:
            continue
        told = f"{message.name}.{name} in {data.hex()}"
        field = find_field(message, name)
        assert signal.present(data) == field.present(data) == (name in theirs), told
        if name not in theirs:
            continue
        value = float(theirs[name])
        assert same(signal.physical(data), value), told
        assert same(field.physical(field.get(data)), value), told
        if name in columns and not isnan(value):
            columns[name].take(Columns([data], message.length))
            assert columns[name].limits is not None
            assert same(columns[name].limits[0], value), told
    return len(theirs)


@pytest.mark.parametrize("path", OURS, ids=lambda path: path.name)
def test_every_reader_agrees_with_cantools(path):
    assert compared(path) > 0


@pytest.mark.skipif(not OPEN.is_dir(), reason="the open DBC files are not beside this checkout")
def test_every_reader_agrees_with_cantools_on_open_files():
    counts = {}
    for path in sorted(OPEN.glob("*.dbc")):
        counts[path.name] = compared(path)
    assert sum(counts.values()) > 50_000, counts
    assert min(counts.values()) > 0, counts


def test_our_own_file_has_every_kind_of_signal():
    dbc = read_dbc(Path(__file__).parent / "signals" / "signals.dbc")
    assert dbc.flaws == ()
    messages = dbc.database.messages
    signals = [signal for message in messages for signal in message.signals]
    assert {signal.length for signal in signals if signal.is_float} == {16, 32, 64}
    assert any(signal.is_multiplexer and signal.multiplexer_ids for signal in signals)
    assert {signal.byte_order for signal in signals} == {"little_endian", "big_endian"}
