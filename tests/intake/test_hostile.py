"""Damaged and hostile files: whatever the bytes, the user learns which file it was.

Every kind of file is changed at random places; then it is read in full, or refused by an error
that names it. Nothing else may be raised.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Callable
from pathlib import Path

import h5py
import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from viewer.errors import GrainlightError
from viewer.intake.formats import scan

COUNTS = np.random.default_rng(0).integers(0, 60000, (40, 50), dtype=np.uint16)
BYTES = (COUNTS >> 8).astype(np.uint8)


def hdf5(path: Path) -> None:
    with h5py.File(path, "w") as file:
        group = file.create_group("entry")
        group.attrs.update({"NX_class": "NXdata", "signal": "data", "axes": ["y", "x"]})
        group.create_dataset("data", data=COUNTS, chunks=(8, 8), compression="gzip")
        for axis, size in zip("yx", COUNTS.shape, strict=True):
            group[axis] = np.arange(size) * 20.0
            group[axis].attrs["units"] = "um"


def hyperdim(path: Path) -> None:
    path.with_suffix(".hmsa").write_bytes(bytes(8) + COUNTS.tobytes())
    path.write_text(
        '<MSAHyperDimensionalDataFile Version="1.0" UID="0000000000000000"><Data>'
        '<ImageRaster Name="Fe"><DataOffset>8</DataOffset><DataLength>4000</DataLength>'
        "<DatumType>uint16</DatumType><CollectionDimensions><X>50</X><Y>40</Y>"
        "</CollectionDimensions></ImageRaster></Data></MSAHyperDimensionalDataFile>"
    )


KINDS: dict[str, Callable[[Path], object]] = {
    "plain.tif": lambda p: tifffile.imwrite(p, COUNTS),
    "tiles.tif": lambda p: tifffile.imwrite(p, COUNTS, tile=(16, 16), compression="zlib"),
    "strips.tif": lambda p: tifffile.imwrite(p, COUNTS, rowsperstrip=8, compression="lzw"),
    "big.tif": lambda p: tifffile.imwrite(p, COUNTS, bigtiff=True, byteorder=">"),
    "slab.ome.tif": lambda p: tifffile.imwrite(p, np.stack([COUNTS] * 3), metadata={"axes": "CYX"}),
    "grey.png": lambda p: Image.fromarray(BYTES).save(p),
    "deep.png": lambda p: p.write_bytes(imagecodecs.png_encode(COUNTS)),
    "grey.jpg": lambda p: Image.fromarray(BYTES).save(p),
    "grey.bmp": lambda p: Image.fromarray(BYTES).save(p),
    "a.npy": lambda p: np.save(p, COUNTS),
    "a.npz": lambda p: np.savez_compressed(p, Fe=COUNTS, stack=np.stack([COUNTS] * 2)),
    "a.csv": lambda p: np.savetxt(p, COUNTS, fmt="%d", delimiter=","),
    "a.txt": lambda p: np.savetxt(p, COUNTS[:9] * 1.5),
    "a.h5": hdf5,
    "a.xml": hyperdim,
}

EDITS = st.lists(
    st.tuples(
        st.sampled_from(["set", "ones", "zeros", "cut out", "put in", "cut short"]),
        st.floats(0, 1, exclude_max=True),
        st.sampled_from([64, 512, 10**9]),
        st.binary(min_size=1, max_size=9),
    ),
    min_size=1,
    max_size=4,
)


def damaged(content: bytes, edits: list[tuple[str, float, int, bytes]]) -> bytes:
    for kind, share, near, more in edits:
        at = int(share * min(len(content), near))
        new, gone = {
            "set": (more[:1], 1),
            "ones": (b"\xff" * 4, 4),
            "zeros": (bytes(4), 4),
            "cut out": (b"", len(more)),
            "put in": (more, 0),
            "cut short": (b"", len(content)),
        }[kind]
        content = content[:at] + new + content[at + gone :]
    return content


def refused(path: Path) -> str | None:
    """Read a file in full; what the user is told if that is refused."""
    logging.disable(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for candidate in scan([path]):
                with candidate.open() as reader:
                    for row in range(0, min(reader.shape[0], 400), 16):
                        reader.rows(row, min(row + 16, reader.shape[0]))
    except GrainlightError as error:
        return str(error)
    finally:
        logging.disable(logging.NOTSET)
    return None


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=40, deadline=None, derandomize=True,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(edits=EDITS)
def test_damaged_files(tmp_path: Path, kind: str, edits: list[tuple[str, float, int, bytes]]) -> None:
    path = tmp_path / kind
    KINDS[kind](path)
    path.write_bytes(damaged(path.read_bytes(), edits))
    refusal = refused(path)
    assert refusal is None or path.stem.split(".")[0] in refusal
