"""How far a room is from diffuse: what formulas of statistics take for granted.

Arrays of faces are (n_face,) or (n_face, 3); alpha and scattering are single numbers per
face, of whatever bands are asked about. Axes are x, y and z of the scene, so that hard
pairs of walls that stand askew to them are not seen. Source: derived here; the limits are
common practice, no source.
"""

from dataclasses import dataclass

import numpy as np

from raysim.units import Float

#: Hard and soft axes: where one direction absorbs this many times less than another, the
#: sound along it outlasts the rest.
UNEVEN = 2.0
#: Below this mean scattering a room of plane walls keeps its echoes.
SMOOTH = 0.1
#: Mid-frequency mean absorption above which formulas and measures part.
DEAD = 0.35

#: The axes in words.
AXES = ("along x", "along y", "between floor and ceiling")


@dataclass(frozen=True, slots=True)
class Diffuseness:
    """What tells whether sound will be mixed."""

    by_axis: Float  # (3,) mean alpha that sound along x, y and z meets
    alpha: float  # area-weighted mean
    scattering: float  # area-weighted mean

    @property
    def hard(self) -> int:
        """The axis that absorbs least."""
        return int(self.by_axis.argmin())

    @property
    def soft(self) -> int:
        """The axis that absorbs most."""
        return int(self.by_axis.argmax())

    @property
    def is_uneven(self) -> bool:
        """Whether sound along one axis will outlast the rest."""
        return bool(self.by_axis.max() > UNEVEN * self.by_axis.min())


def diffuseness(
    face_normal: Float, face_area_m2: Float, face_alpha: Float, face_scattering: Float
) -> Diffuseness:
    """Give means over the faces of a room, and over each axis.

    A face counts for an axis by its area times the square of its normal along it, so
    that the three shares of a face sum to its area.

    Parameters
    ----------
    face_normal : (n_face, 3) float64
    face_area_m2, face_alpha, face_scattering : (n_face,) float64

    Returns
    -------
    Diffuseness

    Examples
    --------
    >>> normal = np.repeat(np.eye(3), 2, axis=0)
    >>> alpha = np.array([0.1, 0.3, 0.5, 0.5, 0.0, 0.2])
    >>> diffuseness(normal, np.ones(6), alpha, np.zeros(6)).by_axis.round(3).tolist()
    [0.2, 0.5, 0.1]
    """
    share = face_normal**2 * face_area_m2[:, None]
    return Diffuseness(
        by_axis=np.asarray((share * face_alpha[:, None]).sum(axis=0) / share.sum(axis=0)),
        alpha=float(face_area_m2 @ face_alpha / face_area_m2.sum()),
        scattering=float(face_area_m2 @ face_scattering / face_area_m2.sum()),
    )
