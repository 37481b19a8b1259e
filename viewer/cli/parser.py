"""The whole command line: every verb and its options."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any, NoReturn

from viewer import __version__
from viewer.cli import asking, drawing
from viewer.cli.looking import about, blend, demo, derive, gather, schema, window
from viewer.cli.measuring import RULERS, ledger, measure
from viewer.cli.parts import Out
from viewer.cli.sorting import sort
from viewer.cli.words import box, degrees, dwells, number, percentiles, pixel_size, point, triple
from viewer.errors import UsageError
from viewer.store.requests import REQUESTS

EXIT_CODES = (
    "exit codes: 0 done, 2 usage, 3 bad input, 4 project busy or damaged, "
    "5 not enough disk or memory, 130 stopped"
)


class _Parser(argparse.ArgumentParser):
    """Says what is wrong as any other error; takes options by their whole names only."""

    def __init__(self, **words: Any) -> None:
        super().__init__(allow_abbrev=False, **words)

    def error(self, message: str) -> NoReturn:
        raise UsageError(message.rstrip(".") + ".", hint=f"See {self.prog} --help.")


def parser() -> _Parser:
    """The whole command line."""
    common = _Parser(add_help=False)
    common.add_argument("--json", action="store_true", help="print one JSON document, nothing else")

    top = _Parser(
        prog="grainlight",
        description="Look at, sort, measure and publish multi-channel element maps of rocks.",
        epilog=EXIT_CODES,
    )
    top.add_argument("--version", action="version", version=f"grainlight {__version__}")
    verbs = top.add_subparsers(dest="verb", metavar="VERB", parser_class=_Parser)

    def verb(name: str, run: Callable[[argparse.Namespace, Out], None], **words: Any) -> Any:
        made = verbs.add_parser(
            name, parents=[common], help=run.__doc__, description=run.__doc__, **words
        )
        made.set_defaults(run=run)
        return made

    def on_project(made: Any, *, with_map: bool = True) -> None:
        made.add_argument("project", metavar="P.maps.h5", help="the project")
        if with_map:
            made.add_argument("--map", metavar="MAP", help="map, by name (default: the first)")

    v = verb("window", window)
    v.add_argument("project", nargs="?", metavar="P.maps.h5", help="a project to open")

    v = verb("demo", demo)
    v.add_argument(
        "--out", default="grainlight-demo", metavar="DIR", help="folder (default: %(default)s)"
    )
    v.add_argument("--headless", action="store_true", help="do not open the window")
    v.add_argument("--force", action="store_true", help="replace what an earlier run left there")
    v.add_argument("--scale", type=float, default=1.0, help="size of the slab (default: %(default)s)")

    v = verb("gather", gather)
    v.add_argument("sources", nargs="+", metavar="SRC", help="files or folders")
    v.add_argument("-o", "--output", required=True, metavar="P.maps.h5", help="the project")
    v.add_argument("--name", metavar="NAME", help="name of the map (default: of the first source)")
    v.add_argument("--pixel-um", type=pixel_size, metavar="X[xY]", help="pixel size in µm")
    v.add_argument("--any-pixel-size", action="store_true", help="accept an unusual pixel size")
    v.add_argument("--into", action="store_true", help="add the map to an existing project")
    v.add_argument(
        "--elements",
        type=lambda text: [e.strip() for e in text.split(",")],
        default=(),
        metavar="Fe,Cr,...",
        help="of a spectrum cube: sum the windows of these elements' lines into channels",
    )
    v.add_argument("--only", metavar="Fe,Cr,...", help="take only these channels")
    v.add_argument(
        "--rename", nargs=2, action="append", metavar=("OLD", "NEW"), help="rename a channel"
    )
    v.add_argument("--resample", action="store_true", help="bring coarser maps onto the finest grid")
    v.add_argument("--force", action="store_true", help="replace an existing project")

    v = verb("about", about)
    on_project(v, with_map=False)

    v = verb("blend", blend)
    on_project(v)
    what = v.add_mutually_exclusive_group(required=True)
    what.add_argument("--rgb", type=triple, metavar="R,G,B", help="layers as red, green, blue")
    what.add_argument("--composite", metavar="NAME", help="a composite saved in the project")
    what.add_argument("--phases", action="store_true", help="the phase map, with its key")
    v.add_argument(
        "--stretch", type=percentiles, metavar="LOW:HIGH", help="percentiles (default: 1:99)"
    )
    v.add_argument("--curve", choices=("linear", "log", "asinh", "sqrt"))
    v.add_argument("--gamma", type=float)
    v.add_argument("-o", "--output", required=True, metavar="FILE", help=".tif, .png, .pdf or .svg")
    v.add_argument("--width-mm", type=float, help="print width; without it a .tif has map resolution")
    v.add_argument("--dpi", type=float, default=300.0, help="default: %(default)s")
    v.add_argument(
        "--depth", type=int, choices=(8, 16), default=8, help="bits a colour of a map-size .tif"
    )
    v.add_argument("--paper", choices=("light", "dark"), default="light")
    v.add_argument("--title", default="")
    v.add_argument("--areas", action="store_true", help="area %% of each phase in the key")
    v.add_argument("--force", action="store_true", help="replace an existing file")

    v = verb("derive", derive)
    on_project(v)
    v.add_argument("--name", required=True, help="name of the new layer")
    how = v.add_mutually_exclusive_group(required=True)
    how.add_argument("--expr", metavar="FORMULA", help="such as 'Mg/(Mg+Fe)'")
    how.add_argument("--median", metavar="LAYER", help="median filter of --size pixels")
    how.add_argument("--gaussian", metavar="LAYER", help="Gaussian filter of --sigma pixels")
    how.add_argument("--edge-preserving", metavar="LAYER", help="smooth within edges")
    how.add_argument("--total", metavar="A,B,...|all", help="sum of layers")
    how.add_argument("--component", type=int, metavar="N", help="Nth principal component of --of")
    v.add_argument(
        "--of", default="all", metavar="A,B,...", help="layers of a component (default: all)"
    )
    v.add_argument("--size", type=int, default=3, help="pixels, odd (default: %(default)s)")
    v.add_argument("--sigma", type=float, default=1.0, help="pixels (default: %(default)s)")

    v = verb("sort", sort)
    on_project(v)
    v.add_argument(
        "--scheme", metavar="S.json", help="apply this scheme first (default: the map's own)"
    )
    v.add_argument(
        "--match",
        choices=("none", "dwell", "peak", "peaks", "quantiles"),
        default="none",
        help="bring the counts of the two runs together: not at all, by dwell time, by the peak of "
        "one phase, by the peaks of all, by quantiles (default: %(default)s)",
    )
    v.add_argument("--peak-of", metavar="PHASE", help="the phase of --match peak")
    v.add_argument(
        "--dwell-ms", type=dwells, metavar="FROM:TO", help="dwell times of the two runs, ms a pixel"
    )
    v.add_argument("--offset", action="store_true", help="look for an offset too (quantiles)")
    v.add_argument(
        "--layer", nargs=2, action="append", metavar=("THEIRS", "HERE"), help="a layer by another name"
    )
    v.add_argument("--take-colours", action="store_true", help="give known phases the scheme's colours")
    v.add_argument("--save-scheme", metavar="S.json", help="write the map's scheme as a file")
    v.add_argument("-o", "--output", metavar="FILE.csv", help="write the modes as a CSV table")
    v.add_argument("--force", action="store_true", help="replace existing files")

    v = verb("draw", drawing.draw)
    on_project(v)
    drawing.add_options(v)

    v = verb("measure", measure)
    on_project(v)
    kinds = (*RULERS, "mode", "modal-log", *REQUESTS)
    v.add_argument("kind", metavar="KIND", choices=kinds, help=", ".join(kinds))
    drawn = v.add_argument_group("rulers")
    drawn.add_argument("--points", nargs="+", type=point, metavar="X,Y", help="in µm")
    drawn.add_argument(
        "--second", nargs="+", type=point, metavar="X,Y", help="other line of a thickness"
    )
    drawn.add_argument("--label", help="name of the reading")
    drawn.add_argument("--hand-px", type=number, help="placement of an end (default: 0.5)")
    counted = v.add_argument_group("mode and modal-log, of a sorted map")
    part = counted.add_mutually_exclusive_group()
    part.add_argument("--unit", metavar="UNIT", help="only this rock unit")
    part.add_argument("--view", type=box, metavar="X0,Y0,X1,Y1", help="only between these corners, µm")
    counted.add_argument(
        "--phase", action="append", metavar="PHASE", help="only this phase (again for more)"
    )
    counted.add_argument("--band-um", type=number, metavar="H", help="height of a modal log's bands")
    counted.add_argument(
        "--origin", type=point, metavar="X,Y", help="where a modal log begins (default: lowest point)"
    )
    counted.add_argument(
        "--way-up", type=degrees, metavar="DEG", help="set way-up first: clockwise from the map's top"
    )
    asking.add_options(v)
    v.add_argument(
        "-o",
        "--output",
        metavar="OUT",
        help="mode and modal-log: write a CSV table; the kinds below them: a folder for tables, "
        "figures and numbers",
    )
    v.add_argument("--force", action="store_true", help="replace existing files")

    v = verb("ask", asking.ask)
    on_project(v)
    asking.add_file_options(v)

    v = verb("ledger", ledger)
    on_project(v, with_map=False)
    v.add_argument("-o", "--output", metavar="FILE.csv", help="write a CSV table")
    v.add_argument("--force", action="store_true", help="replace an existing file")

    v = verb("schema", schema)
    v.add_argument("document", help="scheme, or a document of the project such as ledger")
    return top
