"""What is there of a run: in its result file, and in small files beside it since.

To add to a result file is to write it anew, which takes longer the more it holds. So each
piece of a run goes to a file of its own first, in the folder ``<result file>.parts``, and
the pieces into the result file now and then: whenever a twentieth of the time has not yet
gone into that, and at the end, however the run ends. A run that is killed leaves its
pieces, and the next one takes them up.

Pieces are known by content: what two layouts have in common is computed once and stored
under both names. A piece is a result file like any other, with one source or the bass.
"""

import contextlib
import io
import re
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Self

import h5py

from raysim.errors import StoreError
from raysim.records import Bass, PairResult, RayCount
from raysim.store import layouts, schema
from raysim.store.bass import bass_path
from raysim.store.file import (
    complete_layouts,
    open_results,
    rewrite,
    write_bass,
    write_layout,
)
from raysim.store.groups import group_path
from raysim.store.key import digest
from raysim.store.layouts import LayoutResult, LayoutRoom, RunHeader
from raysim.store.opening import damage_reported, open_to_read
from raysim.store.replace import open_locked

#: Time between two gatherings, in times that the last one took.
_SELDOM = 20.0
#: Names of pieces, and of what a killed writer leaves of one.
_OURS = re.compile(r"[0-9a-f]{16}-(\d+|bass-[0-9a-f]{8})\.h5(\.part)?")
_LOCK = "lock"


@dataclass(frozen=True, slots=True)
class _Place:
    """Where something is: a result file and the layout's name in it."""

    path: Path
    layout: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """A layout that the result file is to have, under its whole `content_key`."""

    room: LayoutRoom
    bass_key: str


