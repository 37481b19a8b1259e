"""The form of each kind of measurement, and how the kinds are grouped."""

from __future__ import annotations

from viewer.panels.measure.form import RequestForm
from viewer.panels.measure.form_contact import ContactForm
from viewer.panels.measure.form_gradient import GradientForm
from viewer.panels.measure.form_layer_thickness import LayerThicknessForm
from viewer.panels.measure.form_local_thickness import LocalThicknessForm
from viewer.panels.measure.form_rims import RimsForm
from viewer.panels.measure.form_sharpness import SharpnessForm
from viewer.panels.measure.form_traverse import TraverseForm
from viewer.panels.measure.form_undulation import UndulationForm
from viewer.panels.measure.form_zoning import ZoningForm

FORMS: dict[str, type[RequestForm]] = {
    form.kind: form
    for form in (
        ContactForm,
        SharpnessForm,
        GradientForm,
        UndulationForm,
        LayerThicknessForm,
        LocalThicknessForm,
        RimsForm,
        TraverseForm,
        ZoningForm,
    )
}
"""Form of each kind that is asked for by a request."""

GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Contact", ("contact", "sharpness", "gradient", "undulation")),
    ("Thickness", ("layer-thickness", "local-thickness")),
    ("Rims", ("rims",)),
    ("Traverse", ("traverse",)),
    ("Zoning", ("zoning",)),
)
"""Kinds under the words that the list has for them."""
