from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from viewer.science.kernels import blend as kernels
from viewer.science.look.blend import (
    blend,
    blend_rgb,
    colour_lut,
    light,
    lit_between,
    paint,
    paint_over,
)
from viewer.science.look.colour import colour_map
from viewer.science.look.stretch import Stretch, lut

SHAPE = (23, 31)


def some(seed=0, dtype=np.uint16, shape=SHAPE):
    rng = np.random.default_rng(seed)
    size = 1 << (8 * np.dtype(dtype).itemsize)
    codes = [rng.integers(0, size, shape, dtype=dtype) for _ in range(3)]
    tables = [rng.integers(0, 256, size).astype(np.uint8) for _ in range(3)]
    return codes, tables, rng.random(shape) < 0.5


def picture(shape=SHAPE):
    return np.zeros((*shape, 4), np.uint8)


@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from([np.uint8, np.uint16]),
    st.tuples(st.integers(1, 30), st.integers(1, 30)),
)
@settings(deadline=None, max_examples=25)
def test_kernels_equal_their_plain_twins(seed, dtype, shape):
    (r, g, b), tables, mask = some(seed, dtype, shape)
    stacked = np.stack(tables)
    dim = stacked // 3
    words = np.random.default_rng(seed).integers(0, 2**32, stacked.shape[1], dtype=np.uint32)
    for name, args in {
        "blend": (r, g, b, stacked),
        "blend_masked": (r, g, b, stacked, dim, mask),
        "paint": (r, words),
        "paint_masked": (r, words, words[::-1].copy(), mask),
    }.items():
        one, other = np.zeros(shape, np.uint32), np.ones(shape, np.uint32)
        getattr(kernels, name)(*args, one)
        getattr(kernels, f"{name}_plain")(*args, other)
        np.testing.assert_array_equal(one, other, err_msg=name)
    for table in (stacked, stacked.astype(np.uint16) * 257):
        one, other = np.zeros((*shape, 3), table.dtype), np.ones((*shape, 3), table.dtype)
        kernels.blend_rgb(r, g, b, table, one)
        kernels.blend_rgb_plain(r, g, b, table, other)
        np.testing.assert_array_equal(one, other)
    lit = (np.arange(stacked.shape[1]) % 3 == 0).astype(np.uint8)
    for cover in (0, 100, 255):
        one = words.view(np.uint8)[: r.size].repeat(4).reshape(*shape, 4).copy()
        other = one.copy()
        kernels.light(r, lit, np.array([1, 200, 30, 255], np.uint8), cover, one)
        kernels.light_plain(r, lit, np.array([1, 200, 30, 255], np.uint8), cover, other)
        np.testing.assert_array_equal(one, other)
        colours = words.view(np.uint8).reshape(-1, 4)
        kernels.paint_over(r, colours, cover, one)
        kernels.paint_over_plain(r, colours, cover, other)
        np.testing.assert_array_equal(one, other)


def test_a_composite_lays_out_blue_green_red_opaque():
    codes = [np.full((1, 1), v, np.uint8) for v in (10, 20, 30)]
    tables = [np.arange(256, dtype=np.uint8)] * 3
    np.testing.assert_array_equal(blend(codes, tables, picture((1, 1)))[0, 0], [30, 20, 10, 255])


@pytest.mark.parametrize("masked", [False, True])
def test_the_exported_pixels_equal_the_screens(masked):
    codes, tables, mask = some()
    chosen = mask if masked else None
    screen = blend(codes, tables, picture(), chosen, dim=0.4)
    export = blend_rgb(codes, tables, np.zeros((*SHAPE, 3), np.uint8), chosen, dim=0.4)
    np.testing.assert_array_equal(screen[..., 2::-1], export)


def test_sixteen_bit_export_holds_the_tables_numbers():
    codes, _, _ = some()
    table = lut(np.arange(65536.0), Stretch(low=100, high=60_000, by="value", curve="asinh"), 16)
    out = blend_rgb(codes, [table] * 3, np.zeros((*SHAPE, 3), np.uint16))
    np.testing.assert_array_equal(out[..., 1], table[codes[1]])
    grey = blend_rgb(codes[:1], [table], np.zeros((*SHAPE, 3), np.uint16))
    np.testing.assert_array_equal(grey, np.repeat(table[codes[0]][..., None], 3, axis=2))


def test_sixteen_bit_tables_are_rounded_for_the_screen():
    codes, _, _ = some()
    table = np.arange(65536, dtype=np.uint16)
    screen = blend(codes, [table] * 3, picture())
    np.testing.assert_array_equal(screen[..., 2], np.floor(codes[0] / 257.0 + 0.5))


