"""What the wave solver is given of a scene: wool as volumes, cloths as veils, walls as filters.

Truths are volumes of bodies, sums of resistances and masses, and definitions.
"""

import dataclasses

import numba
import numpy as np
import pytest
from quick import LAYOUTS, write_quick

from raysim.absorbers.fit import from_alpha, from_stack
from raysim.absorbers.layers import AirGap, Membrane, Porous, Sheet, Stack
from raysim.errors import SceneError
from raysim.propagation import bass, wave
from raysim.propagation.bass import airspace, bass_of, crossover_hz, wall_filter
from raysim.scene.air import gas
from raysim.study import AS_DESCRIBED, prepare, prepare_all
from raysim.tracing import say_nothing

CURTAIN = """
[[layout]]
name = "divided"

[[layout.item]]
name = "V1"
treatment = "blanket_on_rail"
on = "ceiling"
from_m = {west = 2.3, south = 0.3}
size_m = [1.0, 2.0]
turn_deg = 90
"""


@pytest.fixture(scope="module")
def prepared(tmp_path_factory):
    folder = tmp_path_factory.mktemp("scene") / "quick-box"
    scene = write_quick(folder, more=LAYOUTS + CURTAIN)
    return {p.name: p for p in prepare_all(scene, ["all"])}


def at(one, split_hz=360.0, **changed):
    """Give the scene of a layout with a crossover, and other changes."""
    settings = dataclasses.replace(one.scene.settings, crossover_hz=split_hz)
    return dataclasses.replace(one.scene, settings=settings, **changed)


def volume_m3(triangles_m):
    """Give the volume within closed triangles, normals outwards."""
    a, b, c = np.moveaxis(triangles_m, 1, 0)
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def filled_with(one, layers):
    """Give the things of a layout with other layers in its bodies."""
    return tuple(
        t if t.fill is None else dataclasses.replace(t, fill=Stack(layers))
        for t in one.scene.things
    )


