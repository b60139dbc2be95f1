"""A new scene folder whose materials are the fitted ones; the old stays as it is.

Each fitted material comes as one of its own, "<name>_fitted", at the end of the scene file,
with where it is from and what it was; whatever was of the old one is of the new. The text is
changed, not written anew, so that comments stay; then it is read again, and must be the same
scene but for these names.
"""

import math
import os
import re
import shutil
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from raysim.errors import Complaint, SceneError, StoreError
from raysim.folders import make_folder
from raysim.planning.calibrate import NOTHING, Calibration
from raysim.scene.model import Scene
from raysim.scene.read import SCENE_FILE, read_scene
from raysim.study import prepare_all
from raysim.units import Float

#: Keys whose texts are no materials, whatever they say.
_OTHER_KEYS: Final = (
    "name", "title", "about", "on", "source", "note", "text", "treatment", "layout", "kind",
    "use", "from", "corner", "against", "fire", "handling",
)  # fmt: skip
#: Half the width of a symmetrical triangle over its standard deviation  (Q5).
_TRIANGLE: Final = math.sqrt(6.0)
_SUFFIX: Final = "_fitted"
#: A new material is written if a coefficient moved by more, or became surer.
_WORTH: Final = 0.005


def default_folder(scene: Scene) -> Path:
    """Give the folder beside the scene's that a fitted scene goes to."""
    folder = scene.path.resolve().parent
    return folder.with_name(f"{folder.name}-fitted")


def check_new(folder: Path) -> None:
    """Refuse a place where something is.

    Raises
    ------
    StoreError
        RS-C06.
    """
    if os.path.lexists(folder):
        raise StoreError(
            Complaint(
                str(folder), "it is there already, and nothing is overwritten.",
                "Name another folder with --into.", "RS-C06",
            )
        )  # fmt: skip


def write_fitted(
    scene: Scene, found: Calibration, folder: Path, measured: str, date: str
) -> tuple[str, ...]:
    """Write a scene with fitted materials into a new folder, whole or not at all.

    Parameters
    ----------
    scene : Scene
        As described.
    found : Calibration
    folder : Path
        Made; must not be there.
    measured : str
        Name of the file of measured times.
    date : str
        Of today, ISO 8601.

    Returns
    -------
    tuple of str
        Names of the materials that were written; none, and no folder, if nothing changed.

    Raises
    ------
    StoreError
        RS-C06 the folder is there already; RS-F05 it cannot be made.
    SceneError
        RS-C07: the text cannot be changed safely.
    """
    check_new(folder)
    names = {found.materials[i].name: _new_name(scene, i, found) for i in _changed(found)}
    if not names:
        return ()
    text = "\n".join(
        [
            _renamed(scene.text.rstrip("\n"), names),
            "",
            *(_material(found, i, names, measured, date) for i in _changed(found)),
        ]
    )
    make_folder(folder.parent)
    part = folder.with_name(f".{folder.name}.part")
    shutil.rmtree(part, ignore_errors=True)  # of a run that was killed
    make_folder(part)
    try:
        for path in _files(scene):
            target = part / path.relative_to(scene.path.parent)
            make_folder(target.parent)
            shutil.copyfile(path, target)
        new = part / SCENE_FILE
        new.write_text(text, encoding="utf-8")
        _check_same(scene, new, names)
        part.rename(folder)
    except OSError as error:
        raise StoreError(
            Complaint(str(folder), f"it cannot be written: {(error.strerror or '?').lower()}.",
                      "Name a folder in a place you may write to.", "RS-C06")
        ) from error  # fmt: skip
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return tuple(names.values())


def _changed(found: Calibration) -> list[int]:
    """List the materials of which the data say something."""
    likely = np.stack([m.alpha for m in found.materials])
    moved = np.abs(found.alpha - likely) > _WORTH
    surer = np.nan_to_num(found.left, nan=1.0) <= NOTHING
    return np.flatnonzero((moved | surer).any(axis=1)).tolist()


def _new_name(scene: Scene, i: int, found: Calibration) -> str:
    """Give a name that no material of the scene has."""
    old = re.sub(rf"{_SUFFIX}(_\d+)?$", "", found.materials[i].name)
    taken = {*scene.materials, *_quoted_tables(scene.text)}
    candidates = [f"{old}{_SUFFIX}", *(f"{old}{_SUFFIX}_{k}" for k in range(2, 1000))]
    return next(name for name in candidates if name not in taken)


def _quoted_tables(text: str) -> set[str]:
    return set(tomllib.loads(text).get("material", {}))


def _renamed(text: str, names: dict[str, str]) -> str:
    """Give the text with materials renamed where they are used, and not where they are made."""

    def new(match: re.Match[str]) -> str:
        key, old = match["key"].strip("\"'"), match["old"]
        if key in _OTHER_KEYS or old not in names:
            return match[0]
        return f'{match["head"]}"{names[old]}"'

    use = re.compile(
        r"""(?P<head>(?P<key>"[^"\n]*"|'[^'\n]*'|[\w-]+)[ \t]*=[ \t]*)"""
        r"""(?P<quote>["'])(?P<old>[^"'\n]+)(?P=quote)"""
    )
    return use.sub(new, text)


