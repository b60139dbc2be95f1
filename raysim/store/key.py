"""Fingerprints that say whether stored results still belong to a scene.

SHA-256 over the records themselves, arrays as little-endian float64 or int64 with
their shape; where a thing was said (file and line) and paths of files do not count.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from raysim.geometry.mesh import RoomMesh
from raysim.records import Sides
from raysim.scene.model import Scene, Settings
from raysim.scene.place import Place

#: Raised when the same scene and settings give other energies than before: stored
#: layouts of older physics are then computed again.
PHYSICS: Final = 4
#: The same for the bass, which is then solved again while rays stay.
BASS_PHYSICS: Final = 2


def digest(*parts: object) -> str:
    """Give the SHA-256 of records, arrays, texts and numbers, as 64 hexadecimal digits.

    Examples
    --------
    >>> digest("ab", "c") == digest("a", "bc")
    False
    """
    sha = hashlib.sha256()
    for part in parts:
        sha.update(_bytes(part))
    return sha.hexdigest()


def _bytes(part: object) -> bytes:
    """Give bytes that no other value has: kind, length, content."""
    if isinstance(part, np.ndarray):
        plain = np.ascontiguousarray(part, dtype="<f8" if part.dtype.kind == "f" else "<i8")
        body = repr((plain.dtype.str, part.shape)).encode() + plain.tobytes()
    elif isinstance(part, (Place, Path)):
        body = b""
    elif is_dataclass(part) and not isinstance(part, type):
        body = b"".join(_bytes(f.name) + _bytes(getattr(part, f.name)) for f in fields(part))
    elif isinstance(part, Mapping):
        body = b"".join(_bytes(k) + _bytes(part[k]) for k in sorted(part))
    elif isinstance(part, (tuple, list)):
        body = b"".join(_bytes(p) for p in part)
    elif part is None or isinstance(part, (str, bool, int, float, np.number)):
        plain_part = part.item() if isinstance(part, np.number) else part
        body = repr(plain_part).encode()
    else:
        raise TypeError(f"cannot fingerprint a {type(part).__name__}")
    kind = type(part).__name__ if is_dataclass(part) else ""
    return f"{kind}:{len(body)}:".encode() + body


def common_hash(scene: Scene) -> str:
    """Give the fingerprint of what all layouts of a file share."""
    return digest(scene.bands, scene.air, scene.sources, scene.receivers)


def content_key(scene: Scene, mesh: RoomMesh, sides: Sides) -> str:
    """Give the fingerprint of all that the results of a layout depend on.

    Sources, receivers, bands, air, mesh, what its sides do to sound and the layers they
    are made of, the settings of the run, and `PHYSICS`. The scene's text does not count,
    so that a change to one layout leaves the others as they are; nor does the sample
    rate: impulse responses are made afterwards from what is stored. Nor does the machine,
    whose results are the same but for rounding. What is asked of the bass does not count
    either: see `bass_key`.

    Parameters
    ----------
    scene : Scene
        With what the layout puts in and takes out.
    mesh : RoomMesh
    sides : Sides

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    default = Settings()
    settings = replace(
        scene.settings,
        sample_rate_hz=default.sample_rate_hz,
        bass=default.bass,
        crossover_hz=default.crossover_hz,
        on_gpu=default.on_gpu,
    )
    made_of = [scene.materials[name] for name in sides.materials]
    stacks = [(material.stack, material.behind_alpha) for material in made_of]
    return digest(
        PHYSICS, scene.sources, scene.receivers, scene.bands, scene.air, settings, mesh,
        sides, stacks,
    )  # fmt: skip


def bass_key(scene: Scene, layout_key: str) -> str:
    """Give the fingerprint of all that the bass of a layout depends on.

    That of the layout and, besides, what bodies are filled with, how walls behind layers
    are taken, the crossover and `BASS_PHYSICS`.
    """
    return digest(BASS_PHYSICS, layout_key, scene.things, scene.settings.crossover_hz)
