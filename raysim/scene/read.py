"""From a scene folder to a `Scene`, with all mistakes of its files at once.

Lengths are metres. What a file may hold is what these functions ask for; any other
key is a mistake. The keys are described for users in ``scenes/README.md``.
"""

import difflib
import os
from collections.abc import Mapping
from pathlib import Path

from raysim.errors import Complaint, SceneError
from raysim.scene.conditions import read_air, read_bands, read_settings
from raysim.scene.contents import read_patch, read_thing, thing_surfaces
from raysim.scene.directivity import read_directivities
from raysim.scene.layered import Materials
from raysim.scene.layouts import Around, read_layouts, read_states
from raysim.scene.materials import catalogue, material_or_complain, read_materials
from raysim.scene.model import (
    Air,
    Bands,
    DrawnRoom,
    Finish,
    Material,
    MeshRoom,
    Patch,
    Scene,
    Thing,
)
from raysim.scene.names import Names
from raysim.scene.plan import Layout, Prices, State, Treatment
from raysim.scene.points import directivity_finder, read_receiver, read_source
from raysim.scene.prices import read_prices, stock_prices
from raysim.scene.room import read_room, surface_names
from raysim.scene.rules import read_rules, read_zones
from raysim.scene.table import Table, nearest
from raysim.scene.toml_file import read_table
from raysim.scene.treatments import check_goods, read_treatments, treatments_catalogue
from raysim.scene.uses import USES

SCENE_FILE = "scene.toml"


def read_scene(path: str | Path) -> Scene:
    """Read a scene.

    Parameters
    ----------
    path : str or pathlib.Path
        A folder with a file ``scene.toml``, or the file.

    Returns
    -------
    Scene
        The geometry is not checked yet: that a mesh file can be read, that the room
        is closed and that points lie in it.

    Raises
    ------
    SceneError
        With every mistake found, each with file and line.
    """
    complaints: list[Complaint] = []
    scene = collect_scene(path, complaints)
    if scene is None or complaints:
        raise SceneError(complaints)
    return scene


def collect_scene(path: str | Path, complaints: list[Complaint]) -> Scene | None:
    """Read a scene as far as possible and note all mistakes.

    Parameters
    ----------
    path : str or pathlib.Path
        As for `read_scene`.
    complaints : list of Complaint
        Grows by every mistake.

    Returns
    -------
    Scene or None
        If there were mistakes, what is left is good for one thing, to check the
        geometry: items with a mistake are missing, and another material stands in
        for an unknown one. None if there is no room to check.
    """
    path = Path(path)
    # Not Path.is_dir, which raises where a folder above may not be searched.
    file = path / SCENE_FILE if os.path.isdir(path) else path
    found = read_table(file, complaints)
    if found is None:
        return None
    outer, text = found
    title = outer.text("title", required=True)
    about = outer.text("about")
    ignored = outer.texts("ignored")
    use = outer.word("use", USES)
    bands, air = read_bands(outer), read_air(outer)
    materials = _read_all_materials(outer, file, bands, air, complaints)
    stand_in = next(iter(materials))

    taken = Names("a surface, patch or thing")
    room = read_room(outer, file.parent, taken)
    finishes = _read_finishes(outer, room, materials, stand_in)
    thing_tables = outer.tables("thing")
    read_things = [read_thing(t, materials, taken, stand_in) for t in thing_tables]
    things = tuple(t for t in read_things if t is not None)
    targets = _patchable(room, things) if len(things) == len(thing_tables) else None
    patches = _read_patches(outer, materials, targets, taken, stand_in)

    receiver_names, source_names = Names("a receiver"), Names("a source")
    receivers = [read_receiver(t, receiver_names) for t in outer.tables("receiver", True)]
    find = directivity_finder(read_directivities(outer, bands), bands)
    sources = [
        read_source(t, find, receiver_names, source_names)
        for t in outer.tables("source", required=True)
    ]
    settings = read_settings(outer)

    treatments, spoilt, prices = _read_treatments(outer, file, materials, complaints)
    is_whole = len(things) == len(thing_tables) and (outer.length("patch") or 0) == len(patches)
    around = Around(
        treatments,
        spoilt,
        _named_surfaces(room, finishes),
        [*(t.name for t in things), *(p.name for p in patches)] if is_whole else None,
        [patch.name for patch in patches] if is_whole else None,
        set(taken),
    )
    layouts, all_read = read_layouts(outer, around)
    states = read_states(outer, around, layouts, all_read, materials)
    zones, rules = read_zones(outer, around), read_rules(outer, around)
    outer.close()
    if room is None:
        return None
    used = _used_materials(finishes, patches, things, layouts, states)
    return Scene(
        title=title or "",
        about=about or "",
        path=file,
        text=text,
        room=room,
        finishes=finishes,
        materials={name: materials[name] for name in used},
        sources=tuple(s for s in sources if s is not None),
        receivers=tuple(r for r in receivers if r is not None),
        bands=bands,
        air=air,
        patches=patches,
        things=things,
        settings=settings,
        ignored=ignored or (),
        layouts=layouts,
        states=states,
        zones=zones,
        rules=rules,
        treatments=treatments,
        prices=prices,
        use=use,
    )


