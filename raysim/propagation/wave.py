"""Sound pressure in the room below a few hundred hertz, by stepping it on a grid.

Pressure is relative to what the same source gives at 1 m in free field: the response of
`run` is that to a unit impulse there, in the band between two frequencies. Theory:
DEVELOPERS.md, W1 to W12.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np

from raysim.errors import Complaint, WaveError
from raysim.propagation.wave_cpu import CHUNK, advance, stored
from raysim.propagation.wave_points import point_weights
from raysim.propagation.wave_pores import Fill, Veil
from raysim.propagation.wave_pulse import pulse, to_response
from raysim.propagation.wave_room import COURANT2, WaveRoom, default_spacing_m, wave_room
from raysim.propagation.wave_tasks import MOST, Tasks, share_out, state_stores
from raysim.units import Float

__all__ = [
    "COURANT2", "Fill", "Pressure", "Stepper", "Veil", "WaveRoom", "default_spacing_m", "run",
    "wave_room",
]  # fmt: skip

#: How far the balance may be off, as a share of the most energy there was: rounding of
#: single precision stays a hundred times below in a run of 1e5 steps (measured).
BALANCE = 1e-4
#: The pulse is strongest at this share of the highest frequency.
_PEAK = 0.6


@dataclass(frozen=True, slots=True)
class Pressure:
    """Responses at receivers to one source."""

    sample_rate_hz: float
    p: Float  # (n_receiver, n_sample) re a unit impulse at 1 m in free field
    low_hz: float  # between these the response is complete
    high_hz: float
    imbalance: float  # largest error of the balance of energy, re the most there was


class Stepper:
    """Pressure on the grid of a room and the state of its walls, step by step.

    ``drive`` goes to a source, one value a step; ``heard`` (n_receiver, n_step) is what
    receivers hear after each step; ``energy`` and ``taken`` make up the balance  (W2).
    """

    #: Steps between two looks at the balance of energy.
    watch = 500

    def __init__(
        self,
        room: WaveRoom,
        source_m: Float,
        receivers_m: Float,
        drive: Float,
        n_step: int,
        names: Sequence[str] = (),
    ) -> None:
        self.room, self.n = room, 0
        named = [*names, *[f"receiver {i + 1}" for i in range(len(names), len(receivers_m))]]
        grid, volume, opening = room.grid, room.volume, room.opening
        source_m, receivers_m = room.turned(source_m), room.turned(receivers_m)
        cell, weight = point_weights(grid, volume, opening, source_m, "source")
        strength = 4.0 * np.pi * (room.speed_m_s * room.step_s) ** 2 / grid.cell_m3
        self.source_cell = cell
        self.source_weight = (strength * weight / volume[cell]).astype(np.float32)
        self.tasks = self._share_out(room)
        cut = np.full(volume.size, -1, dtype=np.int64)
        taken = np.flatnonzero(self.tasks.order >= 0)
        cut[self.tasks.cell[taken]] = taken
        self.source_cut = cut[cell]
        ears = [
            point_weights(grid, volume, opening, r, name)
            for r, name in zip(receivers_m, named, strict=True)
        ]
        most = max((c.size for c, _ in ears), default=1)
        self.hear_cell = np.zeros((len(ears), most), dtype=np.int64)
        self.hear_weight = np.zeros((len(ears), most))
        for i, (c, w) in enumerate(ears):
            self.hear_cell[i, : c.size], self.hear_weight[i, : w.size] = c, w
        self.drive = drive.astype(np.float32)
        self.heard = np.zeros((len(ears), n_step))
        self.p = np.zeros((2, volume.size), dtype=np.float32)
        n_face = len(room.face_cells)
        self.pending = np.zeros(self.tasks.order.size, dtype=np.float32)
        self.state = np.zeros(self.tasks.n_state, dtype=np.float32)
        # After the last face nothing flows: what stands for faces that are not there.
        self.face_flow = np.zeros((2, 2, n_face + MOST), dtype=np.float32)
        self.face_state = np.zeros((4, n_face), dtype=np.float32)
        self._put = np.zeros(1)
        self._prepare()

    def _share_out(self, room: WaveRoom) -> Tasks:
        return share_out(room)

    def _prepare(self) -> None:
        """Make room to work in."""
        t = self.tasks
        n_thread = numba.config.NUMBA_NUM_THREADS  # type: ignore[attr-defined]
        self._kept = np.zeros_like(self.pending)
        self._walls, self._faces = np.zeros(t.n_task), np.zeros(t.faces.task.size - 1)
        # Rows that are 4096 bytes apart would get into each other's way in the cache.
        self._work = np.zeros((n_thread, 4, MOST + 48), dtype=np.float32)

    def advance(self, n_step: int) -> None:
        """Take so many steps."""
        r, t = self.room, self.tasks
        middle, x, y, z = r.whole
        advance(
            self.p, self.n, n_step, r.grid.stride[1], r.grid.stride[2], middle, x, y, z,
            t.run, t.task_run, t.clear, t.task_clear,
            t.cell, t.code, t.table, self._kept, self.pending, t.stretch, t.inflow,
            t.face_start, t.face, t.face_weight,
            t.group, t.task_group, t.kind, r.branch_start, r.branch, self.state,
            t.faces.group, t.faces.task, t.faces.line, t.faces.part, t.faces.each,
            r.face_cells, r.face_open, r.face_pull, r.face_kind, r.face_near,
            r.face_near_weight, self.face_flow, self.face_state,
            self.source_cell, self.source_weight, r.volume[self.source_cell], self.source_cut,
            self.drive, self.hear_cell, self.hear_weight, self.heard, self._put,
            self._walls, self._faces, self._work, numba.get_num_threads(),
        )  # fmt: skip
        self.n += n_step

    @property
    def put(self) -> float:
        """Energy that the source has put in."""
        return float(self._put[0])

    @property
    def taken(self) -> float:
        """Energy that walls and pores have turned into heat."""
        return float(self._walls.sum() + self._faces.sum())

    def energy(self) -> float:
        """Give the energy of air, walls and pores now  (W2, W8, W9)."""
        r = self.room
        sums = np.zeros(r.plane_row.size - 1 + -(-r.cut_cell.size // CHUNK))
        x, y, z = r.courant**2
        stored(
            self.p, self.n, r.grid.stride[1], r.grid.stride[2], x, y, z,
            r.row_start, r.row_length, r.plane_row, r.cut_cell, r.link, r.volume[r.cut_cell],
            sums,
        )  # fmt: skip
        return float(sums.sum()) + self._in_walls() + self._in_faces()

    def _in_walls(self) -> float:
        store = state_stores(self.room, self.tasks)
        return float(0.5 * (store * self.state.astype(np.float64) ** 2).sum())

    def _in_faces(self) -> float:
        r = self.room
        s = self.face_state.astype(np.float64)
        rise = self.p[self.n % 2].astype(np.float64) - self.p[1 - self.n % 2]
        low, high = r.face_cells.T
        inertia, held, late = r.face_store.T
        gain = self.face_flow[1 - self.n % 2, 0, : len(low)].astype(np.float64)
        each = inertia * gain**2 + held * s[1] ** 2 + late * s[3] ** 2
        each += r.face_pull * gain * (rise[low] - rise[high])
        return float(0.5 * (r.face_open * each).sum())


def _stepper(on_gpu: bool) -> type[Stepper]:
    if not on_gpu:
        return Stepper
    from raysim.propagation.gpu_wave import GpuStepper  # needs a package that few have

    return GpuStepper


def run(
    room: WaveRoom,
    source_m: Float,
    receivers_m: Float,
    duration_s: float,
    high_hz: float,
    low_hz: float = 10.0,
    sample_rate_hz: float = 8000.0,
    names: Sequence[str] = (),
    on_gpu: bool = False,
) -> Pressure:
    """Give the response of a room at receivers to one source that favours no direction.

    Parameters
    ----------
    room : WaveRoom
    source_m : (3,) float64
    receivers_m : (n_receiver, 3) float64
    duration_s : float
    high_hz, low_hz : float
        The response is complete between them: 3 dB down at the lower, as a loudspeaker of
        fourth order would be, and falling to nothing at 5/4 of the upper.
    sample_rate_hz : float
        Of the response, above 5/2 of ``high_hz``.
    names : sequence of str
        Of the receivers, for messages.
    on_gpu : bool
        Step on a graphics processor.

    Returns
    -------
    Pressure

    Raises
    ------
    WaveError
        RS-B01: the balance of energy broke. RS-B02: a point is not in the air.
    """
    drive = pulse(_PEAK * high_hz, room.step_s)
    n_step = int(np.ceil(duration_s / room.step_s)) + drive.size // 2
    stepper = _stepper(on_gpu)(room, source_m, np.atleast_2d(receivers_m), drive, n_step, names)
    worst = most = 0.0
    while stepper.n < n_step:
        stepper.advance(min(stepper.watch, n_step - stepper.n))
        energy = stepper.energy()
        most = max(most, abs(energy), abs(stepper.put))
        off = abs(energy + stepper.taken - stepper.put) / max(most, 1e-300)
        if not off < BALANCE:  # so written, NaN is caught too
            raise WaveError(
                Complaint(
                    "wave solver",
                    f"the balance of energy was off by {off:.1e} after {stepper.n} steps.",
                    "Nothing of this run is kept: this is a fault of raysim, not of the scene.",
                    "RS-B01",
                )
            )
        worst = max(worst, off)
    spacing_m = float(np.sqrt((room.grid.spacing_m**2).mean()))
    p = to_response(
        stepper.heard, drive, room.step_s, spacing_m, room.speed_m_s,
        (low_hz, high_hz), sample_rate_hz,
    )  # fmt: skip
    return Pressure(sample_rate_hz, p, low_hz, high_hz, worst)
