"""A room from a mesh file as facets, if the mesh is one closed, outward-facing shell.

OBJ, STL, PLY and glTF/GLB. z is up, but y in glTF, as its standard (Khronos glTF 2.0,
3.4) has it, and lengths are in the unit that the scene states. Surfaces are named
by groups, materials or objects; a file without names is one surface, "room". Normals
in the file face outwards, as for a solid body; here they are turned into the air.
"""

from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path

import numpy as np
import trimesh
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from shapely.geometry import Polygon

from raysim.errors import Complaint, figure
from raysim.geometry.obj_file import read_obj
from raysim.geometry.polygons import Facet, common, facet_from, joined
from raysim.geometry.soundness import checked
from raysim.geometry.soup import Soup, seams_of
from raysim.geometry.triangulate import coplanar_pairs
from raysim.scene.model import MeshRoom, Patch
from raysim.units import Float

#: Metres per unit.
UNIT_M = {"m": 1.0, "cm": 0.01, "mm": 0.001, "in": 0.0254, "ft": 0.3048}
#: Where the standard says that y is up; it is turned on reading.
Y_UP_KINDS = (".glb", ".gltf")
KINDS = (".obj", ".stl", ".ply", *Y_UP_KINDS)
#: More faces than this are a scan, not a room.
MOST_FACES = 200_000
#: Neighbours whose corners are this close to a triangle's plane lie in it, metres.
PLANE_M = 1e-5


def read_facets(
    room: MeshRoom, patches: Sequence[Patch], complaints: list[Complaint], notes: list[str]
) -> tuple[list[Facet], Float] | None:
    """Give the facets of a mesh file and its vertices, or None after complaining.

    Parameters
    ----------
    room : MeshRoom
    patches : sequence of Patch
        Those by face numbers give their faces a surface of their own here.
    complaints : list of Complaint
        Mistakes are appended: RS-G10 to RS-G19, RS-G04, RS-G20, RS-G22.
    notes : list of str
        What a repair did, one sentence each.
    """
    if room.unit not in UNIT_M:
        known = ", ".join(UNIT_M)
        _complain(
            complaints, str(room.place), f'unit "{room.unit}".', f"Use {known}.", "RS-G10"
        )
        return None
    n_before = len(complaints)
    soup = _read(room.path, UNIT_M[room.unit], complaints)
    if soup is None or len(complaints) > n_before:
        return None
    if len(soup.corners) > MOST_FACES:
        _complain(
            complaints,
            str(room.path),
            f"it has {len(soup.corners)} faces; at most {MOST_FACES} can be used.",
            "Simplify the mesh: a room needs tens to thousands of faces.",
            "RS-G18",
        )
        return None
    if not len(soup.corners):
        fix = "Export the room's faces as a mesh."
        _complain(complaints, str(room.path), "it has no faces.", fix, "RS-G10")
        return None
    bad = np.flatnonzero(~np.isfinite(soup.points_m).all(axis=1))
    if len(bad):
        wrong = f"{len(bad)} vertices are not finite numbers, the first is vertex {bad[0] + 1}."
        _complain(complaints, str(room.path), wrong, "Export the mesh again.", "RS-G11")
        return None
    sound = checked(soup.welded(), room, complaints, notes)
    named = _patched(soup if sound is None else sound, patches, complaints)
    if sound is None or len(complaints) > n_before:
        return None
    into_air = named.turned(np.arange(len(named.corners)))
    facets = _facets(into_air, room, complaints)
    return None if facets is None else (facets, soup.points_m[np.unique(into_air.corners)])


def _complain(complaints: list[Complaint], where: str, wrong: str, fix: str, code: str) -> None:
    complaints.append(Complaint(where, wrong, fix, code))


