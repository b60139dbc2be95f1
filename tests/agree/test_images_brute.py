"""Image sources against every sequence of mirrors, in rooms with corners and things."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from reference.mirrors import all_paths, gathered
from rooms import attic_scene, box_scene, box_thing, l_scene, polygon_scene, sheet_thing
from traced import SHEET_M, furnished_attic, prepared

from raysim.propagation import images
from raysim.propagation.images import arrivals
from raysim.scene.model import Patch

#: Alpha of each surface, so that energies tell walls apart.
ALPHAS = (0.11, 0.23, 0.37, 0.05, 0.43, 0.29, 0.17, 0.51, 0.07, 0.31, 0.19, 0.41, 0.13)


class Uneven(dict):
    """Gives each surface name a number of its own."""

    def get(self, name, default=None):
        return 0.02 + ALPHAS[sum(map(ord, name)) % len(ALPHAS)]


def seats(low_m, high_m, n):
    """Give random places in a part of a room that is all air."""
    return tuple(map(tuple, np.random.default_rng(9).uniform(low_m, high_m, (n, 3))))


#: Positions are chosen with no symmetry, so that no path meets an edge exactly.
ROOMS = {
    "attic with things": (
        3,
        lambda: furnished_attic(
            alpha=Uneven(),
            scattering=0.1,
            sources=((2.03, 1.61, 1.29),),
            receivers=((1.83, 3.27, 1.13), (3.05, 2.57, 1.21), (0.61, 4.73, 0.83)),
        ),
    ),
    "bare attic": (
        3,
        lambda: attic_scene(
            alpha=Uneven(),
            scattering=0.0,
            sources=((2.03, 1.61, 1.29),),
            receivers=((1.13, 3.27, 0.97), (3.55, 2.57, 1.71)),
        ),
    ),
    "L": (
        4,
        lambda: l_scene(
            alpha=Uneven(),
            scattering=0.2,
            sources=((1.21, 4.63, 1.13),),
            receivers=((5.23, 1.07, 1.61), (1.87, 1.31, 1.19)),
        ),
    ),
    "box": (
        4,
        lambda: box_scene(
            alpha=Uneven(), sources=((1.0, 1.5, 1.2),), receivers=((3.7, 2.2, 1.4),)
        ),
    ),
    "box with sheets": (
        3,
        lambda: box_scene(
            alpha=Uneven(),
            sources=((1.91, 1.63, 1.31),),
            receivers=((1.79, 3.33, 1.23), (3.61, 1.17, 1.19)),
            things=(
                sheet_thing("curtain", SHEET_M, "cloth", "felt"),
                sheet_thing(
                    "screen",
                    ((3.0, 0.7, 0.2), (3.0, 1.9, 0.2), (2.8, 1.9, 1.9), (2.8, 0.7, 1.9)),
                    "cloth",
                ),
                box_thing("shelf", (4.4, 1.0, 0.0), (5.0, 2.6, 2.0)),
            ),
            other=("thing", "cloth", "felt"),
        ),
    ),
    "box with a door and a rug": (
        3,
        lambda: box_scene(
            alpha=Uneven(),
            sources=((1.43, 1.31, 1.07),),
            receivers=((2.87, 2.41, 1.61), (0.71, 3.13, 0.97)),
            patches=(
                Patch("door", "south", "wood", x_m=(1.2, 2.1), z_m=(0.0, 2.0)),
                Patch("rug", "floor", "wool", x_m=(1.0, 3.0), y_m=(0.8, 2.9)),
            ),
            other=("wood", "wool"),
        ),
    ),
    "attic, many seats": (
        2,
        lambda: furnished_attic(
            alpha=Uneven(),
            sources=((3.31, 1.27, 0.91),),
            receivers=seats((0.3, 1.0, 0.6), (3.7, 2.4, 1.0), 8)
            + seats((0.3, 3.0, 0.6), (3.7, 3.5, 1.0), 8),
        ),
    ),
    "five slanted walls": (
        4,
        lambda: polygon_scene(
            [[0, 0], [4.1, 0.3], [4.6, 2.9], [2.1, 4.2], [-0.4, 2.6]],
            2.6,
            alpha=Uneven(),
            sources=((1.21, 1.13, 1.07),),
            receivers=((2.87, 2.41, 1.61),),
        ),
    ),
}


@cache
def room_and_scene(name):
    scene = ROOMS[name][1]()
    return prepared(scene), scene


def two_sided(mesh):
    return np.array([s.back_name is not None for s in mesh.surfaces])[mesh.face_surface]


def brute(name, sight=True, most_order=None):
    """Give the paths to each receiver by brute force."""
    room, scene = room_and_scene(name)
    order = ROOMS[name][0] if most_order is None else most_order
    mesh = room.mesh
    return [
        all_paths(
            mesh.triangles_m, two_sided(mesh), scene.sources[0].position_m, r.position_m, order,
            sight,
        )
        for r in scene.receivers
    ]  # fmt: skip


@cache
def brute_once(name):
    return brute(name)


def found(name, order=None):
    room, scene = room_and_scene(name)
    order = ROOMS[name][0] if order is None else order
    return arrivals(room, scene.sources[0], list(scene.receivers), order)


def sides_of(room, path):
    """Give the sides that a path meets: the backs of sheets follow all fronts."""
    mesh = room.mesh
    has_back = [s.back_name is not None for s in mesh.surfaces]
    sides, way = [], path.first
    for f in path.triangles:
        n, surface = mesh.face_normal[f], int(mesh.face_surface[f])
        back = len(has_back) + sum(has_back[:surface])
        sides.append(back if way @ n > 0.0 else surface)
        way = way - 2.0 * (way @ n) * n
    return tuple(sides)


def rows(room, paths):
    """Give paths as sortable rows: order, sides, delay, departure, last leg."""
    return sorted(
        (
            len(p.triangles),
            sides_of(room, p),
            p.length_m / room.speed_m_s,
            tuple(p.first / np.linalg.norm(p.first)),
            tuple(p.last / np.linalg.norm(p.last)),
        )
        for p in paths
    )


def rows_of(arrived):
    """Give what the engine found in the same form, with unit legs."""
    return sorted(
        (
            int(o),
            tuple(int(s) for s in w[:o]),
            float(t),
            tuple(d),
            tuple(-u),
        )
        for o, w, t, d, u in zip(
            arrived.order,
            arrived.surfaces,
            arrived.delay_s,
            arrived.departure,
            arrived.direction,
            strict=True,
        )
    )


def same_paths(room, paths, arrived):
    """Say whether two lists hold the same paths: sides in order, and delay to 1 ns."""
    a, b = rows(room, paths), rows_of(arrived)
    return [r[:2] for r in a] == [r[:2] for r in b] and all(
        abs(x[2] - y[2]) < 1e-9 for x, y in zip(a, b, strict=True)
    )


@pytest.mark.parametrize("name", ROOMS)
def test_images_are_all_there_and_no_more(name):
    """Truth: every sequence of mirrors against every triangle. Delays to 1 ns."""
    room, _ = room_and_scene(name)
    for paths, arrived in zip(brute_once(name), found(name), strict=True):
        assert len(paths) > 3
        assert same_paths(room, paths, arrived)


@pytest.mark.parametrize("name", ROOMS)
def test_directions_and_energy_of_images(name):
    """Truth: legs of the brute-force path, and the product of what its walls keep."""
    room, _ = room_and_scene(name)
    keep = (1.0 - room.sides.alpha) * (1.0 - room.sides.scattering)
    for paths, arrived in zip(brute_once(name), found(name), strict=True):
        for a, b in zip(rows(room, paths), rows_of(arrived), strict=True):
            assert a[3] == pytest.approx(b[3], abs=1e-9)
            assert a[4] == pytest.approx(b[4], abs=1e-9)
        energy = [
            np.prod(keep[list(sides)], axis=0)
            * np.exp(-room.air_per_m * delay * room.speed_m_s)
            / (delay * room.speed_m_s) ** 2
            for _, sides, delay, _, _ in sorted(rows(room, paths), key=lambda r: r[2])
        ]
        assert np.sort(arrived.energy, axis=0) == pytest.approx(
            np.sort(np.array(energy), axis=0), rel=1e-9
        )
        assert (np.diff(arrived.delay_s) >= 0.0).all()


@pytest.mark.parametrize("name", ["attic with things", "L", "box with sheets"])
def test_image_test_notices_what_stands_in_the_way(name):
    """Planted fault: nothing is tested for obstruction, in rooms where something does."""
    room, _ = room_and_scene(name)
    seen_through = brute(name, sight=False, most_order=2)
    same = [
        same_paths(room, paths, arrived)
        for paths, arrived in zip(seen_through, found(name, 2), strict=True)
    ]
    assert not all(same)


@pytest.mark.parametrize("name", ROOMS)
def test_image_test_notices_a_lost_path(name):
    """Planted fault: the engine's last path, or the whole last order, is missing."""
    room, _ = room_and_scene(name)
    for paths, arrived in zip(brute_once(name), found(name), strict=True):
        less = replace(
            arrived,
            **{
                f: getattr(arrived, f)[:-1]
                for f in ("delay_s", "order", "direction", "departure", "surfaces")
            },
        )
        assert not same_paths(room, paths, less)
    order = ROOMS[name][0]
    last = [len(a.delay_s) for a in found(name)]
    assert sum(last) > sum(len(a.delay_s) for a in found(name, order - 1))


