"""Tell what a run costs as rays, triangles, receivers and bands grow.

The loop of `raysim.propagation.rays` on one thread, one thing varied at a time. Rays and
triangles get the exponent of a power law; receivers and bands a straight line: what each
adds, in per cent of what a segment costs without any. Exits with 1 if an answer changes
that must not: more rays must agree within 4 sigma; walls cut into rectangles, further
receivers and further bands must leave the first receiver's first band as it was.
"""

import sys
from dataclasses import replace

import numba
import numpy as np
from contest import conditions, take_turns
from furnished import acoustic, bare, fine, furnished, gridded, receivers, scene_of

from raysim.propagation.rays import N_BATCH, RayRun
from raysim.propagation.room import AcousticRoom
from raysim.units import Float

SEED, N_ROUND, N_RAY, DURATION_S = 1, 3, 4096, 0.4
#: Relative: the same numbers added in the same order, but for the coin's last bit.
SAME = 1e-9
#: Relative: near the edges of rectangles hits move by micrometres, so one ray or so in
#: a thousand goes another way, and a ray's share scatters by about twice itself.
SAME_WALLS = 0.01
#: Rays that rounding may lose, per segment: a ten thousandth of what walls absorb.
_MOST_LOST = 1e-5


class Case:
    """One run to time, and what came of it."""

    def __init__(
        self, label: int, room: AcousticRoom, n_ray: int = N_RAY, n_receiver: int = 1
    ) -> None:
        self.label = label
        n_band = room.sides.alpha.shape[1]
        source = scene_of().sources[0]
        omni = replace(source.directivity, level_db=np.zeros((n_band, 2)))
        self._from = replace(source, directivity=omni)
        self._to = list(receivers(n_receiver))
        self._room, self._n_ray = room, n_ray
        self.run()

    def run(self) -> None:
        """Follow the rays."""
        self._rays = RayRun(
            self._room, self._from, self._to, seed=SEED,
            duration_s=DURATION_S, bin_s=0.001, image_order=3, pair_order=0,
        )  # fmt: skip
        self._rays.follow(self._n_ray)

    @property
    def n_segment(self) -> int:
        """How many segments the rays had."""
        return self._rays.count.n_segment

    @property
    def leaks(self) -> bool:
        """Whether more rays were lost than rounding explains."""
        return self._rays.count.n_lost > _MOST_LOST * self.n_segment

    def energy(self) -> tuple[float, float]:
        """Give the energy at the first receiver, first band, and its standard error."""
        of_batch = self._rays.histograms()[0].energy[:, 0].sum(axis=1)
        return float(of_batch.mean()), float(of_batch.std(ddof=1) / np.sqrt(N_BATCH))


def timed(title: str, cases: list[Case]) -> tuple[Float, Float]:
    """Time a series and print its rows; give labels and ns per segment."""
    spent_s = take_turns({str(c.label): c.run for c in cases}, N_ROUND)
    ns = np.array([1e9 * min(spent_s[str(c.label)]) / c.n_segment for c in cases])
    for case, cost in zip(cases, ns, strict=True):
        print(f"| {title} | {case.label} | {cost:.0f} | {cost / ns[0]:.2f} |")
        if case.leaks:
            sys.exit(f"fast but wrong: rays were lost with {title} = {case.label}")
    return np.array([c.label for c in cases], dtype=float), ns


def power(x: Float, y: Float) -> float:
    """Give the exponent of a power law through the points, least squares."""
    return float(np.polyfit(np.log(x), np.log(y), 1)[0])


def share_pct(x: Float, y: Float) -> float:
    """Give the slope of a straight line, least relative squares, in per cent of its start."""
    slope, start = np.polyfit(x, y, 1, w=1.0 / y)
    return float(100.0 * slope / start)


def refuse_change(title: str, cases: list[Case], tolerance: float) -> None:
    """Leave the program if the energy differs from the first case's."""
    first = cases[0].energy()[0]
    for case in cases[1:]:
        off = case.energy()[0] / first - 1.0
        if not abs(off) <= tolerance:
            sys.exit(f"fast but wrong: {title} = {case.label} changes energy by {off:+.1e}")


def refuse_drift(cases: list[Case]) -> None:
    """Leave the program if more rays give another answer than few."""
    last, last_error = cases[-1].energy()
    for case in cases[:-1]:
        energy, error = case.energy()
        if not abs(energy - last) <= 4.0 * np.hypot(error, last_error):
            sys.exit(f"fast but wrong: {case.label} rays give {energy:g}, most {last:g}")


def of_bands(room: AcousticRoom, n: int) -> AcousticRoom:
    """Give the room with n bands, all like its first: one coin serves them alike."""
    alpha, scattering = (
        np.repeat(a[:, :1], n, axis=1) for a in (room.sides.alpha, room.sides.scattering)
    )
    sides = replace(room.sides, alpha=alpha, scattering=scattering)
    return replace(room, sides=sides, air_per_m=np.full(n, room.air_per_m[0]))


def main() -> None:
    """Print a row for every case, then the fits."""
    print(conditions(SEED, "numpy", "numba"))
    numba.set_num_threads(1)
    usual = acoustic(furnished(crowded=False))
    print(f"Furnished room of {len(usual.mesh.faces)} triangles, {N_RAY} rays, 1 receiver, "
          f"8 bands, {DURATION_S} s, unless varied; best of {N_ROUND} rounds.\n")  # fmt: skip
    print("| varied | to | ns per segment | over first |\n|-|-|-|-|")

    cases = [Case(n, usual, n_ray=n) for n in (1024, 2048, 4096, 8192, 16384)]
    x, ns = timed("rays", cases)
    refuse_drift(cases)
    by_ray = power(x, ns * [c.n_segment for c in cases])

    rooms = [acoustic(s) for s in (bare(), furnished(False), furnished(True), fine())]
    by_room = power(*timed("triangles, rooms", [Case(len(r.mesh.faces), r) for r in rooms]))

    rooms = [acoustic(gridded(n)) for n in (1, 3, 9, 26)]
    cases = [Case(len(r.mesh.faces), r) for r in rooms]
    by_grid = power(*timed("triangles, cut walls", cases))
    refuse_change("triangles, cut walls", cases, SAME_WALLS)

    cases = [Case(n, usual, n_receiver=n) for n in (1, 2, 4, 8, 16)]
    by_receiver = share_pct(*timed("receivers", cases))
    refuse_change("receivers", cases, 0.0)

    cases = [Case(n, of_bands(usual, n)) for n in (1, 2, 4, 8, 16, 24)]
    by_band = share_pct(*timed("bands", cases))
    refuse_change("bands", cases, SAME)

    print(f"\nTime ~ rays^{by_ray:.2f}. Time per segment ~ triangles^{by_room:.2f} in rooms, "
          f"triangles^{by_grid:.2f} in a box with cut walls; each receiver adds "
          f"{by_receiver:.0f} %, each band {by_band:.1f} % of the cost without.")  # fmt: skip


if __name__ == "__main__":
    main()
