"""Records to groups of a result file and back: one function each way per record.

Nothing here opens, replaces or checks files; `file.py` does.
"""

import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any, NamedTuple

import h5py
import numpy as np

import raysim
from raysim.geometry.mesh import MeshSurface, RoomMesh
from raysim.records import (
    Arrivals,
    EnergyHistogram,
    PairResult,
    RayCount,
    Sides,
)
from raysim.scene.model import (
    Air,
    Bands,
    Directivity,
    Material,
    Receiver,
    Scene,
    Settings,
    Source,
)
from raysim.scene.place import Place
from raysim.store import schema
from raysim.store.groups import group_path, put, put_numbers, read_numbers, take
from raysim.store.key import common_hash, digest
from raysim.store.stacks import stack_of, stack_text
from raysim.units import Float


@dataclass(frozen=True, slots=True)
class RunHeader:
    """All that a result file says of its layouts together."""

    scene: Scene  # as described
    created_utc: str = field(
        default_factory=lambda: datetime.now(UTC).isoformat(timespec="seconds")
    )


@dataclass(frozen=True, slots=True)
class LayoutRoom:
    """What one layout is, besides its results."""

    name: str
    key: str  # of `content_key`
    mesh: RoomMesh
    sides: Sides
    materials: Mapping[str, Material]  # by name, those that its sides have
    treatment_layout: str = ""  # as the scene calls it; empty: none
    state: str = ""  # as the scene calls it; empty: as described
    about: str = ""


@dataclass(frozen=True, slots=True)
class LayoutResult:
    """All that was computed for one layout."""

    room: LayoutRoom
    pairs: tuple[PairResult, ...]
    counts: Mapping[str, RayCount]  # by source


class Measure(NamedTuple):
    """One thing read off a response: a number per band, or one number."""

    value: Float | float
    error: Float | float | None  # standard error
    unit: str


@dataclass(frozen=True, slots=True)
class Derived:
    """What was made from stored results of one pair; None leaves what is there."""

    layout: str
    source: str
    receiver: str
    impulse: Float | None = None  # (n_sample,)
    sample_rate_hz: int = 48_000
    measures: Mapping[str, Measure] | None = None


def fields_of(record: Any, names: schema.Group) -> dict[str, Any]:  # noqa: ANN401
    """Give the record's fields that the group has items for, and its place."""
    values = {i.name: getattr(record, i.name) for i in names.items if hasattr(record, i.name)}
    place = getattr(record, "place", None)
    if place is not None:
        values |= {"place_file": _path_text(place.file), "place_line": place.line}
    return values


def _path_text(path: str | os.PathLike[str]) -> str:
    """Give a path as text; bytes of it that are no UTF-8 become question marks."""
    return os.fsencode(path).decode("utf-8", errors="replace")


def _placed(values: dict[str, Any]) -> dict[str, Any]:
    place = Place(values.pop("place_file"), values.pop("place_line"))
    return values | {"place": place}


def put_header(file: h5py.File, header: RunHeader) -> None:
    """Write all groups but the layouts."""
    scene = header.scene
    put(file, schema.ROOT, {"format": schema.FORMAT, "schema_version": schema.SCHEMA_VERSION})
    settings = asdict(scene.settings)
    settings["place"] = [_path_text(scene.settings.place.file), scene.settings.place.line]
    put(
        file,
        schema.PROVENANCE,
        {
            "scene_hash": digest(scene),
            "common_hash": common_hash(scene),
            "scene_file": _path_text(scene.path.name),
            "seed": scene.settings.seed,
            "raysim_version": raysim.__version__,
            "numpy_version": np.__version__,
            "numba_version": version("numba"),
            "created_utc": header.created_utc,
            "title": scene.title,
            "about": scene.about,
            "ignored": scene.ignored,
            "scene_text": scene.text,
            "settings_json": json.dumps(settings),
            "schema": schema.schema_markdown(),
        },
    )
    bands = scene.bands
    put(
        file,
        schema.BANDS,
        {"fraction": bands.fraction, "centre_hz": bands.centre_hz, "label": bands.labels},
    )
    put(file, schema.AIR, fields_of(scene.air, schema.AIR))
    file.create_group("sources")
    for i_source, source in enumerate(scene.sources):
        names = {"i_source": str(i_source)}
        put(file, schema.SOURCE, fields_of(source, schema.SOURCE), names)
        directivity = source.directivity
        put(file, schema.DIRECTIVITY, fields_of(directivity, schema.DIRECTIVITY), names)
    file.create_group("receivers")
    for i_receiver, receiver in enumerate(scene.receivers):
        names = {"i_receiver": str(i_receiver)}
        put(file, schema.RECEIVER, fields_of(receiver, schema.RECEIVER), names)
    file.create_group("layouts")