def test_colours_left_out_are_black_and_types_may_differ():
    codes, tables, _ = some()
    small = (codes[1] >> 8).astype(np.uint8)
    screen = blend((codes[0], small, None), (tables[0], tables[1][:256], None), picture())
    np.testing.assert_array_equal(screen[..., 2], tables[0][codes[0]])
    np.testing.assert_array_equal(screen[..., 1], tables[1][:256][small])
    assert not screen[..., 0].any()
    assert not blend((None,) * 3, (None,) * 3, picture())[..., :3].any()


def test_pixels_outside_are_dimmed():
    codes, tables, mask = some()
    whole = blend(codes, tables, picture())
    half = blend(codes, tables, picture(), mask, dim=0.5)
    np.testing.assert_array_equal(half[mask], whole[mask])
    np.testing.assert_array_equal(
        half[~mask][:, :3], np.floor(whole[~mask][:, :3] * 0.5 + 0.5).astype(np.uint8)
    )
    assert (half[..., 3] == 255).all()


def test_one_layer_is_grey_or_in_colour():
    codes, tables, mask = some()
    grey = blend(codes[:1], tables[:1], picture())
    assert (grey[..., 0] == grey[..., 1]).all()
    assert (grey[..., 2] == tables[0][codes[0]]).all()
    colours = colour_map("ember")
    out = paint(codes[0], colour_lut(tables[0], colours), picture(), mask, dim=0.0)
    np.testing.assert_array_equal(out[mask][:, 2::-1], colours[tables[0][codes[0]]][mask])
    assert not out[~mask][:, :3].any()


def test_lighting_a_range():
    codes = np.arange(256, dtype=np.uint8).reshape(16, 16)
    values = np.arange(256.0)
    values[7] = np.nan
    out = picture((16, 16))
    light(codes, lit_between(values, 5, 9), out, (250, 10, 20))
    lit = np.flatnonzero(out[..., 3].ravel())
    np.testing.assert_array_equal(lit, [5, 6, 8, 9])
    np.testing.assert_array_equal(out.reshape(-1, 4)[5], [20, 10, 250, 255])
    half = np.full((16, 16, 4), 100, np.uint8)
    light(codes, lit_between(values, 5, 9), half, (200, 200, 200), cover=0.5)
    assert abs(int(half.reshape(-1, 4)[5, 0]) - 150) <= 1


def test_a_class_image_laid_wholly_over_a_picture_hides_it():
    codes, _, _ = some(dtype=np.uint8)
    colours = np.random.default_rng(1).integers(0, 256, (256, 4), dtype=np.uint8)
    under = np.random.default_rng(2).integers(0, 256, (*SHAPE, 4), dtype=np.uint8)
    np.testing.assert_array_equal(paint_over(codes[0], colours, under.copy(), 1.0), colours[codes[0]])
    np.testing.assert_array_equal(paint_over(codes[0], colours, under.copy(), 0.0), under)


def test_arrays_that_do_not_go_together_are_refused():
    codes, tables, mask = some()
    for wrong in (
        lambda: blend(codes[:2], tables[:2], picture()),
        lambda: blend(codes, [t[:256] for t in tables], picture()),
        lambda: blend(codes, tables, picture((5, 5))),
        lambda: blend([c.astype(np.int32) for c in codes], tables, picture()),
        lambda: blend(codes, [t.astype(float) for t in tables], picture()),
        lambda: blend(codes, tables, np.zeros((*SHAPE, 3), np.uint8)),
        lambda: blend(codes, tables, picture(), mask[:3]),
        lambda: blend((None,), (tables[0],), picture()),
        lambda: blend_rgb(codes, tables, np.zeros((*SHAPE, 3), np.uint16)),
        lambda: blend_rgb(codes, tables, np.zeros((*SHAPE, 4), np.uint8)),
        lambda: paint(codes[0], np.zeros((256, 4), np.uint8), picture()),
        lambda: paint(codes[0], np.zeros((65536, 3), np.uint8), picture()),
        lambda: paint_over(codes[0], np.zeros((256, 4), np.uint8), picture(), 0.5),
        lambda: light(codes[0], np.zeros(256, bool), picture(), (1, 2, 3)),
    ):
        with pytest.raises(ValueError):
            wrong()


def test_views_that_are_not_contiguous_are_blended_alike():
    codes, tables, _ = some(shape=(46, 62))
    views = [c[::2, ::2] for c in codes]
    np.testing.assert_array_equal(
        blend(views, tables, picture()), blend([v.copy() for v in views], tables, picture())
    )
