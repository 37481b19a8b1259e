"""Kinds that count the sorted pixels of a region."""

from __future__ import annotations

from viewer.science.measure.kind import Kind

_SAMPLE = (
    "Matheron 1971, The theory of regionalized variables and its applications, chapter 2 (variance of "
    "a mean over a region from its covariance; from memory)",
    "Künsch 1989, The jackknife and the bootstrap for general stationary observations, "
    "doi:10.1214/aos/1176347265 (blocks)",
    "Politis and White 2004, Automatic block-length selection for the dependent bootstrap, "
    "doi:10.1081/ETC-120028836 (reach of the autocorrelation)",
    "Wilson 1927, Probable inference, the law of succession, and statistical inference, "
    "doi:10.1080/01621459.1927.10502953 (interval of a proportion)",
    "Van der Plas and Tobi 1965, A chart for judging the reliability of point counting results, "
    "doi:10.2475/ajs.263.1.87",
)
_DELESSE = (
    "Delesse 1847, Procédé mécanique pour déterminer la composition des roches (area and volume; from "
    "memory)"
)
_AREA = (
    "Area proportion is volume proportion only where the face cuts the rock at random or the rock is "
    "alike in all directions: a layered or lineated rock cut along its fabric is not. "
)

MODES = (
    Kind(
        name="mode",
        title="Mode",
        question="How much of the rock is each mineral?",
        method="Area proportion of a phase among the sorted pixels of a region. The 95 % interval is "
        "Wilson's with the effective number of independent pixels, which follows from the "
        "autocorrelation of the phase's own pixels; beside it stands what edge pixels may add or take "
        "off.",
        sources=(*_SAMPLE, _DELESSE),
        caution=_AREA + "The interval is about the rock of which the region is a fair sample, not "
        "about the region itself, whose mode is counted and doubtful only along the edges of its "
        "grains. Where the rock changes across the region, measure unit by unit.",
        inputs=("region",),
        unit="area %",
        drawn=False,
    ),
    Kind(
        name="modal-log",
        title="Modal log",
        question="How do the modes change along way-up?",
        method="Modes of bands of even height square to way-up, each with its own interval.",
        sources=(*_SAMPLE, _DELESSE),
        caution=_AREA + "In bands that are not much higher than grains are wide the modes follow "
        "single grains; their intervals are wide for that reason. Intervals of neighbouring bands are "
        "not independent, since grains lie in both.",
        inputs=("region", "height of a band"),
        unit="area %",
        drawn=False,
    ),
)
