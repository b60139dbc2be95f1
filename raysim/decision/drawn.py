"""A treated room as drawings take it: treatments stand in it like furniture.

Drawings know a thing by the names of its surfaces. Those of a treatment are called front,
back and edge; here an edge becomes a side, and what has no edge, felt or a curtain, goes by
its mark alone.
"""

from dataclasses import replace

from raysim.geometry.mesh import RoomMesh


def as_things(mesh: RoomMesh) -> RoomMesh:
    """Give a mesh whose treatments are drawn as things, with their marks.

    Parameters
    ----------
    mesh : RoomMesh

    Returns
    -------
    RoomMesh
    """
    names = [s.name for s in mesh.surfaces]
    with_edge = {n.removesuffix(" edge") for n in names if n.endswith(" edge")}

    def drawn_as(name: str) -> str:
        mark, front, _ = name.partition(" front")
        if name.endswith(" edge"):
            return f"{name.removesuffix(' edge')} side"
        return mark if front and mark not in with_edge else name

    return replace(
        mesh, surfaces=tuple(replace(s, name=drawn_as(s.name)) for s in mesh.surfaces)
    )