def _material(
    found: Calibration, i: int, names: dict[str, str], measured: str, date: str
) -> str:
    """Give the table of one fitted material."""
    old = found.materials[i]
    alpha, left = found.alpha[i], np.nan_to_num(found.left[i], nan=1.0)
    # as wide as the doubt that is left, and as before where nothing was told
    wide = _TRIANGLE * found.error[i]
    below = np.maximum(wide, left * (old.alpha - old.alpha_low))
    above = np.maximum(wide, left * (old.alpha_high - old.alpha))
    likely = np.round(alpha, 3)
    low = np.minimum(np.round(np.maximum(alpha - below, old.alpha_low), 3), likely)
    high = np.maximum(np.round(np.minimum(alpha + above, old.alpha_high), 3), likely)
    was = " ".join(f"{a:.2f}" for a in old.alpha)
    source = f"fitted to {measured}, {date}; was {was} ({old.source})"
    told = {
        "alpha": _list(likely),
        "alpha_low": _list(low),
        "alpha_high": _list(high),
        "scattering": _list(np.round(old.scattering, 4)),
        "source": _text(source),
        "note": _text(old.note) if old.note else "",
        "density_kg_m3": "" if old.density_kg_m3 is None else f"{float(old.density_kg_m3)!r}",
        "fire": _text(old.fire) if old.fire else "",
        "handling": _text(old.handling) if old.handling else "",
    }
    lines = [f"{key} = {value}" for key, value in told.items() if value]
    return "\n".join([f"[material.{_text(names[old.name])}]", *lines, ""])


def _list(values: Float) -> str:
    return f"[{', '.join(repr(float(v)) for v in values)}]"


def _text(words: str) -> str:
    """Give a TOML text."""
    safe = words.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]+", " ", safe) + '"'


def _files(scene: Scene) -> list[Path]:
    """List the other files that a scene names, and what those name, and its own page."""
    folder = scene.path.parent
    found: dict[Path, None] = {}
    queue = [*_texts(tomllib.loads(scene.text)), "README.md"]
    while queue:
        name = queue.pop()
        try:
            path = (folder / name).resolve()
            is_one = path.is_file() and path.is_relative_to(folder.resolve())
        except (OSError, ValueError):  # a text that can be no file's name
            continue
        path = folder / name
        if not is_one or path in found or path.samefile(scene.path):
            continue
        found[path] = None
        if path.suffix == ".toml":
            queue += _texts(tomllib.loads(path.read_text(encoding="utf-8-sig")))
        elif path.suffix != ".md":  # a mesh may have files of the same name beside it
            queue += [str(p.relative_to(folder)) for p in path.parent.glob(f"{path.stem}.*")]
    return list(found)


def _texts(value: object) -> Iterator[str]:
    """Give all texts in what a TOML file holds."""
    if isinstance(value, str):
        yield value
    inner: Iterable[object] = ()
    if isinstance(value, dict):
        inner = value.values()
    elif isinstance(value, list):
        inner = value
    for one in inner:
        yield from _texts(one)


def _check_same(scene: Scene, path: Path, names: dict[str, str]) -> None:
    """Make sure that a text is the same scene, renamed, and that its rooms can be built."""
    try:
        again = read_scene(path)
        prepare_all(path, ["all"], ["all"])
    except SceneError as error:
        raise _unsafe(scene, str(error.complaints[0])) from error
    for field in fields(Scene):
        if field.name in ("path", "text", "materials", "treatments", "prices"):
            continue
        if not _alike(getattr(scene, field.name), getattr(again, field.name), names):
            raise _unsafe(scene, f'its "{field.name}" would change.')


def _alike(old: Any, new: Any, names: dict[str, str], is_material: bool = False) -> bool:  # noqa: ANN401
    """Tell if two records are the same but for names of materials, lines and folders."""
    if isinstance(old, str):
        return bool(new == old or (is_material and new == names.get(old)))
    if isinstance(old, np.ndarray):
        return bool(np.array_equal(old, new, equal_nan=old.dtype.kind == "f"))
    if is_dataclass(old):
        return type(old) is type(new) and all(
            _alike(getattr(old, f.name), getattr(new, f.name), names,
                   f.name.startswith("material"))
            for f in fields(old)
            if f.name not in ("path", "place")
        )  # fmt: skip
    if isinstance(old, dict):
        old, new = tuple(old.items()), tuple(new.items())
    if isinstance(old, tuple):
        return len(old) == len(new) and all(
            _alike(a, b, names, is_material) for a, b in zip(old, new, strict=True)
        )
    return bool(old == new)


def _unsafe(scene: Scene, why: str) -> SceneError:
    return SceneError(
        Complaint(
            str(scene.path),
            f"the fitted materials cannot be written into it: {why}",
            "Put them in by hand: the table above has the numbers.",
            "RS-C07",
        )
    )
