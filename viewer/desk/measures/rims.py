"""Rims of the open document: overgrowths of one phase around another, by direction."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.measures import inputs
from viewer.desk.measures.result import Finding, Result, Table
from viewer.desk.measures.rims_drawn import figures, overlay
from viewer.science.measure.rim_rose import (
    CLASS_DOUBT,
    Harmonic,
    Mean,
    RimClasses,
    classes_of,
    first_harmonic,
    mean_of,
    rim_classes,
)
from viewer.science.measure.rim_test import FEWEST, SECTOR, UpDown, up_down
from viewer.science.measure.rims import (
    ASIDE,
    BESIDE,
    CUT,
    ENDINGS,
    GAP,
    MEASURED,
    OPEN,
    SHARED,
    SPECK,
    UNSURE,
    Rays,
    Rims,
    rims_around,
)
from viewer.science.numbers import significant
from viewer.science.progress import Progress, part, silent
from viewer.store.requests import RimsRequest

SEED = 45
"""Of the bootstrap: the same rims give the same interval in every run."""

UNEVEN = 0.10
"""Difference between the shares of outline lost to neighbours, above and below, that is told."""

THIN = 2.5
"""Mean thickness in pixels below which rims too thin to be seen are told of."""

_LEFT_OUT = (
    (OPEN, "open"),
    (SHARED, "shared with a neighbour"),
    (CUT, "cut by an edge"),
    (UNSURE, "at unsorted ground"),
    (BESIDE, "close beside such outline"),
)

MANY_OPEN = 0.05
"""Share of open outline among open and measured from which on that is told."""


def measure(desk: Desk, map_id: str, request: RimsRequest, progress: Progress = silent) -> Result:
    """Rim thickness by direction, up against down, and how one-sided it is.

    Raises
    ------
    InputError
        Way-up is not set, the map is not sorted, a phase is absent, or no host is whole and large
        enough.
    """
    up = inputs.up_of(desk, map_id)
    classes_of(request.class_deg)
    found = desk.maps[map_id]
    image = inputs.sorted_image(desk, map_id)
    host = inputs.label_of(image, request.host, found.name)
    rim = inputs.label_of(image, request.rim, found.name)
    within = inputs.mask_in(
        desk, map_id, inputs.region_of(desk, map_id, request), inputs.whole(desk, map_id),
        part(progress, 0.0, 0.1),
    )  # fmt: skip
    # A margin of one pixel, so that what touches the region's edge does not touch the array's alone.
    rows, cols = (_span(np.asarray(within.any(axis=a))) for a in (1, 0))
    labels = image.labels[rows, cols]
    rims = rims_around(
        labels == host,
        labels == rim,
        found.pixel_um,
        up,
        mirrored=desk.setup(map_id).orientation.mirror,
        known=labels != 0,
        within=within[rows, cols],
        smallest_um2=request.smallest_um2,
        progress=part(progress, 0.1, 0.8),
    )
    zero = request.open_as_zero
    progress(0.8, "averaging by direction")
    classes = rim_classes(rims.rays, request.class_deg, pixel_um=max(found.pixel_um), open_as_zero=zero)
    progress(0.82, "fitting the first harmonic")
    harmonic = first_harmonic(rims.rays, open_as_zero=zero)
    progress(0.84, "comparing up with down")
    compared = up_down(rims, open_as_zero=zero, seed=SEED)
    corner = (cols.start * found.pixel_um[0], rows.start * found.pixel_um[1])
    names = image.names[host - 1], image.names[rim - 1]
    region = inputs.region_name(desk, map_id, request)
    return Result(
        map=map_id,
        request=request,
        subject=f"{names[1]} on {names[0]} · {region}",
        findings=_findings(rims, harmonic, compared, zero),
        method=_method(rims, request),
        tables=(_grains(rims, compared, zero, corner), _directions(classes)),
        figures=figures(rims, classes, harmonic, compared, f"{names[1]} on {names[0]}", zero),
        overlay=overlay(rims, compared, corner, part(progress, 0.85, 1.0)),
        remarks=_remarks(rims, classes, harmonic, compared, zero),
    )


def _span(found: npt.NDArray[np.bool_]) -> slice:
    """From the first to the last that is there, with one beside either; all where none is."""
    places = np.flatnonzero(found)
    if not len(places):
        return slice(0, len(found))
    return slice(max(0, int(places[0]) - 1), min(len(found), int(places[-1]) + 2))


# Numbers ------------------------------------------------------------------------------------------


def _findings(
    rims: Rims, harmonic: Harmonic | None, compared: UpDown, zero: bool
) -> tuple[Finding, ...]:
    excluded = _excluded(rims, zero)
    pairs = len(compared.grain)
    if compared.median_um is None:
        why = "no host shows opposite sides with a measured rim on both"
    elif compared.low_um is None:
        why = f"no interval: fewer than {FEWEST} hosts can be compared with themselves"
    else:
        why = "95 % interval of the median over hosts; bootstrap"
        if compared.p is not None:
            why += f"; Wilcoxon signed-rank p = {compared.p:.2g}"
    first = Finding(
        name="up minus down",
        value=compared.median_um,
        low=compared.low_um,
        high=compared.high_um,
        uncertainty=why,
        n=pairs,
        unit="µm",
        excluded=f"{excluded}; {compared.one_sided:,} hosts without opposite sides to compare",
        detail={
            "wilcoxon_p": compared.p,
            "wilcoxon_statistic": compared.statistic,
            "mean_um": compared.mean_um,
            "mean_low_um": compared.mean_low_um,
            "mean_high_um": compared.mean_high_um,
            "up_um": float(np.median(compared.up_um)) if pairs else None,
            "down_um": float(np.median(compared.down_um)) if pairs else None,
            "hosts_thicker_up": float(compared.thicker_up),
        },
    )
    rays = rims.rays.only(rims.rays.counted(zero))
    away = np.minimum(rays.direction_deg, 360.0 - rays.direction_deg)
    return (
        first,
        *_asymmetry(harmonic, excluded),
        _mean("rim thickness, all sides", mean_of(rays), excluded),
        _mean("rim thickness, up side", mean_of(rays.only(away <= SECTOR)), excluded),
        _mean("rim thickness, down side", mean_of(rays.only(away >= 180.0 - SECTOR)), excluded),
    )


def _asymmetry(harmonic: Harmonic | None, excluded: str) -> tuple[Finding, Finding]:
    names = ("first harmonic", "direction of the thickest rim")
    if harmonic is None:
        why = "fewer than three hosts show more than one side"
        return (
            Finding(names[0], None, None, None, why, 0, "µm", excluded),
            Finding(names[1], None, None, None, why, 0, "°", excluded),
        )
    how = f"95 % interval; jackknife over hosts; F test p = {harmonic.p:.2g}"
    sure = harmonic.towards_low is not None
    return (
        Finding(
            name=names[0],
            value=harmonic.size_um,
            low=harmonic.size_low,
            high=harmonic.size_high,
            uncertainty=how,
            n=harmonic.hosts,
            unit="µm",
            excluded=excluded,
            detail={"p": harmonic.p, "evened_out_mean_um": harmonic.mean_um},
        ),
        Finding(
            name=names[1],
            value=harmonic.towards_deg if sure else None,
            low=harmonic.towards_low,
            high=harmonic.towards_high,
            uncertainty="95 % interval, clockwise from way-up (minus: anticlockwise); jackknife over "
            "hosts"
            if sure
            else "rims may be alike on all sides, so that there is no direction to tell",
            n=harmonic.hosts,
            unit="°",
            excluded=excluded,
        ),
    )


def _mean(name: str, mean: Mean, excluded: str) -> Finding:
    if mean.value is None:
        why = "nothing was measured there"
    elif mean.low is None:
        why = "no interval: one host only"
    else:
        why = "95 % interval of the mean over hosts, every µm of outline alike; hosts as clusters"
    return Finding(name, mean.value, mean.low, mean.high, why, mean.hosts, "µm", excluded)


def _excluded(rims: Rims, zero: bool) -> str:
    length = np.bincount(rims.rays.ending, rims.rays.length_um, len(ENDINGS))
    share = 100.0 * length / length.sum()
    out = [
        f"{rims.cut:,} hosts cut by the edge of the map or the region",
        f"{rims.small:,} smaller than {significant(rims.smallest_um2, 4)} µm²",
        f"{rims.specks:,} specks below {SPECK} pixels",
        *(
            f"{significant(share[n])} % of the outline {words}"
            for n, words in _LEFT_OUT
            if not (zero and n == OPEN)
        ),
    ]
    return "; ".join(out)


def _method(rims: Rims, request: RimsRequest) -> str:
    size = max(rims.grains.pixel_um)
    return (
        "Rim crossed by rays along the outward normals of each host's outline; "
        f"hosts of {significant(rims.smallest_um2, 4)} µm² or more; classes of "
        f"{request.class_deg:g}° clockwise "
        f"from way-up; up and down within {SECTOR:g}° of it, each stretch against the one that "
        "faces the opposite way; open directions "
        + ("count as no thickness" if request.open_as_zero else "are left out")
        + f"; shared ones, and {significant(ASIDE * size, 4)} µm beside whatever hides the outline, "
        "are left out; "
        f"unsorted ground up to {significant(GAP * size, 4)} µm passes for a mixed edge; "
        "pixels hang together across sides and corners; intervals of single classes take in "
        f"{CLASS_DOUBT * size:.2g} µm (one standard deviation) that pixels leave in doubt"
    )


def _remarks(
    rims: Rims,
    classes: RimClasses,
    harmonic: Harmonic | None,
    compared: UpDown,
    zero: bool,
) -> list[str]:
    remarks = []
    rays = rims.rays
    away = np.minimum(rays.direction_deg, 360.0 - rays.direction_deg)
    up, down = (_share(rays.only(k), SHARED) for k in (away <= SECTOR, away >= 180.0 - SECTOR))
    if abs(up - down) > UNEVEN:
        more, least = ("up", "down") if up > down else ("down", "up")
        remarks.append(
            f"On the {more} side {100 * max(up, down):.0f} % of the outline is shared with neighbours, "
            f"on the {least} side {100 * min(up, down):.0f} %. Thick rims meet their neighbours more "
            f"often and are left out then: the {more} side may be thicker than measured."
        )
    thin = classes.mean_um < THIN * max(rims.grains.pixel_um)
    opened = classes.length_um[:, OPEN] / np.maximum(
        classes.length_um[:, OPEN] + classes.length_um[:, MEASURED], 1e-12
    )
    told = thin & (opened > MANY_OPEN)
    if told.any() and not zero:
        where = _runs(classes.centres_deg, told)
        remarks.append(
            f"Towards {where} rims are hardly thicker than a pixel and up to "
            f"{100 * opened[told].max():.0f} % of the outline is open. A rim too thin to be seen is "
            "open too, so that the mean there may be too large; with open directions counted as no "
            "thickness it may be too small. The truth lies between the two."
        )
    if len(compared.grain) < FEWEST:
        remarks.append(
            f"{len(compared.grain)} hosts can be compared with themselves; {FEWEST} are needed "
            "for an interval. Take a larger region or smaller hosts."
        )
    if harmonic is None:
        remarks.append("Too few hosts show more than one side to tell a first harmonic.")
    return remarks


def _runs(centres_deg: npt.NDArray[np.float64], told: npt.NDArray[np.bool_]) -> str:
    """Classes in words: ``135° to 225°, 270°``."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], told, [False]]).astype(np.int8)))
    runs = zip(centres_deg[edges[::2]], centres_deg[edges[1::2] - 1], strict=True)
    return ", ".join(f"{a:.0f}°" if a == b else f"{a:.0f}° to {b:.0f}°" for a, b in runs)


