"""Figures laid out: everything on the sheet, at the place that its value says."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from tests.plates.figures import NAN, awkward, chart, histogram, ordinary, rose, strip
from viewer.plates.chart import Axis, Curve, Figure, Rule
from viewer.plates.chart_page import page_scene, page_style
from viewer.plates.figure_scene import lay_out_figure
from viewer.plates.scene import (
    CAP,
    PAPER_INK,
    Area,
    Dots,
    Picture,
    Scene,
    Segments,
    Stroke,
    Words,
    runs,
    wrapped,
)
from viewer.plates.strip_scene import grey

STYLE = page_style()
DATA = PAPER_INK.roles["data"]


def laid(figure, width=340.0, height=230.0) -> Scene:
    return lay_out_figure(figure, width, height, STYLE)


def of(scene: Scene, sort: type) -> list:
    return [item for item in scene.items if isinstance(item, sort)]


def box_of(words: Words) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of a text's capitals."""
    wide, high = STYLE.measure(words.text, words.size, words.bold), CAP * words.size
    back = {"left": 0.0, "center": 0.5, "right": 1.0}[words.align] * wide
    if words.turned:
        return words.x - high, words.y + back - wide, words.x, words.y + back
    return words.x - back, words.y - high, words.x - back + wide, words.y


@pytest.mark.parametrize("figure", [*ordinary(), *awkward()], ids=lambda f: f.name)
def test_nothing_that_is_drawn_lacks_a_place(figure):
    for item in laid(figure).items:
        if isinstance(item, Stroke | Area):
            # A break stands between two parts, never at an end and never twice.
            assert np.isnan(item.points).all(axis=1).sum() == len(runs(item.points)) - 1
            assert all(len(part) > 1 for part in runs(item.points))
        elif isinstance(item, Dots):
            assert np.isfinite(item.points).all()
        elif isinstance(item, Segments):
            assert np.isfinite(item.ends).all()
        elif isinstance(item, Words):
            assert np.isfinite([item.x, item.y]).all()


LONG = "distance from the contact, counted towards way-up along the normal of the edge that was found"


def wordy() -> list[Figure]:
    """Axes, titles and notes that say more than fits on a line."""
    axis = Axis(LONG, "µm")
    text = f"{LONG}. " * 3
    return [
        chart(
            name="wordy chart",
            x=axis,
            y=axis,
            title=LONG,
            note=text,
            curves=(*chart().curves, Curve(np.arange(3.0), np.arange(3.0), text)),
        ),
        strip(
            name="wordy strip",
            x=Axis(LONG, "mm", 0.0, 8.0),
            y=Axis(LONG, "mm", -1.5, 1.5),
            value=Axis(LONG, "counts"),
            note=text,
        ),
    ]


@pytest.mark.parametrize("figure", [*ordinary(), *wordy()], ids=lambda f: f.name)
@pytest.mark.parametrize("width_mm", [85.0, 120.0, 175.0])
def test_words_lie_on_the_sheet_and_not_on_one_another(figure, width_mm):
    scene = page_scene(figure, width_mm)
    boxes = [box_of(words) for words in of(scene, Words)]
    for left, top, right, bottom in boxes:
        assert left >= 0
        assert top >= 0
        assert right <= scene.width
        assert bottom <= scene.height
    for one, other in combinations(boxes, 2):
        apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
        assert apart


def test_no_word_is_smaller_than_journals_take():
    for figure in ordinary():
        assert min(words.size for words in of(page_scene(figure, 85.0), Words)) >= 6.0


def test_a_line_goes_through_its_points_and_breaks_where_there_are_none():
    figure = chart(x=Axis("x", "", 0.0, 9.0), y=Axis("y", "", 0.0, 10.0), rules=())
    scene = laid(figure)
    (line,) = [s for s in of(scene, Stroke) if s.clip and s.colour == DATA]
    assert [len(part) for part in runs(line.points)] == [3, 6]
    frame = scene.frame
    x, y = line.points[-1]
    assert x == pytest.approx(frame.right)
    assert y == pytest.approx(frame.bottom - 0.9 * frame.h)


def test_a_band_has_a_part_for_each_part_of_its_line():
    (band,) = [area for area in of(laid(chart(rules=())), Area) if area.clip and area.colour == DATA]
    assert [len(ring) for ring in runs(band.points)] == [6, 12]


def test_an_interval_that_reaches_far_does_not_flatten_the_data():
    x, y = np.arange(5.0), np.array([1.0, 2.0, 3.0, 2.0, 1.0])
    far = np.array([0.1, 0.1, 500.0, 0.1, 0.1])
    scene = laid(chart(curves=(Curve(x, y, "mean", y - far, y + far),), rules=()))
    (line,) = [s for s in of(scene, Stroke) if s.clip and s.colour == DATA]
    assert np.ptp(line.points[:, 1]) > 0.3 * scene.frame.h
    (band,) = [a for a in of(scene, Area) if a.clip]
    assert band.points[:, 1].min() < scene.frame.y  # it runs out of the frame, and is not cut short


def test_intervals_that_are_all_wide_are_all_in_view():
    x, y = np.arange(4.0), np.array([10.0, 10.4, 10.1, 10.2])
    curve = Curve(x, y, "mean", y - 5, y + 5, style="points")
    scene = laid(chart(curves=(curve,), rules=()))
    (bars,) = [s for s in of(scene, Segments) if s.clip]
    assert bars.ends[..., 1].min() >= scene.frame.y
    assert bars.ends[..., 1].max() <= scene.frame.bottom


