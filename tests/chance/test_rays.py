"""Laws that batches of rays must keep: path lengths, energy, reciprocity, repetition."""

import hashlib
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reference.chi2 import least_chance
from rooms import attic_scene, box_scene, l_scene
from scipy.stats import t as student
from traced import furnished_attic, mean_and_error, prepared, ray_energy, ray_run

from raysim.propagation import rays

TESTS = Path(__file__).parents[1]


def sigmas_allowed(n_test):
    """Give the deviation that one of many means exceeds with 1 % chance in all.

    Student's distribution, because each error is estimated from 32 batches.
    """
    return float(student.isf(least_chance(n_test) / 2.0, rays.N_BATCH - 1))


# Mean free path.


def mean_free_paths(monkeypatch, scene, n_ray=3000, length_m=10_000.0, from_m=30.0):
    """Give each ray's mean free path after its first metres, one ray to a batch."""
    monkeypatch.setattr(rays, "N_BATCH", n_ray)
    room = prepared(scene)
    ends_s = np.array([from_m, from_m + length_m]) / room.speed_m_s
    hits = [
        ray_run(room, scene, n_ray, duration_s=end, bin_s=end)._tally[:, 0] for end in ends_s
    ]
    return length_m / (hits[1] - hits[0])


def sigmas_off(path_m, law_m):
    return abs(path_m.mean() - law_m) / (path_m.std(ddof=1) / np.sqrt(len(path_m)))


def long_box(scattering):
    return box_scene(8.0, 4.0, 2.5, alpha=0.0, scattering=scattering, receivers=())


LONG_BOX_M = 4.0 * 80.0 / 124.0


def test_mean_free_path_of_a_box(monkeypatch):
    """Truth: 4V/S of 8 x 4 x 2.5 m. Tolerance: four sigma.

    The mean of length over hits is a little long, by the relative variance of the hits:
    here 1e-4, six tenths of a sigma.
    """
    assert sigmas_off(mean_free_paths(monkeypatch, long_box(0.3)), LONG_BOX_M) < 4.0


def test_mean_free_path_of_an_attic(monkeypatch):
    """Truth: 4V/S whatever the shape; V and S are the mesh's, checked in closed form."""
    scene = attic_scene(alpha=0.0, scattering=1.0, sources=((2.0, 2.0, 1.2),))
    mesh = prepared(scene).mesh
    law_m = 4.0 * mesh.air_volume_m3 / mesh.area_m2
    assert sigmas_off(mean_free_paths(monkeypatch, scene), law_m) < 4.0


def test_mean_free_path_test_can_fail(monkeypatch):
    """Planted fault: mirror walls in a box do not mix directions."""
    path_m = mean_free_paths(monkeypatch, long_box(0.0), 16_000, 1500.0)
    assert sigmas_off(path_m, LONG_BOX_M) > 20.0


# Energy.

SEATS = ((3.5, 2.5, 1.2), (4.5, 0.4, 0.5), (0.7, 3.2, 2.2))


def late_energy(alpha, n_ray=24_000):
    """Give late energy per 20 ms over the diffuse field's, (batch, receiver, band, time)."""
    scene = box_scene(alpha=alpha, scattering=0.3, receivers=SEATS)
    room = prepared(scene, air=False)
    run = ray_run(room, scene, n_ray, duration_s=0.4, bin_s=0.02, orders=(3, 20))
    per_bin = 4.0 * np.pi * room.speed_m_s * 0.02 / room.mesh.air_volume_m3
    late = np.stack([ray_energy(run, r)[:, :, 12:] for r in range(len(SEATS))], axis=1)
    return late / per_bin


def sigmas_from_diffuse(late):
    mean, error = mean_and_error(late)
    overall, overall_error = mean_and_error(late.mean(axis=(1, 2, 3)))
    return np.append(np.abs(mean - 1.0) / error, abs(overall - 1.0) / overall_error)


def test_a_lossless_room_keeps_its_energy():
    """Truth: a source of unit energy at 1 m fills V with 4 pi c / V per second, for ever.

    A ray of energy 4 pi passes c dt of path in any time dt, and leaves path per volume.
    From 0.24 s on, three seats, all bands, every bin and all together. Tolerance: 1 %
    chance of a false alarm in all. Bands agree exactly, so they count once.
    """
    late = late_energy(alpha=0.0)
    assert sigmas_from_diffuse(late).max() < sigmas_allowed(late[0, :, 0].size + 1)


