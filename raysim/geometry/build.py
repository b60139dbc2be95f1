"""From the records of a scene to one closed mesh, or to a list of what is wrong with it.

Order: the bare room as facets, finishes, things set in their places, patches cut out,
contact areas taken away, triangles; then the checks that need the finished mesh.
"""

from collections.abc import Sequence
from dataclasses import replace
from difflib import get_close_matches

import numpy as np
from shapely.geometry import LinearRing

from raysim.errors import Complaint, SceneError, figure
from raysim.geometry.contact import clashes, subtract_contacts
from raysim.geometry.drawing import draw_facets
from raysim.geometry.edges import mesh_edges_open
from raysim.geometry.inside import enclosed_volume_m3, inside_air, nearest_surface
from raysim.geometry.mesh import MeshSurface, RoomMesh
from raysim.geometry.mesh_file import Y_UP_KINDS, read_facets
from raysim.geometry.patches import cut_patches
from raysim.geometry.polygons import Facet
from raysim.geometry.soundness import LARGEST_M, SMALLEST_M, edge_text
from raysim.geometry.things import holds, settled, thing_facets
from raysim.geometry.triangulate import plane_numbers, triangulate
from raysim.scene.model import DrawnRoom, MeshRoom, Patch, Scene, Thing
from raysim.scene.place import Place
from raysim.units import Float

#: Corners this close are one, metres: rounding in a drawn room, and single-precision
#: coordinates in a mesh file.
DRAWN_M = 1e-7
FILE_M = 2e-5
#: A source or receiver nearer to a surface than this is a mistake, metres.
CLEAR_M = 0.01
#: ... and at less than this it lies on it: rounding.
ON_M = 1e-6


def build_room(scene: Scene) -> RoomMesh:
    """Give the closed mesh of a scene.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    RoomMesh

    Raises
    ------
    SceneError
        With every mistake found, codes RS-G01 to RS-G43.
    """
    complaints: list[Complaint] = []
    mesh = collect_room(scene, complaints, [])
    if mesh is None or complaints:
        raise SceneError(complaints)
    return mesh


def collect_room(
    scene: Scene, complaints: list[Complaint], notes: list[str]
) -> RoomMesh | None:
    """Give the closed mesh of a scene, or None after complaining.

    Parameters
    ----------
    scene : Scene
    complaints : list of Complaint
        Mistakes are appended. A line of the scene file that is complained of already
        is left in peace: one mistake, one complaint.
    notes : list of str
        What was done to make the mesh, one sentence each: repairs, things moved to
        touch a wall, patches that reach beyond their surface.
    """
    found: list[Complaint] = []
    mesh = _collect(scene, found, notes)
    # Scenes built in Python have no lines to tell mistakes apart by.
    known = {c.where for c in complaints if not c.where.startswith("(")}
    complaints.extend(c for c in found if c.where not in known)
    return None if found else mesh


def _collect(scene: Scene, complaints: list[Complaint], notes: list[str]) -> RoomMesh | None:
    found = bare_room(scene, complaints, notes)
    if found is None:
        return None
    room, exact_m = found
    tolerance_m = corner_tolerance_m(scene)
    _check_names(scene, room, complaints)
    room = finished(scene, room, complaints)
    bare = assemble(room, exact_m, tolerance_m)
    if not _check_shell(bare, scene.room.place, complaints):
        return None

    # A mesh file's reader has dealt with patches that pick faces by number.
    by_limits = patches_by_limits(scene)
    things, placed = _placed(scene.things, room, complaints, notes)
    clashes(things, room, bare.triangles_m, complaints)
    corners = np.concatenate([f.corners_m() for f in (*room, *placed)])
    patched = cut_patches([*room, *placed], by_limits, tolerance_m, complaints, notes)
    if complaints:
        # Points can still be checked against the bare room.
        _check_points(scene, bare, things, complaints)
        return None
    facets = subtract_contacts(patched, tolerance_m)
    mesh = assemble(facets, np.concatenate([bare.vertices_m, corners]), tolerance_m)
    mesh = replace(mesh, envelope_volume_m3=bare.air_volume_m3, envelope_area_m2=bare.area_m2)
    if _check_shell(mesh, scene.room.place, complaints):
        _check_points(scene, mesh, things, complaints)
    return mesh


def corner_tolerance_m(scene: Scene) -> float:
    """Give how far apart two corners of a room may lie to be one."""
    return DRAWN_M if isinstance(scene.room, DrawnRoom) else FILE_M


def patches_by_limits(scene: Scene) -> list[Patch]:
    """Give the patches that are still to be cut when the room has been read."""
    drawn = isinstance(scene.room, DrawnRoom)
    return [p for p in scene.patches if drawn or p.faces is None]


