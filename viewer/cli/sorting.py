"""The verb that sorts pixels into phases."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from viewer.cli.parts import Out, builtins, free_file, open_desk, showing_progress
from viewer.errors import InputError, UsageError


def sort(args: argparse.Namespace, out: Out) -> None:
    """Sort pixels into phases by a scheme, and print the modes."""
    from viewer.desk.modes import modes_of, plain, write_modes
    from viewer.desk.transfer import apply_transfer, export_scheme, plan_transfer
    from viewer.science.measure.registry import KINDS
    from viewer.store.schemes import read_scheme, write_scheme

    target = free_file(args)
    kept = None if args.save_scheme is None else Path(args.save_scheme)
    if kept is not None and kept.exists() and not args.force:
        raise InputError("The file exists already.", where=str(kept), hint="Replace it with --force.")
    file = None if args.scheme is None else read_scheme(args.scheme)
    for option in ("match", "peak_of", "dwell_ms", "offset", "layer", "take_colours"):
        if file is None and getattr(args, option) not in (None, False, "none"):
            raise UsageError(f"--{option.replace('_', '-')} belongs to --scheme.")
    if file is not None and file.reference is None and args.match in ("peak", "peaks", "quantiles"):
        raise InputError(
            "The scheme does not tell how the map that it was drawn on counted, so nothing can be "
            f"matched by {args.match}.",
            where=args.scheme,
            hint="Sort that map by it and write it anew: grainlight sort FIRST.maps.h5 --scheme "
            f"{args.scheme} --save-scheme NEW.json",
        )
    with open_desk(args) as desk:
        found = desk.map(args.map)
        with showing_progress("Sort", out.as_json) as progress:
            if file is not None:
                plan = plan_transfer(
                    desk,
                    found.id,
                    file,
                    args.match,
                    mapping=dict(args.layer or ()),
                    phase=args.peak_of,
                    dwell_ms=args.dwell_ms,
                    offset=args.offset,
                    progress=progress,
                )
                apply_transfer(desk, plan, take_colours=args.take_colours, wait=progress)
                _say_transfer(out, plan)
            image = desk.sorting.sort_now(found.id, progress)
            measured = modes_of(desk, found.id, image=image, progress=progress)
        if target is not None:
            write_modes(target, [(found.name, "whole sample", measured)])
            out.put(file=str(target))
        if kept is not None:
            write_scheme(export_scheme(desk, found.id), kept)
            out.put(scheme=str(kept))
        out.put(
            map=found.id,
            unsorted=image.unsorted,
            mixed=image.mixed,
            overlaps=_overlaps(image),
            modes=plain(measured),
        )
    out.say(f"{found.name}: {image.inside:,} pixels, {image.unsorted:,} of them unsorted")
    overlaps = _overlaps(image)
    if overlaps:
        out.say("  claimed by two phases, of which the first has them:")
    for overlap in overlaps[:SHOWN_PAIRS]:
        out.say(f"    {overlap['pixels']:>9,} pixels  {overlap['first']}, {overlap['second']}")
    if len(overlaps) > SHOWN_PAIRS:
        rest = sum(overlap["pixels"] for overlap in overlaps[SHOWN_PAIRS:])
        out.say(f"    {rest:>9,} pixels  of {len(overlaps) - SHOWN_PAIRS} other pairs")
    say_modes(out, measured)
    for path in (target, kept):
        if path is not None:
            out.say(f"{path}: written")
    out.say(f"  caution: {KINDS['mode'].caution}")


SHOWN_PAIRS = 6
"""Pairs of phases that are named to a person; ``--json`` has them all."""


def _overlaps(image: Any) -> list[dict[str, Any]]:
    """Pairs of phases that claim the same pixels, most pixels first."""
    names, shared = image.names, image.tally.overlaps
    pairs = [
        {"first": names[i], "second": names[j], "pixels": int(shared[i, j])}
        for i in range(len(names))
        for j in range(i + 1, len(names))
        if shared[i, j]
    ]
    return sorted(pairs, key=lambda pair: -pair["pixels"])


def _say_transfer(out: Out, plan: Any) -> None:
    """How far populations moved from one map to the other, the worst first."""
    out.put(
        gains=[
            {"layer": g.layer, **builtins(g.change), "error": g.error, "note": g.note}
            for g in plan.gains
        ],
        movements=[
            {
                "population": m.name,
                "moved_in_spreads": m.moved,
                "percent_before": 100.0 * m.before,
                "percent_after": 100.0 * m.after,
                "verdict": m.verdict,
            }
            for m in plan.movements
        ],
        left_out=list(plan.left_out),
        remarks=list(plan.remarks),
    )
    doubtful = [m for m in plan.movements if m.verdict in ("moved", "far off", "empty")]
    for m in doubtful:
        by = "" if m.moved is None else f" by {m.moved:.1f} spreads"
        out.say(
            f"  «{m.name}»: {m.verdict}{by}; {100 * m.before:.2g} % of the pixels where it was "
            f"drawn, {100 * m.after:.2g} % here"
        )
    for name in plan.left_out:
        out.say(f"  «{name}» was painted on another map and is left out")
    for remark in plan.remarks:
        out.say(f"  {remark}")


def say_modes(out: Out, measured: Any, phases: Sequence[str] | None = None) -> None:
    """A table of modes for a person."""
    shown = [m for m in measured.modes if (m.pixels if phases is None else m.phase in phases)]
    wide = max([len(m.phase) for m in shown], default=0)
    out.say(f"  {'phase':<{wide}}   area %        95 % interval        n eff   weight %")
    for m in shown:
        span = "none" if m.low is None else f"{m.low:.3g} to {m.high:.3g}"
        count = "" if m.n_eff is None else f"{m.n_eff:,.0f}"
        weight = "" if m.weight is None else f"{m.weight:.3g}"
        out.say(f"  {m.phase:<{wide}} {m.area:>8.3g} {span:>20} {count:>10} {weight:>10}")
    out.say(f"  left out: {measured.unsorted:,} unsorted pixels")
    for remark in measured.remarks:
        out.say(f"  {remark}")
