"""Kinds that follow values along a line or into grains."""

from __future__ import annotations

from viewer.science.measure.kind import Kind

TRAVERSES = (
    Kind(
        name="traverse",
        title="Traverse",
        question="How do composition and modes change along this line, or is there no change?",
        method="Mean, median and quantiles across a line with a width, at even steps along it; "
        "standard errors take correlation between pixels into account. Slope with a "
        "block-bootstrap interval, Theil-Sen and Mann-Kendall beside it; step at a contact; "
        "equivalence by two one-sided tests.",
        sources=(),
        caution="«No significant change» is no proof that there is none: state the largest change "
        "that would matter, and see whether the equivalence test excludes it.",
        inputs=("traverse", "channels, derived layers or phases"),
        unit="",
        drawn=False,
        figure="values along the traverse",
    ),
    Kind(
        name="zoning",
        title="Zoning from core to rim",
        question="How does composition change from the core of grains to their rims?",
        method="Values by normalised distance from the grain's edge, grain by grain and averaged "
        "over grains; extrema counted where their prominence stands above the noise.",
        sources=(),
        caution="A grain cut off its middle shows less of its core: the innermost values are those "
        "of the grains' cut middles.",
        inputs=("phase", "channel or derived layer"),
        unit="",
        drawn=False,
        figure="profile from core to rim",
    ),
)
