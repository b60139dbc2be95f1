"""Write and read result files: every write replaces the file whole, or not at all.

A new file is built in memory and handed to `replace.py`, because HDF5 ends the whole
process when the disk fills while it writes; it needs about twice the size of the file
in memory. Layouts are copied from the old file without unpacking them. `parts.py` keeps
the writes of a run few.

`RunHeader`, `LayoutRoom`, `LayoutResult`, `Derived` and `Measure` say what goes in;
`Results` gives the same records back: numbers exactly, but ray energies, moments and
impulse responses to float32, a relative rounding of 6e-8.
"""

import contextlib
import io
import os
from collections.abc import Callable, Iterable, Mapping
from types import TracebackType
from typing import Any, Self

import h5py

from raysim.geometry.mesh import RoomMesh
from raysim.records import Bass, BassResponse, PairResult, RayCount, Sides
from raysim.scene.model import Material
from raysim.store import layouts, schema
from raysim.store.bass import put_bass, take_bass, take_bass_key
from raysim.store.groups import group_path, take, tie_scales
from raysim.store.key import bass_key, content_key, digest
from raysim.store.layouts import Derived, LayoutResult, LayoutRoom, Measure, RunHeader
from raysim.store.opening import StrPath, check_held, damage_reported, no_file, open_to_read
from raysim.store.replace import check_replaceable, replace_file, replacement_target
from raysim.units import Float

__all__ = [
    "Derived",
    "LayoutResult",
    "LayoutRoom",
    "Measure",
    "Results",
    "RunHeader",
    "bass_key",
    "check_writable",
    "complete_layouts",
    "content_key",
    "open_results",
    "write_bass",
    "write_derived",
    "write_layout",
]


def check_writable(path: StrPath) -> None:
    """Complain before a long run about what `write_layout` would complain after it.

    Raises
    ------
    StoreError
        As `write_layout`, but for a disk that fills later.
    """
    target = replacement_target(path)
    with _open_if_there(target) or contextlib.nullcontext():
        pass
    check_replaceable(target)


def write_layout(path: StrPath, header: RunHeader, layout: LayoutResult) -> None:
    """Add one layout to a result file, or make the file.

    Other layouts of the file stay if the scene is still the same in all it says; else they
    go, and what was derived from the layout that is replaced goes too. A killed or failed
    write leaves the old file.

    Parameters
    ----------
    path : path
    header : RunHeader
        Replaces the file's own.
    layout : LayoutResult

    Raises
    ------
    StoreError
        RS-H02 to RS-H04: the file there is not ours, damaged, or newer: it stays.
        RS-H05, RS-H06, RS-H07: it cannot be written. RS-H09: NUL in a text.
    """
    own = layout.room.name

    def build(old: h5py.File | None, new: h5py.File) -> None:
        layouts.put_header(new, header)
        keys: dict[str, str] = {}
        if old is not None:
            with damage_reported(path):
                if old["provenance"].attrs["scene_hash"] == digest(header.scene):
                    keys = layouts.take_layout_keys(old)
        order = list(dict.fromkeys([*keys, own]))
        for name in keys:
            if name != own and old is not None:
                with damage_reported(path):
                    where = group_path(schema.LAYOUT, {"layout": name})
                    old.copy(old[where], new["layouts"])
                    new[where].attrs["index"] = order.index(name)
        layouts.put_layout(new, layout, order.index(own))

    rewrite(path, build)


def write_derived(path: StrPath, derived: Iterable[Derived]) -> None:
    """Add impulse responses and measures of stored pairs, all of them or none.

    Parameters
    ----------
    path : path
    derived : iterable of Derived
        Replaces what was derived for the same pair before.

    Raises
    ------
    StoreError
        RS-H01: there is no file. RS-H08: it has no such layout or pair. Else as
        `write_layout`.
    """
    derived = tuple(derived)

    def check(old: h5py.File) -> None:
        for one in derived:
            check_held(path, old, one.layout, one.source, one.receiver)

    def add(new: h5py.File) -> None:
        for one in derived:
            layouts.put_derived(new, one)

    _add(path, check, add)