class Stock:
    """All that is there of a scene's layouts; use it in a ``with`` statement.

    Parameters
    ----------
    path : Path
        The result file; need not be there.

    Raises
    ------
    StoreError
        RS-H05: the folder of pieces cannot be made. RS-H07: another run has it. Else as
        `open_results`, for the result file; a broken piece is removed.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._folder = path.with_name(path.name + ".parts")
        self._lock: io.FileIO | None = None
        self._rays: dict[tuple[str, str], _Place] = {}  # by content key and source
        self._bass: dict[str, _Place] = {}  # by bass key
        self._header: RunHeader | None = None
        self._wanted: tuple[Wanted, ...] = ()
        self._gathered_s, self._took_s = time.monotonic(), 0.0

    def __enter__(self) -> Self:
        with contextlib.suppress(OSError):  # what hinders, the lock tells
            self._folder.mkdir()
        self._lock = open_locked(self._folder / _LOCK, self.path)
        try:
            self._look_through()
        except BaseException:
            self._close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._close()

    def _close(self) -> None:
        with contextlib.suppress(OSError):
            if not any(p.name != _LOCK for p in self._folder.iterdir()):
                (self._folder / _LOCK).unlink()
                self._folder.rmdir()
        if self._lock is not None:
            self._lock.close()

    def _pieces(self) -> list[Path]:
        return sorted(p for p in self._folder.iterdir() if _OURS.fullmatch(p.name))

    def _look_through(self) -> None:
        """Find all that is there, in pieces first."""
        for piece in self._pieces():
            try:
                if piece.suffix == ".part":
                    piece.unlink()
                else:
                    self._find(piece)
            except StoreError:
                piece.unlink()
        if self.path.exists():
            self._find(self.path)

    def _find(self, path: Path) -> None:
        with open_results(path) as results:
            for name in results.layout_names:
                key = whole_key(results.layout_key(name))
                place = _Place(path, name)
                self._rays |= {(key, source): place for source in results.counts(name)}
                bass_key = results.bass_key(name)
                if bass_key is not None:
                    self._bass[bass_key] = place

    def rooms(self) -> dict[str, LayoutRoom]:
        """Give every layout of which there is anything, by name."""
        found: dict[str, LayoutRoom] = {}
        paths = [self.path] if self.path.exists() else []
        for path in (*self._pieces(), *paths):
            with open_results(path) as results:
                found |= {name: results.layout(name) for name in results.layout_names}
        return found

    def has_rays(self, key: str, source: str) -> bool:
        """Tell if the rays of a source are there for a `content_key`."""
        return (key, source) in self._rays

    def has_bass(self, bass_key: str) -> bool:
        """Tell if the bass is there that has this `bass_key`."""
        return bass_key in self._bass

    def want(self, header: RunHeader, wanted: Sequence[Wanted]) -> None:
        """Say what the result file is to hold, in its order; other pieces are removed.

        If it says otherwise by now, it is written anew.
        """
        self._header, self._wanted = header, tuple(wanted)
        keys = {one.room.key[:16] for one in wanted}
        for piece in self._pieces():
            if piece.name[:16] not in keys:
                piece.unlink()
        self._rays = {k: p for k, p in self._rays.items() if k[0][:16] in keys}
        if not self._is_as_wanted():
            self.gather()

    def _is_as_wanted(self) -> bool:
        if not self.path.exists():
            return not self._plan()
        assert self._header is not None
        with open_results(self.path) as results:
            if results.provenance["scene_hash"] != digest(self._header.scene):
                return False
            held = {
                name: (key, set(results.counts(name)), results.bass_key(name))
                for name, key in complete_layouts(self.path).items()
            }
        return held == {
            one.room.name: (one.room.key, set(one.rays), one.bass_key) for one in self._plan()
        }

    def put_rays(
        self, wanted: Wanted, source: str, pairs: Sequence[PairResult], count: RayCount
    ) -> None:
        """Keep the rays of one source, in a piece, and gather if it is time to."""
        assert self._header is not None
        i_source = [s.name for s in self._header.scene.sources].index(source)
        room = wanted.room
        path = self._folder / f"{room.key[:16]}-{i_source}.h5"
        write_layout(path, self._header, LayoutResult(room, tuple(pairs), {source: count}))
        self._rays[room.key, source] = _Place(path, room.name)
        self._gather_if_due()

    def put_bass(self, wanted: Wanted, bass: Bass) -> None:
        """Keep the bass of a layout, in a piece, and gather if it is time to."""
        assert self._header is not None
        room = wanted.room
        path = self._folder / f"{room.key[:16]}-bass-{wanted.bass_key[:8]}.h5"
        write_layout(path, self._header, LayoutResult(room, (), {}))
        write_bass(path, room.name, wanted.bass_key, bass)
        self._bass[wanted.bass_key] = _Place(path, room.name)
        self._gather_if_due()

    def _gather_if_due(self) -> None:
        if time.monotonic() - self._gathered_s >= _SELDOM * self._took_s:
            self.gather()

    def gather(self) -> None:
        """Write all that is there into the result file, and remove the pieces it then has.

        Raises
        ------
        StoreError
            As `write_layout`.
        """
        start_s = time.monotonic()
        plan = self._plan()
        if plan or self.path.exists():
            rewrite(self.path, lambda old, new: self._build(plan, old, new))
        self._rays |= {
            (whole_key(one.room.key), source): _Place(self.path, one.room.name)
            for one in plan
            for source in one.rays
        }
        self._bass |= {
            one.bass_key: _Place(self.path, one.room.name)
            for one in plan
            if one.bass_key is not None
        }
        needed = {place.path for place in (*self._rays.values(), *self._bass.values())}
        for piece in self._pieces():
            if piece not in needed:
                piece.unlink()
        self._gathered_s = time.monotonic()
        self._took_s = self._gathered_s - start_s

    def gather_pieces(self) -> None:
        """Write the pieces that there are into the result file; errors as for `gather`."""
        if self._pieces():
            self.gather()

    def _plan(self) -> "list[_Planned]":
        """Give each layout with where its sources and its bass are; none without sources."""
        assert self._header is not None
        names = [s.name for s in self._header.scene.sources]
        plan = []
        for one in self._wanted:
            key = one.room.key
            rays = {s: self._rays[key, s] for s in names if (key, s) in self._rays}
            if rays:
                stored = key if len(rays) == len(names) else part_key(key, len(rays))
                bass = self._bass.get(one.bass_key)
                bass_key = None if bass is None else one.bass_key
                plan.append(_Planned(replace(one.room, key=stored), rays, bass_key, bass))
        return plan

    def _build(self, plan: "Sequence[_Planned]", old: h5py.File | None, new: h5py.File) -> None:
        """Fill a new result file."""
        assert self._header is not None
        layouts.put_header(new, self._header)
        with contextlib.ExitStack() as stack:
            opened: dict[Path, h5py.File] = {} if old is None else {self.path: old}
            for index, one in enumerate(plan):
                layouts.put_layout_room(new, one.room, index)
                into = new.create_group(layouts.pairs_path(one.room.name))
                n_pair = 0
                for source, place in one.rays.items():
                    with _reading(place, opened, stack) as file:
                        file.copy(_source_path(place.layout, source), into)
                        added = into[_source_path(place.layout, source).rpartition("/")[2]]
                        for pair in sorted(added.values(), key=lambda h5: h5.attrs["index"]):
                            pair.attrs["index"] = n_pair
                            n_pair += 1
                if one.bass is not None:
                    with _reading(one.bass, opened, stack) as file:
                        within = new[bass_path(one.room.name).rpartition("/")[0]]
                        file.copy(bass_path(one.bass.layout), within)


@dataclass(frozen=True, slots=True)
class _Planned:
    """A layout as the result file will have it, and where its contents are by now."""

    room: LayoutRoom
    rays: Mapping[str, _Place]  # by source, in the scene's order
    bass_key: str | None
    bass: _Place | None


@contextlib.contextmanager
def _reading(
    place: _Place, opened: dict[Path, h5py.File], stack: contextlib.ExitStack
) -> Iterator[h5py.File]:
    """Give the file of a place, opened once."""
    if place.path not in opened:
        opened[place.path] = stack.enter_context(open_to_read(place.path))
    with damage_reported(place.path):
        yield opened[place.path]


def _source_path(layout: str, source: str) -> str:
    return group_path(schema.LAYOUT_SOURCE, {"layout": layout, "source": source})


def part_key(key: str, n_source: int) -> str:
    """Give the key of a layout whose sources are not all there yet."""
    return f"{key} first {n_source}"


def whole_key(key: str) -> str:
    """Give the `content_key` of a layout whose sources may not all be there.

    Examples
    --------
    >>> whole_key(part_key("c0ffee", 2))
    'c0ffee'
    """
    return key.partition(" ")[0]
