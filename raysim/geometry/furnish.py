"""A scene with one layout and one state set into it, as a plain scene.

What a layout or state moves out is left out, other materials are put in, and every item
becomes a thing or a part of a surface with materials of its own. Surfaces of an item are
named by it: "W1 front". Gaps behind pieces are air in the mesh; the material of a front
counts the gap and what the surface behind it absorbs as well, as if the piece went on
for ever, so what little sound finds its way behind is counted twice.
"""

from collections.abc import Sequence
from dataclasses import replace
from difflib import get_close_matches

import numpy as np
from shapely.geometry import Polygon

from raysim.absorbers.layers import Layer, Porous, Sheet
from raysim.errors import Complaint
from raysim.geometry.build import (
    bare_room,
    corner_tolerance_m,
    finished,
    patches_by_limits,
)
from raysim.geometry.families import ASIDE, piece_of
from raysim.geometry.patches import LEAST_M2, ON_PLANE_M, cut_patches
from raysim.geometry.piece import Piece, shares_place
from raysim.geometry.place_item import grounds
from raysim.geometry.placed import Placed
from raysim.geometry.polygons import Facet, common
from raysim.scene.model import Material, Patch, Scene
from raysim.scene.plan import Item, Layout, State, Treatment
from raysim.scene.treated import back_material, edge_material, free_material, front_material
from raysim.units import Float


def furnish(
    scene: Scene,
    layout: Layout | None,
    state: State | None,
    complaints: list[Complaint],
    notes: list[str],
) -> Scene:
    """Give a scene with the items of a layout in it, in a state.

    Parameters
    ----------
    scene : Scene
        As described.
    layout, state : None as described
    complaints : list of Complaint
        RS-T20 to RS-T29. What is complained of is left out.
    notes : list of str
        What was left out along with something else, and which curtains are drawn aside.

    Returns
    -------
    Scene
        For `raysim.geometry.build.collect_room`.
    """
    if layout is None and state is None:
        return scene
    items = () if layout is None else layout.items
    known = [t.name for t in scene.things] + [p.name for p in scene.patches]
    known += [i.name for lay in (*scene.layouts, layout) if lay for i in lay.items]
    away: list[str] = []
    for said in (layout, state):
        for name in () if said is None else said.without:
            if said is not None and name not in known:
                kind = "layout" if said is layout else "state"
                _unknown(name, f'{kind} "{said.name}"', str(said.place), known, complaints)
            away.append(name)
    scene = _emptied(scene, away, notes)
    if state is not None:
        scene = _with_materials(scene, state, complaints)
        items = tuple(i for i in items if i.name not in state.without)
        items = tuple(
            replace(i, drawn_aside=True) if i.name in state.drawn_aside else i for i in items
        )
    for item in items:
        if item.drawn_aside:
            notes.append(f'Curtain "{item.name}" is drawn aside.')
    return _with_items(scene, items, complaints)


def placed_items(scene: Scene, layout: Layout, complaints: list[Complaint]) -> list[Placed]:
    """Give where the items of a layout come to be; those that cannot are complained of."""
    room = bare_room(scene, [], [])
    if room is None:
        return []
    return [p.placed for p in _pieces(layout.items, room[0], complaints)]


def _unknown(
    name: str, who: str, where: str, known: Sequence[str], complaints: list[Complaint]
) -> None:
    near = get_close_matches(name, known, n=1)
    hint = f'Did you mean "{near[0]}"?' if near else f"There are {', '.join(known)}."
    complaints.append(
        Complaint(
            where, f'{who}: the scene has no thing, patch or item "{name}".', hint, "RS-T28"
        )
    )


def _emptied(scene: Scene, names: Sequence[str], notes: list[str]) -> Scene:
    """Give a scene without some things and patches, and without what is on them."""
    sides = ("top", "bottom", "side", "front", "back", "edge")
    gone = {f"{t.name} {side}" for t in scene.things if t.name in names for side in sides}
    patches = []
    for patch in scene.patches:
        if patch.name in names:
            gone.add(patch.name)
        elif patch.on in gone:
            gone.add(patch.name)
            notes.append(f'Patch "{patch.name}" is left out with what it is on.')
        else:
            patches.append(patch)
    things = tuple(t for t in scene.things if t.name not in names)
    return replace(scene, things=things, patches=tuple(patches))


def _with_materials(scene: Scene, state: State, complaints: list[Complaint]) -> Scene:
    """Give a scene with the materials that a state gives to patches and surfaces."""
    wanted = dict(state.material)
    known = [p.name for p in scene.patches] + [f.surface for f in scene.finishes]
    for name, material in state.material:
        head = f'state "{state.name}"'
        if name not in known:
            _unknown(name, head, str(state.place), known, complaints)
        if material not in scene.materials:
            near = get_close_matches(material, list(scene.materials), n=1)
            complaints.append(
                Complaint(
                    str(state.place),
                    f'{head}: no material "{material}".',
                    f'Did you mean "{near[0]}"?' if near else "Give one of the catalogue.",
                    "RS-T29",
                )
            )
            del wanted[name]
    return replace(
        scene,
        patches=tuple(
            replace(p, material=wanted.get(p.name, p.material)) for p in scene.patches
        ),
        finishes=tuple(
            replace(f, material=wanted.get(f.surface, f.material)) for f in scene.finishes
        ),
    )