def write_bass(path: StrPath, layout: str, key: str, bass: Bass) -> None:
    """Add the bass of a stored layout, in place of what was there.

    Parameters
    ----------
    path : path
    layout : str
    key : str
        Of `bass_key`.
    bass : Bass

    Raises
    ------
    StoreError
        RS-H01: there is no file. RS-H08: it has no such layout. Else as `write_layout`.
    """
    _add(
        path,
        lambda old: check_held(path, old, layout),
        lambda new: put_bass(new, layout, key, bass),
    )


def _add(
    path: StrPath, check: Callable[[h5py.File], None], add: Callable[[h5py.File], None]
) -> None:
    """Replace a file by a copy to which something was added."""

    def build(old: h5py.File | None, new: h5py.File) -> None:
        if old is None:
            raise no_file(path, "there is no such file.")
        check(old)
        with damage_reported(path):
            for key, value in old.attrs.items():
                new.attrs[key] = value
            for name in old:
                old.copy(old[name], new)
        add(new)

    rewrite(path, build)


def rewrite(path: StrPath, build: Callable[[h5py.File | None, h5py.File], None]) -> None:
    """Replace a file by what ``build(old, new)`` makes of it.

    Raises
    ------
    StoreError
        As `write_layout`.
    """
    target = replacement_target(path)

    def content() -> bytes:
        # Built in memory, since HDF5 ends the process when a disk fills while it writes.
        # Through a Python stream and a proper close: the image that HDF5 1.14 gives of an
        # open file has a superblock whose checksum is wrong.
        image = io.BytesIO()
        with _open_if_there(target) or contextlib.nullcontext() as old, _in(image) as new:
            build(old, new)
            tie_scales(new)
        return image.getvalue()

    replace_file(target, content)


def _in(stream: io.BytesIO) -> h5py.File:
    # Format v110, because in older ones an attribute ends at 64 KiB, and a band's list
    # of the arrays it scales with it at 4085 arrays; HDF5 reads it since 2016.
    return h5py.File(stream, "w", libver=("v110", "v110"))


def complete_layouts(path: StrPath) -> dict[str, str]:
    """Give name and key of every layout that need not be computed again.

    Returns
    -------
    dict
        Empty if there is no file.

    Raises
    ------
    StoreError
        RS-H01: it cannot be read. RS-H02 to RS-H04: not ours, damaged, or newer.
    """
    file = _open_if_there(path)
    if file is None:
        return {}
    with file, damage_reported(path):
        return layouts.take_layout_keys(file)


def open_results(path: StrPath) -> "Results":
    """Open a result file to read it; close it, or use it in a ``with`` statement.

    Raises
    ------
    StoreError
        RS-H01: there is none, or it cannot be read. RS-H02 to RS-H04: not ours,
        damaged, or newer.
    """
    return Results(path)


