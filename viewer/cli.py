"""The command line: parse, call, print.

Every verb takes ``--json`` (one JSON document on standard output, nothing else), shows its progress
on a terminal and works without a display. The work itself is done by `viewer.desk`.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn

from viewer import __version__
from viewer.errors import CancelledError, GrainlightError, InputError, ResourceError, UsageError
from viewer.science.progress import Progress

EXIT_CODES = (
    "exit codes: 0 done, 2 usage, 3 bad input, 4 project busy or damaged, "
    "5 not enough disk or memory, 130 stopped"
)


class Out:
    """Where a verb's answer goes: words on a terminal, or one JSON document."""

    def __init__(self, as_json: bool) -> None:
        self.as_json = as_json
        self._document: dict[str, Any] = {}

    def put(self, **fields: Any) -> None:
        """Add fields to the JSON answer."""
        self._document |= fields

    def say(self, text: str = "") -> None:
        """A line for a person; not printed with ``--json``."""
        if not self.as_json:
            print(text)

    def end(self) -> None:
        """Print the JSON answer, where one was asked for."""
        if self.as_json:
            print(json.dumps(self._document, indent=2, ensure_ascii=False, default=str))


@contextmanager
def showing_progress(title: str, quiet: bool) -> Iterator[Progress]:
    """A bar with the time left on a terminal's error stream; silence elsewhere."""
    if quiet or not sys.stderr.isatty():
        yield lambda done, doing="": None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bar

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
        TextColumn("{task.fields[doing]}"),
    )
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=1.0, doing="")

        def step(done: float, doing: str = "") -> None:
            bar.update(task, completed=done, doing=doing)

        yield step


