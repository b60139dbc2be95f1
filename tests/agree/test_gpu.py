"""Kernels on a GPU obey the same law as on a processor.

Where there is a card: whole numbers agree, a ray's first leg agrees to the rounding of its
tree, energies of a short life to 1e-5, and whole runs of other seeds within their errors.
Where there is none, but the package is: everything is compiled for one, and what it does to
waves is done in Python.
"""

import importlib.util
from types import SimpleNamespace

import numpy as np
import pytest
from rooms import attic_scene
from traced import furnished_attic, prepared
from trimesh.creation import box

from raysim.absorbers.admittance import Admittance
from raysim.absorbers.layers import Porous
from raysim.absorbers.volume import porous_volume
from raysim.errors import SettingsError
from raysim.geometry.build import build_room
from raysim.propagation import cpu
from raysim.propagation.gpu import check_gpu, why_no_gpu
from raysim.propagation.rays import N_BATCH, RayRun
from raysim.propagation.wave import BALANCE, Fill, Stepper, run, wave_room

needs_gpu = pytest.mark.skipif(why_no_gpu() is not None, reason=f"no GPU: {why_no_gpu()}")
needs_package = pytest.mark.skipif(
    importlib.util.find_spec("numba_cuda") is None, reason="numba-cuda is not installed"
)
#: Compute capability that is compiled for where there is no card: of a Hopper.
CAPABILITY = (9, 0)
#: One sum in another order: rounding of float64 and of float32 in the tree.
SAME = 1e-5
WALL = Admittance.of(0.02, [(2.0, 2e-3, 400.0)])


def rays(room, scene, *, on_gpu, seed=1, n_ray=1 << 13, duration_s=0.3):
    made = RayRun(
        room, scene.sources[0], list(scene.receivers), seed=seed, duration_s=duration_s,
        bin_s=0.002, image_order=2, pair_order=0, on_gpu=on_gpu,
    )  # fmt: skip
    made.follow(n_ray)
    return made


def sounding_attic():
    return furnished_attic(
        sources=((1.0, 1.5, 1.0),), receivers=((3.0, 2.0, 1.2), (1.9, 4.4, 1.1))
    )


def small_wave_room():
    mesh = build_room(attic_scene(sources=(), receivers=()))
    return wave_room(mesh, [WALL] * len(mesh.surfaces), 0.15, 343.2)


def where():
    return np.array([1.0, 1.5, 1.0]), np.array([[3.0, 2.0, 1.2], [1.9, 4.0, 0.5]])


@needs_package
@pytest.mark.parametrize("which", ["follow", "first_hit", "advance", "stored"])
def test_kernels_compile_without_a_card(monkeypatch, which):
    """Truth: the compiler of the package makes machine text of the very same kernels."""
    import numba.cuda.dispatcher
    from numba import cuda

    from raysim.propagation import gpu_rays, gpu_wave

    monkeypatch.setattr(
        numba.cuda.dispatcher, "get_current_device",
        lambda: SimpleNamespace(compute_capability=CAPABILITY),
    )  # fmt: skip
    function = gpu_rays.follow_of(8) if which == "follow" else None
    function = function or getattr(gpu_rays if which == "first_hit" else gpu_wave, which)
    text, _ = cuda.compile_ptx(function, signatures()[which], cc=CAPABILITY)
    assert ".visible .entry" in text
    if which == "follow":  # rays add to one histogram at once
        assert "atom.global.add.f64" in text


def soft_wave_room():
    """Give a small room whose walls have branches of every number, with a block of wool."""
    mesh = build_room(attic_scene(sources=(), receivers=()))
    masses = [(2.0 + i, 2e-3 / (1 + i), 400.0 * (1 + i)) for i in range(7)]
    walls = [
        Admittance.of(0.02, [*masses[:i], (3.0, 0.0, 900.0), *masses[i : 2 * i]][: i + 1])
        for i in range(len(mesh.surfaces))
    ]
    wool = np.asarray(box(bounds=[[0.0, 0.0, 0.0], [0.9, 2.0, 0.7]]).triangles)
    fill = Fill(wool, porous_volume(Porous(0.1, 12_000.0)))
    return wave_room(mesh, walls, 0.3, 343.2, fills=[fill])