def _pieces(
    items: Sequence[Item], room: Sequence[Facet], complaints: list[Complaint]
) -> list[Piece]:
    """Give the items that can be where they are said to be."""
    by_plane = grounds(room)
    kept: list[Piece] = []
    for item in items:
        piece = piece_of(item, room, by_plane, complaints)
        if piece is None:
            continue
        for other in kept:
            if shares_place(other, piece):
                complaints.append(
                    Complaint(
                        str(item.place),
                        f'item "{item.name}" and item "{other.placed.item.name}" are in each '
                        f'other\'s way on "{item.on}".',
                        "Move one of them.",
                        "RS-T25",
                    )
                )
                break
        else:
            kept.append(piece)
    return kept


def _with_items(scene: Scene, items: Sequence[Item], complaints: list[Complaint]) -> Scene:
    """Give a scene with items as things and patches."""
    found = bare_room(scene, [], []) if items else None
    if found is None:
        return scene  # a room that cannot be built is complained of where it is built
    room, _ = found
    pieces = _pieces(items, room, complaints)
    tolerance_m = corner_tolerance_m(scene)
    surfaces = cut_patches(
        finished(scene, room, []), patches_by_limits(scene), tolerance_m, [], []
    )
    materials, patches, things = dict(scene.materials), list(scene.patches), list(scene.things)
    for piece in pieces:
        if piece.thing is None:
            patches += _covers(piece, surfaces, scene, materials)
            continue
        part = _parts(piece, surfaces, scene, materials)
        thing = piece.thing
        if thing.kind == "sheet":  # cloth that the wave solver lets sound through
            cloth = piece.placed.item
            treatment = cloth.treatment
            thing = replace(
                thing,
                fill=_gathered(treatment).stack if cloth.drawn_aside else treatment.stack,
            )
        things.append(
            replace(
                thing,
                material=part[thing.material],
                material_top=thing.material_top and part[thing.material_top],
                material_edge=thing.material_edge and part[thing.material_edge],
                material_back=thing.material_back and part[thing.material_back],
            )
        )
    return replace(scene, things=tuple(things), patches=tuple(patches), materials=materials)


def _behind(outline_m: Float, surfaces: Sequence[Facet]) -> list[tuple[Facet, float]]:
    """Give the parts of surfaces that an outline on them covers, with areas, largest first."""
    covered: dict[str, tuple[Facet, float]] = {}
    for facet in surfaces:
        if np.abs(facet.distance_m(outline_m)).max() > ON_PLANE_M:
            continue
        area_m2 = common(facet.polygon, Polygon(facet.to_plane(outline_m))).area
        if area_m2 >= LEAST_M2:
            head, before = covered.get(facet.surface, (facet, 0.0))
            covered[facet.surface] = (head, before + float(area_m2))
    return sorted(covered.values(), key=lambda row: -row[1])


def _parts(
    piece: Piece, surfaces: Sequence[Facet], scene: Scene, materials: dict[str, Material]
) -> dict[str, str]:
    """Give the names of the materials of a body's front, edge and back."""
    item, thing = piece.placed.item, piece.thing
    treatment, bands, air = item.treatment, scene.bands, scene.air
    if thing is not None and thing.kind == "sheet":
        treatment = _gathered(treatment) if item.drawn_aside else treatment
        sheet = free_material(treatment, bands, air, scene.materials)
        materials[sheet.name] = sheet
        return {"front": sheet.name, "back": sheet.name}
    behind: Material | None = None
    if not piece.is_free:
        under = _behind(piece.placed.footprint_m, surfaces)
        behind = scene.materials.get(under[0][0].material) if under else None
    front = front_material(treatment, piece.gap_m, behind, bands, air, scene.materials)
    back = back_material(treatment, piece.gap_m, bands, air, scene.materials)
    edge = edge_material(treatment, bands, air, scene.materials)
    for material in (front, back, edge):
        materials[material.name] = material
    return {"front": front.name, "edge": edge.name, "back": back.name}


def _covers(
    piece: Piece, surfaces: Sequence[Facet], scene: Scene, materials: dict[str, Material]
) -> list[Patch]:
    """Give a patch for every surface and patch that a thin item covers."""
    item = piece.placed.item
    assert piece.cover_m is not None
    treatment = _gathered(item.treatment) if item.drawn_aside else item.treatment
    found: list[Patch] = []
    for facet, _ in _behind(piece.cover_m, surfaces):
        behind = scene.materials.get(facet.material)
        front = front_material(
            treatment, piece.gap_m, behind, scene.bands, scene.air, scene.materials
        )
        materials[front.name] = front
        name = f"{item.name} front" + (f" before {facet.surface}" if found else "")
        found.append(
            Patch(name, facet.surface, front.name, place=item.place, outline_m=piece.cover_m)
        )
    return found


def _gathered(treatment: Treatment) -> Treatment:
    """Give a curtain pushed together: as much thicker as it has become narrower."""
    if treatment.stack is None:
        return treatment
    times = 1.0 / ASIDE

    def thicker(layer: Layer) -> Layer:
        if isinstance(layer, Porous):
            return replace(layer, thickness_m=times * layer.thickness_m)
        if isinstance(layer, Sheet):
            r = layer.resistance_pa_s_m
            return Sheet(times * layer.mass_kg_m2, None if r is None else times * r)
        return layer

    layers = tuple(thicker(layer) for layer in treatment.stack.layers)
    stack = replace(treatment.stack, layers=layers)
    return replace(treatment, name=f"{treatment.name}, drawn aside", stack=stack)
