"""Measurements that answer a request: from options to the request, and from the result to words."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec

from viewer.cli.parts import Out, builtins, open_desk, showing_progress, with_way_up
from viewer.cli.words import degrees, number, point
from viewer.errors import InputError, UsageError, from_os_error
from viewer.store.requests import PHASES, REQUESTS, Request

LARGEST_FILE = 4 << 20
"""Bytes of a file of requests."""

OPTIONS: dict[str, tuple[str, dict[str, Any]]] = {
    "line": ("--line", {"metavar": "NAME", "help": "contact or traverse (again for more traverses)"}),
    "lines": ("--line", {}),
    "layer": ("--layer", {"metavar": "LAYER", "help": "channel or derived layer (again for more)"}),
    "layers": ("--layer", {}),
    "phase": ("--phase", {}),
    "phases": ("--phase", {}),
    "unit": ("--unit", {}),
    "view_um": ("--view", {}),
    "only_in": (
        "--only-in",
        {"metavar": "PHASE", "help": "follow layers in the pixels of this phase alone"},
    ),
    "host": ("--host", {"metavar": "PHASE", "help": "phase of the grains that rims grew around"}),
    "rim": ("--rim", {"metavar": "PHASE", "help": "phase of the rims"}),
    "with_rims": (
        "--with-rim",
        {
            "action": "append",
            "metavar": "PHASE",
            "help": "counts as part of the grain (again for more)",
        },
    ),
    "lower": ("--lower", {"metavar": "CONTACT", "help": "lower contact of a layer"}),
    "upper": ("--upper", {"metavar": "CONTACT", "help": "upper contact of a layer"}),
    "contact": ("--contact", {"metavar": "CONTACT", "help": "contact that traverses cross"}),
    "reach_um": ("--reach-um", {"type": number, "help": "how far to either side of a contact"}),
    "beam_um": (
        "--beam-um",
        {"type": number, "help": "full width at half maximum of the beam, taken off a width"},
    ),
    "window_um": ("--window-um", {"type": number, "help": "length over which sharpness is local"}),
    "follow": (
        "--as-drawn",
        {
            "action": "store_const",
            "const": False,
            "help": "take a contact where it was drawn; do not find the edge again",
        },
    ),
    "step_um": ("--step-um", {"type": number, "help": "step along a contact or a traverse"}),
    "shortest_um": ("--shortest-um", {"type": number, "help": "shortest wavelength looked for"}),
    "longest_um": ("--longest-um", {"type": number, "help": "longest wavelength looked for"}),
    "spacing_um": ("--spacing-um", {"type": number, "help": "between stations of a thickness"}),
    "cut_deg": (
        "--cut-deg",
        {"type": number, "help": "angle between the face and the layer, for true thickness"},
    ),
    "class_deg": (
        "--class-deg",
        {"type": number, "help": "width of a class of direction (default: 15)"},
    ),
    "smallest_um2": (
        "--smallest-um2",
        {"type": number, "help": "area of the smallest grain that counts"},
    ),
    "open_as_zero": (
        "--open-as-zero",
        {"action": "store_const", "const": True, "help": "a direction without rim counts as 0 µm"},
    ),
    "width_um": ("--width-um", {"type": number, "help": "full width of a traverse (default: its own)"}),
    "bound": ("--bound", {"type": number, "help": "largest change that would not matter"}),
    "log": ("--log", {"action": "store_const", "const": True, "help": "average logarithms"}),
    "at_um": ("--at", {"type": point, "metavar": "X,Y", "help": "a place in the one grain meant, µm"}),
    "bins": ("--bins", {"type": int, "help": "steps from core to rim (default: 20)"}),
}
"""Option of each field of a request. Those without words here are other kinds' options too."""

SHARED = ("--phase", "--unit", "--view")
"""Options of requests that the parser has for other kinds as well."""

FORMATS = ("pdf", "svg", "png")


def add_options(parser: argparse.ArgumentParser) -> None:
    """Give the verb `measure` the options of all requests."""
    group = parser.add_argument_group(", ".join(REQUESTS))
    seen = set(SHARED)
    for option, words in OPTIONS.values():
        if option not in seen:
            seen.add(option)
            several = {"action": "append"} if option in ("--line", "--layer") else {}
            group.add_argument(option, **{**several, **words})
    _add_figures(group)


def add_file_options(parser: argparse.ArgumentParser) -> None:
    """Give the verb `ask` its options."""
    parser.add_argument(
        "requests", metavar="FILE.json", help="one request or a list of them, as in the ledger"
    )
    parser.add_argument(
        "--way-up", type=degrees, metavar="DEG", help="set way-up first: clockwise from the map's top"
    )
    _add_figures(parser)
    parser.add_argument(
        "-o", "--output", metavar="DIR", help="a folder for tables, figures and numbers"
    )
    parser.add_argument("--force", action="store_true", help="replace existing files")


def ask(args: argparse.Namespace, out: Out) -> None:
    """Put the requests of a file to a map, as an earlier map answered them."""
    answer(args, out, read_requests(args.requests))


def _add_figures(parser: Any) -> None:
    parser.add_argument(
        "--figures",
        type=_formats,
        default=("pdf",),
        metavar="pdf,svg,png",
        help="formats of the figures that go into the folder of -o (default: pdf)",
    )