def has_display() -> bool:
    """Whether a window could be opened here."""
    if sys.platform in ("win32", "darwin"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


# -- what the words of the command line mean ------------------------------------------------------


def pixel_size(text: str) -> tuple[float, float]:
    """``20`` or ``20x25`` (width x height), in µm."""
    try:
        parts = [float(p) for p in text.lower().replace("×", "x").split("x")]
    except ValueError:
        parts = []
    if len(parts) not in (1, 2):
        raise argparse.ArgumentTypeError(f"{text!r} is not a pixel size such as 20 or 20x25 (µm)")
    return parts[0], parts[-1]


def triple(text: str) -> tuple[str, str, str]:
    """``Fe,Cr,Al``: red, green, blue; an empty place or ``-`` leaves a colour out."""
    parts = [p.strip() for p in text.split(",")]
    if len(parts) != 3:
        raise argparse.ArgumentTypeError(f"{text!r} does not name three layers, such as Fe,Cr,Al")
    names = tuple("" if p == "-" else p for p in parts)
    if not any(names):
        raise argparse.ArgumentTypeError("at least one colour needs a layer")
    return names[0], names[1], names[2]


def percentiles(text: str) -> tuple[float, float]:
    """``1:99``: low and high percentile."""
    low, _, high = text.partition(":")
    try:
        return float(low), float(high)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not two percentiles such as 1:99") from None


def degrees(text: str) -> float:
    """A direction."""
    try:
        found = float(text)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise argparse.ArgumentTypeError(f"{text!r} is not a direction such as 90 (degrees)")
    return found


def dwells(text: str) -> tuple[float, float]:
    """``10:25``: dwell times of two runs, in ms."""
    first, _, second = text.partition(":")
    try:
        return float(first), float(second)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not two dwell times such as 10:25") from None


def point(text: str) -> tuple[float, float]:
    """``x,y`` in µm."""
    x, _, y = text.partition(",")
    try:
        at = float(x), float(y)
    except ValueError:
        at = (math.nan, math.nan)
    if not all(math.isfinite(v) for v in at):
        raise argparse.ArgumentTypeError(f"{text!r} is not a point such as 1200,340 (µm)")
    return at


def box(text: str) -> tuple[float, float, float, float]:
    """``x0,y0,x1,y1`` in µm."""
    try:
        parts = [float(p) for p in text.split(",")]
    except ValueError:
        parts = []
    if len(parts) != 4 or not all(math.isfinite(v) for v in parts):
        raise argparse.ArgumentTypeError(f"{text!r} is not a view such as 0,0,5000,3000 (µm)")
    return parts[0], parts[1], parts[2], parts[3]


# -- verbs ----------------------------------------------------------------------------------------


def window(args: argparse.Namespace, out: Out) -> None:
    """Open the window."""
    if not has_display():
        raise UsageError(
            "There is no display to open a window on.",
            hint="Work without one: grainlight --help lists the verbs; grainlight demo runs the "
            "demo slab headless.",
        )
    from viewer.app import run

    raise SystemExit(run(args.project))


def demo(args: argparse.Namespace, out: Out) -> None:
    """Make the demo slab and run the job on it."""
    from viewer.desk.demo import build

    headless = args.headless or out.as_json or not has_display()
    with showing_progress("Demo slab", out.as_json) as progress:
        built = build(Path(args.out), progress=progress, scale=args.scale, force=args.force)
    out.put(**built.as_json())
    out.say(f"The demo slab of the invented Hollin Sill is in {built.folder}")
    for label, path in built.files():
        out.say(f"  {label:<22} {path}")
    out.say()
    for line in built.readings:
        out.say(f"  {line}")
    if not headless:
        from viewer.app import run

        raise SystemExit(run(built.project))


def gather(args: argparse.Namespace, out: Out) -> None:
    """Bring files or folders into a project."""
    from dataclasses import replace

    from viewer.desk.gather import gather as run
    from viewer.desk.gather import plan
    from viewer.intake.formats import scan
    from viewer.store.project import SUFFIX

    candidates = scan([Path(s) for s in args.sources], elements=args.elements)
    if args.only:
        wanted = [w.strip() for w in args.only.split(",")]
        _known(wanted, [n for c in candidates for n in (c.name, c.element) if n], "--only")
        candidates = [c for c in candidates if c.name in wanted or c.element in wanted]
    new_names = dict(args.rename or ())
    _known(new_names, [c.name for c in candidates], "--rename")
    candidates = [replace(c, name=new_names.get(c.name, c.name)) for c in candidates]
    target = Path(args.output)
    into = args.into
    name = args.name or Path(args.sources[0]).resolve().stem
    planned = plan(
        candidates,
        target,
        name=name,
        pixel_um=args.pixel_um,
        resample=args.resample,
        into=into,
        overwrite=args.force,
        any_pixel_size=args.any_pixel_size,
    )
    with showing_progress(f"Gather {name}", out.as_json) as progress:
        map_id = run(planned, progress)
    out.put(
        project=str(planned.target),
        map=map_id,
        name=name,
        shape=list(planned.shape),
        pixel_um=list(planned.pixel_um),
        channels=[
            {
                "id": c.id,
                "name": c.name,
                "element": c.element,
                "line": c.line,
                "unit": c.unit,
                "file": str(c.candidate.path),
                "inner": c.candidate.inner,
                "notes": [n.text for n in planned.notes(c)],
            }
            for c in planned.channels
        ],
    )
    rows, cols = planned.shape
    px, py = planned.pixel_um
    count = len(planned.channels)
    out.say(
        f"{planned.target}: «{name}», {count} channel{'s' if count != 1 else ''} of {cols} x {rows} "
        f"pixels of {px:g} x {py:g} µm{'' if not into else ', added'}."
    )
    if not target.name.endswith(SUFFIX):
        out.say(f"A project's name ends in {SUFFIX}: it was added.")
    for channel in planned.channels:
        for note in planned.notes(channel):
            if note.kind == "caution":
                out.say(f"  {channel.name}: {note.text}")


def about(args: argparse.Namespace, out: Out) -> None:
    """Say what a project holds."""
    from viewer.desk.describe import describe, tables

    with _desk(args, write=False) as desk:
        out.put(**describe(desk))
        if not out.as_json:
            from rich.console import Console

            # Printed by `say`: the console itself would leave with 1 where a pipe is closed early.
            console = Console()
            with console.capture() as told:
                for part in tables(desk):
                    console.print(part)
            out.say(told.get().rstrip("\n"))


def blend(args: argparse.Namespace, out: Out) -> None:
    """Export a composite, or the phase map."""
    from viewer.desk.export import blended, write, write_phases

    given = {"--stretch": args.stretch, "--curve": args.curve, "--gamma": args.gamma}
    for option, value in given.items():
        if args.phases and value is not None:
            raise UsageError(f"A phase map takes no {option}.", hint="Its colours are the key's.")
    if args.areas and not args.phases:
        raise UsageError("--areas belongs to --phases.")
    with _desk(args, write=False) as desk:
        composite = None
        with showing_progress("Export", out.as_json) as progress:
            if args.phases:
                written = write_phases(
                    desk,
                    args.map,
                    Path(args.output),
                    width_mm=args.width_mm,
                    dpi=args.dpi,
                    paper=args.paper,
                    title=args.title,
                    areas=args.areas,
                    overwrite=args.force,
                    progress=progress,
                )
            else:
                composite = blended(
                    desk,
                    args.map,
                    names=args.rgb,
                    saved=args.composite,
                    percentiles=args.stretch,
                    gamma=args.gamma,
                    curve=args.curve,
                )
                written = write(
                    desk,
                    args.map,
                    composite,
                    Path(args.output),
                    width_mm=args.width_mm,
                    dpi=args.dpi,
                    depth=args.depth,
                    paper=args.paper,
                    title=args.title,
                    overwrite=args.force,
                    progress=progress,
                )
    out.put(
        file=str(written.path),
        width_px=written.width_px,
        height_px=written.height_px,
        width_mm=written.width_mm,
        height_mm=written.height_mm,
        dpi=written.dpi,
        caption=written.caption,
        composite=None if composite is None else _builtins(composite),
        notes=[{"kind": n.kind, "level": n.level, "text": n.text} for n in written.notes],
    )
    out.say(f"{written.path}: {written.caption}")
    for note in written.cautions:
        out.say(f"  caution: {note.text}")


def derive(args: argparse.Namespace, out: Out) -> None:
    """Compute a new layer."""
    from viewer.desk.deriving import derive_now, recipe_of
    from viewer.science.sort.expression import Counts

    with _desk(args) as desk:
        map_id = desk.map(args.map).id
        recipe = recipe_of(desk, map_id, args)
        with showing_progress(f"Derive {args.name}", out.as_json) as progress:
            layer, counts = derive_now(desk, map_id, args.name, recipe, progress)
        out.put(
            project=str(desk.path),
            map=map_id,
            layer=layer.id,
            name=layer.name,
            recipe=_builtins(recipe),
            stats=_builtins(layer.stats),
            without_value=counts,
        )
    # Said once the project has been closed well: until then it is not on the disk.
    s = layer.stats
    known = s.pixels - s.missing
    out.say(f"«{layer.name}»: {known:,} pixels have a value, {s.missing:,} have none.")
    if known:
        out.say(f"  from {s.minimum:.6g} to {s.maximum:.6g}, mean {s.mean:.6g}")
    missing = Counts(**counts).sentence()
    if missing:
        out.say(f"  without a value: {missing}")


def sort(args: argparse.Namespace, out: Out) -> None:
    """Sort pixels into phases by a scheme, and print the modes."""
    from viewer.desk.modes import modes_of, plain, write_modes
    from viewer.desk.transfer import apply_transfer, export_scheme, plan_transfer
    from viewer.science.measure.registry import KINDS
    from viewer.store.schemes import read_scheme, write_scheme

    target = _free(args)
    kept = None if args.save_scheme is None else Path(args.save_scheme)
    if kept is not None and kept.exists() and not args.force:
        raise InputError(
            "The file exists already.", where=str(kept), hint="Replace it with --force."
        )
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
    with _desk(args) as desk:
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
    _say_modes(out, measured)
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
            {"layer": g.layer, **_builtins(g.change), "error": g.error, "note": g.note}
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


def measure(args: argparse.Namespace, out: Out) -> None:
    """Measure something and keep it in the ledger."""
    from viewer.science.measure.registry import KINDS

    for option, kinds in _ONLY_FOR.items():
        if getattr(args, option.strip("-").replace("-", "_")) is not None and args.kind not in kinds:
            raise UsageError(f"«{args.kind}» takes no {option}.", hint=f"For: {', '.join(kinds)}.")
    if KINDS[args.kind].drawn:
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
    "--way-up": ("modal-log",),
    "--output": ("mode", "modal-log"),
}
"""Options of `measure`, and the kinds that take them."""


