"""Matrices of colour-vision deficiency against what is published."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.science.look.vision import DEFICIENCIES, matrix

# Machado, Oliveira and Fernandes 2009, doi:10.1109/TVCG.2009.113: severity 1.0, as the R package
# prismatic 1.1 states them (R/color-blindness.R), and severity 0.5 as colour-science 0.4.7 does.
PUBLISHED = {
    ("protan", 1.0): [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    ("deutan", 1.0): [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    ("tritan", 1.0): [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
    ("deutan", 0.5): [
        [0.547494, 0.607765, -0.155259],
        [0.181692, 0.781742, 0.036566],
        [-0.010410, 0.027275, 0.983136],
    ],
}


@pytest.mark.parametrize("which", PUBLISHED, ids=str)
def test_published_matrices(which):
    np.testing.assert_array_equal(matrix(*which), PUBLISHED[which])


@pytest.mark.parametrize("vision", [*DEFICIENCIES, "grey", "none"])
def test_rows_sum_to_one_at_every_severity(vision):
    for severity in np.linspace(0, 1, 21):
        # Six digits are printed of each of three numbers.
        np.testing.assert_allclose(matrix(vision, severity).sum(axis=1), 1.0, atol=2e-6)


@pytest.mark.parametrize("vision", DEFICIENCIES)
def test_a_missing_cone_leaves_two_dimensions_about(vision):
    # A dichromat's colours lie near a surface: the least singular value of the matrix is small.
    whole = np.linalg.svd(matrix(vision), compute_uv=False)
    assert whole[2] < 0.12 * whole[0]
