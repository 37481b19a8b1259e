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
        sources=(),
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
        "pixel.",
        sources=(
            "Hildebrand and Rüegsegger 1997, A new method for the model-independent assessment of "
            "thickness in three-dimensional images, doi:10.1046/j.1365-2818.1997.1340694.x",
        ),
        caution="On a face it is that of the cut pieces, not of the bodies in the rock. " + CUT,
        inputs=("phase",),
        unit="µm",
        drawn=False,
        figure="distribution of local thickness; picture",
    ),
)