def _measure_drawn(args: argparse.Namespace, out: Out) -> None:
    from viewer.desk.marking import measured
    from viewer.science.measure.registry import KINDS

    with _desk(args) as desk:
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
    out.put(row=_builtins(row), text=text, caution=caution)
    out.say(f"{row.label}: {text} ({row.uncertainty}; n = {row.n})")
    out.say(f"  {row.method}")
    if row.excluded:
        out.say(f"  left out: {row.excluded}")
    if caution:
        out.say(f"  caution: {caution}")


def _where(desk: Any, map_id: str, args: argparse.Namespace) -> Any:
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

    target = _free(args)
    with _desk(args) as desk:
        found = desk.map(args.map)
        where = _where(desk, found.id, args)
        with showing_progress("Modes", out.as_json) as progress:
            image = desk.sorting.sort_now(found.id, progress)
            measured = modes_of(desk, found.id, where, image=image, progress=progress)
        rows = add_to_ledger(desk, found.id, where, measured, args.phase)
        region = name_of(desk, found.id, where)
        if target is not None:
            write_modes(target, [(found.name, region, measured)])
            out.put(file=str(target))
        out.put(map=found.id, region=region, modes=plain(measured), rows=[_builtins(r) for r in rows])
    out.say(f"{found.name}, {region}: {measured.counted:,} sorted pixels")
    _say_modes(out, measured, args.phase)
    if target is not None:
        out.say(f"{target}: all columns")
    out.say(f"  caution: {KINDS['mode'].caution}")


