"""``python -m tests.benchmarks``: measure, print the table, leave ``bench.json`` beside it.

With ``--cover`` it reports bias and coverage of the intervals of measurements, over 200 seeds each: an
hour or more.
"""

from __future__ import annotations

import argparse
import importlib
import os
import time
from pathlib import Path

NAMES = (
    "composite",
    "light",
    "density",
    "gates",
    "sorting",
    "cleaning",
    "open",
    "gather",
    "growth",
    "rims",
    "traverse",
    "thickness",
)
"""One module of this package a group of rows of speed."""

COVER = (
    "cover_rims",
    "cover_traverse",
    "cover_thickness",
    "cover_layers",
    "cover_zoning",
    "cover_sharpness",
)
"""One module a group of rows that tell bias, and how often intervals hold the truth."""


def run(out: Path, names: tuple[str, ...] = NAMES, *, quick: bool = False) -> Path:
    """Measure the groups named, print their rows and return the path of the JSON file."""
    from rich.console import Console

    from tests.benchmarks.harness import Row, Settings, table, write_json

    settings = Settings(out.absolute(), quick)
    settings.out.mkdir(parents=True, exist_ok=True)
    console = Console(width=None if os.isatty(1) else 160)
    began = time.perf_counter()
    rows: list[Row] = []
    for name in names:
        started = time.perf_counter()
        group = importlib.import_module(f"tests.benchmarks.{name}")
        rows += group.rows(settings)
        console.print(f"[dim]{name}: {time.perf_counter() - started:.0f} s[/]")
    console.print(table(rows))
    if quick:
        console.print("[dim]--quick: the times say nothing about speed.[/]")
    target = settings.out / "bench.json"
    write_json(target, rows, settings, time.perf_counter() - began)
    console.print(f"[dim]{target}[/]")
    return target


def main() -> None:
    """Parse the command line and run."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--out", type=Path, default=Path("out/bench"), help="folder for results")
    parser.add_argument("--only", choices=(*NAMES, *COVER), action="append", help="one group of rows")
    parser.add_argument(
        "--cover", action="store_true", help="bias and coverage of intervals in place of speed"
    )
    parser.add_argument("--quick", action="store_true", help="small sizes: shows that it runs")
    args = parser.parse_args()
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    run(args.out, tuple(args.only or (COVER if args.cover else NAMES)), quick=args.quick)


if __name__ == "__main__":
    main()