def bare_room(
    scene: Scene, complaints: list[Complaint], notes: list[str]
) -> tuple[list[Facet], Float] | None:
    """Give the facets of a room without finishes, patches and things; None after complaining.

    Returns
    -------
    list of Facet, (n, 3) float64
        The second: exact places of corners that rounding has moved, if any.
    """
    if not isinstance(scene.room, DrawnRoom):
        return read_facets(scene.room, scene.patches, complaints, notes)
    room = draw_facets(scene.room, complaints)
    if room is None:
        return None
    if not LinearRing(scene.room.plan_m).is_ccw:
        notes.append(_clockwise(scene.room))
    return room, np.zeros((0, 3))


def _clockwise(room: DrawnRoom) -> str:
    """Say which wall is which in a plan that runs the less usual way."""
    a, b = ("(" + ", ".join(figure(x, 4) for x in room.plan_m[i]) + ")" for i in (0, 1))
    return (
        "The plan runs clockwise seen from above. Wall i runs from corner i to the next: "
        f'"{room.wall_names[0]}" from {a} to {b}.'
    )


def assemble(facets: Sequence[Facet], anchors_m: Float, tolerance_m: float) -> RoomMesh:
    """Give facets as one mesh; see `triangulate` for anchors and tolerance."""
    vertices_m, faces, face_facet = triangulate(facets, anchors_m, tolerance_m)
    sides = [
        MeshSurface(f.surface, f.material, f.back_surface, f.back_material) for f in facets
    ]
    surfaces = tuple(dict.fromkeys(sides[i] for i in np.unique(face_facet)))
    row = {side: i for i, side in enumerate(surfaces)}
    face_surface = np.array([row[sides[i]] for i in face_facet], dtype=np.int64)
    _, face_plane = np.unique(
        plane_numbers(facets, tolerance_m)[face_facet], return_inverse=True
    )
    mesh = RoomMesh(vertices_m, faces, face_surface, face_plane, surfaces, 0.0, 0.0, 0.0, 0.0)
    sheet = np.array([s.back_name is not None for s in surfaces])[face_surface]
    volume_m3 = enclosed_volume_m3(mesh.triangles_m[~sheet])
    area_m2 = float((mesh.face_area_m2 * (1.0 + sheet)).sum())
    for array in (vertices_m, faces, face_surface, face_plane):
        array.setflags(write=False)
    return replace(
        mesh,
        envelope_volume_m3=volume_m3,
        envelope_area_m2=area_m2,
        air_volume_m3=volume_m3,
        area_m2=area_m2,
    )


def _check_names(scene: Scene, room: list[Facet], complaints: list[Complaint]) -> None:
    """Complain if two surfaces, patches or things have one name."""
    first: dict[str, str] = {f.surface: "a surface of the room" for f in room}
    own: list[tuple[str, str, Place]] = []
    for p in scene.patches:
        own.append((p.name, "a patch", p.place))
    for t in scene.things:
        own += [(f.surface, f'thing "{t.name}"', t.place) for f in thing_facets(t, [])[:1]]
    for name, kind, place in own:
        if name in first and not (kind == "a patch" and _names_faces(scene, name)):
            complaints.append(
                Complaint(
                    str(place),
                    f'the name "{name}" is used by {first[name]} and by {kind}.',
                    "Give each a name of its own.",
                    "RS-G07",
                )
            )
        first.setdefault(name, kind)


def _names_faces(scene: Scene, name: str) -> bool:
    """Tell if a patch is given by face numbers: the mesh reader has made it a surface."""
    return sum(p.name == name for p in scene.patches) == 1 and any(
        p.name == name and p.faces is not None for p in scene.patches
    )


def finished(scene: Scene, room: list[Facet], complaints: list[Complaint]) -> list[Facet]:
    """Give the room's facets with their materials; complain of gaps and unknown names."""
    names = list(dict.fromkeys(f.surface for f in room))
    material = {p.name: p.material for p in scene.patches if p.faces is not None}
    for finish in scene.finishes:
        if finish.surface in names:
            material.setdefault(finish.surface, finish.material)
            continue
        near = get_close_matches(finish.surface, names, n=1)
        hint = f'Did you mean "{near[0]}"?' if near else "It has " + ", ".join(names) + "."
        complaints.append(
            Complaint(
                str(finish.place),
                f'the room has no surface "{finish.surface}".',
                hint,
                "RS-G05",
            )
        )
    bare = [n for n in names if n not in material]
    if bare:
        listed = ", ".join(f'"{n}"' for n in bare)
        complaints.append(
            Complaint(
                str(scene.room.place),
                f"no material is given for {listed}.",
                "Every surface needs one.",
                "RS-G06",
            )
        )
    return [replace(f, material=material.get(f.surface, "")) for f in room]