class Results:
    """An open result file: what layouts share as attributes, layouts read when asked for.

    Attributes
    ----------
    title, about : str
    ignored : tuple of str
    bands : Bands
    air : Air
    sources : tuple of Source
    receivers : tuple of Receiver
    settings : Settings
    provenance : dict
        All of `/provenance` by the names in `SCHEMA.md`.
    """

    def __init__(self, path: StrPath) -> None:
        self._path = path
        self._file = open_to_read(path)
        try:
            with damage_reported(path):
                self._read_header()
        except BaseException:
            self._file.close()
            raise

    def _read_header(self) -> None:
        file = self._file
        self.provenance: dict[str, Any] = take(file, schema.PROVENANCE)
        self.title: str = self.provenance["title"]
        self.about: str = self.provenance["about"]
        self.ignored: tuple[str, ...] = self.provenance["ignored"]
        self.settings = layouts.take_settings(self.provenance["settings_json"])
        self.bands = layouts.take_bands(file)
        self.air = layouts.take_air(file)
        self.sources = layouts.take_sources(file)
        self.receivers = layouts.take_receivers(file)
        self._keys = layouts.take_layout_keys(file)
        self._rooms: dict[str, LayoutRoom] = {}
        self._bass: dict[str, Bass | None] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; what was read stays."""
        self._file.close()

    def show_only(self, names: Iterable[str]) -> None:
        """Show these layouts from now on, as if the file held no others.

        Raises
        ------
        StoreError
            RS-H08: there is none of a name.
        """
        asked = set(names)
        for name in asked:
            self._check(name)
        self._keys = {name: key for name, key in self._keys.items() if name in asked}

    @property
    def layout_names(self) -> tuple[str, ...]:
        """The layouts, in their order."""
        return tuple(self._keys)

    def layout_key(self, layout: str) -> str:
        """Give the `content_key` a layout was stored with."""
        self._check(layout)
        return self._keys[layout]

    def layout(self, layout: str) -> LayoutRoom:
        """Give what a layout is: its mesh, its sides, its materials, and texts."""
        self._check(layout)
        if layout not in self._rooms:
            with damage_reported(self._path):
                self._rooms[layout] = layouts.take_layout_room(self._file, layout)
        return self._rooms[layout]

    def room(self, layout: str) -> RoomMesh:
        """Give the mesh of a layout."""
        return self.layout(layout).mesh

    def sides(self, layout: str) -> Sides:
        """Give the sides that a layout's arrivals name by number."""
        return self.layout(layout).sides

    def materials(self, layout: str) -> Mapping[str, Material]:
        """Give the materials of a layout's sides, by name."""
        return self.layout(layout).materials

    def pair_names(self, layout: str) -> list[tuple[str, str]]:
        """Give source and receiver of every pair of a layout, in their order."""
        self._check(layout)
        with damage_reported(self._path):
            return layouts.take_pair_names(self._file, layout)

    def pair(self, layout: str, source: str, receiver: str) -> PairResult:
        """Give arrivals and histogram of one pair."""
        self._check(layout, source, receiver)
        with damage_reported(self._path):
            return layouts.take_pair(self._file, layout, source, receiver)

    def counts(self, layout: str) -> dict[str, RayCount]:
        """Give how the rays fared, by source."""
        self._check(layout)
        with damage_reported(self._path):
            return layouts.take_counts(self._file, layout)

    def impulse(self, layout: str, source: str, receiver: str) -> tuple[Float, int] | None:
        """Give impulse response, (n_sample,), and sample rate in Hz; None if not stored."""
        self._check(layout, source, receiver)
        with damage_reported(self._path):
            return layouts.take_impulse(self._file, layout, source, receiver)

    def measures(self, layout: str, source: str, receiver: str) -> dict[str, Measure]:
        """Give the measures of one pair, by name; empty if none are stored."""
        self._check(layout, source, receiver)
        with damage_reported(self._path):
            return layouts.take_measures(self._file, layout, source, receiver)

    def bass_key(self, layout: str) -> str | None:
        """Give the `bass_key` that the bass of a layout was stored with; None without any."""
        self._check(layout)
        with damage_reported(self._path):
            return take_bass_key(self._file, layout)

    def bass(self, layout: str) -> Bass | None:
        """Give what was computed below the crossover; None if it was not."""
        self._check(layout)
        if layout not in self._bass:
            with damage_reported(self._path):
                self._bass[layout] = take_bass(self._file, layout)
        return self._bass[layout]

    def bass_response(self, layout: str, source: str, receiver: str) -> BassResponse | None:
        """Give what the wave solver found for a pair; None if it was not asked."""
        bass = self.bass(layout)
        held = () if bass is None else bass.pairs
        return {(one.source, one.receiver): one for one in held}.get((source, receiver))

    def _check(self, layout: str, *pair: str) -> None:
        check_held(self._path, self._file, layout, *pair)


def _open_if_there(path: StrPath) -> h5py.File | None:
    return open_to_read(path) if os.path.exists(path) else None
