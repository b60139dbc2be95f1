"""Resonances of a rigid room of any shape by finite elements: quadratic, on tetrahedra.

The room is given as blocks of six faces, each a box pulled to eight corners, cut into
small hexahedra and these into tetrahedra; blocks must meet face to face with equal cuts.
Assembly by scikit-fem, the smallest eigenvalues by scipy. An error of order h^4 in the
frequencies is what such elements promise (Strang and Fix; from memory).
"""

import math

import numpy as np
from scipy.sparse.linalg import eigsh
from skfem import Basis, BilinearForm, ElementTetP2, MeshTet
from skfem.helpers import dot, grad


def block(corners_m, cuts):
    """Give the tetrahedra of a box pulled to eight corners.

    ``corners_m`` (2, 2, 2, 3): the corner at each end of x, y and z; ``cuts`` (3,).
    """
    axes = [np.linspace(0.0, 1.0, n + 1) for n in cuts]
    box = MeshTet.init_tensor(*axes)
    weight = [np.stack([1.0 - box.p[i], box.p[i]]) for i in range(3)]
    points = np.einsum("ap,bp,cp,abcd->dp", *weight, np.asarray(corners_m))
    return MeshTet(points, box.t)


def half(box):
    """Give the half of a box with x above y, cut along its diagonal: a prism.

    The box must be as wide as deep, with equal cuts; each small one is halved likewise.
    """
    middle = box.p[:, box.t].mean(axis=1)
    return box.restrict(np.flatnonzero(middle[0] > middle[1]))


def frequencies_hz(blocks, speed_m_s, n_mode):
    """Give the lowest frequencies above zero, in order."""
    mesh = blocks[0]
    for other in blocks[1:]:
        mesh = mesh + other
    basis = Basis(mesh, ElementTetP2())

    @BilinearForm
    def stiffness(u, v, _):
        return dot(grad(u), grad(v))

    @BilinearForm
    def mass(u, v, _):
        return u * v

    stiff, heavy = stiffness.assemble(basis), mass.assemble(basis)
    # shifted off zero, where a closed room has the constant as a mode
    shift = -((math.pi / np.ptp(mesh.p, axis=1).max()) ** 2)
    start = np.ones(stiff.shape[0])
    values = eigsh(stiff, n_mode + 1, heavy, sigma=shift, v0=start, return_eigenvectors=False)
    values = np.sort(values)[1:]
    return speed_m_s / (2.0 * math.pi) * np.sqrt(values)