def test_energy_test_notices_a_small_loss():
    """Planted fault: walls that absorb 2 %."""
    late = late_energy(alpha=0.02)
    assert sigmas_from_diffuse(late).min() > sigmas_allowed(late[0, :, 0].size + 1)


# Reciprocity.

ENDS = ((1.2, 4.6, 1.1), (5.2, 1.0, 1.6))
#: Walls of the L: a hard one, a soft one, and what lies between.
L_ALPHA = {
    "floor": 0.3,
    "ceiling": 0.05,
    "wall 1": 0.1,
    "wall 2": 0.5,
    "wall 3": 0.02,
    "wall 6": 0.2,
}
L_SCATTERING = {"floor": 0.1, "wall 1": 0.6, "wall 2": 0.3, "wall 3": 0.05, "wall 6": 0.9}


def one_way(turned, seed, alpha=L_ALPHA, orders=(2, 10)):
    """Give energy by batch, band and 20 ms, from one end of the L to the other or back."""
    ends = ENDS[::-1] if turned else ENDS
    scene = l_scene(alpha=alpha, scattering=L_SCATTERING, sources=ends[:1], receivers=ends[1:])
    run = ray_run(
        prepared(scene), scene, 24_000, seed=seed, duration_s=0.2, bin_s=0.02, orders=orders
    )
    return ray_energy(run)[:, 3]  # one band: they are alike but for the air


def sigmas_between(a, b):
    """Give by how many sigmas two independent runs differ, per bin and in the sum."""
    a, b = (np.column_stack([x, x.sum(axis=1)]) for x in (a, b))
    (mean_a, error_a), (mean_b, error_b) = mean_and_error(a), mean_and_error(b)
    return np.abs(mean_a - mean_b) / np.hypot(error_a, error_b)


@pytest.mark.parametrize("orders", [(2, 10), (-1, 0)])
def test_source_and_receiver_change_places(orders):
    """Truth: reciprocity. Tolerance: 1 % chance of a false alarm in all bins."""
    there, back = one_way(False, 11, orders=orders), one_way(True, 12, orders=orders)
    heard = (there > 0).any(axis=0) | (back > 0).any(axis=0)
    assert heard.sum() >= 9
    off = sigmas_between(there[:, heard], back[:, heard])
    assert off.max() < sigmas_allowed(2 * len(off))


def test_reciprocity_test_notices_another_floor():
    """Planted fault: on the way back the floor absorbs 0.36 instead of 0.3."""
    off = sigmas_between(one_way(False, 11), one_way(True, 12, {**L_ALPHA, "floor": 0.36}))
    assert off.max() > sigmas_allowed(2 * len(off))


# Repetition.


def busy_room():
    """Give a room with all that rays can meet: sheets, slopes, four groups of bands."""
    scene = furnished_attic(
        alpha=0.1,
        scattering=dict.fromkeys(
            ("floor", "W slope", "E slope", "cloth", "felt"), np.linspace(0.05, 0.9, 8)
        ),
        sources=((2.0, 1.5, 1.2),),
        receivers=((1.8, 3.2, 1.1), (3.2, 2.6, 1.3)),
    )
    return prepared(scene), scene


def fingerprint(seed=3, follow=(640,)):
    """Give a hash of every bit that a run collects."""
    room, scene = busy_room()
    run = ray_run(room, scene, 0, seed=seed, duration_s=0.1, bin_s=0.001, orders=(2, 10))
    for n in follow:
        run.follow(n)
    digest = hashlib.sha256(run._tally.tobytes())
    for sums in run._sums:
        digest.update(sums.tobytes())
    for h in run.histograms():
        digest.update(h.energy.tobytes() + h.moments.tobytes())
    return digest.hexdigest()


PRINT_ALL = """
import sys; sys.path[:0] = sys.argv[1:]
import numba
from test_rays import fingerprint
for n in (1, 2, 4):
    numba.set_num_threads(n)  # refuses more than there are
    print(fingerprint())
"""


def test_any_number_of_threads_gives_the_same_bits():
    """Truth: every draw is a function of its address. Exact, for 1, 2 and 4 threads."""
    done = subprocess.run(
        [sys.executable, "-c", PRINT_ALL, str(TESTS), str(Path(__file__).parent)],
        env={**os.environ, "NUMBA_NUM_THREADS": "4"},
        capture_output=True,
        text=True,
        check=True,
    )
    hashes = done.stdout.split()
    assert len(hashes) == 3
    assert set(hashes) == {fingerprint()}


