"""A ray's walk as a list of steps, and the same walk with other coefficients.

Where a ray goes and what reaches a receiver from there depends on geometry and chance
alone once both are drawn; only its energies depend on what walls absorb and scatter. A
step is one leg and the wall at its end: side and coin, how many spheres the leg passed
and how many receivers saw the wall. A deposit is one of these: its cell, and the share of
the ray's energy that it takes  (R11). Replaying multiplies energies anew  (R12).

Several layouts are replayed at once: a lane is one band of one of them. Lanes are float32,
three times as fast as float64; each product and sum rounds by 6e-8 at most.

Theory: DEVELOPERS.md, R11 and R12.
"""

from raysim.core.compile import kernel

#: In place of a wall: the walk ended on this leg.
END = 0xFFFF
#: Lanes are raised by this while they are replayed: a band that fades far below the others
#: would reach the numbers of float32 that processors are slow with.
LIFT = 2.0**64


@kernel
def note_step(note, code, n_sphere, n_connected):
    """Write one step; ``note`` is (step, deposit cell, share, from where, counts).

    ``code`` is twice the side, and 1 more where the ray went on scattered. What finds no
    room is counted but not written.
    """
    step, counts = note[0], note[4]
    i = counts[0]
    if i < step.shape[0]:
        step[i, 0] = code
        step[i, 1] = n_sphere
        step[i, 2] = n_connected
    counts[0] = i + 1


@kernel
def note_deposit(note, cell, share, x, y, z):
    """Write one deposit: it arrives in ``cell`` from unit (x, y, z)."""
    i = note[4][1]
    if i < note[1].shape[0]:
        note[1][i] = cell
        note[2][i] = share
        note[3][i, 0] = x
        note[3][i, 1] = y
        note[3][i, 2] = z
    note[4][1] = i + 1


@kernel
def leave_lanes(energy, share, x, y, z, weight, cell, histogram):
    """Add a share of all lanes, arriving from unit (x, y, z), to one cell  (R12).

    ``histogram`` is (n_cell, n_moment, n_lane); one moment is energy alone. ``weight``
    (n_moment,) is scratch, and begins with 1.
    """
    n_moment = weight.shape[0]
    if n_moment > 1:
        weight[1], weight[2], weight[3] = x, y, z
        weight[4], weight[5] = x * x, y * y
        weight[6], weight[7], weight[8] = x * y, x * z, y * z
    for m in range(n_moment):
        part = share * weight[m]
        for k in range(energy.shape[0]):
            histogram[cell, m, k] += energy[k] * part


@kernel
def live_again(
    step, first, end, cell, share, towards, i_deposit,
    mirrored, scattered, connected, energy, scratch, weight, histogram,
):  # fmt: skip
    """Take one ray through its recorded steps; give the number of the next deposit  (R12).

    ``energy`` (n_lane,) starts as what the ray was emitted with and is used up. Per side
    and lane: the factor of a ray that is ``mirrored``, ``scattered``, or ``connected`` to a
    receiver. For ``weight`` and ``histogram`` see `leave_lanes`.
    """
    n_lane = energy.shape[0]
    for i in range(first, end):
        for _ in range(step[i, 1]):
            d = i_deposit
            x, y, z = towards[d, 0], towards[d, 1], towards[d, 2]
            leave_lanes(energy, share[d], x, y, z, weight, cell[d], histogram)
            i_deposit += 1
        code = step[i, 0]
        if code == END:
            break
        side = code >> 1
        if step[i, 2] > 0:
            for k in range(n_lane):
                scratch[k] = energy[k] * connected[side, k]
        for _ in range(step[i, 2]):
            d = i_deposit
            x, y, z = towards[d, 0], towards[d, 1], towards[d, 2]
            leave_lanes(scratch, share[d], x, y, z, weight, cell[d], histogram)
            i_deposit += 1
        if code & 1:
            for k in range(n_lane):
                energy[k] *= scattered[side, k]
        else:
            for k in range(n_lane):
                energy[k] *= mirrored[side, k]
    return i_deposit