class TestAirspace:
    def test_wool_is_a_volume_and_no_surface(self, prepared):
        """Its volume is what the mesh for rays goes round, its surfaces are gone."""
        bare, panels = (
            airspace(at(prepared[n]), prepared[n].room) for n in (AS_DESCRIBED, "panels")
        )
        assert (len(bare.fills), len(panels.fills)) == (0, 2)
        assert {s.name for s in panels.mesh.surfaces} == {s.name for s in bare.mesh.surfaces}
        assert "W1 front" in {s.name for s in prepared["panels"].mesh.surfaces}
        wool = sum(volume_m3(fill.triangles_m) for fill in panels.fills)
        around = [prepared[n].mesh.air_volume_m3 for n in (AS_DESCRIBED, "panels")]
        assert wool == pytest.approx(around[0] - around[1], rel=1e-9)

    def test_wool_too_thin_for_the_cells_stays_a_surface(self, prepared):
        """100 mm on cells of 112 mm: its layers become a wall filter."""
        one = prepared["panels"]
        space = airspace(at(one, 180.0), one.room)
        assert not space.fills
        assert "W1 front" in {s.name for s in space.mesh.surfaces}

    @pytest.mark.parametrize(
        ("layers", "n_fill", "n_veil"),
        [
            ((Porous(0.1, 1e4),), 2, 0),
            ((Sheet(0.2, 300.0), Porous(0.06, 1e4), AirGap(0.04)), 2, 2),
            ((Porous(0.04, 1e4), Porous(0.06, 2e4)), 4, 0),
            ((Membrane(3.0), Porous(0.1, 1e4)), 0, 0),
            ((Sheet(), Porous(0.1, 1e4)), 0, 0),
        ],
    )
    def test_layers_lie_one_behind_the_other(self, prepared, layers, n_fill, n_veil):
        """Boards and sheets held still are no way in; layers share the depth as told."""
        one = prepared["panels"]
        space = airspace(at(one, things=filled_with(one, layers)), one.room)
        assert (len(space.fills), len(space.veils)) == (n_fill, n_veil)
        first_m3 = 1.2 * 0.6 * getattr(layers[n_veil // 2], "thickness_m", 0.0)
        for fill in space.fills[:1]:
            assert volume_m3(fill.triangles_m) == pytest.approx(first_m3, rel=1e-9)

    def test_front_cloth_lies_before_the_wool(self, prepared):
        """The panels hang on the walls y = 0 and y = 3 and are 0.1 m deep."""
        one = prepared["panels"]
        things = filled_with(one, (Sheet(0.2, 300.0), Porous(0.1, 1e4)))
        space = airspace(at(one, things=things), one.room)
        assert [np.unique(v.triangles_m[..., 1].round(9)).tolist() for v in space.veils] == [
            [0.1],
            [2.9],
        ]

    def test_free_curtain_is_a_veil(self, prepared):
        """Resistances and masses of its layers add up; the room has no such surface."""
        one = prepared["divided"]
        space = airspace(at(one), one.room)
        (veil,) = space.veils
        assert "V1 front" in {s.name for s in one.mesh.surfaces}
        assert "V1 front" not in {s.name for s in space.mesh.surfaces}
        (cloth,) = [t.fill for t in one.scene.things if t.name == "V1"]
        resistance = mass = 0.0
        for layer in cloth.layers:
            if isinstance(layer, Porous):
                resistance += layer.resistivity_pa_s_m2 * layer.thickness_m
                mass += layer.density_kg_m3 * layer.thickness_m
            if isinstance(layer, Sheet):
                resistance += layer.resistance_pa_s_m
                mass += layer.mass_kg_m2
        assert resistance > 0.0
        assert veil.resistance_pa_s_m == pytest.approx(resistance)
        assert veil.mass_kg_m2 == pytest.approx(mass)

    def test_wall_behind_layers_goes_on_taking(self, prepared):
        """Admittances of two that share one pressure add up."""
        scene = prepared[AS_DESCRIBED].scene
        air, bands, freq_hz = gas(scene.air), scene.bands, np.array([50.0, 125.0, 300.0])
        stack = Stack((Porous(0.05, 1e4),))
        felt = scene.materials["felt"]
        layered = dataclasses.replace(felt, stack=stack)
        both = dataclasses.replace(layered, behind_alpha=felt.alpha)
        alone = from_stack(stack, air).at(freq_hz)
        wall = from_alpha(felt.alpha, bands.centre_hz).at(freq_hz)
        assert wall_filter(layered, bands, air).at(freq_hz) == pytest.approx(alone)
        assert wall_filter(both, bands, air).at(freq_hz) == pytest.approx(alone + wall)
        assert wall_filter(felt, bands, air).at(freq_hz) == pytest.approx(wall)


class TestRun:
    @pytest.fixture(scope="class")
    @classmethod
    def found(cls, prepared):
        return [
            bass_of(at(prepared[n], 150.0), prepared[n].room, say_nothing)
            for n in (AS_DESCRIBED, "panels")
        ]

    def test_nobody_sits_at_a_wall_or_in_the_crate(self, found):
        (seats,) = found[0].maps
        known = np.isfinite(seats.level_db).all(axis=0)
        assert 0.1 < known.mean() < 0.9
        y, x = np.nonzero(known)
        away_m = np.stack([seats.x_m[x], 4.0 - seats.x_m[x], seats.y_m[y], 3.0 - seats.y_m[y]])
        assert away_m.min() >= 0.3
        in_crate = (seats.x_m[x] > 2.5) & (seats.y_m[y] > 1.7) & (seats.height_m < 1.1)
        assert not in_crate.any()

    def test_map_is_what_a_receiver_there_hears(self, found, prepared):
        """A receiver set on a point of the map: the same to rounding; elsewhere not."""
        (seats,) = found[0].maps
        known = np.isfinite(seats.level_db).all(axis=0)
        y, x = (int(i[0]) for i in np.nonzero(known))
        one = prepared[AS_DESCRIBED]
        there = np.array([seats.x_m[x], seats.y_m[y], seats.height_m])
        (microphone,) = one.scene.receivers
        scene = at(one, 150.0, receivers=(dataclasses.replace(microphone, position_m=there),))
        (pair,) = bass_of(scene, one.room, say_nothing).pairs
        level_db = bass._levels_db(pair.pressure[None], pair.sample_rate_hz, seats.freq_hz)
        assert level_db[:, 0] == pytest.approx(seats.level_db[:, y, x], abs=1e-3)
        other_y, other_x = (int(i[-1]) for i in np.nonzero(known))
        assert np.abs(level_db[:, 0] - seats.level_db[:, other_y, other_x]).max() > 1.0

    def test_energy_is_in_balance(self, found):
        """Two orders below where the solver itself would stop."""
        assert max(one.imbalance for one in found) < 0.01 * wave.BALANCE

    def test_wool_shortens_the_first_modes(self, found):
        """By name, the two panels take energy that felt on the same walls would not."""
        bare, panels = (one.modes for one in found)
        n = min(bare.decay_s.size, panels.decay_s.size, 3)
        assert n >= 2
        assert (panels.decay_s[:n] < bare.decay_s[:n]).all()


class TestCrossover:
    @pytest.mark.parametrize(
        ("volume_m3", "wanted_hz"),
        # 1.5 x 2000 sqrt(0.4 / V), from 360 to 700 Hz
        [(5.0, 700.0), (20.0, 424.3), (27.8, 360.0), (500.0, 360.0)],
    )
    def test_by_volume(self, prepared, volume_m3, wanted_hz):
        scene = at(prepared[AS_DESCRIBED], None)
        assert crossover_hz(scene, volume_m3) == pytest.approx(wanted_hz, abs=0.3)

    def test_as_asked(self, prepared):
        assert crossover_hz(at(prepared[AS_DESCRIBED], 180.0), 5.0) == 180.0

    def test_one_for_all_layouts(self, prepared):
        """The volume of the bare room decides, whatever stands in it."""
        rooms = [(at(p, None), p.mesh) for p in prepared.values()]
        assert len({m.air_volume_m3 for _, m in rooms}) > 1
        assert len({crossover_hz(s, m.envelope_volume_m3) for s, m in rooms}) == 1

    def test_what_cannot_be_is_refused(self, tmp_path):
        scene = write_quick(tmp_path / "s", ("bass = false", 'crossover_hz = 20\nbass = "no"'))
        with pytest.raises(SceneError) as raised:
            prepare(scene)
        told = " ".join(str(c) for c in raised.value.complaints)
        assert "crossover_hz" in told
        assert "bass" in told


def test_threads_are_chosen_for_the_solver_alone(prepared):
    before = numba.get_num_threads()
    one = prepared[AS_DESCRIBED]
    space = airspace(at(one), one.room)
    room = wave.wave_room(space.mesh, space.walls, 0.2)
    with bass._quickest_threads(room, np.array([1.0, 1.5, 1.2])):
        assert 1 <= numba.get_num_threads() <= before
    assert numba.get_num_threads() == before
