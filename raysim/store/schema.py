"""The HDF5 layout of a result file, as data: path, axes, type, unit, meaning.

`groups.py` writes and reads by this table and nothing else, `SCHEMA.md` is printed
from it, and a test walks a file with plain h5py and compares. A name in braces
stands for one group or dataset per name; names are escaped by `escape`.

Axes stand in the project's order: source, receiver, band, time. Axis names in
`SCALES` have an HDF5 dimension scale.
"""

import re
from dataclasses import dataclass
from typing import Final

#: Raised when a file written today can no longer be read by yesterday's raysim.
SCHEMA_VERSION: Final = 2

#: What `/@format` says in every file of ours.
FORMAT: Final = "raysim results"

#: Arrays above this many bytes are chunked, shuffled, deflated and check-summed; below
#: it a chunk index would cost more than it saves.
COMPRESS_ABOVE: Final = 1024

#: Axis -> path of its dimension scale; one without a slash lies beside the array.
SCALES: Final = {"band": "/bands/centre_hz", "time": "time_s", "sample": "sample"}


@dataclass(frozen=True, slots=True)
class Item:
    """One dataset or attribute of a group."""

    name: str  # the name in the file; "{measure}" stands for one per name
    dtype: str  # "float64", "float32", "int64" or "text"
    unit: str  # "" for texts, "1" without dimension, "own" if it differs by name
    meaning: str
    axes: tuple[str, ...] | None = None  # None: an attribute; (): a single value
    optional: bool = False
    or_single: bool = False  # may also be a single value, without its axis


@dataclass(frozen=True, slots=True)
class Group:
    """One HDF5 group, or one per name in braces."""

    path: str
    meaning: str
    items: tuple[Item, ...]
    optional: bool = False


_B = ("band",)

ROOT: Final = Group("/", "The file.", (
    Item("format", "text", "", f'always "{FORMAT}"'),
    Item("schema_version", "int64", "1", "version of this layout"),
))  # fmt: skip

PROVENANCE: Final = Group("/provenance", "What was asked, by whom computed.", (
    Item("scene_hash", "text", "", "SHA-256 of all that the scene says"),
    Item("common_hash", "text", "", "SHA-256 of what all layouts share: bands, air, sources, "
         "receivers"),
    Item("scene_file", "text", "", "name of the scene file"),
    Item("seed", "int64", "1", "of every random draw"),
    Item("raysim_version", "text", "", "that wrote the file"),
    Item("numpy_version", "text", "", "that wrote the file"),
    Item("numba_version", "text", "", "that wrote the file"),
    Item("created_utc", "text", "", "when this run began, ISO 8601"),
    Item("title", "text", "", "of the scene", ()),
    Item("about", "text", "", "of the scene", ()),
    Item("ignored", "text", "", "what the author says is left out", ("remark",)),
    Item("scene_text", "text", "", "the scene file, word for word", ()),
    Item("settings_json", "text", "", "how the run was done", ()),
    Item("schema", "text", "", "this document", ()),
))  # fmt: skip

BANDS: Final = Group("/bands", "The frequency bands of all that follows.", (
    Item("fraction", "int64", "1", "1 octaves, 3 one-third octaves"),
    Item("centre_hz", "float64", "Hz", "exact mid-band frequencies, IEC 61260-1", _B),
    Item("label", "text", "", "nominal names", _B),
))  # fmt: skip

AIR: Final = Group("/air", "The air in the room.", (
    Item("temperature_c", "float64", "degC", "temperature"),
    Item("humidity_pct", "float64", "%", "relative humidity"),
    Item("pressure_pa", "float64", "Pa", "static pressure"),
    Item("place_file", "text", "", "where the scene said so"),
    Item("place_line", "int64", "1", "line of it"),
))  # fmt: skip

ROOM: Final = Group(
    "/layouts/{layout}/room", "The room as triangles; normals point into the air.", (
    Item("vertices_m", "float64", "m", "corners", ("vertex", "xyz")),
    Item("faces", "int64", "1", "vertex numbers of each triangle", ("face", "corner")),
    Item("face_surface", "int64", "1", "surface of each face", ("face",)),
    Item("face_plane", "int64", "1", "planar polygon of each face", ("face",)),
    Item("surface_name", "text", "", "name of each surface", ("surface",)),
    Item("surface_material", "text", "", "its material", ("surface",)),
    Item("surface_sheet", "int64", "1", "1 for sheets, which have a back", ("surface",)),
    Item("surface_back_name", "text", "", "of a sheet's back, else empty", ("surface",)),
    Item("surface_back_material", "text", "", "of a sheet's back, else empty", ("surface",)),
    Item("envelope_volume_m3", "float64", "m3", "volume of the bare room"),
    Item("envelope_area_m2", "float64", "m2", "area of the bare room"),
    Item("air_volume_m3", "float64", "m3", "volume with the things in it"),
    Item("area_m2", "float64", "m2", "area with the things in it, sheets twice"),
))  # fmt: skip