def test_a_run_can_be_continued():
    """Truth: rays are numbered. Two follows of N are one of 2N, bit for bit."""
    assert fingerprint(follow=(320, 320)) == fingerprint()


@pytest.mark.parametrize("other", [{"seed": 4}, {"follow": (672,)}, {"follow": (320, 352)}])
def test_fingerprint_notices_another_run(other):
    """Planted fault: another seed, or one more ray in each batch."""
    assert fingerprint(**other) != fingerprint()


def test_a_ray_replays_alone():
    """Truth: ray 7 of every batch, alone, is what it adds to rays 0 to 6. Rounding."""
    room, scene = busy_room()

    def sums(first, n):
        run = ray_run(room, scene, 0, duration_s=0.1, orders=(2, 10))
        run._n_ray = first  # the number of the next ray
        run.follow(n * rays.N_BATCH)
        return run._sums, run._tally

    (before, hits_before), (after, hits_after), (alone, hits_alone), (other, _) = (
        sums(0, 7),
        sums(0, 8),
        sums(7, 1),
        sums(8, 1),
    )
    assert (hits_before + hits_alone == hits_after).all()
    for a, b, c, d in zip(before, alone, after, other, strict=True):
        tight = 1e-12 * c.max()
        assert np.abs(a + b - c).max() < tight
        assert np.abs(a + d - c).max() > tight  # the twin: another ray does not fit


# Errors.


def relative_errors(follow, again=False):
    """Give the mean relative error of energies after each follow, by its logarithm."""
    scene = box_scene(alpha=0.2, scattering=0.4, receivers=SEATS)
    room = prepared(scene)
    logs = []
    run = ray_run(room, scene, 0, duration_s=0.2, bin_s=0.01, orders=(1, 0))
    for n in follow:
        if again:
            run._n_ray = 0  # the same rays once more
        run.follow(n)
        energy = np.stack([ray_energy(run, r)[:, 3, 1:] for r in range(len(SEATS))], axis=1)
        mean, error = mean_and_error(energy)
        logs.append(np.log(error / mean).ravel())
    return np.array(logs)


FOLLOW = (1600, 4800, 19_200, 76_800)
#: The error of an error from 32 batches, 1 / sqrt(62), at either end of the slope. Bins
#: of one seat share rays: they count as a third of their number.
SLOPE_ERROR = np.sqrt(2.0) / np.sqrt(62.0) / np.sqrt(3 * 19 / 3.0) / np.log(64.0)


def observed_slope(logs):
    return float((logs[-1] - logs[0]).mean() / np.log(sum(FOLLOW) / FOLLOW[0]))


def test_errors_halve_with_four_times_the_rays():
    """Truth: the law of large numbers, slope -1/2. Tolerance: four sigma of the slope."""
    assert observed_slope(relative_errors(FOLLOW)) == pytest.approx(-0.5, abs=4 * SLOPE_ERROR)


def test_slope_test_notices_rays_that_repeat():
    """Planted fault: each continuation starts again at ray 0."""
    repeated = relative_errors((1600, 1600, 1600), again=True)
    slope = float((repeated[-1] - repeated[0]).mean() / np.log(3.0))
    assert abs(slope + 0.5) > 4 * SLOPE_ERROR


def batch_spread(energy):
    """Give the variance of half the batches' means over that of single batches."""
    n = len(energy) // 2
    pairs = energy[:n] + energy[n:]
    return pairs.var(axis=0, ddof=1).mean() / energy.var(axis=0, ddof=1).mean()


def test_batches_are_independent():
    """Truth: variances of independent sums add, so pairs have twice. Four sigma."""
    scene = box_scene(alpha=0.2, scattering=0.4, receivers=SEATS)
    run = ray_run(prepared(scene), scene, 9600, duration_s=0.2, bin_s=0.01, orders=(1, 0))
    energy = np.concatenate([ray_energy(run, r)[:, 3, 1:] for r in range(3)], axis=1)
    energy = energy / energy.mean(axis=0)
    spread = 2.0 * np.sqrt(2.0 / 15.0 + 2.0 / 31.0) / np.sqrt(energy.shape[1] / 3.0)
    assert abs(batch_spread(energy) - 2.0) < 4.0 * spread
    # the twin: batches in pairs of the same rays
    assert abs(batch_spread(np.tile(energy[:16], (2, 1))) - 2.0) > 4.0 * spread


