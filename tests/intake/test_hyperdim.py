"""ISO 5820 pairs, written here by the rules that the reader's docstring states."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from viewer.errors import InputError
from viewer.intake.base import Calibration, PixelSize
from viewer.intake.formats import scan, survey

UID = "0123456789ABCDEF"
RNG = np.random.default_rng(3)

CONDITIONS = """
  <Conditions>
    <Acquisition ID="Acq0" Class="Raster/XY">
      <StepCountX DataType="uint32">7</StepCountX><StepCountY DataType="uint32">5</StepCountY>
      <StepSizeX DataType="float" Unit="\u00b5m">20</StepSizeX>
      <StepSizeY DataType="float" Unit="mm">0.01</StepSizeY>
    </Acquisition>
    <Detector ID="EDS0" Class="EDS">
      <Calibration Class="Linear"><Quantity>Energy</Quantity><Unit>eV</Unit>
        <Gain DataType="float">10.0</Gain><Offset DataType="float">-50</Offset></Calibration>
    </Detector>
    <ElementID ID="El0" Class="X-Ray"><Element DataType="uint32">26</Element>
      <Line>K\u03b11</Line></ElementID>
  </Conditions>"""


def dimensions(sizes: dict[str, int], named: bool) -> str:
    if named:
        return "".join(f'<Dimension Name="{n}">{s}</Dimension>' for n, s in sizes.items())
    return "".join(f"<{n}>{s}</{n}>" for n, s in sizes.items())


def write(
    folder: Path,
    data: bytes,
    kind: str,
    collection: dict[str, int],
    datum: dict[str, int] | None = None,
    *,
    uid: str = UID,
    conditions: str = CONDITIONS,
    named: bool = True,
    length: int | None = None,
    name: str = "Map 1",
    include: str = "",
) -> Path:
    path = folder / "slab.xml"
    path.write_text(
        f"""<?xml version="1.0" encoding="UTF-8"?>
<MSAHyperDimensionalDataFile Version="1.0" xml:lang="en-US" UID="{uid}">
  <Header><Title>slab</Title></Header>{conditions}
  <Data>
    <ImageRaster Class="2D" Name="{name}">
      {include}
      <DataOffset DataType="uint32">8</DataOffset>
      <DataLength DataType="uint32">{len(data) if length is None else length}</DataLength>
      <DatumType>{kind}</DatumType>
      <DatumDimensions>{dimensions(datum or {}, named)}</DatumDimensions>
      <CollectionDimensions>{dimensions(collection, named)}</CollectionDimensions>
    </ImageRaster>
  </Data>
