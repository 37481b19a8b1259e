"""Every kind of measurement there is: read by the command line, the ledger and the guide.

A new measurement is a file beside this one and a row here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from viewer.errors import UsageError


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of measurement.

    Attributes
    ----------
    name : str
        As the command line and the ledger write it.
    title : str
        As the window shows it.
    question : str
        The petrologist's question that it answers.
    method : str
        How, in one or two sentences.
    sources : tuple of str
        Published sources of the method.
    caution : str
        What the number could wrongly be taken for, or when it fails.
    inputs : tuple of str
        What is placed or chosen, in order.
    unit : str
        Unit of the value.
    drawn : bool
        It is read off a mark that is drawn on the map; else off the sorted pixels of a region.
    """

    name: str
    title: str
    question: str
    method: str
    sources: tuple[str, ...]
    caution: str
    inputs: tuple[str, ...]
    unit: str
    drawn: bool = True


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
_CUT = (
    "On a cut face lengths are apparent: a body met obliquely looks longer than it is across, and "
    "a grain cut off its middle looks smaller."
)

_RULER = (
    Kind(
        name="distance",
        title="Distance",
        question="How far is it from here to there?",
        method="Straight distance between two points, corrected for what misplaced ends add.",
        sources=(_GUM, _PLANE, _BIAS),
        caution="Ends snap along the ruler. Where it meets an edge more obliquely than 45 degrees a "
        "snapped end is less sure than one placed by hand, and the interval widens. " + _CUT,
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
        "interval widens. " + _CUT,
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

_MODES = (
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

KINDS: Mapping[str, Kind] = MappingProxyType({kind.name: kind for kind in (*_RULER, *_MODES)})
"""Kinds by name, in the order in which they are listed to the user."""


def kind(name: str) -> Kind:
    """The kind called `name`.

    Raises
    ------
    UsageError
        There is none.
    """
    if name not in KINDS:
        raise UsageError(
            f"There is no measurement called {name!r}.", hint=f"There are: {', '.join(KINDS)}."
        )
    return KINDS[name]
