"""Verbs that bring maps in, look at them and export pictures."""

from __future__ import annotations

import argparse
from pathlib import Path

from viewer.cli.parts import Out, builtins, has_display, open_desk, refuse_unknown, showing_progress
from viewer.errors import UsageError


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
        refuse_unknown(wanted, [n for c in candidates for n in (c.name, c.element) if n], "--only")
        candidates = [c for c in candidates if c.name in wanted or c.element in wanted]
    new_names = dict(args.rename or ())
    refuse_unknown(new_names, [c.name for c in candidates], "--rename")
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

    with open_desk(args, write=False) as desk:
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
    with open_desk(args, write=False) as desk:
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
        composite=None if composite is None else builtins(composite),
        notes=[{"kind": n.kind, "level": n.level, "text": n.text} for n in written.notes],
    )
    out.say(f"{written.path}: {written.caption}")
    for note in written.cautions:
        out.say(f"  caution: {note.text}")


def derive(args: argparse.Namespace, out: Out) -> None:
    """Compute a new layer."""
    from viewer.desk.deriving import derive_now, recipe_of
    from viewer.science.sort.expression import Counts

    with open_desk(args) as desk:
        map_id = desk.map(args.map).id
        recipe = recipe_of(desk, map_id, args)
        with showing_progress(f"Derive {args.name}", out.as_json) as progress:
            layer, counts = derive_now(desk, map_id, args.name, recipe, progress)
        out.put(
            project=str(desk.path),
            map=map_id,
            layer=layer.id,
            name=layer.name,
            recipe=builtins(recipe),
            stats=builtins(layer.stats),
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