</MSAHyperDimensionalDataFile>""",
        encoding="utf-8",
    )
    path.with_suffix(".hmsa").write_bytes(bytes.fromhex(UID) + data)
    return path


TYPES = {"byte": "u1", "int16": "<i2", "uint16": "<u2", "int32": "<i4", "uint32": "<u4",
         "int64": "<i8", "float": "<f4", "double": "<f8"}  # fmt: skip


@pytest.mark.parametrize("kind", TYPES)
@pytest.mark.parametrize("named", [True, False])
def test_maps_of_every_type(tmp_path: Path, kind: str, named: bool) -> None:
    data = RNG.integers(0, 100, (5, 7)).astype(TYPES[kind])
    write(tmp_path, data.tobytes(), kind, {"X": 7, "Y": 5}, named=named)
    (found,) = scan([tmp_path])  # both files of the pair are in the folder
    assert (found.name, found.element, found.line) == ("Fe", "Fe", "Ka1")
    assert found.pixel_um == PixelSize(20.0, 10.0)
    assert found.dtype == data.dtype
    assert found.companions == (tmp_path / "slab.hmsa",)
    with found.open() as reader:
        np.testing.assert_array_equal(reader.rows(1, 4), data[1:4])


def test_columns_first(tmp_path: Path) -> None:
    data = RNG.integers(0, 100, (5, 7)).astype("<u2")
    write(tmp_path, data.T.tobytes(), "uint16", {"Y": 5, "X": 7})
    (found,) = scan([tmp_path / "slab.hmsa"])
    with found.open() as reader:
        np.testing.assert_array_equal(reader.rows(0, 5), data)


def test_spectra(tmp_path: Path) -> None:
    cube = RNG.poisson(3, (5, 7, 1024)).astype("<u2")
    write(tmp_path, cube.tobytes(), "uint16", {"X": 7, "Y": 5}, {"Channel": 1024})
    found = scan([tmp_path], elements=["Si"])
    assert found[0].spectrum is not None
    assert found[1].companions == (tmp_path / "slab.hmsa",)
    assert found[0].spectrum.calibration == Calibration(-50.0, 10.0)
    energy = -50.0 + 10.0 * np.arange(1024)
    with found[0].open() as total, found[1].open() as silicon:
        np.testing.assert_array_equal(total.rows(0, 5), cube.sum(axis=2))
        near = np.abs(energy - 1739.6) <= 51.0  # 0.6 of 85 eV
        np.testing.assert_array_equal(silicon.rows(0, 5), cube[:, :, near].sum(axis=2))


def test_conditions_that_are_not_included_do_not_count(tmp_path: Path) -> None:
    data = np.zeros((5, 7), np.uint8)
    include = "<IncludeConditions><Acquisition>Acq0</Acquisition></IncludeConditions>"
    write(tmp_path, data.tobytes(), "byte", {"X": 7, "Y": 5}, include=include)
    (found,) = scan([tmp_path])
    assert found.element is None
    assert found.pixel_um is not None


def test_without_conditions(tmp_path: Path) -> None:
    write(tmp_path, bytes(35), "byte", {"X": 7, "Y": 5}, conditions="", name="Si K")
    (found,) = scan([tmp_path])
    assert (found.element, found.line, found.pixel_um) == ("Si", "K", None)


def test_pair_that_does_not_belong_together(tmp_path: Path) -> None:
    write(tmp_path, bytes(35), "byte", {"X": 7, "Y": 5}, uid="FFFFFFFFFFFFFFFF")
    with pytest.raises(InputError, match="does not belong together"):
        scan([tmp_path])
    assert len(survey([tmp_path]).refused) == 1


def test_missing_half(tmp_path: Path) -> None:
    path = write(tmp_path, bytes(35), "byte", {"X": 7, "Y": 5})
    path.with_suffix(".hmsa").unlink()
    with pytest.raises(InputError, match=r"\.hmsa file of the pair is missing"):
        scan([path])


@pytest.mark.parametrize(
    ("size", "message", "change"),
    [
        (34, "but the dimensions make 35", {}),
        (34, "cut short", {"length": 35}),
        (35, "not known", {"kind": "complex"}),
        (35, "no map in X and Y", {"collection": {"X": 7, "Z": 5}}),
        (35, "UID", {"uid": "12"}),
        (35, "length of dimension X", {"collection": {"X": -7, "Y": 5}}),
    ],
)
def test_faults(tmp_path: Path, size: int, message: str, change: dict) -> None:
    given = {"kind": "byte", "collection": {"X": 7, "Y": 5}, **change}
    write(tmp_path, bytes(size), **given)
    with pytest.raises(InputError, match=message):
        scan([tmp_path / "slab.xml"])


def test_hostile_xml(tmp_path: Path) -> None:
    path = write(tmp_path, bytes(35), "byte", {"X": 7, "Y": 5})
    text = path.read_text(encoding="utf-8")
    bomb = '<!DOCTYPE x [<!ENTITY a "aaaa">]>\n<MSAHyper'
    path.write_text(text.replace("<MSAHyper", bomb, 1), encoding="utf-8")
    with pytest.raises(InputError, match="XML cannot be read"):
        scan([path])
