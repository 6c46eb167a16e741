"""The signals of a run as a table."""

from __future__ import annotations

import csv

import pytest
from report_values import recording, vehicle

from linkloss.problem import BadInput
from linkloss.report.export import ensure_table, write_columns


def table(path):
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def test_each_good_frame_is_a_row_with_its_signals_filled_in(tmp_path):
    source = recording()
    write_columns(source, vehicle().messages, tmp_path / "s.csv")
    rows = table(tmp_path / "s.csv")
    info = vehicle().messages["LampRequest"]
    good = [
        record for record in sorted(source.frames, key=lambda record: record.end_ns)
        if record.error is None and record.frame.identifier == info.identifier
        and len(record.frame.data) == info.length and not record.frame.remote
    ]  # fmt: skip
    found = [row for row in rows if row["message"] == "LampRequest"]
    assert len(good) == len(found) > 0
    for row, record in zip(found, good, strict=True):
        assert (int(row["t_ns"]), row["sender"]) == (record.end_ns, record.sender)
        for name, signal in info.signals.items():
            assert float(row[f"LampRequest.{name}"]) == signal.physical(record.frame.data)


def test_parquet_and_csv_hold_the_same(tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet", reason="pyarrow is not installed")
    for suffix in (".csv", ".parquet"):
        write_columns(recording(), vehicle().messages, tmp_path / f"s{suffix}")
    rows = parquet.read_table(tmp_path / "s.parquet").to_pylist()
    texts = table(tmp_path / "s.csv")
    assert len(rows) == len(texts) > 0
    for row, text in zip(rows, texts, strict=True):
        for name, value in row.items():
            assert (value is None and text[name] == "") or type(value)(text[name]) == value


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("s.xlsx", "unknown format of a table '.xlsx'; expected one of: .csv, .parquet"),
        ("s", "the name has no extension"),
    ],
)
def test_another_format_is_refused(name, text):
    with pytest.raises(BadInput) as caught:
        ensure_table(name)
    assert text in str(caught.value)


def test_a_missing_library_is_named(monkeypatch):
    monkeypatch.setattr("linkloss.report.export.find_spec", lambda _: None)
    with pytest.raises(BadInput, match=r"pip install 'linkloss\[parquet\]'"):
        ensure_table("s.parquet")
