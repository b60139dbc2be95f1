"""OBJ text to triangles: vertices, polygons, and the names that surfaces go by.

A surface is named by the group (g) of its faces; without groups by the material
(usemtl), without that by the object (o). Numbers of faces count the f lines from 1.
"""

from pathlib import Path

import numpy as np

from raysim.errors import Complaint
from raysim.geometry.soup import Soup, fill_polygon

#: How many mistakes of one file are worth listing.
MOST = 20


def read_obj(path: Path, scale_m: float, complaints: list[Complaint]) -> Soup | None:
    """Give the triangles of an OBJ file, or None after complaining (RS-G10, RS-G11).

    Parameters
    ----------
    path : Path
    scale_m : float
        Metres per unit of the file.
    complaints : list of Complaint
    """
    points: list[list[float]] = []
    faces: list[tuple[int, list[int]]] = []  # line, corners
    names: list[dict[str, str]] = []
    now: dict[str, str] = {}
    wrong: list[Complaint] = []
    text = path.read_bytes().decode("utf-8", errors="replace")
    for line, words in enumerate((row.split() for row in text.splitlines()), start=1):
        if not words or words[0].startswith("#"):
            continue
        key, rest = words[0], words[1:]
        where = f"{path}:{line}"
        if key in ("g", "o", "usemtl"):
            now[key] = " ".join(rest)
        elif key == "v":
            try:
                points.append([float(x) for x in rest[:3]])
                fit = len(rest) >= 3
            except ValueError:
                fit = False
            if not fit:
                points.append([0.0, 0.0, 0.0])
                wrong.append(_mistake(where, f'"{" ".join(words)}" is no vertex.'))
            elif not np.isfinite(points[-1]).all():
                wrong.append(
                    Complaint(
                        where,
                        f'vertex {len(points)} is at "{" ".join(rest[:3])}".',
                        "Give three finite numbers.",
                        "RS-G11",
                    )
                )
        elif key == "f":
            try:
                corners = [int(x.split("/")[0]) for x in rest]
            except ValueError:
                corners = []
            if len(corners) < 3:
                wrong.append(_mistake(where, f'"{" ".join(words)}" is no face.'))
                continue
            corners = [i - 1 if i > 0 else len(points) + i for i in corners]
            names.append(dict(now))
            faces.append((line, corners))
    for line, corners in faces:
        missing = [i + 1 for i in corners if not 0 <= i < len(points)]
        if missing:
            text = f"the face uses vertex {missing[0]} of {len(points)}."
            wrong.append(_mistake(f"{path}:{line}", text))
    if wrong:
        complaints.extend(wrong[:MOST])
        return None
    return _triangles(np.array(points).reshape(-1, 3) * scale_m, faces, names)


def _triangles(
    points_m: np.ndarray, faces: list[tuple[int, list[int]]], names: list[dict[str, str]]
) -> Soup:
    kinds = [k for k in ("g", "usemtl", "o") if any(n.get(k) for n in names)]
    corners: list[tuple[int, int, int]] = []
    number: list[int] = []
    surface: list[str] = []
    for i, ((_, ring), named) in enumerate(zip(faces, names, strict=True)):
        # A ring that meets itself stays a fan: its faults show up in the checks.
        parts = fill_polygon(points_m[ring]) or [(0, k, k + 1) for k in range(1, len(ring) - 1)]
        corners += [(ring[a], ring[b], ring[c]) for a, b, c in parts]
        number += [i + 1] * len(parts)
        surface += [(named.get(kinds[0]) if kinds else "") or "room"] * len(parts)
    return Soup(
        points_m,
        np.array(corners, dtype=np.int64).reshape(-1, 3),
        np.array(number, dtype=np.int64),
        tuple(surface),
    )


def _mistake(where: str, wrong: str) -> Complaint:
    return Complaint(where, wrong, "Export the mesh again; the file may be cut off.", "RS-G10")
