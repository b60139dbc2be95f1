"""Write and read one group of a result file as the schema says, and tie its scales.

Values go by the item's name: arrays for items with axes, numbers and texts for the
rest, None for an optional item that is absent. What is read is float64, int64, str
or tuple of str again, and arrays are read-only.
"""

from collections.abc import Mapping
from typing import Any

import h5py
import numpy as np

from raysim.errors import Complaint, StoreError
from raysim.store.schema import COMPRESS_ABOVE, SCALES, Group, Item, escape

_TEXT = h5py.string_dtype()


def group_path(group: Group, names: Mapping[str, str]) -> str:
    """Give the path of a group, its names in braces filled in and escaped."""
    return group.path.format(**{k: escape(v) for k, v in names.items()})


def put(
    file: h5py.File, group: Group, values: Mapping[str, object], names: Mapping[str, str] = {}
) -> None:
    """Write one group.

    Parameters
    ----------
    file : h5py.File
    group : Group
        Which; its items say how.
    values : dict
        A value per item; one that is missing raises KeyError unless it is optional.
    names : dict
        What stands in the braces of the group's path.

    Raises
    ------
    StoreError
        RS-H09: a text holds the character NUL, which HDF5 cannot keep.
    """
    path = group_path(group, names)
    h5 = file.require_group(path)
    for item in group.items:
        value = values.get(item.name) if item.optional else values[item.name]
        if value is not None:
            _put_item(h5, item, item.name, value)


def _put_item(h5: h5py.Group, item: Item, name: str, value: Any) -> None:  # noqa: ANN401
    """Write one dataset or attribute."""
    if item.dtype == "text":
        for text in (value,) if isinstance(value, str) else value:
            if "\0" in text:
                raise StoreError(
                    Complaint(
                        where=f"{h5.name}/{name}",
                        wrong=f"the text {text[:40]!r} holds the character NUL.",
                        fix="Remove it from the scene: result files cannot keep it.",
                        code="RS-H09",
                    )
                )
    if item.axes is None:
        h5.attrs[name] = value if item.dtype == "text" else np.dtype(item.dtype).type(value)
    elif item.dtype == "text":
        kept = value if item.axes == () else np.array(value, dtype=object)
        data = h5.create_dataset(name, data=kept, dtype=_TEXT)
        _label(data, item.axes)
    else:
        put_numbers(h5, name, value, item, item.unit)


def put_numbers(
    h5: h5py.Group,
    name: str,
    value: Any,  # noqa: ANN401  anything numpy takes for an array
    item: Item,
    unit: str,
) -> None:
    """Write one dataset of numbers with its unit and the names of its axes.

    Raises
    ------
    ValueError
        The value has not the item's axes.
    """
    array = np.asarray(value, dtype=item.dtype)
    axes = item.axes or ()
    if item.or_single and array.ndim == 0:
        axes = ()
    if array.ndim != len(axes):
        raise ValueError(f"{h5.name}/{name} has axes {axes}, not shape {array.shape}")
    how: dict[str, Any] = {}
    if array.nbytes > COMPRESS_ABOVE:
        how = {"compression": "gzip", "shuffle": True, "fletcher32": True}
    data = h5.create_dataset(name, data=array, **how)
    data.attrs["unit"] = unit
    _label(data, axes)


def _label(data: h5py.Dataset, axes: tuple[str, ...]) -> None:
    for i_axis, axis in enumerate(axes):
        data.dims[i_axis].label = axis


def take(file: h5py.File, group: Group, names: Mapping[str, str] = {}) -> dict[str, Any]:
    """Read one group that `put` wrote; absent optional items give None.

    Raises
    ------
    KeyError
        The group, or an item that is not optional, is missing.
    """
    h5 = file[group_path(group, names)]
    return {item.name: _take_item(h5, item) for item in group.items}


def _take_item(h5: h5py.Group, item: Item) -> Any:  # noqa: ANN401
    held = h5.attrs if item.axes is None else h5
    if item.optional and item.name not in held:
        return None
    if item.axes is None:
        value = h5.attrs[item.name]
        return value if item.dtype == "text" else value.item()
    data = h5[item.name]
    if item.dtype == "text":
        text = data.asstr()[()]
        return text if item.axes == () else tuple(text)
    return read_numbers(data)


def read_numbers(data: h5py.Dataset) -> Any:  # noqa: ANN401  Float or Int, as stored
    """Give a dataset as a read-only float64 or int64 array, a single value as a number."""
    array = data[()].astype(np.int64 if data.dtype.kind == "i" else np.float64)
    if array.ndim == 0:
        return array.item()
    array.flags.writeable = False
    return array


def tie_scales(file: h5py.File) -> None:
    """Attach to every labelled axis the dimension scale that `SCALES` names for it.

    Done once, when all is written: copying a group between files leaves its ties
    pointing nowhere, so old ones are dropped first.
    """
    labelled: list[h5py.Dataset] = []

    def collect(_: str, h5: h5py.Group | h5py.Dataset) -> None:
        if isinstance(h5, h5py.Dataset):
            for old in ("DIMENSION_LIST", "REFERENCE_LIST"):
                if old in h5.attrs:
                    del h5.attrs[old]
            if "DIMENSION_LABELS" in h5.attrs:
                labelled.append(h5)

    file.visititems(collect)
    for data in labelled:
        for dim in data.dims:
            where = SCALES.get(dim.label)
            # An impulse's axis has its scale beside it, a band's at the root.
            scale = None if where is None else data.parent[where]
            if scale is None or scale == data:
                continue
            if not scale.is_scale:
                scale.make_scale(dim.label)
            dim.attach_scale(scale)
