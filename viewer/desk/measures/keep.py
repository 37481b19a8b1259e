"""Results into the ledger, and as names, numbers and words for files and people."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import msgspec
import numpy as np

from viewer import __version__
from viewer.desk.desk import Desk
from viewer.desk.measures.result import Finding, Result
from viewer.desk.measuring import new_id
from viewer.science.measure.registry import KINDS
from viewer.science.numbers import significant
from viewer.store.documents import Ledger, Row
from viewer.store.requests import Request


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


LONGEST_SLUG = 60
"""Bytes of a text that are left in a file's name, of which no common file system takes over 255."""


def slug(text: str) -> str:
    """A text as part of a file's name; different texts may give the same."""
    words = re.sub(r"[^\w]+", "-", text.casefold()).encode("utf-8", "ignore")[:LONGEST_SLUG]
    return words.decode("utf-8", "ignore").strip("-") or "result"


def mark(map_id: str, request: Request) -> str:
    """Six letters that tell the files of one request on one map from those of any other.

    They are the same from run to run, so that an answer finds its older self.
    """
    # Names from a command line may hold bytes that are no text, which this writer escapes.
    asked = json.dumps([map_id, msgspec.to_builtins(request)], sort_keys=True)
    return hashlib.sha256(asked.encode("ascii")).hexdigest()[:6]


def stem(result: Result) -> str:
    """Beginning of the names of a result's files: its kind, subject and map, and its `mark`."""
    words = (result.request.kind, slug(result.subject), slug(result.map)[:40])
    return f"{'-'.join(words)}-{mark(result.map, result.request)}"


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