def _read(path: Path, scale_m: float, complaints: list[Complaint]) -> Soup | None:
    """Give the triangles of a file in metres, z up, or complain."""
    try:
        wrong = _fault(path)
    except OSError:  # no right to read it, or to search a folder above it
        wrong = "the file may not be read."
    if wrong:
        fix = "Give the path of an OBJ, STL, PLY, glTF or GLB file."
        _complain(complaints, str(path), wrong, fix, "RS-G10")
        return None
    if path.suffix.lower() == ".obj":
        return read_obj(path, scale_m, complaints)
    try:
        return _from_trimesh(path, scale_m)
    except Exception as reason:  # whatever a reader makes of a broken file
        kind = path.suffix[1:].upper()
        wrong = f"it cannot be read as {kind} ({type(reason).__name__}: {reason})."
        fix = "Export the mesh again; the file may be cut off."
        _complain(complaints, str(path), wrong, fix, "RS-G10")
        return None


def _fault(path: Path) -> str:
    """Say what is wrong with a file as a whole, or nothing."""
    kind = path.suffix.lower()
    if kind not in KINDS:
        return f'a mesh cannot be read from "{path.suffix}".'
    if not path.is_file():
        return "there is no such file."
    with path.open("rb") as file:
        if not file.read(1):
            return "the file is empty."
    if kind == ".stl" and not _is_whole_stl(path.read_bytes()):
        return "the file is cut off, or no STL."
    return ""


def _is_whole_stl(data: bytes) -> bool:
    """Tell if an STL file ends where it says: 50 bytes a face, or endsolid in text."""
    count = int.from_bytes(data[80:84], "little")
    if len(data) >= 84 and len(data) == 84 + 50 * count:
        return True
    return data.lstrip().startswith(b"solid") and b"endsolid" in data[-1000:]


def _from_trimesh(path: Path, scale_m: float) -> Soup:
    loaded = trimesh.load(str(path), process=False)
    named: list[tuple[str, object, Float]] = []
    is_gltf = path.suffix.lower() in Y_UP_KINDS
    if isinstance(loaded, trimesh.Scene):
        for node in loaded.graph.nodes_geometry:
            transform, name = loaded.graph[node]
            mesh = loaded.geometry[name]
            material = getattr(getattr(mesh.visual, "material", None), "name", None)
            label = (material or node) if is_gltf else "room"
            named.append((str(label), mesh, np.asarray(transform)))
    else:
        named.append(("room", loaded, np.eye(4)))
    points, corners, names, n_point = [np.zeros((0, 3))], [], [], 0
    for name, mesh, transform in named:
        if not isinstance(mesh, trimesh.Trimesh):
            continue  # lines and points are no surface
        at = (
            np.asarray(mesh.vertices, dtype=np.float64) @ transform[:3, :3].T + transform[:3, 3]
        )
        points.append(at)
        corners.append(np.asarray(mesh.faces, dtype=np.int64) + n_point)
        names += [name] * len(mesh.faces)
        n_point += len(at)
    all_points = np.concatenate(points) * scale_m
    if is_gltf:
        all_points = np.column_stack([all_points[:, 0], -all_points[:, 2], all_points[:, 1]])
    faces = np.concatenate([np.zeros((0, 3), dtype=np.int64), *corners])
    if len(faces) and (faces.min() < 0 or faces.max() >= len(all_points)):
        raise ValueError("a face uses a vertex that is not there")
    return Soup(all_points, faces, np.arange(1, len(faces) + 1), tuple(names))


