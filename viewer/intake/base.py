"""What a foreign file offers, and how its rows are read.

A format looks at a file's header and names the two-dimensional channels in it: the *candidates*.
Nothing but the header has been read by then. A candidate is opened later, and yields a few rows
at a time, so that a map never has to fit in memory.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, NamedTuple, Protocol, Self

import numpy as np
import numpy.typing as npt

from viewer.errors import GrainlightError, InputError

Array = npt.NDArray[Any]
DType = np.dtype[Any]

#: Pixels finer or coarser than this are a slip of a unit, not a measurement of a rock (µm).
FINEST_UM = 1e-3
COARSEST_UM = 1e5


class PixelSize(NamedTuple):
    """Edge lengths of a pixel in µm, along the columns' and the rows' direction."""

    x: float
    y: float


@dataclass(frozen=True)
class Note:
    """Something the user should know about a candidate before it is gathered."""

    kind: Literal["info", "caution"]
    text: str


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One two-dimensional channel that a file offers; nothing but its header has been read.

    Attributes
    ----------
    path : Path
        The file (for a pair of files, the one that describes the other).
    inner : str
        Where in the file: ``'page 3'``, ``'dataset /entry/data'``, ``'page 1, band 2'`` or ``''``.
    name : str
        As guessed; change it with `dataclasses.replace`.
    element, line : str or None
        ``'Fe'`` and ``'Ka1'`` or ``'K'``, where the names or metadata tell.
    shape : tuple of int
        Rows, columns.
    dtype : numpy.dtype
        Of the rows as read, in this machine's byte order.
    unit : str
        ``'counts'``, ``'wt%'``, ... as guessed; ``''`` where unknown.
    pixel_um : PixelSize or None
        None where the file does not tell: then the user must.
    pixel_source : str
        ``'TIFF resolution tags'``, ``'OME-XML'``, ``'NeXus axes'``, ... or ``''``.
    notes : tuple of Note
    open : callable
        Returns a `Reader` that is the caller's to close.
    companions : tuple of Path
        Other files that the channel is read from: the binary half of a pair.
    spectrum : Cube or None
        Where the channel is the sum of whole spectra: the spectra, from which
        `viewer.intake.windows.channels` makes a channel for each line asked for.
    """

    path: Path
    inner: str
    name: str
    element: str | None = None
    line: str | None = None
    shape: tuple[int, int]
    dtype: DType
    unit: str = ""
    pixel_um: PixelSize | None = None
    pixel_source: str = ""
    notes: tuple[Note, ...] = ()
    open: Callable[[], Reader]
    companions: tuple[Path, ...] = ()
    spectrum: Cube | None = None

    @property
    def where(self) -> str:
        """The file and the place in it, for messages."""
        return f"{self.path} ({self.inner})" if self.inner else str(self.path)


class Calibration(NamedTuple):
    """Energy of a spectrum's channels: channel i has its centre at ``offset_ev + i * gain_ev``."""

    offset_ev: float
    gain_ev: float


@dataclass(frozen=True, kw_only=True)
class Cube:
    """A spectrum at each pixel; nothing but its header has been read.

    Attributes
    ----------
    path, inner, pixel_um, pixel_source, notes, companions
        As of a `Candidate`.
    shape : tuple of int
        Rows, columns, spectral channels.
    dtype : numpy.dtype
        Of the numbers in the file, in this machine's byte order.
    calibration : Calibration or None
        None where the file does not tell.
    open : callable
        Returns a `SpectrumReader` that is the caller's to close.
    """

    path: Path
    inner: str
    shape: tuple[int, int, int]
    dtype: DType
    calibration: Calibration | None = None
    pixel_um: PixelSize | None = None
    pixel_source: str = ""
    notes: tuple[Note, ...] = ()
    open: Callable[[], SpectrumReader]
    companions: tuple[Path, ...] = ()

    @property
    def where(self) -> str:
        """The file and the place in it, for messages."""
        return f"{self.path} ({self.inner})" if self.inner else str(self.path)


class SpectrumReader(Protocol):
    """Spectra of some rows."""

    def spectra(self, start: int, stop: int, first: int, last: int) -> Array:
        """Channels ``first`` to ``last`` of rows ``start`` to ``stop``, in any byte order.

        Returns
        -------
        ndarray
            [stop - start, columns, last - first]
        """
        ...

    def close(self) -> None: ...


