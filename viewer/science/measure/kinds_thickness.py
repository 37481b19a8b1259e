"""Kinds that measure how thick a layer or a phase is."""

from __future__ import annotations

from viewer.science.measure.kind import Kind
from viewer.science.measure.kinds_ruler import CUT

THICKNESSES = (
    Kind(
        name="layer-thickness",
        title="Thickness of a layer along it",
        question="How thick is this unit, where is it thickest, and does it thicken into its footwall?",
        method="Distance between two contacts along normals to their mid-line at even spacing; "
        "mean with an interval that takes in correlation along the layer, quantiles, trend along "
        "the layer and against the depth of the lower contact.",
        sources=(
            "Patterson and Thompson 1971, Recovery of inter-block information when block sizes are "
            "unequal, doi:10.1093/biomet/58.3.545 (how far stations know of each other)",
            "Künsch 1989, The jackknife and the bootstrap for general stationary observations, "
            "doi:10.1214/aos/1176347265 (blocks)",
        ),
        caution="Thickness on a face that cuts the layer obliquely is apparent, and larger than "
        "the true one: state the angle between face and layer to have it corrected.",
        inputs=("lower contact", "upper contact", "or a unit"),
        unit="µm",
        drawn=False,
        figure="thickness along the layer; thickness against depth of the lower contact",
    ),
    Kind(
        name="local-thickness",
        title="Local thickness of a phase",
        question="How thick are the pieces of this phase?",
        method="Diameter of the largest circle that holds a pixel and lies in the phase, for every "
        "pixel; distribution by area, its mean and median. Pieces that the map's edge cuts are made "
        "good by weights. The 95 % interval takes in that the pixels of a piece are alike.",
        sources=(
            "Hildebrand and Rüegsegger 1997, A new method for the model-independent assessment of "
            "thickness in three-dimensional images, doi:10.1046/j.1365-2818.1997.1340694.x",
            "Felzenszwalb and Huttenlocher 2012, Distance transforms of sampled functions, "
            "doi:10.4086/toc.2012.v008a019",
            "Baddeley and Gill 1997, Kaplan-Meier estimators of distance distributions for spatial "
            "point processes, doi:10.1214/aos/1034276629 (edges; from memory)",
            "Johnson 1978, Modified t tests and confidence intervals for asymmetrical populations, "
            "doi:10.1080/01621459.1978.10480051 (from memory)",
        ),
        caution="On a face it is that of the cut pieces, not of the bodies in the rock. It is by area: "
        "few thick pieces weigh as much as many thin ones. Grains that touch are one piece. Pieces "
        "of a few pixels are told to half a pixel at best, and the interval does not cover how pixels "
        "were sorted: blurred edges that went to the phase make all of it thicker. " + CUT,
        inputs=("phase",),
        unit="µm",
        drawn=False,
        figure="distribution of local thickness; picture",
    ),
)