def _check_shell(mesh: RoomMesh, place: Place, complaints: list[Complaint]) -> bool:
    """Complain of leaks and of a size that no room has; tell if there was nothing."""
    gaps = mesh_edges_open(mesh)
    if len(gaps):
        shown = "; ".join(edge_text(e) for e in gaps[:3])
        more = f" and {len(gaps) - 3} more" if len(gaps) > 3 else ""
        complaints.append(
            Complaint(
                str(place),
                f"the room leaks along {len(gaps)} edges: {shown}{more}.",
                "Close the gap between the faces that should meet there.",
                "RS-G14",
            )
        )
    size_m = float(np.ptp(mesh.vertices_m, axis=0).max())
    if not SMALLEST_M <= size_m <= LARGEST_M:
        complaints.append(
            Complaint(
                str(place),
                f"the room is {figure(size_m)} m long.",
                "Check the unit: are millimetres or centimetres taken for metres, or the "
                "other way round?",
                "RS-G04",
            )
        )
        return False
    return not len(gaps)


def _placed(
    things: Sequence[Thing], room: list[Facet], complaints: list[Complaint], notes: list[str]
) -> tuple[list[Thing], list[Facet]]:
    """Give the sound things, set against what they nearly touch, and their facets."""
    kept: list[Thing] = []
    placed: list[Facet] = []
    for thing in things:
        if not thing_facets(thing, complaints):
            continue
        now = settled(thing, [*room, *placed])
        before, after = (
            np.concatenate([f.corners_m() for f in thing_facets(t, [])]) for t in (thing, now)
        )
        shift_m = float(np.linalg.norm(before - after, axis=1).max())
        if shift_m > 1e-6:
            notes.append(
                f'Thing "{thing.name}" is moved by {1000 * shift_m:.2f} mm to stand against '
                "what it nearly touched."
            )
        kept.append(now)
        placed += thing_facets(now, [])
    return kept, placed


def _check_points(
    scene: Scene, mesh: RoomMesh, things: Sequence[Thing], complaints: list[Complaint]
) -> None:
    """Complain of sources and receivers outside the air or against a surface."""
    kinds = [("source", s) for s in scene.sources] + [("receiver", r) for r in scene.receivers]
    outside = 0
    for kind, point in kinds:
        at = np.asarray(point.position_m, dtype=np.float64)
        spot = "(" + ", ".join(figure(x, 4) for x in at) + ") m"
        head = f'{kind} "{point.name}" at {spot}'
        if not np.isfinite(at).all():
            code, wrong, fix = "RS-G40", "is nowhere.", "Give three finite numbers."
        else:
            within = [t.name for t in things if holds(t, at)]
            away_m, surface = nearest_surface(mesh, at)
            if within:
                code, wrong = "RS-G41", f'lies inside thing "{within[0]}".'
                fix = "Move one of them."
            elif away_m < ON_M:
                code, wrong = "RS-G40", f'lies on the surface "{surface}".'
                fix = f"Move it into the room by at least {1000 * CLEAR_M:g} mm."
            elif not inside_air(mesh, at[None])[0]:
                code, wrong = (
                    "RS-G40",
                    f'lies outside the room, {figure(away_m)} m past "{surface}".',
                )
                fix = "Move it inside."
                outside += 1
                if outside == 2 and _may_have_y_up(scene.room):
                    fix += " Is y up in the mesh file? z must be."
            elif away_m < CLEAR_M:
                code, wrong = "RS-G42", f'is {figure(1000 * away_m, 2)} mm from "{surface}".'
                fix = f"Keep at least {1000 * CLEAR_M:g} mm."
            else:
                continue
        complaints.append(Complaint(str(point.place), f"{head} {wrong}", fix, code))
    for source in scene.sources:
        for receiver in scene.receivers:
            gap_m = float(np.linalg.norm(source.position_m - receiver.position_m))
            gap_mm = figure(1000 * gap_m, 2)
            heard = source.receivers is None or receiver.name in source.receivers
            if heard and gap_m < CLEAR_M:
                complaints.append(
                    Complaint(
                        str(receiver.place),
                        f'receiver "{receiver.name}" is {gap_mm} mm from source '
                        f'"{source.name}".',
                        f"Keep at least {1000 * CLEAR_M:g} mm, or leave it out of the source's "
                        "receivers.",
                        "RS-G43",
                    )
                )


def _may_have_y_up(room: DrawnRoom | MeshRoom) -> bool:
    """Tell if a room's file has no say in which way is up, as glTF has."""
    return isinstance(room, MeshRoom) and room.path.suffix.lower() not in Y_UP_KINDS