def _share(rays: Rays, ending: int) -> float:
    total = float(rays.length_um.sum())
    return float(rays.length_um[rays.ending == ending].sum()) / total if total > 0 else 0.0


# Tables -------------------------------------------------------------------------------------------


def _grains(rims: Rims, compared: UpDown, zero: bool, corner: tuple[float, float]) -> Table:
    count = len(rims.grains)
    rays = rims.rays.only(rims.rays.counted(zero))
    outline = np.bincount(rims.rays.host, rims.rays.length_um, count)
    length = np.bincount(rays.host, rays.length_um, count)
    sums = np.bincount(rays.host, rays.length_um * rays.thickness_um, count)
    shares = 100.0 * rims.shares()
    pair = {int(g): n for n, g in enumerate(compared.grain)}
    rows = []
    for g in np.flatnonzero(rims.measured):
        n = pair.get(int(g))
        sides = (
            (None, None, None, None)
            if n is None
            else (
                float(compared.up_um[n]),
                float(compared.down_um[n]),
                float(compared.difference_um[n]),
                float(compared.outline_um[n]),
            )
        )
        x, y = rims.grains.centres_um[g]
        rows.append(
            (
                int(g) + 1,
                float(x) + corner[0],
                float(y) + corner[1],
                float(rims.grains.areas_um2[g]),
                float(outline[g]),
                *(float(s) for s in shares[g]),
                float(sums[g] / length[g]) if length[g] > 0 else None,
                *sides,
            )
        )
    header = (
        "grain", "x_um", "y_um", "area_um2", "outline_um", *(f"{e}_percent" for e in ENDINGS),
        "mean_um", "up_um", "down_um", "up_minus_down_um", "compared_outline_um",
    )  # fmt: skip
    return Table("grains", header, rows)


def _directions(classes: RimClasses) -> Table:
    rows = [
        (
            float(centre),
            float(classes.edges_deg[n]),
            float(classes.edges_deg[n + 1]),
            *(
                float(v[n]) if math.isfinite(v[n]) else None
                for v in (classes.mean_um, classes.low_um, classes.high_um)
            ),
            int(classes.hosts[n]),
            *(float(v) for v in classes.length_um[n]),
        )
        for n, centre in enumerate(classes.centres_deg)
    ]
    header = (
        "direction_deg", "from_deg", "to_deg", "mean_um", "low_um", "high_um", "hosts",
        *(f"{e}_outline_um" for e in ENDINGS),
    )  # fmt: skip
    return Table("directions", header, rows)