def _say_modes(out: Out, measured: Any, phases: Sequence[str] | None = None) -> None:
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


def _measure_log(args: argparse.Namespace, out: Out) -> None:
    from viewer.desk.modes import log_of, plain, write_log
    from viewer.science.measure.registry import KINDS

    if args.band_um is None:
        raise UsageError("A modal log needs the height of its bands.", hint="Such as --band-um 500")
    target = _free(args)
    with _desk(args) as desk:
        found = desk.map(args.map)
        where = _where(desk, found.id, args)
        if args.way_up is not None:
            _set_way_up(desk, found.id, args.way_up)
        elif desk.setup(found.id).orientation.way_up_deg is None:
            raise InputError(
                "Nobody has said which way is up.",
                where=found.name,
                hint="Say it with --way-up DEG, clockwise from the top of the map: 0 where up is "
                "the top; or set it in the window (Ctrl+U).",
            )
        with showing_progress("Modal log", out.as_json) as progress:
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
                _say_modes(out, band.modes)
    else:
        out.say(f"{target}: {len(log.bands)} bands of {log.band_um:g} µm")
    for remark in log.remarks:
        out.say(f"  {remark}")
    out.say(f"  caution: {KINDS['modal-log'].caution}")


def _set_way_up(desk: Any, map_id: str, degrees: float) -> None:
    import msgspec

    setup = desk.setup(map_id)
    orientation = msgspec.structs.replace(setup.orientation, way_up_deg=degrees % 360.0)
    setup = msgspec.structs.replace(setup, orientation=orientation)
    desk.set_setup("Set the way-up", map_id, setup)


def _free(args: argparse.Namespace) -> Path | None:
    """The file that a table goes to, if one was named.

    Raises
    ------
    InputError
        It exists already, and `--force` was not given.
    """
    if args.output is None:
        return None
    path = Path(args.output)
    if path.exists() and not args.force:
        raise InputError(
            "The file exists already.", where=str(path), hint="Replace it with --force."
        )
    return path


def ledger(args: argparse.Namespace, out: Out) -> None:
    """Write every measurement as a table."""
    from viewer.desk.measuring import shown
    from viewer.plates.tables import write_ledger

    with _desk(args, write=False) as desk:
        rows = desk.state.ledger.rows
        out.put(rows=[_builtins(r) for r in rows])
        if args.output:
            path = Path(args.output)
            _free(args)
            write_ledger(path, rows, {m.id: m.name for m in desk.maps.values()})
            out.put(file=str(path))
            out.say(f"{path}: {len(rows)} measurement{'s' if len(rows) != 1 else ''}")
        elif not rows:
            out.say("Nothing has been measured yet.")
        for row in rows if not args.output else ():
            number = shown(row)
            out.say(f"{row.label:<24} {row.kind:<14} {number.value} {number.unit}")


def schema(args: argparse.Namespace, out: Out) -> None:
    """Print the JSON schema of a file that is read, or of a document of the project."""
    import msgspec

    from viewer.store.documents import DOCUMENTS
    from viewer.store.schemas import FILES, schema_of

    known = (*FILES, *DOCUMENTS)
    if args.document not in known:
        raise UsageError(
            f"There is no schema «{args.document}».", hint="One of: " + ", ".join(known) + "."
        )
    found = schema_of(args.document)
    out.put(**found)
    out.say(msgspec.json.format(msgspec.json.encode(found), indent=2).decode())


