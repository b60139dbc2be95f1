"""One ray from emission to death, written once.

A ray carries energy per band. At a wall it loses the absorbed share; of the rest, band
k scatters the share s_k by Lambert's law and mirrors 1 - s_k. One coin with bias p,
the energy-weighted mean of s_k, decides for all bands together, and each band's energy
is reweighted by s_k/p or (1 - s_k)/(1 - p): unbiased in every band  (R7).

Each path is counted exactly once  (R9):
  - mirrored only, up to ``image_order`` times, or to and fro between one parallel pair
    up to ``pair_order`` times: by image sources, so not here;
  - last wall scattered: by connecting that wall to each receiver  (R6);
  - last wall mirrored, and not the images' own: by the counting sphere  (R8).

Theory: DEVELOPERS.md, R1 to R9.
"""

from math import floor, pi, sqrt

from numba import uint32, uint64

from raysim.core.bands import absorb, leave, turn
from raysim.core.compile import inner_kernel, kernel
from raysim.core.emission import LOOK_BOUNCE, look_from
from raysim.core.receiver import chord
from raysim.core.replay import END, note_deposit, note_step
from raysim.core.rng import draws
from raysim.core.walk import NOTHING, blocked, nearest
from raysim.core.wall import lambert, mirror

#: How far along its wall a hit is moved towards the middle of the piece: over the overlap.
INWARDS_M = 4e-6
#: How far off its wall a ray is lifted that would be lost.
LIFT_M = 1e-5
#: A ray below its floor in every band goes on with this chance, its energy raised.
SURVIVAL = 0.5


@inner_kernel
def meet_side(box, child, row, normal, front, back, px, py, pz, dx, dy, dz, skip, stack):
    """Give the piece a ray meets and which side of it; -1 for none, or for solid matter."""
    _, hit = nearest(box, child, row, px, py, pz, dx, dy, dz, skip, 1e30, stack)
    if hit == uint32(NOTHING):
        return hit, -1
    h = uint64(hit)
    towards = normal[h, 0] * dx + normal[h, 1] * dy + normal[h, 2] * dz
    if towards == 0.0:
        return hit, -1
    return hit, front[h] if towards < 0.0 else back[h]


@inner_kernel
def in_sight(box, child, row, receiver, x, y, z, stack):
    """Say whether a point of a counting sphere is in sight from its middle  (R8)."""
    vx, vy, vz = receiver[0] - x, receiver[1] - y, receiver[2] - z
    far = sqrt(vx * vx + vy * vy + vz * vz)
    if far <= receiver[3]:
        return True
    vx, vy, vz = vx / far, vy / far, vz / far
    return not blocked(box, child, row, x, y, z, vx, vy, vz, -1.0, -1.0, far, stack)


