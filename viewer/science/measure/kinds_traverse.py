"""Kinds that follow values along a line or into grains."""

from __future__ import annotations

from viewer.science.measure.kind import Kind

_TREND = (
    "Künsch 1989, The jackknife and the bootstrap for general stationary observations, "
    "doi:10.1214/aos/1176347265 (blocks)",
    "Politis and White 2004, Automatic block-length selection for the dependent bootstrap, "
    "doi:10.1081/ETC-120028836",
    "Patterson and Thompson 1971, Recovery of inter-block information when block sizes are unequal, "
    "doi:10.1093/biomet/58.3.545 (restricted likelihood of the correlation)",
    "Sen 1968, Estimates of the regression coefficient based on Kendall's tau, "
    "doi:10.1080/01621459.1968.10480934 (Theil-Sen slope)",
    "Mann 1945, Nonparametric tests against trend, doi:10.2307/1907187",
    "Yue and Wang 2004, The Mann-Kendall test modified by effective sample size, "
    "doi:10.1023/B:WARM.0000043140.61082.60 (correlated values)",
    "Schuirmann 1987, A comparison of the two one-sided tests procedure and the power approach, "
    "doi:10.1007/BF01068419 (equivalence)",
)

TRAVERSES = (
    Kind(
        name="traverse",
        title="Traverse",
        question="How do composition and modes change along this line, or is there no change?",
        method="Mean, median and quantiles across a line with a width, at even steps along it; "
        "standard errors take correlation between pixels into account. Slope with a "
        "block-bootstrap interval, Theil-Sen and Mann-Kendall beside it; step at a contact; "
        "equivalence by two one-sided tests.",
        sources=_TREND,
        caution="«No significant change» is no proof that there is none: state the largest change "
        "that would matter, and see whether the equivalence test excludes it. Where the line crosses "
        "several units its trend is that of their order, and its interval is wide. "
        "On a face that cuts a layer obliquely distances across it are longer than in the rock.",
        inputs=("traverse", "channels, derived layers or phases"),
        unit="",
        drawn=False,
        figure="values along the traverse",
    ),
    Kind(
        name="zoning",
        title="Zoning from core to rim",
        question="How does composition change from the core of grains to their rims?",
        method="Values by depth within a grain, from its core (deepest) to its rim, grain by grain and "
        "averaged over grains with an interval between grains; rim minus core; turns counted where "
        "moves stand above the noise within the grain (Tukey-Kramer). Grains that touch are parted at "
        "narrow necks; pixels along edges and inclusions are left out.",
        sources=(
            "Kramer 1956, Extension of multiple range tests to group means with unequal numbers of "
            "replications, doi:10.2307/3001469 (from memory)",
            "Vincent and Soille 1991, Watersheds in digital spaces, doi:10.1109/34.87344 (necks)",
            "Wilson 1927, Probable inference, the law of succession, and statistical inference, "
            "doi:10.1080/01621459.1927.10502953 (shares of grains)",
        ),
        caution="A grain cut off its middle shows less of its core: the innermost values are those "
        "of the grains' cut middles, and zoning looks weaker than it is. Grains that touch along a "
        "side are one. Rims thinner than two pixels are left out with the edge.",
        inputs=("phase", "channel or derived layer"),
        unit="",
        drawn=False,
        figure="profile from core to rim",
    ),
)