# Rays that are lost.


def lost(room, scene):
    count = ray_run(room, scene, 64_000, duration_s=0.3, bin_s=0.3, orders=(3, 20)).count
    assert count.n_segment > 1_000_000
    return count.n_lost / count.n_segment


HARD_ROOMS = {
    "box": lambda: box_scene(alpha=0.02, scattering=0.3),
    "L": lambda: l_scene(alpha=0.02, scattering=0.3, sources=ENDS[:1], receivers=ENDS[1:]),
    "attic": lambda: furnished_attic(
        alpha=0.02, scattering=0.3, sources=((2.0, 1.5, 1.2),), receivers=((1.8, 3.2, 1.1),)
    ),
}


@pytest.mark.parametrize("name", HARD_ROOMS)
def test_hardly_any_ray_is_lost(name):
    """Truth: the room is closed. Budget: two in a million segments, edges included."""
    scene = HARD_ROOMS[name]()
    assert lost(prepared(scene), scene) <= 2e-6


def test_loss_test_notices_a_small_hole():
    """Planted fault: the cupboard's top takes rays and gives none back."""
    scene = HARD_ROOMS["attic"]()
    room = prepared(scene)
    top = room.sides.names.index("cupboard top")
    assert lost(replace(room, front=np.where(room.front == top, -1, room.front)), scene) > 2e-6


# Bands that share rays.

S_BY_BAND = np.array([0.05, 0.15, 0.3, 0.4, 0.5, 0.6, 0.75, 0.9])
SOFT_CEILING = {"ceiling": 0.7, "floor": 0.1}


def by_band(monkeypatch, groups, scattering, seed, n_ray):
    """Give 10 to 60 ms of energy, less the first images, by batch and band."""
    monkeypatch.setattr(rays, "band_groups", lambda sides: groups)
    scene = box_scene(alpha=SOFT_CEILING, scattering=scattering)
    room = prepared(scene, air=False)
    run = ray_run(room, scene, n_ray, seed=seed, duration_s=0.06, bin_s=0.01, orders=(2, 0))
    return ray_energy(run)[:, :, 1:]


ALONE = [slice(k, k + 1) for k in range(8)]
TOGETHER = [slice(0, 8)]


def band_sigmas(monkeypatch, scattering):
    """Give deviations of bands that share rays from bands that have their own."""
    alone = by_band(monkeypatch, ALONE, S_BY_BAND, 21, 24_000)
    shared = by_band(monkeypatch, TOGETHER, scattering, 22, 128_000)
    both = [np.concatenate([x, x.sum(axis=2, keepdims=True)], axis=2) for x in (alone, shared)]
    (mean_a, error_a), (mean_b, error_b) = (mean_and_error(x) for x in both)
    return np.abs(mean_a - mean_b) / np.hypot(error_a, error_b)


def test_bands_that_share_rays_are_unbiased(monkeypatch):
    """Truth: rays of a band's own. Tolerance: 1 % chance of a false alarm in all."""
    off = band_sigmas(monkeypatch, S_BY_BAND)
    assert off.max() < sigmas_allowed(off.size)


def test_band_test_notices_missing_weights(monkeypatch):
    """Planted fault: all bands get the coin's own scattering, as without weights."""
    off = band_sigmas(monkeypatch, S_BY_BAND.mean())
    assert off[[0, 1, 2, 6, 7]].max(axis=1).min() > sigmas_allowed(off.size)


def test_groups_keep_the_growth_they_promise():
    """Truth: the second moment of the weights per bounce, worked out wall by wall."""
    scene = box_scene(scattering={"floor": S_BY_BAND, "ceiling": 0.3, "east": S_BY_BAND[::-1]})
    sides = prepared(scene).sides
    groups = rays.band_groups(sides)
    assert [k for g in groups for k in range(g.start, g.stop)] == list(range(8))
    assert 1 < len(groups) < 8
    for g in [*groups, slice(0, 8)]:
        s = sides.scattering[:, g]
        p = s.mean(axis=1, keepdims=True)
        growth = s**2 / p + (1 - s) ** 2 / (1 - p)
        mean = (sides.area_m2 @ growth / sides.area_m2.sum()).max()
        # the twin: all bands in one group break the promise
        assert (mean <= 1.02 + 1e-12) == (g != slice(0, 8))