@kernel
def live(
    seed, i_batch, i_ray, px, py, pz, dx, dy, dz, energy, floor_energy,
    box, child, row, normal, offset, middle, plane, front, back, reflect, scatter, looking,
    receiver, image_order, pair_order, bins_per_m, histogram, stack, note=None,
):  # fmt: skip
    """Follow one ray until it dies, adding to ``histogram``; give (segments, lost).

    ``energy`` (n_band,) starts as what the ray was emitted with and is used up.
    Per piece: unit ``normal``, ``offset``, a point in its ``middle``, number of its
    ``plane``, and the sides met in ``front`` and from the ``back`` (-1: solid). Per side
    and band: ``reflect`` is 1 - alpha, ``scatter`` s; per side, ``looking`` is the chance
    with which walls after the first ``image_order`` look for receivers. ``receiver`` rows:
    position, distance of the nearest wall, then for each metre travelled radius and volume
    of the counting sphere. ``histogram`` is (n_receiver, n_time, n_moment, n_band).

    With a ``note`` the walk is written down instead of the energies it leaves, and
    ``histogram`` tells sizes only: see `raysim.core.replay`. Without one the compiler drops
    all that concerns it.
    """
    n_receiver = receiver.shape[0]
    n_reach = (receiver.shape[1] - 4) // 2
    n_time = histogram.shape[1]
    travelled = 0.0
    n_segment = 0
    n_bounce = 0
    mirrored_only = True
    to_and_fro = True  # the planes met so far alternate between two parallel ones
    scattered_last = False
    skip = -1.0
    plane_1, plane_2 = -1, -1  # the last plane met, and the one before
    last_x, last_y, last_z = 0.0, 0.0, 0.0  # normal of the last plane
    nx, ny, nz = 0.0, 0.0, 0.0
    u_1 = 0.5
    weight = 1.0  # notes only: what chance has multiplied the ray's energy by, re the usual
    lifted = False
    look = look_from(seed, i_batch, i_ray)
    while True:
        hit, side = meet_side(
            box, child, row, normal, front, back, px, py, pz, dx, dy, dz, skip, stack
        )
        if side < 0 and n_bounce > 0 and not lifted:
            # rounding has put the start behind a wall that the ray nearly grazes: lift it
            px, py, pz = px + LIFT_M * nx, py + LIFT_M * ny, pz + LIFT_M * nz
            lifted = True
            continue
        lifted = False
        n_segment += 1
        if side < 0:
            return n_segment, 1
        h = uint64(hit)
        nx, ny, nz = normal[h, 0], normal[h, 1], normal[h, 2]
        towards = nx * dx + ny * dy + nz * dz
        # the tree answers in float32; the length is taken again in full precision
        length = (offset[h] - (nx * px + ny * py + nz * pz)) / towards
        if towards > 0.0:
            nx, ny, nz = -nx, -ny, -nz
        length = max(length, 0.0)

        images_have_it = mirrored_only and (
            n_bounce <= image_order or (n_bounce >= 2 and to_and_fro and n_bounce <= pair_order)
        )
        n_sphere, n_connected = 0, 0
        if not scattered_last and not images_have_it:
            reach = 4 + 2 * min(int(travelled), n_reach - 1)
            for r in range(n_receiver):
                inside, at = chord(
                    px, py, pz, dx, dy, dz, length,
                    receiver[r, 0], receiver[r, 1], receiver[r, 2], receiver[r, reach],
                )  # fmt: skip
                if inside > 0.0:
                    # Where it may be out of sight a point of the chord is drawn, else its
                    # middle is taken; no direction was drawn with u_1: the ray was mirrored.
                    clear = receiver[r, reach] <= receiver[r, 3]
                    at += (0.5 if clear else u_1) * inside
                    i_time = int(floor((travelled + at) * bins_per_m))
                    if i_time < n_time and (clear or in_sight(
                        box, child, row, receiver[r],
                        px + at * dx, py + at * dy, pz + at * dz, stack,
                    )):  # fmt: skip
                        share = inside / receiver[r, reach + 1]
                        if note is None:
                            leave(energy, None, 0, share, -dx, -dy, -dz, histogram, r, i_time)
                        else:
                            n_sphere += 1
                            note_deposit(
                                note, r * n_time + i_time, weight * share, -dx, -dy, -dz
                            )
        travelled += length
        if travelled * bins_per_m >= n_time:
            if note is not None:
                note_step(note, END, n_sphere, 0)
            return n_segment, 0
        px, py, pz = px + length * dx, py + length * dy, pz + length * dz
        # pieces overlap at their edges: step back inside, or the next leg may start
        # behind the neighbour and be lost
        tx, ty, tz = middle[h, 0] - px, middle[h, 1] - py, middle[h, 2] - pz
        step = INWARDS_M / max(abs(tx) + abs(ty) + abs(tz), INWARDS_M)
        px, py, pz = px + step * tx, py + step * ty, pz + step * tz

        n_bounce += 1
        total, diffuse, loudest = absorb(energy, reflect, scatter, side)
        if total <= 0.0:
            if note is not None:
                note_step(note, END, n_sphere, 0)
            return n_segment, 0
        p = diffuse / total
        here = float(plane[h])

        chance = 1.0 if n_bounce <= image_order else looking[side]
        u_look = look + n_bounce * LOOK_BOUNCE
        if p > 0.0 and u_look - floor(u_look) < chance:
            for r in range(n_receiver):
                vx, vy, vz = receiver[r, 0] - px, receiver[r, 1] - py, receiver[r, 2] - pz
                cosine = vx * nx + vy * ny + vz * nz
                if cosine <= 0.0:
                    continue
                far = sqrt(vx * vx + vy * vy + vz * vz)
                i_time = int(floor((travelled + far) * bins_per_m))
                if i_time >= n_time:
                    continue
                nearness = 1.0 / far
                vx, vy, vz = vx * nearness, vy * nearness, vz * nearness
                if blocked(box, child, row, px, py, pz, vx, vy, vz, here, -1.0, far, stack):
                    continue
                share = cosine * nearness * nearness * nearness / (pi * chance)
                if note is None:
                    leave(energy, scatter, side, share, -vx, -vy, -vz, histogram, r, i_time)
                else:
                    n_connected += 1
                    note_deposit(note, r * n_time + i_time, weight * share, -vx, -vy, -vz)

        u_kind, u_1, u_2, u_live = draws(seed, i_batch, i_ray, n_bounce)
        scattered_last = u_kind < p
        if note is not None:
            note_step(note, 2 * side + (1 if scattered_last else 0), n_sphere, n_connected)
        if loudest < floor_energy:
            if u_live >= SURVIVAL:
                return n_segment, 0
            turn(energy, scatter, side, 1.0 / SURVIVAL, 0.0)
            if note is not None:
                weight /= SURVIVAL
        if note is not None:
            usual = note[5][side]
            weight *= usual / p if scattered_last else (1.0 - usual) / (1.0 - p)
        if scattered_last:
            turn(energy, scatter, side, 0.0, 1.0 / p)
            dx, dy, dz = lambert(nx, ny, nz, u_1, u_2)
            mirrored_only = False
        else:
            rest = 1.0 / (1.0 - p)
            turn(energy, scatter, side, rest, -rest)
            dx, dy, dz = mirror(dx, dy, dz, nx, ny, nz)
            if mirrored_only:
                if n_bounce == 2:
                    to_and_fro = nx * last_x + ny * last_y + nz * last_z < -1.0 + 1e-10
                elif n_bounce > 2:
                    to_and_fro = to_and_fro and plane[h] == plane_2
                plane_2, plane_1 = plane_1, plane[h]
                last_x, last_y, last_z = nx, ny, nz
        skip = here
