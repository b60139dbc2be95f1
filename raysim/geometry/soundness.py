"""What must hold before a mesh file is a room, and what a repair may do about it.

Nothing is repaired unless the scene asks for it; then everything done is said.
"""

from collections import deque
from collections.abc import Sequence

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from raysim.errors import Complaint, figure
from raysim.geometry.polygons import area_vector_m2
from raysim.geometry.soup import Seams, Soup, fill_polygon, seams_of
from raysim.scene.model import MeshRoom
from raysim.units import Float, Int

#: A hole is filled if its edge is this close to one plane, metres.
HOLE_PLANE_M = 1e-3
#: The longest side of a room, metres.
SMALLEST_M = 0.5
LARGEST_M = 200.0


def checked(
    soup: Soup, room: MeshRoom, complaints: list[Complaint], notes: list[str]
) -> Soup | None:
    """Give a sound mesh, facing outwards, or None after complaining.

    Parameters
    ----------
    soup : Soup
        Welded, with finite points.
    room : MeshRoom
        Says the file's name, and if it may be repaired.
    complaints : list of Complaint
        RS-G04 size, RS-G12 no area, RS-G13 twice, RS-G14 leak, RS-G15 mixed sense,
        RS-G16 inside out, RS-G17 several shells.
    notes : list of str
        What the repair did.
    """
    n_before = len(complaints)

    def complain(wrong: str, fix: str, code: str) -> None:
        complaints.append(Complaint(str(room.path), wrong, fix, code))

    may = room.repair
    used = soup.points_m[soup.corners.reshape(-1)]
    size_m = float(np.ptp(used, axis=0).max())
    if not SMALLEST_M <= size_m <= LARGEST_M:
        complain(
            f"the room is {figure(size_m)} m long with lengths in {room.unit}.",
            "Check the unit of the mesh: m, cm, mm, in or ft.",
            "RS-G04",
        )
        return None  # every other length would be judged by the wrong measure

    for rows, what, code in (
        (soup.degenerate(), "without area", "RS-G12"),
        (soup.repeated(), "there twice", "RS-G13"),
    ):
        if len(rows):
            listed = _listed(soup.number[rows])
            if may:
                notes.append(f"{room.path.name}: dropped {len(rows)} faces {what}: {listed}.")
            else:
                fix = "Delete them, or set repair = true in [room]."
                complain(f"{len(rows)} faces are {what}: {listed}.", fix, code)
    dropped = np.union1d(soup.degenerate(), soup.repeated())
    soup = soup.only(np.setdiff1d(np.arange(len(soup.corners)), dropped))
    if not len(soup.corners):
        if len(complaints) == n_before:
            complain("no face has an area.", "Export the room's faces as a mesh.", "RS-G12")
        return None

    seams = seams_of(soup)
    turn = _to_turn(soup, seams)
    if turn is not None and len(turn):
        if may:
            soup = soup.turned(turn)
            notes.append(
                f"{room.path.name}: turned {len(turn)} faces to match their neighbours: "
                f"{_listed(soup.number[turn])}."
            )
            seams = seams_of(soup)
        else:
            complain(
                f"{len(turn)} faces face the other way than their neighbours: "
                f"{_listed(soup.number[turn])}.",
                "Make all normals face outwards, or set repair = true in [room].",
                "RS-G15",
            )
    elif turn is None:
        complain(
            "the faces cannot all face outwards: the surface has only one side.",
            "Look for a strip of faces that is joined with a twist.",
            "RS-G15",
        )
    if may and (seams.count % 2).any():
        soup = _filled(soup, seams, room, notes)
        seams = seams_of(soup)

    gaps = np.flatnonzero(seams.count % 2)
    if len(gaps):
        first = [int(np.flatnonzero(seams.pair == g)[0]) for g in gaps[:3]]
        shown = "; ".join(
            edge_text(soup.points_m[[seams.start[i], seams.end[i]]]) for i in first
        )
        more = f" and {len(gaps) - 3} more" if len(gaps) > 3 else ""
        complain(
            f"the room leaks: {len(gaps)} edges have no face on one side: {shown}{more}.",
            "Close the hole, or set repair = true in [room] if it is flat.",
            "RS-G14",
        )
    shells, shell = _shells(len(soup.corners), seams)
    if shells > 1:
        sizes = ", ".join(str(n) for n in np.bincount(shell)[:6])
        complain(
            f"the mesh is {shells} separate shells, of {sizes} faces.",
            "Keep the room itself; draw what stands in it as [[thing]].",
            "RS-G17",
        )
    if len(complaints) > n_before:
        return None
    if soup.volume_m3() < 0.0:
        if not may:
            complain(
                "the mesh is inside out: its faces look into the room.",
                "Make all normals face outwards, or set repair = true in [room].",
                "RS-G16",
            )
            return None
        soup = soup.turned(np.arange(len(soup.corners)))
        notes.append(f"{room.path.name}: turned the whole mesh inside out.")
    return soup