def to_and_fro(path, mirrors):
    """Say whether a path runs between two mirrors that face each other."""
    a, b = path.mirrors[:2]
    facing = np.allclose(mirrors[a][0], -mirrors[b][0], rtol=0.0, atol=1e-9)
    return facing and path.mirrors == tuple((a, b)[k % 2] for k in range(len(path.mirrors)))


@pytest.mark.parametrize("name", ["attic with things", "L", "box with sheets"])
def test_chains_are_all_long_paths_between_a_pair(name):
    """Truth: beyond order 1, those brute-force paths that run to and fro. Delays to 1 ns."""
    room, scene = room_and_scene(name)
    chained = arrivals(room, scene.sources[0], list(scene.receivers), 1, ROOMS[name][0])
    mirrors = gathered(room.mesh.triangles_m, two_sided(room.mesh))
    for paths, arrived in zip(brute_once(name), chained, strict=True):
        kept = [p for p in paths if len(p.mirrors) < 2 or to_and_fro(p, mirrors)]
        assert same_paths(room, kept, arrived)
        # the twins: all paths, or none beyond the order asked for
        assert not same_paths(room, paths, arrived)
        assert not same_paths(room, [p for p in kept if len(p.mirrors) < 2], arrived)


def test_chains_do_not_depend_on_the_room_kept_for_them(monkeypatch):
    """Truth: the same with room for one path of a pair, so that every search runs again."""
    room, scene = room_and_scene("attic with things")
    every = [room, scene.sources[0], list(scene.receivers), 1, 12]
    first = arrivals(*every)
    assert sum(int((a.order > 1).sum()) for a in first) > 4
    monkeypatch.setattr(images, "_FEW", 1)
    for a, b in zip(first, arrivals(*every), strict=True):
        assert rows_of(a) == rows_of(b)
    # the twin: one path fewer is seen
    assert len(rows_of(arrivals(*every[:4], 3)[0])) < len(rows_of(first[0]))
