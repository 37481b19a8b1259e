"""Sharpness and gradient on the desk: what is laid out, and what is refused."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.desk.measures.steps import MAP, PHANTOM, ROCK, draw, project, sort
from viewer.desk.desk import Desk
from viewer.desk.measures import run
from viewer.desk.measures.files import write_result
from viewer.desk.measures.keep import add_to_ledger, plain
from viewer.errors import InputError
from viewer.plates.chart import Chart, Strip
from viewer.science.look.orient import Orientation
from viewer.store.documents import Line, MapSetup
from viewer.store.requests import GradientRequest, SharpnessRequest

TRUTH = 2.5631031 * ROCK.sigma
SHARPNESS = SharpnessRequest(line="seam top", layer="Cr")


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return project(tmp_path_factory.mktemp("step"))


@pytest.fixture
def step_desk(file: Path, tmp_path: Path) -> Iterator[Desk]:
    path = tmp_path / "step.maps.h5"
    path.write_bytes(file.read_bytes())
    with Desk.open(path, inline=True) as desk:
        draw(desk)
        yield desk


def test_the_width_holds_the_truth(step_desk: Desk) -> None:
    found = run(step_desk, MAP, SHARPNESS)
    answer, lower, step = found.findings
    assert answer.name == "10-90 % width"
    assert answer.value == pytest.approx(TRUTH, rel=0.15)
    assert answer.low is not None
    assert answer.high is not None
    assert answer.low < TRUTH < answer.high
    assert lower.value == pytest.approx(answer.value * 2 / 2.5631031)
    assert abs(step.value or 0) == pytest.approx(82, rel=0.1)
    assert "95 % interval" in answer.uncertainty
    assert "No beam was taken off" in found.method
    assert found.subject == "Cr across Seam top"


def test_tables_figures_and_overlay(step_desk: Desk, tmp_path: Path) -> None:
    found = run(step_desk, MAP, SHARPNESS)
    assert [t.name for t in found.tables] == ["profile", "local", "contact"]
    assert all(len(t.header) == len(row) for t in found.tables for row in t.rows)
    assert len(write_result(tmp_path, found, ())) == 4
    profile, local, picture = found.figures
    assert isinstance(profile, Chart)
    assert isinstance(local, Chart)
    assert isinstance(picture, Strip)
    assert np.isfinite(picture.pixels).mean() > 0.95
    overlay = found.overlay
    assert overlay is not None
    followed = np.concatenate([s.points for s in overlay.shapes])
    truth = np.interp(followed[:, 0], PHANTOM.line[:, 0], PHANTOM.line[:, 1])
    assert np.median(np.abs(followed[:, 1] - truth)) < ROCK.pixel_um[1]
    assert plain(found)["findings"][0]["unit"] == "µm"
    assert len(add_to_ledger(step_desk, found)) == 3


def test_the_beam_is_taken_off_and_said(step_desk: Desk) -> None:
    whole = run(step_desk, MAP, SHARPNESS)
    found = run(step_desk, MAP, SharpnessRequest(line="Seam top", layer="Cr", beam_um=60.0))
    beam = 60.0 / 2.3548
    expected = math.sqrt((whole.findings[0].value or 0) ** 2 - (2.5631031 * beam) ** 2)
    assert found.findings[0].value == pytest.approx(expected, rel=1e-3)
    assert "60 µm full width at half maximum" in found.method


def test_positive_is_towards_way_up_where_it_is_known(step_desk: Desk) -> None:
    desk = step_desk
    unknown = run(desk, MAP, SHARPNESS)
    for way_up, sign in ((0.0, 1.0), (180.0, -1.0)):
        desk.set_setup("Up", MAP, MapSetup(orientation=Orientation(way_up_deg=way_up)))
        found = run(desk, MAP, SHARPNESS)
        assert np.sign(found.findings[2].value or 0) == sign
        assert isinstance(found.figures[0], Chart)
        assert "towards way-up" in found.figures[0].x.label
        assert found.findings[0].value == pytest.approx(unknown.findings[0].value, rel=0.05)
    assert isinstance(unknown.figures[0], Chart)
    assert "left of its drawing" in unknown.figures[0].x.label


def test_another_contact_limits_the_reach(step_desk: Desk) -> None:
    y = PHANTOM.place + 200.0
    other = Line(id="o", map=MAP, name="Floor", kind="contact", points=((40.0, y), (5900.0, y)))
    draw(step_desk, other)
    found = run(step_desk, MAP, SHARPNESS)
    assert found.findings[0].detail["reach_um"] < 200
    assert "Floor" in found.method
    assert any("hardly come to rest" in r for r in found.remarks)


def test_ground_outside_the_outline_is_left_out_and_counted(step_desk: Desk) -> None:
    corners = ((0.0, 0.0), (4000.0, 0.0), (4000.0, 2700.0), (0.0, 2700.0))
    step_desk.set_setup("Outline", MAP, MapSetup(outline=(corners,)))
    found = run(step_desk, MAP, SHARPNESS)
    assert "masked or outside" in found.findings[0].excluded
    assert found.findings[0].value == pytest.approx(TRUTH, rel=0.2)


def test_gradient_in_grains(step_desk: Desk) -> None:
    sort(step_desk)
    found = run(step_desk, MAP, GradientRequest(line="Seam top", phase="bright"))
    width, grains, change = found.findings
    assert width.low is not None
    assert width.high is not None
    assert width.low < TRUTH < width.high
    assert grains.value == pytest.approx((width.value or 0) / (width.detail["chord_um"] or 1))
    assert abs(change.value or 0) == pytest.approx(100, rel=0.1)
    assert change.unit == "area %"
    assert found.tables[0].header[1] == "share_percent"


def test_what_is_not_there_is_refused(step_desk: Desk) -> None:
    with pytest.raises(InputError, match="no contact «Base»"):
        run(step_desk, MAP, SharpnessRequest(line="Base", layer="Cr"))
    with pytest.raises(InputError, match="Zr"):
        run(step_desk, MAP, SharpnessRequest(line="Seam top", layer="Zr"))
    with pytest.raises(InputError, match="not been sorted"):
        run(step_desk, MAP, GradientRequest(line="Seam top", phase="Bright"))
    sort(step_desk)
    with pytest.raises(InputError, match="no phase «Zircon»"):
        run(step_desk, MAP, GradientRequest(line="Seam top", phase="Zircon"))


def test_contacts_that_cannot_be_measured_are_refused(step_desk: Desk) -> None:
    draw(
        step_desk,
        Line(id="s", map=MAP, name="Short", kind="contact", points=((100.0, 900.0), (160.0, 900.0))),
        Line(id="o", map=MAP, name="Off", kind="contact", points=((9e4, 900.0), (9.9e4, 900.0))),
    )
    with pytest.raises(InputError, match="pixels long"):
        run(step_desk, MAP, SharpnessRequest(line="Short", layer="Cr"))
    with pytest.raises(InputError, match="off the map"):
        run(step_desk, MAP, SharpnessRequest(line="Off", layer="Cr"))
