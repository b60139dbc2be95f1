"""What the grid makes wrong within a few cells of a source, and how it is taken out.

The source is spread over the cells around it, so that pressure a hand's breadth away is
off by up to a tenth of the direct sound. That error is nearly the same in any room, so it is
found in a hall of nothing but air, for as long as nothing comes back. Theory:
DEVELOPERS.md, W43.
"""

import math

import numpy as np

from raysim.absorbers.admittance import RIGID
from raysim.geometry.mesh import MeshSurface, RoomMesh
from raysim.propagation import wave
from raysim.propagation.wave_pulse import band_filter, grid_frequency, pulse, spectrum_at
from raysim.units import Float

#: Points within so many cells are put right.
NEAR_CELLS = 6.0
#: The pulse is strongest here, as a share of the highest frequency; and below this
#: frequency, Hz, the error is taken to stay as it is.
_PEAK, _STEADY_HZ = 0.6, 25.0
#: What each corner of a cube's twelve triangles has of its three sides, normals inwards.
_QUADS = (
    (0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5),
)  # fmt: skip


def near_error(
    room: wave.WaveRoom,
    source_m: Float,
    points_m: Float,
    band_hz: tuple[float, float],
    sample_rate_hz: float,
    n_sample: int,
) -> Float:
    """Give by how much responses of `wave.run` are wrong at points near a source  (W43).

    Parameters
    ----------
    room : WaveRoom
        Its cells are used, nothing else of it: the source may not be within a few cells
        of a surface for the result to be exact.
    source_m : (3,) float64
    points_m : (n_point, 3) float64
        Within `NEAR_CELLS` of the source, and not at it.
    band_hz : two float
        Lowest and highest frequency of the responses.
    sample_rate_hz : float
    n_sample : int
        Of the responses.

    Returns
    -------
    (n_point, n_sample) float64
        To be subtracted.
    """
    spacing_m = float(room.grid.spacing_m.mean())
    away_m = np.linalg.norm(points_m - source_m, axis=1)
    # What comes back from the hall's walls comes after all of the pulse has passed by.
    reach_m = 0.5 * pulse(_PEAK * band_hz[1], 1e-5).size * 1e-5 * room.speed_m_s
    half = math.ceil((reach_m + float(away_m.max())) / spacing_m) + 3
    at = np.roll(room.grid.to_cells(room.turned(source_m)), room.turn)
    low = source_m - (half + at - np.floor(at)) * spacing_m  # the source's place in its cell
    hall = wave.wave_room(
        _cube(low, low + (2 * half + 1) * spacing_m), [RIGID] * 6, spacing_m * (1.0 + 1e-9),
        room.speed_m_s, room.density_kg_m3,
    )  # fmt: skip
    drive = pulse(_PEAK * band_hz[1], hall.step_s)
    n_step = drive.size + math.ceil(float(away_m.max()) / room.speed_m_s / hall.step_s) + 2
    stepper = wave.Stepper(hall, source_m, points_m, drive, n_step)
    stepper.advance(n_step)

    n = 2 * n_sample
    freq_hz: Float = np.fft.rfftfreq(n, 1.0 / sample_rate_hz).astype(np.float64)
    used = freq_hz < 1.25 * band_hz[1]
    omega = 2.0 * math.pi * np.maximum(freq_hz[used], _STEADY_HZ)
    on_grid, louder = grid_frequency(omega, spacing_m, hall.step_s, room.speed_m_s)
    middle_s = 0.5 * (drive.size - 1) * hall.step_s
    got = spectrum_at(stepper.heard, on_grid, hall.step_s, hall.step_s - middle_s)
    sent = spectrum_at(drive, on_grid, hall.step_s, -middle_s)
    right = np.exp(-1j * omega * away_m[:, None] / room.speed_m_s) / away_m[:, None]
    wrong = np.zeros((len(points_m), freq_hz.size), dtype=np.complex128)
    wrong[:, used] = (got / sent / louder - right) * band_filter(freq_hz[used], *band_hz)
    return np.asarray(np.fft.irfft(wrong, n)[:, :n_sample])


def _cube(low: Float, high: Float) -> RoomMesh:
    """Give a hall of six surfaces between two corners."""
    ends = np.stack([low, high])
    corners = np.array(
        [[ends[i, 0], ends[j, 1], ends[k, 2]] for i in (0, 1) for j in (0, 1) for k in (0, 1)]
    )
    faces = np.array([(q[0], q[i], q[i + 1]) for q in _QUADS for i in (1, 2)])
    number = np.repeat(np.arange(6), 2)
    surfaces = tuple(MeshSurface(f"side {i}", "rigid") for i in range(6))
    volume_m3 = float(np.prod(high - low))
    return RoomMesh(corners, faces, number, number, surfaces, volume_m3, 0.0, volume_m3, 0.0)