def edge_text(edge_m: Float) -> str:
    """Give an edge, two points, as words for a message."""
    a, b = ("(" + ", ".join(figure(x, 4) for x in p) + ")" for p in np.round(edge_m, 4) + 0.0)
    return f"from {a} to {b} m"


def _listed(numbers: Int) -> str:
    some = ", ".join(f"{i}" for i in np.unique(numbers)[:8])
    return f"number {some}" + (" ..." if len(np.unique(numbers)) > 8 else "")


def _shells(n: int, seams: Seams) -> tuple[int, Int]:
    order = np.argsort(seams.pair, kind="stable")
    pair, row = seams.pair[order], seams.row[order]
    beside = np.flatnonzero(pair[1:] == pair[:-1])
    ends = (row[beside], row[beside + 1])
    graph = coo_matrix((np.ones(len(beside)), ends), shape=(n, n))
    count, shell = connected_components(graph, directed=False)
    return int(count), shell


def _to_turn(soup: Soup, seams: Seams) -> Int | None:
    """Give the rows to turn so that neighbours agree; None if that cannot be.

    Of each connected part the smaller area is turned.
    """
    n = len(soup.corners)
    order = np.argsort(seams.pair, kind="stable")
    pair = seams.pair[order]
    # Only edges of exactly two triangles say which way a neighbour should face.
    two = seams.count[pair] == 2
    index = order[two].reshape(-1, 2)
    agree = seams.start[index[:, 0]] != seams.start[index[:, 1]]
    rows = seams.row[index]
    if agree.all():
        return np.zeros(0, dtype=np.int64)
    beside: list[list[tuple[int, bool]]] = [[] for _ in range(n)]
    for (a, b), ok in zip(rows.tolist(), agree.tolist(), strict=True):
        beside[a].append((b, ok))
        beside[b].append((a, ok))
    sense = np.zeros(n, dtype=np.int64)
    area = np.linalg.norm(
        np.cross(*np.moveaxis(soup.triangles_m[:, 1:] - soup.triangles_m[:, :1], 1, 0)), axis=1
    )
    turn: list[int] = []
    for start in range(n):
        if sense[start]:
            continue
        sense[start] = 1
        part, queue = [start], deque([start])
        while queue:
            here = queue.popleft()
            for there, ok in beside[here]:
                wanted = sense[here] if ok else -sense[here]
                if sense[there] == 0:
                    sense[there] = wanted
                    part.append(there)
                    queue.append(there)
                elif sense[there] != wanted:
                    return None
        members = np.array(part)
        flipped = members[sense[members] < 0]
        kept = members[sense[members] > 0]
        turn += (flipped if area[flipped].sum() <= area[kept].sum() else kept).tolist()
    return np.array(sorted(turn), dtype=np.int64)


def _filled(soup: Soup, seams: Seams, room: MeshRoom, notes: list[str]) -> Soup:
    """Close each flat hole that has a simple rim."""
    odd = np.flatnonzero(seams.count[seams.pair] == 1)
    after: dict[int, list[int]] = {}
    name: dict[int, str] = {}
    for i in odd:
        # The new face walks the edge the other way.
        after.setdefault(int(seams.end[i]), []).append(int(seams.start[i]))
        name[int(seams.end[i])] = soup.surface[int(seams.row[i])]
    corners, surface = [], []
    for loop in _loops(after):
        ring = soup.points_m[loop]
        vector = area_vector_m2(ring)
        size = float(np.linalg.norm(vector))
        if size == 0.0:
            continue
        away = np.abs((ring - ring.mean(axis=0)) @ vector) / size
        parts = fill_polygon(ring) if away.max() <= HOLE_PLANE_M else []
        if not parts:
            continue
        around = [name[v] for v in loop]
        called = max(dict.fromkeys(around), key=around.count)
        corners += [[loop[a], loop[b], loop[c]] for a, b, c in parts]
        surface += [called] * len(parts)
        at = ", ".join(figure(round(x, 3)) for x in ring.mean(axis=0))
        notes.append(
            f"{room.path.name}: closed a hole of {figure(size)} m2 at ({at}) m as part of "
            f'"{called}".'
        )
    if not corners:
        return soup
    new = int(soup.number.max()) + 1 + np.arange(len(corners))
    return Soup(
        soup.points_m,
        np.concatenate([soup.corners, np.array(corners)]),
        np.concatenate([soup.number, new]),
        soup.surface + tuple(surface),
    )


def _loops(after: dict[int, list[int]]) -> Sequence[list[int]]:
    """Give the closed walks that meet no vertex with two ways on."""
    loops, seen = [], set()
    for start in after:
        walk, here = [], start
        while here not in seen and len(after.get(here, ())) == 1:
            seen.add(here)
            walk.append(here)
            here = after[here][0]
        if walk and here == start and len(walk) > 2:
            loops.append(walk)
    return loops