def apart_as_plain_python(monkeypatch, fault=lambda stepper: None):
    """Give how far the loop of a card, done by one thread in Python, is from a processor's."""
    from raysim.propagation import gpu_wave

    class Alone:
        """A card of one thread, in whose memory all arrays are already."""

        cg = SimpleNamespace(this_grid=lambda: SimpleNamespace(sync=lambda: None))
        grid, gridsize = staticmethod(lambda _: 0), staticmethod(lambda _: 1)
        typeof_pyval = staticmethod(type)
        max_cooperative_grid_blocks = staticmethod(lambda _block: 1)

        def __init__(self, function):
            self.function = function

        @staticmethod
        def to_device(value):
            return np.asarray(value).view(Stays)

        def compile(self, kinds):
            return self

        def __getitem__(self, _size):
            return self.function

    def rows(now, new, sy, sz, middle, x, y, z, start, length, first, every):
        at = np.concatenate([np.arange(s, s + n) for s, n in zip(start, length, strict=True)])
        new[at] = (
            middle * now[at] + x * (now[at - 1] + now[at + 1])
            + y * (now[at - sy] + now[at + sy]) + z * (now[at - sz] + now[at + sz]) - new[at]
        )  # fmt: skip

    room = soft_wave_room()
    drive = np.array([1.0, -2.0, 1.0])
    own = Stepper(room, *where(), drive, 40)
    own.advance(40)
    for name, value in (
        ("cuda", Alone), ("_advance", Alone(gpu_wave.advance)), ("_step_rows", rows),
        ("_step_face", gpu_wave._step_face.py_func), ("_step_cut", gpu_wave._step_cut.py_func),
    ):  # fmt: skip
        monkeypatch.setattr(gpu_wave, name, value)
    other = gpu_wave.GpuStepper(room, *where(), drive, 40)
    fault(other)
    other.advance(40)
    other.fetch()
    assert {1, 2, 4, 8} <= set(np.diff(room.branch_start))
    return float(np.abs(other.heard - own.heard).max() / np.abs(own.heard).max())


@needs_package
def test_a_cards_loop_as_plain_python_is_the_processors(monkeypatch):
    """Truth: the processor, wool and walls of one to eight branches; float32 sums."""
    assert apart_as_plain_python(monkeypatch) < SAME


@needs_package
def test_plain_python_test_can_fail(monkeypatch):
    """Planted fault: all groups share the states of the first."""

    def shared(stepper):
        stepper._up["group"][:, 9] = 0

    assert apart_as_plain_python(monkeypatch, shared) > 10.0 * SAME


@needs_package
def test_a_kernel_that_no_card_can_run_is_found(monkeypatch):
    """Planted fault: a kernel asks for memory as only a processor can."""
    import numba
    import numba.cuda.dispatcher
    from numba import cuda
    from numba.core.errors import NumbaError

    monkeypatch.setattr(
        numba.cuda.dispatcher, "get_current_device",
        lambda: SimpleNamespace(compute_capability=CAPABILITY),
    )  # fmt: skip

    def faulty(out):
        out[0] = sorted([out[1], out[2]])[0]

    with pytest.raises(NumbaError):
        cuda.compile_ptx(faulty, (numba.types.float64[::1],), cc=CAPABILITY)


def signatures():
    """Give the kinds of all arguments, taken from what a real room hands over."""
    import numba
    from numba.core import types

    from raysim.propagation import gpu_wave

    def kind(value):
        found = numba.typeof(value)
        if isinstance(found, types.Array):
            layout = "C" if value.flags.c_contiguous else "F"
            return types.Array(found.dtype, found.ndim, layout)
        return found

    scene = furnished_attic()
    room = prepared(scene)
    f8, i8 = np.zeros(1), np.zeros(1, dtype=np.int64)
    table = np.zeros((1, 8))
    tree = room.tree_arrays(on_gpu=True)
    rays_take = (
        np.uint64(1), 0, 1, f8, f8, table, *tree, table, f8, table, i8, i8, i8, table, table,
        f8, table, 1, 1, 1.0, 1.0, np.zeros((1, 1, 1, 9, 8)), np.zeros((1, 2), dtype=np.int64),
    )  # fmt: skip
    f4 = np.zeros(1, dtype=np.float32)
    flat, hits = np.zeros((1, 3), dtype=np.float32), np.zeros(1, dtype=np.uint32)
    taken = {}

    class Recorder:
        typeof_pyval = staticmethod(kind)
        max_cooperative_grid_blocks = staticmethod(lambda _block: 1)

        def __init__(self, name):
            self.name = name

        def compile(self, kinds):
            return self

        def __getitem__(self, _size):
            return lambda *values: taken.update({self.name: tuple(kind(v) for v in values)})

    class Host:
        """Arrays that stay where they are."""

        @staticmethod
        def to_device(value):
            return np.asarray(value).view(Stays)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(gpu_wave, "_advance", Recorder("advance"))
        patched.setattr(gpu_wave, "_stored", Recorder("stored"))
        patched.setattr(gpu_wave, "cuda", Host)
        stepper = gpu_wave.GpuStepper(small_wave_room(), *where(), np.array([1.0, -1.0]), 9)
        stepper.advance(1)
        stepper.energy()
    return {
        "follow": tuple(kind(v) for v in rays_take),
        "first_hit": tuple(kind(v) for v in (*tree, flat, flat, f4, hits)),
        **taken,
    }


