"""Kinds that are read off a mark of a few points."""

from __future__ import annotations

from viewer.science.measure.kind import Kind

_GUM = (
    "JCGM 100:2008, Evaluation of measurement data: Guide to the expression of uncertainty in "
    "measurement, 4.3.7 (rectangular distribution), 5.1.2 (propagation)"
)
_PLANE = (
    "JCGM 102:2011, Evaluation of measurement data: Supplement 2 to the Guide, 6.2 (propagation of a "
    "covariance; an end snapped to an edge is known unlike along the snap and along the edge)"
)
_BIAS = (
    "Gudbjartsson and Patz 1995, The Rician distribution of noisy MRI data, "
    "doi:10.1002/mrm.1910340618 (correction of a length between uncertain ends)"
)
CUT = (
    "On a cut face lengths are apparent: a body met obliquely looks longer than it is across, and "
    "a grain cut off its middle looks smaller."
)

RULERS = (
    Kind(
        name="distance",
        title="Distance",
        question="How far is it from here to there?",
        method="Straight distance between two points, corrected for what misplaced ends add.",
        sources=(_GUM, _PLANE, _BIAS),
        caution="Ends snap along the ruler. Where it meets an edge more obliquely than 45 degrees a "
        "snapped end is less sure than one placed by hand, and the interval widens. " + CUT,
        inputs=("end", "end"),
        unit="µm",
    ),
    Kind(
        name="polyline",
        title="Length of a line",
        question="How long is this line?",
        method="Sum of the straight segments between two or more points, corrected for what "
        "misplaced points add.",
        sources=(_GUM, _PLANE, _BIAS),
        caution="A curve drawn with few points is cut short. The length of a rough line grows with "
        "the detail that is followed; compare only lines drawn alike.",
        inputs=("point", "point", "further points"),
        unit="µm",
    ),
    Kind(
        name="angle",
        title="Angle",
        question="At what angle do these two lines meet?",
        method="Angle at a vertex between two arms, 0 to 180 degrees.",
        sources=(_GUM, _PLANE),
        caution="On a cut face this is the apparent angle between the traces of two planes, not "
        "the angle between the planes.",
        inputs=("end of one arm", "vertex", "end of the other arm"),
        unit="°",
    ),
    Kind(
        name="perpendicular",
        title="Distance from a line",
        question="How far is this point from that line?",
        method="Distance from a point to the straight line through two points, prolonged.",
        sources=(_GUM, _PLANE),
        caution="Far beyond the line's own ends the result rests on its direction, and the "
        "interval widens. " + CUT,
        inputs=("line's start", "line's end", "point"),
        unit="µm",
    ),
    Kind(
        name="thickness",
        title="Thickness",
        question="How thick is this layer, and how much does that vary?",
        method="Distance between two drawn lines along normals to their mid-line at even spacing: "
        "mean, smallest, largest, standard deviation and number of stations.",
        sources=(_GUM, _PLANE),
        caution="The interval is about the mean of the stretch drawn, not about the layer "
        "elsewhere. On a face that does not cut the layer at right angles the thickness is "
        "apparent, and larger than the true one.",
        inputs=("first line", "second line"),
        unit="µm",
    ),
)