def put_layout_room(file: h5py.File, room: LayoutRoom, index: int) -> None:
    """Write what one layout is, without its pairs."""
    names, surfaces = {"layout": room.name}, room.mesh.surfaces
    put(file, schema.LAYOUT, fields_of(room, schema.LAYOUT) | {"index": index}, names)
    put(
        file,
        schema.ROOM,
        fields_of(room.mesh, schema.ROOM)
        | {
            "surface_name": [s.name for s in surfaces],
            "surface_material": [s.material for s in surfaces],
            "surface_sheet": np.array([s.back_name is not None for s in surfaces], np.int64),
            "surface_back_name": [s.back_name or "" for s in surfaces],
            "surface_back_material": [s.back_material or "" for s in surfaces],
        },
        names,
    )
    put(file, schema.SIDES, fields_of(room.sides, schema.SIDES), names)
    file.create_group(group_path(schema.LAYOUT, names) + "/materials")
    for name, material in room.materials.items():
        values = fields_of(material, schema.MATERIAL)
        if material.stack is not None:
            values["stack_json"] = stack_text(material.stack)
        put(file, schema.MATERIAL, values, names | {"material": name})


def put_layout(file: h5py.File, layout: LayoutResult, index: int) -> None:
    """Write one layout with all its pairs."""
    put_layout_room(file, layout.room, index)
    names = {"layout": layout.room.name}
    file.create_group(pairs_path(layout.room.name))
    sources = dict.fromkeys([*layout.counts, *(pair.source for pair in layout.pairs)])
    for source in sources:
        count = layout.counts.get(source)
        values = {} if count is None else asdict(count)
        put(file, schema.LAYOUT_SOURCE, {"name": source} | values, names | {"source": source})
    for i_pair, pair in enumerate(layout.pairs):
        at = names | {"source": pair.source, "receiver": pair.receiver}
        put(file, schema.PAIR, {"name": pair.receiver, "index": i_pair}, at)
        put(file, schema.ARRIVALS, fields_of(pair.arrivals, schema.ARRIVALS), at)
        histogram = fields_of(pair.histogram, schema.HISTOGRAM)
        n_time = pair.histogram.energy.shape[-1]
        histogram["time_s"] = pair.histogram.bin_s * np.arange(n_time)
        put(file, schema.HISTOGRAM, histogram, at)


def pairs_path(layout: str) -> str:
    """Give the path of the group that holds all pairs of a layout."""
    return group_path(schema.LAYOUT, {"layout": layout}) + "/pairs"


def put_derived(file: h5py.File, derived: Derived) -> None:
    """Write response and measures of one pair in place of those that were there."""
    at = {"layout": derived.layout, "source": derived.source, "receiver": derived.receiver}
    if derived.impulse is not None:
        file.pop(group_path(schema.RESPONSE, at), None)
        values = {
            "sample_rate_hz": derived.sample_rate_hz,
            "sample": np.arange(len(derived.impulse)),
            "impulse": derived.impulse,
        }
        put(file, schema.RESPONSE, values, at)
    if derived.measures is not None:
        path = group_path(schema.MEASURES, at)
        file.pop(path, None)
        h5 = file.create_group(path)
        value_item, error_item = schema.MEASURES.items
        for name, (value, error, unit) in derived.measures.items():
            if name.endswith("_error"):
                raise ValueError(f"a measure cannot be called {name!r}: errors are")
            put_numbers(h5, schema.escape(name), value, value_item, unit)
            h5[schema.escape(name)].attrs["name"] = name
            if error is not None:
                put_numbers(h5, schema.escape(name) + "_error", error, error_item, unit)


def take_air(file: h5py.File) -> Air:
    """Read the air."""
    return Air(**_placed(take(file, schema.AIR)))


def take_bands(file: h5py.File) -> Bands:
    """Read the bands."""
    return Bands(take(file, schema.BANDS)["fraction"])


def take_settings(text: str) -> Settings:
    """Read the settings back from their JSON text."""
    values = json.loads(text)
    return Settings(**values | {"place": Place(*values["place"])})


def take_layout_room(file: h5py.File, layout: str) -> LayoutRoom:
    """Read what one layout is."""
    names = {"layout": layout}
    values = take(file, schema.LAYOUT, names)
    del values["index"]
    return LayoutRoom(
        **values,
        mesh=_take_mesh(file, names),
        sides=Sides(**take(file, schema.SIDES, names)),
        materials=_take_materials(file, names),
    )