def test_a_step_holds_to_the_next_x():
    curve = Curve(np.array([0.0, 1.0, 2.0]), np.array([5.0, 7.0, NAN]), style="steps")
    figure = chart(curves=(curve,), rules=(), x=Axis("x", "", 0.0, 2.0), y=Axis("y", "", 0.0, 10.0))
    scene = laid(figure)
    (line,) = [s for s in of(scene, Stroke) if s.clip]
    across = (line.points[:, 0] - scene.frame.x) / scene.frame.w * 2
    up = (scene.frame.bottom - line.points[:, 1]) / scene.frame.h * 10
    assert across == pytest.approx([0, 1, 1, 2])
    assert up == pytest.approx([5, 5, 7, 7])
    assert [scene.spots.tell(i) for i in range(2)] == ["x: 0 to 1\ny: 5", "x: 1 to 2\ny: 7"]


def test_the_last_y_of_steps_takes_no_room():
    curve = Curve(np.array([0.0, 1.0, 2.0]), np.array([5.0, 7.0, 1e6]), style="steps")
    scene = laid(chart(curves=(curve,), rules=(), y=Axis("y")))
    (line,) = [s for s in of(scene, Stroke) if s.clip]
    assert np.ptp(line.points[:, 1]) > 0.5 * scene.frame.h


def test_bars_stand_on_zero_and_are_as_tall_as_their_counts():
    scene = laid(histogram())
    bars = [area for area in of(scene, Area) if area.clip]
    heights = [float(np.ptp(bar.points[:, 1])) for bar in bars]
    assert np.array(heights) / heights[0] == pytest.approx([1.0, 2.5, 4.5])
    assert max(bar.points[:, 1].max() for bar in bars) == pytest.approx(scene.frame.bottom)


def test_words_of_rules_keep_apart_even_where_the_rules_do_not():
    rules = tuple(Rule(4.0 + 0.1 * k, label=f"contact {k}") for k in range(4))
    words = [box_of(w) for w in of(laid(chart(rules=rules)), Words) if w.text.startswith("contact")]
    assert len(words) == 4
    for one, other in combinations(words, 2):
        assert one[3] <= other[1] or other[3] <= one[1] or one[2] <= other[0] or other[2] <= one[0]


def test_words_of_a_level_rule_keep_off_the_data():
    x = np.linspace(0.0, 10.0, 60)
    curve = Curve(x, np.where(x > 5, 5.2, 2.0))
    figure = chart(
        curves=(curve,), y=Axis("y", "", 0.0, 10.0), rules=(Rule(5.0, axis="y", label="whole contact"),)
    )
    scene = laid(figure)
    (words,) = [w for w in of(scene, Words) if w.text == "whole contact"]
    left, top, right, bottom = box_of(words)
    (line,) = [s for s in of(scene, Stroke) if s.clip and s.colour == DATA]
    px, py = line.points.T
    assert not ((px > left) & (px < right) & (py > top) & (py < bottom)).any()


def test_petals_point_where_their_direction_says_and_reach_as_far_as_their_value():
    scene = laid(rose())
    frame = scene.frame
    centre = np.array([frame.x + frame.w / 2, frame.y + frame.h / 2])
    petals = [area for area in of(scene, Area) if area.colour == DATA]
    assert len(petals) == 3
    reach = [np.hypot(*(p.points - centre).T).max() / (frame.w / 2) for p in petals]
    assert reach == pytest.approx([0.8, 0.5, 0.3])
    up, right, down = (p.points.mean(axis=0) - centre for p in petals)
    assert up[1] < 0
    assert abs(up[0]) < 1e-6
    assert right[0] > 0
    assert abs(right[1]) < 1e-6
    assert down[1] > 0


def test_a_direction_without_a_value_is_marked_at_the_rim_and_is_no_petal_of_length_zero():
    scene = laid(rose())
    dashed = [stroke for stroke in of(scene, Stroke) if stroke.dashed]
    assert len(dashed) == 1
    frame = scene.frame
    assert dashed[0].points[:, 0].min() == pytest.approx(frame.x)
    words = [scene.spots.tell(i) for i in range(len(scene.spots.at))]
    assert "225° to 315° from way-up\nnothing measured\nn = 0" in words
    assert "315° to 45° from way-up\nmean thickness: 80 µm (70 to 90)\nn = 12" in words


def test_a_strips_first_row_is_the_lowest():
    figure = strip()
    pixels = grey(figure)
    assert pixels[-1, 0, 0] == 0
    assert pixels[0, -1, 0] == 255
    assert pixels[1, 2, 3] == 0  # nothing there: see-through
    scene = laid(figure)
    picture = of(scene, Picture)[0]
    assert picture.box == scene.frame


def test_a_strip_that_does_not_say_where_it_ends_counts_pixels():
    figure = strip(x=Axis("column"), y=Axis("row"), curves=(Curve(np.array([4.0]), np.array([3.0])),))
    scene = laid(figure)
    dot = next(d for d in of(scene, Dots) if d.clip)
    assert dot.points[0] == pytest.approx([scene.frame.right, scene.frame.y])


def test_the_pointer_reads_what_is_drawn():
    scene = laid(chart())
    words = [scene.spots.tell(i) for i in range(len(scene.spots.at))]
    assert "mean\ndistance: 2 mm\nCa: 4 counts (3.5 to 4.5)" in words
    assert not any("no value" in text for text in words)
    bars = laid(histogram())
    assert bars.spots.tell(1) == "up minus down: 0 to 10 µm\ngrains: 5"


def test_points_outside_stated_ends_have_nothing_to_say():
    assert len(laid(chart(y=Axis("Ca", "", 100.0, 200.0))).spots.at) == 0


def test_text_is_broken_between_words():
    lines = wrapped("one two three four", 40.0, 7.0, STYLE.measure)
    assert " ".join(lines) == "one two three four"
    assert len(lines) > 1
    assert wrapped("", 40.0, 7.0, STYLE.measure) == []