SIDES: Final = Group(
    "/layouts/{layout}/sides", "Every side of a surface that has air before it.", (
    Item("names", "text", "", "fronts in the order of `room`, then backs", ("side",)),
    Item("materials", "text", "", "of each side", ("side",)),
    Item("alpha", "float64", "1", "absorption coefficient", ("side", "band")),
    Item("scattering", "float64", "1", "scattering coefficient", ("side", "band")),
    Item("area_m2", "float64", "m2", "of each side", ("side",)),
))  # fmt: skip

MATERIAL: Final = Group(
    "/layouts/{layout}/materials/{material}", "One material that is used.", (
    Item("name", "text", "", "as the scene calls it"),
    Item("alpha", "float64", "1", "likely absorption coefficient", _B),
    Item("alpha_low", "float64", "1", "its lower bound", _B),
    Item("alpha_high", "float64", "1", "its upper bound", _B),
    Item("scattering", "float64", "1", "scattering coefficient", _B),
    Item("source", "text", "", "where the numbers come from"),
    Item("note", "text", "", "remark"),
    Item("density_kg_m3", "float64", "kg/m3", "mass per volume", None, True),
    Item("fire", "text", "", "what is usually known of how it burns"),
    Item("handling", "text", "", "what to take care of when working with it"),
    Item("stack_json", "text", "", "layers that alpha was computed from, front to back",
         None, True),
    Item("behind_alpha", "float64", "1", "part of alpha: of the wall behind the layers", _B,
         True),
    Item("place_file", "text", "", "where the scene said so"),
    Item("place_line", "int64", "1", "line of it"),
))  # fmt: skip

SOURCE: Final = Group("/sources/{i_source}", "One point that sounds.", (
    Item("name", "text", "", "as the scene calls it"),
    Item("position_m", "float64", "m", "where it is", ("xyz",)),
    Item("aim", "float64", "1", "unit vector of its axis", ("xyz",)),
    Item("level_db", "float64", "dB", "sound pressure level at 1 m on axis", None, True),
    Item("receivers", "text", "", "who hears it; absent: all", ("receiver",), True),
    Item("place_file", "text", "", "where the scene said so"),
    Item("place_line", "int64", "1", "line of it"),
))  # fmt: skip

DIRECTIVITY: Final = Group(
    "/sources/{i_source}/directivity", "How a source favours directions.", (
    Item("name", "text", "", "of the table"),
    Item("source", "text", "", "where the numbers come from"),
    Item("level_db", "float64", "dB", "re the axis; 0 to 180 degrees evenly",
         ("band", "angle")),
))  # fmt: skip

RECEIVER: Final = Group("/receivers/{i_receiver}", "One point that listens.", (
    Item("name", "text", "", "as the scene calls it"),
    Item("position_m", "float64", "m", "where it is", ("xyz",)),
    Item("aim", "float64", "1", "unit vector", ("xyz",)),
    Item("pattern", "float64", "1", "share p of p + (1 - p) cos(theta)"),
    Item("place_file", "text", "", "where the scene said so"),
    Item("place_line", "int64", "1", "line of it"),
))  # fmt: skip

LAYOUT: Final = Group(
    "/layouts/{layout}",
    "One layout and its complete sources: a killed run leaves no half of one.", (
    Item("name", "text", "", "of layout and state, or \"as described\""),
    Item("treatment_layout", "text", "", "as the scene calls the layout; empty: none"),
    Item("state", "text", "", "as the scene calls the state; empty: as described"),
    Item("about", "text", "", "of layout and state"),
    Item("key", "text", "", "SHA-256 of all that its results depend on"),
    Item("index", "int64", "1", "place in the order of layouts"),
))  # fmt: skip