# -- parsing --------------------------------------------------------------------------------------


def _desk(args: argparse.Namespace, *, write: bool = True) -> Any:
    from viewer.desk.desk import Desk

    desk = Desk.open(args.project, write=write, inline=True)
    for remark in desk.project.remarks:
        print(remark, file=sys.stderr)
    if write:
        try:
            desk.require_writable()
        except BaseException:
            desk.close()
            raise
    return desk


def _known(wanted: Iterable[str], names: Sequence[str], option: str) -> None:
    """Refuse a channel that an option names and the files do not offer."""
    for name in wanted:
        if name not in names:
            raise InputError(
                f"The files offer no channel «{name}».",
                where=option,
                hint="They offer: " + ", ".join(dict.fromkeys(names)) + ".",
            )


def _builtins(value: Any) -> Any:
    import msgspec

    return msgspec.to_builtins(value)


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
    v.add_argument(
        "--take-colours", action="store_true", help="give known phases the scheme's colours"
    )
    v.add_argument("--save-scheme", metavar="S.json", help="write the map's scheme as a file")
    v.add_argument("-o", "--output", metavar="FILE.csv", help="write the modes as a CSV table")
    v.add_argument("--force", action="store_true", help="replace existing files")

    v = verb("measure", measure)
    on_project(v)
    kinds = (*RULERS, "mode", "modal-log")
    v.add_argument("kind", metavar="KIND", choices=kinds, help=", ".join(kinds))
    drawn = v.add_argument_group("rulers")
    drawn.add_argument("--points", nargs="+", type=point, metavar="X,Y", help="in µm")
    drawn.add_argument(
        "--second", nargs="+", type=point, metavar="X,Y", help="other line of a thickness"
    )
    drawn.add_argument("--label", help="name of the reading")
    drawn.add_argument("--hand-px", type=float, help="placement of an end (default: 0.5)")
    counted = v.add_argument_group("mode and modal-log, of a sorted map")
    part = counted.add_mutually_exclusive_group()
    part.add_argument("--unit", metavar="UNIT", help="only this rock unit")
    part.add_argument("--view", type=box, metavar="X0,Y0,X1,Y1", help="only between these corners, µm")
    counted.add_argument(
        "--phase", action="append", metavar="PHASE", help="only this phase (again for more)"
    )
    counted.add_argument("--band-um", type=float, metavar="H", help="height of a modal log's bands")
    counted.add_argument(
        "--origin", type=point, metavar="X,Y", help="where a modal log begins (default: lowest point)"
    )
    counted.add_argument(
        "--way-up", type=degrees, metavar="DEG", help="set way-up first: clockwise from the map's top"
    )
    counted.add_argument("-o", "--output", metavar="FILE.csv", help="write a CSV table")
    v.add_argument("--force", action="store_true", help="replace an existing file")

    v = verb("ledger", ledger)
    on_project(v, with_map=False)
    v.add_argument("-o", "--output", metavar="FILE.csv", help="write a CSV table")
    v.add_argument("--force", action="store_true", help="replace an existing file")

    v = verb("schema", schema)
    v.add_argument("document", help="scheme, or a document of the project such as ledger")
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; return its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    as_json = "--json" in words
    try:
        # A project named alone, or nothing at all, means the window.
        if not words or (not words[0].startswith("-") and words[0].endswith(".h5")):
            words = ["window", *words]
        args = parser().parse_args(words)
        if getattr(args, "run", None) is None:
            raise UsageError("A verb is needed.", hint="See grainlight --help.")
        out = Out(args.json)
        args.run(args, out)
        out.end()
        sys.stdout.flush()
    except GrainlightError as error:
        _complain(error, as_json)
        return error.exit_code
    except KeyboardInterrupt:
        _complain(CancelledError(), as_json)
        return CancelledError.exit_code
    except MemoryError:
        _complain(ResourceError("There is not enough memory for this."), as_json)
        return ResourceError.exit_code
    except BrokenPipeError:
        # The reader of a pipe has seen enough; pointing the stream elsewhere keeps Python quiet.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return 0


def _complain(error: GrainlightError, as_json: bool) -> None:
    if as_json:
        fields = {"error": error.what, "where": error.where, "hint": error.hint}
        print(json.dumps({**fields, "exit_code": error.exit_code}, ensure_ascii=False))
    print(f"grainlight: {error}", file=sys.stderr)


if __name__ == "__main__":
    raise SystemExit(main())
