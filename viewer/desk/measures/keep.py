"""Results into the ledger, and onto the disk as tables."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from viewer import __version__
from viewer.desk.desk import Desk
from viewer.desk.measures.result import Finding, Result
from viewer.desk.measuring import new_id
from viewer.plates.tables import write_table
from viewer.science.measure.registry import KINDS
from viewer.science.numbers import significant
from viewer.store.documents import Ledger, Row


def rows_of(result: Result) -> tuple[Row, ...]:
    """The ledger's rows of a result, not yet in the ledger."""
    when = datetime.now().astimezone().isoformat(timespec="seconds")

    def row(finding: Finding) -> Row:
        return Row(
            id=new_id(),
            map=result.map,
            kind=result.request.kind,
            label=f"{finding.name} · {result.subject}",
            value=_number(finding.value),
            low=_number(finding.low),
            high=_number(finding.high),
            uncertainty=finding.uncertainty,
            n=int(finding.n),
            unit=finding.unit,
            method=result.method,
            excluded=finding.excluded,
            detail={name: _number(value) for name, value in finding.detail.items()},
            made=when,
            program=f"grainlight {__version__}",
            request=result.request,
        )

    return tuple(row(f) for f in result.findings)


def add_to_ledger(desk: Desk, result: Result) -> tuple[Row, ...]:
    """Put a result into the ledger, in place of an older answer to the same request on the same map.

    An older answer's rows keep their places where the new one has as many.
    """
    rows = rows_of(result)
    old = [r for r in desk.state.ledger.rows if r.map == result.map and r.request == result.request]
    kept = list(desk.state.ledger.rows)
    if old:
        start = kept.index(old[0])
        kept = [r for r in kept if r not in old]
        kept[start:start] = rows
    else:
        kept += rows
    title = KINDS[result.request.kind].title.lower()
    desk.apply(f"Add {title} of {result.subject} to the ledger", ledger=Ledger(rows=tuple(kept)))
    return rows


def slug(text: str) -> str:
    """A text as part of a file's name."""
    return re.sub(r"[^\w]+", "-", text.casefold()).strip("-")[:80] or "result"


def write_tables(folder: str | os.PathLike[str], result: Result) -> list[Path]:
    """Write every table of a result as a CSV file into a folder, which is made where it is not there.

    Errors as of `viewer.plates.tables.write_table`.
    """
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    return [
        write_table(target / f"{stem(result)}-{table.name}.csv", list(table.header), table.rows)
        for table in result.tables
    ]


def stem(result: Result) -> str:
    """Beginning of the names of a result's files."""
    return f"{result.request.kind}-{slug(result.subject)}"


def plain(result: Result) -> dict[str, Any]:
    """A result without its figures, as JSON has it."""
    kind = KINDS[result.request.kind]
    return {
        "kind": result.request.kind,
        "map": result.map,
        "subject": result.subject,
        "request": msgspec.to_builtins(result.request),
        "method": result.method,
        "findings": [_finding(f) for f in result.findings],
        "tables": {
            t.name: {"columns": list(t.header), "rows": [[_number(c) for c in r] for r in t.rows]}
            for t in result.tables
        },
        "remarks": list(result.remarks),
        "caution": kind.caution,
        "sources": list(kind.sources),
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        name: _number(getattr(finding, name))
        for name in ("name", "value", "low", "high", "uncertainty", "n", "unit", "excluded")
    } | {"detail": {name: _number(value) for name, value in finding.detail.items()}}


def _number(value: Any) -> Any:
    """A cell as JSON has it: no NumPy number, nothing that is not finite."""
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def words(findings: Sequence[Finding]) -> list[str]:
    """Findings as lines for a person."""
    return [f"{f.name}: {reading(f)} ({f.uncertainty}; n = {f.n:,})" for f in findings]


def reading(finding: Finding) -> str:
    """A finding's number with its interval: ``412 µm (380 to 451)``."""
    if finding.value is None:
        return "cannot be told"
    text = significant(finding.value, 4) + (f" {finding.unit}" if finding.unit else "")
    if finding.low is None or finding.high is None:
        return text
    return f"{text} ({significant(finding.low, 4)} to {significant(finding.high, 4)})"