LAYOUT_SOURCE: Final = Group(
    "/layouts/{layout}/pairs/{source}", "What concerns one source, whoever listens.", (
    Item("name", "text", "", "of the source"),
    Item("n_ray", "int64", "1", "rays sent", None, True),
    Item("n_segment", "int64", "1", "straight pieces they travelled", None, True),
    Item("n_lost", "int64", "1", "rays that met no surface, or a back", None, True),
    Item("n_round", "int64", "1", "rounds until the numbers were certain", None, True),
))  # fmt: skip

PAIR: Final = Group(
    "/layouts/{layout}/pairs/{source}/{receiver}", "One source and one receiver.", (
    Item("name", "text", "", "of the receiver"),
    Item("index", "int64", "1", "place in the order of pairs"),
))  # fmt: skip

ARRIVALS: Final = Group(
    PAIR.path + "/arrivals", "Specular paths by image sources, sorted by delay.", (
    Item("delay_s", "float64", "s", "after emission", ("arrival",)),
    Item("distance_m", "float64", "m", "length of the path", ("arrival",)),
    Item("order", "int64", "1", "number of reflections", ("arrival",)),
    Item("direction", "float64", "1", "unit vector, receiver to where the sound comes from",
         ("arrival", "xyz")),
    Item("departure", "float64", "1", "unit vector along the first leg", ("arrival", "xyz")),
    Item("surfaces", "int64", "1", "sides met, numbers in `sides`, padded with -1",
         ("arrival", "reflection")),
    Item("energy", "float64", "1", "re free field at 1 m on axis, omnidirectional: a "
         "microphone p takes (p + (1 - p) cos)^2 of it, cos between direction and aim",
         ("arrival", "band")),
    Item("cosine", "float64", "1", "of the angle of incidence at each side met, from its "
         "normal, padded with nan", ("arrival", "reflection"), True),
))  # fmt: skip

HISTOGRAM: Final = Group(
    PAIR.path + "/histogram", "Energy from rays: all that the arrivals do not hold.", (
    Item("bin_s", "float64", "s", "length of a time bin"),
    Item("time_s", "float64", "s", "begin of each bin, after emission", ("time",)),
    Item("energy", "float32", "1", "per bin, re free field at 1 m on axis, "
         "omnidirectional: what a microphone takes follows from the moments; "
         "batches are independent and their mean is the estimate",
         ("batch", "band", "time")),
    Item("moments", "float32", "1", "energy times x, y, z, xx, yy, xy, xz, yz of the "
         "unit direction of arrival, mean of the batches", ("moment", "band", "time")),
))  # fmt: skip

RESPONSE: Final = Group(
    PAIR.path + "/response",
    "The impulse response at the receiver's own microphone, made from the above.", (
    Item("sample_rate_hz", "int64", "Hz", "samples per second"),
    Item("sample", "int64", "1", "number of the sample; time is sample / sample_rate_hz",
         ("sample",)),
    Item("impulse", "float32", "1", "pressure re free field at 1 m on axis", ("sample",)),
), optional=True)  # fmt: skip

MEASURES: Final = Group(
    PAIR.path + "/measures",
    "What was read off the above, as the receiver's own microphone takes it (G, J_LF and L_J "
    "have microphones of their own).", (
    Item("{measure}", "float64", "own", "value; its true name is the attribute `name`; "
         "without axis if the measure has no bands", _B, or_single=True),
    Item("{measure}_error", "float64", "own", "its standard error", _B, True, True),
), optional=True)  # fmt: skip

BASS: Final = Group(
    "/layouts/{layout}/bass", "Below the crossover, by the wave solver.", (
    Item("key", "text", "", "SHA-256 of all that it depends on"),
    Item("spacing_m", "float64", "m", "side of a cell of the solver's grid"),
    Item("imbalance", "float64", "1", "worst error of the balance of energy, as a share"),
), optional=True)  # fmt: skip

BASS_PAIR: Final = Group(
    BASS.path + "/pairs/{source}/{receiver}", "Pressure of one source at one receiver.", (
    Item("source", "text", "", "as the scene calls it"),
    Item("receiver", "text", "", "as the scene calls it"),
    Item("index", "int64", "1", "place in the order of pairs"),
    Item("sample_rate_hz", "float64", "Hz", "samples per second"),
    Item("low_hz", "float64", "Hz", "the response is complete from here"),
    Item("high_hz", "float64", "Hz", "up to here"),
    Item("crossover_hz", "float64", "Hz", "it is used below, paths and rays above"),
    Item("pressure", "float32", "1", "re a unit impulse at 1 m in free field, from emission, "
         "source and receiver omnidirectional", ("bass sample",)),
    Item("around", "float32", "1", "the same 0.1 m before and behind the receiver along x, y, "
         "then z; nan where there is no air", ("neighbour", "bass sample")),
), optional=True)  # fmt: skip