class Stays(np.ndarray):
    """An array that answers as one of a card would."""

    def copy_to_host(self, into=None):
        if into is not None:
            into[...] = self
        return np.asarray(self)


def test_without_a_card_the_message_says_what_to_do(monkeypatch):
    monkeypatch.setattr("raysim.propagation.gpu.why_no_gpu", lambda: "there is none")
    with pytest.raises(SettingsError, match="there is none") as caught:
        check_gpu()
    assert caught.value.complaints[0].code == "RS-P04"


@needs_gpu
def test_first_hits_are_the_processors():
    """Truth: the processor; tolerance: float32 at 8 m, 1e-6 m, and a contracted sum."""
    from raysim.propagation import gpu_rays

    room = prepared(furnished_attic())
    rng = np.random.default_rng(1)
    n = 20_000
    start = np.tile(np.array([2.0, 3.0, 1.5], dtype=np.float32), (n, 1))
    way = rng.normal(size=(n, 3))
    way = (way / np.linalg.norm(way, axis=1, keepdims=True)).astype(np.float32)
    found = []
    for machine in (cpu, gpu_rays):
        distance, piece = np.zeros(n, dtype=np.float32), np.zeros(n, dtype=np.uint32)
        tree = room.tree_arrays(on_gpu=machine is gpu_rays)
        machine.first_hits(*tree, start, way, distance, piece)
        found.append((distance, piece))
    np.testing.assert_allclose(found[0][0], found[1][0], rtol=SAME)
    assert np.mean(found[0][1] != found[1][1]) < 1e-3  # on a shared edge either is right


@needs_gpu
def test_rays_are_the_processors_ray_by_ray():
    """Truth: the same seed on the processor; whole numbers exact, energies to 1e-5."""
    scene = sounding_attic()
    room = prepared(scene)
    own = rays(room, scene, on_gpu=False, duration_s=0.02)  # a bounce or two
    other = rays(room, scene, on_gpu=True, duration_s=0.02)
    assert own.count == other.count
    a, b = (r.histograms()[0] for r in (own, other))
    np.testing.assert_allclose(b.energy, a.energy, rtol=SAME, atol=SAME * a.energy.max())
    np.testing.assert_allclose(b.moments, a.moments, rtol=SAME, atol=SAME * a.energy.max())


def z_of(own, other):
    """Give the difference of two runs' energy per band in standard errors."""
    sums = [r.histograms()[0].energy.sum(axis=2) for r in (own, other)]
    gap = sums[0].mean(axis=0) - sums[1].mean(axis=0)
    error2 = sum(s.var(axis=0, ddof=1) / N_BATCH for s in sums)
    return gap / np.sqrt(error2)


@needs_gpu
@pytest.mark.parametrize("fault", [1.0, 1.2])
def test_whole_runs_of_other_seeds_agree_within_their_errors(fault):
    """Truth: the processor; 8 bands at 4 sigma. Planted fault: walls 20 % more absorbing."""
    scene = sounding_attic()
    room = prepared(scene)
    own = rays(room, scene, on_gpu=False, n_ray=1 << 15)
    room.sides.alpha.setflags(write=True)
    room.sides.alpha[:] *= fault
    other = rays(room, scene, on_gpu=True, seed=2, n_ray=1 << 15)
    agree = np.abs(z_of(own, other)).max() < 4.0
    assert agree == (fault == 1.0)


@needs_gpu
def test_bass_is_the_processors():
    """Truth: the processor; tolerance: float32 sums, contracted in another order."""
    from raysim.propagation.gpu_wave import GpuStepper

    room = small_wave_room()
    drive = np.array([1.0, -2.0, 1.0])
    own, other = (kind(room, *where(), drive, 800) for kind in (Stepper, GpuStepper))
    for one in (own, other):
        one.advance(300)
        one.advance(500)
    kept = other.energy() + other.taken
    assert abs(kept - other.put) < BALANCE * other.put
    scale = np.abs(own.heard).max()
    np.testing.assert_allclose(other.heard, own.heard, atol=SAME * scale)


@needs_gpu
def test_a_bass_run_looks_at_the_balance_on_a_card_too():
    room = small_wave_room()
    source, ears = where()
    own, other = (
        run(room, source, ears, 0.2, 200.0, on_gpu=on_gpu) for on_gpu in (False, True)
    )
    assert other.imbalance < BALANCE
    np.testing.assert_allclose(other.p, own.p, atol=1e-4 * np.abs(own.p).max())
