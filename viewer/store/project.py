"""The project: one HDF5 file with maps, channels, derived layers and the user's documents.

`Project` is a thin object over the file. Reading is safe from any thread. Small edits go through
`Project.put` to the journal, bulk writes through `Project.change` as one transaction; see
`viewer.store.journal` and `viewer.store.transaction` for why nothing of either can be lost.
"""

from __future__ import annotations

import contextlib
import os
import threading
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import h5py
import hdf5plugin  # noqa: F401 (registers the filter that the pixels are packed with)
import msgspec
import numpy as np
import numpy.typing as npt

from viewer.errors import (
    GrainlightError,
    InputError,
    NotAProjectError,
    ProjectBusyError,
    ProjectDamagedError,
    ProjectError,
    ProjectReadOnlyError,
    from_os_error,
)
from viewer.science.look.coding import Coding
from viewer.science.look.histogram import Histogram
from viewer.science.progress import Progress
from viewer.store import journal as journals
from viewer.store.documents import DOCUMENTS, State
from viewer.store.layers import TILE, Flagged, LayerInfo, LayerStats, level_shapes
from viewer.store.lock import NO_LOCKS, ProjectLock
from viewer.store.migrate import SCHEMA_VERSION, migrate
from viewer.store.transaction import ShadowFile, record_path, recover, sync_folder, unfinished

SUFFIX = ".maps.h5"
FORMAT = "grainlight-project"
ONLY_READING = "Only reading was asked for."
ONLY_SEEN = frozenset({"look"})
"""Documents that say how maps are looked at, not what they are."""

_FOLD_BYTES = 32 * 1024 * 1024
_UNREADABLE = (OSError, KeyError, RuntimeError, ValueError, TypeError, AttributeError, IndexError)
"""What h5py raises over damaged bytes, and what comes of something else lying in their place."""

T = TypeVar("T")

H5Group = h5py.Group
"""A group, as passed to writers outside this package, which themselves know no HDF5."""


class H5File(h5py.File):
    """The file as a writer gets it, with an eye on the disk below."""

    def __init__(self, disk: ShadowFile, mode: str) -> None:
        super().__init__(disk, mode, libver="latest")
        self._disk = disk

    def watched(self, progress: Progress) -> Progress:
        """The same progress, which stops the work where the disk has refused bytes."""

        def step(done: float, doing: str = "") -> None:
            self._disk.check()
            progress(done, doing)

        return step