BASS_MODES: Final = Group(BASS.path + "/modes", "Standing waves, by rising frequency.", (
    Item("freq_hz", "float64", "Hz", "natural frequency", ("mode",)),
    Item("decay_s", "float64", "s", "time to fall by 60 dB", ("mode",)),
    Item("along", "float64", "1", "share of its motion along x, y, z", ("mode", "xyz")),
    Item("kind", "text", "", "what it is, in words", ("mode",)),
    Item("between_json", "text", "", "names of the surfaces it stands between, a JSON list",
         ("mode",)),
    Item("at_source", "float64", "1", "pressure re its root mean square over the room, by "
         "number of the source", ("mode", "source")),
    Item("at_receiver", "float64", "1", "the same, by number of the receiver",
         ("mode", "receiver")),
), optional=True)  # fmt: skip

SEAT_MAP: Final = Group(
    BASS.path + "/maps/{source}", "Bass over a level plane, for one source.", (
    Item("source", "text", "", "as the scene calls it"),
    Item("index", "int64", "1", "place in the order of maps"),
    Item("height_m", "float64", "m", "of the plane"),
    Item("x_m", "float64", "m", "where its points are", ("x",)),
    Item("y_m", "float64", "m", "where its points are", ("y",)),
    Item("freq_hz", "float64", "Hz", "middles of twelfths of an octave", ("frequency",)),
    Item("level_db", "float32", "dB", "mean energy in each, re free field at 1 m; nan where "
         "nobody can be", ("frequency", "y", "x")),
), optional=True)  # fmt: skip

GROUPS: Final = (
    ROOT, PROVENANCE, BANDS, AIR, SOURCE, DIRECTIVITY, RECEIVER, LAYOUT, ROOM, SIDES, MATERIAL,
    LAYOUT_SOURCE, PAIR, ARRIVALS, HISTOGRAM, RESPONSE, MEASURES, BASS, BASS_PAIR, BASS_MODES,
    SEAT_MAP,
)  # fmt: skip


def escape(name: str) -> str:
    """Give the HDF5 name for a name of the scene.

    HDF5 keeps "/" for paths, and "." and the empty name for itself; these three, and
    "%", become per cent and two hexadecimal digits. The true name is kept as the
    attribute ``name``.

    Examples
    --------
    >>> escape("mic/left 1.5 m")
    'mic%2Fleft 1%2E5 m'
    """
    return re.sub(r"[%/.]", lambda m: f"%{ord(m[0]):02X}", name) or "%"


def schema_markdown() -> str:
    """Give the text of `SCHEMA.md`, printed from the table above."""
    lines = [
        f"# Result file, schema version {SCHEMA_VERSION}",
        "",
        "<!-- Printed from schema.py; a test compares. -->",
        "",
        "One HDF5 file per scene, readable with plain h5py. Every layout has a room of its",
        "own. Version 1 had one room for the file. Names in braces stand for one",
        'group or dataset per name; "/", "." and "%" in a name are escaped as %2F, %2E and',
        "%25, and the true name is the attribute `name`. `@` marks an attribute. Every",
        "number array has its unit as attribute `unit` and its axes as dimension labels.",
        "Dimension scales: "
        + ", ".join(f"{axis} by `{scale}`" for axis, scale in SCALES.items())
        + ".",
        "",
        f"Arrays above {COMPRESS_ABOVE} bytes are shuffled, deflated (gzip) and",
        "check-summed. float32 is used where its rounding, 6e-8 of the value or 3e-7 dB,",
        "lies far below anything audible; delays are float64.",
    ]
    for group in GROUPS:
        optional = " Optional." if group.optional else ""
        lines += ["", f"## `{group.path}`", "", group.meaning + optional, ""]
        lines += ["| name | axes | type | unit | meaning |", "|---|---|---|---|---|"]
        for item in group.items:
            name = ("@" if item.axes is None else "") + item.name
            axes = "-" if item.axes is None else ", ".join(item.axes) or "single"
            meaning = item.meaning + (" (optional)" if item.optional else "")
            lines.append(f"| `{name}` | {axes} | {item.dtype} | {item.unit} | {meaning} |")
    return "\n".join(lines) + "\n"
