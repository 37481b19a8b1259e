"""The benchmarks run, and judge as they say. No test asserts a time."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

from tests.benchmarks import harness
from tests.benchmarks.__main__ import NAMES, run
from tests.benchmarks.harness import Row


def _row(ours: float, reference: float | None, **others: object) -> Row:
    return Row(row="r", work="w", ours=ours, reference=reference, unit="ms", **others)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("row", "ratio", "verdict"),
    [
        (_row(11.0, 10.0, bar=2.0, stretch=1.2), 1.1, "stretch met"),
        (_row(15.0, 10.0, bar=2.0, stretch=1.2), 1.5, "bar met"),
        (_row(25.0, 10.0, bar=2.0, stretch=1.2), 2.5, "missed"),
        (_row(20.0, 9.0, bar=0.5, stretch=0.8, more=True), 0.45, "missed"),
        (_row(20.0, 12.0, bar=0.5, stretch=0.8, more=True), 0.6, "bar met"),
        (_row(20.0, 18.0, bar=0.5, stretch=0.8, more=True), 0.9, "stretch met"),
        (_row(12.0, None, bar=16.0, stretch=8.0, judged="ours"), None, "bar met"),
        (_row(12.0, 6.0), 2.0, "reported"),
    ],
)
def test_a_row_is_judged_by_its_bars(row: Row, ratio: float | None, verdict: str) -> None:
    assert row.ratio == (None if ratio is None else pytest.approx(ratio))
    assert row.verdict == verdict


def test_works_take_turns_and_warm_up_rounds_do_not_count() -> None:
    order: list[str] = []
    one, other = harness.interleaved(
        lambda: order.append("a"), lambda: order.append("b"), rounds=2, warm_up=1
    )
    assert "".join(order) == "ababab"
    assert len(one.rounds) == len(other.rounds) == 2
    assert one.best == min(one.rounds)


def test_a_child_that_fails_is_told_with_its_words() -> None:
    with pytest.raises(RuntimeError, match="no-such-project"):
        harness.in_child("tests.benchmarks.open", "ready", "/no-such-project", "0")


@pytest.mark.slow
def test_every_group_fills_the_table_and_the_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = run(tmp_path, quick=True)
    printed = capsys.readouterr().out
    document = json.loads(path.read_text(encoding="utf-8"))
    assert document["quick"] is True
    told = {row["row"] for row in document["rows"]}
    assert {"composite", "frame", "light-up", "open", "gather", "growth"} <= told
    assert {"joint density", "lasso to mask", "lasso, live", "sorting"} <= told
    assert {"cleaning", "class pyramid"} <= told
    assert len(NAMES) >= 9
    for row in document["rows"]:
        assert row["ours"] > 0
        assert (row["ratio"] is None) == (row["reference"] is None)
        assert row["verdict"] in {"stretch met", "bar met", "missed", "reported"}
        assert row["row"] in printed


def test_the_table_shows_units_and_which_way_a_bar_lies() -> None:
    out = StringIO()
    rows = [_row(20.0, 12.0, bar=0.5, stretch=0.8, more=True), _row(3.0, None, bar=8.0, judged="ours")]
    Console(file=out, width=140).print(harness.table(rows))
    text = out.getvalue()
    assert "≥ 0.5 x" in text
    assert "≤ 8 ms" in text


def test_peak_memory_counts_what_was_held_for_a_moment() -> None:
    bytearray(b"x" * 300_000_000)
    assert harness.peak_mb() >= 300.0
