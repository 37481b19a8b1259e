"""What a traverse found, as findings, tables, figures and shapes on the map."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from viewer.desk.desk import Desk
from viewer.desk.measures.inputs import region_name
from viewer.desk.measures.result import Drawn, Finding, Overlay, Result, Table
from viewer.desk.measures.traverse_figures import figures
from viewer.desk.measures.traverse_series import Placed, Series
from viewer.plates.tables import Cell, unit_name
from viewer.science.measure.equivalence import least_bound
from viewer.science.measure.serial import RESAMPLES
from viewer.science.measure.trend import FEWEST
from viewer.science.numbers import significant
from viewer.store.requests import TraverseRequest

Array = npt.NDArray[np.float64]

BOOTSTRAP = "95 % interval; block bootstrap of residuals that know of their neighbours"


def lay_out(
    desk: Desk,
    map_id: str,
    request: TraverseRequest,
    drawn: Sequence[Placed],
    series: Sequence[Series],
    step_um: float,
) -> Result:
    """Put together the answer to a request."""
    excluded = [_excluded(drawn, s) for s in series]
    findings = [
        finding
        for one, left_out in zip(series, excluded, strict=True)
        for finding in _findings(request, one, left_out)
    ]
    up = desk.setup(map_id).orientation.way_up_deg
    what = ", ".join(s.name for s in series)
    place = ", ".join(d.line.name for d in drawn)
    subject = f"{what} along {place}"
    if request.unit is not None or request.view_um is not None:
        subject += f" · {region_name(desk, map_id, request)}"
    return Result(
        map=map_id,
        request=request,
        subject=subject,
        findings=findings,
        method=_method(request, drawn, series, step_um, up is not None),
        tables=_tables(drawn, series),
        figures=figures(desk, request, drawn, series),
        overlay=Overlay(shapes=[shape for d in drawn for shape in _shapes(d)]),
        remarks=_remarks(request, drawn, series),
    )


# Findings ----------------------------------------------------------------------------------------


def _findings(request: TraverseRequest, series: Series, excluded: str) -> list[Finding]:
    """The answer first: whether a change is ruled out, the step at the contact, or the change."""
    found = []
    if request.bound is not None:
        found.append(_equivalence(request.bound, series, excluded))
    if request.contact is not None:
        found.append(_step(request.contact, series, excluded))
    found.append(_change(series, excluded))
    found.append(_mean(series, excluded))
    return found


def _change(series: Series, excluded: str) -> Finding:
    name = f"change of {series.name} from end to end"
    found = series.trend
    if found is None:
        return _none(series, name, excluded, f"fewer than {FEWEST} steps count")
    value, low, high = _numbers(series, found.change, found.change_low, found.change_high)
    mm = 1000.0
    slope = {
        "slope_per_mm": found.slope * mm,
        "slope_low_per_mm": found.low * mm,
        "slope_high_per_mm": found.high * mm,
        "theil_sen_per_mm": found.theil_sen * mm,
        "theil_sen_low_per_mm": found.theil_sen_low * mm,
        "theil_sen_high_per_mm": found.theil_sen_high * mm,
    }
    return Finding(
        name=name,
        value=value,
        low=low,
        high=high,
        unit=_unit(series),
        uncertainty=f"{BOOTSTRAP}; n: steps",
        n=found.n,
        excluded=excluded,
        detail={
            **{(f"log10_{k}" if series.log else k): v for k, v in slope.items()},
            "length_um": found.span,
            "kendall_tau_b": found.kendall_tau,
            "mann_kendall_p": found.mann_kendall_p,
            "independent_steps": found.independent,
            "correlation_range_um": found.range_um,
        },
    )


def _equivalence(bound: float, series: Series, excluded: str) -> Finding:
    unit = _unit(series)
    size = f"{bound:g} {unit}".strip() if not series.log else f"a factor of {bound:g}"
    found = series.equivalence
    if found is None or series.trend is None:
        name = f"change of {series.name} against {size}"
        return _none(series, name, excluded, f"fewer than {FEWEST} steps count")
    value, low, high = _numbers(series, found.estimate, found.low, found.high)
    word = "no change of" if found.holds else "cannot rule out a change of"
    least = 10.0**found.least if series.log else found.least
    return Finding(
        name=f"{word} {series.name} by {size} or more",
        value=value,
        low=low,
        high=high,
        unit=_unit(series),
        uncertainty="90 % interval; two one-sided tests at 5 %, block bootstrap; n: steps",
        n=series.trend.n,
        excluded=excluded,
        detail={"equivalence_p": found.p, "bound": bound, "smallest_bound_borne_out": least},
    )


def _step(contact: str, series: Series, excluded: str) -> Finding:
    name = f"step of {series.name} at {contact}"
    found = series.step
    if found is None:
        return _none(series, name, excluded, "too few steps count on one side of the contact")
    value, low, high = _numbers(series, found.difference, found.low, found.high)
    levels = {
        "before": found.before,
        "after": found.after,
        "jump_beside_slopes": found.jump,
        "jump_low": found.jump_low,
        "jump_high": found.jump_high,
        "smallest_bound_borne_out": least_bound(found.difference, found.deviations),
    }
    return Finding(
        name=name,
        value=value,
        low=low,
        high=high,
        unit=_unit(series),
        uncertainty=f"{BOOTSTRAP}; mean behind the contact less mean before it; n: steps",
        n=found.n_before + found.n_after,
        excluded=excluded,
        detail={k: 10.0**v if series.log else v for k, v in levels.items()}
        | {"steps_before": float(found.n_before), "steps_after": float(found.n_after)},
    )


def _mean(series: Series, excluded: str) -> Finding:
    name = f"{'geometric mean' if series.log else 'mean'} of {series.name}"
    found = series.trend
    if found is None:
        return _none(series, name, excluded, f"fewer than {FEWEST} steps count")
    value, low, high = _numbers(series, found.mean, found.mean_low, found.mean_high)
    if series.share:
        low, high = max(low, 0.0), min(high, 100.0)
    return Finding(
        name=name,
        value=value,
        low=low,
        high=high,
        uncertainty=f"{BOOTSTRAP}, beside the trend; n: pixels",
        n=sum(int(p.pixels.sum()) for p in series.profiles),
        unit=series.unit,
        excluded=excluded,
    )


def _none(series: Series, name: str, excluded: str, why: str) -> Finding:
    n = int(np.count_nonzero(np.isfinite(series.mean)))
    return Finding(name, None, None, None, why, n, _unit(series), excluded)


def _unit(series: Series) -> str:
    """Of differences."""
    return "×" if series.log else series.unit


def _numbers(series: Series, *numbers: float) -> tuple[float, ...]:
    """A difference and its interval; of logarithms, as factors."""
    return tuple(10.0**v for v in numbers) if series.log else numbers


# Words -------------------------------------------------------------------------------------------


def _excluded(drawn: Sequence[Placed], series: Series) -> str:
    elsewhere = sum(int(np.count_nonzero(~d.kept)) for d in drawn)
    missing = sum(d.strip.missing for d in drawn)
    nothing = sum(p.left_out for p in series.profiles) - series.apart
    counts = (
        (missing, "pixel", "off the map, about, by the strip's area"),
        (elsewhere, "pixel", "outside the sample's outline or the region"),
        (nothing, "pixel", "saturated or without a number"),
        (series.apart, "pixel", "unsorted" if series.share else "of other phases or of none"),
        (sum(p.not_positive for p in series.profiles), "pixel", "not above 0"),
        (sum(p.too_few for p in series.profiles), "step", "with too few pixels"),
    )
    return "; ".join(f"{n:,} {what}{'s' * (n > 1)} {why}" for n, what, why in counts if n)


def _method(
    request: TraverseRequest,
    drawn: Sequence[Placed],
    series: Sequence[Series],
    step_um: float,
    way_up_is_known: bool,
) -> str:
    widths = sorted({d.strip.width_um for d in drawn})
    chosen = "" if request.step_um else " (chosen)"
    said = [
        f"Pixels whose centres lie within half of {_range(widths)} µm of the line, in steps of "
        f"{significant(step_um, 4)} µm{chosen} along it, none interpolated."
    ]
    if request.only_in is not None:
        said.append(f"Of layers only pixels of {request.only_in} count.")
    if request.log:
        said.append("Logarithms are averaged; differences are factors.")
    reaches = [p.across.reach_um for s in series for p in s.profiles]
    if len(drawn) == 1:
        said.append(
            "Intervals of single steps (95 %) take correlation across the width into account, which "
            f"reaches {_range(reaches)} µm."
        )
    else:
        where = "on the contact" if request.contact else "on their beginnings"
        said.append(
            f"{len(drawn)} traverses are aligned {where} and averaged, each counting once; intervals "
            "of single steps (95 %) are between traverses, and trends are taken where all reach."
        )
    if request.contact:
        way = "upwards" if way_up_is_known else "as the first traverse was drawn (way-up is not set)"
        said.append(
            f"Distances count from where the traverse's line crosses «{request.contact}», and grow "
            f"{way}."
        )
    said.append(
        "Change: slope of least squares through the steps' means, times the length. Its interval is "
        f"from {RESAMPLES} block-bootstrap resamples of residuals whitened by an exponential "
        "or spherical correlation with a nugget, drawn by their restricted likelihood. Beside it "
        "Theil-Sen's slope and Mann-Kendall's test, their variance widened for correlation."
    )
    if request.bound is not None:
        said.append("Equivalence: two one-sided tests at 5 % of the change from end to end.")
    return " ".join(said)


def _range(numbers: Sequence[float]) -> str:
    low, high = min(numbers), max(numbers)
    least, most = significant(low, 4), significant(high, 4)
    return least if least == most else f"{least} to {most}"


def _remarks(request: TraverseRequest, drawn: Sequence[Placed], series: Sequence[Series]) -> list[str]:
    said = []
    wide = [s.name for s in series if any(p.across.limited for p in s.profiles)]
    if wide and len(drawn) == 1:
        said.append(
            f"{', '.join(wide)}: grains are so wide beside the traverse that the intervals of single "
            "steps are lower limits. Draw it wider; change, step and mean are not concerned."
        )
    far = [s.name for s in series if s.trend is not None and s.trend.limited]
    if far:
        said.append(
            f"{', '.join(far)}: neighbouring steps are alike over a large part of the line, so that a "
            "trend cannot well be told from drift: the interval of the change is a lower limit. Where "
            "the line crosses several units, limit it to one, or ask for the step at their contact."
        )
    for d in drawn:
        if d.crossing is not None and d.crossing.times > 1:
            said.append(
                f"«{d.line.name}» crosses the contact {d.crossing.times} times; distances count from "
                "the middle crossing."
            )
    turned = [d.line.name for d in drawn if d.turned]
    if turned:
        said.append(
            f"Drawn the other way and turned round, so that distances grow to the same side of the "
            f"contact: {', '.join(turned)}."
        )
    for s in series:
        if s.equivalence is None or s.trend is None or s.equivalence.holds:
            continue
        if s.trend.change_low <= 0.0 <= s.trend.change_high:
            said.append(
                f"{s.name}: no change is shown, and none is ruled out; the line is too short, or the "
                "rock too uneven, for this bound."
            )
    return said


# Tables and shapes -------------------------------------------------------------------------------


def _tables(drawn: Sequence[Placed], series: Sequence[Series]) -> list[Table]:
    header = ["distance_um"]
    columns: list[Array] = [series[0].at]
    for s in series:
        unit = f"log10_{unit_name(s.unit)}" if s.log else unit_name(s.unit)
        names = ["mean", "low", "high"]
        parts = [s.mean, s.low, s.high]
        if s.averaged is None:
            only = s.profiles[0]
            names.append("standard_error")
            parts.append(only.error)
            if not s.share:
                names += ["median", "quarter", "three_quarters"]
                parts += [only.median, only.quarter, only.three_quarters]
        header += [f"{s.name}_{name}_{unit}" for name in names]
        columns += parts
        if s.averaged is None:
            header += [f"{s.name}_pixels", f"{s.name}_independent_pixels"]
            columns += [s.profiles[0].pixels.astype(np.float64), s.profiles[0].independent]
        else:
            header.append(f"{s.name}_traverses")
            columns.append(s.averaged.count.astype(np.float64))
    tables = [Table("profile", header, [[_cell(v) for v in row] for row in zip(*columns, strict=True)])]
    if len(drawn) > 1:
        tables.append(_each(drawn, series))
    return tables


def _each(drawn: Sequence[Placed], series: Sequence[Series]) -> Table:
    """Every traverse by itself."""
    rows: list[list[Cell]] = []
    for s in series:
        for d, p in zip(drawn, s.profiles, strict=True):
            rows += [
                [d.line.name, s.name, s.unit, *(_cell(v) for v in numbers)]
                for numbers in zip(p.at, p.mean, p.error, p.median, p.pixels, strict=True)
            ]
    log = "log10_" if series[0].log else ""
    names = [f"{log}mean", f"{log}standard_error", f"{log}median"]
    return Table("traverses", ["traverse", "values", "unit", "distance_um", *names, "pixels"], rows)


def _cell(value: float) -> Cell:
    return float(value) if np.isfinite(value) else None


def _shapes(drawn: Placed) -> list[Drawn]:
    """The line, and the strip about it."""
    from shapely import LineString

    width = drawn.strip.width_um
    area = LineString(drawn.points).buffer(width / 2.0, cap_style="flat", join_style="round")
    words = (
        f"{drawn.line.name}: {significant(drawn.strip.length_um, 4)} µm long, "
        f"{significant(width, 4)} µm wide"
    )
    shapes = [Drawn(points=drawn.points, words=words)]
    for piece in getattr(area, "geoms", [area]):
        outline = np.asarray(piece.exterior.coords, np.float64)[:-1]
        shapes.append(Drawn(points=outline, closed=True, role="faint", words=words))
    return shapes
