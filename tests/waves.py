"""What the tests of the wave solver share: walls by name, what is heard, spectra."""

import numpy as np
from rooms import box_scene

from raysim.absorbers.admittance import RIGID
from raysim.absorbers.fit import seen_from
from raysim.geometry.build import build_room
from raysim.propagation import wave
from raysim.propagation.wave_pulse import pulse

C = 343.2


def box_mesh(sides_m):
    """Give the mesh of a box from the origin."""
    source, receiver = (tuple(share * side for side in sides_m) for share in (0.3, 0.6))
    return build_room(box_scene(*sides_m, sources=(source,), receivers=(receiver,)))


def wave_room(mesh, walls, spacing_m, corrected=True, **more):
    """Prepare a room; ``walls`` by surface name, rigid where not named.

    Walls are those that a grid must be given for its cells to see the right ones (W25);
    ``corrected=False`` leaves that out.
    """
    given = [walls.get(s.name, RIGID) for s in mesh.surfaces]
    if corrected:
        given = [seen_from(wall, 0.5 * spacing_m, C) for wall in given]
    backs = [RIGID for s in mesh.surfaces if s.back_name is not None]
    return wave.wave_room(mesh, [*given, *backs], spacing_m, C, **more)


def heard(room, source_m, receivers_m, duration_s, peak_hz):
    """Give what receivers hear of a pulse, and the pulse."""
    drive = pulse(peak_hz, room.step_s)
    n_step = int(duration_s / room.step_s)
    stepper = wave.Stepper(room, np.array(source_m), np.array(receivers_m), drive, n_step)
    stepper.advance(n_step)
    return stepper.heard, drive


def spectrum_at(signal, omega, step_s, start_s=0.0):
    """Give the sum of signal times e^(-j omega t), t counted on from ``start_s``."""
    t = start_s + step_s * np.arange(signal.shape[-1])
    return signal @ np.exp(-1j * t[:, None] * np.asarray(omega))