def _take_mesh(file: h5py.File, names: Mapping[str, str]) -> RoomMesh:
    values = take(file, schema.ROOM, names)
    columns = ("name", "material", "sheet", "back_name", "back_material")
    rows = zip(*(values.pop(f"surface_{column}") for column in columns), strict=True)
    surfaces = tuple(
        MeshSurface(name, material, back, back_material or None)
        if sheet
        else MeshSurface(name, material)
        for name, material, sheet, back, back_material in rows
    )
    return RoomMesh(surfaces=surfaces, **values)


def _take_materials(file: h5py.File, names: Mapping[str, str]) -> dict[str, Material]:
    held = file[group_path(schema.LAYOUT, names) + "/materials"]
    true_names = [h5.attrs["name"] for h5 in held.values()]
    materials = {}
    for name in true_names:
        values = _placed(take(file, schema.MATERIAL, {**names, "material": name}))
        text = values.pop("stack_json")
        stack = None if text is None else stack_of(text)
        materials[name] = Material(stack=stack, **values)
    return materials


def take_sources(file: h5py.File) -> tuple[Source, ...]:
    """Read the sources, in the scene's order."""
    sources = []
    for i_source in range(len(file["sources"])):
        names = {"i_source": str(i_source)}
        directivity = Directivity(**take(file, schema.DIRECTIVITY, names))
        values = _placed(take(file, schema.SOURCE, names))
        sources.append(Source(directivity=directivity, **values))
    return tuple(sources)


def take_receivers(file: h5py.File) -> tuple[Receiver, ...]:
    """Read the receivers, in the scene's order."""
    return tuple(
        Receiver(**_placed(take(file, schema.RECEIVER, {"i_receiver": str(i_receiver)})))
        for i_receiver in range(len(file["receivers"]))
    )


def take_layout_keys(file: h5py.File) -> dict[str, str]:
    """Read name and key of every layout, in their order."""
    attrs = sorted((h5.attrs for h5 in file["layouts"].values()), key=lambda a: a["index"])
    return {a["name"]: a["key"] for a in attrs}


def take_pair_names(file: h5py.File, layout: str) -> list[tuple[str, str]]:
    """Read source and receiver of every pair of a layout, in their order."""
    found = []
    for h5_source in file[pairs_path(layout)].values():
        for h5 in h5_source.values():
            found.append((h5.attrs["index"], h5_source.attrs["name"], h5.attrs["name"]))
    return [(source, receiver) for _, source, receiver in sorted(found)]


def take_counts(file: h5py.File, layout: str) -> dict[str, RayCount]:
    """Read how the rays of each source fared; sources without a count are left out."""
    counts = {}
    for h5 in file[pairs_path(layout)].values():
        at = {"layout": layout, "source": h5.attrs["name"]}
        values = take(file, schema.LAYOUT_SOURCE, at)
        name = values.pop("name")
        if values["n_ray"] is not None:
            counts[name] = RayCount(**values)
    return counts


def take_pair(file: h5py.File, layout: str, source: str, receiver: str) -> PairResult:
    """Read the results of one source and one receiver."""
    at = {"layout": layout, "source": source, "receiver": receiver}
    histogram = take(file, schema.HISTOGRAM, at)
    del histogram["time_s"]  # it follows from bin_s
    return PairResult(
        source,
        receiver,
        Arrivals(**take(file, schema.ARRIVALS, at)),
        EnergyHistogram(**histogram),
    )


def take_impulse(
    file: h5py.File, layout: str, source: str, receiver: str
) -> tuple[Float, int] | None:
    """Read the impulse response and its sample rate, if there is one."""
    at = {"layout": layout, "source": source, "receiver": receiver}
    if group_path(schema.RESPONSE, at) not in file:
        return None
    values = take(file, schema.RESPONSE, at)
    return values["impulse"], values["sample_rate_hz"]


def take_measures(
    file: h5py.File, layout: str, source: str, receiver: str
) -> dict[str, Measure]:
    """Read the measures of one pair, by name; empty if there are none."""
    at = {"layout": layout, "source": source, "receiver": receiver}
    path = group_path(schema.MEASURES, at)
    if path not in file:
        return {}
    h5 = file[path]
    measures = {}
    for key, data in h5.items():
        if key.endswith("_error"):
            continue
        error = read_numbers(h5[key + "_error"]) if key + "_error" in h5 else None
        measures[data.attrs["name"]] = Measure(read_numbers(data), error, data.attrs["unit"])
    return measures
