"""Tell how fast one thread finds nearest walls beside a general ray tracer.

The other contender is Embree through its Python binding, which shoots one ray at a time
like ours. Both get the same float32 rays, which start in the air in all directions. Ours
gives distance and piece of every ray, theirs the triangle; ours has joined pairs of
triangles to parallelograms beforehand. Exits with 1 if any ray is lost or any hit is
wrong; a ray is grazing, and both answers are right, if widening or narrowing every
triangle by 10 micrometres changes the exact answer.
"""

import sys
import time

import numpy as np
from contest import conditions, ratio_text, take_turns
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore import EmbreeDevice
from embreex.rtcore_scene import EmbreeScene
from furnished import Sample, bare, directions, fine, furnished

from raysim.core.walk import NOTHING
from raysim.geometry.bvh import build_tree
from raysim.geometry.planes import number_planes
from raysim.propagation.cpu import first_hits
from raysim.units import Float

SEED, N_RAY, N_ROUND = 1, 1_000_000, 5
#: Two hits are the same if no farther apart: 200 times the float32 spacing at 5 m.
SAME_M = 1e-4
GRAZING_M = 1e-5


def exact_distance_m(triangles_m: Float, start: Float, way: Float, widen_m: float) -> Float:
    """Give each ray's distance to the nearest of all triangles, in float64, no tree.

    Each triangle's edges are moved outward by ``widen_m``; no hit gives infinity.
    """
    a = triangles_m[:, 0]
    edges = np.roll(triangles_m, -1, axis=1) - triangles_m
    normal = np.cross(edges[:, 0], edges[:, 1])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    inward = np.cross(normal[:, None], edges)
    inward /= np.linalg.norm(inward, axis=2, keepdims=True)
    found = np.zeros(len(start))
    for i, (o, d) in enumerate(zip(start, way, strict=True)):
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.einsum("ij,ij->i", normal, a - o) / (normal @ d)
            point = o + t[:, None] * d
            depth = np.einsum("ijk,ijk->ij", inward, point[:, None] - triangles_m)
        hit = (depth.min(axis=1) >= -widen_m) & (t > 0.0)
        found[i] = t[hit].min(initial=np.inf)
    return found


def judge(sample: Sample, start: Float, way: Float, ours: Float, theirs: Float) -> list[int]:
    """Count rays that differ, and of them: grazing, ours wrong, theirs wrong."""
    differ = np.flatnonzero(~(np.abs(ours - theirs) <= SAME_M))
    triangles = sample.mesh.triangles_m
    o, d = start[differ].astype(float), way[differ].astype(float)
    wide, exact, narrow = (
        exact_distance_m(triangles, o, d, w) for w in (GRAZING_M, 0.0, -GRAZING_M)
    )
    grazing = ~((np.abs(wide - exact) <= SAME_M) & (np.abs(narrow - exact) <= SAME_M))
    wrong = [
        int((~grazing & ~(np.abs(got[differ] - exact) <= SAME_M)).sum())
        for got in (ours, theirs)
    ]
    return [len(differ), int(grazing.sum()), *wrong]


def row(sample: Sample) -> bool:
    """Time one room and print its row; give whether all hits are right."""
    triangles = sample.mesh.triangles_m
    planes = number_planes(sample.mesh)[0]
    begun = time.perf_counter()
    tree = build_tree(triangles, planes, sample.mesh.face_surface)
    build_s = time.perf_counter() - begun

    rng = np.random.default_rng(SEED)
    start = sample.starts(rng, N_RAY).astype(np.float32)
    way = directions(rng, N_RAY).astype(np.float32)
    distance = np.zeros(N_RAY, dtype=np.float32)
    piece = np.zeros(N_RAY, dtype=np.uint32)
    device = EmbreeDevice()  # must outlive the scene
    theirs = EmbreeScene(device)
    TriangleMesh(theirs, triangles.astype(np.float32))

    def shoot_ours(n: int = N_RAY) -> None:
        first_hits(tree.box, tree.child, tree.row, start[:n], way[:n], distance, piece)

    def shoot_theirs(n: int = N_RAY) -> None:
        theirs.run(start[:n], way[:n], query="INTERSECT")

    shoot_ours(1)  # compiles
    shoot_theirs(1)  # builds their tree
    spent_s = take_turns({"ours": shoot_ours, "theirs": shoot_theirs}, N_ROUND)

    their_distance = theirs.run(start, way, query="DISTANCE")
    lost = int((piece == NOTHING).sum())
    n_differ, n_grazing, our_wrong, their_wrong = judge(
        sample, start, way, distance, their_distance
    )
    print(
        f"| {sample.name} | {len(triangles)} | {tree.n_piece} | {build_s:.2f} "
        f"| {N_RAY / min(spent_s['ours']) / 1e6:.1f} "
        f"| {N_RAY / min(spent_s['theirs']) / 1e6:.1f} "
        f"| {ratio_text(spent_s, 'ours', 'theirs')} | {lost} "
        f"| {n_differ} | {n_grazing} | {our_wrong} | {their_wrong} |"
    )
    return lost == 0 and our_wrong == 0


def main() -> None:
    """Print a row for each room; refuse if a hit of ours is wrong."""
    print(conditions(SEED, "numpy", "numba", "embreex"))
    print(
        f"Rays per room: {N_RAY:.0e}; best of {N_ROUND} rounds; Mray per s of processor time.\n"
    )
    print("| room | triangles | pieces | our tree, s | ours | Embree | ours : Embree (rounds) "
          "| lost | differ | of them grazing | ours wrong | theirs wrong |")  # fmt: skip
    print("|-" * 12 + "|")
    right = [row(s) for s in (bare(), furnished(False), furnished(True), fine())]
    if not all(right):
        sys.exit("fast but wrong: a ray was lost, or did not find the nearest wall")


if __name__ == "__main__":
    main()