class Reader(Protocol):
    """Rows of one channel, from the top. A context manager; for one thread at a time."""

    @property
    def shape(self) -> tuple[int, int]: ...

    @property
    def dtype(self) -> DType: ...

    def rows(self, start: int, stop: int) -> Array:
        """Rows ``start`` to ``stop`` as an array [stop - start, columns], native byte order."""
        ...

    def close(self) -> None: ...

    def __enter__(self) -> Self: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...


class Format(Protocol):
    """One kind of file. A new format is one file in this package and a row in the registry."""

    @property
    def name(self) -> str:
        """As a message names it: ``'TIFF'``."""
        ...

    @property
    def suffixes(self) -> tuple[str, ...]:
        """Lower case, with the dot."""
        ...

    def sniff(self, path: Path, head: bytes) -> bool:
        """Whether the file's content is of this format; ``head`` holds its first bytes."""
        ...

    def scan(self, path: Path) -> list[Candidate]:
        """The channels in the file, in the file's order.

        Raises
        ------
        InputError
            If the file is damaged, or holds nothing that can be a channel.
        """
        ...


class RowReader(ABC):
    """Base of the readers: checks the range asked for and explains what goes wrong.

    Parameters
    ----------
    where : str
        File and place in it, for messages.
    shape : tuple of int
        Rows, columns.
    dtype : numpy.dtype
        In this machine's byte order.
    """

    def __init__(self, where: str, shape: tuple[int, int], dtype: DType) -> None:
        self._where = where
        self._shape = shape
        self._dtype = dtype.newbyteorder("=")

    @property
    def shape(self) -> tuple[int, int]:
        return self._shape

    @property
    def dtype(self) -> DType:
        return self._dtype

    def rows(self, start: int, stop: int) -> Array:
        """Rows ``start`` to ``stop``.

        Returns
        -------
        ndarray
            [stop - start, columns], C-contiguous, native byte order. It may share memory with
            the reader's own buffer: copy it before writing into it.

        Raises
        ------
        ValueError
            If the range is not inside the channel.
        InputError
            If the file cannot be read or decoded there.
        """
        if not 0 <= start < stop <= self._shape[0]:
            raise ValueError(f"rows {start} to {stop} are not inside {self._shape}")
        try:
            block = self._read(start, stop)
        except (MemoryError, GrainlightError):
            raise
        except Exception as error:
            # Decoders raise what they like on damaged bytes; the place is what the user needs.
            raise InputError(
                f"Rows {start} to {stop - 1} cannot be read: {error}",
                where=self._where,
                hint="The file is damaged or was changed while it was read.",
            ) from error
        return np.ascontiguousarray(block, dtype=self._dtype)

    @abstractmethod
    def _read(self, start: int, stop: int) -> Array:
        """The rows, in any byte order and memory layout."""

    @abstractmethod
    def close(self) -> None:
        """Let go of the file; a reader may be closed more than once."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


class ArrayReader(RowReader):
    """Rows of an array that is in memory already, or mapped into it."""

    def __init__(self, where: str, array: Array) -> None:
        super().__init__(where, (int(array.shape[0]), int(array.shape[1])), array.dtype)
        self._array: Array | None = array

    def _read(self, start: int, stop: int) -> Array:
        if self._array is None:
            raise InputError("The file was closed already.", where=self._where)
        return self._array[start:stop]

    def close(self) -> None:
        self._array = None


def readable(dtype: DType, where: str) -> DType:
    """The type that numbers of a file's type are read as; single bits become bytes.

    Raises
    ------
    InputError
        If they are no real numbers.
    """
    if dtype.kind == "b":
        return np.dtype(np.uint8)
    if dtype.kind not in "iuf" or dtype.itemsize > 8:
        raise InputError(f"Its values ({dtype}) are no real numbers.", where=where)
    return dtype.newbyteorder("=")


def channel_axis(shape: tuple[int, ...]) -> int:
    """The axis of a stack that is taken for its channels where nothing tells.

    The smallest, unless the two smaller ones are equal: then these are a square map's sides.
    """
    small, middle, large = sorted(shape)
    return shape.index(large if small == middle < large else small)


def sane_pixel(x: float, y: float) -> PixelSize | None:
    """The pixel size, or None if it cannot be one of a map (0, negative, not finite, absurd)."""
    if all(np.isfinite(v) and FINEST_UM <= v <= COARSEST_UM for v in (x, y)):
        return PixelSize(float(x), float(y))
    return None


def guess_unit(dtype: DType) -> str:
    """Whole numbers of 16 bits and more are taken for counts; of anything else nothing is known.

    8-bit numbers have most often been stretched for the screen.
    """
    return "counts" if dtype.kind in "iu" and dtype.itemsize >= 2 else ""
