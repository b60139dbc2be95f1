"""Sites for flat treatments: they fit, keep clear, and change nothing by themselves."""

from dataclasses import replace

import numpy as np
import pytest
from rooms import attic_scene, box_scene, box_thing

from raysim.absorbers.layers import Porous, Stack
from raysim.geometry.build import build_room
from raysim.planning.sites import APART_M, site_material, sites_of, with_sites
from raysim.scene.model import Patch
from raysim.scene.plan import Treatment, Zone

SIZES_M = [(1.2, 0.6), (0.6, 0.6)]
#: Corners are drawn to a nanometre; areas of 10 m2 then round far below this.
WITHIN = 1e-6


def room():
    """Give a box with a door, a cupboard and something to keep clear of."""
    scene = box_scene(
        things=(box_thing("cupboard", (3.0, 0.0, 0.0), (4.0, 0.5, 2.0)),),
        patches=(Patch("door", "west", "thing", y_m=(1.0, 1.9), z_m=(0.0, 2.0)),),
    )
    detector = Zone("detector", "detector", at_m=(2.5, 2.0, 3.0), clear_m=0.5)
    return replace(scene, zones=(detector,))


@pytest.mark.parametrize("scene", [room(), attic_scene(sources=((2.0, 2.0, 1.2),))])
def test_sites_change_nothing(scene):
    """Truth: area and volume of the room without them; sums of widths times heights."""
    mesh = build_room(scene)
    sites = sites_of(scene, mesh, SIZES_M, pitch_m=0.3)
    cut = build_room(with_sites(scene, sites))
    assert len(sites) > 8
    assert cut.area_m2 == pytest.approx(mesh.area_m2, rel=WITHIN)
    assert cut.air_volume_m3 == pytest.approx(mesh.air_volume_m3, rel=WITHIN)
    area = dict(zip([s.name for s in cut.surfaces], cut.surface_area_m2(), strict=True))
    for site in sites:
        assert area[site.name] == pytest.approx(np.prod(site.size_m), rel=WITHIN)
    material = {s.name: s.material for s in cut.surfaces}
    assert all(material[s.name] == material[s.on] for s in sites)


def faults(scene, sites, depth_m=0.1):
    """Count sites that are where none may be, by elementary geometry of the box."""
    wrong = 0
    for s in sites:
        body = np.concatenate([s.outline_m, s.outline_m + depth_m * s.normal])
        low, high = body.min(axis=0), body.max(axis=0)
        near = np.clip([2.5, 2.0, 3.0], low, high)
        wrong += np.linalg.norm(near - [2.5, 2.0, 3.0]) < 0.5 - 1e-6
        for a, b in (((3, 0, 0), (4, 0.5, 2)), ((0, 1.0, 0), (0, 1.9, 2.0))):
            wrong += bool(((low < np.array(b) + 1e-9) & (high > np.array(a) - 1e-9)).all())
        wrong += s.on == "floor"
    return int(wrong)


def test_sites_keep_clear():
    scene = room()
    assert faults(scene, sites_of(scene, build_room(scene), SIZES_M)) == 0


def test_clearance_test_can_fail():
    """Planted fault: the places of an empty room."""
    scene, empty = room(), box_scene()
    assert faults(scene, sites_of(empty, build_room(empty), SIZES_M)) > 3


def test_sites_do_not_meet():
    scene = box_scene()
    sites = sites_of(scene, build_room(scene), SIZES_M, surfaces=["south"])
    for i, a in enumerate(sites):
        for b in sites[:i]:
            gap = np.maximum(
                a.outline_m.min(0) - b.outline_m.max(0), b.outline_m.min(0) - a.outline_m.max(0)
            )
            assert gap.max() > APART_M - 1e-6
    assert {s.on for s in sites} == {"south"}


def test_material_of_a_site_has_gap_and_wall():
    """Truth: a hard wall takes nothing more than the layers; a soft one adds what is left."""
    wool = Treatment(
        "wool", "panel", "", Stack((Porous(0.05, 8000.0),)), None, (1.2, 0.6), 0.05, False,
        (), ("hung",), "", (), True,
    )  # fmt: skip
    found = {}
    for alpha in (0.0, 0.5):
        scene = box_scene(alpha={"south": alpha})
        (first, *_) = sites_of(scene, build_room(scene), SIZES_M, surfaces=["south"])
        found[alpha] = [site_material(first, wool, scene, g).alpha for g in (0.0, 0.1)]
    assert (found[0.0][1][:4] > found[0.0][0][:4]).all()  # air behind helps the bass
    assert (found[0.5][0] > found[0.0][0]).all()