class Source(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A file that a map was gathered from."""

    name: str
    size: int
    sha256: str


class Placement(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Where a finer map lies on its parent: parent µm = matrix @ (x, y, 1)."""

    parent: str
    matrix: tuple[tuple[float, float, float], tuple[float, float, float]]


class MapInfo(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What a map is, apart from its layers."""

    id: str
    name: str
    shape: tuple[int, int]
    pixel_um: tuple[float, float]
    sources: tuple[Source, ...] = ()
    placement: Placement | None = None
    made: str = ""
    program: str = ""


class LayerFile:
    """A layer of an open project. Holds no pixels; every read goes to the file."""

    def __init__(self, project: Project, path: str) -> None:
        self._project = project
        self.path = path
        attrs = project._attrs(path)
        if "complete" not in attrs:
            raise ProjectDamagedError(
                "The layer was never finished.", where=f"{project.path}:{path}"
            )
        try:
            self.info: LayerInfo = msgspec.json.decode(attrs["info"], type=LayerInfo)
            self.stats: LayerStats = msgspec.json.decode(attrs["stats"], type=LayerStats)
            self._coding: Coding = msgspec.json.decode(attrs["coding"], type=Coding)
            self._level_coding: Coding = msgspec.json.decode(attrs["pyramid_coding"], type=Coding)
            self.flags: tuple[Flagged, ...] = msgspec.json.decode(
                attrs.get("flags", "[]"), type=tuple[Flagged, ...]
            )
            with project._reading() as file:
                data = file[path]["data"]
                self.shape: tuple[int, int] = (int(data.shape[0]), int(data.shape[1]))
                self.dtype: np.dtype[Any] = data.dtype
        except (*_UNREADABLE, msgspec.MsgspecError) as error:
            raise ProjectDamagedError(
                f"The layer cannot be read ({error}).", where=f"{project.path}:{path}"
            ) from error
        self.shapes = level_shapes(self.shape)

    @property
    def id(self) -> str:
        return self.info.id

    @property
    def name(self) -> str:
        return self.info.name

    @property
    def kind(self) -> str:
        return self.info.kind

    @property
    def element(self) -> str | None:
        return self.info.element

    @property
    def line(self) -> str | None:
        return self.info.line

    @property
    def unit(self) -> str:
        return self.info.unit

    @property
    def levels(self) -> int:
        """Number of levels, level 0 included."""
        return len(self.shapes)

    def coding(self, level: int = 0) -> Coding:
        """Which value each code of a level stands for."""
        return self._level_coding if level else self._coding

    def code_count(self, level: int = 0) -> int:
        """How many codes a level may use: 256 or 65536."""
        return 256 if level == 0 and self.dtype == np.uint8 else 65536

    def codes(self, level: int, rows: slice, cols: slice) -> npt.NDArray[Any]:
        """Screen codes, ``uint8`` or ``uint16`` [rows, columns] of a window of one level."""
        if level:
            inner = f"pyramid/{level}"
        else:
            inner = "code" if self._coding.missing else "data"
        return self._project._read(f"{self.path}/{inner}", rows, cols)

    def values(self, rows: slice, cols: slice) -> npt.NDArray[Any]:
        """Pixels of a window of level 0, in the numbers that were gathered."""
        return self._project._read(f"{self.path}/data", rows, cols)

    def histogram(self) -> Histogram:
        """How often each code occurs over the whole map (no outline applied)."""
        counts = self._project._read(f"{self.path}/histogram", slice(None), None)
        return Histogram(counts.astype(np.int64), self._coding.values(len(counts)))


class MapFile:
    """A map of an open project.

    Attributes
    ----------
    layers : dict of str to LayerFile
        Channels in the order gathered, then the derived layers that have their pixels.
    damaged : dict of str to str
        Layers that cannot be read, by id, and why; all others can be used.
    """

    def __init__(self, project: Project, map_id: str) -> None:
        self._project = project
        self.path = f"/maps/{map_id}"
        try:
            text = project._attrs(self.path)["info"]
            self.info: MapInfo = msgspec.json.decode(text, type=MapInfo)
        except (*_UNREADABLE, msgspec.MsgspecError) as error:
            raise ProjectDamagedError(
                f"The map's description cannot be read ({error}).",
                where=f"{project.path}:{self.path}",
            ) from error
        self.layers: dict[str, LayerFile] = {}
        self.damaged: dict[str, str] = {}
        wanted = {d.id for d in project.state.derived.layers if d.map == map_id}
        for folder in ("channels", "derived"):
            for layer_id in project._children(f"{self.path}/{folder}"):
                # Pixels of a derived layer outlive the undo of its making, for the redo.
                if folder == "channels" or layer_id in wanted:
                    try:
                        layer = LayerFile(project, f"{self.path}/{folder}/{layer_id}")
                    except ProjectDamagedError as error:
                        self.damaged[layer_id] = str(error)
                    else:
                        self.layers[layer.id] = layer

    @property
    def id(self) -> str:
        return self.info.id

    @property
    def name(self) -> str:
        return self.info.name

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the stored map."""
        return self.info.shape

    @property
    def pixel_um(self) -> tuple[float, float]:
        """Width and height of a pixel, µm."""
        return self.info.pixel_um

    @property
    def size_um(self) -> tuple[float, float]:
        """Width and height of the stored map, µm."""
        return self.shape[1] * self.pixel_um[0], self.shape[0] * self.pixel_um[1]

    @property
    def channels(self) -> dict[str, LayerFile]:
        """The measured layers, in the order gathered."""
        return {k: v for k, v in self.layers.items() if v.kind == "channel"}


class Project:
    """An open project. Use `Project.open`; close it, or use it as a context manager.

    Attributes
    ----------
    path : Path
    id : str
        Random; tells this project from any other that has or had the same name.
    maps : dict of str to MapFile
    state : State
        The documents as last put.
    readonly : str or None
        Why nothing can be written, or None where it can.
    remarks : tuple of str
        What the user should know of this opening (edits recovered, lines or layers damaged).
    """

    def __init__(self, path: Path, lock: ProjectLock | None, readonly: str | None) -> None:
        self.path = path
        self.id = ""
        self.readonly = readonly
        self.remarks: tuple[str, ...] = ()
        self.state = State()
        self.maps: dict[str, MapFile] = {}
        self._lock = lock
        self._gate = threading.RLock()
        self._file: h5py.File | None = None
        self._open = True
        self._datasets: dict[str, h5py.Dataset] = {}
        self._journal: journals.Journal | None = None
        self._sequence = 0
        self._folded = 0
        self._dirty: set[str] = set()
        self._fold_at = _FOLD_BYTES
        self._changing = threading.Lock()

    # -- opening and closing --------------------------------------------------------------------

    @classmethod
    def open(cls, path: Path | str, *, write: bool = True) -> Project:
        """Open a project, for writing where nothing stands against it.

        A project that another process has open, that lies where nothing may be written or that a
        newer program made is opened for reading; `readonly` then says why.

        Raises
        ------
        NotAProjectError, ProjectDamagedError, ProjectError
        """
        path = Path(path).absolute()
        if not path.exists():
            raise NotAProjectError("There is no such file.", where=str(path))
        owner = _refuse_foreign(path)
        lock, readonly = cls._take_lock(path) if write else (None, ONLY_READING)
        project = cls(path, lock, readonly)
        try:
            if lock is not None:
                if recover(path, owner):
                    project.remarks += ("An interrupted save was finished.",)
            elif unfinished(path, owner):
                raise ProjectBusyError(
                    "The project was interrupted in the middle of a save, or another process is "
                    "saving it now.",
                    where=str(path),
                    hint="Open it once where it may be written, or try again in a moment.",
                )
            project._load()
        except BaseException:
            project._drop()
            raise
        return project

    @staticmethod
    def _take_lock(path: Path) -> tuple[ProjectLock | None, str | None]:
        if not os.access(path, os.W_OK):
            return None, "The file may not be written."
        lock = ProjectLock(path)
        try:
            if lock.acquire():
                return lock, None
        except OSError as error:
            if error.errno in NO_LOCKS:
                return None, "The project cannot be locked here against a second writer."
            return None, "The folder of the project may not be written."
        return None, "Another window or process has the project open."

    def _load(self) -> None:
        self._reopen()
        with self._reading() as file:
            version = self._version(file)
            self.id = str(file.attrs.get("project_id", ""))
            stored = {name: file["state"][name].asstr()[()].encode() for name in file.get("state", {})}
            self._folded = self._sequence = int(file.attrs.get("journal_sequence", 0))
        if version > SCHEMA_VERSION:
            self._go_readonly(
                f"A newer program made this project (version {version} of the format; this "
                f"program knows {SCHEMA_VERSION})."
            )
        contents = self._own_journal()
        edits = list(journals.iter_latest(contents, self._folded))
        for entry in edits:
            stored[entry.name] = entry.body
        if contents.entries:
            self._sequence = max(self._sequence, contents.entries[-1].sequence)
        if contents.damaged:
            self.remarks += (f"{contents.damaged} damaged lines of the journal were passed over.",)
        self._dirty = {e.name for e in edits}
        self.state = self._decode(migrate(stored, version), newer=version > SCHEMA_VERSION)
        self.refresh()
        if self.readonly is None:
            self._journal = journals.Journal(journals.journal_path(self.path), self.id)
            if version < SCHEMA_VERSION:
                # Before anything of the new version is written: an older program must know at once.
                self._dirty |= set(stored) & set(DOCUMENTS)
                self._fold(self._journal, always=True)

    def _own_journal(self) -> journals.Contents:
        """What the journal holds; one of another project is set aside where that may be done."""
        where = journals.journal_path(self.path)
        contents = journals.read(where)
        if contents.owner is None or contents.owner == self.id:
            return contents
        self.remarks += ("Edits left behind by another project of the same name were passed over.",)
        if self.readonly is None:
            where.replace(where.with_name(where.name + ".old"))
        return journals.Contents(self.id, (), 0)

    def _version(self, file: h5py.File) -> int:
        version = file.attrs.get("schema_version")
        if not isinstance(version, int | np.integer) or version < 1:
            raise ProjectDamagedError(
                f"The project's version of the format cannot be read ({version!r}).",
                where=f"{self.path}:/schema_version",
            )
        return int(version)

    def _decode(self, stored: Mapping[str, bytes], newer: bool) -> State:
        documents = {}
        for name, body in stored.items():
            if name not in DOCUMENTS:
                if newer:
                    continue
                raise ProjectDamagedError(
                    "The project holds a document that this format does not know.",
                    where=f"{self.path}:/state/{name}",
                )
            try:
                documents[name] = msgspec.json.decode(body, type=DOCUMENTS[name])
            except (msgspec.MsgspecError, GrainlightError) as error:
                if newer:
                    continue
                raise ProjectDamagedError(
                    f"The document does not fit its schema: {error}.",
                    where=f"{self.path}:/state/{name}",
                ) from error
        return State(**documents)  # type: ignore[arg-type]

    def close(self) -> None:
        """Fold the edits into the file and let it go."""
        try:
            if self._journal is not None:
                with self._changing:
                    self._fold_and_tidy(self._journal)
        finally:
            self._drop()

    def _drop(self) -> None:
        journal, self._journal = self._journal, None
        try:
            if journal is not None:
                journal.close()
        finally:
            with self._gate:
                self._close_reader()
                self._open = False
            if self._lock is not None:
                self._lock.release()
                self._lock = None

    def __enter__(self) -> Project:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _go_readonly(self, why: str) -> None:
        self.readonly = why
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    # -- edits ----------------------------------------------------------------------------------

    def put(self, **documents: Any) -> None:
        """Replace documents of the state; each is durable within a second.

        A project that is open for reading can still be looked at: the documents `ONLY_SEEN` are
        then replaced in memory and forgotten at closing.

        Raises
        ------
        ProjectReadOnlyError
        """
        if self.readonly is not None and documents.keys() <= ONLY_SEEN:
            self.state = msgspec.structs.replace(self.state, **documents)
            return
        journal = self._writable_journal()
        for name, document in documents.items():
            if not isinstance(document, DOCUMENTS[name]):
                raise TypeError(f"{name} takes a {DOCUMENTS[name].__name__}")
            self._sequence += 1
            journal.append(journals.Entry(self._sequence, name, msgspec.json.encode(document)))
            self._dirty.add(name)
        self.state = msgspec.structs.replace(self.state, **documents)
        # What is put is in the journal and safe. A fold only keeps that short: it neither waits for a
        # running change nor, where it fails, takes the edit with it; closing tries again and tells.
        if journal.size > self._fold_at and self._changing.acquire(blocking=False):
            self._fold_at = journal.size + _FOLD_BYTES
            try:
                with contextlib.suppress(GrainlightError, OSError):
                    self._fold(journal)
            finally:
                self._changing.release()

    def flush(self) -> None:
        """Wait until every edit is on disk."""
        if self._journal is not None:
            self._journal.flush()

    @property
    def trouble(self) -> str | None:
        """Why the last edits are not on disk yet, where the disk refuses them."""
        error = self._journal.trouble if self._journal is not None else None
        return None if error is None else str(error)

    def fold(self) -> None:
        """Write the documents into ``/state`` and start the journal anew."""
        journal = self._writable_journal()
        with self._changing:
            self._fold(journal)

    def _fold(
        self, journal: journals.Journal, forgotten: Sequence[str] = (), *, always: bool = False
    ) -> None:
        """`fold`, and drop the groups `forgotten`; `_changing` is held."""
        journal.flush()
        if not self._dirty and not forgotten and not always:
            return
        sequence, names, state = self._sequence, sorted(self._dirty), self.state

        def write(file: h5py.File) -> None:
            write_documents(file, {n: getattr(state, n) for n in names})
            file.attrs["journal_sequence"] = sequence
            file.attrs["schema_version"] = SCHEMA_VERSION
            for path in forgotten:
                del file[path]

        self._change(write)
        self._dirty.clear()
        self._folded = sequence
        journal.close()
        where = journals.journal_path(self.path)
        try:
            where.unlink(missing_ok=True)
            sync_folder(where.parent)
        finally:
            # Where the old one stays, its lines are known to be folded by their numbers.
            self._journal = journals.Journal(where, self.id)
            self._fold_at = self._journal.size + _FOLD_BYTES

    def _fold_and_tidy(self, journal: journals.Journal) -> None:
        forgotten = self._forgotten()
        try:
            self._fold(journal, forgotten)
        except (GrainlightError, *_UNREADABLE):
            if not forgotten:
                raise
            # Tidying up must not keep the documents out: a damaged group cannot be taken away, and a
            # full disk is nobody's concern where there is nothing else to write.
            self._fold(self._writable_journal())

    def _forgotten(self) -> list[str]:
        """Groups with pixels of derived layers that no document names any more.

        They are kept while the project is open, since undo may bring their layers back.
        """
        named = {(d.map, d.id) for d in self.state.derived.layers}
        return [
            f"/maps/{m}/derived/{layer_id}"
            for m in self.maps
            for layer_id in self._children(f"/maps/{m}/derived")
            if (m, layer_id) not in named
        ]

    def change(self, write: Callable[[H5File], T]) -> T:
        """Run `write` on the file as one transaction: all of it becomes visible, or none.

        Reading goes on meanwhile and sees the old state. May be called from any thread; one change
        at a time.

        Raises
        ------
        ProjectReadOnlyError
        ResourceError
            The disk is full; the project is as it was.
        """
        self._writable_journal()
        with self._changing:
            return self._change(write)

    def _change(self, write: Callable[[H5File], T]) -> T:
        """`change`, with `_changing` held."""
        self._recover()
        shadow = ShadowFile(self.path, owner=self.id)
        try:
            with H5File(shadow, "r+") as file:
                result = write(file)
            # The bulk goes to the disk while others still read; only the commit itself stops them.
            shadow.sync()
            with self._gate:
                self._close_reader()
                try:
                    shadow.commit()
                finally:
                    self._reopen()
        except BaseException as error:
            with contextlib.suppress(OSError):
                shadow.roll_back()
            if isinstance(error, OSError):
                raise from_os_error(error, self.path, "project", other=ProjectError) from error
            raise
        finally:
            shadow.close()
        return result

    def _recover(self) -> None:
        """Finish a commit that failed half-way (a disk that came back) before the next begins."""
        if unfinished(self.path, self.id):
            with self._gate:
                self._close_reader()
                try:
                    recover(self.path, self.id)
                finally:
                    self._reopen()

    def refresh(self) -> None:
        """Look anew which maps and layers the file holds (after a `change`)."""
        self.maps = {m: MapFile(self, m) for m in self._children("/maps")}
        for found in self.maps.values():
            for layer_id, why in found.damaged.items():
                remark = f"The layer «{layer_id}» of «{found.name}» is left out. {why}"
                if remark not in self.remarks:
                    self.remarks += (remark,)

    def _writable_journal(self) -> journals.Journal:
        if self._journal is None:
            raise ProjectReadOnlyError(
                f"The project cannot be changed. {self.readonly or 'It is closed.'}",
                where=str(self.path),
                hint="Save a copy under another name to work on.",
            )
        return self._journal

    # -- reading --------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _reading(self) -> Iterator[h5py.File]:
        with self._gate:
            if not self._open:
                raise ProjectError("The project is closed.", where=str(self.path))
            yield self._file or self._reopen()

    def _reopen(self) -> h5py.File:
        try:
            self._file = h5py.File(self.path, "r", locking=False, rdcc_nbytes=0)
        except OSError as error:
            raise ProjectDamagedError(
                f"The file cannot be read ({error}).", where=str(self.path)
            ) from error
        return self._file

    def _close_reader(self) -> None:
        self._datasets.clear()
        if self._file is not None:
            self._file.close()
            self._file = None

    def _read(self, path: str, rows: slice, cols: slice | None) -> npt.NDArray[Any]:
        with self._gate:
            try:
                try:
                    return self._pixels(path, rows, cols)
                except _UNREADABLE:
                    if self.readonly is None:
                        raise
                    # Another process may have changed the file since it was opened here: what the
                    # library remembers of it is then out of date, and the bytes are well.
                    self._close_reader()
                    return self._pixels(path, rows, cols)
            except _UNREADABLE as error:
                raise ProjectDamagedError(
                    f"Pixels cannot be read ({error}).",
                    where=f"{self.path}:{path} {rows.start}:{rows.stop}",
                    hint="The other layers and maps can still be used.",
                ) from error

    def _pixels(self, path: str, rows: slice, cols: slice | None) -> npt.NDArray[Any]:
        with self._reading() as file:
            dataset = self._datasets.get(path)
            if dataset is None:
                dataset = self._datasets[path] = file[path]
            return np.asarray(dataset[rows] if cols is None else dataset[rows, cols])

    def text(self, path: str) -> str | None:
        """A text of a cache; None where it is not there or damaged, and is to be made anew."""
        with self._reading() as file:
            try:
                return str(file[path].asstr()[()])
            except _UNREADABLE:
                return None

    def cached(self, path: str) -> npt.NDArray[Any] | None:
        """All pixels of a cache; None where it is not there or damaged, and is to be made anew."""
        with self._reading() as file:
            try:
                return np.asarray(file[path][()])
            except _UNREADABLE:
                return None

    def _attrs(self, path: str) -> dict[str, Any]:
        with self._reading() as file:
            try:
                return dict(file[path].attrs)
            except _UNREADABLE as error:
                raise ProjectDamagedError(
                    f"The description cannot be read ({error}).", where=f"{self.path}:{path}"
                ) from error

    def _children(self, path: str) -> list[str]:
        with self._reading() as file:
            group = file.get(path)
            if group is None:
                return []
            found = []
            for name in group:
                # A link out of the file is never followed.
                if not isinstance(group.get(name, getlink=True), h5py.HardLink):
                    continue
                try:
                    ours = isinstance(group[name], h5py.Group) and "info" in group[name].attrs
                except _UNREADABLE:
                    ours = True  # who reads it is told why that cannot be done
                if ours:
                    found.append(name)
            return found


def _refuse_foreign(path: Path) -> str | None:
    """Make sure that a file is a project before anything is done to it.

    Returns
    -------
    str or None
        The project's id; None where the file cannot be read as it is.

    Raises
    ------
    NotAProjectError
    ProjectError
        It may not be read.
    """
    try:
        with open(path, "rb"):
            pass
    except IsADirectoryError:
        pass
    except OSError as error:
        raise ProjectError(f"It cannot be read: {error.strerror or error}.", where=str(path)) from error
    if not h5py.is_hdf5(path):
        raise NotAProjectError(
            "This is not a Grainlight project.",
            where=str(path),
            hint="A project ends in .maps.h5 and is made by gathering maps.",
        )
    try:
        with h5py.File(path, "r", locking=False) as file:
            ours = file.attrs.get("format") == FORMAT
            owner = str(file.attrs.get("project_id", ""))
    except (OSError, KeyError, RuntimeError):
        # Damaged, or cut off in the middle of a save: that is told apart later.
        return None
    if not ours:
        raise NotAProjectError(
            "This HDF5 file is not a Grainlight project.",
            where=str(path),
            hint="To use its images, gather it: grainlight gather FILE -o NAME.maps.h5",
        )
    return owner


def write_documents(file: h5py.File, documents: Mapping[str, Any]) -> None:
    """Put documents into ``/state`` as JSON text."""
    state = file.require_group("state")
    for name, document in documents.items():
        if name in state:
            del state[name]
        state.create_dataset(
            name, data=msgspec.json.encode(document).decode(), dtype=h5py.string_dtype()
        )


def write_map(file: h5py.File, info: MapInfo) -> h5py.Group:
    """Make the group of a new map, with its axes in µm and no layers yet."""
    maps = file.require_group("maps")
    if info.id in maps:
        raise InputError(f"The project already has a map with the id «{info.id}».", where=info.name)
    group = maps.create_group(info.id)
    group.attrs["NX_class"] = "NXcollection"
    write_map_info(group, info)
    for axis, count, step in (
        ("y", info.shape[0], info.pixel_um[1]),
        ("x", info.shape[1], info.pixel_um[0]),
    ):
        centres = group.create_dataset(axis, data=(np.arange(count) + 0.5) * step)
        centres.attrs["units"] = "um"
    for folder in ("channels", "derived", "phases"):
        group.create_group(folder, track_order=True).attrs["NX_class"] = "NXcollection"
    return group


def write_map_info(group: h5py.Group, info: MapInfo) -> None:
    """Keep what a map is with it."""
    group.attrs["info"] = msgspec.json.encode(info).decode()


@contextlib.contextmanager
def new_project(path: Path, *, overwrite: bool = False) -> Iterator[H5File]:
    """A new project file to write into; it takes its name only when the block ends well.

    Raises
    ------
    InputError
        The file exists and `overwrite` is false, or the folder is not there.
    ResourceError
        The disk is full. Nothing is left behind.
    """
    path = Path(path).absolute()
    if path.exists() and not overwrite:
        raise InputError(
            "The file exists already.",
            where=str(path),
            hint="Choose another name, add the maps to it (--into) or replace it (--force).",
        )
    if not path.parent.is_dir():
        raise InputError("The folder does not exist.", where=str(path.parent))
    try:
        lock = ProjectLock(path)
        if not lock.acquire():
            raise ProjectBusyError("Another process has the project open.", where=str(path))
    except OSError as error:
        raise from_os_error(error, path, "project", other=ProjectError) from error
    part = path.with_name(path.name + ".part")
    try:
        with ShadowFile(part, fresh=True) as disk:
            with H5File(disk, "w") as file:
                file.attrs["format"] = FORMAT
                file.attrs["project_id"] = uuid.uuid4().hex
                file.attrs["schema_version"] = SCHEMA_VERSION
                file.attrs["journal_sequence"] = 0
                file.attrs["NX_class"] = "NXroot"
                file.create_group("state")
                file.create_group("maps", track_order=True)
                yield file
            disk.sync()
        part.replace(path)
        sync_folder(path.parent)
        # What was still to be done to a file that is replaced is known by its id and is not done to
        # the new one. So it may stay, where it cannot be removed, and stays until the new one is there.
        for leftover in (journals.journal_path(path), record_path(path)):
            with contextlib.suppress(OSError):
                leftover.unlink(missing_ok=True)
    except OSError as error:
        raise from_os_error(error, path, "project", other=ProjectError) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        lock.release(remove=not path.exists())


__all__ = [
    "SUFFIX",
    "TILE",
    "H5File",
    "H5Group",
    "LayerFile",
    "MapFile",
    "MapInfo",
    "Placement",
    "Project",
    "Source",
    "new_project",
    "write_documents",
    "write_map",
    "write_map_info",
]