def _formats(text: str) -> tuple[str, ...]:
    found = tuple(dict.fromkeys(f.strip().lower() for f in text.split(",") if f.strip()))
    if unknown := [f for f in found if f not in FORMATS]:
        raise argparse.ArgumentTypeError(f"{unknown[0]!r} is none of pdf, svg, png")
    return found


def options_of(kind: str) -> tuple[str, ...]:
    """Options that a kind takes."""
    fields = REQUESTS[kind].__struct_fields__
    return tuple(dict.fromkeys(OPTIONS[name][0] for name in fields))


def dest(option: str) -> str:
    """Name under which the parser keeps an option."""
    return option.strip("-").replace("-", "_")


def request_of(kind: str, args: argparse.Namespace) -> Request:
    """The request that the options make.

    Raises
    ------
    UsageError
        An option is missing, given twice where one will do, or has a value that cannot be.
    """
    found: dict[str, Any] = {"kind": kind}
    struct = REQUESTS[kind]
    for name in struct.__struct_fields__:
        option = OPTIONS[name][0]
        value = getattr(args, dest(option))
        if value is None:
            continue
        if option in ("--line", "--layer", "--phase") and name in ("line", "layer", "phase"):
            if len(value) > 1:
                raise UsageError(f"«{kind}» takes one {option}.")
            value = value[0]
        found[name] = list(value) if isinstance(value, tuple) else value
    required = [OPTIONS[f.encode_name][0] for f in msgspec.structs.fields(struct) if f.required]
    missing = [option for option in required if getattr(args, dest(option)) is None]
    if missing:
        raise UsageError(f"«{kind}» needs {' and '.join(missing)}.")
    try:
        request: Request = msgspec.convert(found, type=struct)
    except msgspec.ValidationError as error:
        raise UsageError(f"{error}.", hint="See grainlight measure --help.") from error
    return request


def read_requests(path: str) -> tuple[Request, ...]:
    """Requests of a JSON file: one, or a list.

    Raises
    ------
    InputError
        The file cannot be read, or holds something else.
    """
    try:
        size = Path(path).stat().st_size
        text = Path(path).read_bytes() if size <= LARGEST_FILE else b""
    except OSError as error:
        raise from_os_error(error, path, "request") from error
    if size > LARGEST_FILE:
        raise InputError("The file is too large to be one of requests.", where=path)
    try:
        found = msgspec.json.decode(text, type=Request | list[Request])
    except msgspec.DecodeError as error:
        raise InputError(
            f"The file holds no request ({error}).",
            where=path,
            hint="A request is what a row of the ledger keeps: grainlight ledger P.maps.h5 --json",
        ) from error
    return tuple(found) if isinstance(found, list) else (found,)


def answer(args: argparse.Namespace, out: Out, requests: Sequence[Request]) -> None:
    """Answer requests, keep the answers in the ledger, write their files and say what came of them.

    Each answer is kept, written and said before the next request is looked at: where one fails, those
    before it stand.
    """
    from viewer.desk.measures.files import refuse_existing

    folder = None if args.output is None else Path(args.output)
    with open_desk(args) as desk:
        found = desk.map(args.map)
        if folder is not None and not args.force:
            refuse_existing(folder, found.id, requests)
        out.put(map=found.id, results=[])
        with with_way_up(desk, found.id, args.way_up):
            if any(_needs_phases(r) for r in requests):
                with showing_progress("Sort", out.as_json) as progress:
                    desk.sorting.sort_now(found.id, progress)
            for request in requests:
                _answer_one(desk, found, request, folder, args.figures, out)


def _answer_one(
    desk: Any, found: Any, request: Request, folder: Path | None, figures: Sequence[str], out: Out
) -> None:
    from viewer.desk.measures import run
    from viewer.desk.measures.files import write_result
    from viewer.desk.measures.keep import add_to_ledger, plain

    with showing_progress("Measure", out.as_json) as progress:
        result = run(desk, found.id, request, progress)
    files = [] if folder is None else write_result(folder, result, figures, map_name=found.name)
    rows = add_to_ledger(desk, result)
    told = {
        **plain(result),
        "rows": [builtins(row) for row in rows],
        "files": [str(f) for f in files],
    }
    out.put(results=[*out.document["results"], told])
    say_result(out, found.name, result)
    for file in files:
        out.say(f"  {file}")


def _needs_phases(request: Request) -> bool:
    """Whether a request looks at the class image."""
    return any(getattr(request, name, None) for name in PHASES)


def say_result(out: Out, map_name: str, result: Any) -> None:
    """A result for a person."""
    from viewer.desk.measures.keep import reading
    from viewer.science.measure.registry import KINDS

    kind = KINDS[result.request.kind]
    out.say(f"{map_name}, {result.subject}: {kind.title}")
    wide = max((len(f.name) for f in result.findings), default=0)
    for finding in result.findings:
        out.say(f"  {finding.name:<{wide}}  {reading(finding)}  (n = {finding.n:,})")
    sorts = dict.fromkeys(f.uncertainty for f in result.findings)
    for uncertainty in sorts:
        out.say(f"  intervals: {uncertainty}" if len(sorts) == 1 else f"  {uncertainty}")
    for excluded in dict.fromkeys(f.excluded for f in result.findings if f.excluded):
        out.say(f"  left out: {excluded}")
    out.say(f"  method: {result.method}")
    for remark in result.remarks:
        out.say(f"  {remark}")
    out.say(f"  caution: {kind.caution}")
