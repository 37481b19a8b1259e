"""The verb that measures, and the one that shows the ledger."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from viewer.cli.asking import answer, dest, options_of, request_of
from viewer.cli.parts import Out, builtins, free_file, open_desk, showing_progress, with_way_up
from viewer.cli.sorting import say_modes
from viewer.errors import InputError, UsageError
from viewer.store.requests import REQUESTS


def measure(args: argparse.Namespace, out: Out) -> None:
    """Measure something and keep it in the ledger."""
    from viewer.science.measure.registry import KINDS

    for option in ALL_OPTIONS:
        kinds = kinds_of(option)
        if getattr(args, dest(option)) is not None and args.kind not in kinds:
            raise UsageError(f"«{args.kind}» takes no {option}.", hint=f"For: {', '.join(kinds)}.")
    if args.kind in REQUESTS:
        answer(args, out, [request_of(args.kind, args)])
    elif KINDS[args.kind].drawn:
        if not args.points:
            raise UsageError(f"«{args.kind}» needs --points.", hint="Such as --points 0,0 300,400")
        _measure_drawn(args, out)
    elif args.kind == "mode":
        _measure_mode(args, out)
    else:
        _measure_log(args, out)


RULERS = ("distance", "polyline", "angle", "perpendicular", "thickness")
_ONLY_FOR = {
    "--points": RULERS,
    "--second": ("thickness",),
    "--label": RULERS,
    "--hand-px": RULERS,
    "--unit": ("mode", "modal-log"),
    "--view": ("mode", "modal-log"),
    "--phase": ("mode",),
    "--band-um": ("modal-log",),
    "--origin": ("modal-log",),
    "--way-up": ("modal-log", *REQUESTS),
    "--output": ("mode", "modal-log", *REQUESTS),
}
"""Options of `measure`, and the kinds that take them beside those of requests."""

ALL_OPTIONS = tuple(dict.fromkeys((*_ONLY_FOR, *(o for k in REQUESTS for o in options_of(k)))))


def kinds_of(option: str) -> tuple[str, ...]:
    """Kinds that take an option."""
    return (*_ONLY_FOR.get(option, ()), *(k for k in REQUESTS if option in options_of(k)))


def _measure_drawn(args: argparse.Namespace, out: Out) -> None:
    from viewer.desk.marking import measured
    from viewer.science.measure.registry import KINDS

    with open_desk(args) as desk:
        row, reading = measured(
            desk,
            desk.map(args.map).id,
            args.kind,
            args.points,
            second=args.second or (),
            label=args.label or "",
            hand_px=0.5 if args.hand_px is None else args.hand_px,
        )
    text, caution = reading.text(), KINDS[args.kind].caution
    out.put(row=builtins(row), text=text, caution=caution)
    out.say(f"{row.label}: {text} ({row.uncertainty}; n = {row.n})")
    out.say(f"  {row.method}")
    if row.excluded:
        out.say(f"  left out: {row.excluded}")
    if caution:
        out.say(f"  caution: {caution}")


def where_of(desk: Any, map_id: str, args: argparse.Namespace) -> Any:
    """The part of a map that the options name."""
    from viewer.desk.modes import view_um
    from viewer.desk.where import Where

    if args.unit is not None:
        return Where.unit(desk.sorting.unit(args.unit, map_id).id)
    if args.view is not None:
        return view_um(desk, map_id, args.view)
    return Where.map()


def _measure_mode(args: argparse.Namespace, out: Out) -> None:
    from viewer.desk.modes import add_to_ledger, modes_of, name_of, plain, write_modes
    from viewer.science.measure.registry import KINDS

    target = free_file(args)
    with open_desk(args) as desk:
        found = desk.map(args.map)
        where = where_of(desk, found.id, args)
        with showing_progress("Modes", out.as_json) as progress:
            image = desk.sorting.sort_now(found.id, progress)
            measured = modes_of(desk, found.id, where, image=image, progress=progress)
        rows = add_to_ledger(desk, found.id, where, measured, args.phase)
        region = name_of(desk, found.id, where)
        if target is not None:
            write_modes(target, [(found.name, region, measured)])
            out.put(file=str(target))
        out.put(map=found.id, region=region, modes=plain(measured), rows=[builtins(r) for r in rows])
    out.say(f"{found.name}, {region}: {measured.counted:,} sorted pixels")
    say_modes(out, measured, args.phase)
    if target is not None:
        out.say(f"{target}: all columns")
    out.say(f"  caution: {KINDS['mode'].caution}")


def _measure_log(args: argparse.Namespace, out: Out) -> None:
    from viewer.desk.modes import log_of, plain, write_log
    from viewer.science.measure.registry import KINDS

    if args.band_um is None:
        raise UsageError("A modal log needs the height of its bands.", hint="Such as --band-um 500")
    target = free_file(args)
    with open_desk(args) as desk:
        found = desk.map(args.map)
        where = where_of(desk, found.id, args)
        if args.way_up is None and desk.setup(found.id).orientation.way_up_deg is None:
            raise InputError(
                "Nobody has said which way is up.",
                where=found.name,
                hint="Say it with --way-up DEG, clockwise from the top of the map: 0 where up is "
                "the top; or set it in the window (Ctrl+U).",
            )
        with (
            with_way_up(desk, found.id, args.way_up),
            showing_progress("Modal log", out.as_json) as progress,
        ):
            image = desk.sorting.sort_now(found.id, progress)
            log = log_of(
                desk, found.id, args.band_um, where, origin=args.origin, image=image, progress=progress
            )
        if target is not None:
            write_log(target, log)
            out.put(file=str(target))
        out.put(map=found.id, log=plain(log))
    if target is None:
        for band in log.bands:
            out.say(f"{band.bottom_um:,.0f} to {band.top_um:,.0f} µm")
            if band.modes is None:
                out.say("  no sorted pixel")
            else:
                say_modes(out, band.modes)
    else:
        out.say(f"{target}: {len(log.bands)} bands of {log.band_um:g} µm")
    for remark in log.remarks:
        out.say(f"  {remark}")
    out.say(f"  caution: {KINDS['modal-log'].caution}")


def ledger(args: argparse.Namespace, out: Out) -> None:
    """Write every measurement as a table."""
    from viewer.desk.measuring import shown
    from viewer.plates.tables import write_ledger

    with open_desk(args, write=False) as desk:
        rows = desk.state.ledger.rows
        out.put(rows=[builtins(r) for r in rows])
        if args.output:
            path = Path(args.output)
            free_file(args)
            write_ledger(path, rows, {m.id: m.name for m in desk.maps.values()})
            out.put(file=str(path))
            out.say(f"{path}: {len(rows)} measurement{'s' if len(rows) != 1 else ''}")
        elif not rows:
            out.say("Nothing has been measured yet.")
        for row in rows if not args.output else ():
            number = shown(row)
            out.say(f"{row.label:<24} {row.kind:<14} {number.value} {number.unit}")
