"""Counts: Poisson noise, composition, drift and planted faults."""

import numpy as np
import pytest

from demo_maps import minerals as m
from demo_maps.counts import (
    CHANNELS,
    Channel,
    Defect,
    Drift,
    defects_of_face_b,
    expected_counts,
    mass_share,
    measure,
)
from viewer.science.sort.formulas import mean_atomic_number, weight_percent

STEADY = Drift(loss=0.0, ripple=0.0)
BY_ELEMENT = {c.element: c for c in CHANNELS}


def sheet(phase: int, mix: float, shape: tuple[int, int] = (300, 400)) -> tuple:
    label = np.full(shape, phase, np.uint8)
    return label, mass_share(label, np.full(shape, mix, np.float32))


@pytest.mark.parametrize(
    ("element", "phase", "mix"),
    [("Al", m.PLAGIOCLASE, 0.7), ("Cr", m.CHROMITE, 0.2), ("Ni", m.QUARTZ, 0.0)],
)
def test_a_homogeneous_phase_counts_as_poisson(element: str, phase: int, mix: float) -> None:
    channel = BY_ELEMENT[element]
    label, share = sheet(phase, mix)
    counts = measure(channel, label, share, np.random.default_rng(1), drift=STEADY).astype(float)
    expected = channel.per_percent * m.PHASES[phase].composition(mix).get(element, 0.0)
    expected += channel.background * (
        mean_atomic_number(m.PHASES[phase].composition(mix))
        / mean_atomic_number(m.PHASES[m.PLAGIOCLASE].composition())
    )
    n = counts.size
    # Four standard errors of the mean, and of the variance of a Poisson variable.
    assert abs(counts.mean() - expected) < 4 * np.sqrt(expected / n)
    assert abs(counts.var() / expected - 1) < 4 * np.sqrt((2 + 1 / expected) / n)


def test_zoning_moves_counts_between_the_end_members() -> None:
    calcium = BY_ELEMENT["Ca"]
    means = [
        float(expected_counts(calcium, *sheet(m.PLAGIOCLASE, mix, (1, 1)))[0, 0])
        for mix in (0.0, 0.66, 0.82, 1.0)
    ]
    assert means == sorted(means)
    assert means[3] - means[0] == pytest.approx(
        calcium.per_percent * weight_percent("CaAl2Si2O8")["Ca"], rel=0.02
    )


def test_zirconium_leaks_into_phosphorus() -> None:
    label, share = sheet(m.ZIRCON, 0.0, (1, 1))
    plain = sheet(m.QUARTZ, 0.0, (1, 1))
    channel = BY_ELEMENT["P"]
    leak = expected_counts(channel, label, share) - expected_counts(channel, *plain)
    assert float(leak[0, 0]) > 0.1 * channel.per_percent * 40


def test_drift_is_slow_and_small() -> None:
    factor = Drift().factor(900)
    assert factor.mean() == pytest.approx(1.0)
    assert factor[0] - factor[-1] == pytest.approx(0.022, rel=0.02)
    assert np.ptp(factor) <= 0.03
    assert np.abs(np.diff(factor)).max() < 1e-4


def test_planted_faults_show() -> None:
    label, share = sheet(m.PYRRHOTITE, 0.0)
    rows = label.shape[0]
    for defect in defects_of_face_b(rows):
        channel = Channel(defect.element, 15.0, 40.0)
        counts = measure(
            channel, label, share, np.random.default_rng(2), drift=STEADY, defects=[defect]
        )
        clean = measure(channel, label, share, np.random.default_rng(2), drift=STEADY)
        line = counts.mean(axis=1) / clean.mean()
        others = np.setdiff1d(np.arange(rows), defect.rows)
        if defect.kind == "saturated":
            assert counts.max() == defect.value
            assert (counts == defect.value).mean() > 0.5
        else:
            assert np.allclose(line[list(defect.rows)], defect.value, atol=0.05)
            assert np.allclose(line[others], 1.0, atol=0.05)


def test_a_fault_touches_only_its_own_channel() -> None:
    label, share = sheet(m.QUARTZ, 0.0, (40, 40))
    fault = Defect("K", "dead", (3,), 0.0)
    channel = BY_ELEMENT["Si"]
    with_fault, without = (
        measure(channel, label, share, np.random.default_rng(4), drift=STEADY, defects=d)
        for d in ([fault], [])
    )
    np.testing.assert_array_equal(with_fault, without)