def _read_treatments(
    outer: Table, file: Path, materials: Mapping[str, Material], complaints: list[Complaint]
) -> tuple[dict[str, Treatment], set[str], Prices]:
    """Give the catalogue with the scene's own treatments, names of bad ones, and prices."""
    treatments = treatments_catalogue()
    own, spoilt = read_treatments(outer, treatments, materials, complaints)
    needed = {amount.good for t in treatments.values() for amount in t.goods}
    prices = stock_prices()
    more = outer.text("prices_file")
    if more is not None and _is_missing(file.parent / more):
        wrong = f'there is no file "{more}" beside this one.'
        outer.complain("prices_file", wrong, "Correct its name.", "RS-F01")
        return treatments, spoilt, prices  # which goods it would have is not known
    if more is not None:
        prices = read_prices(file.parent / more, complaints, needed)
    check_goods(own, prices.goods)
    return treatments, spoilt, prices


def _named_surfaces(
    room: DrawnRoom | MeshRoom | None, finishes: tuple[Finish, ...]
) -> tuple[str, ...] | None:
    """Give the surfaces that the room has, as far as known without its mesh.

    A mesh room must give every surface a material, so those of the text are all.
    """
    if isinstance(room, DrawnRoom):
        names = surface_names(room)
        return (*names.sure, *names.possible)
    return tuple(finish.surface for finish in finishes) or None


def _read_all_materials(
    outer: Table, file: Path, bands: Bands, air: Air, complaints: list[Complaint]
) -> Materials:
    """Give the catalogue, the scene's own materials and those of further files."""
    materials = catalogue(bands, air)
    read_materials(outer, bands, materials, air)
    chain = [file.resolve()]
    table, folder = outer, file.parent
    while (more := table.text("materials_file")) is not None:
        path = folder / more
        if path.resolve() in chain:
            wrong = f'"{more}" leads back to itself.'
            fix = "Let no file of materials name one that names it."
            table.complain("materials_file", wrong, fix, "RS-S11")
            break
        if _is_missing(path):
            wrong = f'there is no file "{more}" beside this one.'
            table.complain("materials_file", wrong, "Correct its name.", "RS-F01")
            break
        found = read_table(path, complaints)
        if found is None:
            break
        if table is not outer:
            table.close()
        table, folder = found[0], path.parent
        chain.append(path.resolve())
        read_materials(table, bands, materials, air)
    if table is not outer:
        table.close()
    return materials


def _is_missing(path: Path) -> bool:
    """Tell if there surely is no such file, rather than no right to look for it."""
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return True
    except OSError:
        return False
    return False


def _read_finishes(
    outer: Table,
    room: DrawnRoom | MeshRoom | None,
    materials: Mapping[str, Material],
    stand_in: str,
) -> tuple[Finish, ...]:
    """Read the table ``[surfaces]``: which surface has which material."""
    table = outer.table("surfaces", required=True)
    names = surface_names(room) if isinstance(room, DrawnRoom) else None
    if table is None:  # one mistake, not also every surface without material
        sure = names.sure if names is not None else ()
        return tuple(Finish(surface, stand_in, outer.place()) for surface in sure)
    lacking = [s for s in (names.sure if names is not None else ()) if not table.has(s)]
    finishes = []
    for surface in table:
        material = material_or_complain(table, surface, materials)
        place = table.place(surface)
        if names is not None and surface not in (*names.sure, *names.possible):
            # A slip in one name is one mistake, not also a surface without material.
            meant = difflib.get_close_matches(surface, lacking, n=1)
            hint = nearest(surface, meant or (*names.sure, *names.possible))
            table.complain(surface, f'there is no surface "{surface}".', hint, "RS-S06")
            if not meant:
                continue
            surface = meant[0]
            lacking.remove(surface)
        finishes.append(Finish(surface, material or stand_in, place))
    for surface in lacking:
        wrong = f'the surface "{surface}" has no material.'
        table.complain(None, wrong, f'Add "{surface}" = "some material".', "RS-S03")
        finishes.append(Finish(surface, stand_in, table.place()))
    return tuple(finishes)


def _read_patches(
    outer: Table,
    materials: Mapping[str, Material],
    targets: tuple[str, ...] | None,
    taken: Names,
    stand_in: str,
) -> tuple[Patch, ...]:
    """Read all ``[[patch]]``; one may lie on another that comes before it."""
    patches = []
    for table in outer.tables("patch"):
        patch = read_patch(table, materials, targets, taken, stand_in)
        if patch is not None:
            patches.append(patch)
            targets = None if targets is None else (*targets, patch.name)
        else:
            targets = None  # the next one may lie on what this would have been
    return tuple(patches)


def _patchable(
    room: DrawnRoom | MeshRoom | None, things: tuple[Thing, ...]
) -> tuple[str, ...] | None:
    """Give the surfaces that may have a patch, or None if they are not known here."""
    if not isinstance(room, DrawnRoom):
        return None
    names = surface_names(room)
    sides = [side for t in things for side in thing_surfaces(t.name, t.kind)]
    return (*names.sure, *names.possible, *sides)


def _used_materials(
    finishes: tuple[Finish, ...],
    patches: tuple[Patch, ...],
    things: tuple[Thing, ...],
    layouts: tuple[Layout, ...],
    states: tuple[State, ...],
) -> list[str]:
    """Give the materials in use, each once, in the order in which they appear."""
    used = [finish.material for finish in finishes]
    used += [patch.material for patch in patches]
    for thing in things:
        used += [thing.material, thing.material_top or "", thing.material_back or ""]
    used += [item.treatment.material or "" for layout in layouts for item in layout.items]
    used += [material for state in states for _, material in state.material]
    return [name for name in dict.fromkeys(used) if name]
