"""Kinds that measure overgrowths."""

from __future__ import annotations

from viewer.science.measure.kind import Kind

RIMS = (
    Kind(
        name="rims",
        title="Rims",
        question="How thick are the overgrowths, and are they thicker on one side?",
        method="Rim thickness along the outward normal of every host grain, in classes of direction "
        "relative to way-up; up against down paired by grain (median difference, bootstrap interval, "
        "Wilcoxon signed-rank), and the first harmonic of thickness over direction.",
        sources=(),
        caution="On a face rims are apparent: where the cut grazes a host its rim looks thicker. "
        "That holds on every side alike, so that differences between sides are surer than the "
        "thickness.",
        inputs=("host phase", "rim phase"),
        unit="µm",
        drawn=False,
        figure="rose of mean rim thickness; up minus down, grain by grain",
    ),
)
