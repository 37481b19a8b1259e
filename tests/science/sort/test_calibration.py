"""From counts to weight per cent and back, with errors that mean what they say."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from viewer.errors import InputError
from viewer.science.sort.calibration import Calibration, CalibrationLine, Standard, calibrate
from viewer.science.sort.detection import detection
from viewer.science.sort.line_fit import fit_line


def standards(*points: tuple[float, float], pixels: int = 400) -> tuple[Standard, ...]:
    return tuple(Standard(counts=c, percent=p, pixels=pixels) for p, c in points)


def line(*points: tuple[float, float], **how: Any) -> CalibrationLine:
    return calibrate(Calibration(standards=standards(*points), **how))


def test_exact_points_give_the_line_back() -> None:
    found = line((0.0, 12.0), (2.0, 72.0), (5.0, 162.0))
    assert found.blank == pytest.approx(12.0)
    assert found.sensitivity == pytest.approx(30.0)
    assert found.percent(162.0) == pytest.approx(5.0)
    assert found.counts(1.0) == pytest.approx(42.0)
    assert found.widened == 1.0
    assert found.range == (0.0, 5.0)


def test_errors_are_those_of_the_scatter_over_many_runs() -> None:
    # Counted anew again and again: the spread of the slopes, of the blanks and of a predicted weight
    # per cent is the standard error stated each time, and the reduced chi² is 1 on average.
    rng = np.random.default_rng(4)
    percents = np.array([0.0, 1.0, 3.0, 6.8])
    known = np.array([0.0, 0.02, 0.05, 0.1])
    runs = []
    for _ in range(400):
        points = tuple(
            Standard(
                counts=float(rng.poisson((15 + 40 * p) * 50)) / 50,
                pixels=50,
                percent=max(0.0, float(rng.normal(p, e))),
                percent_error=float(e),
            )
            for p, e in zip(percents, known, strict=True)
        )
        runs.append(calibrate(Calibration(standards=points)))
    for value, error in (
        ([r.sensitivity for r in runs], [r.fit.slope_error for r in runs]),
        ([r.blank for r in runs], [r.fit.intercept_error for r in runs]),
    ):
        assert np.std(value) == pytest.approx(np.mean(error), rel=0.12)
    predicted = [float(r.percent(215.0)) for r in runs]
    stated = [float(r.percent_error(215.0)) / r.widened for r in runs]
    assert np.mean(predicted) == pytest.approx(5.0, abs=0.02)
    assert np.std(predicted) == pytest.approx(np.mean(stated), rel=0.12)
    assert np.mean([r.fit.reduced_chi2 for r in runs]) == pytest.approx(1.0, abs=0.15)


def test_points_that_scatter_widen_the_errors_and_are_told_of() -> None:
    found = line((0.0, 12.0), (2.0, 90.0), (5.0, 140.0), (6.0, 260.0))
    assert found.widened > 3
    assert found.sensitivity_error == pytest.approx(found.widened * found.fit.slope_error)
    assert any("scatter more" in words for words in found.cautions())


def test_equal_weights_take_the_errors_from_the_scatter() -> None:
    points = [(0.0, 10.0), (1.0, 42.0), (2.0, 69.0), (4.0, 131.0), (6.0, 188.0)]
    found = line(*points, weights="equal")
    x, y = np.array(points).T
    (slope, blank), covariance = np.polyfit(x, y, 1, cov=True)
    assert (found.sensitivity, found.blank) == pytest.approx((slope, blank))
    assert found.covariance == pytest.approx(covariance[0, 1])
    low, high = found.band(3.0)
    from statsmodels import api as sm

    other = sm.OLS(y, sm.add_constant(x)).fit().get_prediction([[1.0, 3.0]]).conf_int()[0]
    assert (float(low), float(high)) == pytest.approx(tuple(other))


def test_chlorine_of_apatite() -> None:
    # Common practice: apatite of late pockets holds 4 to 5 % Cl where ideal chlorapatite holds 6.81.
    # A line through zero at the ideal composition, and one with a blank, agree where there is none.
    ideal = Standard(label="chlorapatite", counts=204.3, percent=6.81, pixels=900)
    through = calibrate(Calibration(standards=(ideal,), line="zero"))
    assert float(through.percent(135.0)) == pytest.approx(4.5)
    assert 4 < float(through.percent(135.0)) < 5
    assert not through.outside(4.5)
    assert through.outside(7.0)
    assert any("nothing checks its fit" in words for words in through.cautions())


def test_one_pixel_and_a_mean() -> None:
    found = line((0.0, 16.0), (5.0, 216.0))
    assert found.detection_percent() == pytest.approx(detection(16.0).limit / 40.0)
    assert found.detection_percent(100) < found.detection_percent() / 9
    known = line((0.0, 16.0), (5.0, 216.0), convention="known")
    assert known.detection_percent() < found.detection_percent()


def test_a_point_left_out_is_not_in_the_line() -> None:
    good = standards((0.0, 10.0), (2.0, 70.0), (5.0, 160.0))
    bad = Standard(counts=9000.0, percent=1.0, used=False)
    assert calibrate(Calibration(standards=(*good, bad))).sensitivity == pytest.approx(30.0)


def test_outside_the_points() -> None:
    found = line((1.0, 40.0), (5.0, 160.0))
    assert found.outside(0.5)
    assert found.outside(5.1)
    assert not found.outside(3.0)
    words = " ".join(found.cautions())
    assert "begin at 1 %" in words
    assert "Above 5 %" in words


def test_counts_that_no_error_is_stated_for_are_poisson() -> None:
    assert Standard(counts=100.0, pixels=25, percent=1.0).error == pytest.approx(2.0)
    assert Standard(counts=0.0, pixels=25, percent=0.0).error == pytest.approx(1 / 25)
    assert Standard(counts=100.0, counts_error=3.0, percent=1.0).error == 3.0


@pytest.mark.parametrize(
    ("points", "how", "said"),
    [
        ((), {}, "two reference points"),
        (((1.0, 5.0),), {}, "two reference points"),
        (((1.0, 5.0), (1.0, 7.0)), {}, "two reference points"),
        ((), {"line": "zero"}, "needs a reference point"),
        (((0.0, 5.0),), {"line": "zero"}, "away from zero"),
        (((0.0, 50.0), (3.0, 5.0)), {}, "do not rise"),
    ],
)
def test_what_makes_no_line(
    points: tuple[tuple[float, float], ...], how: dict[str, str], said: str
) -> None:
    with pytest.raises(InputError, match=said):
        line(*points, **how)


@pytest.mark.parametrize(
    ("point", "said"),
    [
        ({"counts": math.nan, "percent": 1.0}, "not a number"),
        ({"counts": 1.0, "percent": 101.0}, "between 0 and 100"),
        ({"counts": 1.0, "percent": math.nan}, "between 0 and 100"),
        ({"counts": 1.0, "percent": 1.0, "counts_error": -1.0}, "0 or more"),
        ({"counts": 1.0, "percent": 1.0, "pixels": 0}, "1 pixel or more"),
    ],
)
def test_points_that_cannot_be(point: dict[str, float], said: str) -> None:
    with pytest.raises(InputError, match=said):
        Standard(**point)  # type: ignore[arg-type]


def test_a_blank_below_zero_has_no_limit() -> None:
    with pytest.raises(InputError, match="0 counts or more"):
        detection(-1.0)


def test_errors_for_some_points_only() -> None:
    with pytest.raises(InputError, match="others have none"):
        fit_line([0, 1, 2], [0, 1, 2], None, [1, 0, 1])
