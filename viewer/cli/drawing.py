"""The verb that draws what measurements stand on: units, contacts and traverses."""

from __future__ import annotations

import argparse
from typing import Any

from viewer.cli.parts import Out, builtins, open_desk, showing_progress, with_way_up
from viewer.cli.words import degrees, number, point
from viewer.errors import InputError, UsageError

WHAT = ("contact", "traverse", "unit")

_ONLY_FOR = {
    "--points": WHAT,
    "--units": ("contact",),
    "--contacts": ("unit",),
    "--follow": ("contact",),
    "--follow-phase": ("contact",),
    "--blur-um": ("contact",),
    "--width-um": ("traverse",),
}
"""Options of `draw`, and what they belong to."""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Give the verb `draw` its options."""
    parser.add_argument("what", choices=WHAT, help="what is drawn")
    parser.add_argument("name", help="its name, unique on the map")
    parser.add_argument(
        "--points", nargs="+", type=point, metavar="X,Y", help="in µm; the corners of a unit"
    )
    parser.add_argument(
        "--units", nargs=2, metavar=("A", "B"), help="a contact: the edge that two units share"
    )
    parser.add_argument(
        "--contacts", nargs=2, metavar=("A", "B"), help="a unit: the band between two contacts"
    )
    follow = parser.add_mutually_exclusive_group()
    follow.add_argument(
        "--follow", metavar="LAYER", help="follow the steepest edge of a layer from point to point"
    )
    follow.add_argument(
        "--follow-phase", metavar="PHASE", help="follow the edge of a phase from point to point"
    )
    parser.add_argument(
        "--blur-um", type=number, help="follow an edge of grains: blur them first, by this sigma"
    )
    parser.add_argument("--width-um", type=number, help="full width of a traverse")
    parser.add_argument(
        "--way-up", type=degrees, metavar="DEG", help="set way-up first: clockwise from the map's top"
    )
    parser.add_argument("--remove", action="store_true", help="take it off the map instead")
    parser.add_argument("--force", action="store_true", help="replace what has the name")


def draw(args: argparse.Namespace, out: Out) -> None:
    """Draw a unit, a contact or a traverse on a map, or remove it."""
    _check(args)
    with open_desk(args) as desk:
        found = desk.map(args.map)
        with with_way_up(desk, found.id, args.way_up):
            told = (_remove if args.remove else _add)(desk, found, args, out)
    out.say(f"{found.name}: {told}")


def _remove(desk: Any, found: Any, args: argparse.Namespace, out: Out) -> str:
    """Take off what has the name; what was done, in words."""
    from viewer.desk import drawing

    old = _named(desk, found.id, args.what, args.name)
    if old is None:
        raise InputError(f"There is no {args.what} «{args.name}».", where=found.name)
    drawing.apply(desk, drawing.remove(desk.state, [old.id]))
    out.put(removed=old.id)
    return f"«{args.name}» removed"


def _add(desk: Any, found: Any, args: argparse.Namespace, out: Out) -> str:
    """Draw what was asked for, in place of what had its name; what was done, in words."""
    from viewer.desk import drawing

    old = _named(desk, found.id, args.what, args.name)
    if old is not None and not args.force:
        raise InputError(
            f"There is a {args.what} «{args.name}» already.",
            where=found.name,
            hint="Replace it with --force.",
        )
    with showing_progress(f"Draw {args.name}", out.as_json) as progress:
        if args.follow_phase:
            desk.sorting.sort_now(found.id, progress)
        # Nothing is taken off before what comes in its place is known to be good.
        state = desk.state if old is None else _without(desk.state, old.id)
        edit = _edit(desk, state, found.id, args)
    (made,) = drawing.apply(desk, edit)
    shape = _by_id(desk, args.what, made)
    out.put(**{args.what: builtins(shape)})
    if args.what == "unit":
        corners = sum(len(p) for p in shape.polygons)
        return f"unit «{shape.name}», {corners:,} corners"
    return f"{args.what} «{shape.name}» through {len(shape.points):,} points"


def _check(args: argparse.Namespace) -> None:
    given = [
        option for option in _ONLY_FOR if getattr(args, option.strip("-").replace("-", "_")) is not None
    ]
    for option in given:
        if args.remove:
            raise UsageError(f"--remove takes no {option}.")
        if args.what not in _ONLY_FOR[option]:
            raise UsageError(
                f"A {args.what} takes no {option}.", hint=f"For: {', '.join(_ONLY_FOR[option])}."
            )
    if args.remove:
        return
    sources = [o for o in ("--points", "--units", "--contacts") if o in given]
    if len(sources) != 1:
        ways = [o for o in ("--points", "--units", "--contacts") if args.what in _ONLY_FOR[o]]
        raise UsageError(f"A {args.what} needs {' or '.join(ways)}.")
    if (args.follow or args.follow_phase) and not args.points:
        raise UsageError("Following an edge needs --points.")
    if args.blur_um is not None and not (args.follow or args.follow_phase):
        raise UsageError("--blur-um belongs to --follow or --follow-phase.")


def _edit(desk: Any, state: Any, map_id: str, args: argparse.Namespace) -> Any:
    from viewer.desk import drawing
    from viewer.desk.measures.inputs import line_of

    size = desk.maps[map_id].size_um
    between = None
    if args.what == "unit":
        if args.contacts:
            one, other = (line_of(desk, map_id, name, "contact") for name in args.contacts)
            return drawing.add_band(
                state, map_id, one.points, other.points, name=args.name, size_um=size
            )
        return drawing.add_unit(state, map_id, [args.points], name=args.name, size_um=size)
    if args.units:
        one, other = (desk.sorting.unit(name, map_id) for name in args.units)
        shared = drawing.contact_between(desk, map_id, one.id, other.id).documents["lines"].lines[-1]
        points, between = shared.points, shared.between
    elif args.follow or args.follow_phase:
        points = _followed(desk, map_id, args)
    else:
        points = args.points
    return drawing.add_line(
        state,
        map_id,
        args.what,
        points,
        name=args.name,
        width_um=0.0 if args.width_um is None else args.width_um,
        between=between,
        size_um=size,
    )


def _followed(desk: Any, map_id: str, args: argparse.Namespace) -> list[tuple[float, float]]:
    """The line along an edge from each point to the next."""
    from viewer.desk.following import Followed, follow

    what = Followed(layer=args.follow, phase=args.follow_phase, blur_um=args.blur_um)
    line: list[tuple[float, float]] = []
    for start, end in zip(args.points, args.points[1:], strict=False):
        begun = line[-1] if line else start
        stretch = follow(desk, map_id, what, begun, end, hold_start=bool(line))
        line += stretch if not line else stretch[1:]
    if len(line) < 2:
        raise UsageError("Following an edge needs two points or more.")
    return line


def _named(desk: Any, map_id: str, what: str, name: str) -> Any:
    """What has the name on the map; None where nothing has."""
    wanted = name.strip().casefold()
    shapes = desk.state.units.units if what == "unit" else desk.state.lines.lines
    for shape in shapes:
        same = shape.map == map_id and shape.name.strip().casefold() == wanted
        if same and (what == "unit" or shape.kind == what):
            return shape
    return None


def _by_id(desk: Any, what: str, shape_id: str) -> Any:
    from viewer.desk import drawing

    find = drawing.unit_by_id if what == "unit" else drawing.line_by_id
    return find(desk.state, shape_id)


def _without(state: Any, shape_id: str) -> Any:
    """The state with a shape taken off."""
    import msgspec

    from viewer.desk import drawing

    return msgspec.structs.replace(state, **drawing.remove(state, [shape_id]).documents)