def _patched(soup: Soup, patches: Sequence[Patch], complaints: list[Complaint]) -> Soup:
    """Give the faces that patches pick by number the patch's name, or complain."""
    surface = list(soup.surface)
    known = dict.fromkeys(soup.surface)
    most = int(soup.number.max())
    for patch in (p for p in patches if p.faces is not None):
        head, where = f'patch "{patch.name}":', str(patch.place)
        missing = [i for i in patch.faces or () if not 1 <= i <= most]
        if patch.on not in known:
            near = get_close_matches(patch.on, known, n=1)
            hint = f'Did you mean "{near[0]}"?' if near else f"It has {', '.join(known)}."
            wrong = f'{head} there is no surface "{patch.on}".'
            _complain(complaints, where, wrong, hint, "RS-G20")
            continue
        if missing:
            wrong = f"{head} there is no face {missing[0]}."
            fix = f"The faces of the file are numbered from 1 to {most}."
            _complain(complaints, where, wrong, fix, "RS-G22")
            continue
        rows = np.flatnonzero(np.isin(soup.number, patch.faces or ()))
        stray = [int(soup.number[i]) for i in rows if surface[i] != patch.on]
        if stray:
            row = int(np.flatnonzero(soup.number == stray[0])[0])
            wrong = f'{head} face {stray[0]} is part of "{surface[row]}", not of "{patch.on}".'
            _complain(complaints, where, wrong, "Pick faces of one surface.", "RS-G22")
            continue
        if not len(rows):
            wrong = f'{head} it picks no face of "{patch.on}".'
            _complain(complaints, where, wrong, "Pick at least one.", "RS-G21")
        for i in rows:
            surface[i] = patch.name
    return Soup(soup.points_m, soup.corners, soup.number, tuple(surface))


def _facets(soup: Soup, room: MeshRoom, complaints: list[Complaint]) -> list[Facet] | None:
    """Join neighbouring triangles of one surface and plane; complain if they overlap."""
    triangles = soup.triangles_m
    cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    size = np.linalg.norm(cross, axis=1)
    normal = cross / size[:, None]
    seams = seams_of(soup)
    order = np.argsort(seams.pair, kind="stable")
    pair, row = seams.pair[order], seams.row[order]
    beside = np.flatnonzero(pair[1:] == pair[:-1])
    a, b = row[beside], row[beside + 1]
    names = np.array(soup.surface)
    same = (names[a] == names[b]) & ((normal[a] * normal[b]).sum(axis=1) > np.cos(2e-3))
    for i, j in ((a, b), (b, a)):
        away = np.abs(((triangles[j] - triangles[i][:, :1]) * normal[i][:, None]).sum(axis=2))
        # The plane of the larger triangle is the better known.
        same &= (away.max(axis=1) <= PLANE_M) | (size[i] < size[j])
    n = len(triangles)
    graph = coo_matrix((np.ones(int(same.sum())), (a[same], b[same])), shape=(n, n))
    n_group, group = connected_components(graph, directed=False)
    facets: list[Facet] = []
    rows_of = np.split(np.argsort(group, kind="stable"), np.cumsum(np.bincount(group))[:-1])
    for rows in rows_of[:n_group]:
        head = rows[size[rows].argmax()]
        frame = facet_from(triangles[head], soup.surface[head])
        if len(rows) == 1:
            facets.append(frame)
            continue
        away = np.abs(frame.distance_m(triangles[rows].reshape(-1, 3))).max()
        if away > 2.0 * PLANE_M:
            # Beyond that the neighbours follow a curve, each a little off the last.
            facets += [facet_from(triangles[i], soup.surface[i]) for i in rows]
            continue
        flat = frame.to_plane(triangles[rows].reshape(-1, 3)).reshape(-1, 3, 2)
        whole = joined(Polygon(t) for t in flat)
        twice_m2 = 0.5 * float(size[rows].sum()) - whole.area
        if twice_m2 > 1e-3 * whole.area:
            _complain_of_overlap(frame, frame, twice_m2, room, complaints)
            return None
        facets += frame.cut_to(whole)
    for facing in (1, -1):
        for one, other in coplanar_pairs(facets, 2.0 * PLANE_M, facing):
            here, there = facets[one], facets[other]
            shared = common(here.polygon, here.shape_of(there))
            if shared.area > 1e-6:
                _complain_of_overlap(here, there, shared.area, room, complaints)
                return None
    return facets


def _complain_of_overlap(
    here: Facet, there: Facet, area_m2: float, room: MeshRoom, complaints: list[Complaint]
) -> None:
    at = ", ".join(figure(round(x, 3)) for x in here.corners_m().mean(axis=0))
    _complain(
        complaints,
        str(room.path),
        f'{figure(area_m2)} m2 of "{here.surface}" near ({at}) m lie on "{there.surface}".',
        "Delete the faces that are there twice, or undo the fold.",
        "RS-G19",
    )
